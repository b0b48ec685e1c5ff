//! Tails: when a job is finished at best once one of its activities starts at a given time, with everybody and all gear free
//! (heads and tails: Carlier, "The one-machine sequencing problem", European Journal of Operational Research 11, 1982). Hours,
//! air and waits are minded, so a step that misses its evening costs its job the night.

use super::{differing_modes, earliest_after, earliest_alone, order_arcs};
use crate::planner::model::{Arc, Model};
use crate::planner::spans::{NEVER, T};
use crate::planner::state::State;
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
    /// By activity: it is running or done.
    fixed: Vec<bool>,
}

impl Tails {
    /// Of what is open; nothing is computed yet.
    pub fn new(state: &State<'_>) -> Tails {
        Tails::by(state, GRID_MINUTES_MIN.max(state.model.end / COLUMNS_MAX + 1))
    }

    /// The same with times taken down to so many minutes.
    pub fn by(state: &State<'_>, grid: T) -> Tails {
        let model = state.model;
        let mut sizes = vec![0; model.job_count];
        model.activities.iter().for_each(|activity| sizes[activity.job as usize] += 1);
        let finishes = model.activities.iter().map(|_| OnceLock::new()).collect();
        let fixed = (0..model.activities.len() as u32).map(|activity| state.is_fixed(activity)).collect();
        Tails { grid, columns: (model.end.max(0) / grid) as usize + 1, finishes, sizes, fixed }
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
            let open = |arc: &&Arc| !self.fixed[arc.to as usize];
            order_arcs(model, activity).filter(open).fold(finish, |latest, arc| {
                let ready = earliest_after(model, false, arc, start, finish);
                let offsets = model.best_modes(arc.to).map(|mode| model.part(mode, arc.to_part).offset);
                let next = ready.saturating_sub(offsets.max().unwrap_or(0));
                latest.max(self.finish(model, arc.to, next))
            })
        };
        differing_modes(model, activity).map(in_mode).min().unwrap_or(NEVER)
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::model::{Activity, Anchor, Crew, Mode, NONE, Part, Place};
    use super::super::super::spans::Spans;
    use super::super::super::state::Place as At;
    use super::*;

    /// A crew from 480 to 960 every day for a week; a step of two hours, twelve hours of drying, a step of one hour.
    fn dried_overnight() -> Model {
        let mut model = Model { end: 7 * 1440, job_count: 1, ..Model::default() };
        let days = Spans::new((0..7).map(|day| (day * 1440 + 480, day * 1440 + 960)).collect());
        model.calendars = vec![Spans::always(), days];
        model.crews = vec![Crew { calendar: 1, regular: 1, days: NONE }];
        model.crew_taken = vec![Vec::new()];
        model.places = vec![Place { access: 0 }];
        model.ways = vec![0];
        for (number, length) in [120, 60].into_iter().enumerate() {
            let own = number as u32..number as u32 + 1;
            model.parts.push(Part { offset: 0, length });
            let mode = Mode { crew: 0, calendar: 1, hours: 1, length, parts: own.clone(), gates: 0..0 };
            model.modes.push(mode);
            model.activities.push(Activity::plain(0, 0, own));
        }
        let anchor = Anchor::Finish;
        let wait = Arc {
            from: 0,
            to: 1,
            from_part: 0,
            to_part: 0,
            anchor,
            min: 720,
            dry: NONE,
            overnight: NONE,
            max: NEVER,
            extra: NONE,
            keep_off: false,
        };
        model.arcs = vec![wait];
        model.index();
        model
    }

    /// By hand: begun by two in the afternoon, the first step is dry at four in the morning, and the second is done at nine. What
    /// begins later in the same hour counts as begun with it; from three on, the first step waits for the morning.
    #[test]
    fn a_step_that_misses_its_evening_costs_its_job_the_night() {
        let model = dried_overnight();
        let tails = Tails::new(&State::new(&model, &[None, None]));
        for (start, finish) in
            [(-5, 1980), (480, 1980), (840, 1980), (899, 1980), (900, 3420), (1920, 3420), (2280, 3420), (2340, 4860)]
        {
            assert_eq!(tails.finish(&model, 0, start), finish, "{start}");
            assert_eq!(tails.finish(&model, 0, start), finish, "{start}, asked again");
        }
        assert_eq!(tails.finish(&model, 1, 900), 960);
        // The last day's second step has no day left.
        for start in [6 * 1440, 7 * 1440, NEVER] {
            assert_eq!(tails.finish(&model, 0, start), NEVER);
        }
    }

    /// By hand: what was reported out of turn is not waited for, and not done again.
    #[test]
    fn what_is_done_is_not_done_again() {
        let model = dried_overnight();
        let done = At { start: -60, finish: 0, closed_until: 0, mode: 1 };
        let tails = Tails::new(&State::new(&model, &[None, Some(done)]));
        assert_eq!(tails.finish(&model, 0, 480), 600);
    }
}
