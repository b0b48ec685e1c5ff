//! Tests of `climate`: what is refused and why, what is filled, and what the series answers outside itself.

use super::*;

/// 2026-03-08T00:00Z, a whole UTC hour.
const START: Minute = Minute(29_548_800);

fn hour(index: i64, temp_centi_c: i32, rh_centi_percent: i32) -> OutdoorHour {
    OutdoorHour { start: START.plus(index * HOUR), air: Air { temp_centi_c, rh_centi_percent }, rain_centi_mm: 0 }
}

/// `count` hours; hour `i` has `i` degrees (modulo 40) and 50 %.
fn ramp(count: i64) -> Vec<OutdoorHour> {
    (0..count).map(|i| hour(i, (i % 40) as i32 * 100, 5000)).collect()
}

fn refusal(hours: Vec<OutdoorHour>) -> ForecastError {
    HourlyClimate::from_hours(hours).unwrap_err()
}

#[test]
fn air_outside_its_bounds_does_not_exist() {
    assert!(Air::new(-6000, 0).is_some() && Air::new(6000, 10_000).is_some());
    assert_eq!(Air::new(-6001, 0), None);
    assert_eq!(Air::new(6001, 0), None);
    assert_eq!(Air::new(0, -1), None);
    assert_eq!(Air::new(0, 10_001), None);
}

#[test]
fn the_series_answers_for_every_instant() {
    let climate = HourlyClimate::from_hours(ramp(30)).unwrap();
    let temp = |minutes: i64| climate.at(START.plus(minutes)).temp_centi_c;
    assert_eq!(temp(0), 0);
    assert_eq!(temp(59), 0);
    assert_eq!(temp(60), 100);
    assert_eq!(temp(-1), 0, "before the start: the first hour");
    assert_eq!(temp(30 * HOUR - 1), 2900);
    assert_eq!(temp(30 * HOUR), 600, "past the end: the last 24 hours, from hour 6 on");
    assert_eq!(temp(53 * HOUR), 2900);
    assert_eq!(temp((30 + 24 * 100_000) * HOUR), 600);
    assert_eq!(climate.at(Minute(i64::MIN)).temp_centi_c, 0);
    let _ = climate.at(Minute(i64::MAX));
    assert_eq!(climate.forecast_end(), Some(START.plus(30 * HOUR)));
}

#[test]
fn held_air_is_the_same_for_ever_and_no_guess() {
    let air = Air::new(2000, 4500).unwrap();
    let climate = HourlyClimate::constant(air);
    assert_eq!([Minute(-999), Minute(0), Minute(1 << 40)].map(|at| climate.at(at)), [air; 3]);
    assert_eq!(climate.forecast_end(), None);
}

#[test]
fn covering_hours_are_whole_and_none_too_many() {
    let climate = HourlyClimate::from_hours(ramp(24)).unwrap();
    let starts = |from: i64, until: i64| -> Vec<i64> {
        climate.hours_covering(START.plus(from), START.plus(until)).map(|(start, _)| start.since(START)).collect()
    };
    assert_eq!(starts(30, 60), [0]);
    assert_eq!(starts(30, 61), [0, 60]);
    assert_eq!(starts(60, 180), [60, 120]);
    assert_eq!(starts(-1, 1), [-60, 0]);
    assert!(starts(30, 30).is_empty() && starts(31, 30).is_empty());
    let endless = climate.hours_covering(START, Minute(i64::MAX)).count() as i64;
    assert_eq!(endless, TABLE_HOURS_MAX);
}

#[test]
fn holes_of_up_to_six_hours_are_filled_along_a_line() {
    let mut hours = ramp(24);
    hours.drain(4..10);
    hours[3] = hour(3, -100, 3000);
    hours[4] = hour(10, 600, 10_000);
    let climate = HourlyClimate::from_hours(hours).unwrap();
    let filled: Vec<(i32, i32)> =
        climate.hours()[3..=10].iter().map(|air| (air.temp_centi_c, air.rh_centi_percent)).collect();
    let rh = [3000, 4000, 5000, 6000, 7000, 8000, 9000, 10_000];
    let temp = [-100, 0, 100, 200, 300, 400, 500, 600];
    assert_eq!(filled, temp.into_iter().zip(rh).collect::<Vec<_>>());
    assert_eq!(climate.hours().len(), 24);
}

#[test]
fn a_longer_hole_is_refused_and_named() {
    let mut hours = ramp(24);
    hours.drain(4..11);
    assert_eq!(refusal(hours), ForecastError::HoleTooLong { hour: START.plus(11 * HOUR), missing: 7 });
}

