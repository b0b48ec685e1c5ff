//! Two cores without chance in what comes out: what a lane does depends on the seed and on the moves, never on which thread
//! is ahead.
//!
//! With more moves than one run makes good use of, runs go side by side, each but the first with jobs in an order of its own, and
//! the cheapest end counts.
//! With fewer, and enough jobs that two moves seldom meet, each lane tries moves on a copy of the plan; after a few the
//! second lane's are made in the first lane's plan, where they still fit and are still cheap enough, and both go on from there.

use super::grow::{Jobs, grow};
use super::{Accept, Best, Kept, Search};
use crate::planner::generate::{Generator, agrees};
use crate::planner::model::NONE;
use crate::planner::score::Weights;
use crate::planner::state::{Place, State};
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc;

/// Lanes, whatever the machine has: the plan must not depend on it.
const LANES: usize = 2;
/// A run makes good use of so many moves times steps times steps, one for each ten steps; further moves are better spent on
/// another run.
const MOVES_A_STEP_SQUARED: std::ops::RangeInclusive<u64> = 1..=8;
const STEPS_FOR_ONE: u64 = 10;
/// A shorter run seldom ends at the best plan of a problem that is small, but not easy.
const MOVES_A_RUN_MIN: u64 = 3_000;
/// With fewer jobs two moves meet too often to be tried side by side.
const JOBS_FOR_LANES: usize = 12;
/// Moves of a lane before both compare: one for so many jobs, and not so few that threads mostly wait for each other.
const JOBS_A_MOVE: usize = 2;
const MOVES_A_ROUND: std::ops::RangeInclusive<usize> = 32..=256;

/// A search on its copy of the plan.
struct Lane<'m, 'w> {
    search: Search<'w>,
    state: State<'m>,
    generator: Generator,
}

/// Which moves of a run a lane makes next.
#[derive(Clone, Copy)]
struct Moves {
    done: u64,
    now: u64,
    of: u64,
    /// What the first move of the run may make the plan dearer by.
    slack: i64,
}

/// Makes `moves` moves over `jobs`, of which those stay that do not make the plan much dearer; `progress` is told moves made and
/// the lowest cost after each. Leaves the cheapest plan met.
pub fn improve<'m>(
    weights: &Weights,
    (seed, moves): (u64, u64),
    state: &mut State<'m>,
    generator: &mut Generator,
    jobs: Jobs<'_>,
    progress: &mut dyn FnMut(u64, i64),
) {
    let steps = state.model.activities.len() as u64;
    let factor = (steps / STEPS_FOR_ONE).clamp(*MOVES_A_STEP_SQUARED.start(), *MOVES_A_STEP_SQUARED.end());
    let runs = moves / (steps * steps * factor).max(MOVES_A_RUN_MIN);
    generator.cutoff.prepare(state);
    let held = cfg!(debug_assertions).then(|| held_places(state, generator));
    if runs > 1 {
        side_by_side(weights, (seed, moves), runs, (state, generator), jobs, progress);
    } else {
        run(weights, (seed, moves), (state, generator), (jobs, &jobs.by_urgency()), together, progress);
    }
    debug_assert_eq!(held, Some(held_places(state, generator)), "what is held stays, and stays held");
}

/// A search among some jobs, as far as [`run`] needs to know it.
type SearchAmong = for<'m> fn(&Weights, (u64, u64), (&mut State<'m>, &mut Generator), &[u32], &mut dyn FnMut(u64, i64));

