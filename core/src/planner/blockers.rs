//! Why a step is not in the plan, in words of the trade: which rule, which resource, so that the cure can be named.

use super::compile::Compiled;
use super::generate::Failure;
use super::model::NONE;
use super::spans::{NEVER, T, common_at_or_after};
use super::state::State;
use crate::domain::chain::Step;
use crate::domain::ids::{SkillSet, StepIx, StepRef};
use crate::domain::plan::Blocker;
use crate::domain::resources::Crew;
use crate::domain::situation::Situation;

/// The blocker of an unplaced step.
pub fn blocker(
    situation: &Situation,
    compiled: &Compiled,
    state: &State<'_>,
    step: StepRef,
    failure: Option<Failure>,
) -> Blocker {
    let activity = compiled.activity(step);
    let own = situation.jobs[step.job.index()].chain.step(step.step);
    if let Some(Failure::Predecessor(from)) = failure {
        return Blocker::PredecessorUnplaced(arc_step(compiled, activity, from));
    }
    if let Some(blocker) = nobody_able(situation, own).or_else(|| too_few_units(situation, own)) {
        return blocker;
    }
    if let Some(Failure::Maximum(from)) = failure {
        return Blocker::MaximumWaitAfter(arc_step(compiled, activity, from));
    }
    let model = &compiled.model;
    let activity_model = &model.activities[activity as usize];
    if activity_model.modes.is_empty() {
        return no_mode(situation, compiled, step);
    }
    if let Some(from) = never_dries(compiled, state, activity) {
        return Blocker::NeverDries(from);
    }
    if let Some(blocker) = no_span(compiled, activity) {
        return blocker;
    }
    if activity_model.pinned || !activity_model.days.is_empty() {
        return Blocker::PinImpossible;
    }
    if gates_never(compiled, activity) {
        return Blocker::ClimateNeverAllows;
    }
    Blocker::BeyondHorizon
}

fn arc_step(compiled: &Compiled, to: u32, from: u32) -> StepIx {
    let part = compiled.model.before(to).find(|arc| arc.from == from).map_or(0, |arc| arc.from_part);
    compiled.steps[from as usize][part as usize].step
}

fn nobody_able(situation: &Situation, own: &Step) -> Option<Blocker> {
    let horizon = situation.horizon();
    let most = |crew: &Crew| crew.people_over(horizon).iter().map(|(_, people)| *people).max().unwrap_or(0);
    let skilled: Vec<u32> = situation.crews.iter().filter(|crew| crew.skills.covers(own.skills)).map(most).collect();
    if skilled.is_empty() {
        let all = situation.crews.iter().fold(SkillSet::default(), |all, crew| SkillSet(all.0 | crew.skills.0));
        let nobody_has = own.skills.minus(all);
        let missing = if nobody_has == SkillSet::default() { own.skills } else { nobody_has };
        let named = missing.positions().filter_map(|position| situation.skills.get(position).cloned());
        return Some(Blocker::NoCrewWithSkills(named.collect()));
    }
    let largest = skilled.into_iter().max().unwrap_or(0);
    (largest < own.head_count_min).then_some(Blocker::TooFewPeople { needed: own.head_count_min, largest })
}

fn too_few_units(situation: &Situation, own: &Step) -> Option<Blocker> {
    let horizon = situation.horizon();
    own.equipment.iter().find_map(|&(equipment, needed)| {
        let over = situation.equipment[equipment.index()].units_over(horizon);
        let units = over.iter().map(|(_, units)| *units).max().unwrap_or(0);
        (units < needed).then_some(Blocker::TooFewUnits { equipment, needed, units })
    })
}

/// Crews are able one step at a time, and yet no mode: a pin, or the run as a whole.
fn no_mode(situation: &Situation, compiled: &Compiled, step: StepRef) -> Blocker {
    let chain = &situation.jobs[step.job.index()].chain;
    let run = &compiled.steps[compiled.activity(step) as usize];
    if run.iter().any(|step| chain.step(step.step).pin.crew.is_some()) {
        return Blocker::PinImpossible;
    }
    let begun = chain.waits().iter().find(|wait| {
        wait.kind == crate::domain::chain::WaitKind::Dwell
            && wait.to == run[0].step
            && chain.step(wait.from).fixed().is_some()
    });
    begun.map_or(Blocker::DwellImpossible, |wait| Blocker::MaximumWaitAfter(wait.from))
}

fn never_dries(compiled: &Compiled, state: &State<'_>, activity: u32) -> Option<StepIx> {
    let model = &compiled.model;
    let arc = model.before(activity).find(|arc| {
        arc.dry != NONE && state.place(arc.from).is_some_and(|from| model.ready(arc, state.anchor(arc, from)) >= NEVER)
    });
    let own_keep_off = || {
        let end = model.activities[activity as usize].release.max(0);
        model.after(activity).any(|arc| arc.keep_off && model.ready(arc, end) >= NEVER)
    };
    match arc {
        Some(arc) => Some(compiled.steps[arc.from as usize][arc.from_part as usize].step),
        None if own_keep_off() => Some(compiled.steps[activity as usize][0].step),
        None => None,
    }
}

/// No unbroken common time of any able crew and the house is long enough.
fn no_span(compiled: &Compiled, activity: u32) -> Option<Blocker> {
    let model = &compiled.model;
    let own = &model.activities[activity as usize];
    let access = &model.calendars[model.places[own.place as usize].access as usize];
    if access.as_slice().is_empty() {
        return Some(Blocker::HouseNeverOpen);
    }
    let mut nearest: Option<(T, T, T)> = None;
    for mode in own.modes.clone() {
        let way = &model.modes[mode as usize];
        let crew = &model.calendars[way.calendar as usize];
        let mut own_longest = 0;
        let mut t = 0;
        while let Some((from, until)) = common_at_or_after(crew, access, t) {
            own_longest = own_longest.max(until - from.max(0));
            t = until;
        }
        if own_longest >= way.length || (own.dividable && own_longest > 0) {
            return None;
        }
        let short = (way.length - own_longest, way.length, own_longest);
        nearest = Some(nearest.map_or(short, |nearest| nearest.min(short)));
    }
    let (_, minutes, longest) = nearest?;
    Some(Blocker::LongerThanAnyShift { minutes: i64::from(minutes), longest_minutes: i64::from(longest) })
}

fn gates_never(compiled: &Compiled, activity: u32) -> bool {
    let model = &compiled.model;
    let fits = |mode: u32| {
        let uses = &model.gate_uses[super::model::wide(&model.modes[mode as usize].gates)];
        uses.iter()
            .all(|used| model.gates[used.gate as usize].as_slice().iter().any(|open| open.1 - open.0 >= used.length))
    };
    !model.activities[activity as usize].modes.clone().any(fits)
}
