//! The last word on a plan: promises inside the freeze time that can stand after all go back, what is unplaced is tried
//! until nothing more fits (exactly as the next planning of the same world would, so that it has nothing left to
//! change), and each promise that stays broken gets its cause.

use super::compile::Compiled;
use super::generate::{Generator, agrees};
use super::keep::{Broken, Published, cause, has_right, stands_but_for};
use super::model::NONE;
use super::open_activities;
use super::score::Weights;
use super::state::{Obstacle, Place, State};
use super::timeline::FIXED;
use crate::domain::plan::Cause;
use crate::domain::situation::Situation;
use std::collections::BTreeMap;

/// Every round puts a promise back or places a step, or is the last; this many are never needed but by a flutter.
const ROUNDS_MAX: usize = 8;

/// One on each side and some for gear and areas; more of them would not be put out for one promise.
const USURPERS_MAX: usize = 16;

/// What the last word is spoken about.
pub struct Settlement<'p> {
    /// The problem.
    pub compiled: &'p Compiled,
    /// Its costs.
    pub weights: &'p Weights,
    /// What was promised.
    pub published: &'p [Published],
}

/// Activities taken out together, with the gear they held.
type TakenOut = Vec<(u32, Place, Vec<u32>)>;

impl Settlement<'_> {
    /// Until nothing changes any more.
    pub fn settle(&self, state: &mut State<'_>, generator: &mut Generator) {
        for _ in 0..ROUNDS_MAX {
            let moved = self.put_back(state, generator) | self.mend_ways(state, generator);
            for activity in 0..self.compiled.steps.len() {
                generator.held[activity] = state.place(activity as u32).is_some();
            }
            let open = open_activities(self.compiled, state);
            generator.complete(state, self.weights, &open);
            let placed_more = open.iter().any(|activity| state.place(*activity).is_some());
            if !moved && !placed_more {
                break;
            }
        }
    }

    /// The cause of each broken promise inside the freeze time, by activity.
    pub fn causes(&self, situation: &Situation, state: &mut State<'_>) -> BTreeMap<u32, Cause> {
        let mut causes = BTreeMap::new();
        for promise in self.published.iter().filter(|promise| promise.frozen) {
            if state.place(promise.activity).is_none() || at_promise(state, promise) {
                continue;
            }
            let mut out = take_whole(state, promise.activity);
            let mut verdict = stands_but_for(state, promise, self.published);
            // Those without a right to it hide the one who has.
            for _ in 0..USURPERS_MAX {
                let Some(by) = self.usurper(state, verdict) else { break };
                out.extend(take_whole(state, by));
                verdict = stands_but_for(state, promise, self.published);
            }
            let broken = verdict.err().unwrap_or(Broken::NotYet);
            put_whole(state, out);
            causes.insert(promise.activity, cause(self.compiled, situation, promise, broken));
        }
        causes
    }

    /// Puts frozen promises back that can stand now, or that only somebody without a right to it keeps out.
    fn put_back(&self, state: &mut State<'_>, generator: &mut Generator) -> bool {
        let mut any = false;
        for promise in self.published.iter().filter(|promise| promise.frozen) {
            let needless = self.compiled.model.activities[promise.activity as usize].extra;
            if at_promise(state, promise) || (needless && state.place(promise.activity).is_none()) {
                continue;
            }
            let (changed, disturbed) = self.put_one_back(state, generator, promise);
            if changed || disturbed {
                drop_disagreeing(state, generator, promise.activity);
                let open = open_activities(self.compiled, state);
                generator.complete(state, self.weights, &open);
            }
            any |= changed;
        }
        any
    }

    /// Where a known way is longer than the way round by a third house, taking out what lay between two works can leave
    /// them too close: then the less promised of the two is placed again.
    fn mend_ways(&self, state: &mut State<'_>, generator: &mut Generator) -> bool {
        let model = state.model;
        let bound = |by: u32| {
            by >= FIXED
                || model.activities[by as usize].pinned
                || self.published.iter().any(|p| p.activity == by && p.frozen)
        };
        let mut out = Vec::new();
        let crews = (0..model.crews.len() as u32).map(|crew| state.crew(crew));
        for timeline in crews.chain(state.gear_timelines()) {
            for pair in timeline.bookings().windows(2) {
                let joined = pair[1].by < FIXED && model.activities[pair[1].by as usize].joins == pair[0].by;
                let close = pair[0].end + model.way(pair[0].place, pair[1].place) > pair[1].start;
                let history = pair[0].by >= FIXED && pair[1].by >= FIXED;
                if close && !joined && !history {
                    let later = pair[1].by < FIXED && (!bound(pair[1].by) || pair[0].by >= FIXED);
                    out.push(if later { pair[1].by } else { pair[0].by });
                }
            }
        }
        for by in &out {
            generator.held[*by as usize] = false;
            generator.take(state, *by);
            drop_disagreeing(state, generator, *by);
        }
        let open = open_activities(self.compiled, state);
        if !out.is_empty() {
            generator.complete(state, self.weights, &open);
        }
        !out.is_empty()
    }

    /// Who is in the way without a right to it.
    fn usurper(&self, state: &State<'_>, verdict: Result<Place, Broken>) -> Option<u32> {
        match verdict {
            Err(Broken::Obstacle(Obstacle::Busy(by) | Obstacle::Area(by) | Obstacle::Gear(by))) => {
                Some(by).filter(|by| !has_right(*by, self.published, state))
            }
            _ => None,
        }
    }

    /// Whether the promise stands again, and whether anybody else was taken out for it.
    fn put_one_back(&self, state: &mut State<'_>, generator: &mut Generator, promise: &Published) -> (bool, bool) {
        let before = state.place(promise.activity).map(|place| (place, state.held(promise.activity).to_vec()));
        state.take(promise.activity);
        let mut verdict = stands_but_for(state, promise, self.published);
        if let Some((place, gear)) = before {
            state.put_back(promise.activity, place, &gear);
        }
        let out = take_whole(state, promise.activity);
        if verdict.is_ok() {
            // The extra steps before it are part of the promise.
            put_whole(state, out.iter().filter(|(activity, ..)| *activity != promise.activity).cloned().collect());
        } else {
            verdict = stands_but_for(state, promise, self.published);
        }
        let mut usurpers = 0;
        while let Some(by) = self.usurper(state, verdict).filter(|_| usurpers < USURPERS_MAX) {
            generator.take(state, by);
            verdict = stands_but_for(state, promise, self.published);
            usurpers += 1;
        }
        if let Ok(place) = verdict
            && !suits_successor(state, promise.activity, place)
        {
            verdict = Err(Broken::NotYet);
        }
        match verdict {
            Ok(place) => {
                state.put(promise.activity, place, &promise.gear);
                generator.held[promise.activity as usize] = true;
                generator.failure[promise.activity as usize] = None;
            }
            Err(_) => put_whole(state, out),
        }
        (verdict.is_ok(), usurpers > 0)
    }
}

