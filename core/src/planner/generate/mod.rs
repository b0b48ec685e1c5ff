//! Serial schedule generation: takes what is not placed, in order of readiness and preference, gives each the best free
//! place, and repairs with bounded effort when a maximum wait cannot be met (the predecessor is put later, with what
//! follows it) or when a moved predecessor overruns a successor that was kept (the successor is placed again).

mod cutoff;
mod unschedule;

use crate::planner::model::{Arc, NONE};
use crate::planner::score::Weights;
use crate::planner::spans::{NEVER, T};
use crate::planner::state::{FIRST_PIECE_MINUTES_MIN, Place, State};
use cutoff::Cutoff;
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// How long before its successor an extra step is looked for, closest first.
const EXTRA_BEFORE_MINUTES: [T; 5] = [0, 60, 240, 960, 2880];

/// Why an activity is not in the plan, as far as generation knows; `blockers` finds the words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Failure {
    /// A predecessor is not placed.
    Predecessor(u32),
    /// No free time within the horizon and the latest start.
    NoTime,
    /// Its maximum wait after this predecessor cannot be met.
    Maximum(u32),
}

/// A generation at work. Buffers are kept from run to run.
#[derive(Clone)]
pub struct Generator {
    heap: BinaryHeap<Reverse<(T, u32, u32)>>,
    pending: Vec<u32>,
    /// Where an activity that is out starts at the earliest, in the next generation.
    pub floor: Vec<T>,
    repairs: Vec<u8>,
    touched: Vec<u32>,
    /// Minutes by which each activity is preferred (negative) or put back (positive) in the order.
    pub bias: Vec<T>,
    /// Why activities are out; meaningful for those that are not placed.
    pub failure: Vec<Option<Failure>>,
    /// Activities that must not be moved once placed: fixed, pinned in time, frozen or kept.
    pub held: Vec<bool>,
    /// Activities that no plan can place, known beforehand: nothing is searched for them.
    pub hopeless: Vec<bool>,
    /// Where it is not `NEVER`, an activity has its turn by this instead of by its earliest start.
    pub rank: Vec<T>,
    /// So many of a thousand modes are passed over, by this chance.
    blinks_per_mille: u32,
    chance: u64,
    /// Activities go where they were promised, or near it, unless another place is cheaper by more than the promise.
    pub minds_promises: bool,
    /// Work outside regular hours only for what finds no other time.
    pub regular_first: bool,
    /// So many ways to do an activity are looked at first, those of the nearest crews; others only where none of these can. 0:
    /// all.
    pub ways_first: u32,
    /// Cost points that a minute on the road counts among crews, beside what it costs.
    pub road_minute: i64,
    /// When to give up.
    pub cutoff: Cutoff,
    /// How each activity was done before it was taken out, `NONE` if it never was: as good a guess as any of how it will be.
    was: Vec<u32>,
}

impl Generator {
    /// For a model of so many activities.
    pub fn new(activities: usize) -> Generator {
        Generator {
            heap: BinaryHeap::new(),
            pending: vec![0; activities],
            floor: vec![0; activities],
            repairs: vec![0; activities],
            touched: Vec::new(),
            bias: vec![0; activities],
            failure: vec![None; activities],
            held: vec![false; activities],
            hopeless: vec![false; activities],
            minds_promises: false,
            regular_first: false,
            ways_first: 0,
            road_minute: 0,
            cutoff: Cutoff::default(),
            was: vec![NONE; activities],
            rank: vec![NEVER; activities],
            blinks_per_mille: 0,
            chance: 0,
        }
    }

