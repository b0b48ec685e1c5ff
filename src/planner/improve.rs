//! Search on top of generation: a few related jobs are taken out and put back in another order; the change stays when
//! the plan does not get worse. Deterministic: the only chance is the seed's, the only limit the number of moves.

use super::generate::Generator;
use super::model::NONE;
use super::score::Weights;
use super::spans::T;
use super::state::{Place, State};
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Most jobs taken out in one move.
const JOBS_PER_MOVE_MAX: u32 = 5;
/// Jobs are preferred or put back by up to this many minutes: about a working week.
const BIAS_MINUTES_MAX: u32 = 5 * 1440;

/// Which moves stay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Accept {
    /// Those that do not make the plan dearer.
    NoWorse,
    /// Those that make it cheaper, or as cheap with fewer promised steps moved, or fewer jobs touched.
    Better,
}

/// What a plan is compared by while it is repaired: cost points, promised steps moved, jobs with such a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
struct Value {
    cost: i64,
    moved: i64,
    touched: i64,
}

impl Value {
    fn add(self, other: Value) -> Value {
        Value { cost: self.cost + other.cost, moved: self.moved + other.moved, touched: self.touched + other.touched }
    }
}

/// An activity as it was before a move.
struct Before {
    activity: u32,
    place: Option<Place>,
    gear: Vec<u32>,
    held: bool,
}

/// The search.
pub struct Search<'w> {
    weights: &'w Weights,
    random: Pcg64Mcg,
    accept: Accept,
    job_value: Vec<Value>,
    crew_cost: Vec<i64>,
    before: Vec<Before>,
}

