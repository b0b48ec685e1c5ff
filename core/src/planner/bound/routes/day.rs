//! What a crew can do on a day, and the round that pays best.

use super::super::Known;
use super::super::goods::UNIT;
use super::Routes;
use crate::planner::hours::{gate_obstacle, workable};
use crate::planner::model::{Model, NONE};
use crate::planner::spans::T;
use std::ops::{Range, RangeInclusive};

/// One crew's day. Times are counted in slots from its first on.
#[derive(Debug)]
pub(super) struct Day {
    /// Of each step one after the other: in which slot it begins, in which it is over, and which of the step's starts that is.
    chances: Vec<Chance>,
    steps: Vec<Own>,
    houses: Vec<Home>,
    slots: usize,
    /// Slots on the road between two houses, and what that costs, row by row.
    ways: Vec<(u32, i64)>,
}

#[derive(Debug, Clone, Copy)]
struct Chance {
    slot: u16,
    over: u16,
    /// So many chances of the step just before it in its house, on this day, can come before it.
    ready: u16,
    start: u32,
}

/// What a crew can do of a step on a day.
#[derive(Debug)]
struct Own {
    /// Into `Routes::steps`.
    step: u32,
    /// Of `Day::chances`.
    first: u32,
    end: u32,
    /// Whether the step before it here is the one just before it in its house.
    follows: bool,
}

#[derive(Debug)]
struct Home {
    /// What driving there from home costs, and back again.
    way: i64,
    is_chain: bool,
    /// Of `Day::steps`.
    first: u32,
    end: u32,
}

/// What is reused from day to day.
#[derive(Default)]
pub(super) struct Table {
    /// By chance: what the best round pays that ends with it.
    values: Vec<i64>,
    cursors: Vec<Cursor>,
    /// By slot and house: the best round over by then that ends there.
    free: Vec<i64>,
}

/// How far a step's chances have been looked at.
#[derive(Clone, Copy)]
struct Cursor {
    /// The next one to begin, and the next one to be over.
    next: u32,
    over: u32,
    /// The best round that is over and ends with this step.
    ended: i64,
    /// For the step that follows it: the next chance that may come before that, and the best until there.
    before: u32,
    before_best: i64,
}

const NEVER_PAYS: i64 = i64::MIN / 4;

/// That a crew can begin a step on a day: which step, in which slot it begins, in which it is over, and which of its starts it is.
type Found = (u32, u32, u32, u32);

/// All days of all crews on which there is something to do; `None` where something is done by nobody.
pub(super) fn days((model, _, weights, _): Known<'_>, routes: &Routes) -> Option<Vec<Day>> {
    let end = routes.problem.slots as T * routes.problem.slot;
    let dates = |crew: u32| {
        let next = |day: &Range<T>| (day.end < end).then(|| model.crew_day(crew, day.end));
        std::iter::successors(Some(model.crew_day(crew, 0)), next).map(|date| (date, Vec::new())).collect()
    };
    let mut found: Vec<Vec<(Range<T>, Vec<Found>)>> = (0..model.crews.len() as u32).map(dates).collect();
    for (number, step) in routes.steps.iter().enumerate().filter(|(_, step)| step.paid) {
        for mode in model.activities[step.activity as usize].modes.clone() {
            let dates = found.get_mut(model.modes[mode as usize].crew as usize)?;
            let mut today = 0;
            for (at, start) in routes.starts_of(step).iter().enumerate() {
                let first = start.slot as T * routes.problem.slot;
                let last = first + routes.problem.slot - 1;
                today += dates[today..].iter().take_while(|(date, _)| date.end <= first).count();
                for (date, found) in dates[today..].iter_mut().take_while(|(date, _)| date.start <= last) {
                    let within = first.max(date.start)..=last.min(date.end - 1);
                    if let Some(over) = over(model, (step.activity, mode), &within) {
                        found.push((number as u32, start.slot, (over / routes.problem.slot) as u32, at as u32));
                    }
                }
            }
        }
    }
    let mut days = Vec::new();
    for (crew, dates) in found.into_iter().enumerate() {
        for (date, mut found) in dates.into_iter().filter(|(_, found)| !found.is_empty()) {
            // With whichever people it is over first; who begins later and is over sooner could have waited.
            found.sort_unstable();
            found.dedup_by_key(|found| (found.0, found.1));
            for later in (1..found.len()).rev() {
                if found[later].0 == found[later - 1].0 {
                    found[later - 1].2 = found[later - 1].2.min(found[later].2);
                }
            }
            days.push((date.start, Day::new(model, weights.cost.travel_minute, routes, (crew as u32, &found))));
        }
    }
    // On the same day, crews look at the same prices.
    days.sort_by_key(|(date, _)| *date);
    Some(days.into_iter().map(|(_, day)| day).collect())
}

