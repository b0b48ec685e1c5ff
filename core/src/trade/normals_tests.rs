//! Tests of `normals`: what means are made of, and what a series says past its end.

use super::*;
use crate::domain::climate::{Film, HouseAir};
use crate::trade::house::house_climate;
use crate::trade::ready::DryingTable;
use proptest::prelude::*;

const DAY: i64 = 24 * HOUR;
/// 2026-01-01T00:00Z.
const JANUARY: Minute = Minute(29_453_760);
/// 2026-03-08T00:00Z.
const START: Minute = Minute(29_548_800);

fn hour(start: Minute, temp_centi_c: i32, rh_centi_percent: i32) -> OutdoorHour {
    OutdoorHour { start, air: Air { temp_centi_c, rh_centi_percent }, rain_centi_mm: 0 }
}

/// A year whose air is told by month and UTC hour.
fn year(air: impl Fn(usize, usize, i64) -> (i32, i32)) -> Vec<OutdoorHour> {
    let hours = (0..365 * 24).map(|number| {
        let start = JANUARY.plus(number * HOUR);
        let (month, of_day) = place_of(start);
        let (temp, rh) = air(month, of_day, number / 24);
        hour(start, temp, rh)
    });
    hours.collect()
}

/// Every month has its own temperature, warmer by day than by night, 60 %.
fn seasons() -> Normals {
    normals_of(&year(|month, of_day, _| (month as i32 * 200 + if of_day < 12 { 0 } else { 400 }, 6000))).unwrap()
}

fn forecast(count: i64, temp_centi_c: i32, rh_centi_percent: i32) -> HourlyClimate {
    let hours = (0..count).map(|number| hour(START.plus(number * HOUR), temp_centi_c, rh_centi_percent)).collect();
    HourlyClimate::from_hours(hours).unwrap()
}

#[test]
fn the_months_of_the_tests_are_where_they_are_said_to_be() {
    assert_eq!(format!("{JANUARY:?} {START:?}"), "2026-01-01T00:00Z 2026-03-08T00:00Z");
}

/// Source: arithmetic. Days of 10 and of 20 C at 50 %: the mean is 15 C with the mean of the two vapour pressures, 890 Pa
/// by the Magnus form, which is 52.3 % at 15 C and not 50 %.
#[test]
fn means_are_of_temperature_and_vapour_pressure() {
    let normals = normals_of(&year(|_, _, day| (if day % 2 == 0 { 1000 } else { 2000 }, 5000))).unwrap();
    // April has 30 days, half of them each.
    let april = normals.months[3][7];
    assert_eq!(april.temp_centi_c, 1500);
    assert!((8895..=8910).contains(&april.vapour_deci_pa), "{april:?}");
    let rh = air_of(april).rh_centi_percent;
    assert!((5220..=5240).contains(&rh), "{rh}");
}

#[test]
fn missing_hours_are_not_made_up_and_thin_months_refused() {
    let whole = year(|month, _, day| (month as i32 * 100 + day as i32, 5000));
    let without = |gone: std::ops::Range<i64>| {
        let hours: Vec<OutdoorHour> =
            whole.iter().copied().filter(|hour| !gone.contains(&(hour.start.since(JANUARY) / DAY))).collect();
        normals_of(&hours)
    };
    // January's days 0..31 are warmer by a hundredth each: without the first 11, days 11 to 30 are left, mean 20.5.
    assert_eq!(without(0..11).unwrap().months[0][3].temp_centi_c, 21);
    assert_eq!(without(0..12), Err(NormalsError::Thin { month: 1, utc_hour: 0, days: 19 }));
    let error = normals_of(&whole[..200 * 24]).unwrap_err();
    assert_eq!(error, NormalsError::Thin { month: 7, utc_hour: 0, days: 19 });
    assert_eq!(error.to_string(), "month 7 has 19 days with an hour 00:00 UTC, fewer than 20");
    assert_eq!((error.code(), normals_of(&[]).unwrap_err().code()), ("normals-too-few-days", "normals-too-few-days"));
}

#[test]
fn lists_that_are_no_past_are_refused() {
    let mut twice = year(|_, _, _| (1000, 5000));
    let hour = twice[9].start;
    twice[10].start = hour;
    assert_eq!(normals_of(&twice), Err(ForecastError::Duplicate { hour }.into()));
    twice[10].start = hour.plus(-HOUR);
    assert!(matches!(normals_of(&twice), Err(NormalsError::Hour(ForecastError::Unsorted { .. }))));
    twice[10].start = hour.plus(61);
    assert!(matches!(normals_of(&twice), Err(NormalsError::Hour(ForecastError::NotOnTheHour { .. }))));
    twice[10].start = hour.plus(HOUR);
    twice[10].air.temp_centi_c = 6001;
    assert!(matches!(normals_of(&twice), Err(NormalsError::Hour(ForecastError::AbsurdTemp { .. }))));
    let many = vec![twice[0]; NORMALS_HOURS_MAX + 1];
    assert_eq!(normals_of(&many).unwrap_err().code(), "normals-too-many-hours");
}

