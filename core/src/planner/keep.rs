//! What was promised stays: pinned steps first, then published steps in order of their start, each where it was if every
//! rule still lets it. Also finds, for a promise inside the freeze time that could not be kept, the cause that is true.

use super::compile::Compiled;
use super::generate::{Generator, agrees};
use super::model::{Anchor, NONE};
use super::score::Promise;
use super::spans::{NEVER, T};
use super::state::{Obstacle, Place, State};
use super::timeline::FIXED;
use crate::domain::ids::StepRef;
use crate::domain::plan::{Cause, Placement};
use crate::domain::situation::Situation;

/// A published activity: where all its steps were.
#[derive(Debug, Clone)]
pub struct Published {
    /// Which.
    pub activity: u32,
    /// Published start of its first part.
    pub start: T,
    /// Published crew.
    pub crew: u32,
    /// The mode that is the same crew with the same offsets; `None` when there is none any more.
    pub mode: Option<u32>,
    /// Inside the freeze time.
    pub frozen: bool,
    /// Travelling gear it had, aligned with the activity's needs.
    pub gear: Vec<u32>,
}

/// The promises of the situation, by step (for the cost) and by activity (to keep them).
pub fn promises(situation: &Situation, compiled: &Compiled) -> (Vec<Promise>, Vec<Published>) {
    let mut by_step = Vec::new();
    let mut by_activity: Vec<(u32, Vec<(u16, &Placement)>)> = Vec::new();
    for placement in &situation.published {
        let activity = compiled.activity(placement.step);
        if compiled.fixed[activity as usize].is_some() {
            continue;
        }
        let part =
            compiled.steps[activity as usize].iter().position(|step| *step == placement.step).unwrap_or(0) as u16;
        let start = compiled.time(placement.start());
        by_step.push(Promise { job: placement.step.job.0, activity, part, start, crew: placement.crew.0 });
        match by_activity.iter_mut().rev().take(4).find(|(known, _)| *known == activity) {
            Some((_, parts)) => parts.push((part, placement)),
            None => by_activity.push((activity, vec![(part, placement)])),
        }
    }
    let freeze_end = situation.settings.freeze_minutes.clamp(0, i64::from(NEVER)) as T;
    let published =
        by_activity.into_iter().map(|(activity, parts)| published_of(compiled, activity, &parts, freeze_end));
    let mut published: Vec<Published> = published.collect();
    published.sort_by_key(|published| (published.start, published.activity));
    (by_step, published)
}

fn published_of(compiled: &Compiled, activity: u32, parts: &[(u16, &Placement)], freeze_end: T) -> Published {
    let model = &compiled.model;
    let own = &model.activities[activity as usize];
    let first = parts.iter().map(|(_, placement)| compiled.time(placement.start())).min().unwrap_or(0);
    let crew = parts[0].1.crew.0;
    let whole = parts.len() == usize::from(own.steps);
    let same = |mode: &u32| {
        model.modes[*mode as usize].crew == crew
            && whole
            && parts.iter().all(|(part, placement)| {
                let here = model.part(*mode, *part);
                placement.crew.0 == crew && compiled.time(placement.start()) == first + here.offset
            })
    };
    let mode = mode_at(compiled, crew, first, own.modes.clone().filter(same));
    let gear = super::decode::gear_wishes(compiled, activity, parts.iter().flat_map(|(_, placement)| &placement.units));
    Published { activity, start: first, crew, mode, frozen: first < freeze_end, gear }
}

/// Of the modes of a crew with the promised offsets, the one with the people that the crew has at `start`; when it does not
/// work then at all, any.
fn mode_at(compiled: &Compiled, crew: u32, start: T, mut modes: impl Iterator<Item = u32> + Clone) -> Option<u32> {
    let model = &compiled.model;
    let works =
        |calendar: u32| model.calendars[calendar as usize].at_or_after(start).is_some_and(|span| span.0 <= start);
    let there = modes.clone().find(|mode| works(model.modes[*mode as usize].calendar));
    there.or_else(|| modes.next().filter(|_| !works(model.crews[crew as usize].calendar)))
}

