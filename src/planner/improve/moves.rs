//! Moves of the search: which steps are taken out, and in which order they are put back.

use super::Search;
use crate::planner::generate::Generator;
use crate::planner::model::NONE;
use crate::planner::spans::{NEVER, T};
use crate::planner::state::State;
use crate::planner::timeline::FIXED;

/// About so many steps are taken out at most: more are hardly ever put back cheaper, and take most of the time. So fewer jobs
/// with long chains are taken out together than with short ones.
const STEPS_OUT_MAX: usize = 51;
const JOBS_OUT: std::ops::RangeInclusive<usize> = 3..=6;
/// Longest stretch of a crew's time that is looked at, minutes: two days and a shift.
const STRETCH_MINUTES_MAX: u32 = 2 * 1440 + 480;
/// Jobs are preferred or put back by up to this many minutes: about a working week.
pub(super) const BIAS_MINUTES_MAX: u32 = 5 * 1440;
/// Minutes by which steps change places beside that.
const JITTER_MINUTES: [u32; 3] = [0, 240, 1440];
/// Of a thousand crews that could do a step so many are passed over, so that the cheapest one for it does not always get
/// it (Christiaens and Vanden Berghe, "Slack induction by string removals", Transportation Science 54, 2020).
const BLINKS_PER_MILLE: u32 = 20;

/// In one of so many moves a step is held back, by up to so many minutes from where it was.
const HELD_BACK_ONE_IN: u32 = 4;
const HELD_BACK_MINUTES_MAX: u32 = 2 * 1440;

/// Most jobs that are taken out together.
pub(super) fn jobs_out_max(activities: usize, jobs: usize) -> usize {
    let steps_each = activities.div_ceil(jobs.max(1)).max(1);
    (STEPS_OUT_MAX / steps_each).clamp(*JOBS_OUT.start(), *JOBS_OUT.end())
}

/// In which order steps are put back.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Order {
    /// As they get ready, every job preferred or put back.
    Anew,
    /// As they were, but for one job.
    AsBefore,
}

