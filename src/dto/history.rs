//! What happened so far on the steps of a job. Reports come with seconds; here they become whole minutes, starts rounded
//! down and finishes up, so that what happened is never shorter than it was.

use super::fault::{At, Faults, shown};
use super::job::World;
use super::names::Table;
use super::scalar;
use crate::domain::bounds::{ATTEMPTS_MAX, HORIZON_DAYS_MAX, STEP_MINUTES_MAX, STEPS_PER_CHAIN_MAX};
use crate::domain::chain::{Attempt, Outcome, Step};
use crate::domain::fault::Fault;
use crate::domain::ids::CrewIx;
use crate::domain::resources::{Crew, House};
use crate::domain::time::{Minute, Span, joined, without};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// How a try stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OutcomeDto {
    /// Begun and not finished.
    Running,
    /// Finished; for a check: passed.
    Done,
    /// A check that did not pass.
    Failed,
    /// The crew left a dividable step before its end; `remaining_minutes` says how much is left.
    Paused,
}

/// One try of a step. The tries of one step are listed oldest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HistoryDto {
    /// Key of the step.
    #[schema(example = "sand-coarse")]
    pub step: String,
    /// Key of the crew that did it.
    #[schema(example = "north")]
    pub crew: String,
    /// Seconds are allowed, and dropped.
    #[schema(example = "2026-03-09T07:04:21-04:00", format = DateTime)]
    pub started_at: String,
    /// Of a try that is over; seconds count as a whole minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub finished_at: Option<String>,
    /// How it stands.
    pub outcome: OutcomeDto,
    /// Of a running try; left out: computed from the work and the crew's hours. Never before the next minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub expected_finish_at: Option<String>,
    /// Of a failed try: the next is not planned earlier, nor before the pause of the step. Never before its end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub retry_not_before_at: Option<String>,
    /// Nobody has reported it: it is taken to have gone as promised.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub presumed: bool,
    /// Of a paused try: what is left of the work, in minutes of that crew at full strength, set-up not included.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 120_000, example = 90)]
    pub remaining_minutes: Option<i64>,
    /// The floor was wetted again: the first part of a two-part treatment was done once more, because it had dried before
    /// the second. The dwell counts from this try.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub re_wet: bool,
}

/// An entry read on its own.
struct Report {
    step: usize,
    crew: CrewIx,
    started: DateTime<Utc>,
    finished: Option<DateTime<Utc>>,
    expected: Option<DateTime<Utc>>,
    retry: Option<DateTime<Utc>>,
    outcome: Outcome,
    re_wet: bool,
}

/// Adds the attempts to their steps.
pub(super) fn read(
    history: &[HistoryDto],
    at: &At,
    (steps, table): (&mut [Step], &Table),
    (world, house): (&World, Option<&House>),
    faults: &mut Faults,
) -> Option<()> {
    if !faults.count(at, history.len(), STEPS_PER_CHAIN_MAX * ATTEMPTS_MAX, "reports") {
        return None;
    }
    let mut good = Some(());
    let mut last: Vec<Option<DateTime<Utc>>> = vec![None; steps.len()];
    for (index, entry) in history.iter().enumerate() {
        let at = at.item(index);
        let Some(report) = entry.read(&at, table, world, faults) else {
            good = None;
            continue;
        };
        let previous = &mut last[report.step];
        if previous.is_some_and(|previous| report.started < previous) {
            let what = format!("step {} was tried again before the try before it ended", shown(&entry.step));
            let cure = "list the tries of a step oldest first, each beginning when the one before has ended";
            faults.push(&at, Fault::new("bad-history", what, cure));
            good = None;
            continue;
        }
        *previous = report.finished.or(Some(report.started));
        let step = &mut steps[report.step];
        if let Some((place, what, cure)) = report.against(step) {
            let what = format!("step {} {what}", shown(&entry.step));
            faults.push(&at.field(place), Fault::new("bad-history", what, cure));
            good = None;
            continue;
        }
        let attempt = report.rounded(step, world, house);
        step.attempts.push(attempt);
    }
    good
}

impl HistoryDto {
    fn read(&self, at: &At, table: &Table, world: &World, faults: &mut Faults) -> Option<Report> {
        let step = faults.find(&at.field("step"), table, &self.step, "a report");
        let crew = faults.find(&at.field("crew"), &world.names.crews, &self.crew, "a report");
        let started = faults.take(&at.field("started_at"), scalar::exact_instant(&self.started_at));
        let mut later = |name: &str, text: &Option<String>| match text {
            None => Some(None),
            Some(text) => faults.take(&at.field(name), scalar::exact_instant(text)).map(Some),
        };
        let finished = later("finished_at", &self.finished_at);
        let expected = later("expected_finish_at", &self.expected_finish_at);
        let retry = later("retry_not_before_at", &self.retry_not_before_at);
        let remaining_at = at.field("remaining_minutes");
        let remaining = match self.remaining_minutes {
            None => Some(None),
            Some(minutes) => faults.whole(&remaining_at, minutes, 1..=STEP_MINUTES_MAX, "minutes").map(Some),
        };
        let people = crew.and_then(|crew| world.crews.get(crew)).and_then(Option::as_ref);
        let paused = Outcome::Paused {
            remaining_minutes: remaining?.unwrap_or(1),
            people: people.map_or(1, |crew| crew.head_count),
        };
        let report = Report {
            step: step?,
            crew: CrewIx::from_index(crew?),
            started: started?,
            finished: finished?,
            expected: expected?,
            retry: retry?,
            outcome: match self.outcome {
                OutcomeDto::Running => Outcome::Running,
                OutcomeDto::Done => Outcome::Done,
                OutcomeDto::Failed => Outcome::Failed,
                OutcomeDto::Paused => paused,
            },
            re_wet: self.re_wet,
        };
        if (self.outcome == OutcomeDto::Paused) != self.remaining_minutes.is_some() {
            let (what, cure) = match self.remaining_minutes {
                None => ("is paused, but not how much of it is left", "give remaining_minutes"),
                Some(_) => ("is not paused and yet something of it is left", "leave remaining_minutes out"),
            };
            faults.push(&remaining_at, Fault::new("bad-history", format!("step {} {what}", shown(&self.step)), cure));
            return None;
        }
        let Some((place, what, cure)) = report.contradiction(world.now) else { return Some(report) };
        faults.push(&at.field(place), Fault::new("bad-history", format!("step {} {what}", shown(&self.step)), cure));
        None
    }
}