/// When an activity is over at best that begins in this time; `None` if it cannot.
fn over(model: &Model, (activity, mode): (u32, u32), within: &RangeInclusive<T>) -> Option<T> {
    let mut t = *within.start();
    loop {
        let (start, finish) = workable(model, activity, mode, t, 1)?;
        if start > *within.end() || finish > model.end {
            return None;
        }
        match gate_obstacle(model, mode, start) {
            None => return Some(finish),
            Some(next) if next > *within.end() => return None,
            Some(next) => t = next.max(start + 1),
        }
    }
}

impl Day {
    fn new(model: &Model, travel: i64, routes: &Routes, (crew, found): (u32, &[Found])) -> Day {
        let first_slot = found.iter().map(|chance| chance.1).min().unwrap_or(0);
        let slots = found.iter().map(|chance| chance.1).max().unwrap_or(0) - first_slot + 1;
        let mut day =
            Day { chances: Vec::new(), steps: Vec::new(), houses: Vec::new(), slots: slots as usize, ways: Vec::new() };
        let mut places = Vec::new();
        let mut last = (NONE, NONE);
        for &(number, slot, over, start) in found {
            let step = &routes.steps[number as usize];
            if step.house != last.0 {
                let place = model.activities[step.activity as usize].place;
                places.push(place);
                let way = i64::from(model.home_way(place, crew)) * travel * UNIT;
                let is_chain = routes.problem.houses[step.house as usize].is_chain;
                let first = day.steps.len() as u32;
                day.houses.push(Home { way, is_chain, first, end: first });
            }
            if number != last.1 {
                let follows = step.house == last.0 && number == last.1 + 1;
                let first = day.chances.len() as u32;
                day.steps.push(Own { step: number, first, end: first, follows });
                if let Some(house) = day.houses.last_mut() {
                    house.end += 1;
                }
            }
            last = (step.house, number);
            let ready = match day.steps.last() {
                Some(own) if own.follows => {
                    let ready = routes.starts_of(step)[start as usize].ready;
                    let before = &day.steps[day.steps.len() - 2];
                    let before = &day.chances[before.first as usize..before.end as usize];
                    before.partition_point(|chance| chance.start < ready)
                }
                _ => 0,
            };
            // What is over after the day's last start is over too late, whenever.
            let (slot, over) = ((slot - first_slot) as u16, (over - first_slot).min(slots) as u16);
            day.chances.push(Chance { slot, over, ready: ready as u16, start });
            if let Some(step) = day.steps.last_mut() {
                step.end += 1;
            }
        }
        for one in &places {
            for other in &places {
                let way = model.way(*one, *other);
                day.ways.push(((way / routes.problem.slot) as u32, i64::from(way) * travel * UNIT));
            }
        }
        day
    }

    /// How many there are.
    pub(super) fn chances(&self) -> usize {
        self.chances.len()
    }

