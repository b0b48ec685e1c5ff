//! A plan that grows: jobs are put in a few at a time, the most urgent first, and after each few the search goes on among those
//! that are in. Who comes first is planned as if nobody came later, so fewer houses are begun only to be left waiting for a crew
//! or a sander. Where all are in from the start, the search would have to take them out of each other's way one by one. (Search on
//! parts of a plan while it is made: Dubois-Lacoste, Pagnozzi and Stützle, "An iterated greedy algorithm with optimization of
//! partial solutions for the makespan permutation flowshop problem", Computers & Operations Research 81, 2017; cited from
//! memory.)

use crate::planner::generate::Generator;
use crate::planner::model::NONE;
use crate::planner::score::Weights;
use crate::planner::spans::T;
use crate::planner::state::State;
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// A plan grows in so many steps, or job by job if there are fewer.
const BATCHES: usize = 20;
/// So much of the moves of a run is made while the plan grows.
const MOVES_PERCENT: u64 = 70;
/// With fewer moves for each job there is nothing to be found before the next come.
const MOVES_A_JOB_MIN: u64 = 20;
/// Within a batch jobs are put in one after the other: what the next has to wait for its turn, minutes.
const TURN_MINUTES: T = 10_000;
/// So much less urgent jobs may count in further runs, so that not all runs begin alike.
const LESS_URGENT_MINUTES_MAX: u32 = 3 * 1440;

/// What a search may move.
#[derive(Debug, Clone, Copy)]
pub struct Jobs<'j> {
    /// All, sorted.
    pub all: &'j [u32],
    /// Those of which everything that is open may be taken out, each after its urgency (minutes, the most urgent has least); sorted.
    pub growing: &'j [(i64, u32)],
}

impl Jobs<'_> {
    /// The growing jobs, the most urgent first.
    pub(super) fn by_urgency(&self) -> Vec<u32> {
        self.growing.iter().map(|(_, job)| *job).collect()
    }

    /// The same, as if each were less urgent by up to a few days.
    pub(super) fn by_chance(&self, seed: u64) -> Vec<u32> {
        let mut random = Pcg64Mcg::seed_from_u64(seed);
        let less =
            |(urgency, job): &(i64, u32)| (urgency + i64::from(random.next_u32() % LESS_URGENT_MINUTES_MAX), *job);
        let mut order: Vec<(i64, u32)> = self.growing.iter().map(less).collect();
        order.sort_unstable();
        order.into_iter().map(|(_, job)| job).collect()
    }
}

