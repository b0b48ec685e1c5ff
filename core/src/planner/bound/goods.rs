//! What prices are on, and how they find their way: Lagrangian relaxation of the capacities (Fisher, "Optimal solution of production
//! scheduling problems using Lagrange multipliers", Operations Research 21, 1973). Prices rise where more is asked for than there
//! is and fall where less is (subgradient method, Held, Wolfe and Crowder, Mathematical Programming 6, 1974). All in integers:
//! whatever the prices, the bound holds.

use super::Load;
use crate::planner::spans::T;

/// Prices are counted in this part of a cost point a minute.
pub(super) const UNIT: i64 = 256;
/// A minute that is dearer changes nothing any more, and sums stay far from the limits of integers.
const PRICE_MAX: i64 = 1 << 28;
/// Rounds without a better bound after which steps get shorter.
const PATIENCE: u32 = 8;

/// One bottleneck, stretch of time by stretch of time.
pub(super) struct Good {
    /// Minutes there are in each stretch.
    pub(super) capacity: Vec<i64>,
    pub(super) price: Vec<i64>,
    pub(super) used: Vec<i64>,
}

impl Good {
    /// What there is of `load` in so many stretches of so many minutes; it costs nothing yet.
    pub(super) fn new(load: &Load, (stretches, minutes): (usize, T)) -> Good {
        let mut capacity = vec![0; stretches];
        let horizon = stretches as T * minutes;
        for (number, &(from, level)) in load.capacity.iter().enumerate() {
            let until = load.capacity.get(number + 1).map_or(horizon, |next| next.0.min(horizon));
            let mut from = from;
            while level > 0 && from < until {
                let stretch = from / minutes;
                let end = until.min((stretch + 1) * minutes);
                capacity[stretch as usize] += level * i64::from(end - from);
                from = end;
            }
        }
        Good { price: vec![0; stretches], used: vec![0; stretches], capacity }
    }
}

/// The highest bound met in `rounds` rounds, cost points; the prices are left at those of that round. `rest` is what costs that
/// much whatever the prices, `upper` what a known plan costs, `reach` how far a step goes at first of what would close that gap.
/// `ask` tells what all others cost at the goods' prices, in [`UNIT`]s, and adds up what they use.
pub(super) fn climb(
    goods: &mut [Good],
    (rest, upper, rounds, reach): (i64, i64, u64, f64),
    ask: &mut dyn FnMut(&mut [Good]) -> i64,
) -> i64 {
    let mut best = 0;
    let mut best_prices: Vec<Vec<i64>> = goods.iter().map(|good| good.price.clone()).collect();
    let (mut reach, mut since) = (reach, 0);
    for _ in 0..rounds {
        goods.iter_mut().for_each(|good| good.used.fill(0));
        let worth: i64 =
            goods.iter().map(|good| good.price.iter().zip(&good.capacity).map(|(p, c)| p * c).sum::<i64>()).sum();
        let asked = ask(goods);
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
        step(goods, reach * (upper - found).max(1) as f64);
    }
    goods.iter_mut().zip(best_prices).for_each(|(good, kept)| good.price = kept);
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
