//! The starts that are cheapest for a house.

use super::super::hours::House;
use super::super::hours::round::{FAR, loose};

/// What a house costs at least at the prices of its steps' starts, and which these are; `None` where all cost more than what it is
/// otherwise.
pub(super) fn cheapest(house: &House, price: &dyn Fn(usize, usize) -> i64) -> Option<(i64, Vec<u32>)> {
    if !house.is_chain {
        return loose(house, price);
    }
    // By step and start: the start before it with which all until then costs least.
    let mut from: Vec<Vec<u32>> = Vec::with_capacity(house.steps.len());
    let mut costs: Vec<i64> = vec![0];
    for (number, step) in house.steps.iter().enumerate() {
        let (mut seen, mut least) = (0, (FAR, 0));
        let mut own: Vec<(i64, u32)> = Vec::with_capacity(step.starts.len());
        for (at, start) in step.starts.iter().enumerate() {
            while seen < start.ready as usize {
                least = least.min((costs[seen], seen as u32));
                seen += 1;
            }
            own.push(((least.0 + price(number, at)).min(FAR), least.1));
        }
        costs = own.iter().map(|own| own.0).collect();
        from.push(own.into_iter().map(|own| own.1).collect());
    }
    let ends = costs.iter().zip(&house.finishes).map(|(cost, finish)| (cost + finish.cost, finish.start));
    let (cost, last) = ends.min().filter(|(cost, _)| *cost < house.otherwise)?;
    let mut starts = vec![last; house.steps.len()];
    for number in (1..starts.len()).rev() {
        starts[number - 1] = from[number][starts[number] as usize];
    }
    Some((cost, starts))
}
