//! A bounded, local search after something broke: the steps that could not stay, and those whose time they would need,
//! may give way to each other where the plan gets cheaper by it, broken promises charged. No chance is in it. Where
//! nothing is broken, nothing is tried.

use super::Work;
use super::generate::Generator;
use super::improve::{Accept, Search};
use super::model::NONE;
use super::movable_jobs;
use super::request::{Emphasis, Request};
use super::score::Weights;
use super::spans::T;
use super::state::State;
use super::timeline::FIXED;

/// Most jobs that are taken out together: a crew's lost day is not many more.
const JOBS_TOGETHER_MAX: usize = 6;
/// Most bookings in the way of one step that are tried.
const IN_THE_WAY_MAX: usize = 8;
/// A step without any place looks so far for one, minutes: a week.
const LOOK_AHEAD_MINUTES: T = 7 * 1440;

/// Improves the plan around what is not where it was promised.
pub(super) fn repair(
    work: &Work,
    weights: &Weights,
    request: Request,
    state: &mut State<'_>,
    generator: &mut Generator,
    progress: &mut dyn FnMut(u64, i64),
) {
    release(work, state, generator);
    let touched = touched(work, weights, state);
    let earliest = request.emphasis == Emphasis::EarliestFinish;
    if touched.is_empty() && !earliest {
        return;
    }
    generator.cutoff.prepare(state);
    let search = Search::new(weights, state, request.seed, Accept::Better);
    let mut repair = Repair { search, weights, left: request.move_budget, done: 0, progress };
    repair.around(state, generator, &touched);
    if earliest {
        // Everything may move then: what is left of the moves goes wherever chance leads.
        let jobs = movable_jobs(&work.compiled, state, generator);
        let (left, done) = (repair.left, repair.done);
        let Repair { mut search, progress, .. } = repair;
        search.run(state, generator, &jobs, left, &mut |moves, cost| progress(done + moves, cost));
    }
}

/// What is promised outside the freeze time and not pinned may give way from here on.
fn release(work: &Work, state: &State<'_>, generator: &mut Generator) {
    for promise in work.published.iter().filter(|promise| !promise.frozen) {
        let pinned = work.compiled.model.activities[promise.activity as usize].pinned;
        if !pinned && !state.is_fixed(promise.activity) {
            generator.held[promise.activity as usize] = false;
        }
    }
}

/// Jobs with a promised step that could not stay, and jobs nothing was promised of.
fn touched(work: &Work, weights: &Weights, state: &State<'_>) -> Vec<u32> {
    let is_new = |job: u32| {
        let activities = weights.activities.of(job);
        activities.iter().all(|activity| weights.promises_of(*activity).next().is_none())
            && activities.iter().any(|activity| state.place(*activity).is_some() && !state.is_fixed(*activity))
    };
    let jobs = 0..work.compiled.model.job_count as u32;
    jobs.filter(|&job| weights.moved(state, job) > 0 || is_new(job)).collect()
}

struct Repair<'w, 'p> {
    search: Search<'w>,
    weights: &'w Weights,
    left: u64,
    done: u64,
    progress: &'p mut dyn FnMut(u64, i64),
}

impl Repair<'_, '_> {
    /// Round after round until one brings nothing, or the moves are used up.
    fn around(&mut self, state: &mut State<'_>, generator: &mut Generator, touched: &[u32]) {
        loop {
            let mut better = self.together(state, generator, touched);
            for &job in touched {
                for activity in self.moved(state, job) {
                    better |= self.make_room(state, generator, activity);
                }
            }
            if !better || self.left == 0 {
                return;
            }
        }
    }

