//! The cheapest plan a search has met. It is copied only when the search goes on from it to a dearer one.

use super::Before;
use crate::planner::generate::{Failure, Generator};
use crate::planner::state::{Place, State};

/// See the module.
pub(super) struct Best {
    cost: i64,
    /// Where everything was; `None` while the plan as it stands is the cheapest.
    copy: Option<Copied>,
}

#[derive(Default)]
struct Copied {
    place: Vec<Option<Place>>,
    gear: Vec<Vec<u32>>,
    held: Vec<bool>,
    failure: Vec<Option<Failure>>,
}

impl Best {
    /// The plan that a search starts from.
    pub(super) fn at(cost: i64) -> Best {
        Best { cost, copy: None }
    }

    pub(super) fn cost(&self) -> i64 {
        self.cost
    }

    /// A move was kept: the plan costs `cost` now, and was as `before` says.
    pub(super) fn moved_on(&mut self, cost: i64, state: &State<'_>, generator: &Generator, before: &[Before]) {
        if cost <= self.cost {
            self.cost = cost;
            self.copy = None;
        } else if self.copy.is_none() {
            self.copy = Some(Copied::before(state, generator, before));
        }
    }

    /// Makes the plan the cheapest one again; whether it was another.
    pub(super) fn restore(&mut self, state: &mut State<'_>, generator: &mut Generator) -> bool {
        let Some(copy) = self.copy.take() else { return false };
        let other = |activity: &u32| {
            let number = *activity as usize;
            state.place(*activity) != copy.place[number] || state.held(*activity) != copy.gear[number]
        };
        let others: Vec<u32> = (0..copy.place.len() as u32).filter(other).collect();
        for &activity in &others {
            state.take(activity);
        }
        for &activity in &others {
            if let Some(place) = copy.place[activity as usize] {
                state.put_back(activity, place, &copy.gear[activity as usize]);
            }
        }
        generator.held = copy.held;
        generator.failure = copy.failure;
        true
    }
}

impl Copied {
    fn before(state: &State<'_>, generator: &Generator, before: &[Before]) -> Copied {
        let all = 0..state.model.activities.len() as u32;
        let mut copy = Copied {
            place: all.clone().map(|activity| state.place(activity)).collect(),
            gear: all.map(|activity| state.held(activity).to_vec()).collect(),
            held: generator.held.clone(),
            failure: generator.failure.clone(),
        };
        for was in before {
            let number = was.activity as usize;
            copy.place[number] = was.place;
            copy.gear[number].clone_from(&was.gear);
            copy.held[number] = was.held;
            copy.failure[number] = was.failure;
        }
        copy
    }
}
