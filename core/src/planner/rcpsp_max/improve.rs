//! From a model to its best plan: a first one, then better ones until none is left or the effort is spent. Two kinds of
//! search take turns: over all plans, and over those near the best one, in which most activities keep their order on each
//! resource (large neighbourhood search; the orders kept are a partial-order schedule, Policella, Cesta, Oddi and Smith,
//! "From precedence constraint posting to partial order schedules", AI Communications 20, 2007).

use super::super::model::Model;
use super::super::spans::T;
use super::Problem;
use super::bounds::Atom;
use super::neighbourhood::{kept_orders, neighbourhood};
use super::search::{Outcome, Policy, Search};
use super::structures::{join, part, structures};
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Clashes between two restarts of the search over all plans, times a number of Luby's sequence.
const CLASHES_A_RESTART: u64 = 128;
/// Clashes that a search near the best plan may cost.
const CLASHES_NEARBY: u64 = 200;
/// So many searches near the best plan are made in a row.
const NEARBY_IN_A_ROW: u32 = 8;
/// So many activities of a hundred may change their order at first.
const FREE_PERCENT_AT_FIRST: u32 = 30;
/// Never fewer, never more.
const FREE_PERCENT_MIN: u32 = 3;
const FREE_PERCENT_MAX: u32 = 90;
/// Smaller problems are always searched as a whole.
const ACTIVITIES_FOR_NEARBY_MIN: usize = 60;
/// Rounds of the search for a first plan of all at once; then cycle structures have a round each in turn.
const ROUNDS_AT_ONCE: u32 = 4;
/// Clashes spent on making each cycle structure's plan shorter, at most.
const CLASHES_A_STRUCTURE: u64 = 500;

/// What was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Starts of all activities in the best plan found.
    pub starts: Option<Vec<T>>,
    /// Whether it is known that there is no better one (none at all without `starts`).
    pub proven: bool,
    /// Clashes that it took.
    pub clashes: u64,
}

/// The best plan of a model that can be found with so many clashes (dead ends), or until `stop`, which is asked before each
/// decision, says so. The same answer for the same arguments as long as `stop` never does.
///
/// # Panics
/// When the model has what this search does not know: crews, several modes, places, calendars.
pub fn solve(model: &Model, seed: u64, clashes: u64, stop: &mut dyn FnMut() -> bool) -> Answer {
    let Some(problem) = Problem::of(model) else { panic!("the search is for cumulative resources and lags alone") };
    let scarce = |(users, capacity): (&Vec<(u32, u32)>, &u32)| users.iter().any(|user| user.1 > *capacity);
    if problem.users.iter().zip(&problem.capacities).any(scarce) {
        return Answer { starts: None, proven: true, clashes: 0 };
    }
    let mut all = Improvement::new(&problem, seed);
    let mut before = 0;
    for _ in 0..ROUNDS_AT_ONCE {
        if all.best.is_none() && all.search.clashes < clashes {
            all.round(stop);
        }
    }
    if all.best.is_none() && !all.proven {
        before = by_structures(&problem, &mut all, seed, clashes, stop);
    }
    while !all.proven && all.search.clashes + before < clashes && !stop() {
        all.round(stop);
    }
    let starts = all.best.map(|mut starts| {
        starts.pop();
        starts
    });
    Answer { starts, proven: all.proven, clashes: all.search.clashes + before }
}

/// Looks for a plan of each cycle structure, and joins them to a first one of all. Clashes that it took.
pub(super) fn by_structures(
    problem: &Problem,
    all: &mut Improvement<'_>,
    seed: u64,
    clashes: u64,
    stop: &mut dyn FnMut() -> bool,
) -> u64 {
    let structures = structures(problem);
    let parts: Vec<Problem> = structures.iter().map(|members| part(problem, members)).collect();
    let mut searches: Vec<Improvement<'_>> = parts.iter().map(|part| Improvement::new(part, seed)).collect();
    for search in &mut searches {
        search.proven |= !search.search.anchor();
    }
    all.proven = searches.iter().any(|search| search.proven);
    if all.proven {
        return 0;
    }
    let spent = |searches: &[Improvement<'_>]| searches.iter().map(|search| search.search.clashes).sum::<u64>();
    while searches.iter().any(|search| search.best.is_none()) {
        if spent(&searches) + all.search.clashes >= clashes || stop() {
            return spent(&searches);
        }
        for search in searches.iter_mut().filter(|search| search.best.is_none()) {
            search.round(stop);
            if search.proven && search.best.is_none() {
                all.proven = true;
                return spent(&searches);
            }
        }
    }
    for search in &mut searches {
        let until = search.search.clashes + CLASHES_A_STRUCTURE;
        while !search.proven && search.search.clashes < until && !stop() {
            search.round(stop);
        }
    }
    let plans: Vec<Vec<T>> = searches.iter().filter_map(|search| search.best.clone()).collect();
    all.adopt(join(problem, &structures, &plans));
    spent(&searches)
}

/// A search for ever better plans.
pub(super) struct Improvement<'p> {
    problem: &'p Problem,
    pub(super) search: Search<'p>,
    random: Pcg64Mcg,
    pub(super) best: Option<Vec<T>>,
    /// There is nothing better.
    pub(super) proven: bool,
    restarts: u64,
    nearby: u32,
    free_percent: u32,
    /// By so much a plan near the best one has to be shorter.
    stride: T,
}