/// Puts pinned activities, then published ones (only frozen ones when `frozen_only`) in order of their start, where they
/// belong, and holds them. A pin that was published already waits its turn: what stood side by side is tried in the
/// order in which it was, so that nothing is judged by a neighbour it did not have.
///
/// A pin is put before it is known whether what precedes it can be placed; `hopeless` are those that turned out not to
/// be, and get no preference. Returns the pins that were put.
pub fn keep(
    state: &mut State<'_>,
    generator: &mut Generator,
    published: &[Published],
    frozen_only: bool,
    hopeless: &[u32],
) -> Vec<u32> {
    let model = state.model;
    let mut pins = Vec::new();
    for activity in 0..model.activities.len() as u32 {
        let own = &model.activities[activity as usize];
        if !own.pinned {
            continue;
        }
        let waits = published.iter().any(|promise| {
            let agrees = (own.release..=own.latest).contains(&promise.start);
            promise.activity == activity && agrees && (promise.frozen || !frozen_only)
        });
        if !waits
            && !hopeless.contains(&activity)
            && !own.extra
            && state.place(activity).is_none()
            && own.release <= own.latest
        {
            let days = |mode: &u32| state.on_pinned_days(activity, *mode, own.release);
            let fitting = own.modes.clone().filter(days).find_map(|mode| state.fits(activity, mode, own.release).ok());
            if let Some(place) = fitting {
                generator.put(state, activity, place);
                generator.held[activity as usize] = true;
                pins.push(activity);
            }
        }
    }
    for promise in published.iter().filter(|promise| promise.frozen || !frozen_only) {
        // An extra step that no open wait names any more is not needed.
        let idle =
            model.activities[promise.activity as usize].extra && model.extra_of[promise.activity as usize] == NONE;
        if state.place(promise.activity).is_none()
            && !idle
            && let Ok(place) = stands(state, promise)
        {
            state.put(promise.activity, place, &promise.gear);
            generator.held[promise.activity as usize] = true;
        }
    }
    drop_contradicted(state, generator);
    drop_idle_extras(state, generator);
    pins
}

/// Pinned steps were put before anything was known of what precedes them: those that contradict it go again.
fn drop_contradicted(state: &mut State<'_>, generator: &mut Generator) {
    let model = state.model;
    for activity in 0..model.activities.len() as u32 {
        let movable = model.activities[activity as usize].pinned && state.place(activity).is_some();
        if movable && model.before(activity).any(|arc| !agrees(state, arc)) {
            generator.held[activity as usize] = false;
            generator.take(state, activity);
        }
    }
}

/// Extra steps stay only while the wait they belong to has lapsed; a successor that then breaks its wait goes too.
fn drop_idle_extras(state: &mut State<'_>, generator: &mut Generator) {
    let model = state.model;
    for extra in 0..model.activities.len() as u32 {
        let named = model.extra_of[extra as usize];
        if named == NONE || state.place(extra).is_none() || state.is_fixed(extra) {
            continue;
        }
        let arc = &model.arcs[named as usize];
        if state.place(arc.to).is_some() && state.place(arc.from).is_some() && agrees(state, arc) {
            continue;
        }
        if state.place(arc.to).is_some() && state.place(arc.from).is_none() {
            // The predecessor is still to be placed; whether the wait lapses is not known yet.
            continue;
        }
        generator.held[extra as usize] = false;
        generator.take(state, extra);
        if !agrees(state, arc) {
            generator.held[arc.to as usize] = false;
            generator.take(state, arc.to);
        }
    }
}

/// Why a promise cannot stand, in model terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Broken {
    /// Its start has passed.
    Passed,
    /// Release, recheck pause or `not_before`.
    NotYet,
    /// A pin says otherwise.
    Pinned,
    /// No mode is the same crew with the same work.
    NoMode,
    /// The predecessor's wait ends later.
    WaitsFor(u32),
    /// Past the maximum after the predecessor.
    TooLateAfter(u32),
    /// Something of the resources.
    Obstacle(Obstacle),
}

/// Whether the promise can stand in the state as it is (the activity itself not being placed).
pub fn stands(state: &State<'_>, promise: &Published) -> Result<Place, Broken> {
    let model = state.model;
    let own = &model.activities[promise.activity as usize];
    if promise.start < 0 {
        return Err(Broken::Passed);
    }
    if own.joins != NONE && promise.start < own.release {
        return Err(Broken::WaitsFor(own.joins & !FIXED));
    }
    if own.joins != NONE && promise.start > own.latest {
        return Err(Broken::TooLateAfter(own.joins & !FIXED));
    }
    if own.joins == NONE && own.pinned && promise.start != own.latest {
        return Err(Broken::Pinned);
    }
    let Some(mode) = promise.mode else { return Err(Broken::NoMode) };
    if !state.on_pinned_days(promise.activity, mode, promise.start) {
        return Err(Broken::Pinned);
    }
    for arc in model.before(promise.activity).filter(|arc| arc.anchor == Anchor::Finish) {
        let Some(from) = state.place(arc.from) else { continue };
        let anchor = state.anchor(arc, from);
        let reached = promise.start + model.part(mode, arc.to_part).offset;
        if reached < model.ready(arc, anchor) {
            return Err(Broken::WaitsFor(arc.from));
        }
        let extra = (arc.extra != NONE).then(|| state.place(arc.extra)).flatten();
        match extra {
            Some(place) if place.finish > reached => return Err(Broken::WaitsFor(arc.extra)),
            Some(_) => {}
            None if reached > anchor.saturating_add(arc.max) => return Err(Broken::TooLateAfter(arc.from)),
            None => {}
        }
    }
    let named = model.extra_of[promise.activity as usize];
    if named != NONE
        && let arc = &model.arcs[named as usize]
        && let Some(from) = state.place(arc.from)
        && promise.start < model.ready(arc, state.anchor(arc, from))
    {
        return Err(Broken::WaitsFor(arc.from));
    }
    let (earliest, latest) = state.window(promise.activity, mode);
    if promise.start < earliest || promise.start > latest {
        return Err(Broken::NotYet);
    }
    state.fits(promise.activity, mode, promise.start).map_err(Broken::Obstacle)
}

