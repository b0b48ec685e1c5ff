//! From the engine's state back to a plan of the domain: pieces, unit numbers, reasons.

use super::blockers::blocker;
use super::compile::{Compiled, GearIndex};
use super::cores::{ACTIVITIES_FOR_BOTH, both};
use super::generate::Generator;
use super::model::{NONE, wide};
use super::spans::T;
use super::state::State;
use super::timeline::FIXED;
use crate::domain::chain::Outcome;
use crate::domain::ids::{EquipmentIx, StepRef};
use crate::domain::plan::{Cause, Placement, UnitUse, Unplaced};
use crate::domain::situation::Situation;
use crate::domain::time::Span;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// Units of gear that rides along, by activity and kind.
type Riding = BTreeMap<(u32, EquipmentIx), Vec<u32>>;

/// All placements, sorted by step.
pub fn placements(
    situation: &Situation,
    compiled: &Compiled,
    state: &State<'_>,
    causes: &BTreeMap<u32, Cause>,
) -> Vec<Placement> {
    let riding = number_riding_units(situation, compiled, state);
    let of = |activities: Range<u32>| placements_of(activities, situation, compiled, state, causes, &riding);
    let count = compiled.steps.len() as u32;
    let mut out = if (count as usize) < ACTIVITIES_FOR_BOTH {
        of(0..count)
    } else {
        let (mut others, mut out) = both(|| of(count / 2..count), || of(0..count / 2));
        out.append(&mut others);
        out
    };
    out.sort_unstable_by_key(|placement| placement.step);
    out
}

fn placements_of(
    activities: Range<u32>,
    situation: &Situation,
    compiled: &Compiled,
    state: &State<'_>,
    causes: &BTreeMap<u32, Cause>,
    riding: &Riding,
) -> Vec<Placement> {
    let mut out = Vec::with_capacity(activities.len());
    for activity in activities {
        let Some(place) = state.place(activity) else { continue };
        for (part, step) in compiled.steps[activity as usize].iter().enumerate() {
            let own = situation.jobs[step.job.index()].chain.step(step.step);
            let units = units_of(compiled, state, activity, own, riding);
            if let Some(attempt) = own.fixed() {
                let pieces = Span::new(attempt.start, attempt.finish).into_iter().collect();
                let units = if attempt.outcome == Outcome::Running { units } else { Vec::new() };
                out.push(Placement { step: *step, crew: attempt.crew, pieces, units, moved_because: None });
                continue;
            }
            let own_part = compiled.model.part(place.mode, part as u16);
            let pieces = if compiled.steps[activity as usize].len() > 1 {
                vec![(place.start + own_part.offset, place.start + own_part.offset + own_part.length)]
            } else {
                state.pieces(activity, place)
            };
            let span = |(from, until): (T, T)| Span::new(compiled.instant(from), compiled.instant(until));
            let crew = crate::domain::ids::CrewIx(state.crew_of(place.mode));
            let pieces = pieces.into_iter().filter_map(span).collect();
            let mut placement = Placement { step: *step, crew, pieces, units, moved_because: None };
            let named = compiled.model.extra_of[activity as usize];
            // An extra step follows the one it comes before, and needs no other reason.
            let follows = named != NONE && {
                let next = compiled.model.arcs[named as usize].to;
                let part = compiled.model.arcs[named as usize].to_part;
                let step = compiled.steps[next as usize][part as usize];
                !kept_promise(situation, compiled, state, step, next, part)
            };
            if !follows && broken_promise(situation, &placement) {
                placement.moved_because = causes.get(&activity).copied();
            }
            out.push(placement);
        }
    }
    out
}

/// Whether a step was promised inside the freeze time and is not where and by whom it was promised.
fn broken_promise(situation: &Situation, placement: &Placement) -> bool {
    let Ok(at) = situation.published.binary_search_by_key(&placement.step, |promise| promise.step) else {
        return false;
    };
    let promise = &situation.published[at];
    let frozen = promise.start() < situation.now.plus(situation.settings.freeze_minutes);
    frozen && (promise.start() != placement.start() || promise.crew != placement.crew)
}

/// Whether a step stands where and by whom it was promised.
fn kept_promise(
    situation: &Situation,
    compiled: &Compiled,
    state: &State<'_>,
    step: StepRef,
    activity: u32,
    part: u16,
) -> bool {
    let promise = situation.published.binary_search_by_key(&step, |promise| promise.step);
    let (Ok(promise), Some(place)) = (promise, state.place(activity)) else { return false };
    let promise = &situation.published[promise];
    let start = compiled.instant(place.start + compiled.model.part(place.mode, part).offset);
    promise.start() == start && promise.crew.0 == state.crew_of(place.mode)
}