impl Search<'_> {
    pub(super) fn one_move(&mut self, state: &mut State<'_>, generator: &mut Generator, jobs: &[u32]) {
        let (chosen, order) = match self.below(10) {
            0..3 => (self.near(state, jobs), Order::Anew),
            3..5 => (self.near(state, jobs), Order::AsBefore),
            _ => (self.of_one_crew(state, jobs), Order::AsBefore),
        };
        self.remember(state, generator, &chosen);
        self.take_out(state, generator, &chosen);
        let open = self.open(state);
        self.prefer(state, generator, &chosen, order);
        self.hold_back(state, generator);
        generator.blink(self.below(u32::MAX), BLINKS_PER_MILLE);
        generator.complete(state, self.weights, &open);
        generator.blink(0, 0);
        for before in &self.before {
            generator.bias[before.activity as usize] = 0;
            generator.rank[before.activity as usize] = NEVER;
        }
        self.settle(state, generator, &chosen);
    }

    /// Of each job everything, or what comes from one of its steps on.
    fn take_out(&mut self, state: &mut State<'_>, generator: &mut Generator, chosen: &[u32]) {
        let whole = self.below(10) == 0;
        for &job in chosen {
            let movable = self.before.iter().enumerate().filter(|(_, before)| {
                !before.held && before.place.is_some() && state.model.activities[before.activity as usize].job == job
            });
            let mine: Vec<usize> = movable.map(|(number, _)| number).collect();
            if mine.is_empty() {
                continue;
            }
            let first = mine[self.below(mine.len() as u32) as usize];
            let from = self.before[first].place.filter(|_| !whole).map_or(T::MIN, |place| place.start);
            for number in mine {
                let before = &self.before[number];
                if before.place.is_some_and(|place| place.start >= from) {
                    generator.take(state, before.activity);
                }
            }
        }
    }

    /// Now and then a step that is out waits for a while: early is not always good, where a crew comes by anyway later, or
    /// somebody else needs the gear more.
    fn hold_back(&mut self, state: &State<'_>, generator: &mut Generator) {
        if self.before.is_empty() || self.below(HELD_BACK_ONE_IN) > 0 {
            return;
        }
        let one = self.below(self.before.len() as u32) as usize;
        let (activity, place) = (self.before[one].activity, self.before[one].place);
        if let Some(place) = place
            && state.place(activity).is_none()
            && !state.model.activities[activity as usize].extra
        {
            generator.floor[activity as usize] = place.start + self.below(HELD_BACK_MINUTES_MAX) as T;
        }
    }

    fn prefer(&mut self, state: &State<'_>, generator: &mut Generator, chosen: &[u32], order: Order) {
        let jitter_max = JITTER_MINUTES[self.below(JITTER_MINUTES.len() as u32) as usize];
        let odd = chosen[self.below(chosen.len() as u32) as usize];
        for &job in chosen {
            let leans = order == Order::Anew || job == odd;
            let lean = if leans { self.below(2 * BIAS_MINUTES_MAX) as T - BIAS_MINUTES_MAX as T } else { 0 };
            for number in 0..self.before.len() {
                let (activity, place) = (self.before[number].activity as usize, self.before[number].place);
                if state.model.activities[activity].job == job {
                    if order == Order::AsBefore {
                        generator.rank[activity] = place.map_or(NEVER, |place| place.start);
                    }
                    generator.bias[activity] = lean + self.below(jitter_max + 1) as T;
                }
            }
        }
    }

    /// Jobs that a crew works on within a few days.
    fn of_one_crew(&mut self, state: &State<'_>, jobs: &[u32]) -> Vec<u32> {
        let first = jobs[self.below(jobs.len() as u32) as usize];
        let mut chosen = vec![first];
        let activities = self.weights.activities.of(first);
        let activity = activities[self.below(activities.len() as u32) as usize];
        let around = (self.below(STRETCH_MINUTES_MAX - 480) as T + 480) / 2;
        let Some(place) = state.place(activity) else { return chosen };
        let crew = state.crew_of(place.mode);
        if crew == NONE {
            return chosen;
        }
        let bookings = state.crew(crew).bookings();
        let from = bookings.partition_point(|booking| booking.end <= place.start - around);
        let near = bookings[from..].iter().take_while(|booking| booking.start < place.start + around);
        for booking in near.filter(|booking| booking.by < FIXED) {
            let job = state.model.activities[booking.by as usize].job;
            if chosen.len() < self.jobs_out_max && !chosen.contains(&job) && jobs.binary_search(&job).is_ok() {
                chosen.push(job);
            }
        }
        chosen
    }

    /// A job and jobs that are near it in its crews' time, or anywhere.
    fn near(&mut self, state: &State<'_>, jobs: &[u32]) -> Vec<u32> {
        let first = jobs[self.below(jobs.len() as u32) as usize];
        let wanted = 1 + self.below(self.jobs_out_max.min(jobs.len()) as u32) as usize;
        let mut chosen = vec![first];
        let near = self.below(4) > 0;
        for _ in 0..4 * wanted {
            if chosen.len() >= wanted {
                break;
            }
            let other = if near {
                self.neighbour(state, chosen[0])
            } else {
                Some(jobs[self.below(jobs.len() as u32) as usize])
            };
            if let Some(other) = other
                && !chosen.contains(&other)
                && jobs.binary_search(&other).is_ok()
            {
                chosen.push(other);
            }
        }
        chosen
    }

    fn neighbour(&mut self, state: &State<'_>, job: u32) -> Option<u32> {
        let activities = self.weights.activities.of(job);
        let activity = activities[self.below(activities.len() as u32) as usize];
        let place = state.place(activity)?;
        let crew = state.crew_of(place.mode);
        if crew == NONE {
            return None;
        }
        let (before, after) = state.crew(crew).neighbours(place.start + if self.below(2) == 0 { 0 } else { 1 });
        let booking = if self.below(2) == 0 { before.or(after) } else { after.or(before) }?;
        (booking.by < FIXED).then(|| state.model.activities[booking.by as usize].job)
    }
}