/// Whether an extra step at `place` is where it is needed; true for all other steps.
fn suits_successor(state: &State<'_>, activity: u32, place: Place) -> bool {
    let model = state.model;
    let named = model.extra_of[activity as usize];
    named == NONE || {
        let arc = &model.arcs[named as usize];
        let reached = |to: Place| to.start + model.part(to.mode, arc.to_part).offset;
        state.place(arc.to).is_some_and(|to| place.finish <= reached(to))
    }
}

fn at_promise(state: &State<'_>, promise: &Published) -> bool {
    let place = state.place(promise.activity);
    place.is_some_and(|place| place.start == promise.start && state.crew_of(place.mode) == promise.crew)
}

/// Takes an activity out, and the extra steps before it.
fn take_whole(state: &mut State<'_>, activity: u32) -> TakenOut {
    let model = state.model;
    let extras = model.before(activity).map(|arc| arc.extra).filter(|extra| *extra != NONE && !state.is_fixed(*extra));
    let all: Vec<u32> = extras.chain([activity]).collect();
    let mut out = Vec::new();
    for one in all {
        let gear = state.held(one).to_vec();
        out.extend(state.take(one).map(|place| (one, place, gear)));
    }
    out
}

fn put_whole(state: &mut State<'_>, out: TakenOut) {
    for (activity, place, gear) in out {
        state.put_back(activity, place, &gear);
    }
}

/// Takes out what follows `activity` and no longer agrees with it.
fn drop_disagreeing(state: &mut State<'_>, generator: &mut Generator, activity: u32) {
    let model = state.model;
    let after: Vec<u32> = model.after(activity).filter(|arc| !agrees(state, arc)).map(|arc| arc.to).collect();
    for follower in after {
        generator.held[follower as usize] = false;
        generator.take(state, follower);
    }
}