/// One run: the plan grows in `order`, then the search goes on among all.
fn run<'m>(
    weights: &Weights,
    (seed, moves): (u64, u64),
    (state, generator): (&mut State<'m>, &mut Generator),
    (jobs, order): (Jobs<'_>, &[u32]),
    search: SearchAmong,
    progress: &mut dyn FnMut(u64, i64),
) {
    let before = weights.total(state).total();
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let mut done = 0;
    let made = grow(weights, moves, (state, generator), (jobs, order), &mut |state, generator, inside, moves| {
        let told = &mut |made, _| progress(done + made, before);
        search(weights, (random.next_u64(), moves), (state, generator), inside, told);
        done += moves;
    });
    search(weights, (seed, moves - made), (state, generator), jobs.all, &mut |now, cost| progress(made + now, cost));
}

/// Where everything is that must not be moved, by activity.
fn held_places(state: &State<'_>, generator: &Generator) -> Vec<(u32, Option<Place>)> {
    let held = (0..state.model.activities.len() as u32).filter(|activity| generator.held[*activity as usize]);
    held.map(|activity| (activity, state.place(activity))).collect()
}

/// Another seed for each run or lane; the first keeps its own.
fn seed_of(seed: u64, number: u64) -> u64 {
    // The odd number is 2^64 over the golden ratio: Steele, Lea and Flood, "Fast splittable pseudorandom number
    // generators", OOPSLA 2014.
    seed.wrapping_add(number.wrapping_mul(0x9E37_79B9_7F4A_7C15))
}

/// Whole runs, each lane one after the other; the cheapest end, of equals the first.
fn side_by_side<'m>(
    weights: &Weights,
    (seed, moves): (u64, u64),
    runs: u64,
    (state, generator): (&mut State<'m>, &mut Generator),
    jobs: Jobs<'_>,
    progress: &mut dyn FnMut(u64, i64),
) {
    let start = (&*state, &*generator);
    let done = AtomicU64::new(0);
    let runs_of = |lane: usize, told: &mut dyn FnMut(i64)| {
        let mut best: Option<(i64, u64, State<'m>, Generator)> = None;
        for number in (lane as u64..runs).step_by(LANES) {
            let (mut state, mut generator) = (start.0.clone(), start.1.clone());
            let own = seed_of(seed, number);
            let order = if number == 0 { jobs.by_urgency() } else { jobs.by_chance(own) };
            let moves = moves / runs + u64::from(number < moves % runs);
            let known = best.as_ref().map_or(i64::MAX, |best| best.0);
            let told = &mut |_, cost: i64| told(cost.min(known));
            run(weights, (own, moves), (&mut state, &mut generator), (jobs, &order), alone, told);
            let cost = weights.total(&state).total();
            debug_assert_eq!(held_places(start.0, start.1), held_places(&state, &generator), "held in every run");
            if cost < known {
                best = Some((cost, number, state, generator));
            }
        }
        best
    };
    let count = || done.fetch_add(1, Ordering::Relaxed) + 1;
    let ends = std::thread::scope(|scope| {
        let others: Vec<_> = (1..LANES)
            .map(|lane| {
                scope.spawn(move || {
                    runs_of(lane, &mut |_| {
                        count();
                    })
                })
            })
            .collect();
        let mut ends = vec![runs_of(0, &mut |cost| progress(count(), cost))];
        ends.extend(
            others.into_iter().map(|lane| lane.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))),
        );
        ends
    });
    if let Some((_, _, best, generation)) = ends.into_iter().flatten().min_by_key(|end| (end.0, end.1)) {
        (*state, *generator) = (best, generation);
    }
}