    fn attempt(
        &mut self,
        state: &mut State<'_>,
        generator: &mut Generator,
        jobs: &[u32],
        out: &[u32],
        first: Option<u32>,
    ) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        self.done += 1;
        let better = self.search.attempt(state, generator, jobs, out, first);
        (self.progress)(self.done, self.search.cost());
        better
    }

    /// The open activities of a job that are not where they were promised, or were not promised.
    fn moved(&self, state: &State<'_>, job: u32) -> Vec<u32> {
        let model = state.model;
        let moved = |activity: &u32| {
            let own = &model.activities[*activity as usize];
            let place = state.place(*activity);
            let stands = place.is_some_and(|place| {
                let mut promises = self.weights.promises_of(*activity).peekable();
                promises.peek().is_some()
                    && promises.all(|promise| {
                        let start = place.start + model.part(place.mode, promise.part).offset;
                        start == promise.start && state.crew_of(place.mode) == promise.crew
                    })
            });
            !own.extra && !state.is_fixed(*activity) && !stands
        };
        self.weights.activities.of(job).iter().copied().filter(moved).collect()
    }

    /// Of the job: everything from its first moved activity on that may move. What has no place may have none because what
    /// comes before it is too early or too late for it: then that may move too.
    fn tail(&self, state: &State<'_>, generator: &Generator, job: u32) -> Vec<u32> {
        let moved = self.moved(state, job);
        let starts = moved.iter().map(|activity| state.place(*activity).map_or(T::MIN, |place| place.start));
        let from = starts.min();
        let later = |activity: &u32| {
            let place = state.place(*activity);
            !generator.held[*activity as usize]
                && place.is_some_and(|place| from.is_some_and(|from| place.start >= from))
        };
        self.weights.activities.of(job).iter().copied().filter(later).collect()
    }

    /// Touched jobs are put back in other orders: each alone, each before the others.
    fn together(&mut self, state: &mut State<'_>, generator: &mut Generator, touched: &[u32]) -> bool {
        let mut better = false;
        for &job in touched {
            let out = self.tail(state, generator, job);
            better |= !out.is_empty() && self.attempt(state, generator, &[job], &out, None);
        }
        for group in touched.chunks(JOBS_TOGETHER_MAX).filter(|group| group.len() > 1) {
            for &first in group {
                let out: Vec<u32> = group.iter().flat_map(|job| self.tail(state, generator, *job)).collect();
                better |= !out.is_empty() && self.attempt(state, generator, group, &out, Some(first));
            }
        }
        better
    }

    /// Whoever is there when `activity` could have been done earliest gives way, one after the other.
    fn make_room(&mut self, state: &mut State<'_>, generator: &mut Generator, activity: u32) -> bool {
        let job = state.model.activities[activity as usize].job;
        let mut better = false;
        for other in self.in_the_way(state, generator, activity) {
            if state.place(other).is_none() || generator.held[other as usize] {
                continue;
            }
            let mut out = self.tail(state, generator, job);
            out.push(other);
            let jobs = [job, state.model.activities[other as usize].job];
            better |= self.attempt(state, generator, &jobs, &out, Some(job));
            if self.left == 0 {
                break;
            }
        }
        better
    }

    /// Activities of other jobs that able crews do between the first time `activity` could be done and the time it is,
    /// the earliest first.
    fn in_the_way(&self, state: &State<'_>, generator: &Generator, activity: u32) -> Vec<u32> {
        let model = state.model;
        let own = &model.activities[activity as usize];
        let mut found: Vec<(T, u32)> = Vec::new();
        for mode in own.modes.clone() {
            let crew = state.crew_of(mode);
            if crew == NONE {
                continue;
            }
            let (earliest, _) = state.window(activity, mode);
            let until = state.place(activity).map_or(earliest.saturating_add(LOOK_AHEAD_MINUTES), |place| place.start);
            let bookings = state.crew(crew).bookings();
            let first = bookings.partition_point(|booking| booking.end <= earliest);
            let near = bookings[first..].iter().take_while(|booking| booking.start < until);
            let near = near.filter(|booking| booking.by < FIXED && !generator.held[booking.by as usize]);
            found.extend(near.map(|booking| (booking.start, booking.by)));
        }
        found.retain(|(_, by)| model.activities[*by as usize].job != own.job);
        found.sort_unstable();
        found.dedup();
        found.truncate(IN_THE_WAY_MAX);
        found.into_iter().map(|(_, by)| by).collect()
    }
}
