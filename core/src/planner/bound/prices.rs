//! A lower bound by prices on time: each minute of the crews, of crews with a skill, and of gear has a price that changes
//! from day to day; whoever has paid may work without regard to others. Each house then takes the finish that is cheapest
//! for it, and what all of them cost, less what the time is worth that there is, is at most what any plan costs.

use super::exact_tails::ExactTails;
use super::goods::{Good, UNIT, climb};
use super::{Known, Load, job_cost, ordinary_extra};
use crate::planner::hours::workable;
use crate::planner::model::Model;
use crate::planner::score::Weights;
use crate::planner::spans::{NEVER, T};
use crate::planner::state::Place;

/// Minutes of one price.
pub(super) const BUCKET: T = 1440;

/// An open activity and what it takes of the goods.
struct Item {
    /// (good, minutes).
    takes: Vec<(usize, i64)>,
}

/// From `finish` of its job on, `item` may begin in `bucket`. Its minutes then fall into the buckets from there to `last`.
struct Chance {
    finish: T,
    item: u32,
    bucket: u32,
    last: u32,
}

/// A job with open activities that can all be placed.
struct House {
    job: u32,
    items: Vec<Item>,
    /// By finish.
    chances: Vec<Chance>,
}

/// The highest bound met in `rounds` rounds, cost points, and the prices at which it was; `upper` is what a known plan costs.
pub(super) fn bound(
    (model, fixed, weights, alone): Known<'_>,
    loads: &[Load],
    (upper, rounds): (i64, u64),
) -> (i64, Vec<Good>) {
    let buckets = (model.end / BUCKET + 1) as usize;
    let mut goods: Vec<Good> = loads.iter().map(|load| Good::new(load, (buckets, BUCKET))).collect();
    let takes = takes(model, loads);
    let spills = spills(model, buckets);
    let mut houses = Vec::new();
    let mut rest = 0;
    for job in 0..weights.jobs.len() as u32 {
        match house(model, fixed, weights, alone, &takes, job, &spills) {
            Ok(house) => houses.push(house),
            Err(cost) => rest += cost,
        }
    }
    let best = climb(&mut goods, (rest, upper, rounds, 1.0), &mut |goods| {
        houses.iter().map(|house| cheapest(house, weights, goods)).sum()
    });
    (best, goods)
}

/// The cheapest finish of a house at the prices as they are; what it would use is added up.
fn cheapest(house: &House, weights: &Weights, goods: &mut [Good]) -> i64 {
    let mut least: Vec<(i64, u32)> = vec![(i64::MAX, 0); house.items.len()];
    let mut missing = house.items.len();
    let mut sum = 0;
    let mut best = (weights.cost.unplaced_step * UNIT, None);
    let mut at = 0;
    while at < house.chances.len() {
        let finish = house.chances[at].finish;
        while let Some(chance) = house.chances.get(at).filter(|chance| chance.finish == finish) {
            at += 1;
            let (price, bucket) = price(&house.items[chance.item as usize], chance, goods);
            let own = &mut least[chance.item as usize];
            if price < own.0 {
                if own.0 == i64::MAX {
                    missing -= 1;
                    sum += price;
                } else {
                    sum -= own.0 - price;
                }
                *own = (price, bucket);
            }
        }
        if missing == 0 {
            let cost = job_cost(weights, house.job, finish) * UNIT;
            if cost >= best.0 {
                break;
            }
            if cost + sum < best.0 {
                best = (cost + sum, Some((finish, least.clone())));
            }
        }
    }
    if let Some((_, taken)) = best.1 {
        for (item, (_, bucket)) in house.items.iter().zip(taken) {
            for &(good, minutes) in &item.takes {
                goods[good].used[bucket as usize] += minutes;
            }
        }
    }
    best.0
}

/// What an item pays at least if it begins when `chance` says, and in which bucket: however its minutes are shared out,
/// none costs less than in the cheapest.
fn price(item: &Item, chance: &Chance, goods: &[Good]) -> (i64, u32) {
    let at = |bucket: u32| item.takes.iter().map(|&(good, minutes)| goods[good].price[bucket as usize] * minutes).sum();
    let own: (i64, u32) = (at(chance.bucket), chance.bucket);
    (chance.bucket + 1..=chance.last).fold(own, |least, bucket| least.min((at(bucket), bucket)))
}

/// By activity: what it takes of each good.
pub(super) fn takes(model: &Model, loads: &[Load]) -> Vec<Vec<(usize, i64)>> {
    let mut takes = vec![Vec::new(); model.activities.len()];
    for (number, load) in loads.iter().enumerate() {
        for &(activity, minutes) in load.work.iter().filter(|(_, minutes)| *minutes > 0) {
            takes[activity as usize].push((number, minutes));
        }
    }
    takes
}

/// Of each bucket: whether any crew works over its end.
fn spills(model: &Model, buckets: usize) -> Vec<bool> {
    let mut spills = vec![false; buckets];
    for crew in &model.crews {
        for &(from, until) in model.calendars[crew.calendar as usize].as_slice() {
            let (first, last) = (from.max(0) / BUCKET, (until.max(1) - 1) / BUCKET);
            (first..last)
                .filter(|bucket| (*bucket as usize) < buckets)
                .for_each(|bucket| spills[bucket as usize] = true);
        }
    }
    spills
}

