//! The cheapest plan a search has met. Only what changed since is copied when a cheaper one is met.

use super::Change;
use crate::planner::generate::{Failure, Generator};
use crate::planner::state::{Place, State};

/// See the module.
pub(super) struct Best {
    cost: i64,
    place: Vec<Option<Place>>,
    gear: Vec<Vec<u32>>,
    held: Vec<bool>,
    failure: Vec<Option<Failure>>,
    /// Activities that may be elsewhere now.
    stale: Vec<u32>,
    is_stale: Vec<bool>,
}

impl Best {
    /// The plan that a search starts from.
    pub(super) fn at(cost: i64, state: &State<'_>, generator: &Generator) -> Best {
        let activities = state.model.activities.len();
        Best {
            cost,
            place: (0..activities as u32).map(|activity| state.place(activity)).collect(),
            gear: (0..activities as u32).map(|activity| state.held(activity).to_vec()).collect(),
            held: generator.held.clone(),
            failure: generator.failure.clone(),
            stale: Vec::new(),
            is_stale: vec![false; activities],
        }
    }

    pub(super) fn cost(&self) -> i64 {
        self.cost
    }

    /// The plan has `changes` and costs `cost` now.
    pub(super) fn moved_on<'c>(
        &mut self,
        cost: i64,
        state: &State<'_>,
        generator: &Generator,
        changes: impl Iterator<Item = &'c Change>,
    ) {
        for change in changes {
            if !std::mem::replace(&mut self.is_stale[change.activity as usize], true) {
                self.stale.push(change.activity);
            }
        }
        if cost > self.cost {
            return;
        }
        self.cost = cost;
        for activity in self.stale.drain(..) {
            let number = activity as usize;
            self.is_stale[number] = false;
            self.place[number] = state.place(activity);
            self.gear[number].clear();
            self.gear[number].extend_from_slice(state.held(activity));
            self.held[number] = generator.held[number];
            self.failure[number] = generator.failure[number];
        }
    }

    /// Makes the plan the cheapest one again.
    pub(super) fn restore(mut self, state: &mut State<'_>, generator: &mut Generator) {
        self.stale.sort_unstable();
        for &activity in &self.stale {
            state.take(activity);
        }
        for &activity in &self.stale {
            let number = activity as usize;
            if let Some(place) = self.place[number] {
                state.put_back(activity, place, &self.gear[number]);
            }
            generator.held[number] = self.held[number];
            generator.failure[number] = self.failure[number];
        }
    }
}
