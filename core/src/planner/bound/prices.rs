//! A lower bound by prices on time: each minute of the crews, of crews with a skill, and of gear has a price that changes
//! from day to day; whoever has paid may work without regard to others. Each house then takes the finish that is cheapest
//! for it, and what all of them cost, less what the time is worth that there is, is at most what any plan costs: Lagrangian
//! relaxation of the capacities (Fisher, "Optimal solution of production scheduling problems using Lagrange multipliers",
//! Operations Research 21, 1973). Prices rise where more is asked for than there is and fall where less is (subgradient
//! method, Held, Wolfe and Crowder, Mathematical Programming 6, 1974). All in integers: whatever the prices, the bound holds.

use super::super::hours::{gate_obstacle, workable};
use super::super::model::Model;
use super::super::score::Weights;
use super::super::spans::{NEVER, T};
use super::super::state::Place;
use super::{Load, earliest_after, job_cost, ordinary_extra};
use std::collections::HashMap;

/// Prices are counted in this part of a cost point a minute.
const UNIT: i64 = 256;
/// A minute that is dearer changes nothing any more, and sums stay far from the limits of integers.
const PRICE_MAX: i64 = 1 << 28;
/// Minutes of one price.
const BUCKET: T = 1440;
/// Rounds without a better bound after which steps get shorter.
const PATIENCE: u32 = 8;
/// Starts in doubt that are looked at before a time counts as possible.
const GATE_TRIES: usize = 1_000;

/// What the prices are on: one bottleneck day by day.
struct Good {
    /// Minutes there are in each bucket.
    capacity: Vec<i64>,
    price: Vec<i64>,
    used: Vec<i64>,
}

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

/// The highest bound met in `rounds` rounds, cost points; `upper` is what a known plan costs.
pub fn bound(
    model: &Model,
    fixed: &[Option<Place>],
    weights: &Weights,
    alone: &[(T, T)],
    loads: &[Load],
    (upper, rounds): (i64, u64),
) -> i64 {
    let buckets = (model.end / BUCKET + 1) as usize;
    let mut goods: Vec<Good> = loads.iter().map(|load| good(load, buckets)).collect();
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
    let mut best = 0;
    let mut best_prices: Vec<Vec<i64>> = goods.iter().map(|good| good.price.clone()).collect();
    let (mut reach, mut since) = (1.0, 0);
    for _ in 0..rounds {
        goods.iter_mut().for_each(|good| good.used.fill(0));
        let worth: i64 =
            goods.iter().map(|good| good.price.iter().zip(&good.capacity).map(|(p, c)| p * c).sum::<i64>()).sum();
        let asked: i64 = houses.iter().map(|house| cheapest(house, weights, &mut goods)).sum();
        // Rounded up: costs are whole.
        let found = rest + (asked - worth).div_euclid(UNIT) + i64::from((asked - worth).rem_euclid(UNIT) > 0);
        if found > best {
            best = found;
            since = 0;
            goods.iter().zip(&mut best_prices).for_each(|(good, kept)| kept.clone_from(&good.price));
        } else {
            since += 1;
            if since == PATIENCE {
                since = 0;
                reach /= 2.0;
                goods.iter_mut().zip(&best_prices).for_each(|(good, kept)| good.price.clone_from(kept));
                continue;
            }
        }
        step(&mut goods, reach * (upper - found).max(1) as f64);
    }
    best
}

/// Moves all prices towards what is asked for, by so much that the bound would rise by `wanted` cost points.
fn step(goods: &mut [Good], wanted: f64) {
    let pull = |good: &Good, at: usize| {
        let pull = good.used[at] - good.capacity[at];
        if pull < 0 && good.price[at] == 0 { 0 } else { pull }
    };
    let length: f64 = goods
        .iter()
        .flat_map(|good| (0..good.price.len()).map(move |at| pull(good, at) as f64))
        .map(|pull| pull * pull)
        .sum();
    if length == 0.0 {
        return;
    }
    let scale = wanted * UNIT as f64 / length;
    for good in goods {
        for at in 0..good.price.len() {
            let change = (pull(good, at) as f64 * scale).round() as i64;
            good.price[at] = good.price[at].saturating_add(change).clamp(0, PRICE_MAX);
        }
    }
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

fn good(load: &Load, buckets: usize) -> Good {
    let mut capacity = vec![0; buckets];
    for (number, &(from, level)) in load.capacity.iter().enumerate() {
        let until =
            load.capacity.get(number + 1).map_or(buckets as T * BUCKET, |next| next.0.min(buckets as T * BUCKET));
        let mut from = from;
        while level > 0 && from < until {
            let bucket = from / BUCKET;
            let end = until.min((bucket + 1) * BUCKET);
            capacity[bucket as usize] += level * i64::from(end - from);
            from = end;
        }
    }
    Good { price: vec![0; buckets], used: vec![0; buckets], capacity }
}

/// By activity: what it takes of each good.
fn takes(model: &Model, loads: &[Load]) -> Vec<Vec<(usize, i64)>> {
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
    let mut tails = ExactTails { model, fixed, alone, known: HashMap::new(), ways: HashMap::new() };
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
            let last = tails.last_bucket(activity, bucket, spills) as u32;
            chances.push(Chance { finish: end.max(finish), item: item as u32, bucket: bucket as u32, last });
            bucket += 1;
        }
    }
    chances.sort_by_key(|chance| (chance.finish, chance.item, chance.bucket));
    let item = |activity: &u32| Item { takes: takes[*activity as usize].clone() };
    Ok(House { job, items: activities.iter().map(item).collect(), chances })
}

