//! Tails: when a job is finished at best once one of its activities starts at a given time, with everybody and all gear free
//! (heads and tails: Carlier, "The one-machine sequencing problem", European Journal of Operational Research 11, 1982). Hours,
//! air and waits are minded, so a step that misses its evening costs its job the night.

use super::{differing_modes, earliest_after, earliest_alone, order_arcs};
use crate::planner::model::Model;
use crate::planner::spans::{NEVER, T};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicI32, Ordering};

/// Times are taken down to a whole hour, or to what leaves so many of them.
const GRID_MINUTES_MIN: T = 60;
const COLUMNS_MAX: T = 1024;
/// Longer chains have no tails: they are followed to their end.
const CHAIN_MAX: usize = 250;
const UNKNOWN: T = -1;

/// What is known of tails; found out when it is first asked for, by whichever thread.
pub struct Tails {
    grid: T,
    columns: usize,
    /// By activity, and by the hour of its start.
    finishes: Vec<OnceLock<Box<[AtomicI32]>>>,
    /// By job: how many activities it has.
    sizes: Vec<u32>,
}

impl Tails {
    /// Of a model; nothing is computed yet.
    pub fn new(model: &Model) -> Tails {
        let grid = GRID_MINUTES_MIN.max(model.end / COLUMNS_MAX + 1);
        let mut sizes = vec![0; model.job_count];
        model.activities.iter().for_each(|activity| sizes[activity.job as usize] += 1);
        let finishes = model.activities.iter().map(|_| OnceLock::new()).collect();
        Tails { grid, columns: (model.end.max(0) / grid) as usize + 1, finishes, sizes }
    }

    /// Whether the job's chain is short enough to be followed.
    pub fn known_of(&self, job: u32) -> bool {
        self.sizes[job as usize] as usize <= CHAIN_MAX
    }

    /// When the job of an open activity is finished at best if that starts at `start` or later; `NEVER` when not within the
    /// horizon.
    pub fn finish(&self, model: &Model, activity: u32, start: T) -> T {
        let column = (start.max(0) / self.grid) as usize;
        if column >= self.columns {
            return NEVER;
        }
        let unknown = || (0..self.columns).map(|_| AtomicI32::new(UNKNOWN)).collect();
        // Whoever computes a tail comes to the same: no order between threads is needed.
        let known = &self.finishes[activity as usize].get_or_init(unknown)[column];
        match known.load(Ordering::Relaxed) {
            UNKNOWN => {
                let finish = self.compute(model, activity, column as T * self.grid);
                known.store(finish, Ordering::Relaxed);
                finish
            }
            finish => finish,
        }
    }

    fn compute(&self, model: &Model, activity: u32, start: T) -> T {
        let earliest = start.max(model.activities[activity as usize].release);
        let in_mode = |mode: u32| {
            let Some((start, finish)) = earliest_alone(model, activity, mode, earliest) else { return NEVER };
            order_arcs(model, activity).fold(finish, |latest, arc| {
                let ready = earliest_after(model, false, arc, start, finish);
                let offsets = model.best_modes(arc.to).map(|mode| model.part(mode, arc.to_part).offset);
                let next = ready.saturating_sub(offsets.max().unwrap_or(0));
                latest.max(self.finish(model, arc.to, next))
            })
        };
        differing_modes(model, activity).map(in_mode).min().unwrap_or(NEVER)
    }
}
