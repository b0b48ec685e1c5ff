//! Tests of `ready`: the table against a plain walk over the minutes, and the promises a planner relies on.

use super::*;
use crate::domain::climate::{Air, OutdoorHour};
use crate::trade::climate::HourlyClimate;
use crate::trade::climate::TABLE_HOURS_MAX;
use proptest::prelude::*;

const START: Minute = Minute(29_548_800);

fn climate(hours: &[(i32, i32)]) -> HourlyClimate {
    let hour = |(index, &(temp_centi_c, rh_centi_percent)): (usize, &(i32, i32))| OutdoorHour {
        start: START.plus(index as i64 * HOUR),
        air: Air { temp_centi_c, rh_centi_percent },
        rain_centi_mm: 0,
    };
    HourlyClimate::from_hours(hours.iter().enumerate().map(hour).collect()).unwrap()
}

fn steady(temp_centi_c: i32, rh_centi_percent: i32) -> HourlyClimate {
    HourlyClimate::constant(Air::new(temp_centi_c, rh_centi_percent).unwrap())
}

fn table(climate: &HourlyClimate, film: Film) -> DryingTable {
    DryingTable::new(climate, film, START, START.plus(30 * 24 * HOUR))
}

/// Minutes from `START` plus `start` to ready.
fn wait(table: &DryingTable, start: i64, label_minutes: i64) -> Option<i64> {
    table.ready_at(START.plus(start), label_minutes).map(|ready| ready.since(START) - start)
}

/// The definition, walked.
fn walked(climate: &HourlyClimate, film: Film, start: Minute, label_minutes: i64, until: Minute) -> Option<Minute> {
    let mut left = label_minutes * 1_000_000;
    let mut at = start;
    while left > 0 && at < until {
        left -= i64::from(progress_ppm(film, climate.at(at)));
        at = at.plus(1);
    }
    (left <= 0 && at < until).then_some(at)
}

#[test]
fn label_air_gives_label_time_at_any_minute_of_the_hour() {
    for film in Film::ALL {
        let table = table(&steady(2111, 5000), film);
        for start in [0, 1, 59, 60, 61, 1439] {
            for label_minutes in [1, 59, 60, 61, 720, 10_000] {
                assert_eq!(wait(&table, start, label_minutes), Some(label_minutes));
            }
        }
    }
}

/// Source: our model worked with ASHRAE's saturation pressure: 59 F and 70 % is 2.448 for water.
#[test]
fn steady_damp_air_stretches_the_label_by_the_factor() {
    let hours = wait(&table(&steady(1500, 7000), Film::Treatment), 0, 12 * 60).unwrap() as f64 / 60.0;
    assert!((hours - 12.0 * 2.448).abs() < 0.05, "{hours}");
}

/// Air too humid to say anything from hour 6 to 12: the floor that has 2 hours to go waits 6 hours and then 2.
#[test]
fn a_wait_is_held_while_the_model_gives_no_estimate() {
    let hours: Vec<(i32, i32)> = (0..24).map(|i| (2111, if (6..12).contains(&i) { 9500 } else { 5000 })).collect();
    let climate = climate(&hours);
    let water = table(&climate, Film::Treatment);
    assert_eq!(wait(&water, 0, 6 * 60), Some(6 * 60), "ready as the hold begins");
    assert_eq!(wait(&water, 0, 6 * 60 + 1), Some(12 * 60 + 1));
    assert_eq!(wait(&water, 4 * 60, 4 * 60), Some(10 * 60));
    assert_eq!(wait(&table(&climate, Film::MoistureCure), 4 * 60, 4 * 60), Some(4 * 60));
}

#[test]
fn air_that_never_dries_is_never_ready() {
    assert_eq!(wait(&table(&steady(500, 5000), Film::Treatment), 0, 1), None);
}

