//! Search on top of generation: steps of a few related jobs are taken out and put back in another order; the change stays
//! when the plan does not get much dearer, and less and less of that is let through as moves are used up (threshold
//! accepting: Dueck and Scheuer, "Threshold accepting", Journal of Computational Physics 90, 1990). What is handed back is
//! the cheapest plan met. Deterministic: the only chance is the seed's, the only limit the number of moves.
//!
//! | module | what |
//! |---|---|
//! | `mod` | moves judged, kept or undone |
//! | `moves` | which steps are taken out, and in which order they are put back |
//! | `grow` | jobs put in a few at a time, with a search after each few |
//! | `best` | the cheapest plan met |
//! | `lanes` | two cores: runs side by side, or one run whose moves are tried two at a time |

mod best;
mod grow;
mod lanes;
mod moves;

pub use grow::Jobs;
pub use lanes::improve;

use super::generate::{Failure, Generator};
use super::model::NONE;
use super::near::ways_first;
use super::score::Weights;
use super::spans::T;
use super::state::{Place, State};
use best::Best;
use moves::{BIAS_MINUTES_MAX, held_back_one_in, jobs_out_max};
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// The first move may make the plan dearer by up to this part of what a job costs on average, in percent.
const SLACK_PERCENT: i64 = 8;

/// Which moves stay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Accept {
    /// Those that do not make the plan much dearer, and towards the end not at all.
    NotMuchWorse,
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
    failure: Option<Failure>,
}

/// What a move that was kept did to one activity.
#[derive(Debug, Clone)]
struct Change {
    activity: u32,
    was: Option<Place>,
    is: Option<Place>,
    gear: Vec<u32>,
    held: bool,
    failure: Option<Failure>,
}

/// A move that was kept.
#[derive(Debug)]
struct Kept {
    jobs: Vec<u32>,
    changes: Vec<Change>,
    slack: i64,
}

/// The search.
pub struct Search<'w> {
    weights: &'w Weights,
    random: Pcg64Mcg,
    accept: Accept,
    job_value: Vec<Value>,
    crew_cost: Vec<i64>,
    before: Vec<Before>,
    jobs_out_max: usize,
    held_back_one_in: u32,
    /// By place, minutes; see [`super::model::Model::farthest_ways`].
    farthest_ways: Vec<T>,
    /// By so much the next move may make the plan dearer.
    slack: i64,
    /// So many ways to do a step the next move looks at first; 0: all.
    ways_first: u32,
    /// Of the plan as it stands.
    cost: i64,
    /// Moves that were kept and changed something, until somebody looks.
    kept: Vec<Kept>,
}

