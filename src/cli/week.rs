//! A plan in plain text: a readable week per crew and per house, in local time. Pure: no terminal, no clock.

use crate::domain::chain::{OnExceed, Outcome, Step, Wait, WaitKind, WaitMax};
use crate::domain::ids::{CrewIx, HouseIx, JobIx};
use crate::domain::plan::{Placement, Plan};
use crate::domain::situation::{Job, Situation};
use crate::domain::time::{Minute, Span, joined};
use crate::domain::zone::Zone;
use chrono::{Days, NaiveDate};
use std::fmt::Write;

/// Waits shorter than this are not worth a line of their own.
const SHOWN_WAIT_MINUTES_MIN: i64 = 60;

/// The calendar days a text shows.
#[derive(Debug, Clone, Copy)]
pub struct Shown {
    /// First day.
    pub from: NaiveDate,
    /// How many days.
    pub days: u64,
}

impl Shown {
    /// Whether the text shows this day.
    pub fn contains(&self, date: NaiveDate) -> bool {
        self.from <= date && self.from.checked_add_days(Days::new(self.days)).is_none_or(|end| date < end)
    }
}

/// `9 Mar`, with its weekday: `Mon  9 Mar`.
fn day(date: NaiveDate) -> String {
    date.format("%a %e %b").to_string()
}

/// `07:30` on the zone's wall clock.
fn clock(zone: Zone, at: Minute) -> String {
    let minute = zone.minute_of_day(at);
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

/// `Mon  9 Mar 07:30`.
pub fn moment(zone: Zone, at: Minute) -> String {
    format!("{} {}", day(zone.date(at)), clock(zone, at))
}

/// `3 d 4 h`, `15 h 30`, `45 min`.
pub fn length(minutes: i64) -> String {
    let (days, hours, rest) = (minutes / 1440, minutes % 1440 / 60, minutes % 60);
    match (days, hours, rest) {
        (0, 0, rest) => format!("{rest} min"),
        (0, hours, 0) => format!("{hours} h"),
        (0, hours, rest) => format!("{hours} h {rest:02}"),
        (days, 0, _) => format!("{days} d"),
        (days, hours, _) => format!("{days} d {hours} h"),
    }
}

fn step_of<'s>(situation: &'s Situation, placement: &Placement) -> (&'s Job, &'s Step) {
    let job = &situation.jobs[placement.step.job.index()];
    (job, job.chain.step(placement.step.step))
}

/// One line's worth of a crew's work.
struct Line {
    start: Minute,
    finish: Minute,
    house: HouseIx,
    what: String,
    is_planned: bool,
    is_over: bool,
}

/// What every crew does on the shown days.
pub fn crews(situation: &Situation, plan: &Plan, shown: Shown) -> String {
    let mut out = String::new();
    for (number, crew) in situation.crews.iter().enumerate() {
        let mut lines = crew_lines(situation, plan, CrewIx::from_index(number));
        lines.retain(|line| {
            let begun_before = crew.zone.date(line.start) < shown.from && crew.zone.date(line.finish) >= shown.from;
            shown.contains(crew.zone.date(line.start)) || (begun_before && !line.is_over)
        });
        // What is in hand may pause overnight, so its length says little; the two parts of a treatment overlap.
        let planned = lines.iter().filter(|line| line.is_planned);
        let busy = joined(planned.filter_map(|line| Span::new(line.start, line.finish)).collect());
        let work: i64 = busy.into_iter().map(Span::minutes).sum();
        let skills: Vec<&str> = crew.skills.positions().map(|position| situation.skills[position].as_str()).collect();
        let _ = writeln!(out, "{}  ({} people; {})", crew.name, crew.head_count, skills.join(", "));
        let mut last = None;
        for line in &lines {
            let date = crew.zone.date(line.start).max(shown.from);
            let shown_day = if last == Some(date) { " ".repeat(10) } else { day(date) };
            last = Some(date);
            let begun_before = crew.zone.date(line.start) < shown.from;
            let from = if begun_before { "     ".to_owned() } else { clock(crew.zone, line.start) };
            let until = clock(crew.zone, line.finish);
            let house = &situation.houses[line.house.index()].name;
            let _ = writeln!(out, "  {shown_day}  {from}-{until}  {:<24}  {}", house.as_str(), line.what);
        }
        let (hours, rest) = (work / 60, work % 60);
        let summary =
            if lines.is_empty() { "nothing planned".to_owned() } else { format!("{hours} h {rest:02} min planned") };
        let _ = writeln!(out, "  {:>10}  {summary}\n", "");
    }
    out
}

fn crew_lines(situation: &Situation, plan: &Plan, crew: CrewIx) -> Vec<Line> {
    let mut lines = Vec::new();
    for placement in plan.placements.iter().filter(|placement| placement.crew == crew) {
        let (job, step) = step_of(situation, placement);
        for (number, piece) in placement.pieces.iter().enumerate() {
            let mut what = step.name.to_string();
            if placement.pieces.len() > 1 {
                let _ = write!(what, " ({} of {})", number + 1, placement.pieces.len());
            }
            what.push_str(state_mark(step));
            let state = step.fixed().map(|attempt| attempt.outcome);
            lines.push(Line {
                start: piece.start(),
                finish: piece.end(),
                house: job.house,
                what,
                is_planned: state.is_none(),
                is_over: state == Some(Outcome::Done),
            });
        }
    }
    lines.sort_by_key(|line| (line.start, line.finish));
    lines
}

