//! The tree of plans.

use super::super::bound::{Tails, job_cost, loads};
use super::super::generate::lapse_deadline;
use super::super::model::NONE;
use super::super::score::Weights;
use super::super::spans::{NEVER, T};
use super::super::state::{Place, State};
use super::amount;
use super::load::{Beginning, Carried};
use std::collections::HashMap;

/// Tails of few activities are worth to be known by five minutes.
const GRID_MINUTES: T = 5;
/// With more jobs their orders are too many.
const JOBS_FOR_LOADS: usize = 8;

/// Which activities are placed, bit by bit; where each crew was last, on which day, and who was in each house last.
type Same = (u64, Vec<(u32, T)>);

/// A beginning of a plan: when what is needed next is free, in a certain order, and what it cost so far.
struct Seen {
    free: Vec<T>,
    cost: i64,
}

/// Somewhere an activity can go on.
struct Step {
    /// What any plan costs at least that goes on so.
    cost: i64,
    activity: usize,
    place: Place,
}

/// Branch and bound under way.
pub(super) struct Branch<'w> {
    weights: &'w Weights,
    open: Vec<u32>,
    /// Those with open activities.
    jobs: Vec<u32>,
    /// Those that can do any of it.
    crews: Vec<u32>,
    /// By open activity, into `jobs`.
    job_of: Vec<usize>,
    tails: Tails,
    carried: Vec<Carried>,
    seen: HashMap<Same, Vec<Seen>>,
    /// Of the jobs that are over, and of all other crews.
    cost_of_others: i64,
    best: i64,
    cheaper: Option<Vec<(u32, Place)>>,
    nodes_left: u64,
    /// What plans cost at least that were not looked at because of a maximum wait or a latest start.
    passed_over: i64,
}

