//! Rounds against all there are, one by one; bounds by hand.

use super::super::super::model::{Crew, Mode, Model, NONE, Part};
use super::super::super::spans::Spans;
use super::super::goods::{Good, UNIT};
use super::super::hours::tests::{DAY, by_days, in_order, steps, weights, with_a_way};
use super::super::{alone, loads};
use super::*;

/// Two houses 20 minutes apart, half an hour from home: three steps that wait an hour for each other, and two that follow at once.
fn two_houses() -> Model {
    let mut model = by_days(with_a_way(in_order(steps(&[60, 30, 45, 30, 40]), 60), 20));
    model.arcs.remove(2);
    model.arcs[2].min = 0;
    model.job_count = 2;
    model.activities[3..].iter_mut().for_each(|own| (own.job, own.place) = (1, 1));
    model.end = 2 * DAY;
    model
}

/// Runs `look` on what is made of a model, with starts told apart by `slot` minutes.
fn with_routes<R>(model: &mut Model, slot: T, look: impl FnOnce(&Routes, &[Good]) -> R) -> R {
    model.index();
    let fixed = vec![None; model.activities.len()];
    let weights = weights(model, model.job_count);
    let (loads, alone) = (loads(model, &fixed), alone(model, &fixed));
    let known = (&*model, &fixed[..], &weights, &alone[..]);
    let problem = Problem::new(known, &loads, (slot, model.end));
    let goods: Vec<Good> = loads.iter().map(|load| Good::new(load, (problem.hours(), 60))).collect();
    let routes = Routes::new(known, problem, loads.len() - model.capacities.len()).unwrap();
    look(&routes, &goods)
}

/// The bound after so many rounds from prices that are all nothing.
fn climbed(model: &mut Model, upper: i64, rounds: u64) -> i64 {
    with_routes(model, 5, |routes, goods| {
        let mut goods: Vec<Good> = goods
            .iter()
            .map(|good| Good { capacity: good.capacity.clone(), price: good.price.clone(), used: good.used.clone() })
            .collect();
        let of_gear: usize = goods[routes.crew_goods..].iter().map(|_| routes.problem.hours()).sum();
        let prices = vec![0; routes.starts + of_gear];
        let scales = routes.scales(prices.len());
        let mut gear = Round::new(&routes.problem, goods.len());
        let mut lanes = lanes(2, prices.len());
        let mut ask = |prices: &[i64]| routes.ask(prices, (&mut gear, &mut goods), &mut lanes);
        climb(prices, (&scales, &[]), (0, upper, rounds), &mut ask)
    })
}

fn draws(mut state: u64) -> impl FnMut(u64) -> u64 {
    move |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    }
}

/// What somebody is paid for: step, minute it begins, and how much.
type Pay = (usize, T, i64);

/// The best of all rounds that go on from `last`, in cost points: no step in a house comes before one that was done on the same
/// visit, and what follows a step waits for it.
fn best_from(model: &Model, last: Option<(usize, T)>, paid: &[Pay]) -> i64 {
    let place = |step: usize| model.activities[step].place;
    let length = |step: usize| model.parts[step].length;
    let home = |step: usize| i64::from(model.home_way(place(step), 0)) * 3;
    let stop = last.map_or(0, |(step, _)| -home(step));
    let next = paid.iter().filter_map(|&(step, start, pay)| {
        let Some((before, begun)) = last else {
            return Some(pay - home(step) + best_from(model, Some((step, start)), paid));
        };
        let over = begun + length(before);
        let way = model.way(place(before), place(step));
        let wait =
            model.arcs.iter().find(|arc| (arc.from as usize, arc.to as usize) == (before, step)).map(|arc| arc.min);
        let is_chain = model.arcs.iter().any(|arc| place(arc.to as usize) == place(step));
        let in_order = !is_chain || place(before) != place(step) || before < step;
        let fits = in_order && start >= over + way && wait.is_none_or(|wait| start >= over + wait);
        fits.then(|| pay - 3 * i64::from(way) + best_from(model, Some((step, start)), paid))
    });
    next.fold(stop, i64::max)
}

/// Against all rounds that there are, at prices by chance; steps in their order, and some in none.
#[test]
fn the_round_that_pays_best_is_found() {
    let mut model = two_houses();
    all_rounds(&mut model);
    model.arcs.retain(|arc| arc.to >= 3);
    all_rounds(&mut model);
}

