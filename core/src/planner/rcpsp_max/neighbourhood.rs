//! What may change in a search near a plan, and how the rest keeps its order.

use super::super::spans::T;
use super::Problem;
use rand_core::RngCore;
use rand_pcg::Pcg64Mcg;
use std::cmp::Reverse;

/// Fewer activities are never freed.
const FREE_MIN: u32 = 5;
/// Nobody has the unit yet.
const NOBODY: u32 = u32::MAX;

/// By activity, whether it may change its order: those at work in a stretch of time, in every fourth case some of a longer one.
pub fn neighbourhood(problem: &Problem, starts: &[T], percent: u32, random: &mut Pcg64Mcg) -> Vec<bool> {
    let activities = problem.durations.len() as u32;
    let wanted = (activities * percent / 100).max(FREE_MIN).min(activities) as usize;
    let at = starts[(random.next_u32() % activities) as usize];
    let mut near: Vec<(T, u32)> = (0..activities)
        .map(|activity| {
            let start = starts[activity as usize];
            let finish = start + problem.durations[activity as usize];
            ((start - at).max(at - finish).max(0), activity)
        })
        .collect();
    if random.next_u32().is_multiple_of(4) {
        for (distance, _) in &mut near {
            *distance += (random.next_u32() % (1 + *distance as u32 * 2)) as T;
        }
    }
    near.sort_unstable();
    let mut free = vec![false; activities as usize];
    near[..wanted].iter().for_each(|(_, activity)| free[*activity as usize] = true);
    free
}

/// Lags that keep all activities that are not free in the order in which they have the units of each resource. Each takes
/// those units first that were given back last, so that few others are between.
pub fn kept_orders(problem: &Problem, starts: &[T], free: &[bool]) -> Vec<(u32, u32, T)> {
    let mut lags = Vec::new();
    for (users, &capacity) in problem.users.iter().zip(&problem.capacities) {
        let mut users: Vec<(u32, u32)> = users.iter().filter(|user| !free[user.0 as usize]).copied().collect();
        users.sort_unstable_by_key(|user| (starts[user.0 as usize], user.0));
        // By unit: when it is given back, and by whom.
        let mut units: Vec<(T, u32)> = vec![(0, NOBODY); capacity as usize];
        for (activity, amount) in users {
            let start = starts[activity as usize];
            let finish = start + problem.durations[activity as usize];
            units.sort_unstable_by_key(|unit| (unit.0 > start, Reverse(*unit)));
            for unit in &mut units[..amount as usize] {
                if unit.1 != NOBODY {
                    let lag = (unit.1, activity, problem.durations[unit.1 as usize]);
                    lags.push(lag);
                }
                *unit = (finish, activity);
            }
        }
    }
    lags.sort_unstable();
    lags.dedup();
    lags
}
