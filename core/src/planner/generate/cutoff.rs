//! When a generation is not worth finishing: what its jobs must cost at least is mostly known long before everything is placed,
//! and a move that cannot be kept need not be made to its end.

use crate::planner::bound::{Tails, job_cost};
use crate::planner::model::Model;
use crate::planner::score::Weights;
use crate::planner::spans::{NEVER, T};
use crate::planner::state::State;
use std::sync::Arc;

/// A limit on what some jobs may cost, and what is known of it.
#[derive(Clone, Default)]
pub struct Cutoff {
    tails: Option<Arc<Tails>>,
    /// None: there is no limit.
    jobs: Vec<AtLeast>,
    /// Of all `jobs`, at least, cost points.
    cost: i64,
    limit: i64,
}

/// What is known of a job.
#[derive(Clone, Copy)]
struct AtLeast {
    job: u32,
    /// It is not finished before.
    finish: T,
    /// It does not cost less, cost points.
    cost: i64,
}

impl Cutoff {
    /// Copies that are made after this share what they find out.
    pub fn prepare(&mut self, state: &State<'_>) {
        self.tails.get_or_insert_with(|| Arc::new(Tails::new(state)));
    }

    /// From now on `jobs` may cost `limit` points together. No limit where tails were not prepared, or are not known of a job.
    pub fn set(&mut self, jobs: &[u32], limit: i64) {
        (self.cost, self.limit) = (0, limit);
        let known = self.tails.as_ref().is_some_and(|tails| jobs.iter().all(|job| tails.known_of(*job)));
        let nothing = |job: &u32| AtLeast { job: *job, finish: -NEVER, cost: 0 };
        self.jobs.clear();
        self.jobs.extend(jobs.iter().filter(|_| known).map(nothing));
    }

    /// From now on nothing is limited.
    pub fn lift(&mut self) {
        self.jobs.clear();
    }

    /// Notes that `activity` does not start before `start`.
    #[inline]
    pub fn note(&mut self, model: &Model, weights: &Weights, activity: u32, start: T) {
        let job = model.activities[activity as usize].job;
        let Some(known) = self.jobs.iter_mut().find(|known| known.job == job) else { return };
        let Some(tails) = &self.tails else { return };
        let finish = tails.finish(model, activity, start);
        if finish > known.finish {
            let cost = job_cost(weights, job, finish).min(weights.cost.unplaced_step);
            self.cost += cost - known.cost;
            (known.finish, known.cost) = (finish, cost);
        }
    }

    /// What was noted of a job does not hold any more: something of it that had its place was taken out again.
    pub fn forget(&mut self, job: u32) {
        if let Some(known) = self.jobs.iter_mut().find(|known| known.job == job) {
            self.cost -= known.cost;
            (known.finish, known.cost) = (-NEVER, 0);
        }
    }

    /// Whether the jobs cost more than they may, wherever the rest goes.
    #[inline]
    pub fn beyond(&self) -> bool {
        !self.jobs.is_empty() && self.cost > self.limit
    }
}