fn all_rounds(model: &mut Model) {
    let mut draw = draws(11);
    let mut longest = 0;
    for _ in 0..300 {
        let mut paid: Vec<Pay> = Vec::new();
        for step in 0..5 {
            for _ in 0..3 {
                let start = 480 + 5 * draw(80) as T;
                paid.retain(|pay| (pay.0, pay.1) != (step, start));
                paid.push((step, start, 20 + draw(180) as i64));
            }
        }
        let (pays, chosen) = with_routes(model, 5, |routes, _| {
            let mut prices = vec![0; routes.starts];
            let mut at = Vec::new();
            for &(step, start, pay) in &paid {
                let own = &routes.steps[step];
                let number = routes.starts_of(own).iter().position(|own| own.slot as T == start / 5);
                // Before the step before it can be over, nobody can.
                let Some(number) = number else { continue };
                prices[own.first + number] = pay * UNIT;
                at.push((own.first + number, (step, start, pay)));
            }
            let mut pays = (0, Vec::new());
            for day in &routes.days {
                let (pay, chosen) = day.best(routes, &prices, &mut Table::default());
                if pay > 0 {
                    pays = (pay, chosen.iter().map(|price| at.iter().find(|at| at.0 == *price).unwrap().1).collect());
                }
            }
            paid = at.into_iter().map(|at| at.1).collect();
            pays
        });
        assert_eq!(pays, best_from(model, None, &paid) * UNIT, "{paid:?}");
        // What is said to be done pays that.
        let mut chosen: Vec<Pay> = chosen;
        chosen.reverse();
        longest = longest.max(chosen.len());
        let mut rest = pays / UNIT;
        let mut last: Option<u32> = None;
        for (step, _, pay) in &chosen {
            let place = model.activities[*step].place;
            rest -= pay - 3 * i64::from(last.map_or(30, |last| model.way(last, place)));
            last = Some(place);
        }
        assert_eq!(rest + if last.is_some() { 90 } else { 0 }, 0, "{chosen:?}");
    }
    assert!(longest >= 5, "{longest}");
}

/// A second crew that can do both of two steps of an hour.
fn with_another_crew(model: &mut Model) {
    model.crews.push(Crew { calendar: 1, regular: 1, days: 0 });
    model.crew_taken.push(Vec::new());
    model.modes = [(0, 0), (1, 0), (0, 1), (1, 1)]
        .map(|(crew, step)| Mode { crew, calendar: 1, hours: 1, length: 60, parts: step..step + 1, gates: 0..0 })
        .to_vec();
    model.activities.iter_mut().zip([0..2, 2..4]).for_each(|(own, modes)| own.modes = modes);
}

/// By hand: an hour in each of two houses, 20 minutes apart and half an hour from home. Done one after the other they are finished
/// after 540 and 620 minutes, and the round costs 3 times 80 minutes: 1,400. Houses alone cost 540 each.
#[test]
fn two_houses_cannot_both_be_first() {
    let mut model = by_days(with_a_way(steps(&[60, 60]), 20));
    model.job_count = 2;
    (model.activities[1].job, model.activities[1].place) = (1, 1);
    assert_eq!(climbed(&mut model, 1_400, 1), 1_080);
    assert_eq!(climbed(&mut model, 1_400, 1_000), 1_400);
    // Another crew has the other house, with a way of its own: two rounds of an hour.
    with_another_crew(&mut model);
    model.home_ways = vec![30; 4];
    let bound = climbed(&mut model, 1_400, 1_000);
    assert!((1_320..=1_400).contains(&bound), "{bound}");
}

/// By hand: a step that takes the only sander an hour, in each of two houses next door to each other, with a crew for each.
#[test]
fn gear_that_both_need_is_waited_for() {
    let mut model = by_days(with_a_way(steps(&[60, 60]), 0));
    with_another_crew(&mut model);
    model.job_count = 2;
    model.home_ways = vec![0; 4];
    (model.activities[1].job, model.activities[1].place) = (1, 1);
    assert_eq!(climbed(&mut model, 1_140, 500), 1_080);
    model.capacities = vec![1];
    model.needs = vec![(0, 1)];
    model.activities.iter_mut().for_each(|own| own.needs = 0..1);
    let bound = climbed(&mut model, 1_140, 500);
    assert!((1_125..=1_140).contains(&bound), "{bound}");
}

