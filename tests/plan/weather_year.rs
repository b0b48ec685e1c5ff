//! A recorded year, whole and hurt, through every house and film: what a later start, damper air, holes, a repeated hour
//! and wild values do. What its seasons look like is in `demo_weather.rs`.

use crate::common::newark::{minute, modes, newark, recorded_hours};
use proptest::prelude::*;
use tackfree::domain::climate::{Film, OutdoorHour};
use tackfree::domain::time::{HOUR, Minute};
use tackfree::trade::climate::{FORECAST_HOLE_HOURS_MAX, ForecastError, HourlyClimate};
use tackfree::trade::house::house_climate;
use tackfree::trade::ready::DryingTable;

const DAY: i64 = 24 * HOUR;
/// Usual label times: recoat of a waterborne film, overnight, an oil (common practice, no source).
const LABELS: [i64; 3] = [3 * HOUR, 12 * HOUR, 16 * HOUR];

fn tables(outdoor: &HourlyClimate) -> Vec<DryingTable> {
    let (from, until) = (outdoor.start(), outdoor.forecast_end().unwrap().plus(60 * DAY));
    let houses = modes().map(|mode| house_climate(outdoor, mode));
    houses.iter().flat_map(|house| Film::ALL.map(|film| DryingTable::new(house, film, from, until))).collect()
}

/// When a floor begun at `start` is ready; what is not within the table counts as later than all that is.
fn ready(table: &DryingTable, start: Minute, label: i64) -> i64 {
    table.ready_at(start, label).map_or(i64::MAX, |ready| ready.0)
}

#[test]
fn a_later_start_is_never_ready_sooner_all_year() {
    let outdoor = newark();
    let starts = || (outdoor.start().0..outdoor.forecast_end().unwrap().0).step_by(20).map(Minute);
    for (number, table) in tables(&outdoor).iter().enumerate() {
        for label in LABELS {
            let mut last = i64::MIN;
            for start in starts() {
                let ready = ready(table, start, label);
                assert!(ready >= last, "table {number}, {label} minutes, {start:?}: {ready} after {last}");
                last = ready;
            }
        }
    }
}

#[test]
fn damper_outdoor_air_is_never_ready_sooner_all_year() {
    let starts: Vec<Minute> =
        (newark().start().0..newark().forecast_end().unwrap().0).step_by(97).map(Minute).collect();
    let damper = |more: i32| {
        let damp = |mut hour: OutdoorHour| {
            hour.air.rh_centi_percent = (hour.air.rh_centi_percent + more).min(10_000);
            hour
        };
        tables(&HourlyClimate::from_hours(recorded_hours().into_iter().map(damp).collect()).unwrap())
    };
    let mut later = 0;
    let mut dry = tables(&newark());
    for more in [1, 300, 2000] {
        let damp = damper(more);
        for (number, (dry, damp)) in dry.iter().zip(&damp).enumerate() {
            for (start, label) in starts.iter().flat_map(|&start| LABELS.map(|label| (start, label))) {
                let (dry, damp) = (ready(dry, start, label), ready(damp, start, label));
                assert!(dry <= damp, "table {number}, {more} more, {start:?}, {label} minutes");
                later += usize::from(dry < damp);
            }
        }
        dry = damp;
    }
    assert!(later > 10_000, "damper air was felt {later} times");
}

#[test]
fn the_repeated_hour_is_two_hours_and_refused_as_one() {
    let mut hours = recorded_hours();
    // 01:00 on 3 November, first in summer time and then in standard time.
    let first = hours.iter().position(|hour| hour.start == minute("2013-11-03T05:00:00Z")).unwrap();
    assert_eq!(hours[first + 1].start, minute("2013-11-03T06:00:00Z"));
    hours[first + 1].start = hours[first].start;
    let hour = hours[first].start;
    assert_eq!(HourlyClimate::from_hours(hours), Err(ForecastError::Duplicate { hour }));
}

/// The row that has no temperature is not in the file: its hour lies half-way between its neighbours.
#[test]
fn the_hour_without_a_temperature_is_filled_along_a_line() {
    let at = minute("2013-08-22T13:00:00Z");
    assert!(recorded_hours().iter().all(|hour| hour.start != at));
    let [before, filled, after] = [-1, 0, 1].map(|hour| newark().at(at.plus(hour * HOUR)));
    assert_eq!(filled.temp_centi_c, (before.temp_centi_c + after.temp_centi_c + 1).div_euclid(2));
    assert_eq!(filled.rh_centi_percent, (before.rh_centi_percent + after.rh_centi_percent + 1).div_euclid(2));
}

/// What may be wrong with one hour of a station's year.
#[derive(Debug, Clone, Copy)]
enum Harm {
    Temp(i32),
    Humidity(i32),
    Rain(i32),
    Start(i64),
    Missing(usize),
}

fn any_harm() -> impl Strategy<Value = Harm> {
    prop_oneof![
        prop_oneof![i32::MIN..=-6001, 6001..=i32::MAX].prop_map(Harm::Temp),
        prop_oneof![i32::MIN..=-1, 10_001..=i32::MAX].prop_map(Harm::Humidity),
        prop_oneof![i32::MIN..=-1, 50_001..=i32::MAX].prop_map(Harm::Rain),
        any::<i64>().prop_map(Harm::Start),
        (4_usize..9).prop_map(Harm::Missing),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    /// A value that no air has is refused by its hour, a short hole is filled, a long one refused, and nothing panics.
    #[test]
    fn a_hurt_year_is_refused_by_its_hour_or_filled(place in 24_usize..8600, harm in any_harm()) {
        let mut hours = recorded_hours();
        let hurt = &mut hours[place];
        let hour = hurt.start;
        match harm {
            Harm::Temp(temp_centi_c) => {
                hurt.air.temp_centi_c = temp_centi_c;
                prop_assert_eq!(HourlyClimate::from_hours(hours), Err(ForecastError::AbsurdTemp { hour, temp_centi_c }));
            }
            Harm::Humidity(rh_centi_percent) => {
                hurt.air.rh_centi_percent = rh_centi_percent;
                let refused = Err(ForecastError::AbsurdHumidity { hour, rh_centi_percent });
                prop_assert_eq!(HourlyClimate::from_hours(hours), refused);
            }
            Harm::Rain(rain_centi_mm) => {
                hurt.rain_centi_mm = rain_centi_mm;
                prop_assert_eq!(HourlyClimate::from_hours(hours), Err(ForecastError::AbsurdRain { hour, rain_centi_mm }));
            }
            Harm::Start(start) => {
                hurt.start = Minute(start);
                prop_assert!(HourlyClimate::from_hours(hours).is_err());
            }
            Harm::Missing(count) => {
                hours.drain(place..place + count);
                let missing = hours[place].start.since(hours[place - 1].start) / HOUR - 1;
                let climate = HourlyClimate::from_hours(hours.clone());
                if missing > FORECAST_HOLE_HOURS_MAX {
                    prop_assert_eq!(climate, Err(ForecastError::HoleTooLong { hour: hours[place].start, missing }));
                } else {
                    let climate = climate.unwrap();
                    prop_assert_eq!(climate.forecast_end(), newark().forecast_end());
                    let ends = [hours[place - 1].air.temp_centi_c, hours[place].air.temp_centi_c];
                    let filled = climate.at(hour).temp_centi_c;
                    prop_assert!((ends[0].min(ends[1])..=ends[0].max(ends[1])).contains(&filled));
                    for table in tables(&climate) {
                        prop_assert!(ready(&table, hour, LABELS[0]) >= hour.0 + LABELS[0]);
                    }
                }
            }
        }
    }
}
