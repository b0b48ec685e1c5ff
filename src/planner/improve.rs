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
    job_cost: Vec<i64>,
    crew_cost: Vec<i64>,
    before: Vec<Before>,
}

impl<'w> Search<'w> {
    /// From a state; counts its cost once.
    pub fn new(weights: &'w Weights, state: &State<'_>, seed: u64) -> Search<'w> {
        let jobs = 0..weights.jobs.len() as u32;
        let crews = 0..state.model.crews.len() as u32;
        Search {
            weights,
            random: Pcg64Mcg::seed_from_u64(seed),
            job_cost: jobs.map(|job| weights.job(state, job).total()).collect(),
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
            progress(done + 1, self.job_cost.iter().chain(&self.crew_cost).sum());
        }
    }

    fn one_move(&mut self, state: &mut State<'_>, generator: &mut Generator, jobs: &[u32]) {
        let chosen = self.choose(state, jobs);
        // A part of the chains only: from some instant on.
        let from =
            if self.below(3) == 0 { i64::from(self.below(state.model.end.max(1) as u32)) as T / 4 } else { T::MIN };
        self.before.clear();
        for &job in &chosen {
            let open = self.weights.activities.of(job).iter().filter(|a| self.weights.fixed_crew[**a as usize] == NONE);
            self.before.extend(open.map(|&activity| Before {
                activity,
                place: state.place(activity),
                gear: state.held(activity).to_vec(),
                held: generator.held[activity as usize],
            }));
        }
        for before in &self.before {
            if !before.held && before.place.is_some_and(|place| place.start >= from) {
                generator.take(state, before.activity);
            }
        }
        let out =
            |activity: &u32| state.place(*activity).is_none() && !state.model.activities[*activity as usize].extra;
        let open: Vec<u32> = self.before.iter().map(|before| before.activity).filter(out).collect();
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

    /// Keeps the move when it is no worse, else puts everything back.
    fn settle(&mut self, state: &mut State<'_>, generator: &mut Generator, chosen: &[u32]) {
        let crew = |place: Option<Place>| place.map_or(NONE, |place| state.crew_of(place.mode));
        let mut crews: Vec<u32> =
            self.before.iter().flat_map(|before| [crew(before.place), crew(state.place(before.activity))]).collect();
        crews.sort_unstable();
        crews.dedup();
        crews.retain(|crew| *crew != NONE);
        let weights = self.weights;
        let jobs: Vec<i64> = chosen.iter().map(|job| weights.job(state, *job).total()).collect();
        let by_crew: Vec<i64> = crews.iter().map(|crew| weights.crew(state, *crew).total()).collect();
        let new: i64 = jobs.iter().chain(&by_crew).sum();
        let old: i64 = chosen.iter().map(|job| self.job_cost[*job as usize]).sum::<i64>()
            + crews.iter().map(|crew| self.crew_cost[*crew as usize]).sum::<i64>();
        let held_stay = self.before.iter().all(|before| !before.held || state.place(before.activity) == before.place);
        if new <= old && held_stay {
            chosen.iter().zip(jobs).for_each(|(job, cost)| self.job_cost[*job as usize] = cost);
            crews.iter().zip(by_crew).for_each(|(crew, cost)| self.crew_cost[*crew as usize] = cost);
            return;
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