    /// Places every activity of `open` (ordinary ones that are not placed; extras follow as needed) that can be placed.
    /// `false`: given up by `cutoff`, and some are left out that could have been placed.
    pub fn complete(&mut self, state: &mut State<'_>, weights: &Weights, open: &[u32]) -> bool {
        for &activity in open {
            self.failure[activity as usize] = None;
            self.pending[activity as usize] = self.count_pending(state, activity);
            self.touch(activity);
        }
        for &activity in open {
            if self.pending[activity as usize] == 0 {
                self.push(state, weights, activity);
            }
        }
        let mut given_up = false;
        while let Some(Reverse((_, _, activity))) = self.heap.pop() {
            given_up |= self.cutoff.beyond();
            // Debug builds go on, so that every test sees whether it was right to give up.
            if given_up && !cfg!(debug_assertions) {
                break;
            }
            let waiting = self.pending[activity as usize] > 0;
            if waiting || state.place(activity).is_some() || self.failure[activity as usize].is_some() {
                continue;
            }
            match self.place_one(state, weights, activity) {
                Ok(()) => self.release_successors(state, weights, activity),
                Err(Some(failure)) => self.fail(state, activity, failure),
                Err(None) => {}
            }
        }
        for activity in self.touched.drain(..) {
            self.floor[activity as usize] = 0;
            self.repairs[activity as usize] = 0;
        }
        self.heap.clear();
        !given_up
    }

    fn touch(&mut self, activity: u32) {
        self.touched.push(activity);
    }

    fn count_pending(&self, state: &State<'_>, activity: u32) -> u32 {
        state.model.before(activity).filter(|arc| arc.orders() && state.place(arc.from).is_none()).count() as u32
    }

    fn push(&mut self, state: &State<'_>, weights: &Weights, activity: u32) {
        let own = &state.model.activities[activity as usize];
        if own.extra {
            // Comes with its successor, if at all.
            return;
        }
        let earliest = match own.modes.clone().next() {
            Some(mode) => state.window(activity, mode).0.max(self.floor[activity as usize]),
            None => own.release,
        };
        self.cutoff.note(state.model, weights, activity, earliest);
        let rank = self.rank[activity as usize];
        let earliest = if rank < NEVER { rank } else { earliest };
        let pinned_first = if own.pinned { -NEVER } else { earliest.saturating_add(self.bias[activity as usize]) };
        self.heap.push(Reverse((pinned_first, own.job, activity)));
    }

    /// `Err(None)`: a repair was made, and the activity waits for it.
    fn place_one(&mut self, state: &mut State<'_>, weights: &Weights, activity: u32) -> Result<(), Option<Failure>> {
        if self.hopeless[activity as usize] {
            return Err(Some(Failure::NoTime));
        }
        if !self.regular_first {
            return self.place_in_hours(state, weights, activity);
        }
        state.regular_only = true;
        let placed = self.place_in_hours(state, weights, activity);
        state.regular_only = false;
        match placed {
            Err(Some(_)) => self.place_in_hours(state, weights, activity),
            Ok(()) | Err(None) => placed,
        }
    }

    fn place_in_hours(
        &mut self,
        state: &mut State<'_>,
        weights: &Weights,
        activity: u32,
    ) -> Result<(), Option<Failure>> {
        // Extra steps come and go with their successor; whether they are needed is found out anew.
        self.take_extras(state, activity);
        let lapses_at = lapse_deadline(state, activity);
        if let Some(place) = self.best(state, weights, activity, lapses_at) {
            self.cutoff.note(state.model, weights, activity, place.start);
            self.put(state, activity, place);
            return Ok(());
        }
        if lapses_at < NEVER {
            match self.place_lapsed(state, weights, activity) {
                Some(place) => {
                    self.put(state, activity, place);
                    self.tighten_extras(state, activity);
                    return Ok(());
                }
                None => self.take_extras(state, activity),
            }
        }
        if state.model.activities[activity as usize].dividable {
            // Rather begun with little time left than not at all.
            state.first_piece_minutes_min = 1;
            let place = self.best(state, weights, activity, lapses_at);
            state.first_piece_minutes_min = FIRST_PIECE_MINUTES_MIN;
            if let Some(place) = place {
                self.put(state, activity, place);
                return Ok(());
            }
        }
        self.repair(state, weights, activity)
    }