impl Report {
    /// Member, reason and cure, if it cannot have been so. A report may be a minute ahead of `now`, which is a whole
    /// minute itself.
    fn contradiction(&self, now: Minute) -> Option<(&'static str, &'static str, &'static str)> {
        let ahead = |at: DateTime<Utc>| Minute::floor_from(at) > now.plus(1);
        let told = match (self.outcome, self.finished, self.expected) {
            (Outcome::Running, Some(_), _) => {
                ("finished_at", "is running and yet finished", "leave finished_at out, or let it be done")
            }
            (Outcome::Done | Outcome::Failed | Outcome::Paused { .. }, None, _) => {
                ("outcome", "is over, but not since when", "give finished_at")
            }
            (Outcome::Done | Outcome::Failed | Outcome::Paused { .. }, _, Some(_)) => {
                ("expected_finish_at", "is over and yet expected to finish", "leave expected_finish_at out")
            }
            _ if self.retry.is_some() && self.outcome != Outcome::Failed => {
                ("retry_not_before_at", "has not failed and yet is to be tried again", "leave retry_not_before_at out")
            }
            _ if self.retry < self.finished && self.retry.is_some() => {
                ("retry_not_before_at", "is to be tried again before it ended", "correct one of the two times")
            }
            _ if ahead(self.started) => ("started_at", "was begun in the future", "correct the date"),
            (_, Some(finished), _) if finished < self.started => {
                ("finished_at", "ended before it began", "correct one of the two times")
            }
            (_, Some(finished), _) if ahead(finished) => ("finished_at", "ended in the future", "correct the date"),
            _ => return None,
        };
        Some(told)
    }

    /// Member, reason and cure, if it does not go with the step and what is known of it.
    fn against(&self, step: &Step) -> Option<(&'static str, &'static str, &'static str)> {
        let done = step.attempts.last().is_some_and(|last| last.outcome == Outcome::Done);
        match (self.outcome, done) {
            (Outcome::Paused { .. }, _) if !step.dividable => {
                Some(("outcome", "is done in one go and cannot be paused", "report how it ended"))
            }
            (_, true) if !self.re_wet => {
                let cure = "keep what is done, or say re_wet where the first part of a treatment was done once more";
                Some(("step", "was done already", cure))
            }
            (_, false) if self.re_wet => {
                Some(("re_wet", "was not done before and cannot have been wetted again", "leave re_wet out"))
            }
            _ => None,
        }
    }

    /// On whole minutes, after the try before it, at least a minute long.
    fn rounded(&self, step: &Step, world: &World, house: Option<&House>) -> Attempt {
        let earliest = step.attempts.last().map(|previous| previous.finish);
        let start = Minute::floor_from(self.started);
        let start = earliest.map_or(start, |earliest| earliest.max(start));
        let ended = self.finished.or(self.expected).map(Minute::ceil_from);
        let finish = match self.outcome {
            Outcome::Done | Outcome::Failed | Outcome::Paused { .. } => ended.unwrap_or(start),
            Outcome::Running => {
                let crew = world.crews.get(self.crew.index()).and_then(Option::as_ref);
                let finish = ended.unwrap_or_else(|| expected_finish(step, start, crew, house));
                finish.max(world.now.plus(1))
            }
        };
        let finish = finish.max(start.plus(1));
        let retry_not_before = self.retry.map(|retry| Minute::ceil_from(retry).max(finish));
        Attempt { crew: self.crew, start, finish, outcome: self.outcome, retry_not_before }
    }
}

/// When a step begun at `start` should be over: its length on the clock, or, if it may pause, in the time that crew and
/// house have in common.
fn expected_finish(step: &Step, start: Minute, crew: Option<&Crew>, house: Option<&House>) -> Minute {
    let minutes = step.duration_minutes(crew.map_or(1, |crew| crew.people_at(start)));
    let plain = start.plus(minutes);
    let (true, Some(crew), Some(house)) = (step.dividable, crew, house) else { return plain };
    let absences = joined(crew.absences.clone());
    let closures = joined(house.closures.clone());
    let mut left = minutes;
    for week in 0..HORIZON_DAYS_MAX / 7 {
        let from = start.plus(week * 7 * 1440);
        let Some(within) = Span::new(from, from.plus(7 * 1440)) else { return plain };
        let open = without(&house.access.spans(house.zone, within), &closures);
        let closed = without(&[within], &open);
        let working = without(&without(&crew.calendar.spans(crew.zone, within), &absences), &closed);
        for span in working {
            if left <= span.minutes() {
                return span.start().plus(left);
            }
            left -= span.minutes();
        }
    }
    plain
}