impl<'w> Branch<'w> {
    /// Of a state without the `open` activities; only plans cheaper than `best` are looked for, over so many nodes.
    pub(super) fn new(weights: &'w Weights, state: &State<'_>, open: &[u32], (best, nodes): (i64, u64)) -> Branch<'w> {
        let model = state.model;
        let job = |activity: &u32| model.activities[*activity as usize].job;
        // Activities are listed job by job.
        let mut jobs: Vec<u32> = open.iter().map(job).collect();
        jobs.dedup();
        let job_of =
            open.iter().map(|activity| jobs.iter().position(|own| *own == job(activity)).unwrap_or(0)).collect();
        let fixed: Vec<Option<Place>> =
            (0..model.activities.len() as u32).map(|activity| state.place(activity)).collect();
        let carried = if jobs.len() > JOBS_FOR_LOADS { Vec::new() } else { loads(model, &fixed) };
        let modes = open.iter().flat_map(|activity| model.activities[*activity as usize].modes.clone());
        let mut crews: Vec<u32> = modes.map(|mode| state.crew_of(mode)).filter(|crew| *crew != NONE).collect();
        crews.sort_unstable();
        crews.dedup();
        let jobs_over = (0..weights.jobs.len() as u32).filter(|job| !jobs.contains(job));
        let crews_out = (0..model.crews.len() as u32).filter(|crew| crews.binary_search(crew).is_err());
        let cost_of_others = jobs_over.map(|job| weights.job(state, job).total()).sum::<i64>()
            + crews_out.map(|crew| weights.crew(state, crew).total()).sum::<i64>();
        Branch {
            weights,
            open: open.to_vec(),
            job_of,
            tails: Tails::by(state, GRID_MINUTES),
            carried: carried.iter().map(|load| Carried::new(model, load, open)).collect(),
            seen: HashMap::new(),
            cost_of_others,
            jobs,
            crews,
            best,
            cheaper: None,
            nodes_left: nodes,
            passed_over: i64::MAX,
        }
    }

    /// Whether no plan was passed over that could be cheaper than the best one.
    pub(super) fn saw_all(&self) -> bool {
        self.nodes_left > 0 && self.passed_over >= self.best
    }

    /// The cheapest plan, where one was found that is cheaper than what was known.
    pub(super) fn cheaper(self) -> Option<Vec<(u32, Place)>> {
        self.cheaper
    }

    /// Goes on from a beginning in which the activities of `placed` have their places, the last of them from `now` on.
    pub(super) fn go(&mut self, state: &mut State<'_>, placed: u64, now: T) {
        if self.nodes_left == 0 {
            return;
        }
        self.nodes_left -= 1;
        if placed.count_ones() as usize == self.open.len() {
            let cost = self.weights.total(state).total();
            if cost < self.best {
                self.best = cost;
                let place = |activity: &u32| Some((*activity, state.place(*activity)?));
                self.cheaper = Some(self.open.iter().filter_map(place).collect());
            }
            return;
        }
        for step in self.steps(state, placed, now) {
            if step.cost >= self.best {
                break;
            }
            state.put(self.open[step.activity], step.place, &[]);
            self.go(state, placed | 1 << step.activity, step.place.start);
            state.take(self.open[step.activity]);
        }
    }

    /// In which ways a plan can go on that may get cheaper than the best, the most promising first.
    fn steps(&mut self, state: &State<'_>, placed: u64, now: T) -> Vec<Step> {
        let model = state.model;
        let ready = self.ready(state, placed);
        let mut finishes = self.finishes(state);
        let mut starts: Vec<(usize, T)> = Vec::with_capacity(ready.len());
        for &number in &ready {
            let places = self.modes(state, number).filter_map(|mode| self.next_place(state, number, mode, 0));
            let soonest = places.map(|place| place.start).min();
            let Some(soonest) = soonest else {
                // What came before it could have been later; how much that costs is not known.
                if self.modes(state, number).any(|mode| self.latest(state, number, mode) < NEVER) {
                    self.passed_over = i64::MIN;
                }
                return Vec::new();
            };
            let finish = self.tails.finish(model, self.open[number], soonest.max(now));
            let own = &mut finishes[self.job_of[number]];
            *own = (*own).max(finish);
            let earliest = self.modes(state, number).map(|mode| state.window(self.open[number], mode).0);
            starts.push((number, earliest.min().unwrap_or(0).max(now)));
        }
        let alone: Vec<i64> =
            finishes.iter().zip(&self.jobs).map(|(finish, job)| job_cost(self.weights, *job, *finish)).collect();
        let so_far = self.cost_so_far(state);
        let least = so_far + alone.iter().sum::<i64>();
        if least >= self.best
            || self.too_much_to_carry(state, &alone, so_far, now)
            || self.behind_another(state, placed, now, &starts, so_far)
        {
            return Vec::new();
        }
        let mut steps = Vec::new();
        for &number in &ready {
            let job = self.job_of[number];
            let least_at = |start: T| {
                let finish = finishes[job].max(self.tails.finish(model, self.open[number], start));
                least - alone[job] + job_cost(self.weights, self.jobs[job], finish)
            };
            for mode in self.modes(state, number) {
                let latest = self.latest(state, number, mode);
                if latest < NEVER {
                    self.passed_over = self.passed_over.min(least_at(latest + 1));
                }
                let mut from = 0;
                while let Some(place) = self.next_place(state, number, mode, from) {
                    let cost = least_at(place.start);
                    if cost >= self.best {
                        break;
                    }
                    // What could begin before the last activity did was looked at before that.
                    if place.start >= now {
                        steps.push(Step { cost, activity: number, place });
                    }
                    let crew = state.crew_of(mode);
                    from = if crew == NONE { NEVER } else { model.crew_day(crew, place.start).end };
                    if from >= NEVER {
                        break;
                    }
                }
            }
        }
        steps.sort_by_key(|step| (step.cost, step.place.start, step.activity, step.place.mode));
        steps
    }

    /// Open activities that are not placed and have to wait for none that is not.
    fn ready(&self, state: &State<'_>, placed: u64) -> Vec<usize> {
        let model = state.model;
        let extra = |activity: u32| model.activities[activity as usize].extra;
        let ready = |number: &usize| {
            let mut before = model.before(self.open[*number]).filter(|arc| arc.orders() && !extra(arc.from));
            placed >> number & 1 == 0 && before.all(|arc| state.place(arc.from).is_some())
        };
        (0..self.open.len()).filter(ready).collect()
    }

    fn modes<'m>(&self, state: &State<'m>, number: usize) -> impl Iterator<Item = u32> + use<'m> {
        state.model.activities[self.open[number] as usize].modes.clone()
    }

    /// The latest start that placed activities allow; waits may not lapse.
    fn latest(&self, state: &State<'_>, number: usize, mode: u32) -> T {
        state.window(self.open[number], mode).1.min(lapse_deadline(state, self.open[number]))
    }

    /// The first place after what its crew did last, not before `from`.
    fn next_place(&self, state: &State<'_>, number: usize, mode: u32, from: T) -> Option<Place> {
        let crew = state.crew_of(mode);
        let last = if crew == NONE { None } else { state.crew(crew).bookings().last() };
        let earliest = state.window(self.open[number], mode).0.max(last.map_or(0, |last| last.end)).max(from);
        let latest = self.latest(state, number, mode);
        if earliest <= latest { state.find(self.open[number], mode, earliest, latest) } else { None }
    }

    /// By job, when what is placed of it is finished.
    fn finishes(&self, state: &State<'_>) -> Vec<T> {
        let finish = |job: &u32| {
            let own = self.weights.activities.of(*job).iter().filter_map(|activity| state.place(*activity));
            own.map(|place| place.finish).max().unwrap_or(-NEVER)
        };
        self.jobs.iter().map(finish).collect()
    }

    /// What is placed costs this without what depends on when jobs are finished.
    fn cost_so_far(&self, state: &State<'_>) -> i64 {
        let hand_overs: i64 = self.jobs.iter().map(|job| self.weights.job(state, *job).hand_overs()).sum();
        let crews: i64 = self.crews.iter().map(|crew| self.weights.crew(state, *crew).total()).sum();
        self.cost_of_others + hand_overs + crews
    }

    fn too_much_to_carry(&self, state: &State<'_>, alone: &[i64], so_far: i64, now: T) -> bool {
        let Branch { weights, tails, open, job_of, jobs, .. } = self;
        let beginning = Beginning { weights, tails, open, job_of, jobs, alone, now };
        self.carried.iter().any(|carried| so_far + carried.bound(state, &beginning) >= self.best)
    }

    /// Whether another beginning has the same activities placed, the same crews at the same places on the same days, and nothing
    /// later or dearer. Notes this one otherwise.
    fn behind_another(&mut self, state: &State<'_>, placed: u64, now: T, starts: &[(usize, T)], so_far: i64) -> bool {
        let model = state.model;
        let mut free = vec![now];
        let mut same: Vec<(u32, T)> = Vec::with_capacity(self.crews.len() + self.jobs.len());
        for &crew in &self.crews {
            let last = state.crew(crew).bookings().last();
            free.push(last.map_or(now, |last| last.end.max(now)));
            same.push(last.map_or((NONE, 0), |last| (last.place, model.crew_day(crew, last.start).start)));
        }
        let mut cost = so_far;
        for &job in &self.jobs {
            let of_job = self.weights.activities.of(job);
            let places = of_job.iter().filter_map(|activity| Some((state.place(*activity)?, *activity)));
            let last = places.max_by_key(|(place, activity)| (place.start, *activity));
            same.push((last.map_or(NONE, |(place, _)| state.crew_of(place.mode)), 0));
            if of_job
                .iter()
                .all(|activity| state.place(*activity).is_some() || model.activities[*activity as usize].extra)
            {
                let own = self.weights.job(state, job);
                cost += own.total() - own.hand_overs();
            }
        }
        free.extend(starts.iter().map(|(_, earliest)| *earliest));
        for (resource, &capacity) in model.capacities.iter().enumerate() {
            let held = self.open.iter().filter_map(|activity| Some((state.place(*activity)?.finish, *activity)));
            let units = held.flat_map(|(finish, activity)| {
                std::iter::repeat_n(finish.max(now), amount(model, activity, resource) as usize)
            });
            let mut units: Vec<T> = units.collect();
            units.sort_unstable_by(|a, b| b.cmp(a));
            units.resize(capacity as usize, now);
            free.extend(units);
        }
        let seen = self.seen.entry((placed, same)).or_default();
        let no_later = |one: &[T], other: &[T]| one.iter().zip(other).all(|(one, other)| one <= other);
        if seen.iter().any(|other| other.cost <= cost && no_later(&other.free, &free)) {
            return true;
        }
        seen.retain(|other| other.cost < cost || !no_later(&free, &other.free));
        seen.push(Seen { free, cost });
        false
    }
}
