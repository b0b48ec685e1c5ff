//! A lower bound by prices on time that change from hour to hour: each house's steps keep their order, to a few minutes, and
//! pay for the hours in which they lie. What a house costs at least is then a shortest path along its chain. Whoever comes from
//! another house was on the road just before, so its crew's time up to the start is paid for as well, as long as the shortest way
//! to that house takes; and each day on which a house is worked in, somebody drives there and away again.
//!
//! | module | what |
//! |---|---|
//! | `mod` | what is the same in all rounds |
//! | `maker` | which starts a house's steps can have, and which go with which |
//! | `round` | what all houses cost at some prices |

mod maker;
pub(super) mod round;

use super::goods::{Good, climb};
use super::prices::BUCKET;
use super::{Known, Load, ROUNDS_MAX, STARTS_A_MOVE};
use crate::planner::model::{Model, NONE};
use crate::planner::spans::{NEVER, T};
use maker::Maker;
use round::Round;

/// Starts are told apart by so many minutes: by as few as leave time for so many rounds.
const SLOTS: [T; 4] = [5, 10, 15, 30];
const ROUNDS_ENOUGH: u64 = 40;
/// With fewer rounds it is not worth while to begin.
const ROUNDS_MIN: u64 = 10;
/// Minutes of one price; whole slots.
pub(super) const HOUR: T = 60;
/// With more starts that steps may have, prices go by the day only: these take a hundred megabytes.
const STARTS_MAX: u64 = 4_000_000;
/// Houses are shared out to threads where they have so many together.
const STARTS_FOR_LANES: usize = 50_000;
const LANES: usize = 2;
/// Prices by the day are near already: steps of the full length would lead away from them first.
const REACH: f64 = 0.1;
/// Finishes are looked at up to where all work could be done if there were this part more of it, percent, and the longest chain
/// after that; whatever is later costs what it costs there.
const MORE_WORK_PERCENT: i64 = 15;

/// What is priced alike: minutes of work that take the same, or the way there.
#[derive(PartialEq, Eq)]
pub(super) struct Kind {
    /// Into `Problem::mixes`.
    pub(super) mix: usize,
    pub(super) length: T,
    pub(super) form: Form,
}

#[derive(PartialEq, Eq)]
pub(super) enum Form {
    /// In one piece from the start on.
    Whole,
    /// Just before the start, as far as that lies in the crew's day.
    Way,
    /// In pieces, the last of which lies in this slot at the latest, for a start in slot `first` and those after it.
    Pieces { first: usize, until: Vec<u32> },
}

/// A slot in which a step may begin.
pub(super) struct Start {
    pub(super) slot: u32,
    /// Of its last minute.
    pub(super) day: u32,
    /// Of the starts of the step before, the first so many are over so long before that somebody has come from elsewhere.
    pub(super) apart: u32,
    /// Not more than `apart`: those of other days.
    pub(super) other_days: u32,
    /// Those that can come before this one.
    pub(super) ready: u32,
}

pub(super) struct Step {
    pub(super) activity: u32,
    pub(super) work: usize,
    pub(super) way: Option<usize>,
    /// What the way takes, minutes.
    pub(super) away: T,
    /// Driving there and away again once, in prices' units.
    pub(super) visit: i64,
    pub(super) starts: Vec<Start>,
}

/// What the job's finish costs if a step has this start, in prices' units.
pub(super) struct Finish {
    pub(super) cost: i64,
    pub(super) step: u32,
    pub(super) start: u32,
}

pub(super) struct House {
    /// Each step has to wait for the one before it.
    pub(super) is_chain: bool,
    pub(super) steps: Vec<Step>,
    /// Of the last step; where it is no chain of all steps, the cheapest first.
    pub(super) finishes: Vec<Finish>,
    /// What it costs at least if it is none of these.
    pub(super) otherwise: i64,
}

/// What is the same in all rounds.
pub(super) struct Problem {
    /// Minutes of a slot, and how many there are.
    pub(super) slot: T,
    pub(super) slots: usize,
    pub(super) mixes: Vec<Vec<(usize, i64)>>,
    pub(super) kinds: Vec<Kind>,
    /// By kind: the slots it is asked for in.
    pub(super) asked: Vec<Vec<bool>>,
    /// Starts of crews' spans and days.
    pub(super) begins: Vec<T>,
    pub(super) houses: Vec<House>,
    /// Of all houses together.
    pub(super) starts: usize,
    pub(super) rest: i64,
}

/// The highest bound met, cost points, beginning with the prices `by_day` (per minute, good by good, day by day); `None` where
/// there is too much to look at.
pub(super) fn bound(
    known: Known<'_>,
    loads: &[Load],
    by_day: &[Good],
    (upper, moves): (i64, u64),
) -> Option<(i64, Hourly)> {
    let (slot, end) = grid(known, loads, moves)?;
    let problem = Problem::new(known, loads, (slot, end));
    let rounds = (moves.saturating_mul(STARTS_A_MOVE) / problem.starts.max(1) as u64).min(ROUNDS_MAX);
    let hours = problem.hours();
    let mut goods: Vec<Good> = loads.iter().map(|load| Good::new(load, (hours, HOUR))).collect();
    for (good, known) in goods.iter_mut().zip(by_day) {
        for (hour, price) in good.price.iter_mut().enumerate() {
            *price = known.price.get(hour * HOUR as usize / BUCKET as usize).copied().unwrap_or(0);
        }
    }
    let mut round = Round::new(&problem, goods.len());
    let bound = climb(&mut goods, (problem.rest, upper, rounds, REACH), &mut |goods| round.ask(&problem, goods));
    let crew_goods = loads.len() - known.0.capacities.len();
    Some((bound, Hourly { problem, goods, crew_goods }))
}