    /// What the round pays that pays best, and the prices it is made of.
    pub(super) fn best(&self, routes: &Routes, prices: &[i64], table: &mut Table) -> (i64, Vec<usize>) {
        let houses = self.houses.len();
        table.values.clear();
        table.values.resize(self.chances.len(), NEVER_PAYS);
        table.free.clear();
        table.free.resize(houses * self.slots, NEVER_PAYS);
        table.cursors.clear();
        table.cursors.extend(self.steps.iter().map(|own| Cursor {
            next: own.first,
            over: own.first,
            ended: NEVER_PAYS,
            before: own.first,
            before_best: NEVER_PAYS,
        }));
        let (values, cursors) = (&mut table.values[..], &mut table.cursors[..]);
        let mut best = (0, NONE, 0);
        for slot in 0..self.slots {
            let free = &mut table.free[..(slot + 1) * houses];
            for (number, house) in self.houses.iter().enumerate() {
                let mut most = NEVER_PAYS;
                for cursor in &mut cursors[house.first as usize..house.end as usize] {
                    while cursor.over < cursor.next && usize::from(self.chances[cursor.over as usize].over) <= slot {
                        cursor.ended = cursor.ended.max(values[cursor.over as usize]);
                        cursor.over += 1;
                    }
                    most = most.max(cursor.ended);
                }
                free[slot * houses + number] = most;
            }
            for (number, house) in self.houses.iter().enumerate() {
                let mut arrive = None;
                // The best round over by now that ends with the step before last or one before that, and with the last or before.
                let (mut long_ago, mut ago) = (NEVER_PAYS, NEVER_PAYS);
                for at in house.first as usize..house.end as usize {
                    let own = &self.steps[at];
                    let next = cursors[at].next;
                    if next < own.end && usize::from(self.chances[next as usize].slot) == slot {
                        cursors[at].next += 1;
                        let chance = self.chances[next as usize];
                        let step = &routes.steps[own.step as usize];
                        let price = prices[step.first + chance.start as usize];
                        // Who is not paid for it need not do it.
                        if price > 0 {
                            let arrive = *arrive.get_or_insert_with(|| self.arrive(free, slot, number).0);
                            let value = if !house.is_chain {
                                arrive.max(free[slot * houses + number])
                            } else if own.follows {
                                let before = &mut cursors[at - 1];
                                let ready = self.steps[at - 1].first + u32::from(chance.ready);
                                while before.before < before.over.min(ready) {
                                    before.before_best = before.before_best.max(values[before.before as usize]);
                                    before.before += 1;
                                }
                                arrive.max(long_ago).max(before.before_best)
                            } else {
                                arrive.max(ago)
                            };
                            let value = value + price;
                            values[next as usize] = value;
                            if value - house.way > best.0 {
                                best = (value - house.way, at as u32, next);
                            }
                        }
                    }
                    long_ago = ago;
                    ago = ago.max(cursors[at].ended);
                }
            }
        }
        (best.0, self.trace(routes, prices, table, best))
    }

    /// The best that whoever begins in a house can have come from, and which house that is; from home: none.
    fn arrive(&self, free: &[i64], slot: usize, house: usize) -> (i64, Option<usize>) {
        let houses = self.houses.len();
        let mut best = (-self.houses[house].way, None);
        for (other, (slots, cost)) in self.ways[house * houses..(house + 1) * houses].iter().enumerate() {
            if other != house && *slots as usize <= slot {
                let value = free[(slot - *slots as usize) * houses + other] - cost;
                if value > best.0 {
                    best = (value, Some(other));
                }
            }
        }
        best
    }

    /// The prices that a round is made of, from its last on.
    fn trace(
        &self,
        routes: &Routes,
        prices: &[i64],
        table: &Table,
        (paid, last, chance): (i64, u32, u32),
    ) -> Vec<usize> {
        let mut chosen = Vec::new();
        if paid == 0 {
            return chosen;
        }
        let houses = self.houses.len();
        let (mut at, mut chance) = (last as usize, chance as usize);
        loop {
            let own = &self.steps[at];
            let now = self.chances[chance];
            let price = routes.steps[own.step as usize].first + now.start as usize;
            chosen.push(price);
            let before = table.values[chance] - prices[price];
            let house = self.houses.partition_point(|house| house.first as usize <= at) - 1;
            let home = &self.houses[house];
            let slot = usize::from(now.slot);
            let (arrive, from) = self.arrive(&table.free, slot, house);
            // Where there is a choice, whichever is found first.
            let look_in = if arrive == before {
                let Some(from) = from else { return chosen };
                let (slots, cost) = self.ways[house * houses + from];
                let from = &self.houses[from];
                (from.first as usize..from.end as usize, slot - slots as usize, before + cost, None)
            } else {
                let last = if home.is_chain { at } else { home.end as usize };
                (
                    home.first as usize..last,
                    slot,
                    before,
                    (own.follows && home.is_chain).then_some(usize::from(now.ready)),
                )
            };
            let (among, by, value, ready) = look_in;
            let found = among.rev().find_map(|step| {
                let own = &self.steps[step];
                let fits = |chance: &usize| {
                    let one = &self.chances[*chance];
                    let ready =
                        ready.filter(|_| step + 1 == at).is_none_or(|ready| *chance < own.first as usize + ready);
                    usize::from(one.over) <= by && ready && table.values[*chance] == value
                };
                (own.first as usize..own.end as usize).find(fits).map(|chance| (step, chance))
            });
            debug_assert!(found.is_some(), "a round without a beginning");
            let Some(found) = found else { return chosen };
            (at, chance) = found;
        }
    }
}