impl<'p> Improvement<'p> {
    pub(super) fn new(problem: &'p Problem, seed: u64) -> Improvement<'p> {
        let search = Search::new(problem);
        Improvement {
            problem,
            proven: search.is_exhausted(),
            search,
            random: Pcg64Mcg::seed_from_u64(seed),
            best: None,
            restarts: 0,
            nearby: 0,
            free_percent: FREE_PERCENT_AT_FIRST,
            stride: T::MAX,
        }
    }

    /// Takes a plan that is better than the best one.
    pub(super) fn adopt(&mut self, starts: Vec<T>) {
        let last = self.problem.last();
        let end = starts[last as usize];
        self.search.wish = starts.clone();
        self.best = Some(starts);
        self.proven |= !self.search.demand(Atom::until(last, end - 1));
    }

    /// One search, until a better plan is found or for some clashes.
    fn round(&mut self, stop: &mut dyn FnMut() -> bool) {
        let large = self.problem.durations.len() >= ACTIVITIES_FOR_NEARBY_MIN;
        let outcome = match &self.best {
            Some(best) if large && self.nearby < NEARBY_IN_A_ROW => {
                let best = best.clone();
                self.nearby += 1;
                self.near(&best, stop)
            }
            _ => {
                self.nearby = 0;
                self.everywhere(stop)
            }
        };
        if let Outcome::Found(starts) = outcome {
            self.adopt(starts);
        }
        self.proven |= self.search.is_exhausted();
    }

    pub(super) fn everywhere(&mut self, stop: &mut dyn FnMut() -> bool) -> Outcome {
        self.restarts += 1;
        let policy = match (self.restarts % 4, &self.best) {
            (1, None) => Policy::Earliest,
            (3, _) => Policy::Urgent,
            (1, Some(_)) => Policy::ClashingAsBefore,
            _ => Policy::Clashing,
        };
        let outcome = self.search.run(policy, false, CLASHES_A_RESTART * luby(self.restarts), stop);
        self.proven |= outcome == Outcome::Exhausted;
        outcome
    }

    pub(super) fn near(&mut self, best: &[T], stop: &mut dyn FnMut() -> bool) -> Outcome {
        let last = self.problem.last();
        let end = best[last as usize];
        let most = (end - self.search.bounds.window(last).0) / 8;
        self.stride = self.stride.min(most).max(1);
        let free = neighbourhood(self.problem, best, self.free_percent, &mut self.random);
        self.search.guard_lags(&kept_orders(self.problem, best, &free), end - self.stride);
        let policies = [Policy::Earliest, Policy::ClashingAsBefore, Policy::Clashing];
        let policy = policies[self.random.next_u32() as usize % policies.len()];
        let outcome = self.search.run(policy, true, CLASHES_NEARBY, stop);
        match outcome {
            Outcome::Exhausted => self.free_percent = (self.free_percent + 1).min(FREE_PERCENT_MAX),
            Outcome::Stopped => self.free_percent = (self.free_percent - 1).max(FREE_PERCENT_MIN),
            Outcome::Found(_) => {}
        }
        self.stride =
            if matches!(outcome, Outcome::Found(_)) { self.stride.saturating_mul(2) } else { self.stride / 2 };
        outcome
    }
}

/// 1 1 2 1 1 2 4 ... (Luby, Sinclair and Zuckerman, "Optimal speedup of Las Vegas algorithms", Information Processing
/// Letters 47, 1993).
fn luby(number: u64) -> u64 {
    let power = (number + 1).next_power_of_two();
    if power == number + 1 { power / 2 } else { luby(number + 1 - power / 2) }
}
