//! `chance FILE PLAN`: will each house make its date? No database.

use super::Refusal;
use super::plan;
use super::week::{length, moment};
use crate::chance::{
    ChanceModel, Chances, FAILED_CHECK_RATE_MAX, JobChance, RUNS_DEFAULT, RUNS_MAX, SIGMA_MAX, simulate,
};
use crate::domain::situation::Situation;
use crate::dto::{ChancesDto, JobChanceDto, PlanningFile, built_in_method, treat_again};
use std::fmt::Write;
use std::path::PathBuf;

/// What `chance` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct ChanceArguments {
    /// Planning file (JSON; see docs/planning-file.md)
    pub file: PathBuf,
    /// Plan file, as `plan --json` or `plan --out` writes it
    pub plan: PathBuf,
    /// How often the plan is carried out
    #[arg(long, default_value_t = RUNS_DEFAULT, value_parser = clap::value_parser!(u32).range(1..=i64::from(RUNS_MAX)))]
    pub runs: u32,
    /// Seed of the luck
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Spread of dry times: standard deviation of the logarithm, 0 to 1
    #[arg(long, default_value_t = ChanceModel::DRY_SIGMA, value_parser = sigma)]
    pub dry_sigma: f64,
    /// Spread of the time that work takes, likewise
    #[arg(long, default_value_t = ChanceModel::WORK_SIGMA, value_parser = sigma)]
    pub work_sigma: f64,
    /// Tries of checks that fail, percent
    #[arg(long, default_value_t = ChanceModel::FAILED_CHECK_RATE * 100.0, value_parser = failing)]
    pub failed_checks: f64,
    /// Print it as JSON instead of as a table
    #[arg(long)]
    pub json: bool,
}

fn number(text: &str, most: f64) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| format!("{text:?} is no number"))?;
    if (0.0..=most).contains(&value) { Ok(value) } else { Err(format!("give 0 to {most}")) }
}

fn sigma(text: &str) -> Result<f64, String> {
    number(text, SIGMA_MAX)
}

fn failing(text: &str) -> Result<f64, String> {
    number(text, FAILED_CHECK_RATE_MAX * 100.0)
}

/// Reads, has the plan audited, simulates, prints.
pub fn chance(arguments: &ChanceArguments) -> Result<String, Refusal> {
    let (file, parsed) = plan::read_documents(&arguments.file)?;
    let situation = parsed.situation;
    let plan = plan::read_checked_plan(&situation, &arguments.plan)?;
    let model = ChanceModel {
        dry_sigma: arguments.dry_sigma,
        work_sigma: arguments.work_sigma,
        failed_check_rate: arguments.failed_checks / 100.0,
        treat_again: treat_again(&situation, &own_chains(&file)),
    };
    let chances = simulate(&situation, &plan, &model, arguments.runs, arguments.seed);
    let shown = ChancesDto::from_domain(&situation, &chances);
    if arguments.json {
        let json = serde_json::to_string_pretty(&shown);
        return json.map(|json| json + "\n").map_err(|error| Refusal::new("json", error.to_string(), "report this"));
    }
    Ok(text(&situation, &chances, &shown))
}

fn own_chains(file: &PlanningFile) -> Vec<crate::dto::JobDto> {
    let method = |key: &str| file.methods.iter().find(|method| method.key == key).or_else(|| built_in_method(key));
    let own = |job: &crate::dto::JobDto| job.clone().with_own_chain(job.method.as_deref().and_then(method));
    file.jobs.iter().map(own).collect()
}

/// For people: each job with its date, its chance, and what drives it.
fn text(situation: &Situation, chances: &Chances, shown: &ChancesDto) -> String {
    let model = &shown.model;
    let mut out = format!(
        "The plan carried out {} times (seed {}): dry times spread by {}, work by {}, {} % of checks fail.\n",
        chances.runs, chances.seed, model.dry_sigma, model.work_sigma, model.failed_check_percent
    );
    for (chance, job) in chances.jobs.iter().zip(&shown.jobs) {
        let _ = writeln!(out, "\n{}, {}", job.house_name, job.job_name);
        told(&mut out, situation, chance, job);
    }
    out
}

fn told(out: &mut String, situation: &Situation, chance: &JobChance, shown: &JobChanceDto) {
    let job = &situation.jobs[chance.job.index()];
    let zone = situation.houses[job.house.index()].zone;
    let Some(planned) = chance.planned_finish else {
        let _ = writeln!(out, "  not known: the plan leaves out {} of its steps", chance.unplaced_steps);
        return;
    };
    match (job.due, shown.in_time_percent) {
        (Some(due), Some(in_time)) => {
            let _ = writeln!(out, "  due {}: made in {in_time:.1} % of the runs", moment(zone, due));
        }
        _ => out.push_str("  no date\n"),
    }
    let at = |at: Option<crate::domain::time::Minute>| at.map_or("never".to_owned(), |at| moment(zone, at));
    let _ = writeln!(
        out,
        "  finished as planned {}; in 50 % by {}, in 80 % by {}, in 95 % by {}",
        moment(zone, planned),
        at(chance.finish_percent_50),
        at(chance.finish_percent_80),
        at(chance.finish_percent_95)
    );
    match chance.buffer_minutes {
        Some(0) => out.push_str("  to be kept in 90 %: the planned finish\n"),
        Some(minutes) => {
            let _ = writeln!(out, "  to be kept in 90 %: {} after the planned finish", length(minutes));
        }
        None => out.push_str("  to be kept in 90 %: no date\n"),
    }
    for driver in &shown.drivers {
        let _ = writeln!(out, "  late: {} ({:.0} % of the late runs)", driver.what, driver.percent);
    }
    for overrun in &shown.overruns {
        let _ = writeln!(out, "  beware: {} ({:.1} % of the runs)", overrun.what, overrun.percent);
    }
}