/// How early a job can be finished if one of its activities begins no earlier than at some time, to the minute.
struct ExactTails<'m> {
    model: &'m Model,
    fixed: &'m [Option<Place>],
    alone: &'m [(T, T)],
    known: HashMap<(u32, T), (T, T)>,
    /// One mode for each way to do an activity that differs in when and how long.
    ways: HashMap<u32, Vec<u32>>,
}

impl ExactTails<'_> {
    /// When `activity` can begin from `from` on, and the earliest finish of everything that follows it; `NEVER` where that
    /// is beyond the horizon.
    fn of(&mut self, activity: u32, from: T) -> (T, T) {
        if let Some(known) = self.known.get(&(activity, from)) {
            return *known;
        }
        let (start, finish) = self.earliest(activity, from);
        let mut end = finish;
        if finish < NEVER {
            for arc in self.model.after(activity).filter(|arc| arc.orders()) {
                let next = arc.to as usize;
                if self.fixed[next].is_some() || ordinary_extra(self.model, self.fixed, arc.to) {
                    continue;
                }
                let ready = earliest_after(self.model, self.fixed[arc.from as usize].is_some(), arc, start, finish);
                let offset = self.offset(arc.to, arc.to_part);
                let ready = if ready >= NEVER { NEVER } else { (ready - offset).max(self.alone[next].0) };
                end = end.max(if ready >= NEVER { NEVER } else { self.of(arc.to, ready).1 });
            }
        }
        self.known.insert((activity, from), (start, end));
        (start, end)
    }

    /// The longest time from an activity's start to that of one of its steps.
    fn offset(&self, activity: u32, part: u16) -> T {
        let modes = self.model.activities[activity as usize].modes.clone();
        modes.map(|mode| self.model.part(mode, part).offset).max().unwrap_or(0)
    }

    /// The last bucket that minutes of an activity fall into which begins in `bucket`. In one piece it ends with its bucket
    /// where nobody works over that end; in several it may rest over days off.
    fn last_bucket(&mut self, activity: u32, bucket: T, spills: &[bool]) -> T {
        let (model, most) = (self.model, spills.len() as T - 1);
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
        let latest = self.ways_of(activity).iter().map(finish).max().unwrap_or(end);
        ((latest - 1) / BUCKET).clamp(bucket, most)
    }

    fn ways_of(&mut self, activity: u32) -> &[u32] {
        let model = self.model;
        self.ways.entry(activity).or_insert_with(|| super::differing_modes(model, activity).collect())
    }

    fn earliest(&mut self, activity: u32, from: T) -> (T, T) {
        let model = self.model;
        let ways = self.ways_of(activity);
        let mut found = (NEVER, NEVER);
        for &mode in ways {
            let mut t = from;
            for tried in 0.. {
                let Some((start, finish)) = workable(model, activity, mode, t, 1) else { break };
                if finish > model.end {
                    break;
                }
                match gate_obstacle(model, mode, start).filter(|_| tried < GATE_TRIES) {
                    Some(NEVER) => break,
                    Some(next) => t = next.max(start + 1),
                    None => {
                        found = (found.0.min(start), found.1.min(finish));
                        break;
                    }
                }
            }
        }
        found
    }
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
        let mut tails =
            ExactTails { model: &model, fixed: &[], alone: &[], known: HashMap::new(), ways: HashMap::new() };
        assert_eq!(tails.last_bucket(0, 0, &spills), 4);
        let dear = Good { capacity: vec![0; 7], price: vec![9, 9, 9, 2, 3, 0, 0], used: vec![0; 7] };
        let item = Item { takes: vec![(0, 600)] };
        assert_eq!(price(&item, &Chance { finish: 0, item: 0, bucket: 0, last: 4 }, &[dear]), (1_200, 3));
        let whole = over_days_off(false);
        let mut tails =
            ExactTails { model: &whole, fixed: &[], alone: &[], known: HashMap::new(), ways: HashMap::new() };
        assert_eq!(tails.last_bucket(0, 0, &spills), 0, "in one piece it ends where it began");
    }
}
