//! Reads a plan into a ledger: every index is looked up, every list counted (rule 11), and what happened is compared
//! with what the plan says happened (the first half of rule 9). What cannot be judged further is marked as such.

use super::ledger::{Ledger, PAST_MINUTES_MAX, Place, Stay};
use super::violation::{History, Named, Order, Shift, Violation, Whole};
use crate::domain::chain::{Outcome, StepState};
use crate::domain::ids::{EquipmentIx, StepIx, StepRef};
use crate::domain::plan::{Blocker, Placement, Plan, UnitUse};
use crate::domain::situation::Situation;
use crate::domain::time::Span;

/// The ledger of a plan, and how many ordinary steps it lists as unplaced.
pub(super) fn read<'a>(situation: &'a Situation, plan: &'a Plan, out: &mut Vec<Violation>) -> (Ledger<'a>, i64) {
    let mut ledger = Ledger::empty(situation);
    let placed = read_placements(&mut ledger, &plan.placements, out);
    let listed = read_unplaced(&ledger, plan, &placed, out);
    let mut ordinary_listed = 0;
    for number in 0..placed.len() {
        let spec = ledger.spec(number);
        let fixed = spec.fixed().is_some();
        if !placed[number] && (fixed || !(spec.only_on_lapse || listed[number])) {
            out.push(Violation::Whole(ledger.step_ref(number), Whole::Missing {}));
        }
        ordinary_listed += i64::from(listed[number] && !spec.only_on_lapse);
    }
    ledger.find_busy();
    (ledger, ordinary_listed)
}

/// Fills the places; by dense number, whether the plan places the step.
fn read_placements<'a>(ledger: &mut Ledger<'a>, placements: &'a [Placement], out: &mut Vec<Violation>) -> Vec<bool> {
    let mut placed = vec![false; ledger.places.len()];
    for number in 0..placed.len() {
        if let Some(stay) = happened(ledger, number) {
            ledger.places[number] = Place::At(stay);
        }
    }
    report_order(placements.iter().map(|placement| placement.step), out);
    for placement in placements {
        let step = placement.step;
        let Some(number) = ledger.number(step) else {
            out.push(Violation::Whole(step, Whole::UnknownStep {}));
            continue;
        };
        if std::mem::replace(&mut placed[number], true) {
            out.push(Violation::Whole(step, Whole::PlacedTwice {}));
            continue;
        }
        let sound = indices_are_sound(ledger, placement, out);
        match ledger.spec(number).state() {
            StepState::Open { .. } if sound => ledger.places[number] = open_place(ledger, number, placement, out),
            StepState::Open { .. } => ledger.places[number] = Place::Unusable,
            StepState::Running(_) | StepState::Done(_) => {
                let units = if sound { &placement.units[..] } else { &[] };
                compare_history(ledger, number, placement, out);
                if let Place::At(stay) = &mut ledger.places[number] {
                    stay.units = units;
                }
            }
        }
    }
    placed
}

/// Where a running or done step is, from its last attempt.
fn happened<'a>(ledger: &Ledger<'a>, number: usize) -> Option<Stay<'a>> {
    let attempt = ledger.spec(number).fixed()?;
    let step = ledger.step_ref(number);
    Some(Stay {
        number,
        step,
        house: ledger.situation.house_of(step),
        crew: attempt.crew,
        pieces: vec![Span::new(attempt.start, attempt.finish)?],
        units: &[],
        open: false,
        cause: None,
    })
}

fn compare_history(ledger: &Ledger<'_>, number: usize, placement: &Placement, out: &mut Vec<Violation>) {
    let step = placement.step;
    let Some(stay) = ledger.stay(number) else { return };
    if placement.crew != stay.crew || placement.pieces != stay.pieces {
        out.push(Violation::History(step, History::HistoryMoved { crew: stay.crew, span: stay.hull() }));
    }
    let done = ledger.spec(number).fixed().is_some_and(|attempt| attempt.outcome == Outcome::Done);
    if done && !placement.units.is_empty() {
        out.push(Violation::History(step, History::HistoryHoldsGear {}));
    }
    if placement.moved_because.is_some() {
        out.push(Violation::History(step, History::CauseWithoutMove {}));
    }
}

