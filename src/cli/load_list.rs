//! `load-list FILE`: what every crew takes along on a day of a plan; no database.

use super::Refusal;
use super::documents::{Documents, Geared};
use super::plan::{self, PlanArguments};
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::dto::{LoadListDto, load_list};
use chrono::NaiveDate;
use std::path::PathBuf;

/// What `load-list` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct LoadListArguments {
    /// Planning file (JSON; see docs/planning-file.md)
    pub file: PathBuf,
    /// Plan file, as `plan --json` or `plan --out` writes it; left out: the file is planned first, as `plan` does
    #[arg(long, value_name = "PLAN")]
    pub plan: Option<PathBuf>,
    /// The day, such as 2026-03-09; left out: the day the file was made for
    #[arg(long, value_name = "DATE")]
    pub date: Option<NaiveDate>,
    /// Only this crew, by key
    #[arg(long, value_name = "KEY")]
    pub crew: Option<String>,
    /// Print it as JSON instead of as a sheet
    #[arg(long)]
    pub json: bool,
}

/// Reads, plans if need be, has the plan audited, prints what to load.
pub fn load_list_of_file(arguments: &LoadListArguments) -> Result<String, Refusal> {
    let (file, parsed) = plan::read_documents(&arguments.file)?;
    let situation = parsed.situation;
    if let Some(key) = &arguments.crew
        && !situation.crews.iter().any(|crew| crew.key.as_str() == key)
    {
        let known: Vec<&str> = situation.crews.iter().map(|crew| crew.key.as_str()).collect();
        let what = format!("there is no crew {key:?} in the file");
        return Err(Refusal::new("unknown-crew", what, format!("name one of {}", known.join(", "))));
    }
    let plan = match &arguments.plan {
        Some(path) => plan::read_checked_plan(&situation, path)?,
        None => plan::make(&situation, &PlanArguments::usual(&arguments.file))?,
    };
    let date = arguments.date.unwrap_or_else(|| situation.settings.zone.date(situation.now));
    let list = list(&Documents::of(&file), &situation, &plan, date, arguments.crew.as_deref());
    if arguments.json {
        let json = serde_json::to_string_pretty(&list);
        return json.map(|json| json + "\n").map_err(|error| Refusal::new("json", error.to_string(), "report this"));
    }
    Ok(list.to_text())
}

/// The list of one crew, on its own wall clock, or of all, on the office's.
pub fn list(
    documents: &Documents,
    situation: &Situation,
    plan: &Plan,
    date: NaiveDate,
    crew: Option<&str>,
) -> LoadListDto {
    let own = crew.and_then(|key| situation.crews.iter().find(|crew| crew.key.as_str() == key));
    let zone = own.map_or(situation.settings.zone, |crew| crew.zone);
    let geared = Geared::of(situation, plan);
    let mut works = documents.works(&geared);
    works.retain(|work| crew.is_none_or(|key| work.crew.0 == key));
    load_list(date, zone, &works)
}