impl<'w> Search<'w> {
    /// From a state; counts its cost once.
    pub fn new(weights: &'w Weights, state: &State<'_>, seed: u64, accept: Accept) -> Search<'w> {
        let jobs = 0..weights.jobs.len() as u32;
        let crews = 0..state.model.crews.len() as u32;
        Search {
            weights,
            random: Pcg64Mcg::seed_from_u64(seed),
            accept,
            job_value: jobs.map(|job| value(weights, state, job)).collect(),
            crew_cost: crews.map(|crew| weights.crew(state, crew).total()).collect(),
            before: Vec::new(),
        }
    }

    fn below(&mut self, bound: u32) -> u32 {
        ((u64::from(self.random.next_u32()) * u64::from(bound)) >> 32) as u32
    }

    /// Makes `moves` moves over `jobs`; `progress` is told after each.
    pub fn run(
        &mut self,
        state: &mut State<'_>,
        generator: &mut Generator,
        jobs: &[u32],
        moves: u64,
        progress: &mut dyn FnMut(u64, i64),
    ) {
        if jobs.is_empty() {
            return;
        }
        for done in 0..moves {
            self.one_move(state, generator, jobs);
            progress(done + 1, self.cost());
        }
    }

    /// Cost of the plan as it stands, by the weights of the search.
    pub fn cost(&self) -> i64 {
        self.job_value.iter().map(|value| value.cost).chain(self.crew_cost.iter().copied()).sum()
    }

    fn one_move(&mut self, state: &mut State<'_>, generator: &mut Generator, jobs: &[u32]) {
        let chosen = self.choose(state, jobs);
        // A part of the chains only: from some instant on.
        let from =
            if self.below(3) == 0 { i64::from(self.below(state.model.end.max(1) as u32)) as T / 4 } else { T::MIN };
        self.remember(state, generator, &chosen);
        for before in &self.before {
            if !before.held && before.place.is_some_and(|place| place.start >= from) {
                generator.take(state, before.activity);
            }
        }
        let open = self.open(state);
        let jitter_max = [0, 240, 1440][self.below(3) as usize];
        for &job in &chosen {
            let lean = self.below(2 * BIAS_MINUTES_MAX) as T - BIAS_MINUTES_MAX as T;
            for at in 0..self.before.len() {
                let activity = self.before[at].activity as usize;
                if state.model.activities[activity].job == job {
                    generator.bias[activity] = lean + self.below(jitter_max + 1) as T;
                }
            }
        }
        generator.complete(state, self.weights, &open);
        for before in &self.before {
            generator.bias[before.activity as usize] = 0;
        }
        self.settle(state, generator, &chosen);
    }

    /// Takes `out` of the plan, which belong to `jobs`, and whatever else of those jobs then disagrees, and puts them back,
    /// those of `first` before all others. Whether the change stayed.
    pub fn attempt(
        &mut self,
        state: &mut State<'_>,
        generator: &mut Generator,
        jobs: &[u32],
        out: &[u32],
        first: Option<u32>,
    ) -> bool {
        self.remember(state, generator, jobs);
        for &activity in out {
            generator.take(state, activity);
        }
        let open = self.open(state);
        let lean = |activity: u32| {
            let preferred = first == Some(state.model.activities[activity as usize].job);
            if preferred { -(BIAS_MINUTES_MAX as T) } else { 0 }
        };
        self.before.iter().for_each(|before| generator.bias[before.activity as usize] = lean(before.activity));
        generator.complete(state, self.weights, &open);
        self.before.iter().for_each(|before| generator.bias[before.activity as usize] = 0);
        self.settle(state, generator, jobs)
    }

    /// Notes where the open activities of the jobs are.
    fn remember(&mut self, state: &State<'_>, generator: &Generator, jobs: &[u32]) {
        self.before.clear();
        for &job in jobs {
            let open = self.weights.activities.of(job).iter().filter(|a| self.weights.fixed_crew[**a as usize] == NONE);
            self.before.extend(open.map(|&activity| Before {
                activity,
                place: state.place(activity),
                gear: state.held(activity).to_vec(),
                held: generator.held[activity as usize],
            }));
        }
    }

    /// Of what is remembered: ordinary activities that are out.
    fn open(&self, state: &State<'_>) -> Vec<u32> {
        let out =
            |activity: &u32| state.place(*activity).is_none() && !state.model.activities[*activity as usize].extra;
        self.before.iter().map(|before| before.activity).filter(out).collect()
    }

    /// Keeps the move when it is acceptable, else puts everything back.
    fn settle(&mut self, state: &mut State<'_>, generator: &mut Generator, chosen: &[u32]) -> bool {
        let crew = |place: Option<Place>| place.map_or(NONE, |place| state.crew_of(place.mode));
        // Other crews do what they did.
        let changed = self.before.iter().map(|before| (before.place, state.place(before.activity)));
        let changed = changed.filter(|(was, is)| was != is);
        let mut crews: Vec<u32> = changed.flat_map(|(was, is)| [crew(was), crew(is)]).collect();
        crews.sort_unstable();
        crews.dedup();
        crews.retain(|crew| *crew != NONE);
        let weights = self.weights;
        let jobs: Vec<Value> = chosen.iter().map(|job| value(weights, state, *job)).collect();
        let by_crew: Vec<i64> = crews.iter().map(|crew| weights.crew(state, *crew).total()).collect();
        let of_crews = |cost: i64| Value { cost, ..Value::default() };
        let new = jobs.iter().fold(of_crews(by_crew.iter().sum()), |sum, job| sum.add(*job));
        let old = of_crews(crews.iter().map(|crew| self.crew_cost[*crew as usize]).sum());
        let old = chosen.iter().fold(old, |sum, job| sum.add(self.job_value[*job as usize]));
        let acceptable = match self.accept {
            Accept::NoWorse => new.cost <= old.cost,
            Accept::Better => new < old,
        };
        let held_stay = self.before.iter().all(|before| !before.held || state.place(before.activity) == before.place);
        if acceptable && held_stay {
            chosen.iter().zip(jobs).for_each(|(job, value)| self.job_value[*job as usize] = value);
            crews.iter().zip(by_crew).for_each(|(crew, cost)| self.crew_cost[*crew as usize] = cost);
            return true;
        }
        for before in &self.before {
            state.take(before.activity);
        }
        for before in &self.before {
            generator.held[before.activity as usize] = before.held;
            if let Some(place) = before.place {
                state.put_back(before.activity, place, &before.gear);
                generator.failure[before.activity as usize] = None;
            }
        }
        false
    }

    /// A job and jobs that are near it in its crews' time, or anywhere.
    fn choose(&mut self, state: &State<'_>, jobs: &[u32]) -> Vec<u32> {
        let first = jobs[self.below(jobs.len() as u32) as usize];
        let wanted = 1 + self.below(JOBS_PER_MOVE_MAX.min(jobs.len() as u32)) as usize;
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
        (booking.by < super::timeline::FIXED).then(|| state.model.activities[booking.by as usize].job)
    }
}

fn value(weights: &Weights, state: &State<'_>, job: u32) -> Value {
    let moved = weights.moved(state, job);
    Value { cost: weights.job(state, job).total(), moved, touched: i64::from(moved > 0) }
}