#[test]
fn lists_that_are_no_series_are_refused() {
    assert_eq!(refusal(Vec::new()), ForecastError::Empty);
    assert_eq!(refusal(ramp(23)), ForecastError::TooFew { hours: 23 });
    let last = START.plus(FORECAST_HOURS_MAX as i64 * HOUR);
    assert_eq!(refusal(ramp(FORECAST_HOURS_MAX as i64 + 1)), ForecastError::TooMany { hour: last });
    assert!(HourlyClimate::from_hours(ramp(FORECAST_HOURS_MAX as i64)).is_ok());

    let mut twice = ramp(24);
    twice[5].start = twice[4].start;
    assert_eq!(refusal(twice), ForecastError::Duplicate { hour: START.plus(4 * HOUR) });

    let mut unsorted = ramp(24);
    unsorted.swap(5, 6);
    let bad = ForecastError::Unsorted { hour: START.plus(5 * HOUR), previous: START.plus(6 * HOUR) };
    assert_eq!(refusal(unsorted), bad);

    let mut askew = ramp(24);
    askew[7].start = askew[7].start.plus(30);
    assert_eq!(refusal(askew), ForecastError::NotOnTheHour { hour: START.plus(7 * HOUR + 30) });

    for absurd in [Minute(i64::MIN), Minute(-60), Minute(120_968_640), Minute(i64::MAX)] {
        let mut hours = ramp(24);
        hours[8].start = absurd;
        assert_eq!(refusal(hours), ForecastError::AbsurdInstant { place: 9 });
    }
}

#[test]
fn holes_count_towards_the_bound() {
    let sparse: Vec<OutdoorHour> = (0..1500).map(|i| hour(i * 7, 1000, 5000)).collect();
    assert!(matches!(refusal(sparse), ForecastError::TooMany { .. }));
}

#[test]
fn absurd_values_are_refused_and_named() {
    let at = START.plus(3 * HOUR);
    let with = |bad: OutdoorHour| {
        let mut hours = ramp(24);
        hours[3] = bad;
        refusal(hours)
    };
    assert_eq!(with(hour(3, 7000, 5000)), ForecastError::AbsurdTemp { hour: at, temp_centi_c: 7000 });
    assert_eq!(with(hour(3, -6001, 5000)), ForecastError::AbsurdTemp { hour: at, temp_centi_c: -6001 });
    assert_eq!(with(hour(3, 20, 10_001)), ForecastError::AbsurdHumidity { hour: at, rh_centi_percent: 10_001 });
    assert_eq!(with(hour(3, 20, -1)), ForecastError::AbsurdHumidity { hour: at, rh_centi_percent: -1 });
    let rain = OutdoorHour { rain_centi_mm: -1, ..hour(3, 20, 50) };
    assert_eq!(with(rain), ForecastError::AbsurdRain { hour: at, rain_centi_mm: -1 });
}

#[test]
fn refusals_name_the_hour_a_stable_code_and_a_cure() {
    let mut hours = ramp(24);
    hours.drain(4..11);
    let error = refusal(hours);
    assert_eq!(error.to_string(), "7 hours are missing before 2026-03-08T11:00Z, more than 6");
    assert_eq!(error.code(), "forecast-hole-too-long");
    assert_eq!(error.cure(), "Send the missing hours, or a forecast that starts after the hole.");
}

#[test]
fn dew_point_margin_rounds_down() {
    // 20 C and 50 %: dew point 9.26 by the Magnus form, so 10.74.
    let margin = Air::new(2000, 5000).unwrap().dew_point_margin_centi_c();
    assert!((1073..=1074).contains(&margin), "{margin}");
    for rh_centi_percent in (100..10_000).step_by(7) {
        let air = Air::new(2000, rh_centi_percent).unwrap();
        let exact = 100.0 * (20.0 - humid_air::dew_point_c(20.0, air.rh_percent()));
        let over = exact - f64::from(air.dew_point_margin_centi_c());
        assert!((0.0..1.0).contains(&over), "{rh_centi_percent}: {exact}");
    }
    let saturated = Air::new(2000, 10_000).unwrap().dew_point_margin_centi_c();
    assert!((-1..=0).contains(&saturated));
}

#[test]
fn quotients_go_to_the_nearest_whole_on_both_sides_of_zero() {
    let quotients = [(5, 2), (7, 4), (1, 4), (-1, 4), (-7, 4), (-3, 2)].map(|(a, b)| nearest_quotient(a, b));
    assert_eq!(quotients, [3, 2, 0, 0, -2, -1]);
}