#[test]
fn edges_of_the_table() {
    let until = START.plus(600);
    let table = DryingTable::new(&steady(2111, 5000), Film::Treatment, START.plus(30), until);
    assert_eq!(table.ready_at(START.plus(30), 569), Some(START.plus(599)));
    assert_eq!(table.ready_at(START.plus(30), 570), None, "not before `until`");
    assert_eq!(table.ready_at(until, 0), None);
    assert_eq!(table.ready_at(START.plus(599), 0), Some(START.plus(599)));
    assert_eq!(table.ready_at(START.plus(40), -5), Some(START.plus(40)));
    assert_eq!(table.ready_at(START, 60), Some(START.plus(90)), "minutes before the table count for nothing");
    assert_eq!(table.ready_at(Minute(i64::MIN), 60), Some(START.plus(90)));
    assert_eq!(table.ready_at(Minute(i64::MAX), 60), None);
    assert_eq!(table.ready_at(START.plus(30), i64::MAX), None);
    assert_eq!(table.ready_at(START.plus(30), i64::MAX / 1_000_000), None);
    let empty = DryingTable::new(&steady(2111, 5000), Film::Treatment, until, START);
    assert_eq!(empty.ready_at(until, 1), None);
}

#[test]
fn a_table_has_a_bound() {
    let table = DryingTable::new(&steady(2111, 5000), Film::Treatment, START, Minute(i64::MAX));
    let end = START.plus(TABLE_HOURS_MAX * HOUR);
    assert_eq!(table.ready_at(end.plus(-2), 1), Some(end.plus(-1)));
    assert_eq!(table.ready_at(end.plus(-1), 1), None);
}

fn any_film() -> impl Strategy<Value = Film> {
    prop::sample::select(Film::ALL.to_vec())
}

/// Mostly air that the model covers, with some that it does not.
fn any_hours() -> impl Strategy<Value = Vec<(i32, i32)>> {
    prop::collection::vec((700_i32..3400, 1500_i32..9500), 24..72)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn equals_a_walk_over_the_minutes(
        hours in any_hours(), film in any_film(), from in 0_i64..200, start in 0_i64..4000, label_minutes in 1_i64..3000,
        length in 1_i64..40_000,
    ) {
        let climate = climate(&hours);
        let (from, until) = (START.plus(from), START.plus(from + length));
        let table = DryingTable::new(&climate, film, from, until);
        let start = START.plus(start).max(from);
        prop_assert_eq!(table.ready_at(start, label_minutes), walked(&climate, film, start, label_minutes, until));
    }

    #[test]
    fn a_later_start_is_never_ready_sooner(
        hours in any_hours(), film in any_film(), start in 0_i64..4000, later in 0_i64..2000, label_minutes in 0_i64..3000,
    ) {
        let table = table(&climate(&hours), film);
        let ready = |start: i64| table.ready_at(START.plus(start), label_minutes).map_or(i64::MAX, |ready| ready.0);
        prop_assert!(ready(start) <= ready(start + later));
    }

    #[test]
    fn never_sooner_than_the_label(
        hours in any_hours(), film in any_film(), start in 0_i64..4000, label_minutes in 0_i64..3000,
    ) {
        if let Some(wait) = wait(&table(&climate(&hours), film), start, label_minutes) {
            prop_assert!(wait >= label_minutes);
        }
    }

    #[test]
    fn damper_air_is_never_ready_sooner(
        hours in any_hours(), more in prop::collection::vec(0_i32..2000, 72), start in 0_i64..4000, label_minutes in 1_i64..3000,
    ) {
        let damper: Vec<(i32, i32)> =
            hours.iter().zip(more).map(|(&(temp, rh), more)| (temp, (rh + more).min(10_000))).collect();
        for film in [Film::Treatment, Film::Waterborne] {
            let ready = |hours: &[(i32, i32)]| {
                table(&climate(hours), film).ready_at(START.plus(start), label_minutes).map_or(i64::MAX, |ready| ready.0)
            };
            prop_assert!(ready(&hours) <= ready(&damper));
        }
    }
}
