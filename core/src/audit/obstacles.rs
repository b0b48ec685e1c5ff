//! What keeps promised steps that are elsewhere in a plan from where they were promised: every cause that is true, found
//! by trying each and judged as the plan's own causes are; inside the freeze time and outside it alike.

use super::air::Skies;
use super::cause::Judge;
use super::ledger::{DAY, Ledger, Stay, lapse};
use super::order::retries;
use super::read;
use crate::domain::ids::{StepIx, StepRef};
use crate::domain::plan::{Cause, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::Span;

/// For each promised step that the plan has elsewhere, in order: the causes that are true of it, those that need nobody
/// else first. None at all means that it could have stayed, all else being as it is in the plan.
pub fn obstacles(situation: &Situation, plan: &Plan) -> Vec<(StepRef, Vec<Cause>)> {
    let (ledger, _) = read::read(situation, plan, &mut Vec::new());
    let moved = ledger.stays().filter(|stay| stay.open && ledger.has_moved(stay.number));
    let moved: Vec<&Stay<'_>> = moved.collect();
    if moved.is_empty() {
        return Vec::new();
    }
    let skies = Skies::new(&ledger);
    let judge = Judge::of_anybody(&ledger, &skies);
    let one = |stay: &Stay<'_>| {
        let mut causes = candidates(&ledger, stay);
        causes.retain(|cause| judge.is_true(stay, *cause));
        (stay.step, causes)
    };
    moved.into_iter().map(one).collect()
}

/// Everything that could be in the way of a promised step.
fn candidates(ledger: &Ledger<'_>, stay: &Stay<'_>) -> Vec<Cause> {
    let mut causes = vec![
        Cause::NotYet,
        Cause::Pinned,
        Cause::CrewUnable,
        Cause::CrewAway,
        Cause::HouseClosed,
        Cause::EquipmentShort,
        Cause::Weather,
        Cause::StartPassed,
    ];
    let before = before(ledger, stay);
    causes.extend(before.iter().map(|step| Cause::WaitsFor(*step)));
    causes.extend(meeting(ledger, stay));
    causes.extend(before.iter().map(|step| Cause::TooLateAfter(*step)));
    causes
}

/// Steps of the same job that come directly before the step or one of its run, extra steps and failed checks included.
fn before(ledger: &Ledger<'_>, stay: &Stay<'_>) -> Vec<StepIx> {
    let chain = ledger.chain(stay.number);
    let steps = (0..chain.steps().len()).map(StepIx::from_index);
    let same_run = |step: &StepIx| ledger.run[ledger.number_in(stay.step.job, *step)] == ledger.run[stay.number];
    let run: Vec<StepIx> = steps.filter(same_run).collect();
    let mut out = Vec::new();
    for wait in chain.waits() {
        let extra = lapse(wait).map(|(extra, _)| extra);
        if run.contains(&wait.to) || extra.is_some_and(|extra| run.contains(&extra)) {
            out.push(wait.from);
        }
        out.extend(extra.filter(|_| run.contains(&wait.to)));
    }
    let retries = retries(ledger, stay.step.job);
    out.extend(run.iter().filter_map(|step| retries[step.index()]).map(|retry| retry.check));
    out.sort_unstable();
    out.dedup();
    out.retain(|step| !run.contains(step));
    out
}

/// Steps that are near the promised time with the promised crew, in the same house, or with the same gear.
fn meeting(ledger: &Ledger<'_>, stay: &Stay<'_>) -> Vec<Cause> {
    let Some(promise) = ledger.published[stay.number] else { return Vec::new() };
    let around = Span::new(promise.start().plus(-DAY), promise.finish().plus(DAY)).unwrap_or(promise.hull());
    let gear = &ledger.spec(stay.number).equipment;
    let mut out: [Vec<Cause>; 3] = Default::default();
    for other in ledger.stays().filter(|other| ledger.run[other.number] != ledger.run[stay.number]) {
        // A wet floor is closed long after the work on it.
        if other.house == stay.house {
            out[1].push(Cause::AreaTakenBy(other.step));
        }
        if !other.hull().overlaps(around) {
            continue;
        }
        if other.crew == promise.crew {
            out[0].push(Cause::CrewBusyWith(other.step));
        }
        if other.units.iter().any(|unit| gear.iter().any(|(kind, _)| *kind == unit.equipment)) {
            out[2].push(Cause::GearTakenBy(other.step));
        }
    }
    out.concat()
}
