//! How prices find their way: from the best ones met, along what was asked for too much or too little on the average of the rounds
//! so far, which a single round tells badly where there are so many prices (volume algorithm: Barahona and Anbil, "The volume
//! algorithm: producing primal solutions with a subgradient method", Mathematical Programming 87, 2000; cited from memory).

use super::super::goods::UNIT;

/// How much the newest round counts in the average: this part at first, half of that after so many rounds, a third after twice
/// as many.
const NEWEST: f64 = 0.1;
const NEWEST_HALVED_ROUNDS: f64 = 60.0;
/// How far a step goes at first of what would close the gap; longer after a better bound, shorter after so many others: the
/// sooner, the fewer rounds there are.
const REACH: f64 = 0.05;
const LONGER: f64 = 1.1;
const SHORTER: f64 = 0.7;
const ROUNDS_A_TRY: u64 = 50;
const PATIENCE_MIN: u64 = 3;
const PATIENCE_MAX: u64 = 20;
/// What is dearer changes nothing any more, and sums stay far from the limits of integers.
const PRICE_MAX: i64 = 1 << 34;

/// What a round tells.
pub(super) struct Asked {
    /// No plan costs less, cost points.
    pub(super) bound: i64,
    /// By price: how much more is asked for than there is.
    pub(super) pull: Vec<f64>,
}

/// The highest bound met in `rounds` rounds from `prices` on, or `least`; `upper` is what a known plan costs. By price how
/// easily it moves; starts of a step, in `spans` of prices, draw their neighbours along.
pub(super) fn climb(
    mut prices: Vec<i64>,
    (scales, spans): (&[f64], &[(usize, usize)]),
    (least, upper, rounds): (i64, i64, u64),
    ask: &mut dyn FnMut(&[i64]) -> Asked,
) -> i64 {
    let first = ask(&prices);
    let (mut best, mut mean) = (first.bound, first.pull);
    let patience = (rounds / ROUNDS_A_TRY).clamp(PATIENCE_MIN, PATIENCE_MAX);
    let (mut reach, mut since) = (REACH, 0);
    let mut tried = prices.clone();
    let mut way = mean.clone();
    for round in 1..rounds {
        way.copy_from_slice(&mean);
        spans.iter().for_each(|span| (0..2).for_each(|_| smooth(&mut way[span.0..span.1])));
        let moves = |at: &usize| prices[*at] > 0 || way[*at] > 0.0;
        let length: f64 = (0..prices.len()).filter(moves).map(|at| scales[at] * mean[at] * way[at]).sum();
        if length <= 0.0 {
            break;
        }
        let scale = reach * ((upper - best).max(1) * UNIT) as f64 / length;
        for (at, tried) in tried.iter_mut().enumerate() {
            let change = (scale * scales[at] * way[at]).round() as i64;
            *tried = prices[at].saturating_add(change).clamp(0, PRICE_MAX);
        }
        let asked = ask(&tried);
        if asked.bound > best {
            best = asked.bound;
            std::mem::swap(&mut prices, &mut tried);
            (reach, since) = (reach * LONGER, 0);
        } else {
            since += 1;
            if since == patience {
                (reach, since) = (reach * SHORTER, 0);
            }
        }
        let newest = NEWEST / (1.0 + round as f64 / NEWEST_HALVED_ROUNDS);
        mean.iter_mut().zip(&asked.pull).for_each(|(mean, pull)| *mean += newest * (pull - *mean));
    }
    best.max(least)
}

/// Each value becomes the mean of itself and its neighbours.
pub(super) fn smooth(values: &mut [f64]) {
    let mut before = 0.0;
    for at in 0..values.len() {
        let after = values.get(at + 1).copied().unwrap_or(0.0);
        let sum = before + values[at] + after;
        before = values[at];
        values[at] = sum / 3.0;
    }
}