/// What was priced by the hour, and the prices at which the bound was highest.
pub(super) struct Hourly {
    pub(super) problem: Problem,
    pub(super) goods: Vec<Good>,
    /// The first so many goods are crews' time.
    pub(super) crew_goods: usize,
}

impl Problem {
    pub(super) fn new(known: Known<'_>, loads: &[Load], (slot, end): (T, T)) -> Problem {
        let (model, _, weights, _) = known;
        let mut problem = Problem {
            slot,
            slots: (end / slot + 1) as usize,
            mixes: Vec::new(),
            kinds: Vec::new(),
            asked: Vec::new(),
            begins: begins(model),
            houses: Vec::new(),
            starts: 0,
            rest: 0,
        };
        let mut maker = Maker::new(known, loads, (slot, end));
        for job in 0..weights.jobs.len() as u32 {
            match maker.house(&mut problem, job) {
                Ok(house) => {
                    problem.starts += house.steps.iter().map(|step| step.starts.len()).sum::<usize>();
                    problem.houses.push(house);
                }
                Err(cost) => problem.rest += cost,
            }
        }
        problem
    }

    pub(super) fn hours(&self) -> usize {
        (self.slots * self.slot as usize).div_ceil(HOUR as usize)
    }

    fn kind(&mut self, kind: Kind) -> usize {
        // Few, and the last ones are asked for most often.
        let known = self.kinds.iter().rposition(|known| *known == kind);
        known.unwrap_or_else(|| {
            self.kinds.push(kind);
            self.asked.push(vec![false; self.slots]);
            self.kinds.len() - 1
        })
    }

    fn mix(&mut self, mix: Vec<(usize, i64)>) -> usize {
        let known = self.mixes.iter().position(|known| *known == mix);
        known.unwrap_or_else(|| {
            self.mixes.push(mix);
            self.mixes.len() - 1
        })
    }
}

/// Minutes of a slot, and up to when finishes are looked at; `None` where there is too much to look at for so many moves.
fn grid((model, fixed, _, alone): Known<'_>, loads: &[Load], moves: u64) -> Option<(T, T)> {
    let end = model.end.min(horizon(model, loads, alone));
    // When somebody is at work; few steps can begin at other times.
    let spans = loads[0].capacity.windows(2).filter(|pair| pair[0].1 > 0);
    let at_work =
        |from: T| spans.clone().map(|pair| i64::from((pair[1].0.min(end) - pair[0].0.max(from)).max(0))).sum::<i64>();
    let open = (0..model.activities.len()).filter(|activity| fixed[*activity].is_none() && alone[*activity].0 < end);
    let minutes = open.map(|activity| at_work(alone[activity].0)).sum::<i64>() as u64;
    if minutes == 0 {
        return None;
    }
    let rounds = |slot: T| moves.saturating_mul(STARTS_A_MOVE) / (minutes / slot as u64).max(1);
    let fits = |slot: &T| minutes / *slot as u64 <= STARTS_MAX;
    let slot = SLOTS.into_iter().filter(fits).find(|slot| rounds(*slot) >= ROUNDS_ENOUGH);
    let slot = slot.or(SLOTS.last().copied().filter(fits).filter(|slot| rounds(*slot) >= ROUNDS_MIN))?;
    Some((slot, end))
}

/// When all work could be done, and the longest chain after that.
fn horizon(model: &Model, loads: &[Load], alone: &[(T, T)]) -> T {
    let mut end = 0;
    for load in loads {
        let mut left: i64 = load.work.iter().map(|(_, minutes)| minutes).sum::<i64>() * (100 + MORE_WORK_PERCENT) / 100;
        for (number, &(from, level)) in load.capacity.iter().enumerate() {
            if left <= 0 {
                break;
            }
            let until = load.capacity.get(number + 1).map_or(model.end, |next| next.0);
            left -= level * i64::from(until - from);
            end = end.max(until);
        }
    }
    let longest = alone.iter().map(|(_, finish)| *finish).filter(|finish| *finish < NEVER).fold(0, T::max);
    end.saturating_add(longest)
}

/// When crews begin to work, and when their days begin: what was before says nothing about where they come from.
fn begins(model: &Model) -> Vec<T> {
    let spans = model.crews.iter().flat_map(|crew| model.calendars[crew.calendar as usize].as_slice());
    let days = model.crews.iter().filter(|crew| crew.days != NONE).flat_map(|crew| &model.days[crew.days as usize]);
    let mut begins: Vec<T> = spans.map(|span| span.0).chain(days.copied()).chain([0]).collect();
    begins.sort_unstable();
    begins.dedup();
    begins
}

#[cfg(test)]
pub(super) mod tests;