/// A job, or what it costs at least where prices on its time say nothing.
fn house(
    model: &Model,
    fixed: &[Option<Place>],
    weights: &Weights,
    alone: &[(T, T)],
    takes: &[Vec<(usize, i64)>],
    job: u32,
    spills: &[bool],
) -> Result<House, i64> {
    let buckets = spills.len();
    let mut activities = Vec::new();
    let mut finish = -NEVER;
    for &activity in weights.activities.of(job).iter().filter(|a| !ordinary_extra(model, fixed, **a)) {
        finish = finish.max(alone[activity as usize].1);
        if fixed[activity as usize].is_none() && !takes[activity as usize].is_empty() {
            activities.push(activity);
        }
    }
    let least = job_cost(weights, job, finish).min(weights.cost.unplaced_step);
    if finish >= NEVER || activities.is_empty() {
        return Err(least);
    }
    let mut tails = ExactTails::new(model, fixed, alone);
    let mut chances = Vec::new();
    for (item, &activity) in activities.iter().enumerate() {
        let mut bucket = alone[activity as usize].0.max(0) / BUCKET;
        while (bucket as usize) < buckets {
            let from = alone[activity as usize].0.max(bucket * BUCKET);
            let (start, end) = tails.of(activity, from);
            if end >= NEVER {
                break;
            }
            // Nothing can begin before `start`.
            bucket = bucket.max(start / BUCKET);
            let last = last_bucket(&mut tails, activity, bucket, spills) as u32;
            chances.push(Chance { finish: end.max(finish), item: item as u32, bucket: bucket as u32, last });
            bucket += 1;
        }
    }
    chances.sort_by_key(|chance| (chance.finish, chance.item, chance.bucket));
    let item = |activity: &u32| Item { takes: takes[*activity as usize].clone() };
    Ok(House { job, items: activities.iter().map(item).collect(), chances })
}

/// The last bucket that minutes of an activity fall into which begins in `bucket`. In one piece it ends with its bucket
/// where nobody works over that end; in several it may rest over days off.
fn last_bucket(tails: &mut ExactTails<'_>, activity: u32, bucket: T, spills: &[bool]) -> T {
    let (model, most) = (tails.model, spills.len() as T - 1);
    let own = &model.activities[activity as usize];
    if !own.dividable && !spills[bucket as usize] {
        return bucket;
    }
    let end = (bucket + 1) * BUCKET;
    let finish = |mode: &u32| {
        if own.dividable {
            // Whoever begins later is not done sooner.
            workable(model, activity, *mode, end, 1).map_or(NEVER, |(_, finish)| finish)
        } else {
            end - 1 + model.modes[*mode as usize].length
        }
    };
    let latest = tails.ways_of(activity).iter().map(finish).max().unwrap_or(end);
    ((latest - 1) / BUCKET).clamp(bucket, most)
}

#[cfg(test)]
mod tests {
    use super::super::super::model::{Activity, Crew, Mode, NONE, Part};
    use super::super::super::spans::Spans;
    use super::*;

    /// A crew that works from 480 to 960 on days 0, 3 and 4, and a step of 600 minutes.
    fn over_days_off(dividable: bool) -> Model {
        let mut model = Model { end: 6 * BUCKET, job_count: 1, ..Model::default() };
        model.calendars = vec![Spans::new([0, 3, 4].map(|day| (day * BUCKET + 480, day * BUCKET + 960)).to_vec())];
        model.crews = vec![Crew { calendar: 0, regular: 0, days: NONE }];
        model.parts = vec![Part { offset: 0, length: 600 }];
        model.modes = vec![Mode { crew: 0, calendar: 0, hours: 0, length: 600, parts: 0..1, gates: 0..0 }];
        model.activities = vec![Activity { dividable, ..Activity::plain(0, 0, 0..1) }];
        model
    }

    /// By hand: begun on day 0, it ends on day 3, or on day 4 if it is begun in the last minutes; two days that are dear, and on
    /// which nobody works, lie between.
    #[test]
    fn what_rests_over_days_off_pays_no_more_than_where_it_is_cheapest() {
        let model = over_days_off(true);
        let spills = spills(&model, 7);
        assert_eq!(spills, [false; 7]);
        let mut tails = ExactTails::new(&model, &[], &[]);
        assert_eq!(last_bucket(&mut tails, 0, 0, &spills), 4);
        let dear = Good { capacity: vec![0; 7], price: vec![9, 9, 9, 2, 3, 0, 0], used: vec![0; 7] };
        let item = Item { takes: vec![(0, 600)] };
        assert_eq!(price(&item, &Chance { finish: 0, item: 0, bucket: 0, last: 4 }, &[dear]), (1_200, 3));
        let whole = over_days_off(false);
        let mut tails = ExactTails::new(&whole, &[], &[]);
        assert_eq!(last_bucket(&mut tails, 0, 0, &spills), 0, "in one piece it ends where it began");
    }
}