fn open_place<'a>(ledger: &Ledger<'a>, number: usize, placement: &'a Placement, out: &mut Vec<Violation>) -> Place<'a> {
    let step = placement.step;
    let pieces = &placement.pieces;
    if pieces.is_empty() || pieces.windows(2).any(|pair| pair[1].start() < pair[0].end()) {
        out.push(Violation::Shift(step, Shift::BadPieces {}));
        return Place::Unusable;
    }
    let (start, finish) = (placement.start(), placement.finish());
    if start < ledger.situation.now {
        out.push(Violation::Order(step, Order::BeforeNow { start }));
    }
    if finish > ledger.horizon.end() {
        out.push(Violation::Shift(step, Shift::BeyondHorizon { finish, horizon_end: ledger.horizon.end() }));
    }
    // Far outside, arithmetic itself would be at risk, and nothing more is to be learnt.
    if start < ledger.situation.now.plus(-PAST_MINUTES_MAX) || finish > ledger.horizon.end() {
        return Place::Unusable;
    }
    let house = ledger.situation.house_of(step);
    Place::At(Stay {
        number,
        step,
        house,
        crew: placement.crew,
        pieces: pieces.clone(),
        units: &placement.units,
        open: true,
        cause: placement.moved_because,
    })
}

/// Whether all that a placement names is there; what is not is reported.
fn indices_are_sound(ledger: &Ledger<'_>, placement: &Placement, out: &mut Vec<Violation>) -> bool {
    let situation = ledger.situation;
    let before = out.len();
    let mut missing = |what| out.push(Violation::Whole(placement.step, Whole::BadIndex { what }));
    if placement.crew.index() >= situation.crews.len() {
        missing(Named::Crew(placement.crew));
    }
    for &UnitUse { equipment, unit } in &placement.units {
        match situation.equipment.get(equipment.index()) {
            None => missing(Named::Equipment(equipment)),
            Some(kind) if unit >= kind.units => missing(Named::Unit(equipment, unit)),
            Some(_) => {}
        }
    }
    if let Some(named) = placement.moved_because.and_then(|cause| cause.other_step(placement.step))
        && ledger.number(named).is_none()
    {
        missing(Named::Step(named));
    }
    if placement.units.windows(2).any(|pair| pair[1] < pair[0]) {
        out.push(Violation::Whole(placement.step, Whole::Unsorted {}));
    }
    !out[before..].iter().any(|found| matches!(found, Violation::Whole(_, Whole::BadIndex { .. })))
}

/// By dense number, whether the plan lists the step as unplaced.
fn read_unplaced(ledger: &Ledger<'_>, plan: &Plan, placed: &[bool], out: &mut Vec<Violation>) -> Vec<bool> {
    let mut listed = vec![false; placed.len()];
    report_order(plan.unplaced.iter().map(|entry| entry.step), out);
    for entry in &plan.unplaced {
        let step = entry.step;
        let Some(number) = ledger.number(step) else {
            out.push(Violation::Whole(step, Whole::UnknownStep {}));
            continue;
        };
        if std::mem::replace(&mut listed[number], true) {
            out.push(Violation::Whole(step, Whole::ListedTwice {}));
            continue;
        }
        if placed[number] {
            out.push(Violation::Whole(step, Whole::ListedAndPlaced {}));
        } else if ledger.spec(number).only_on_lapse {
            out.push(Violation::Whole(step, Whole::ListedNeedlessly {}));
        }
        if let Some(what) = missing_in(ledger, step, &entry.blocker) {
            out.push(Violation::Whole(step, Whole::BadIndex { what }));
        }
    }
    listed
}

fn missing_in(ledger: &Ledger<'_>, step: StepRef, blocker: &Blocker) -> Option<Named> {
    let other = |before: StepIx| {
        let other = StepRef { step: before, ..step };
        ledger.number(other).is_none().then_some(Named::Step(other))
    };
    let kind = |equipment: EquipmentIx| {
        (equipment.index() >= ledger.situation.equipment.len()).then_some(Named::Equipment(equipment))
    };
    match blocker {
        Blocker::NoCrewWithSkills(_)
        | Blocker::TooFewPeople { .. }
        | Blocker::LongerThanAnyShift { .. }
        | Blocker::HouseNeverOpen
        | Blocker::DwellImpossible
        | Blocker::ClimateNeverAllows
        | Blocker::PinImpossible
        | Blocker::BeyondHorizon => None,
        Blocker::TooFewUnits { equipment, .. } => kind(*equipment),
        Blocker::NeverDries(before) | Blocker::MaximumWaitAfter(before) | Blocker::PredecessorUnplaced(before) => {
            other(*before)
        }
    }
}

/// Reports each step that stands after a later one.
fn report_order(steps: impl Iterator<Item = StepRef>, out: &mut Vec<Violation>) {
    let mut previous: Option<StepRef> = None;
    for step in steps {
        if previous.is_some_and(|previous| step < previous) {
            out.push(Violation::Whole(step, Whole::Unsorted {}));
        }
        previous = Some(step);
    }
}
