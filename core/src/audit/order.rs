//! What may not yet be done: rule 10, but for the waits (see `waits`) and the present (see `read`); and pins, of rule 9.

use super::ledger::{Ledger, Place, Stay, lapse};
use super::violation::{History, Order, Violation};
use crate::domain::chain::{Chain, Outcome, StepState};
use crate::domain::ids::{JobIx, StepIx};
use crate::domain::time::Minute;

pub(super) fn check(ledger: &Ledger<'_>, out: &mut Vec<Violation>) {
    for stay in ledger.stays().filter(|stay| stay.open) {
        let spec = ledger.spec(stay.number);
        let start = stay.start();
        let release = ledger.situation.jobs[stay.step.job.index()].release;
        if start < release {
            out.push(Violation::Order(stay.step, Order::BeforeRelease { start, release }));
        }
        if let Some(not_before) = spec.pin.not_before.filter(|&not_before| start < not_before) {
            out.push(Violation::Order(stay.step, Order::BeforePin { start, not_before }));
        }
        if let Some(not_before) = recheck_not_before(ledger, stay.number).filter(|&not_before| start < not_before) {
            out.push(Violation::Order(stay.step, Order::BeforeRecheck { start, not_before }));
        }
        let (crew, pinned_start, day) = (spec.pin.crew, spec.pin.start, spec.pin.day);
        let zone = ledger.situation.houses[stay.house.index()].zone;
        if crew.is_some_and(|crew| crew != stay.crew)
            || pinned_start.is_some_and(|pinned| pinned != start)
            || day.is_some_and(|day| zone.date(start) != day)
        {
            out.push(Violation::History(stay.step, History::PinBroken { crew, start: pinned_start, day }));
        }
    }
    for job in 0..ledger.situation.jobs.len() {
        check_failed(ledger, JobIx::from_index(job), out);
    }
}

/// The end of the pause after an open step's last failed attempt, or when it was left.
pub(super) fn recheck_not_before(ledger: &Ledger<'_>, number: usize) -> Option<Minute> {
    match ledger.spec(number).state() {
        StepState::Open { not_before } => not_before,
        StepState::Running(_) | StepState::Done(_) => None,
    }
}

/// A failed check that a step follows, and when its new try finishes; `None` when it is not placed.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) struct Retry {
    pub check: StepIx,
    pub finish: Option<Minute>,
}

impl Retry {
    /// The one that holds its followers back longer.
    fn later(a: Option<Retry>, b: Option<Retry>) -> Option<Retry> {
        let never = |retry: &Retry| retry.finish.map_or((1, Minute(0)), |finish| (0, finish));
        match (a, b) {
            (Some(a), Some(b)) => Some(if never(&b) > never(&a) { b } else { a }),
            (a, b) => a.or(b),
        }
    }
}

/// For each step of a job, the failed check among those it follows that holds it back longest.
pub(super) fn retries(ledger: &Ledger<'_>, job: JobIx) -> Vec<Option<Retry>> {
    let chain = &ledger.situation.jobs[job.index()].chain;
    let mut held: Vec<Option<Retry>> = vec![None; chain.steps().len()];
    let failed = |step: StepIx| chain.step(step).attempts.last().is_some_and(|last| last.outcome == Outcome::Failed);
    if !(0..chain.steps().len()).any(|step| failed(StepIx::from_index(step))) {
        return held;
    }
    let arcs = arcs(chain);
    for &step in chain.order() {
        let mut passed_on = held[step.index()];
        if failed(step) {
            // Where the new try is reported as unusable, its time is not known and nothing is held against it.
            let own = match &ledger.places[ledger.number_in(job, step)] {
                Place::Absent => Some(Retry { check: step, finish: None }),
                Place::Unusable => None,
                Place::At(stay) => Some(Retry { check: step, finish: Some(stay.finish()) }),
            };
            passed_on = Retry::later(passed_on, own);
        }
        let first = arcs.partition_point(|arc| arc.0 < step);
        for &(_, to) in arcs[first..].iter().take_while(|arc| arc.0 == step) {
            held[to.index()] = Retry::later(held[to.index()], passed_on);
        }
    }
    held
}

/// Which step directly follows which, extra steps included, sorted.
fn arcs(chain: &Chain) -> Vec<(StepIx, StepIx)> {
    let mut arcs = Vec::new();
    for wait in chain.waits() {
        arcs.push((wait.from, wait.to));
        if let Some((extra, _)) = lapse(wait) {
            arcs.extend([(wait.from, extra), (extra, wait.to)]);
        }
    }
    arcs.sort_unstable();
    arcs
}

fn check_failed(ledger: &Ledger<'_>, job: JobIx, out: &mut Vec<Violation>) {
    let chain = &ledger.situation.jobs[job.index()].chain;
    for (step, retry) in retries(ledger, job).into_iter().enumerate() {
        let step = StepIx::from_index(step);
        let stay = ledger.stay(ledger.number_in(job, step)).filter(|stay| stay.open);
        let (Some(retry), Some(stay)) = (retry, stay) else { continue };
        if retry.finish.is_none_or(|finish| stay.start() < finish) && !told_by_wait(chain, retry, stay) {
            let early = Order::AfterFailedCheck { check: retry.check, retry: retry.finish };
            out.push(Violation::Order(stay.step, early));
        }
    }
}

/// Whether a wait between the two says the same: a placed check that the step directly follows.
fn told_by_wait(chain: &Chain, retry: Retry, stay: &Stay<'_>) -> bool {
    let joins = || chain.waits().iter().any(|wait| wait.from == retry.check && wait.to == stay.step.step);
    retry.finish.is_some() && joins()
}
