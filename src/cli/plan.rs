//! `plan FILE` and `check-plan FILE PLAN`: a planning file in, a plan out, judged by the audit; no database.

use super::Refusal;
use super::beware;
use super::documents::Documents;
use super::week::{self, Shown, moment};
use crate::audit::audit;
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::time::Span;
use crate::dto::{
    FILE_BYTES_MAX, Located, Parsed, PlanningFile, assemble, parse_plan_file, parse_planning_file, plan_to_dto,
    plan_to_json, read_json,
};
use crate::planner::{Basis, Progress, Request, plan_with_progress, usual_moves};
use crate::service::{Bottlenecks, bottlenecks};
use chrono::Days;
use indicatif::{ProgressBar, ProgressStyle};
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Days of the week text.
const DAYS_SHOWN: u64 = 7;

/// What `plan` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct PlanArguments {
    /// Planning file (JSON; see docs/planning-file.md)
    pub file: PathBuf,
    /// Start again instead of keeping what was published; frozen, pinned and begun work stays all the same
    #[arg(long)]
    pub anew: bool,
    /// As a repair plans: what is published stays if it can, and what is near gives way where that breaks fewer promises
    #[arg(long, conflicts_with = "anew")]
    pub repair: bool,
    /// Seed of the search
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Moves the search may make [default: 2000 for each job, at least 20000; from 100 jobs on 200000, or 200 for each job if that is more]
    #[arg(long)]
    pub moves: Option<u64>,
    /// Write the plan as JSON into this file
    #[arg(long, value_name = "PLAN")]
    pub out: Option<PathBuf>,
    /// Print the plan as JSON instead of as text
    #[arg(long)]
    pub json: bool,
}

/// What `check-plan` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct CheckArguments {
    /// Planning file the plan was made for
    pub file: PathBuf,
    /// Plan file, as `plan --json` or `plan --out` writes it
    pub plan: PathBuf,
}

/// Plans, has the plan audited, prints it. Nothing is printed or written that the audit rejects.
pub fn plan(arguments: &PlanArguments) -> Result<String, Refusal> {
    let (file, Parsed { situation, warnings }) = read_documents(&arguments.file)?;
    for warning in &warnings {
        eprintln!("note: {warning}");
    }
    let plan = make(&situation, arguments)?;
    let json = plan_to_json(&situation, &plan);
    if let Some(out) = &arguments.out {
        std::fs::write(out, &json).map_err(|error| unwritable(out, &error))?;
    }
    if arguments.json {
        return Ok(json);
    }
    Ok(text_with_cautions(&Documents::of(&file), &situation, &plan))
}

/// The plan for people, and what to beware of in the days shown.
pub fn text_with_cautions(documents: &Documents, situation: &Situation, plan: &Plan) -> String {
    let shown = Shown { from: situation.settings.zone.date(plan.now), days: DAYS_SHOWN };
    let beware = beware::text(documents, situation, plan, shown);
    let text = text(situation, plan);
    if beware.is_empty() { text } else { format!("{text}\n{}\n", beware.trim_end()) }
}

impl PlanArguments {
    /// What is asked for when nothing is said.
    pub fn usual(file: &Path) -> PlanArguments {
        PlanArguments {
            file: file.to_owned(),
            anew: false,
            repair: false,
            seed: 1,
            moves: None,
            out: None,
            json: false,
        }
    }
}

/// Plans and has the plan audited; nothing is given out that the audit rejects.
pub fn make(situation: &Situation, arguments: &PlanArguments) -> Result<Plan, Refusal> {
    let basis = match (arguments.anew, arguments.repair) {
        (true, _) => Basis::Anew,
        (false, true) => Basis::Repair,
        (false, false) => Basis::Published,
    };
    let move_budget = arguments.moves.unwrap_or_else(|| usual_moves(situation.jobs.len()));
    let request = Request { seed: arguments.seed, move_budget, basis, ..Request::new() };
    let plan = with_progress_bar(situation, request);
    let violations = violations(situation, &plan);
    if violations.is_empty() {
        return Ok(plan);
    }
    let what = format!("the audit rejects the plan, so it is not given out:\n  {}", violations.join("\n  "));
    let cure = "this is a defect of the program: keep the planning file, and report it";
    Err(Refusal::new("plan-rejected", what, cure))
}