fn state_mark(step: &Step) -> &'static str {
    match step.fixed().map(|attempt| attempt.outcome) {
        Some(Outcome::Done) => "  [done]",
        Some(Outcome::Running) => "  [in hand]",
        Some(Outcome::Failed | Outcome::Paused { .. }) | None => "",
    }
}

/// What happens in every house on the shown days, waits included.
pub fn houses(situation: &Situation, plan: &Plan, shown: Shown) -> String {
    let mut out = String::new();
    for (number, job) in situation.jobs.iter().enumerate() {
        let job_ix = JobIx::from_index(number);
        let placements: Vec<&Placement> = {
            let mut own: Vec<&Placement> = plan.placements.iter().filter(|p| p.step.job == job_ix).collect();
            own.sort_by_key(|placement| (placement.start(), placement.step));
            own
        };
        let zone = situation.houses[job.house.index()].zone;
        let _ = writeln!(out, "{}", heading(situation, plan, job_ix));
        let mut before = 0;
        let mut after = 0;
        for (place, placement) in placements.iter().enumerate() {
            let (start, finish) = (zone.date(placement.start()), zone.date(placement.finish()));
            if finish < shown.from {
                before += 1;
                continue;
            }
            if !shown.contains(start) && start > shown.from {
                after += 1;
                continue;
            }
            let wait = place.checked_sub(1).and_then(|_| wait_line(job, &placements, place));
            out.extend(wait);
            house_line(&mut out, situation, zone, placement);
        }
        let counted = [(before, "before these days"), (after, "after them")];
        let counted: Vec<String> =
            counted.iter().filter(|(count, _)| *count > 0).map(|(count, when)| format!("{count} {when}")).collect();
        if !counted.is_empty() {
            let _ = writeln!(out, "  {:10}  further steps: {}", "", counted.join(", "));
        }
        for left_out in plan.unplaced.iter().filter(|left_out| left_out.step.job == job_ix) {
            let _ = writeln!(out, "  not placed: {}", job.chain.step(left_out.step.step).name);
        }
        out.push('\n');
    }
    out
}

fn heading(situation: &Situation, plan: &Plan, job: JobIx) -> String {
    let own = &situation.jobs[job.index()];
    let zone = situation.houses[own.house.index()].zone;
    let mut text = own.name.to_string();
    if plan.unplaced.iter().any(|left_out| left_out.step.job == job) {
        text.push_str("  -  not all of it can be placed");
        return text;
    }
    let finish = plan.placements.iter().filter(|placement| placement.step.job == job).map(Placement::finish).max();
    if let Some(finish) = finish {
        let verb = if finish > plan.now { "finishes" } else { "finished" };
        let _ = write!(text, "  -  {verb} {}", moment(zone, finish));
    }
    match (own.due, finish) {
        (Some(due), Some(finish)) if finish > due => {
            let _ = write!(text, ", LATE by {} (due {})", length(finish.since(due)), moment(zone, due));
        }
        (Some(due), _) => {
            let _ = write!(text, ", due {}", moment(zone, due));
        }
        (None, _) => {}
    }
    text
}

fn house_line(out: &mut String, situation: &Situation, zone: Zone, placement: &Placement) {
    let (_, step) = step_of(situation, placement);
    let crew = &situation.crews[placement.crew.index()].name;
    for (number, piece) in placement.pieces.iter().enumerate() {
        let same_day = zone.date(piece.start()) == zone.date(piece.end());
        let until = if same_day { clock(zone, piece.end()) } else { moment(zone, piece.end()) };
        let span = format!("{}-{until}", moment(zone, piece.start()));
        let part = match placement.pieces.len() {
            1 => String::new(),
            count => format!(" ({} of {count})", number + 1),
        };
        let what = format!("{}{part}", step.name);
        let _ = writeln!(out, "  {span:<32}  {what:<35}  {crew}{}", state_mark(step));
    }
}

/// The longest wait that ends at this placement's start, if it is worth a line. Before an extra step it is the wait that
/// lapsed; the step after it has then waited for nothing else.
fn wait_line(job: &Job, placements: &[&Placement], place: usize) -> Option<String> {
    let own = placements[place];
    let find = |step| placements.iter().find(|placement| placement.step.step == step);
    let lapse = |wait: &Wait| match wait.max {
        Some(WaitMax { on_exceed: OnExceed::Lapse(extra), .. }) => Some(extra),
        Some(WaitMax { on_exceed: OnExceed::Forbid, .. }) | None => None,
    };
    let into = job.chain.waits().iter().filter(|wait| match lapse(wait) {
        Some(extra) if extra == own.step.step => true,
        Some(extra) if find(extra).is_some() => false,
        _ => wait.to == own.step.step && wait.kind == WaitKind::Lag,
    });
    let found = into.filter_map(|wait| Some((own.start().since(find(wait.from)?.finish()), wait)));
    let (minutes, wait) = found.filter(|(_, wait)| wait.min_minutes > 0 || wait.overnight).max_by_key(|(m, _)| *m)?;
    (minutes >= SHOWN_WAIT_MINUTES_MIN).then(|| format!("  {:10}  .. {}\n", "", wait_words(minutes, wait)))
}

fn wait_words(minutes: i64, wait: &Wait) -> String {
    let mut words = format!("wait {}", length(minutes));
    let mut rules = Vec::new();
    if wait.min_minutes > 0 {
        rules.push(format!("at least {}", length(wait.min_minutes)));
    }
    if wait.film.is_some() {
        rules.push("longer in cool or damp air".to_owned());
    }
    if wait.overnight {
        rules.push("overnight".to_owned());
    }
    if wait.keep_off {
        rules.push("keep off".to_owned());
    }
    let _ = write!(words, " ({})", rules.join(", "));
    words
}
