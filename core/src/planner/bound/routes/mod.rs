//! A lower bound by prices on who does what when: each start of each step has a price, which its house pays and the crew that
//! does it is paid. A house takes the starts that are cheapest for it; each crew drives on each of its days the round that pays
//! best, in whole steps, one after the other, with all ways. What houses pay less what crews keep, no plan can cost less than
//! (Guignard and Kim, "Lagrangean decomposition", Mathematical Programming 39, 1987; rounds as shortest paths on which a step may
//! come back after another house: Christofides, Mingozzi and Toth, "State-space relaxation procedures for the computation of
//! bounds to routing problems", Networks 11, 1981; both cited from memory). Gear keeps its prices by the hour. It begins with the
//! prices that the bound by the hour ended with.
//!
//! | module | what |
//! |---|---|
//! | `mod` | what is the same in all rounds of prices, and a round of all together |
//! | `house` | the starts that are cheapest for a house |
//! | `day` | what a crew can do on a day, and what pays best of it |
//! | `volume` | how prices find their way |

mod day;
mod house;
mod volume;

use super::Known;
use super::goods::{Good, UNIT};
use super::hours::round::Round;
use super::hours::{Hourly, Problem, Start};
use crate::planner::model::{Model, NONE};
use crate::planner::spans::T;
use day::{Day, Table};
use volume::{Asked, climb};

/// So many chances of crews are looked at for each move of the search: about a fifth of its time.
const CHANCES_A_MOVE: u64 = 100;
/// With fewer rounds it is not worth while to begin, and with more it hardly rises.
const ROUNDS_MIN: u64 = 30;
const ROUNDS_MAX: u64 = 1_500;
/// These take a hundred megabytes.
const CHANCES_MAX: usize = 8_000_000;
/// With fewer chances one thread is as fast.
const CHANCES_FOR_LANES: usize = 30_000;
const LANES: usize = 2;

/// A step, and where its starts are among all.
struct Step {
    activity: u32,
    /// Into `Problem::houses`, and which of its steps.
    house: u32,
    number: u32,
    /// Into `Problem::kinds`: what gear it takes.
    kind: usize,
    /// Its first start; the others follow.
    first: usize,
    length: T,
    /// Whether crews are paid for it, start by start. Who does the others does them for nothing and in no time.
    paid: bool,
}

/// What is the same in all rounds.
struct Routes {
    /// Its goods' crews are taken out.
    problem: Problem,
    steps: Vec<Step>,
    /// By house: its first step.
    first_steps: Vec<usize>,
    /// How many there are; prices of gear come after theirs.
    starts: usize,
    days: Vec<Day>,
    /// The first so many goods are crews' time.
    crew_goods: usize,
}

/// What one thread works out of a round.
struct Lane {
    table: Table,
    cost: i64,
    /// By price: how much more is asked for than there is.
    pull: Vec<f64>,
}

/// The highest bound met, cost points, beginning with prices by the hour; `least` is known already, and `upper` is what a known
/// plan costs. `None` where it is not worth while for so many moves, or where ways could be shorter over a third place.
pub(super) fn bound(known: Known<'_>, hourly: Hourly, (least, upper): (i64, i64), moves: u64) -> Option<i64> {
    let (model, ..) = known;
    let enough = |chances: usize| {
        let rounds = moves.saturating_mul(CHANCES_A_MOVE) / chances.max(1) as u64;
        (rounds >= ROUNDS_MIN && chances <= CHANCES_MAX).then_some(rounds.min(ROUNDS_MAX))
    };
    let is_small = hourly.problem.slots <= usize::from(u16::MAX);
    let steps = hourly.problem.houses.iter().flat_map(|house| &house.steps);
    let possible = steps.map(|step| step.starts.len() * model.activities[step.activity as usize].modes.len()).sum();
    enough(possible).filter(|_| model.ways_are_shortest && is_small)?;
    let Hourly { problem, mut goods, crew_goods } = hourly;
    let mut with_crews = Round::new(&problem, goods.len());
    with_crews.set(&problem, &goods);
    let routes = Routes::new(known, problem, crew_goods)?;
    let chances: usize = routes.days.iter().map(Day::chances).sum();
    let rounds = enough(chances)?;
    let mut gear = Round::new(&routes.problem, goods.len());
    gear.set(&routes.problem, &goods);
    let mut prices = vec![0; routes.starts];
    for step in routes.steps.iter().filter(|step| step.paid) {
        for (number, start) in routes.starts_of(step).iter().enumerate() {
            let of = |round: &Round| round.prices()[step.kind][start.slot as usize];
            prices[step.first + number] = of(&with_crews) - of(&gear);
        }
    }
    let hours = routes.problem.hours();
    goods[crew_goods..].iter().for_each(|good| prices.extend_from_slice(&good.price[..hours]));
    let scales = routes.scales(prices.len());
    let spans: Vec<(usize, usize)> =
        routes.steps.iter().map(|step| (step.first, step.first + routes.starts_of(step).len())).collect();
    let mut lanes = lanes(if chances < CHANCES_FOR_LANES { 1 } else { LANES }, prices.len());
    let mut ask = |prices: &[i64]| routes.ask(prices, (&mut gear, &mut goods), &mut lanes);
    Some(climb(prices, (&scales, &spans), (least, upper, rounds), &mut ask))
}

fn lanes(count: usize, prices: usize) -> Vec<Lane> {
    (0..count).map(|_| Lane { table: Table::default(), cost: 0, pull: vec![0.0; prices] }).collect()
}

