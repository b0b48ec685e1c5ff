//! The search against trying everything out, on instances small enough for that.

use super::super::generate::agrees;
use super::super::state::{Place, State};
use super::bounds::{Atom, Bounds, Clash, Reason};
use super::improve::{Improvement, by_structures};
use super::search::Outcome;
use super::timetable::Timetable;
use super::*;
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Three activities of 2, 3 and 2 on a resource of 1; the third at most 4 after the first starts, at least 2.
const SMALL: &str = "3 1 0 0\n0 1 3 1 2 3 [0] [0] [0]\n1 1 1 3 [2]\n2 1 1 4 [3]\n3 1 2 4 1 [2] [-4]\n4 1 0\n\
                     0 1 0 0\n1 1 2 1\n2 1 3 1\n3 1 2 1\n4 1 0 0\n1\n";

const ENOUGH: u64 = 100_000;

fn solved(instance: &Instance, seed: u64) -> Answer {
    let answer = solve(&instance.model(), seed, ENOUGH, &mut || false);
    assert!(answer.proven, "{} clashes are enough for {instance:?}", answer.clashes);
    answer
}

/// Of so many activities beside the first and the last, with lags both ways.
fn random_instance(random: &mut Pcg64Mcg, activities: u32) -> Instance {
    let mut below = |bound: u32| random.next_u32() % bound;
    let capacities = vec![2 + below(3), 1 + below(3)];
    let mut durations = vec![0];
    let mut demands = vec![vec![0, 0]];
    let mut lags = Vec::new();
    for activity in 1..=activities {
        durations.push(1 + below(4) as T);
        demands.push(capacities.iter().map(|capacity| below(capacity + 1)).collect());
        lags.push((0, activity, below(3) as T));
        lags.push((activity, activities + 1, durations[activity as usize]));
        for later in activity + 1..=activities {
            if below(activities / 2) == 0 {
                let lag = below(6) as T;
                lags.push((activity, later, lag));
                if below(2) == 0 {
                    lags.push((later, activity, -lag - below(5) as T));
                }
            }
        }
    }
    durations.push(0);
    demands.push(vec![0, 0]);
    Instance { durations, demands, capacities, lags }
}

/// The least makespan, all starts tried out up to the sum of everything; `None` without a plan.
fn least_makespan(instance: &Instance) -> Option<T> {
    let most = instance.durations.iter().sum::<T>() + instance.lags.iter().map(|lag| lag.2.max(0)).sum::<T>();
    let count = instance.durations.len();
    let mut distance = vec![vec![-NEVER; count]; count];
    for &(from, to, lag) in &instance.lags {
        let known = &mut distance[from as usize][to as usize];
        *known = lag.max(*known);
    }
    for middle in 0..count {
        for from in 0..count {
            for to in 0..count {
                let through = (distance[from][middle] + distance[middle][to]).max(-NEVER);
                distance[from][to] = distance[from][to].max(through);
            }
        }
    }
    if (0..count).any(|activity| distance[activity][activity] > 0) {
        return None;
    }
    // Once there is room for everything one after the other, more does not help.
    let mut best = None;
    try_out(instance, &distance, &mut vec![0], most, &mut best);
    best
}

fn try_out(instance: &Instance, distance: &[Vec<T>], starts: &mut Vec<T>, most: T, best: &mut Option<T>) {
    let activity = starts.len();
    let most = best.map_or(most, |best| best - 1);
    if activity == instance.durations.len() {
        if let Ok(makespan) = instance.check(starts)
            && makespan <= most
        {
            *best = Some(makespan);
        }
        return;
    }
    let earliest = (0..activity).map(|other| starts[other] + distance[other][activity]).max().unwrap_or(0);
    let latest = (0..activity).map(|other| starts[other] - distance[activity][other]).min().unwrap_or(most);
    let latest = latest.min(most - distance[activity][instance.durations.len() - 1].max(0));
    for start in earliest.max(0)..=latest {
        starts.push(start);
        let prefix = Instance { lags: Vec::new(), ..instance.clone() };
        if prefix.check(starts).is_ok() {
            try_out(instance, distance, starts, most, best);
        }
        starts.pop();
    }
}

/// Searches near the best plan as often as everywhere until nothing is left.
fn finish(all: &mut Improvement<'_>) {
    let mut near = false;
    while !all.proven {
        near = !near;
        let outcome = match all.best.clone().filter(|_| near) {
            Some(best) => all.near(&best, &mut || false),
            None => all.everywhere(&mut || false),
        };
        if let Outcome::Found(starts) = outcome {
            all.adopt(starts);
        }
    }
}

#[test]
fn a_small_instance_is_read_and_solved_to_its_optimum() {
    let instance = parse(SMALL).unwrap();
    assert_eq!(instance.durations, [0, 2, 3, 2, 0]);
    assert_eq!(instance.capacities, [1]);
    let starts = solved(&instance, 1).starts.unwrap();
    assert_eq!(instance.check(&starts), Ok(7));
    let mut late = starts.clone();
    late[3] = late[1] + 5;
    assert!(instance.check(&late).is_err());
}

#[test]
fn a_broken_instance_names_its_line() {
    assert_eq!(parse("2 1 0 0\n0 1 x").unwrap_err(), InstanceError::Numbers { line: 2 });
    assert_eq!(parse("2 1 0 0\n0 1 0\n").unwrap_err(), InstanceError::Short { line: 3 });
}

