//! A lower bound by prices on time: each minute of the crews, of crews with a skill, and of gear has a price that changes
//! from day to day; whoever has paid may work without regard to others. Each house then takes the finish that is cheapest
//! for it, and what all of them cost, less what the time is worth that there is, is at most what any plan costs: Lagrangian
//! relaxation of the capacities (Fisher, "Optimal solution of production scheduling problems using Lagrange multipliers",
//! Operations Research 21, 1973). Prices rise where more is asked for than there is and fall where less is (subgradient
//! method, Held, Wolfe and Crowder, Mathematical Programming 6, 1974). All in integers: whatever the prices, the bound holds.

use super::super::hours::{gate_obstacle, workable};
use super::super::model::{Model, wide};
use super::super::score::Weights;
use super::super::spans::{NEVER, T};
use super::super::state::Place;
use super::{Load, earliest_after, job_cost, ordinary_extra};
use std::collections::HashMap;

/// Prices are counted in this part of a cost point a minute.
const UNIT: i64 = 256;
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
    /// Whether its minutes may fall into the bucket after that of its start.
    spills: bool,
}

/// From `finish` of its job on, `item` may begin in `bucket`.
struct Chance {
    finish: T,
    item: u32,
    bucket: u32,
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
        match house(model, fixed, weights, alone, &takes, job, buckets) {
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
        let asked: i64 = houses.iter().map(|house| cheapest(house, weights, &spills, &mut goods)).sum();
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
            good.price[at] = (good.price[at] + change).max(0);
        }
    }
}

/// The cheapest finish of a house at the prices as they are; what it would use is added up.
fn cheapest(house: &House, weights: &Weights, spills: &[bool], goods: &mut [Good]) -> i64 {
    let mut least: Vec<(i64, u32)> = vec![(i64::MAX, 0); house.items.len()];
    let mut missing = house.items.len();
    let mut sum = 0;
    let mut best = (weights.cost.unplaced_step * UNIT, None);
    let mut at = 0;
    while at < house.chances.len() {
        let finish = house.chances[at].finish;
        while let Some(chance) = house.chances.get(at).filter(|chance| chance.finish == finish) {
            at += 1;
            let (price, bucket) = price(&house.items[chance.item as usize], chance.bucket, spills, goods);
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

/// What an item pays at least if it begins in `bucket`, and in which bucket that is.
fn price(item: &Item, bucket: u32, spills: &[bool], goods: &[Good]) -> (i64, u32) {
    let at = |bucket: u32| item.takes.iter().map(|&(good, minutes)| goods[good].price[bucket as usize] * minutes).sum();
    let own: (i64, u32) = (at(bucket), bucket);
    if (item.spills || spills[bucket as usize]) && (bucket as usize) + 1 < spills.len() {
        own.min((at(bucket + 1), bucket + 1))
    } else {
        own
    }
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
    buckets: usize,
) -> Result<House, i64> {
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
    let mut tails = Tails { model, fixed, alone, known: HashMap::new(), ways: HashMap::new() };
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
            chances.push(Chance { finish: end.max(finish), item: item as u32, bucket: bucket as u32 });
            bucket += 1;
        }
    }
    chances.sort_by_key(|chance| (chance.finish, chance.item, chance.bucket));
    let item = |activity: &u32| {
        let own = &model.activities[*activity as usize];
        Item { takes: takes[*activity as usize].clone(), spills: own.dividable }
    };
    Ok(House { job, items: activities.iter().map(item).collect(), chances })
}

/// How early a job can be finished if one of its activities begins no earlier than at some time.
struct Tails<'m> {
    model: &'m Model,
    fixed: &'m [Option<Place>],
    alone: &'m [(T, T)],
    known: HashMap<(u32, T), (T, T)>,
    /// One mode for each way to do an activity that differs in when and how long.
    ways: HashMap<u32, Vec<u32>>,
}

impl Tails<'_> {
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
                let ready = earliest_after(self.model, self.fixed, arc, start, finish);
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

    fn earliest(&mut self, activity: u32, from: T) -> (T, T) {
        let model = self.model;
        let ways = self.ways.entry(activity).or_insert_with(|| distinct_ways(model, activity));
        let mut found = (NEVER, NEVER);
        for &mode in ways.iter() {
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

fn distinct_ways(model: &Model, activity: u32) -> Vec<u32> {
    let mut ways: Vec<u32> = Vec::new();
    for mode in model.activities[activity as usize].modes.clone() {
        let own = &model.modes[mode as usize];
        let same = |other: &&u32| {
            let other = &model.modes[**other as usize];
            let gates = |mode: &super::super::model::Mode| {
                model.gate_uses[wide(&mode.gates)]
                    .iter()
                    .map(|gate| (gate.gate, gate.offset, gate.length))
                    .collect::<Vec<_>>()
            };
            let hours = |mode: &super::super::model::Mode| {
                let hours = if mode.hours == super::super::model::NONE { mode.calendar } else { mode.hours };
                (mode.hours == super::super::model::NONE, hours)
            };
            let spans = |(whole, hours): (bool, u32)| {
                (whole, (hours != super::super::model::NONE).then(|| model.calendars[hours as usize].as_slice()))
            };
            own.length == other.length && gates(own) == gates(other) && spans(hours(own)) == spans(hours(other))
        };
        if !ways.iter().any(|other| same(&other)) {
            ways.push(mode);
        }
    }
    ways
}