/// Has a plan file audited against its planning file; `Err` names every rule it breaks.
pub fn check(arguments: &CheckArguments) -> Result<String, Refusal> {
    let Parsed { situation, .. } = read_planning_file(&arguments.file)?;
    let plan = read_checked_plan(&situation, &arguments.plan)?;
    let (placed, unplaced, cost) = (plan.placements.len(), plan.unplaced.len(), plan.cost.total());
    Ok(format!("the plan keeps every rule: {placed} steps placed, {unplaced} left out, cost {cost}\n"))
}

/// A plan file, if it keeps every rule.
pub fn read_checked_plan(situation: &Situation, path: &Path) -> Result<Plan, Refusal> {
    let text = read(path)?;
    let plan = parse_plan_file(situation, &text).map_err(|faults| refused(path, &faults))?;
    let violations = violations(situation, &plan);
    if violations.is_empty() {
        return Ok(plan);
    }
    let what = format!("the plan breaks {} rules:\n  {}", violations.len(), violations.join("\n  "));
    Err(Refusal::new("plan-rejected", what, "change the plan where it is named, or have it made again with `plan`"))
}

fn violations(situation: &Situation, plan: &Plan) -> Vec<String> {
    let report = audit(situation, plan);
    let told = |violation: &crate::audit::Violation| {
        format!("rule {}, {}: {}", violation.rule(), violation.code(), violation.explain(situation))
    };
    report.violations.iter().map(told).collect()
}

pub(super) fn read(path: &Path) -> Result<String, Refusal> {
    std::fs::read_to_string(path).map_err(|error| {
        let what = format!("{} cannot be read: {error}", path.display());
        Refusal::new("unreadable-file", what, "name a text file (UTF-8) that you may read")
    })
}

pub(super) fn unwritable(path: &Path, error: &std::io::Error) -> Refusal {
    let what = format!("{} cannot be written: {error}", path.display());
    Refusal::new("unwritable-file", what, "name a file in a folder that exists and that you may write to")
}

fn read_planning_file(path: &Path) -> Result<Parsed, Refusal> {
    parse_planning_file(&read(path)?).map_err(|faults| refused(path, &faults))
}

/// The documents themselves, and the situation in them.
pub fn read_documents(path: &Path) -> Result<(PlanningFile, Parsed), Refusal> {
    let told = |faults: Vec<Located>| refused(path, &faults);
    let file: PlanningFile = read_json(&read(path)?, FILE_BYTES_MAX).map_err(told)?;
    let parsed = assemble(&file).map_err(told)?;
    Ok((file, parsed))
}

fn refused(path: &Path, faults: &[Located]) -> Refusal {
    unusable(&path.display().to_string(), faults)
}

/// A document that cannot be used, with everything that is wrong with it.
pub fn unusable(name: &str, faults: &[Located]) -> Refusal {
    let mut what = format!("{name} cannot be used:");
    for fault in faults {
        let _ = write!(what, "\n  {fault}");
    }
    Refusal::new("unusable-file", what, "change the file in the places named above")
}

/// Shows progress on a terminal, and only when it takes long enough to be worth looking at.
fn with_progress_bar(situation: &Situation, request: Request) -> Plan {
    let bar = ProgressBar::new(request.move_budget);
    let template = "{spinner} {pos}/{len} moves, cost {msg} {wide_bar} {eta}";
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    let plan = plan_with_progress(situation, request, &mut |progress: Progress| {
        if progress.moves.is_multiple_of(50) {
            bar.set_position(progress.moves);
            bar.set_message(progress.cost.to_string());
        }
    });
    bar.finish_and_clear();
    plan
}

