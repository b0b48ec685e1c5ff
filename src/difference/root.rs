//! The roots: what happened, or was changed, that a chain of moved steps goes back to. Each is read off the input (and the
//! plan, for what is new or left out), so that anybody can look it up.

use super::promise_of;
use crate::domain::chain::{Outcome, WaitKind};
use crate::domain::ids::{CrewIx, EquipmentIx, HouseIx, JobIx, StepIx, StepRef};
use crate::domain::plan::{Cause, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::Minute;

/// What it all goes back to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Root {
    /// A check that did not pass.
    FailedCheck(StepRef),
    /// A step that was left before its end.
    Paused(StepRef),
    /// A step that runs, or is done, and takes or took longer than others can wait for.
    Happened(StepRef),
    /// The job may not begin so early.
    Released(JobIx),
    /// A pin says not so early.
    NotBefore(StepRef),
    /// A pin says another crew, start or day.
    Pinned(StepRef),
    /// Its time went by without it.
    StartPassed(StepRef),
    /// The crew does not work then.
    CrewAway(CrewIx, StepRef),
    /// The crew has not the people or the skills for it, or takes another time for it.
    CrewUnable(CrewIx, StepRef),
    /// Nobody may enter the house then.
    HouseClosed(HouseIx, StepRef),
    /// The air is not fit for it then.
    Weather(StepRef),
    /// Too few units.
    EquipmentShort(EquipmentIx, StepRef),
    /// The floor is not ready so soon after a step that is where it was promised.
    NotReady(StepRef),
    /// A step that was not in the published plan.
    NewStep(StepRef),
    /// A step that is where it was promised and does not leave the room it left.
    Stays(StepRef),
    /// A step that finds no place.
    LeftOut(StepRef),
    /// An extra step that is not needed any more.
    NotNeeded(StepRef),
    /// Nothing keeps it: it moved because the plan costs less so.
    ByChoice(StepRef),
    /// It gave way to the second, which nothing forced either: the plan costs less so.
    GaveWay(StepRef, StepRef),
}

/// Where a cause leads.
pub(super) enum Leads {
    /// To the end.
    To(Root),
    /// To another step that moved as well.
    Along(StepRef),
}

/// The steps that dwells join with `step`, itself included.
pub(super) fn run_of(situation: &Situation, step: StepRef) -> Vec<StepIx> {
    let chain = &situation.jobs[step.job.index()].chain;
    let mut run = vec![step.step];
    let mut next = 0;
    while let Some(&member) = run.get(next) {
        for wait in chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell) {
            for (one, other) in [(wait.from, wait.to), (wait.to, wait.from)] {
                if one == member && !run.contains(&other) {
                    run.push(other);
                }
            }
        }
        next += 1;
    }
    run
}

/// Whether a promised step is elsewhere in the plan, or out.
pub(super) fn has_moved(situation: &Situation, plan: &Plan, step: StepRef) -> bool {
    promise_of(situation, step).is_some_and(|promise| {
        plan.placement(step).is_none_or(|placed| placed.start() != promise.start() || placed.crew != promise.crew)
    })
}

/// Where `cause`, true of `step`, leads.
pub(super) fn leads(situation: &Situation, plan: &Plan, step: StepRef, cause: Cause) -> Leads {
    let crew = promise_of(situation, step).map_or(CrewIx(0), |promise| promise.crew);
    let sibling = |before: StepIx| StepRef { job: step.job, step: before };
    match cause {
        Cause::NotYet => Leads::To(not_yet(situation, step)),
        Cause::Pinned => Leads::To(Root::Pinned(pinned(situation, step))),
        Cause::StartPassed => Leads::To(Root::StartPassed(step)),
        Cause::CrewAway => Leads::To(Root::CrewAway(crew, step)),
        Cause::CrewUnable => Leads::To(Root::CrewUnable(crew, step)),
        Cause::HouseClosed => Leads::To(Root::HouseClosed(situation.house_of(step), step)),
        Cause::Weather => Leads::To(Root::Weather(step)),
        Cause::EquipmentShort => Leads::To(Root::EquipmentShort(short_kind(situation, step), step)),
        Cause::WaitsFor(before) => by(situation, plan, sibling(before), Root::NotReady(sibling(before))),
        Cause::TooLateAfter(before) => by(situation, plan, sibling(before), Root::Stays(sibling(before))),
        Cause::CrewBusyWith(other) | Cause::AreaTakenBy(other) | Cause::GearTakenBy(other) => {
            by(situation, plan, other, Root::Stays(other))
        }
    }
}

fn by(situation: &Situation, plan: &Plan, other: StepRef, stays: Root) -> Leads {
    let spec = situation.jobs[other.job.index()].chain.step(other.step);
    if spec.fixed().is_some() {
        return Leads::To(Root::Happened(other));
    }
    match promise_of(situation, other) {
        None if plan.placement(other).is_some() => Leads::To(Root::NewStep(other)),
        None => Leads::To(Root::LeftOut(other)),
        Some(_) if has_moved(situation, plan, other) => Leads::Along(other),
        Some(_) => Leads::To(stays),
    }
}

fn not_yet(situation: &Situation, step: StepRef) -> Root {
    let job = &situation.jobs[step.job.index()];
    let mut out: Option<(Minute, Root)> = None;
    let mut later = |at: Minute, root: Root| {
        if out.is_none_or(|(known, _)| known < at) {
            out = Some((at, root));
        }
    };
    for member in run_of(situation, step) {
        let member = StepRef { job: step.job, step: member };
        let spec = job.chain.step(member.step);
        if let crate::domain::chain::StepState::Open { not_before: Some(at) } = spec.state() {
            match spec.attempts.last().map(|last| last.outcome) {
                Some(Outcome::Paused { .. }) => later(at, Root::Paused(member)),
                Some(Outcome::Failed | Outcome::Done | Outcome::Running) | None => later(at, Root::FailedCheck(member)),
            }
        }
        if let Some(at) = spec.pin.not_before {
            later(at, Root::NotBefore(member));
        }
    }
    later(job.release, Root::Released(step.job));
    out.map_or(Root::Released(step.job), |(_, root)| root)
}

/// The member of the step's run that is pinned elsewhere.
fn pinned(situation: &Situation, step: StepRef) -> StepRef {
    let chain = &situation.jobs[step.job.index()].chain;
    let members = run_of(situation, step).into_iter().map(|member| StepRef { job: step.job, step: member });
    let pinned = |member: &StepRef| {
        let pin = chain.step(member.step).pin;
        pin.crew.is_some() || pin.start.is_some() || pin.day.is_some()
    };
    members.into_iter().find(pinned).unwrap_or(step)
}

/// The kind of gear that there is too little of, as far as the input tells: one with units out then, or fewer units than
/// were promised; else the first one needed.
fn short_kind(situation: &Situation, step: StepRef) -> EquipmentIx {
    let Some(promise) = promise_of(situation, step) else { return EquipmentIx(0) };
    let needed = &situation.jobs[step.job.index()].chain.step(step.step).equipment;
    let promised = |kind: EquipmentIx| {
        let units = situation.published.iter().flat_map(|promise| &promise.units).filter(|unit| unit.equipment == kind);
        units.map(|unit| unit.unit + 1).max().unwrap_or(0)
    };
    let short = |(kind, units): &&(EquipmentIx, u32)| {
        let left = situation.equipment[kind.index()].units_throughout(promise.hull());
        left < *units || left < promised(*kind)
    };
    needed.iter().find(short).or(needed.first()).map_or(EquipmentIx(0), |(kind, _)| *kind)
}
