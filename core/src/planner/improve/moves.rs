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

/// In one of so many moves of tails a step is held back, by up to so many minutes from where it was: with few jobs every
/// second, with a hundred every sixteenth, for there somebody else always has use for the time.
const HELD_BACK_ONE_IN: std::ops::RangeInclusive<usize> = 2..=16;
const JOBS_FOR_HELD_BACK: usize = 6;
const HELD_BACK_MINUTES_MAX: u32 = 2 * 1440;

/// In so many of a hundred moves what some crews do at about the same time is taken out, else tails of jobs.
const WINDOWS_PERCENT: u32 = 30;
/// A window is at least so long, and at most by so much longer.
const WINDOW_MINUTES_MIN: u32 = 120;
const WINDOW_MINUTES_MORE: u32 = 1440;
const WINDOW_CREWS_MAX: u32 = 3;
const WINDOW_STEPS_MAX: usize = 24;

/// Most jobs that are taken out together.
pub(super) fn jobs_out_max(activities: usize, jobs: usize) -> usize {
    let steps_each = activities.div_ceil(jobs.max(1)).max(1);
    (STEPS_OUT_MAX / steps_each).clamp(*JOBS_OUT.start(), *JOBS_OUT.end())
}

/// In one of so many moves a step is held back.
pub(super) fn held_back_one_in(jobs: usize) -> u32 {
    (jobs / JOBS_FOR_HELD_BACK).clamp(*HELD_BACK_ONE_IN.start(), *HELD_BACK_ONE_IN.end()) as u32
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
        if self.below(100) < WINDOWS_PERCENT {
            self.move_window(state, generator, jobs);
        } else {
            self.move_tails(state, generator, jobs);
        }
    }

    /// A few jobs are taken out, whole or from one of their steps on, and put back in another order.
    fn move_tails(&mut self, state: &mut State<'_>, generator: &mut Generator, jobs: &[u32]) {
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
        self.put_back(state, generator, &chosen, &open);
    }

    /// What a few crews do at about the same time is taken out, and put back with one step, or one job, sooner or later than
    /// before. What follows stays where it can.
    fn move_window(&mut self, state: &mut State<'_>, generator: &mut Generator, jobs: &[u32]) {
        let first = jobs[self.below(jobs.len() as u32) as usize];
        let activities = self.weights.activities.of(first);
        let activity = activities[self.below(activities.len() as u32) as usize];
        let Some(place) = state.place(activity) else { return };
        let length = (WINDOW_MINUTES_MIN + self.below(WINDOW_MINUTES_MORE)) as T;
        let (from, until) = (place.start - length / 2, place.start + length / 2);
        let modes = state.model.activities[activity as usize].modes.clone();
        let mut out: Vec<u32> = Vec::new();
        let mut crew = state.crew_of(place.mode);
        for _ in 0..=self.below(WINDOW_CREWS_MAX) {
            let bookings = if crew == NONE { &[][..] } else { state.crew(crew).bookings() };
            let begin = bookings.partition_point(|booking| booking.end <= from);
            let inside = bookings[begin..].iter().take_while(|booking| booking.start < until);
            let inside = inside.map(|booking| booking.by).filter(|by| {
                let movable = *by < FIXED && !generator.held[*by as usize] && !out.contains(by);
                movable && jobs.binary_search(&state.model.activities[*by as usize].job).is_ok()
            });
            let inside: Vec<u32> = inside.take(WINDOW_STEPS_MAX - out.len()).collect();
            out.extend(inside);
            // Others of the window are those that could have come there as well, and at first those that live near.
            let ways = modes.end - modes.start;
            let ways = if self.ways_first == 0 { ways } else { ways.min(self.ways_first) };
            crew = state.crew_of(modes.start + self.below(ways));
        }
        if out.is_empty() {
            return;
        }
        let mut chosen: Vec<u32> = Vec::new();
        for &activity in &out {
            let job = state.model.activities[activity as usize].job;
            if !chosen.contains(&job) {
                chosen.push(job);
            }
        }
        self.remember(state, generator, &chosen);
        for &activity in &out {
            generator.take(state, activity);
        }
        let open = self.open(state);
        let odd = out[self.below(out.len() as u32) as usize];
        let odd_job = state.model.activities[odd as usize].job;
        let whole = self.below(2) == 0;
        let lean = self.below(2 * length as u32 + 1) as T - length;
        for before in &self.before {
            let activity = before.activity as usize;
            generator.rank[activity] = before.place.map_or(NEVER, |place| place.start);
            let leans = before.activity == odd || whole && state.model.activities[activity].job == odd_job;
            generator.bias[activity] = if leans { lean } else { 0 };
        }
        self.put_back(state, generator, &chosen, &open);
    }

    /// Puts back what is out in the order that was decided, and judges the move.
    fn put_back(&mut self, state: &mut State<'_>, generator: &mut Generator, chosen: &[u32], open: &[u32]) {
        generator.ways_first = self.ways_first;
        generator.blink(self.below(u32::MAX), BLINKS_PER_MILLE);
        let whole = self.complete(state, generator, chosen, open);
        generator.blink(0, 0);
        generator.ways_first = 0;
        for before in &self.before {
            generator.bias[before.activity as usize] = 0;
            generator.rank[before.activity as usize] = NEVER;
        }
        self.settle(state, generator, chosen, whole);
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
        if self.before.is_empty() || self.below(self.held_back_one_in) > 0 {
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