#[test]
fn what_is_proven_is_what_trying_everything_finds() {
    let mut random = Pcg64Mcg::seed_from_u64(7);
    let (mut with, mut without) = (0, 0);
    for _ in 0..150 {
        let instance = random_instance(&mut random, 5);
        let least = least_makespan(&instance);
        let answer = solved(&instance, 1);
        assert_eq!(answer.starts.map(|starts| instance.check(&starts).unwrap()), least, "{instance:?}");
        if least.is_some() {
            with += 1
        } else {
            without += 1
        }
        let model = instance.model();
        let problem = Problem::of(&model).unwrap();
        // Cycle structures on their own.
        let mut all = Improvement::new(&problem, 1);
        if !all.proven {
            by_structures(&problem, &mut all, 1, ENOUGH, &mut || false);
            let joined = all.best.as_ref().map(|starts| instance.check(&starts[..starts.len() - 1]).unwrap());
            assert_eq!(joined.is_some(), least.is_some(), "{instance:?}");
            assert!(joined >= least);
        }
        finish(&mut all);
        let end = all.best.map(|starts| instance.check(&starts[..starts.len() - 1]).unwrap());
        assert_eq!(end, least, "{instance:?}");
    }
    assert!(with > 50 && without > 10, "{with} with a plan, {without} without");
}

#[test]
fn the_optimum_does_not_depend_on_the_way_to_it() {
    let mut random = Pcg64Mcg::seed_from_u64(11);
    for _ in 0..12 {
        let instance = random_instance(&mut random, 11);
        let makespan = |answer: Answer| answer.starts.map(|starts| instance.check(&starts).unwrap());
        let first = solved(&instance, 1);
        assert_eq!(first, solved(&instance, 1), "the same again");
        assert_eq!(makespan(first), makespan(solved(&instance, 2)), "{instance:?}");
    }
}

#[test]
fn what_is_learned_near_a_plan_rules_no_better_one_out() {
    let mut random = Pcg64Mcg::seed_from_u64(13);
    for _ in 0..12 {
        let mut instance = random_instance(&mut random, 10);
        instance.lags.retain(|lag| lag.0 < lag.1);
        let best = solved(&instance, 1).starts.unwrap();
        let model = instance.model();
        let problem = Problem::of(&model).unwrap();
        let mut all = Improvement::new(&problem, 1);
        // One after the other, with much time between.
        let slow: Vec<T> = (0..problem.durations.len() as T).map(|activity| 10 * activity).collect();
        assert!(instance.check(&slow[..slow.len() - 1]).is_ok());
        all.adopt(slow.clone());
        for _ in 0..15 {
            all.near(&slow, &mut || false);
            for (activity, start) in best.iter().enumerate() {
                let (earliest, latest) = all.search.bounds.window(activity as u32);
                assert!((earliest..=latest).contains(start), "{activity} of {instance:?}");
            }
        }
        finish(&mut all);
        let end = all.best.map(|starts| instance.check(&starts[..starts.len() - 1]).unwrap());
        assert_eq!(end, instance.check(&best).ok(), "{instance:?}");
    }
}

#[test]
fn what_clashed_once_clashes_again() {
    // Two activities of 2 on a resource of 1, each twice put on the first two minutes.
    let problem = Problem {
        durations: vec![2, 2, 0],
        lags: Vec::new(),
        capacities: vec![1],
        needs: vec![vec![(0, 1)], vec![(0, 1)], Vec::new()],
        users: vec![vec![(0, 1), (1, 1)]],
        horizon: 10,
    };
    let mut bounds = Bounds::new((0..3).map(|_| (0, problem.horizon)));
    let mut timetable = Timetable::new(&problem);
    timetable.propagate(&problem, &mut bounds).unwrap();
    for _ in 0..2 {
        bounds.decide();
        for atom in [Atom::until(0, 0), Atom::until(1, 0)] {
            bounds.raise(atom, Reason::Decision).unwrap();
            timetable.note(atom.view);
        }
        let clash = timetable.propagate(&problem, &mut bounds).unwrap_err();
        assert_eq!(clash, Clash::Over { resource: 0, at: 0 });
        bounds.return_to(0, |view| timetable.note(view));
    }
}

#[test]
fn a_plan_fits_where_houses_are_planned() {
    let mut random = Pcg64Mcg::seed_from_u64(3);
    let mut placed = 0;
    for _ in 0..20 {
        let instance = random_instance(&mut random, 12);
        let model = instance.model();
        let Some(starts) = solve(&model, 1, 1_000, &mut || false).starts else { continue };
        let mut state = State::new(&model, &vec![None; model.activities.len()]);
        for (activity, &start) in starts.iter().enumerate() {
            let mode = model.activities[activity].modes.start;
            let place: Place = state.fits(activity as u32, mode, start).unwrap();
            state.put(activity as u32, place, &[]);
            placed += 1;
        }
        assert!(model.arcs.iter().all(|arc| agrees(&state, arc)));
    }
    assert!(placed > 50);
}

#[test]
fn with_few_clashes_the_answer_is_the_best_so_far() {
    let mut random = Pcg64Mcg::seed_from_u64(5);
    let mut instance = random_instance(&mut random, 60);
    // No maximum lags: there is a plan.
    instance.lags.retain(|lag| lag.0 < lag.1);
    let answer = solve(&instance.model(), 1, 3, &mut || false);
    assert!(instance.check(&answer.starts.clone().unwrap()).is_ok());
    assert!(!answer.proven && answer.clashes <= 3 + 300, "{answer:?}");
    let stopped = solve(&instance.model(), 1, ENOUGH, &mut || true);
    assert_eq!((stopped.starts, stopped.proven), (None, false));
}
