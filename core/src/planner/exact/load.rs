//! What some crews or some gear can carry: whichever house is done with them as the third, the work of three is done by then.

use super::super::bound::{Load, Tails, job_cost};
use super::super::model::Model;
use super::super::score::Weights;
use super::super::spans::T;
use super::super::state::State;

/// A bottleneck over time, and what of each open activity it has to carry.
pub(super) struct Carried {
    /// When its capacity changes, minutes of work that can be done until then, and how many work from then on.
    steps: Vec<(T, i64, i64)>,
    /// By open activity: its minutes of work, 0 where it takes none.
    work: Vec<i64>,
    /// By open activity: the most time it takes.
    longest: Vec<T>,
}

/// What a beginning of a plan looks like to its bottlenecks.
pub(super) struct Beginning<'a> {
    pub weights: &'a Weights,
    pub tails: &'a Tails,
    pub open: &'a [u32],
    /// Which job each open activity belongs to, into `jobs`.
    pub job_of: &'a [usize],
    pub jobs: &'a [u32],
    /// By job: what it costs at least if nobody else is there.
    pub alone: &'a [i64],
    /// Nothing begins sooner.
    pub now: T,
}

impl Carried {
    pub(super) fn new(model: &Model, load: &Load, open: &[u32]) -> Carried {
        let mut steps: Vec<(T, i64, i64)> = Vec::with_capacity(load.capacity.len());
        for &(t, level) in &load.capacity {
            let done = steps.last().map_or(0, |&(from, done, level)| done + level * i64::from(t - from));
            steps.push((t, done, level));
        }
        let minutes = |activity: &u32| load.work.iter().find(|work| work.0 == *activity).map_or(0, |work| work.1);
        let length = |mode: u32| model.modes[mode as usize].length;
        let longest = |activity: &u32| model.activities[*activity as usize].modes.clone().map(length).max();
        Carried {
            steps,
            work: open.iter().map(minutes).collect(),
            longest: open.iter().map(|activity| longest(activity).unwrap_or(0)).collect(),
        }
    }

    /// Minutes of work that can be done until `t`.
    fn done_by(&self, t: T) -> i64 {
        let next = self.steps.partition_point(|step| step.0 <= t);
        next.checked_sub(1).map_or(0, |at| {
            let (from, done, level) = self.steps[at];
            done + level * i64::from(t - from)
        })
    }

    /// When so many minutes of work can be done at the earliest, `end` where not before it.
    fn when(&self, minutes: i64, end: T) -> T {
        let next = self.steps.partition_point(|step| step.1 < minutes);
        next.checked_sub(1).map_or(0, |at| match self.steps[at] {
            (_, _, 0) => end,
            (from, done, level) => (i64::from(from) + (minutes - done + level - 1) / level).min(i64::from(end)) as T,
        })
    }

    /// What the jobs cost together at least: of all orders in which they can be done with the bottleneck the cheapest, by sets of
    /// jobs (Held and Karp, "A dynamic programming approach to sequencing problems", Journal of the SIAM 10, 1962; cited
    /// from memory).
    pub(super) fn bound(&self, state: &State<'_>, beginning: &Beginning<'_>) -> i64 {
        let Beginning { weights, tails, open, job_of, jobs, alone, now } = *beginning;
        let model = state.model;
        let mut work = vec![0; jobs.len()];
        let mut busy_until: Vec<T> = Vec::new();
        for (number, &activity) in open.iter().enumerate().filter(|(number, _)| self.work[*number] > 0) {
            match state.place(activity) {
                None => work[job_of[number]] += self.work[number],
                Some(place) if place.finish > now => busy_until.push(place.finish),
                Some(_) => {}
            }
        }
        // Those that do not use it cost what they cost.
        let users: Vec<usize> = (0..jobs.len()).filter(|job| work[*job] > 0).collect();
        let others: i64 = (0..jobs.len()).filter(|job| work[*job] == 0).map(|job| alone[job]).sum();
        let from = self.done_by(now);
        let done = |minutes: i64| {
            let mut t = self.when(from + minutes, model.end);
            for _ in 0..2 {
                let taken: i64 = busy_until.iter().map(|until| i64::from((*until).min(t) - now).max(0)).sum();
                t = self.when(from + minutes + taken, model.end);
            }
            t
        };
        let last_at = |job: usize, t: T| {
            let mine = (0..open.len()).filter(|number| {
                job_of[*number] == job && self.work[*number] > 0 && state.place(open[*number]).is_none()
            });
            let ends = mine.map(|number| tails.finish(model, open[number], t - self.longest[number]));
            ends.min().map_or(alone[job], |finish| alone[job].max(job_cost(weights, jobs[job], finish)))
        };
        let mut least = vec![0i64; 1 << users.len()];
        for set in 1..least.len() {
            let inside = (0..users.len()).filter(|user| set >> user & 1 == 1);
            let t = done(inside.clone().map(|user| work[users[user]]).sum());
            let orders = inside.map(|last| least[set & !(1 << last)] + last_at(users[last], t));
            least[set] = orders.min().unwrap_or(0);
        }
        others + least[least.len() - 1]
    }
}