#[test]
fn past_its_end_a_series_goes_over_into_its_normals_in_a_day() {
    let plain = forecast(48, 2000, 5000);
    let climate = plain.clone().with_normals(&seasons());
    assert_eq!((plain.beyond(), climate.beyond()), (Beyond::LastDayRepeated, Beyond::Normals));
    assert_eq!(climate.forecast_end(), plain.forecast_end());
    let end = plain.forecast_end().unwrap();
    assert!((-50..48).all(|number| climate.at(START.plus(number * HOUR)) == plain.at(START.plus(number * HOUR))));

    // March is 4 C at night and 8 by day, 60 %: hour 6 is a quarter of the way from 20 to 4, hour 18 three quarters to 8.
    let temp = |number: i64| climate.at(end.plus(number * HOUR)).temp_centi_c;
    assert_eq!([0, 6, 12, 18, 24, 30, 36].map(temp), [2000, 1600, 1400, 1100, 400, 400, 800]);
    // Vapour half-way at hour 12: (1166.3 + 642.5) / 2 = 904.4 Pa by the Magnus form, of 1596 at 14 C.
    let rh = climate.at(end.plus(12 * HOUR)).rh_centi_percent;
    assert!((5640..=5690).contains(&rh), "{rh}");
    let normal = climate.at(end.plus(24 * HOUR)).rh_centi_percent;
    assert!((5998..=6002).contains(&normal), "{normal}");

    // May is 8 and 12 C, and the year comes round again.
    let may = START.plus(60 * DAY);
    assert_eq!([0, 11, 12].map(|number| climate.at(may.plus(number * HOUR)).temp_centi_c), [800, 800, 1200]);
    assert_eq!(climate.at(may.plus(365 * DAY)), climate.at(may));
    let _ = (climate.at(Minute(i64::MAX)), climate.at(Minute(i64::MIN)));
}

#[test]
fn held_air_has_no_beyond() {
    let held = HourlyClimate::constant(Air { temp_centi_c: 2000, rh_centi_percent: 5000 });
    assert_eq!(held.clone().with_normals(&seasons()), held);
}

#[test]
fn houses_follow_the_normals_in_their_own_way() {
    let outdoor = forecast(48, 2000, 5000).with_normals(&seasons());
    let may = START.plus(60 * DAY);
    let at = |mode, hours: i64| house_climate(&outdoor, mode).at(may.plus(hours * HOUR));
    let open = HouseAir::Open { heated_to_centi_c: None };
    assert_eq!((at(open, 0), at(open, 12)), (outdoor.at(may), outdoor.at(may.plus(12 * HOUR))));
    // 8 C and 60 % is 642.5 Pa of vapour (Magnus) outdoors; heated to 20 C it is 27.5 %.
    let heated = at(HouseAir::Open { heated_to_centi_c: Some(2000) }, 0);
    assert_eq!(heated.temp_centi_c, 2000);
    assert!((2740..=2770).contains(&heated.rh_centi_percent), "{heated:?}");
    // A closed house has the mean of 8 and 12 C all day.
    assert_eq!([0, 5, 12, 23].map(|hours| at(HouseAir::Closed, hours).temp_centi_c), [1000; 4]);
    assert_eq!(house_climate(&outdoor, HouseAir::Closed).beyond(), Beyond::Normals);
    // On its way there it is the mean of the trailing day: after the day of passage, still on its way.
    let closed = house_climate(&outdoor, HouseAir::Closed);
    let end = outdoor.forecast_end().unwrap();
    let temps: Vec<i32> = (0..72).map(|hours| closed.at(end.plus(hours * HOUR)).temp_centi_c).collect();
    assert!(temps.windows(2).all(|pair| pair[0] >= pair[1]), "{temps:?}");
    assert_eq!((temps[0], temps[71]), (2000, 600));
    assert_eq!(temps[47], 600, "March's mean day");
}

fn any_normals() -> impl Strategy<Value = Normals> {
    prop::collection::vec((-2000_i32..3500, 0_i32..60_000), 288).prop_map(|cells| Normals {
        months: Box::new(std::array::from_fn(|month| {
            std::array::from_fn(|of_day| {
                let (temp_centi_c, vapour_deci_pa) = cells[month * 24 + of_day];
                NormalHour { temp_centi_c, vapour_deci_pa }
            })
        })),
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Whatever the normals, the air is air, before the end it is the forecast, and promises hold across the end.
    #[test]
    fn promises_hold_across_the_end(
        normals in any_normals(), temp in 500_i32..3000, rh in 1000_i32..9500, label in 1_i64..3000, length in 24_i64..72,
    ) {
        let plain = forecast(length, temp, rh);
        let outdoor = plain.clone().with_normals(&normals);
        let end = plain.forecast_end().unwrap();
        for mode in [HouseAir::Closed, HouseAir::Open { heated_to_centi_c: None }, HouseAir::Open { heated_to_centi_c: Some(1800) }] {
            let house = house_climate(&outdoor, mode);
            for number in -100..900 {
                let air = house.at(end.plus(number * HOUR));
                prop_assert!(Air::new(air.temp_centi_c, air.rh_centi_percent).is_some());
            }
            for number in 0..length {
                let at = START.plus(number * HOUR);
                prop_assert_eq!(house.at(at), house_climate(&plain, mode).at(at));
            }
            for film in Film::ALL {
                let table = DryingTable::new(&house, film, START, end.plus(40 * DAY));
                let mut last = i64::MIN;
                for start in (START.0..end.plus(10 * DAY).0).step_by(67) {
                    let ready = table.ready_at(Minute(start), label).map_or(i64::MAX, |ready| ready.0);
                    prop_assert!(ready >= last && ready >= start + label);
                    last = ready;
                }
            }
        }
    }
}

/// Source: the calendar itself, every day of four hundred years.
#[test]
fn months_of_days_are_the_calendars() {
    use chrono::Datelike;
    let start = chrono::NaiveDate::from_ymd_opt(1970, 1, 1).unwrap();
    for day in -20_000..146_097 {
        let date = start.checked_add_signed(chrono::Duration::days(day)).unwrap();
        assert_eq!(month0(day), date.month0() as usize, "{date}");
    }
}