/// Goes on searching among the jobs it is told, which are sorted, with so many moves.
pub(super) type GoOn<'f, 'm> = dyn FnMut(&mut State<'m>, &mut Generator, &[u32], u64) + 'f;

/// Takes the growing jobs out and puts them back in `order`, a few at a time; `go_on` searches in between. A plan that has become
/// dearer than it was, or lacks something that is held, is put back. How many of `moves` were made.
pub(super) fn grow<'m>(
    weights: &Weights,
    moves: u64,
    (state, generator): (&mut State<'m>, &mut Generator),
    (jobs, order): (Jobs<'_>, &[u32]),
    go_on: &mut GoOn<'_, 'm>,
) -> u64 {
    if order.len() < 2 || moves < order.len() as u64 * MOVES_A_JOB_MIN {
        return 0;
    }
    let before = (state.clone(), generator.clone());
    let open = |job: u32| weights.activities.of(job).iter().filter(|a| weights.fixed_crew[**a as usize] == NONE);
    for &activity in order.iter().flat_map(|job| open(*job)) {
        generator.take(state, activity);
    }
    let mut grows = vec![false; weights.jobs.len()];
    order.iter().for_each(|job| grows[*job as usize] = true);
    let mut inside: Vec<u32> = jobs.all.iter().filter(|job| !grows[**job as usize]).copied().collect();
    let batches = order.chunks(order.len().div_ceil(BATCHES));
    let last = batches.len() - 1;
    // By and by as many are in as there are, so the moves of a batch are as many for each job that is in.
    let shares: Vec<u64> = batches
        .clone()
        .take(last)
        .scan(inside.len(), |inside, batch| {
            *inside += batch.len();
            Some(*inside as u64)
        })
        .collect();
    let all_shares: u64 = shares.iter().sum();
    let mut made = 0;
    for (number, batch) in batches.enumerate() {
        inside.extend_from_slice(batch);
        inside.sort_unstable();
        put_in(weights, state, generator, (&inside, batch));
        if let Some(share) = shares.get(number) {
            let now = (u128::from(moves * MOVES_PERCENT / 100) * u128::from(*share) / u128::from(all_shares)) as u64;
            go_on(state, generator, &inside, now);
            made += now;
        }
    }
    let stays = |activity: u32| !before.1.held[activity as usize] || before.0.place(activity) == state.place(activity);
    let whole = (0..state.model.activities.len() as u32).all(stays);
    if !whole || weights.total(state).total() > weights.total(&before.0).total() {
        (*state, *generator) = before;
    }
    made
}

/// Places what is out of the jobs that are `inside`; a batch job by job.
fn put_in(weights: &Weights, state: &mut State<'_>, generator: &mut Generator, (inside, batch): (&[u32], &[u32])) {
    let model = state.model;
    let out = |activity: &u32| state.place(*activity).is_none() && !model.activities[*activity as usize].extra;
    let open: Vec<u32> = inside.iter().flat_map(|job| weights.activities.of(*job)).copied().filter(out).collect();
    let turns = |generator: &mut Generator, turn: &dyn Fn(usize) -> T| {
        for (number, job) in batch.iter().enumerate() {
            weights.activities.of(*job).iter().for_each(|activity| generator.bias[*activity as usize] = turn(number));
        }
    };
    turns(generator, &|number| number as T * TURN_MINUTES);
    generator.complete(state, weights, &open);
    turns(generator, &|_| 0);
}

#[cfg(test)]
mod tests {
    use super::super::super::model::{Activity, Crew, Mode, Model, NONE, Part, Place};
    use super::super::super::score::{Fixed, JobWeights};
    use super::super::super::spans::{NEVER, Spans};
    use super::*;
    use crate::domain::situation::CostWeights;

    /// One crew that always works, and so many jobs of one step of an hour in the same place; the last weighs most.
    fn one_hour_each(jobs: u32) -> (Model, Weights) {
        let mut model = Model { end: 1440, job_count: jobs as usize, ..Model::default() };
        model.calendars = vec![Spans::always()];
        model.crews = vec![Crew { calendar: 0, regular: 0, days: NONE }];
        model.crew_taken = vec![Vec::new()];
        model.places = vec![Place { access: 0 }];
        model.ways = vec![0];
        model.parts = vec![Part { offset: 0, length: 60 }];
        for job in 0..jobs {
            model.modes.push(Mode { crew: 0, calendar: 0, hours: 0, length: 60, parts: 0..1, gates: 0..0 });
            model.activities.push(Activity::plain(job, 0, job..job + 1));
        }
        model.index();
        let of = |job: u32| JobWeights { weight: i64::from(job) + 1, due: NEVER, release: 0 };
        let fixed =
            Fixed { steps: vec![vec![0]; jobs as usize], crew: vec![NONE; jobs as usize], busy: vec![Vec::new()] };
        let weights = Weights::new(CostWeights::default(), (0..jobs).map(of).collect(), Vec::new(), &model, fixed);
        (model, weights)
    }

    /// The jobs in order, each after the one before.
    fn placed<'m>(model: &'m Model, order: &[u32]) -> State<'m> {
        let mut state = State::new(model, &vec![None; order.len()]);
        for (number, &job) in order.iter().enumerate() {
            let place = state.fits(job, job, number as T * 60).unwrap();
            state.put(job, place, &[]);
        }
        state
    }

    fn starts(state: &State<'_>) -> Vec<Option<T>> {
        (0..state.model.activities.len() as u32).map(|job| state.place(job).map(|place| place.start)).collect()
    }

    /// By hand: of four jobs the last is the most urgent; each comes when those before it have had its hour, and is searched among
    /// those that are in by then, the more moves the more are in: 70 of 100 as 1 : 2 : 3.
    #[test]
    fn jobs_come_in_their_order_and_moves_go_by_how_many_are_in() {
        let (model, weights) = one_hour_each(4);
        let (mut state, mut generator) = (placed(&model, &[0, 1, 2, 3]), Generator::new(4));
        let growing: Vec<(i64, u32)> = [3, 2, 1, 0].map(|job| (-i64::from(job), job)).to_vec();
        let jobs = Jobs { all: &[0, 1, 2, 3], growing: &growing };
        let mut told = Vec::new();
        let both = (&mut state, &mut generator);
        let made = grow(&weights, 100, both, (jobs, &jobs.by_urgency()), &mut |state, _, inside, moves| {
            told.push((inside.to_vec(), moves, starts(state)));
        });
        let (a, b, c, d) = (Some(0), Some(60), Some(120), Some(180));
        assert_eq!(
            told,
            [
                (vec![3], 11, vec![None, None, None, a]),
                (vec![2, 3], 23, vec![None, None, b, a]),
                (vec![1, 2, 3], 35, vec![None, c, b, a]),
            ]
        );
        assert_eq!((made, starts(&state)), (69, vec![d, c, b, a]));
    }

    /// By hand: put in by falling weight is cheapest here; the other way round, the plan that was there is kept.
    #[test]
    fn a_plan_that_got_dearer_is_put_back() {
        let (model, weights) = one_hour_each(3);
        let (mut state, mut generator) = (placed(&model, &[2, 1, 0]), Generator::new(3));
        let growing = [(0, 0), (1, 1), (2, 2)];
        let jobs = Jobs { all: &[0, 1, 2], growing: &growing };
        let mut last = Vec::new();
        let both = (&mut state, &mut generator);
        let made = grow(&weights, 300, both, (jobs, &jobs.by_urgency()), &mut |state, _, _, _| last = starts(state));
        assert_eq!(last, [Some(0), Some(60), None]);
        assert_eq!((made, starts(&state)), (210, vec![Some(120), Some(60), Some(0)]));
    }

    /// Too few moves to be shared out, one job alone, and none.
    #[test]
    fn nothing_grows_where_it_would_not_pay() {
        let (model, weights) = one_hour_each(3);
        let growing = [(0, 0), (1, 1), (2, 2)];
        for (moves, growing) in [(59, &growing[..]), (1_000, &growing[..1]), (1_000, &[])] {
            let (mut state, mut generator) = (placed(&model, &[1, 0, 2]), Generator::new(3));
            let jobs = Jobs { all: &[0, 1, 2], growing };
            let both = (&mut state, &mut generator);
            let made = grow(&weights, moves, both, (jobs, &jobs.by_urgency()), &mut |_, _, _, _| unreachable!());
            assert_eq!((made, starts(&state)), (0, vec![Some(60), Some(0), Some(120)]));
        }
    }

    /// Nothing is more urgent by chance than it could be, and one seed gives one order.
    #[test]
    fn orders_by_chance_differ_by_days_at_most() {
        let growing: Vec<(i64, u32)> = (0..30).map(|job| (i64::from(job) * 1440, job)).collect();
        let jobs = Jobs { all: &[], growing: &growing };
        let orders: Vec<Vec<u32>> = (0..20).map(|seed| jobs.by_chance(seed)).collect();
        assert!(orders.iter().any(|order| *order != orders[0]));
        assert_eq!(orders[3], jobs.by_chance(3));
        for order in orders {
            assert!(order.iter().enumerate().all(|(at, job)| at.abs_diff(*job as usize) < 3), "{order:?}");
        }
    }
}