    /// Moves the extra steps before a placed activity as close to it as they can be, by its own crew if that can: a
    /// floor that was abraded days before its coat has gathered dust again.
    fn tighten_extras(&mut self, state: &mut State<'_>, activity: u32) {
        let model = state.model;
        let Some(next) = state.place(activity) else { return };
        for arc in model.before(activity).filter(|arc| arc.extra != NONE) {
            if state.is_fixed(arc.extra) || self.held[arc.extra as usize] {
                continue;
            }
            let gear = state.held(arc.extra).to_vec();
            let Some(was) = state.take(arc.extra) else { continue };
            let crew = state.crew_of(next.mode);
            let mut modes: Vec<u32> = model.activities[arc.extra as usize].modes.clone().collect();
            modes.sort_by_key(|mode| (state.crew_of(*mode) != crew, *mode));
            let reached = next.start + model.part(next.mode, arc.to_part).offset;
            let closer = EXTRA_BEFORE_MINUTES.iter().flat_map(|before| modes.iter().map(move |mode| (*before, *mode)));
            let closer = closer.filter_map(|(before, mode)| {
                let latest = reached - model.modes[mode as usize].length;
                let earliest = state.window(arc.extra, mode).0.max(latest - before);
                state.find(arc.extra, mode, earliest, latest).filter(|place| place.finish <= reached)
            });
            match closer.into_iter().find(|place| place.start > was.start) {
                Some(place) => state.put(arc.extra, place, &[]),
                None => state.put_back(arc.extra, was, &gear),
            }
        }
    }

    /// The best place over all modes that starts no later than `latest`.
    fn best(&mut self, state: &State<'_>, weights: &Weights, activity: u32, latest: T) -> Option<Place> {
        let model = state.model;
        let own = &model.activities[activity as usize];
        let worker = last_worker(state, activity);
        let mut best = if self.minds_promises { self.promised(state, weights, activity, latest, worker) } else { None };
        // A single step's window is the same whoever does it; the parts of a run begin at other times in other modes.
        let shared = own.modes.clone().next().filter(|_| own.steps == 1).map(|mode| state.window(activity, mode));
        // Whoever was there last comes first, then who did it before: a good plan early spares most of the search for the others.
        let near = if self.ways_first == 0 { u32::MAX } else { self.ways_first };
        let near_end = own.modes.start.saturating_add(near).min(own.modes.end);
        let first = (own.modes.start..near_end).find(|mode| worker != NONE && state.crew_of(*mode) == worker);
        let was = Some(self.was[activity as usize]);
        let was = was.filter(|was| (own.modes.start..near_end).contains(was) && Some(*was) != first);
        let others = own.modes.clone().filter(|mode| Some(*mode) != first && Some(*mode) != was);
        // A cost, and the latest finish that can cost less.
        let mut below = (i64::MIN, NEVER);
        for mode in first.into_iter().chain(was).chain(others) {
            if best.is_some() && (mode >= near_end || self.blinks()) {
                continue;
            }
            let (earliest, window_end) = shared.unwrap_or_else(|| state.window(activity, mode));
            let earliest = earliest.max(self.floor[activity as usize]);
            let mut latest = latest.min(window_end);
            // What it costs wherever it starts.
            let mut anywhere = weights.hand_over(worker, state.crew_of(mode));
            if self.minds_promises && best.is_some() {
                anywhere += weights.broken_at_least(state, activity, mode);
            }
            if let Some((cost, _)) = best {
                if below.0 != cost - anywhere {
                    below = (cost - anywhere, weights.latest_finish_below(own.job, cost - anywhere));
                }
                latest = latest.min(below.1 - model.modes[mode as usize].length);
            }
            if earliest > latest {
                continue;
            }
            let Some(place) = state.find(activity, mode, earliest, latest) else { continue };
            if best.is_some_and(|(least, _)| weights.insertion_at_least(own.job, place.finish) + anywhere >= least) {
                continue;
            }
            let mut cost = weights.insertion(state, activity, place, worker, self.road_minute);
            if self.minds_promises {
                cost += weights.broken_at(state, activity, place);
            }
            if best.is_none_or(|(least, _)| cost < least) {
                best = Some((cost, place));
            }
        }
        best.map(|(_, place)| place)
    }