/// What may rest overnight, what goes on with a begun step, and what is shorter than a slot are nobody's to be paid for.
#[test]
fn what_rounds_do_not_see_is_free() {
    let paid = |model: &mut Model, slot: T| {
        with_routes(model, slot, |routes, _| routes.steps.iter().map(|step| step.paid).collect::<Vec<_>>())
    };
    let mut model = in_order(steps(&[60, 60, 60, 10]), 0);
    assert_eq!(paid(&mut model, 10), [true; 4]);
    assert_eq!(paid(&mut model, 15), [true, true, true, false]);
    model.activities[0].dividable = true;
    model.activities[1].joins = 3;
    assert_eq!(paid(&mut model, 10), [false, false, true, true]);
    model.activities[2].place = NONE;
    assert_eq!(paid(&mut model, 10), [false, false, false, true]);
}

/// With more people a crew is over sooner; it has one chance in each slot, and that is the sooner one.
#[test]
fn a_crew_is_as_strong_as_it_can_be() {
    let mut model = by_days(steps(&[60]));
    let mut chances = |lengths: &[T]| {
        model.parts = lengths.iter().map(|&length| Part { offset: 0, length }).collect();
        let mode = |(at, &length): (usize, &T)| {
            let own = at as u32..at as u32 + 1;
            Mode { crew: 0, calendar: 1, hours: 1, length, parts: own, gates: 0..0 }
        };
        model.modes = lengths.iter().enumerate().map(mode).collect();
        model.activities[0].modes = 0..lengths.len() as u32;
        with_routes(&mut model, 10, |routes, _| format!("{:?}", routes.days))
    };
    let sooner = chances(&[40]);
    assert_ne!(sooner, chances(&[60]));
    assert_eq!(sooner, chances(&[60, 40]));
    assert_eq!(sooner, chances(&[40, 60]));
}

/// From half past eight on there are more people: who begins then is over sooner than who has begun before, and is paid for what
/// comes next.
#[test]
fn who_begins_later_can_be_over_sooner() {
    let mut model = by_days(in_order(steps(&[60, 30]), 0));
    model.calendars.push(Spans::new(vec![(510, 960)]));
    model.parts.push(Part { offset: 0, length: 20 });
    model.modes.insert(1, Mode { crew: 0, calendar: 2, hours: 2, length: 20, parts: 2..3, gates: 0..0 });
    (model.activities[0].modes, model.activities[1].modes) = (0..2, 2..3);
    let pays = with_routes(&mut model, 10, |routes, _| {
        let mut prices = vec![0; routes.starts];
        for (step, slot, pay) in [(0, 51, 500), (1, 53, 700)] {
            let own = &routes.steps[step];
            let start = routes.starts_of(own).iter().position(|start| start.slot == slot).unwrap();
            prices[own.first + start] = pay * UNIT;
        }
        routes.days[0].best(routes, &prices, &mut Table::default()).0
    });
    assert_eq!(pays, (500 + 700 - 2 * 90) * UNIT);
}

/// Who works through midnight can begin in a slot of both days.
#[test]
fn a_slot_can_lie_in_two_days() {
    let mut model = by_days(steps(&[60]));
    model.calendars[1] = Spans::new(vec![(1_380, 1_560)]);
    model.days = vec![(0..7).map(|day| day * DAY + 5).collect()];
    model.end = 2 * DAY;
    // Slots begin at 23:00, 23:30, midnight, half past twelve, and one, when it is the last time to begin.
    let chances = with_routes(&mut model, 30, |routes, _| routes.days.iter().map(Day::chances).collect::<Vec<_>>());
    assert_eq!(chances, [3, 3]);
}

/// By hand: a good that costs a thousand otherwise, and of which there is half; its price is best at a thousand. The other is not
/// wanted at all.
#[test]
fn prices_climb() {
    let mut ask = |prices: &[i64]| {
        let pull = if prices[0] > 1_000 * UNIT { -0.5 } else { 0.5 };
        let worth = prices[0].min(1_000 * UNIT) - prices[0] / 2 - prices[1];
        Asked { bound: worth.div_euclid(UNIT), pull: vec![pull, -1.0] }
    };
    let bound = climb(vec![0, 99 * UNIT], (&[1.0, 1.0], &[]), (1, 600, 500), &mut ask);
    assert!((495..=500).contains(&bound), "{bound}");
    assert_eq!(
        climb(vec![0, 0], (&[1.0, 1.0], &[]), (700, 900, 10), &mut ask),
        700,
        "what is known already is not lost"
    );
}

/// By hand: what one value was is shared with its neighbours, and at the ends some of it goes.
#[test]
fn neighbours_are_drawn_along() {
    let mut values = [0.0, 9.0, 0.0, 0.0, 3.0];
    volume::smooth(&mut values);
    assert_eq!(values, [3.0, 3.0, 3.0, 1.0, 1.0]);
}
