//! Prices by the hour by hand: when a house's steps are cheapest, and when somebody has to have come for them.

use super::super::super::model::{Activity, Anchor, Arc, Crew, Mode, Model, NONE, Part, Place};
use super::super::super::score::{Fixed, JobWeights, Weights};
use super::super::super::spans::{NEVER, Spans, T};
use super::super::goods::{Good, UNIT};
use super::super::{alone, loads};
use super::round::Round;
use super::{Form, HOUR, Kind, Problem, STARTS_FOR_LANES};
use crate::domain::situation::CostWeights;

pub(in super::super) const DAY: T = 1440;

/// A crew from 480 to 960 every day for a week, two places, and steps of one job in the first of them.
pub(in super::super) fn steps(lengths: &[T]) -> Model {
    let mut model = Model { end: 7 * DAY, job_count: 1, ..Model::default() };
    model.calendars = vec![Spans::always(), Spans::new((0..7).map(|day| (day * DAY + 480, day * DAY + 960)).collect())];
    model.crews = vec![Crew { calendar: 1, regular: 1, days: NONE }];
    model.crew_taken = vec![Vec::new()];
    model.places = vec![Place { access: 0 }];
    model.ways = vec![0];
    for (number, &length) in lengths.iter().enumerate() {
        let own = number as u32..number as u32 + 1;
        model.parts.push(Part { offset: 0, length });
        model.modes.push(Mode { crew: 0, calendar: 1, hours: 1, length, parts: own.clone(), gates: 0..0 });
        model.activities.push(Activity::plain(0, 0, own));
    }
    model
}

/// Another place, so many minutes away.
pub(in super::super) fn with_a_way(model: Model, minutes: u16) -> Model {
    Model { places: [0, 0].map(|access| Place { access }).to_vec(), ways: vec![0, minutes, minutes, 0], ..model }
}

/// Ways are counted by the day, and home is half an hour from both places.
pub(in super::super) fn by_days(mut model: Model) -> Model {
    model.crews[0].days = 0;
    Model { days: vec![(0..7).map(|day| day * DAY).collect()], home_ways: vec![30, 30], ..model }
}

/// Each step waits so many minutes for the end of the one before it.
pub(in super::super) fn in_order(mut model: Model, min: T) -> Model {
    let arc = |to: u32| Arc {
        from: to - 1,
        to,
        from_part: 0,
        to_part: 0,
        anchor: Anchor::Finish,
        min,
        dry: NONE,
        overnight: NONE,
        max: NEVER,
        extra: NONE,
        keep_off: false,
    };
    model.arcs = (1..model.activities.len() as u32).map(arc).collect();
    model
}

/// So many jobs that weigh one each, without a due date.
pub(in super::super) fn weights(model: &Model, jobs: usize) -> Weights {
    let count = model.activities.len();
    let fixed = Fixed {
        steps: (0..count as u16).map(|step| vec![step]).collect(),
        crew: vec![NONE; count],
        busy: vec![Vec::new()],
    };
    let job = JobWeights { weight: 1, due: NEVER, release: 0 };
    Weights::new(CostWeights::default(), vec![job; jobs], Vec::new(), model, fixed)
}

/// What the house costs while the crew's minutes have these prices by the hour, and which minutes it uses by the hour.
fn asked(model: &mut Model, prices: &[(usize, i64)]) -> (i64, Vec<(usize, i64)>) {
    model.index();
    let count = model.activities.len();
    let fixed = vec![None; count];
    let weights = weights(model, 1);
    let loads = loads(model, &fixed);
    let alone = alone(model, &fixed);
    let problem = Problem::new((model, &fixed, &weights, &alone), &loads, (1, model.end));
    let mut goods: Vec<Good> = loads.iter().map(|load| Good::new(load, (problem.hours(), HOUR))).collect();
    prices.iter().for_each(|&(hour, price)| goods[0].price[hour] = price * UNIT);
    let cost = Round::new(&problem, goods.len()).ask(&problem, &mut goods);
    assert_eq!(cost % UNIT, 0);
    let used = goods[0].used.iter().copied().enumerate().filter(|(_, minutes)| *minutes > 0);
    (cost / UNIT, used.collect())
}

fn day_of(price: i64) -> Vec<(usize, i64)> {
    (8..16).map(|hour| (hour, price)).collect()
}