/// On one core.
fn alone(
    weights: &Weights,
    (seed, moves): (u64, u64),
    (state, generator): (&mut State<'_>, &mut Generator),
    jobs: &[u32],
    progress: &mut dyn FnMut(u64, i64),
) {
    let mut search = Search::new(weights, state, seed, Accept::NotMuchWorse);
    search.run(state, generator, jobs, moves, progress);
}

/// Moves tried by all lanes at once, where there are enough jobs for that.
fn together<'m>(
    weights: &Weights,
    (seed, moves): (u64, u64),
    (state, generator): (&mut State<'m>, &mut Generator),
    jobs: &[u32],
    progress: &mut dyn FnMut(u64, i64),
) {
    if jobs.len() < JOBS_FOR_LANES {
        return alone(weights, (seed, moves), (state, generator), jobs, progress);
    }
    let new_lane = |number: usize| Lane {
        search: Search::new(weights, state, seed_of(seed, number as u64), Accept::NotMuchWorse),
        state: state.clone(),
        generator: generator.clone(),
    };
    let mut first = new_lane(0);
    let mut others: Vec<Lane<'m, '_>> = (1..LANES).map(new_lane).collect();
    let mut best = Best::at(first.search.cost, &first.state, &first.generator);
    let slack = first.search.slack_at_first(&first.state);
    let round = (jobs.len() / JOBS_A_MOVE).clamp(*MOVES_A_ROUND.start(), *MOVES_A_ROUND.end()) as u64;
    std::thread::scope(|scope| {
        let threads: Vec<_> = others
            .iter()
            .map(|_| {
                let (send, work) = mpsc::channel::<(Lane<'m, '_>, Moves)>();
                let (done, receive) = mpsc::channel();
                scope.spawn(move || {
                    while let Ok((mut lane, moves)) = work.recv() {
                        lane.make(moves, jobs, &mut |_| ());
                        if done.send(lane).is_err() {
                            break;
                        }
                    }
                });
                (send, receive)
            })
            .collect();
        let mut done = 0;
        while done < moves {
            let now = |done: u64| Moves { done, now: round.min(moves - done), of: moves, slack };
            let mine = now(done);
            let mut handed_out = done + mine.now;
            for (lane, (send, _)) in others.drain(..).zip(&threads) {
                let moves = now(handed_out);
                handed_out += moves.now;
                if send.send((lane, moves)).is_err() {
                    // It panicked, and so does this scope.
                    return;
                }
            }
            let lowest = best.cost();
            first.make(mine, jobs, &mut |made| progress(done + made, lowest));
            for (_, receive) in &threads {
                let Ok(lane) = receive.recv() else { return };
                others.push(lane);
            }
            done = handed_out;
            for lane in &mut others {
                for kept in &lane.search.kept {
                    first.repeat(kept);
                }
            }
            let changes = first.search.kept.iter().flat_map(|kept| &kept.changes);
            best.moved_on(first.search.cost, &first.state, &first.generator, changes);
            others.iter_mut().for_each(|lane| lane.follow(&first));
            first.search.kept.clear();
            progress(done, best.cost());
        }
    });
    debug_assert!(others.iter().all(|lane| lane.is_at(&first)), "lanes go on from the same plan");
    best.restore(&mut first.state, &mut first.generator);
    (*state, *generator) = (first.state, first.generator);
}

impl Lane<'_, '_> {
    fn make(&mut self, moves: Moves, jobs: &[u32], told: &mut dyn FnMut(u64)) {
        for made in 0..moves.now {
            self.search.allow(moves.slack, moves.done + made, moves.of);
            self.search.one_move(&mut self.state, &mut self.generator, jobs);
            told(made + 1);
        }
    }

    /// Makes a move that another lane kept, if what it moves is where that lane had it, everything still fits, and it still is
    /// cheap enough.
    fn repeat(&mut self, kept: &Kept) -> bool {
        let Lane { search, state, generator } = self;
        if kept.changes.iter().any(|change| state.place(change.activity) != change.was) {
            return false;
        }
        search.before.clear();
        search.before.extend(kept.changes.iter().map(|change| super::Before::of(state, generator, change.activity)));
        for change in &kept.changes {
            state.take(change.activity);
        }
        let fit = kept.changes.iter().all(|change| {
            generator.held[change.activity as usize] = change.held;
            generator.failure[change.activity as usize] = change.failure;
            let Some(place) = change.is else { return true };
            let fits = state.fits(change.activity, place.mode, place.start) == Ok(place);
            if fits {
                state.put(change.activity, place, &change.gear);
            }
            fits
        });
        if !fit || !kept.changes.iter().all(|change| agrees_with_all(state, change.activity)) {
            search.undo(state, generator);
            return false;
        }
        search.slack = kept.slack;
        search.settle(state, generator, &kept.jobs, true)
    }

    /// Puts everything where `first` has it; only what either changed since they were the same is looked at.
    fn follow(&mut self, first: &Lane<'_, '_>) {
        let changed = self.search.kept.iter().chain(&first.search.kept).flat_map(|kept| &kept.changes);
        let elsewhere = |activity: &u32| {
            self.state.place(*activity) != first.state.place(*activity)
                || !self.state.holds(*activity, first.state.held(*activity))
        };
        let mut changed: Vec<u32> = changed.map(|change| change.activity).collect();
        changed.sort_unstable();
        changed.dedup();
        for &activity in &changed {
            self.generator.held[activity as usize] = first.generator.held[activity as usize];
            self.generator.failure[activity as usize] = first.generator.failure[activity as usize];
        }
        changed.retain(elsewhere);
        for &activity in &changed {
            self.state.take(activity);
        }
        for &activity in &changed {
            if let Some(place) = first.state.place(activity) {
                self.state.put_back(activity, place, first.state.held(activity));
            }
        }
        self.search.kept.clear();
        self.search.cost = first.search.cost;
        self.search.job_value.clone_from(&first.search.job_value);
        self.search.crew_cost.clone_from(&first.search.crew_cost);
    }
}

impl Lane<'_, '_> {
    /// Whether lanes that have compared have the same plan, and know what it costs. Looks at everything: for debug builds.
    fn is_at(&self, other: &Lane<'_, '_>) -> bool {
        let same = |activity: u32| {
            let number = activity as usize;
            self.state.place(activity) == other.state.place(activity)
                && self.state.holds(activity, other.state.held(activity))
                && self.generator.held[number] == other.generator.held[number]
                && self.generator.failure[number] == other.generator.failure[number]
        };
        let all = 0..self.state.model.activities.len() as u32;
        all.clone().all(same)
            && self.search.cost == other.search.cost
            && self.search.cost == self.search.weights.total(&self.state).total()
    }
}

/// Whether every wait before and after an activity is kept, and the one it is the extra step of.
fn agrees_with_all(state: &State<'_>, activity: u32) -> bool {
    let model = state.model;
    let named = model.extra_of[activity as usize];
    let named = (named != NONE).then(|| &model.arcs[named as usize]);
    model.before(activity).chain(model.after(activity)).chain(named).all(|arc| agrees(state, arc))
}
