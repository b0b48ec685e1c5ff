//! Bounded repair of a generation under way: where a maximum wait cannot be met, what it is counted from is taken out with all
//! that follows, and put later (unscheduling: Franck, Neumann and Schwindt, "Truncated branch-and-bound, schedule-construction,
//! and schedule-improvement procedures for resource-constrained project scheduling", OR Spektrum 23, 2001; cited from memory).

use super::{Failure, Generator};
use crate::planner::model::{Anchor, Arc, NONE};
use crate::planner::score::Weights;
use crate::planner::spans::{NEVER, T};
use crate::planner::state::State;
use std::cmp::Reverse;

/// How often one activity may be put later or taken out again in one generation before it is given up.
const REPAIRS_PER_ACTIVITY_MAX: u8 = 24;

impl Generator {
    /// When no time was found within the maxima: the predecessor whose maximum binds is put later.
    pub(super) fn repair(
        &mut self,
        state: &mut State<'_>,
        weights: &Weights,
        activity: u32,
    ) -> Result<(), Option<Failure>> {
        let Some((latest, binding)) = self.binding(state, activity) else {
            return Err(Some(Failure::NoTime));
        };
        let tries = &mut self.repairs[activity as usize];
        *tries += 1;
        if *tries > REPAIRS_PER_ACTIVITY_MAX {
            return Err(Some(Failure::Maximum(binding)));
        }
        let Some(soonest) = self.soonest(state, activity) else {
            return Err(Some(Failure::Maximum(binding)));
        };
        let Some(place) = state.place(binding).filter(|_| !self.held[binding as usize]) else {
            return Err(Some(Failure::Maximum(binding)));
        };
        let later = place.start + (soonest - latest).max(1);
        if !self.take_with_followers(state, weights, binding) {
            return Err(Some(Failure::Maximum(binding)));
        }
        self.touch(binding);
        self.floor[binding as usize] = self.floor[binding as usize].max(later);
        self.requeue(state, weights, activity);
        Err(None)
    }

    /// The placed activity whose maximum gives `activity` its latest start, over the mode that leaves most room.
    fn binding(&self, state: &State<'_>, activity: u32) -> Option<(T, u32)> {
        let model = state.model;
        let own = &model.activities[activity as usize];
        let mode = own.modes.clone().max_by_key(|mode| (state.window(activity, *mode).1, Reverse(*mode)))?;
        let offset = |part| model.part(mode, part).offset;
        // A wait that lapses binds as well when it could not be done past it either.
        let binds = |arc: &&Arc| arc.max < NEVER && (arc.extra == NONE || state.place(arc.extra).is_none());
        let before = model.before(activity).filter(binds);
        let before = before.filter_map(|arc| {
            Some((state.anchor(arc, state.place(arc.from)?) + arc.max - offset(arc.to_part), arc.from))
        });
        let after = model.after(activity).filter(|arc| arc.anchor == Anchor::Start && arc.min > -NEVER);
        let after = after.filter_map(|arc| {
            let to = state.place(arc.to)?;
            Some((to.start + model.part(to.mode, arc.to_part).offset - offset(arc.from_part) - arc.min, arc.to))
        });
        before.chain(after).min()
    }

    fn soonest(&self, state: &State<'_>, activity: u32) -> Option<T> {
        let model = state.model;
        let modes = model.activities[activity as usize].modes.clone();
        let found = modes.filter_map(|mode| {
            let (earliest, _) = state.window(activity, mode);
            state.find(activity, mode, earliest.max(self.floor[activity as usize]), NEVER)
        });
        found.map(|place| place.start).min()
    }

    /// Takes `first` and every placed activity that follows it by ordering arcs out; `false`, and nothing taken, when
    /// one of them is held.
    pub(super) fn take_with_followers(&mut self, state: &mut State<'_>, weights: &Weights, first: u32) -> bool {
        let mut followers = vec![first];
        let mut seen = 0;
        while seen < followers.len() {
            let model = state.model;
            for arc in model.after(followers[seen]).filter(|arc| arc.orders() && state.place(arc.to).is_some()) {
                if !followers.contains(&arc.to) {
                    followers.push(arc.to);
                }
            }
            seen += 1;
        }
        if followers.iter().any(|follower| self.held[*follower as usize]) {
            return false;
        }
        for &follower in followers.iter().rev() {
            self.take(state, follower);
        }
        for &follower in &followers {
            self.requeue(state, weights, follower);
        }
        true
    }

    pub(super) fn requeue(&mut self, state: &State<'_>, weights: &Weights, activity: u32) {
        self.touch(activity);
        self.failure[activity as usize] = None;
        self.pending[activity as usize] = self.count_pending(state, activity);
        if self.pending[activity as usize] == 0 {
            self.push(state, weights, activity);
        }
    }
}