/// The plan for people: the week by crew and by house, what is left out and why, and what it costs.
pub fn text(situation: &Situation, plan: &Plan) -> String {
    let from = situation.settings.zone.date(plan.now);
    let shown = Shown { from, days: DAYS_SHOWN };
    let mut out = format!(
        "Plan made for {} ({})\n\nBy crew\n\n{}By house\n\n{}",
        moment(situation.settings.zone, plan.now),
        situation.settings.zone.name(),
        week::crews(situation, plan, shown),
        week::houses(situation, plan, shown)
    );
    let shown = plan_to_dto(situation, plan);
    if !plan.unplaced.is_empty() {
        out.push_str("Left out\n\n");
        for left_out in shown.unplaced {
            let say = Option::unwrap_or_default;
            let (job, step) = (say(left_out.job_name), say(left_out.step_name));
            let (what, cure) = (say(left_out.what), say(left_out.cure));
            let _ = writeln!(out, "  {job}, {step}: {what}\n    what would help: {cure}");
        }
        out.push('\n');
    }
    if !shown.guesses.is_empty() {
        out.push_str("Past the forecast\n\n");
        for guess in shown.guesses {
            let _ = writeln!(out, "  {}.", guess.told(|at| moment(situation.settings.zone, at)));
        }
        out.push('\n');
    }
    let _ = writeln!(out, "What the next {DAYS_SHOWN} days go into\n\n{}", held_up(situation, plan).text());
    let cost = &plan.cost;
    let total = cost.total();
    let parts = [
        ("steps left out", cost.unplaced),
        ("lateness", cost.lateness),
        ("broken promises", cost.broken),
        ("days until finished", cost.finish),
        ("travel", cost.travel),
        ("overtime", cost.overtime),
        ("changes of crew", cost.hand_overs),
    ];
    let parts = parts.iter().filter(|(_, points)| *points > 0);
    let parts: Vec<String> = parts.map(|(name, points)| format!("{name} {}", grouped(*points))).collect();
    let _ = writeln!(
        out,
        "Cost {} points: {}.\n{}",
        grouped(total),
        parts.join(", "),
        could_be_saved(total, plan.lower_bound)
    );
    out
}

fn could_be_saved(cost: i64, lower_bound: i64) -> String {
    if cost == lower_bound {
        return "No plan costs less (see docs/cost.md).".to_owned();
    }
    let percent = (cost - lower_bound) as f64 * 100.0 / cost.max(1) as f64;
    let least = grouped(lower_bound);
    format!("No plan costs less than {least} points: at most {percent:.1} % could be saved (see docs/cost.md).")
}

/// Bottlenecks of the days shown.
fn held_up(situation: &Situation, plan: &Plan) -> Bottlenecks {
    let zone = situation.settings.zone;
    let until = zone.date(plan.now).checked_add_days(Days::new(DAYS_SHOWN));
    let until = until.map_or(plan.now.plus(1), |date| zone.day_start(date));
    let within = Span::new(plan.now, until).unwrap_or_else(|| unreachable!("there is at least one day"));
    bottlenecks(situation, plan, within)
}

/// 1234567 as `1,234,567`.
fn grouped(number: i64) -> String {
    let digits = number.unsigned_abs().to_string();
    let mut out = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    if number < 0 { format!("-{out}") } else { out }
}

#[cfg(test)]
mod tests {
    #[test]
    fn what_could_be_saved_is_told_or_that_nothing_can() {
        assert_eq!(super::could_be_saved(0, 0), "No plan costs less (see docs/cost.md).");
        assert_eq!(super::could_be_saved(22_345, 22_345), "No plan costs less (see docs/cost.md).");
        let told = "No plan costs less than 750 points: at most 25.0 % could be saved (see docs/cost.md).";
        assert_eq!(super::could_be_saved(1_000, 750), told);
    }

    #[test]
    fn numbers_are_grouped_by_thousands() {
        assert_eq!([0, 999, 1_000, -1_234_567].map(super::grouped), ["0", "999", "1,000", "-1,234,567"]);
    }
}