    /// From now on so many of a thousand modes are passed over, by a chance that only `seed` decides.
    pub fn blink(&mut self, seed: u32, per_mille: u32) {
        self.chance = u64::from(seed);
        self.blinks_per_mille = per_mille;
    }

    /// A step of Knuth's linear congruential generator (The Art of Computer Programming 2, 3.3.4): cheap, and good enough to
    /// look away now and then.
    fn blinks(&mut self) -> bool {
        if self.blinks_per_mille == 0 {
            return false;
        }
        let next = self.chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.chance = next;
        (next >> 33) % 1000 < u64::from(self.blinks_per_mille)
    }

    /// Where the activity was promised, or the first time after that that its crew has, and what that costs.
    fn promised(
        &self,
        state: &State<'_>,
        weights: &Weights,
        activity: u32,
        latest: T,
        worker: u32,
    ) -> Option<(i64, Place)> {
        let promise = weights.promises_of(activity).next()?;
        let model = state.model;
        let own = &model.activities[activity as usize];
        let one = |mode: u32| {
            let (earliest, window_end) = state.window(activity, mode);
            let wished = promise.start - model.part(mode, promise.part).offset;
            let earliest = earliest.max(self.floor[activity as usize]).max(wished);
            let latest = latest.min(window_end);
            let place = if earliest <= latest { state.find(activity, mode, earliest, latest) } else { None }?;
            let cost = weights.insertion(state, activity, place, worker, self.road_minute)
                + weights.broken_at(state, activity, place);
            Some((cost, place))
        };
        let own_crew = own.modes.clone().filter(|mode| state.crew_of(*mode) == promise.crew);
        own_crew.filter_map(one).min_by_key(|(cost, place)| (*cost, place.mode))
    }

    /// Places `activity` past the maximum of one or more of its waits, the extra steps first.
    fn place_lapsed(&mut self, state: &mut State<'_>, weights: &Weights, activity: u32) -> Option<Place> {
        let model = state.model;
        let lapsing: Vec<Arc> = model.before(activity).filter(|arc| arc.extra != NONE).copied().collect();
        let floor = self.floor[activity as usize];
        for _ in 0..=lapsing.len() {
            // The soonest start if no further wait lapses decides which ones do.
            let soonest = self.best(state, weights, activity, NEVER).map_or(NEVER, |place| place.start);
            let due = |arc: &&Arc| {
                state.place(arc.extra).is_none() && deadline(state, arc).is_some_and(|deadline| deadline < soonest)
            };
            let Some(arc) = lapsing.iter().find(due).copied() else { break };
            let extra = self.best(state, weights, arc.extra, NEVER)?;
            self.put(state, arc.extra, extra);
            let lapsed = deadline(state, &arc)? + 1;
            self.floor[activity as usize] = self.floor[activity as usize].max(lapsed);
        }
        let place = self.best(state, weights, activity, NEVER);
        self.floor[activity as usize] = floor;
        place
    }

    /// Puts an activity that was out.
    pub fn put(&mut self, state: &mut State<'_>, activity: u32, place: Place) {
        state.put(activity, place, &[]);
        self.failure[activity as usize] = None;
    }

    /// Takes an activity out, the extra steps before it as well; its successors wait again. An extra step is taken with the one
    /// it comes before, which cannot do without it.
    pub fn take(&mut self, state: &mut State<'_>, activity: u32) {
        let named = state.model.extra_of[activity as usize];
        let after = if named == NONE { activity } else { state.model.arcs[named as usize].to };
        if after != activity && state.place(after).is_some() {
            self.held[after as usize] = false;
            return self.take(state, after);
        }
        let Some(place) = state.take(activity) else { return };
        self.was[activity as usize] = place.mode;
        self.cutoff.forget(state.model.activities[activity as usize].job);
        self.take_extras(state, activity);
        let model = state.model;
        for arc in model.after(activity).filter(|arc| arc.orders()) {
            self.pending[arc.to as usize] = self.count_pending(state, arc.to);
        }
    }