/// Numbers for gear that rides along: in order of start, the lowest numbers that are free. Always enough, because no
/// more than the capacity is in use at once; history that is over it gets the last number.
fn number_riding_units(situation: &Situation, compiled: &Compiled, state: &State<'_>) -> Riding {
    let mut out = BTreeMap::new();
    for (kind, index) in compiled.gear_index.iter().enumerate() {
        let GearIndex::Cumulative(_) = index else { continue };
        let kind = EquipmentIx::from_index(kind);
        let mut uses: Vec<(T, T, u32, u32)> = Vec::new();
        for activity in 0..compiled.steps.len() as u32 {
            let Some(place) = state.place(activity) else { continue };
            let amount = held_amount(situation, compiled, activity, kind);
            if amount > 0 {
                uses.push((place.start, place.finish, activity, amount));
            }
        }
        uses.sort_unstable();
        let units = situation.equipment[kind.index()].units;
        let mut free: BTreeSet<u32> = (0..units).collect();
        let mut busy: BTreeSet<(T, u32)> = BTreeSet::new();
        for (start, finish, activity, amount) in uses {
            while let Some(&(until, unit)) = busy.first().filter(|(until, _)| *until <= start) {
                busy.remove(&(until, unit));
                free.insert(unit);
            }
            // The rest of a begun run goes on with what the run holds.
            let joined = compiled.model.activities[activity as usize].joins;
            let known: Option<&Vec<u32>> = (joined != NONE).then(|| out.get(&(joined & !FIXED, kind))).flatten();
            let mut taken: Vec<u32> =
                known.iter().flat_map(|units| units.iter().copied()).take(amount as usize).collect();
            if !taken.is_empty() {
                busy.retain(|(_, unit)| !taken.contains(unit));
            }
            while taken.len() < amount as usize {
                taken.push(free.pop_first().unwrap_or(units.saturating_sub(1)));
            }
            busy.extend(taken.iter().map(|unit| (finish, *unit)));
            out.insert((activity, kind), taken);
        }
    }
    out
}

/// Units of a riding kind that an activity holds: the most any of its open or running steps needs.
fn held_amount(situation: &Situation, compiled: &Compiled, activity: u32, kind: EquipmentIx) -> u32 {
    let model = &compiled.model;
    if compiled.fixed[activity as usize].is_none() {
        let GearIndex::Cumulative(resource) = compiled.gear_index[kind.index()] else { return 0 };
        let needs = &model.needs[wide(&model.activities[activity as usize].needs)];
        return needs.iter().find(|need| need.0 == resource).map_or(0, |need| need.1);
    }
    let step = compiled.steps[activity as usize][0];
    let own = situation.jobs[step.job.index()].chain.step(step.step);
    let running = own.fixed().is_some_and(|attempt| attempt.outcome == Outcome::Running);
    own.equipment.iter().find(|(k, _)| running && *k == kind).map_or(0, |(_, amount)| *amount)
}

fn units_of(
    compiled: &Compiled,
    state: &State<'_>,
    activity: u32,
    own: &crate::domain::chain::Step,
    riding: &Riding,
) -> Vec<UnitUse> {
    let mut out = Vec::new();
    for &(kind, amount) in &own.equipment {
        let numbers: Vec<u32> = match compiled.gear_index[kind.index()] {
            GearIndex::Cumulative(_) => riding.get(&(activity, kind)).cloned().unwrap_or_default(),
            GearIndex::Travelling(gear) if compiled.fixed[activity as usize].is_none() => {
                held_units(compiled, state, activity, gear)
            }
            GearIndex::Travelling(_) => {
                let held = compiled.running_gear.iter().filter(|(a, held)| *a == activity && held.equipment == kind);
                held.map(|(_, held)| held.unit).collect()
            }
        };
        out.extend(numbers.into_iter().take(amount as usize).map(|unit| UnitUse { equipment: kind, unit }));
    }
    out.sort_unstable();
    out
}

/// The units of one travelling kind among all that an activity holds.
fn held_units(compiled: &Compiled, state: &State<'_>, activity: u32, gear: u32) -> Vec<u32> {
    let needs = &compiled.model.needs[wide(&compiled.model.activities[activity as usize].gear)];
    let before: u32 = needs.iter().take_while(|need| need.0 != gear).map(|need| need.1).sum();
    let own = needs.iter().find(|need| need.0 == gear).map_or(0, |need| need.1);
    state.held(activity).iter().skip(before as usize).take(own as usize).copied().collect()
}

/// Units an activity had in a published plan, aligned with its travelling needs; for [`State::put`].
pub fn gear_wishes<'p>(compiled: &Compiled, activity: u32, units: impl Iterator<Item = &'p UnitUse>) -> Vec<u32> {
    let published: BTreeSet<UnitUse> = units.copied().collect();
    let needs = &compiled.model.needs[wide(&compiled.model.activities[activity as usize].gear)];
    let mut out = Vec::new();
    for &(gear, amount) in needs {
        let of_kind =
            published.iter().filter(|used| compiled.gear_index[used.equipment.index()] == GearIndex::Travelling(gear));
        let numbers: Vec<u32> = of_kind.map(|used| used.unit).take(amount as usize).collect();
        // Too few known: the alignment with later kinds would be lost, so nothing is wished for.
        if numbers.len() < amount as usize {
            return Vec::new();
        }
        out.extend(numbers);
    }
    out
}

/// Every ordinary step without a placement, with its reason; sorted by step.
pub fn unplaced(situation: &Situation, compiled: &Compiled, state: &State<'_>, generator: &Generator) -> Vec<Unplaced> {
    let out = |step: &StepRef| {
        let activity = compiled.activity(*step);
        let extra = compiled.model.activities[activity as usize].extra;
        state.place(activity).is_none() && !extra
    };
    let reason = |step: StepRef| {
        let failure = generator.failure[compiled.activity(step) as usize];
        Unplaced { step, blocker: blocker(situation, compiled, state, step, failure) }
    };
    situation.steps().filter(out).map(reason).collect()
}