/// The promises as they are, but for those that can no longer be kept: nothing else is placed.
pub fn as_promised<'c>(situation: &Situation, compiled: &'c Compiled) -> State<'c> {
    let mut state = State::new(&compiled.model, &compiled.fixed);
    for promise in promises(situation, compiled).1 {
        if let Ok(place) = stands(&state, &promise) {
            state.put(promise.activity, place, &promise.gear);
        }
    }
    state
}

/// As [`stands`], for explanations: gear that rides along is held by somebody too. Of several holders one without a
/// right to it is named if there is one.
pub fn stands_but_for(state: &State<'_>, promise: &Published, published: &[Published]) -> Result<Place, Broken> {
    let verdict = stands(state, promise);
    let (Err(Broken::Obstacle(Obstacle::Gear(NONE))), Some(mode)) = (verdict, promise.mode) else { return verdict };
    let finish = promise.start + state.model.modes[mode as usize].length;
    let holders = state.holders(promise.activity, promise.start, finish);
    let usurper = holders.iter().find(|holder| !has_right(**holder, published, state));
    usurper.or(holders.first()).map_or(verdict, |holder| Err(Broken::Obstacle(Obstacle::Gear(*holder))))
}

/// The cause in domain words.
pub fn cause(compiled: &Compiled, situation: &Situation, promise: &Published, broken: Broken) -> Cause {
    let by = |by: u32| if by == NONE { None } else { Some(entitled_step(compiled, situation, by & !FIXED)) };
    match broken {
        Broken::Passed => Cause::StartPassed,
        Broken::NotYet => Cause::NotYet,
        Broken::Pinned => Cause::Pinned,
        Broken::NoMode => no_mode_cause(compiled, situation, promise),
        Broken::WaitsFor(from) => Cause::WaitsFor(arc_step(compiled, promise.activity, from)),
        Broken::TooLateAfter(from) => Cause::TooLateAfter(arc_step(compiled, promise.activity, from)),
        Broken::Obstacle(Obstacle::Crew) => Cause::CrewAway,
        Broken::Obstacle(Obstacle::People) => Cause::CrewUnable,
        Broken::Obstacle(Obstacle::Access) => Cause::HouseClosed,
        Broken::Obstacle(Obstacle::Gate) => Cause::Weather,
        Broken::Obstacle(Obstacle::Busy(who)) => by(who).map_or(Cause::CrewAway, Cause::CrewBusyWith),
        Broken::Obstacle(Obstacle::Area(who)) => by(who).map_or(Cause::HouseClosed, Cause::AreaTakenBy),
        Broken::Obstacle(Obstacle::Gear(who)) => by(who).map_or(Cause::EquipmentShort, Cause::GearTakenBy),
    }
}

/// The step of an activity that gives it a right to its time: pinned, or promised inside the freeze time; else its last.
fn entitled_step(compiled: &Compiled, situation: &Situation, activity: u32) -> StepRef {
    let steps = &compiled.steps[activity as usize];
    let freeze_end = situation.now.plus(situation.settings.freeze_minutes);
    let entitled = |step: &&StepRef| {
        let pin = situation.jobs[step.job.index()].chain.step(step.step).pin;
        let promise = situation.published.binary_search_by_key(*step, |promise| promise.step);
        let frozen = promise.is_ok_and(|promise| situation.published[promise].start() < freeze_end);
        pin.crew.is_some() || pin.start.is_some() || frozen
    };
    steps.iter().find(entitled).copied().unwrap_or(steps[steps.len() - 1])
}

/// The step of `from` that the arc to `to` leaves.
fn arc_step(compiled: &Compiled, to: u32, from: u32) -> crate::domain::ids::StepIx {
    let named = compiled.model.extra_of[to as usize];
    let lapsed = (named != NONE).then(|| &compiled.model.arcs[named as usize]).filter(|arc| arc.from == from);
    let part = lapsed.or_else(|| compiled.model.before(to).find(|arc| arc.from == from)).map_or(0, |arc| arc.from_part);
    compiled.steps[from as usize][part as usize].step
}

fn no_mode_cause(compiled: &Compiled, situation: &Situation, promise: &Published) -> Cause {
    let pinned_away = compiled.steps[promise.activity as usize].iter().any(|step| {
        let pin = situation.jobs[step.job.index()].chain.step(step.step).pin;
        pin.crew.is_some_and(|crew| crew.0 != promise.crew)
    });
    if pinned_away { Cause::Pinned } else { Cause::CrewUnable }
}

/// Whether `by` may rightly keep a frozen promise from standing: it happened, is pinned, or was itself promised so soon.
pub fn has_right(by: u32, published: &[Published], state: &State<'_>) -> bool {
    if by == NONE || by >= FIXED || state.model.activities[by as usize].pinned {
        return true;
    }
    published.iter().any(|promise| promise.activity == by && promise.frozen)
}