/// Two hours, twelve hours of drying, one hour. Free of charge it is begun at eight, and finished at nine the next morning; after noon
/// is in time as well, if the morning is dear. Where all day is, it pays, unless a day
/// later costs less.
#[test]
fn a_chain_is_done_when_that_is_cheapest() {
    let mut model = in_order(steps(&[120, 60]), 720);
    let second = (32, 60);
    assert_eq!(asked(&mut model, &[]), (1_980, vec![(8, 60), (9, 60), second]));
    let morning = [(8, 2), (9, 2), (10, 2), (11, 2)];
    assert_eq!(asked(&mut model, &morning), (1_980, vec![(12, 60), (13, 60), second]));
    assert_eq!(asked(&mut model, &day_of(2)).0, 1_980 + 240);
    assert_eq!(asked(&mut model, &day_of(20)), (3_420, vec![(32, 60), (33, 60), (56, 60)]));
}

/// Who begins with the day comes from nowhere. Who is to begin at noon comes from elsewhere, and it is cheaper to wait for a way
/// that costs less than the morning's last minutes.
#[test]
fn who_comes_in_the_middle_of_the_day_has_been_on_the_road() {
    let mut model = with_a_way(in_order(steps(&[120, 60]), 720), 20);
    assert_eq!(asked(&mut model, &[]), (1_980, vec![(8, 60), (9, 60), (32, 60)]));
    let prices: Vec<_> = (8..12).map(|hour| (hour, 20)).chain((12..16).map(|hour| (hour, 1))).collect();
    assert_eq!(asked(&mut model, &prices), (1_980 + 140, vec![(12, 60), (13, 60), (14, 20), (32, 60)]));
}

/// Two steps that follow at once are one visit. If the second is to wait for a cheaper hour, somebody comes for it again.
#[test]
fn who_is_still_there_has_not_been_on_the_road() {
    let mut model = with_a_way(in_order(steps(&[60, 60]), 0), 20);
    assert_eq!(asked(&mut model, &[(8, 1), (9, 1)]), (600 + 120, vec![(8, 60), (9, 60)]));
    assert_eq!(asked(&mut model, &[(9, 10)]), (680, vec![(8, 60), (10, 60), (11, 20)]));
    let mut nowhere_else = in_order(steps(&[60, 60]), 0);
    assert_eq!(asked(&mut nowhere_else, &[(9, 10)]), (660, vec![(8, 60), (10, 60)]));
}

/// Somebody who may be at work in the house until the last step begins has not come for it. Here the first step goes on beside the
/// second: from eight until ten past ten, an hour of that at a price, while the second is done by half past eight, and the last begins at
/// ten. If it had to pay for the way, that would be 20 more.
#[test]
fn what_may_still_go_on_is_not_over() {
    let mut model = with_a_way(in_order(steps(&[130, 30, 30]), 0), 20);
    model.arcs[0].anchor = Anchor::Start;
    model.arcs[1].min = 60;
    assert_eq!(asked(&mut model, &[(9, 1)]).0, 60 + 630);
}

/// On each of two days somebody drives there and away: the way to the other place is shorter than that from home, and costs 3 a minute.
#[test]
fn each_day_in_a_house_somebody_drives_there() {
    let mut model = by_days(with_a_way(in_order(steps(&[120, 60]), 720), 20));
    assert_eq!(asked(&mut model, &[]).0, 1_980 + 2 * 60);
    // Twice on one day may be one visit.
    let mut twice = by_days(with_a_way(in_order(steps(&[60, 60]), 120), 20));
    assert_eq!(asked(&mut twice, &[]).0, 720 + 60);
    model.home_ways = vec![10, 30];
    assert_eq!(asked(&mut model, &[]).0, 1_980 + 2 * 30);
    model.home_ways = vec![0, 0];
    assert_eq!(asked(&mut model, &[]).0, 1_980);
}

/// What goes on with a step that was begun before is no new visit, though it may come on another day; what follows the next day is.
#[test]
fn who_goes_on_with_what_was_begun_is_there() {
    let mut model = by_days(with_a_way(in_order(steps(&[120, 60]), 720), 20));
    model.activities[0].joins = 7;
    assert_eq!(asked(&mut model, &[]).0, 1_980 + 60);
}

