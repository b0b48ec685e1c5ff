//! `calculate NAME FILE`: one of the trade's numbers from a question in a file, in words or as JSON; no database.

use super::Refusal;
use super::plan::{read, unusable};
use crate::calculate::{CALCULATIONS, Form};
use std::path::PathBuf;

/// What `calculate` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct CalculateArguments {
    /// What to work out
    #[arg(value_parser = names())]
    pub name: String,
    /// The question (JSON; docs/calculations.md has an example of each)
    pub file: PathBuf,
    /// Print the answer as JSON instead of in words
    #[arg(long)]
    pub json: bool,
}

fn names() -> clap::builder::PossibleValuesParser {
    clap::builder::PossibleValuesParser::new(CALCULATIONS.iter().map(|(name, _)| *name))
}

/// The answer.
///
/// # Errors
/// A file that cannot be read, or a question with faults.
pub fn calculate(arguments: &CalculateArguments) -> Result<String, Refusal> {
    let text = read(&arguments.file)?;
    let form = if arguments.json { Form::Json } else { Form::Words };
    let known = CALCULATIONS.iter().find(|(name, _)| *name == arguments.name);
    // The argument parser has let nothing else through.
    let Some((_, tell)) = known else {
        return Err(Refusal::new("unknown-calculation", arguments.name.clone(), "see `tackfree calculate --help`"));
    };
    tell(&text, form).map_err(|faults| unusable(&arguments.file.display().to_string(), &faults))
}