/// All steps, and by house its first.
fn steps(model: &Model, problem: &Problem) -> (Vec<Step>, Vec<usize>) {
    let (mut steps, mut first_steps, mut first) = (Vec::new(), Vec::new(), 0);
    for (house, own) in problem.houses.iter().enumerate() {
        first_steps.push(steps.len());
        let place = |activity: u32| model.activities[activity as usize].place;
        let home = own.steps.first().map_or(NONE, |step| place(step.activity));
        for (number, step) in own.steps.iter().enumerate() {
            let activity = &model.activities[step.activity as usize];
            let length = problem.kinds[step.work].length;
            // A step ends in a later slot than it begins in.
            let whole = !activity.dividable && activity.joins == NONE && length >= problem.slot;
            let paid = whole && activity.place == home;
            let (house, number, kind) = (house as u32, number as u32, step.work);
            steps.push(Step { activity: step.activity, house, number, kind, first, length, paid });
            first += step.starts.len();
        }
    }
    (steps, first_steps)
}

impl Routes {
    /// Of a problem in which the first so many goods are crews' time; `None` where something is done by nobody.
    fn new(known: Known<'_>, mut problem: Problem, crew_goods: usize) -> Option<Routes> {
        let (steps, first_steps) = steps(known.0, &problem);
        problem.mixes.iter_mut().for_each(|mix| mix.retain(|take| take.0 >= crew_goods));
        let starts = problem.starts;
        let mut routes = Routes { problem, steps, first_steps, starts, days: Vec::new(), crew_goods };
        routes.days = day::days(known, &routes)?;
        Some(routes)
    }

    fn starts_of(&self, step: &Step) -> &[Start] {
        &self.problem.houses[step.house as usize].steps[step.number as usize].starts
    }

    /// By price: a start's price is that of all its minutes together, and moves with the square of their number when the
    /// price of a minute is to move as that of gear does.
    fn scales(&self, prices: usize) -> Vec<f64> {
        let mut scales = vec![1.0; prices];
        for step in &self.steps {
            let count = self.starts_of(step).len();
            scales[step.first..step.first + count].fill(f64::from(step.length).powi(2));
        }
        scales
    }

    /// What all cost at these prices.
    fn ask(&self, prices: &[i64], (gear, goods): (&mut Round, &mut [Good]), lanes: &mut [Lane]) -> Asked {
        let hours = self.problem.hours();
        let of_gear = prices[self.starts..].chunks(hours);
        goods[self.crew_goods..]
            .iter_mut()
            .zip(of_gear)
            .for_each(|(good, own)| good.price[..hours].copy_from_slice(own));
        gear.set(&self.problem, goods);
        let houses = self.problem.houses.len();
        let (houses_each, days_each) = (houses.div_ceil(lanes.len()), self.days.len().div_ceil(lanes.len()));
        let share = |each: usize, lane: usize, all: usize| (each * lane).min(all)..(each * (lane + 1)).min(all);
        let gear = &*gear;
        let work = |number: usize, lane: &mut Lane| {
            lane.cost = 0;
            lane.pull.fill(0.0);
            for house in share(houses_each, number, houses) {
                self.house(house, (prices, gear), lane);
            }
            for day in &self.days[share(days_each, number, self.days.len())] {
                let (pays, chosen) = day.best(self, prices, &mut lane.table);
                lane.cost -= pays;
                chosen.iter().for_each(|start| lane.pull[*start] -= 1.0);
            }
        };
        std::thread::scope(|scope| {
            let (first, others) = lanes.split_at_mut(1);
            let work = &work;
            let others: Vec<_> = others
                .iter_mut()
                .enumerate()
                .map(|(number, lane)| scope.spawn(move || work(number + 1, lane)))
                .collect();
            work(0, &mut first[0]);
            others.into_iter().for_each(|lane| lane.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        });
        let mut cost = lanes.iter().map(|lane| lane.cost).sum::<i64>();
        let mut pull = vec![0.0; prices.len()];
        for lane in &*lanes {
            pull.iter_mut().zip(&lane.pull).for_each(|(all, own)| *all += own);
        }
        for (number, good) in goods[self.crew_goods..].iter().enumerate() {
            let at = self.starts + number * hours;
            for (hour, (price, there)) in good.price.iter().zip(&good.capacity).enumerate() {
                cost -= price * there;
                pull[at + hour] -= *there as f64;
            }
        }
        Asked { bound: self.problem.rest + cost.div_euclid(UNIT) + i64::from(cost.rem_euclid(UNIT) > 0), pull }
    }

    /// What a house pays, and what it asks for.
    fn house(&self, number: usize, (prices, gear): (&[i64], &Round), lane: &mut Lane) {
        let house = &self.problem.houses[number];
        let steps = &self.steps[self.first_steps[number]..][..house.steps.len()];
        let price = |number: usize, start: usize| {
            let step = &steps[number];
            prices[step.first + start] + gear.prices()[step.kind][house.steps[number].starts[start].slot as usize]
        };
        let (cost, chosen) = house::cheapest(house, &price).unwrap_or((house.otherwise, Vec::new()));
        lane.cost += cost;
        for (step, start) in steps.iter().zip(chosen) {
            if step.paid {
                lane.pull[step.first + start as usize] += 1.0;
            }
            self.use_gear(gear, step.kind, self.starts_of(step)[start as usize].slot, &mut lane.pull);
        }
    }

    /// Adds up what a step asks for of gear.
    fn use_gear(&self, gear: &Round, kind: usize, slot: u32, pull: &mut [f64]) {
        let hours = self.problem.hours();
        gear.each_hour(&self.problem, kind, slot as usize, &mut |good, hour, minutes| {
            if hour < hours {
                pull[self.starts + (good - self.crew_goods) * hours + hour] += minutes as f64;
            }
        });
    }
}

#[cfg(test)]
mod tests;