/// Two threads that share houses out come to what one comes to.
#[test]
fn it_does_not_matter_who_works_a_house_out() {
    let mut model = with_a_way(steps(&[10; 24]), 20);
    model.job_count = 2;
    model.activities.iter_mut().skip(12).for_each(|own| own.job = 1);
    model = in_order(model, 0);
    model.arcs.retain(|arc| arc.to != 12);
    model.index();
    let fixed = vec![None; 24];
    let weights = weights(&model, 2);
    let (loads, alone) = (loads(&model, &fixed), alone(&model, &fixed));
    let mut problem = Problem::new((&model, &fixed, &weights, &alone), &loads, (1, model.end));
    assert!(problem.starts >= STARTS_FOR_LANES && problem.houses.iter().all(|house| house.is_chain));
    let ask = |problem: &Problem| {
        let mut goods: Vec<Good> = loads.iter().map(|load| Good::new(load, (problem.hours(), HOUR))).collect();
        goods[0].price.iter_mut().enumerate().for_each(|(hour, price)| *price = (hour as i64 * 7 % 11) * UNIT);
        let cost = Round::new(problem, goods.len()).ask(problem, &mut goods);
        (cost, goods.into_iter().map(|good| good.used).collect::<Vec<_>>())
    };
    let by_two = ask(&problem);
    problem.starts = 0;
    assert_eq!(by_two, ask(&problem));
    assert!(by_two.1[0].iter().sum::<i64>() >= 24 * 10);
}

/// Steps that do not wait for each other are finished with the last; each is as cheap as that lets it be.
#[test]
fn steps_in_no_order_wait_for_the_dear_hour_together() {
    let mut model = steps(&[60, 60]);
    assert_eq!(asked(&mut model, &[]).0, 540);
    assert_eq!(asked(&mut model, &[(8, 10)]), (600, vec![(9, 120)]));
    assert_eq!(asked(&mut model, &[(8, 1), (9, 1), (10, 1), (11, 1)]).0, 540 + 120);
}

/// Ten hours of work that may rest overnight pay no more than in the cheapest hour they may touch.
#[test]
fn what_rests_overnight_pays_no_more_than_where_it_is_cheapest() {
    let mut model = steps(&[600]);
    model.activities[0].dividable = true;
    let finish = i64::from(DAY + 480 + 120);
    assert_eq!(
        asked(&mut model, &day_of(5)),
        (
            finish,
            vec![(16, 60), (17, 60), (18, 60), (19, 60), (20, 60), (21, 60), (22, 60), (23, 60), (24, 60), (25, 60)]
        )
    );
}

/// Against all starts of a slot one by one, at prices by chance.
#[test]
fn the_cheapest_start_of_a_slot_is_found() {
    let mut state = 7u64;
    let mut draw = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    let hours = 48;
    for slot in [5, 10, 15, 30] {
        let begins = vec![0, 420, 450, 1440, 1865, 1897];
        let slots = (hours * HOUR / slot) as usize;
        let mut problem = Problem {
            slot,
            slots,
            mixes: vec![vec![(0, 2)]],
            kinds: Vec::new(),
            asked: Vec::new(),
            begins: begins.clone(),
            houses: Vec::new(),
            starts: 0,
            rest: 0,
        };
        for length in [1, 12, 25, 60, 75, 130] {
            for form in [Form::Whole, Form::Way] {
                problem.kinds.push(Kind { mix: 0, length, form });
                problem.asked.push(vec![true; slots]);
            }
        }
        let mut goods = vec![Good {
            capacity: vec![0; hours as usize],
            price: (0..hours).map(|_| draw(1_000) as i64).collect(),
            used: vec![0; hours as usize],
        }];
        let minute = |t: T| goods[0].price.get((t / HOUR) as usize).map_or(0, |price| 2 * price);
        let until = |from: T, until: T| (from..until).map(minute).sum::<i64>();
        let one = |kind: &Kind, start: T| match kind.form {
            Form::Way => {
                let begun = begins.iter().rev().find(|begin| **begin <= start).copied().unwrap_or(0);
                until((start - kind.length).max(begun), start)
            }
            _ => until(start, start + kind.length),
        };
        let expected: Vec<Vec<i64>> = problem
            .kinds
            .iter()
            .map(|kind| {
                (0..slots as T).map(|at| (at * slot..(at + 1) * slot).map(|t| one(kind, t)).min().unwrap()).collect()
            })
            .collect();
        let mut round = Round::new(&problem, 1);
        assert_eq!(round.ask(&problem, &mut goods), 0);
        assert_eq!(round.prices(), expected, "slots of {slot} minutes");
    }
}
