//! `forecast FILE`: a table or a document of the weather service in, the forecast of a planning file out; no database.

use super::Refusal;
use super::plan::{read, unusable, unwritable};
use crate::weather::{Summary, read_any};
use std::path::PathBuf;

/// What `forecast` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct ForecastArguments {
    /// A table with a header row (CSV), or a gridpoint document of the US National Weather Service (see docs/weather.md)
    pub file: PathBuf,
    /// Write the forecast as JSON into this file instead of printing it
    #[arg(long, value_name = "FORECAST")]
    pub out: Option<PathBuf>,
}

/// Reads a file, tells on standard error what it holds, and gives it out as JSON.
pub fn forecast(arguments: &ForecastArguments) -> Result<String, Refusal> {
    let name = arguments.file.display();
    let read = read_any(&read(&arguments.file)?).map_err(|faults| unusable(&name.to_string(), &faults))?;
    if let Some(summary) = Summary::of(&read) {
        eprintln!("{name}: {summary}");
    }
    let json = serde_json::to_string_pretty(&read).map(|json| json + "\n");
    let json = json.map_err(|error| Refusal::new("no-json", error.to_string(), "report this defect"))?;
    match &arguments.out {
        None => Ok(json),
        Some(out) => std::fs::write(out, &json).map(|()| String::new()).map_err(|error| unwritable(out, &error)),
    }
}