impl<'w> Search<'w> {
    /// From a state; counts its cost once.
    pub fn new(weights: &'w Weights, state: &State<'_>, seed: u64, accept: Accept) -> Search<'w> {
        let jobs = 0..weights.jobs.len() as u32;
        let crews = 0..state.model.crews.len() as u32;
        let job_value: Vec<Value> = jobs.map(|job| value(weights, state, job)).collect();
        let crew_cost: Vec<i64> = crews.map(|crew| weights.crew(state, crew).total()).collect();
        let cost = job_value.iter().map(|value| value.cost).chain(crew_cost.iter().copied()).sum();
        Search {
            weights,
            random: Pcg64Mcg::seed_from_u64(seed),
            accept,
            job_value,
            crew_cost,
            before: Vec::new(),
            jobs_out_max: jobs_out_max(state.model.activities.len(), weights.jobs.len()),
            held_back_one_in: held_back_one_in(weights.jobs.len()),
            farthest_ways: state.model.farthest_ways(),
            slack: 0,
            ways_first: 0,
            cost,
            kept: Vec::new(),
        }
    }

    fn below(&mut self, bound: u32) -> u32 {
        ((u64::from(self.random.next_u32()) * u64::from(bound)) >> 32) as u32
    }

    /// Makes `moves` moves over `jobs`; `progress` is told the lowest cost after each. Leaves the cheapest plan met.
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
        let mut best = Best::at(self.cost, state, generator);
        let most = self.slack_at_first(state);
        for done in 0..moves {
            self.allow(most, done, moves);
            self.one_move(state, generator, jobs);
            for kept in self.kept.drain(..) {
                best.moved_on(self.cost, state, generator, kept.changes.iter());
            }
            progress(done + 1, best.cost());
        }
        (self.slack, self.ways_first) = (0, 0);
        self.cost = best.cost();
        best.restore(state, generator);
    }

    /// What the next move may do after `done` of `moves`: make the plan dearer by less and less, and by chance; and ask crews
    /// from farther away in the second half.
    fn allow(&mut self, most: i64, done: u64, moves: u64) {
        let most = (i128::from(most) * i128::from(moves - done) / i128::from(moves)) as i64;
        self.slack = ((i128::from(self.random.next_u32()) * i128::from(most)) >> 32) as i64;
        self.ways_first = if done < moves / 2 { ways_first(self.crew_cost.len()) } else { 0 };
    }

    /// What is left out of the plan costs so much that it says nothing about a move.
    fn slack_at_first(&self, state: &State<'_>) -> i64 {
        if self.accept == Accept::Better {
            return 0;
        }
        let jobs = self.weights.jobs.len() as u32;
        let placed = (0..jobs).map(|job| self.weights.job(state, job).total_placed()).sum::<i64>();
        placed / i64::from(jobs.max(1)) * SLACK_PERCENT / 100
    }

    /// Cost of the plan as it stands, by the weights of the search.
    pub fn cost(&self) -> i64 {
        self.cost
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
        let whole = self.complete(state, generator, jobs, &open);
        self.before.iter().for_each(|before| generator.bias[before.activity as usize] = 0);
        let stayed = self.settle(state, generator, jobs, whole);
        self.kept.clear();
        stayed
    }

    /// Places `open`, which belong to `jobs`; given up, and `false`, when that becomes dearer than a move may be.
    fn complete(&self, state: &mut State<'_>, generator: &mut Generator, jobs: &[u32], open: &[u32]) -> bool {
        let before: i64 = jobs.iter().map(|job| self.job_value[*job as usize].cost).sum();
        generator.cutoff.set(jobs, before + self.slack + self.saved_at_most(state));
        let whole = generator.complete(state, self.weights, open);
        generator.cutoff.lift();
        whole
    }

    /// What crews save at most by what is out, and by going elsewhere instead, cost points: of each step the farthest way there
    /// and back, and the overtime. Where ways over other places can be shorter, or a step goes on with what was begun before, there
    /// is no telling, but they cost no less than nothing.
    fn saved_at_most(&self, state: &State<'_>) -> i64 {
        let (model, cost) = (state.model, &self.weights.cost);
        if !model.ways_are_shortest {
            return self.crew_cost.iter().sum();
        }
        let out = self.before.iter().filter(|before| state.place(before.activity).is_none());
        let saved = out.filter_map(|before| {
            let (own, place) = (&model.activities[before.activity as usize], before.place?);
            if own.joins != NONE {
                return self.crew_cost.get(state.crew_of(place.mode) as usize).copied();
            }
            let way = self.farthest_ways.get(own.place as usize).map_or(0, |way| i64::from(*way));
            Some(2 * way * cost.travel_minute + i64::from(place.finish - place.start) * cost.overtime_minute)
        });
        saved.sum()
    }

    /// Notes where the open activities of the jobs are.
    fn remember(&mut self, state: &State<'_>, generator: &Generator, jobs: &[u32]) {
        self.before.clear();
        for &job in jobs {
            let open = self.weights.activities.of(job).iter().filter(|a| self.weights.fixed_crew[**a as usize] == NONE);
            self.before.extend(open.map(|&activity| Before::of(state, generator, activity)));
        }
    }

    /// Of what is remembered: ordinary activities that are out.
    fn open(&self, state: &State<'_>) -> Vec<u32> {
        let out =
            |activity: &u32| state.place(*activity).is_none() && !state.model.activities[*activity as usize].extra;
        self.before.iter().map(|before| before.activity).filter(out).collect()
    }

    /// Keeps the move when it is acceptable, else puts everything back; what is not `whole`, because it was given up, never is.
    fn settle(&mut self, state: &mut State<'_>, generator: &mut Generator, chosen: &[u32], whole: bool) -> bool {
        if !whole && !cfg!(debug_assertions) {
            self.undo(state, generator);
            return false;
        }
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
            Accept::NotMuchWorse => new.cost <= old.cost + self.slack,
            Accept::Better => new < old,
        };
        debug_assert!(whole || !acceptable, "given up, and would have been kept: {new:?} after {old:?}");
        if acceptable && self.hold_again(state, generator) {
            chosen.iter().zip(jobs).for_each(|(job, value)| self.job_value[*job as usize] = value);
            crews.iter().zip(by_crew).for_each(|(crew, cost)| self.crew_cost[*crew as usize] = cost);
            self.cost += new.cost - old.cost;
            let changes: Vec<Change> =
                self.before.iter().filter_map(|before| before.change(state, generator)).collect();
            if !changes.is_empty() {
                self.kept.push(Kept { jobs: chosen.to_vec(), changes, slack: self.slack });
            }
            return true;
        }
        self.undo(state, generator);
        false
    }

    /// Holds again what must not be moved, and went out with others and came back to its place; false when something of it is
    /// not where it was.
    fn hold_again(&self, state: &State<'_>, generator: &mut Generator) -> bool {
        let held = self.before.iter().filter(|before| before.held);
        let stay = held.clone().all(|before| state.place(before.activity) == before.place);
        if stay {
            held.for_each(|before| generator.held[before.activity as usize] = true);
        }
        stay
    }

    /// Puts everything back where it was before the move.
    fn undo(&mut self, state: &mut State<'_>, generator: &mut Generator) {
        self.before.retain(|before| before.change(state, generator).is_some());
        for before in &self.before {
            state.take(before.activity);
        }
        for before in &self.before {
            generator.held[before.activity as usize] = before.held;
            generator.failure[before.activity as usize] = before.failure;
            if let Some(place) = before.place {
                state.put_back(before.activity, place, &before.gear);
            }
        }
    }
}

impl Before {
    fn of(state: &State<'_>, generator: &Generator, activity: u32) -> Before {
        Before {
            activity,
            place: state.place(activity),
            gear: state.held(activity).to_vec(),
            held: generator.held[activity as usize],
            failure: generator.failure[activity as usize],
        }
    }

    /// What is otherwise now.
    fn change(&self, state: &State<'_>, generator: &Generator) -> Option<Change> {
        let activity = self.activity;
        let (is, held) = (state.place(activity), generator.held[activity as usize]);
        let failure = generator.failure[activity as usize];
        let same =
            is == self.place && held == self.held && failure == self.failure && state.holds(activity, &self.gear);
        (!same).then(|| Change { activity, was: self.place, is, gear: state.held(activity).to_vec(), held, failure })
    }
}

fn value(weights: &Weights, state: &State<'_>, job: u32) -> Value {
    let moved = weights.moved(state, job);
    Value { cost: weights.job(state, job).total(), moved, touched: i64::from(moved > 0) }
}
