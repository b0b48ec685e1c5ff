//! What all houses cost at some prices.

use super::super::goods::Good;
use super::{Form, HOUR, House, Kind, LANES, Problem, STARTS_FOR_LANES, Step};
use crate::planner::spans::T;

/// Prices as they are in one round, and what is reused from round to round.
pub(in super::super) struct Round {
    /// By mix of goods, and by hour: a minute's price then.
    minute: Vec<Vec<i64>>,
    /// By mix, and by minute: what all minutes before cost together.
    before: Vec<Vec<i64>>,
    /// By kind and slot.
    prices: Vec<Vec<i64>>,
    lanes: Vec<Lane>,
}

/// What one thread needs to work out what houses cost.
#[derive(Default)]
struct Lane {
    /// By step of the house at hand, the first from 1 on, and by start: the least that all until then can cost.
    costs: Vec<Vec<i64>>,
    /// Of the last step, by start: the least until there, and the least until there on the same day.
    sofar: Vec<i64>,
    of_day: Vec<i64>,
    /// By good and hour.
    used: Vec<Vec<i64>>,
}

/// What cannot be reached costs so much.
pub(in super::super) const FAR: i64 = i64::MAX / 4;

impl Round {
    pub(in super::super) fn new(problem: &Problem, goods: usize) -> Round {
        let hours = problem.hours();
        Round {
            minute: vec![vec![0; hours + 1]; problem.mixes.len()],
            before: vec![vec![0; hours * HOUR as usize + 1]; problem.mixes.len()],
            prices: vec![vec![0; problem.slots]; problem.kinds.len()],
            lanes: (0..LANES).map(|_| Lane { used: vec![vec![0; hours]; goods], ..Lane::default() }).collect(),
        }
    }

    /// Minds the prices of the goods.
    pub(in super::super) fn set(&mut self, problem: &Problem, goods: &[Good]) {
        for (mix, takes) in problem.mixes.iter().enumerate() {
            let (minute, before) = (&mut self.minute[mix], &mut self.before[mix]);
            for hour in 0..minute.len() - 1 {
                minute[hour] = takes.iter().map(|&(good, amount)| goods[good].price[hour] * amount).sum();
                let first = hour * HOUR as usize;
                for t in first..first + HOUR as usize {
                    before[t + 1] = before[t] + minute[hour];
                }
            }
        }
        for (number, kind) in problem.kinds.iter().enumerate() {
            for slot in (0..problem.slots).filter(|slot| problem.asked[number][*slot]) {
                self.prices[number][slot] = self.cheapest(problem, kind, slot).0;
            }
        }
    }