    fn take_extras(&mut self, state: &mut State<'_>, activity: u32) {
        let model = state.model;
        for arc in model.before(activity).filter(|arc| arc.extra != NONE) {
            if !state.is_fixed(arc.extra) && state.take(arc.extra).is_some() {
                self.held[arc.extra as usize] = false;
            }
        }
    }

    /// After `activity` was placed: successors that were kept and no longer agree are taken out, the others may start.
    fn release_successors(&mut self, state: &mut State<'_>, weights: &Weights, activity: u32) {
        let model = state.model;
        for arc in model.after(activity) {
            if state.place(arc.to).is_some() {
                if !agrees(state, arc) {
                    let named = model.extra_of[arc.to as usize];
                    let out = if named == NONE { arc.to } else { model.arcs[named as usize].to };
                    self.held[out as usize] = false;
                    self.take(state, out);
                    self.requeue(state, weights, out);
                }
            } else if arc.orders() && self.pending[arc.to as usize] > 0 {
                self.pending[arc.to as usize] = self.count_pending(state, arc.to);
                if self.pending[arc.to as usize] == 0 && self.failure[arc.to as usize].is_none() {
                    self.push(state, weights, arc.to);
                }
            }
        }
    }

    /// An activity that is out keeps everything that follows it out.
    fn fail(&mut self, state: &mut State<'_>, activity: u32, failure: Failure) {
        self.failure[activity as usize] = Some(failure);
        let mut out = vec![activity];
        while let Some(cause) = out.pop() {
            let model = state.model;
            for arc in model.after(cause).filter(|arc| arc.orders()) {
                if self.failure[arc.to as usize].is_some() {
                    continue;
                }
                self.held[arc.to as usize] = false;
                self.take(state, arc.to);
                self.failure[arc.to as usize] = Some(Failure::Predecessor(cause));
                out.push(arc.to);
            }
        }
    }
}

/// The latest start at which no wait of `activity` lapses. A wait whose extra step is there already cannot lapse.
pub fn lapse_deadline(state: &State<'_>, activity: u32) -> T {
    let open = state.model.before(activity).filter(|arc| arc.extra != NONE && state.place(arc.extra).is_none());
    open.filter_map(|arc| deadline(state, arc)).min().unwrap_or(NEVER)
}

fn deadline(state: &State<'_>, arc: &Arc) -> Option<T> {
    Some(state.anchor(arc, state.place(arc.from)?) + arc.max)
}

/// Whether two placed activities keep the arc between them.
pub fn agrees(state: &State<'_>, arc: &Arc) -> bool {
    let (Some(from), Some(to)) = (state.place(arc.from), state.place(arc.to)) else { return true };
    let anchor = state.anchor(arc, from);
    let reached = to.start + state.model.part(to.mode, arc.to_part).offset;
    let in_time = reached <= anchor.saturating_add(arc.max);
    let kept = match (arc.extra, in_time) {
        (NONE, in_time) => in_time,
        (extra, in_time) => match state.place(extra) {
            // The extra step is there exactly when it is needed, or was done already.
            Some(place) => {
                (!in_time || place.start < 0)
                    && place.start >= state.model.ready(arc, anchor).min(to.start)
                    && place.finish <= reached
            }
            None => in_time,
        },
    };
    kept && (arc.min <= -NEVER || reached >= state.model.ready(arc, anchor))
}

/// The crew that did the last placed step before `activity`, `NONE` when unknown.
fn last_worker(state: &State<'_>, activity: u32) -> u32 {
    let before = state.model.before(activity).filter_map(|arc| state.place(arc.from));
    before.max_by_key(|place| place.finish).map_or(NONE, |place| state.crew_of(place.mode))
}