    /// What all houses cost at the prices of the goods; what they use is added up there.
    pub(super) fn ask(&mut self, problem: &Problem, goods: &mut [Good]) -> i64 {
        self.set(problem, goods);
        let mut lanes = std::mem::take(&mut self.lanes);
        let now = &*self;
        let shares = problem.houses.chunks(problem.houses.len().div_ceil(lanes.len()).max(1));
        let sum = if problem.starts < STARTS_FOR_LANES {
            lanes[0].ask(now, problem, &problem.houses)
        } else {
            std::thread::scope(|scope| {
                let mut work = lanes.iter_mut().zip(shares);
                let mine = work.next();
                let others: Vec<_> =
                    work.map(|(lane, share)| scope.spawn(move || lane.ask(now, problem, share))).collect();
                let mine = mine.map_or(0, |(lane, share)| lane.ask(now, problem, share));
                let others = others.into_iter();
                mine + others
                    .map(|lane| lane.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
                    .sum::<i64>()
            })
        };
        for lane in &mut lanes {
            for (good, used) in goods.iter_mut().zip(&mut lane.used) {
                good.used.iter_mut().zip(used.iter()).for_each(|(sum, used)| *sum += used);
                used.fill(0);
            }
        }
        self.lanes = lanes;
        sum
    }

    /// By kind and slot, as the last prices had it.
    pub(in super::super) fn prices(&self) -> &[Vec<i64>] {
        &self.prices
    }

    /// Of a step's start.
    fn price(&self, house: &House, step: usize, start: usize) -> i64 {
        let step = &house.steps[step];
        self.prices[step.work][step.starts[start].slot as usize]
    }

    /// What all minutes of a mix until `t` cost together.
    fn until(&self, mix: usize, t: T) -> i64 {
        let before = &self.before[mix];
        before[(t.max(0) as usize).min(before.len() - 1)]
    }

    /// What the cheapest start in a slot takes: which good, in which hour, how many minutes.
    pub(in super::super) fn each_hour(
        &self,
        problem: &Problem,
        kind: usize,
        slot: usize,
        tell: &mut dyn FnMut(usize, usize, i64),
    ) {
        let kind = &problem.kinds[kind];
        let mix = &problem.mixes[kind.mix];
        if mix.is_empty() {
            return;
        }
        let (_, mut from, until) = self.cheapest(problem, kind, slot);
        while from < until {
            let hour = from.div_euclid(HOUR);
            let end = until.min((hour + 1) * HOUR);
            mix.iter().for_each(|&(good, amount)| tell(good, hour as usize, amount * i64::from(end - from)));
            from = end;
        }
    }

    /// Of the starts in a slot the one that costs least, and from when until when time is taken for it.
    fn cheapest(&self, problem: &Problem, kind: &Kind, slot: usize) -> (i64, T, T) {
        let first = slot as T * problem.slot;
        let last = first + problem.slot - 1;
        let of = |from: T, until: T| (self.until(kind.mix, until) - self.until(kind.mix, from), from, until);
        // Between two prices' ends, what is paid rises or falls evenly.
        let turn = |shift: T| first + (HOUR - (first + shift).rem_euclid(HOUR)) % HOUR;
        match &kind.form {
            Form::Whole => {
                let starts = [first, last, turn(kind.length).min(last)];
                starts.map(|start| of(start, start + kind.length)).into_iter().min().unwrap_or((0, 0, 0))
            }
            Form::Way => {
                let begun = problem.begins.partition_point(|begin| *begin <= last);
                let begun = begun.checked_sub(1).map_or(0, |at| problem.begins[at]);
                if begun <= first - kind.length {
                    let starts = [first, last, turn(-kind.length).min(last)];
                    return starts.map(|start| of(start - kind.length, start)).into_iter().min().unwrap_or((0, 0, 0));
                }
                let one = |start: T| {
                    let begun = problem.begins.partition_point(|begin| *begin <= start);
                    let begun = begun.checked_sub(1).map_or(0, |at| problem.begins[at]);
                    of((start - kind.length).max(begun).min(start), start)
                };
                (first..=last).map(one).min().unwrap_or((0, 0, 0))
            }
            Form::Pieces { first: first_slot, until } => {
                let end = until.get(slot - first_slot).copied().unwrap_or(0) as T * problem.slot;
                let hours = first / HOUR..=end / HOUR;
                let hours = hours.filter(|hour| (*hour as usize) < self.minute[kind.mix].len() - 1);
                let all_in = |hour: T| (self.minute[kind.mix][hour as usize] * i64::from(kind.length), hour * HOUR);
                let (cost, from) = hours.map(all_in).min().unwrap_or((0, first));
                (cost, from, from + kind.length)
            }
        }
    }
}

impl Lane {
    /// What some houses cost; what they use is added up here.
    fn ask(&mut self, now: &Round, problem: &Problem, houses: &[House]) -> i64 {
        houses.iter().map(|house| self.house(now, problem, house)).sum()
    }

    fn house(&mut self, now: &Round, problem: &Problem, house: &House) -> i64 {
        let chosen = if house.is_chain {
            self.chain(now, house)
        } else {
            loose(house, &|step, start| now.price(house, step, start))
        };
        let Some((cost, starts)) = chosen.filter(|(cost, _)| *cost < house.otherwise) else { return house.otherwise };
        let mut before = 0;
        for (step, &start) in house.steps.iter().zip(&starts) {
            let own = &step.starts[start as usize];
            self.spend(now, problem, step.work, own.slot);
            if let Some(way) = step.way.filter(|_| before < own.apart) {
                self.spend(now, problem, way, own.slot);
            }
            before = start;
        }
        cost
    }

    /// Adds up what is used of the goods.
    fn spend(&mut self, now: &Round, problem: &Problem, kind: usize, slot: u32) {
        now.each_hour(problem, kind, slot as usize, &mut |good, hour, minutes| {
            if let Some(used) = self.used[good].get_mut(hour) {
                *used += minutes;
            }
        });
    }

    /// The cheapest starts of a chain, step by step from the first on, and what they cost.
    fn chain(&mut self, now: &Round, house: &House) -> Option<(i64, Vec<u32>)> {
        self.costs.resize_with(self.costs.len().max(house.steps.len() + 1), Vec::new);
        for costs in [&mut self.costs[0], &mut self.sofar, &mut self.of_day] {
            costs.clear();
            costs.push(0);
        }
        for (number, step) in house.steps.iter().enumerate() {
            let work = &now.prices[step.work];
            let way = step.way.map(|way| &now.prices[way][..]);
            let (earlier, costs) = self.costs.split_at_mut(number + 1);
            let (before, costs) = (&earlier[number], &mut costs[0]);
            costs.clear();
            for start in &step.starts {
                let slot = start.slot as usize;
                let (ready, apart, other_days) =
                    (start.ready as usize, start.apart as usize, start.other_days as usize);
                let mut least = FAR;
                if apart == 0 && ready > 0 {
                    least = self.sofar[ready - 1];
                } else {
                    before[apart..ready].iter().for_each(|cost| least = least.min(*cost));
                }
                if apart > 0 {
                    let road = way.map_or(0, |way| way[slot]);
                    if apart > other_days {
                        least = least.min(self.of_day[apart - 1] + road);
                    }
                    if other_days > 0 {
                        least = least.min(self.sofar[other_days - 1] + road + step.visit);
                    }
                }
                costs.push((least + work[slot]).min(FAR));
            }
            self.sofar.clear();
            self.of_day.clear();
            let (mut least, mut least_of_day, mut day) = (FAR, FAR, u32::MAX);
            for (cost, start) in costs.iter().zip(&step.starts) {
                least = least.min(*cost);
                least_of_day = if start.day == day { least_of_day.min(*cost) } else { *cost };
                day = start.day;
                self.sofar.push(least);
                self.of_day.push(least_of_day);
            }
        }
        let ends = self.costs[house.steps.len()].iter().zip(&house.finishes);
        let (cost, last) = ends.map(|(cost, finish)| (cost + finish.cost, finish.start)).min()?;
        if cost >= FAR {
            return None;
        }
        let mut starts = vec![last; house.steps.len()];
        for number in (1..house.steps.len()).rev() {
            starts[number - 1] = self.before(now, &house.steps[number], number, starts[number]);
        }
        Some((cost, starts))
    }

    /// The start of the step before by which a start costs what it does.
    fn before(&self, now: &Round, step: &Step, number: usize, start: u32) -> u32 {
        let start = &step.starts[start as usize];
        let road = step.way.map_or(0, |way| now.prices[way][start.slot as usize]);
        let extra = |before: u32| match before {
            _ if before < start.other_days => road + step.visit,
            _ if before < start.apart => road,
            _ => 0,
        };
        (0..start.ready).min_by_key(|before| self.costs[number][*before as usize] + extra(*before)).unwrap_or(0)
    }
}

/// The cheapest starts of steps that wait for each other in some other way: all that go with a finish are free for it. `price` is
/// that of a step's start.
pub(in super::super) fn loose(house: &House, price: &dyn Fn(usize, usize) -> i64) -> Option<(i64, Vec<u32>)> {
    let mut least: Vec<(i64, u32)> = vec![(i64::MAX, 0); house.steps.len()];
    let (mut missing, mut sum) = (house.steps.len(), 0);
    let mut best: Option<(i64, Vec<u32>)> = None;
    for chance in house.finishes.chunk_by(|a, b| a.cost == b.cost) {
        for finish in chance {
            let price = price(finish.step as usize, finish.start as usize);
            let own = &mut least[finish.step as usize];
            if price < own.0 {
                missing -= usize::from(own.0 == i64::MAX);
                sum += price - if own.0 == i64::MAX { 0 } else { own.0 };
                *own = (price, finish.start);
            }
        }
        let cost = chance[0].cost;
        let known = best.as_ref().map_or(house.otherwise, |best| best.0);
        if cost >= known {
            break;
        }
        if missing == 0 && cost + sum < known {
            best = Some((cost + sum, least.iter().map(|own| own.1).collect()));
        }
    }
    best
}
