//! The air in a house, from the air outdoors and the way the house is kept. Rough on purpose: three modes that a
//! dispatcher can tell apart by asking one question. What was measured in the house beats all of them: see
//! `readings`.

use crate::domain::climate::{Air, HouseAir};
use crate::domain::time::HOUR;
use crate::trade::climate::{AIR_TEMP_MAX_CENTI_C, AIR_TEMP_MIN_CENTI_C, HourlyClimate, nearest_quotient};
use crate::trade::humid_air;

const DAY_HOURS: usize = 24;

/// The air in a house, hour by hour. It answers for as long as `outdoor` does, and its guesses begin where those of
/// `outdoor` begin; controlled air is never a guess.
pub fn house_climate(outdoor: &HourlyClimate, mode: HouseAir) -> HourlyClimate {
    match mode {
        HouseAir::Controlled(air) => HourlyClimate::constant(air),
        HouseAir::Closed => closed(outdoor),
        HouseAir::Open { heated_to_centi_c: None } => outdoor.clone(),
        HouseAir::Open { heated_to_centi_c: Some(least) } => {
            let least = least.clamp(AIR_TEMP_MIN_CENTI_C, AIR_TEMP_MAX_CENTI_C);
            let hours = outdoor.hours().iter().map(|&air| heated(air, least)).collect();
            let usual = outdoor.usual().map(|usual| usual.map(|air| heated(air, least)));
            HourlyClimate::of_house(outdoor.start(), hours, outdoor.forecast_end()).followed_by(usual)
        }
    }
}

/// What is computed for a house: the air that it holds, or what the air outdoors becomes in it; `None` when neither is
/// known. What was measured in the house comes on top of it: see `readings`.
pub fn model_of(mode: HouseAir, outdoor: Option<&HourlyClimate>) -> Option<HourlyClimate> {
    match mode {
        HouseAir::Controlled(air) => Some(HourlyClimate::constant(air)),
        HouseAir::Closed | HouseAir::Open { .. } => outdoor.map(|outdoor| house_climate(outdoor, mode)),
    }
}

fn heated(air: Air, least_centi_c: i32) -> Air {
    if air.temp_centi_c >= least_centi_c {
        return air;
    }
    let temp_c = f64::from(least_centi_c) / 100.0;
    Air::nearest(temp_c, humid_air::rh_kept_vapour_percent(air.temp_c(), air.rh_percent(), temp_c))
}

/// Means over the trailing day. The first day outdoors stands for the day before it, as the last one, or usual air, does
/// for the days after; so one more day is appended, in which the house comes to rest at the mean of the day that follows.
fn closed(outdoor: &HourlyClimate) -> HourlyClimate {
    let first_day = DAY_HOURS.min(outdoor.hours().len());
    let appended = (0..DAY_HOURS).map(|hour| outdoor.at(end_of(outdoor).plus(HOUR * hour as i64)));
    let padded: Vec<Air> =
        outdoor.hours()[..first_day].iter().chain(outdoor.hours()).copied().chain(appended).collect();
    let vapours: Vec<i64> = padded.iter().map(vapour_milli_pa).collect();

    let house_hours = padded.len() - first_day;
    let hours = (1..=house_hours).map(|first| {
        let day = first..first + first_day;
        let temp_sum: i64 = padded[day.clone()].iter().map(|air| i64::from(air.temp_centi_c)).sum();
        mean(temp_sum, vapours[day].iter().sum(), first_day as i64)
    });
    // In usual air the month's mean day is every day, so its mean stands all month.
    let usual = outdoor.usual().map(|usual| usual.by_day(mean_of));
    HourlyClimate::of_house(outdoor.start(), hours.collect(), outdoor.forecast_end()).followed_by(usual)
}

/// Whole milli-pascals, so that a mean or a part of a difference does not depend on the order of arithmetic.
pub(crate) fn vapour_milli_pa(air: &Air) -> i64 {
    (air.vapour_pressure_pa() * 1000.0).round() as i64
}

/// Mean in temperature and in vapour pressure of at least one hour.
pub(crate) fn mean_of(hours: &[Air]) -> Air {
    let temp_sum = hours.iter().map(|air| i64::from(air.temp_centi_c)).sum();
    mean(temp_sum, hours.iter().map(vapour_milli_pa).sum(), hours.len().max(1) as i64)
}

fn mean(temp_centi_c_sum: i64, vapour_milli_pa_sum: i64, count: i64) -> Air {
    let temp_c = nearest_quotient(temp_centi_c_sum, count) as f64 / 100.0;
    let vapour_pa = nearest_quotient(vapour_milli_pa_sum, count) as f64 / 1000.0;
    Air::nearest(temp_c, humid_air::rh_of_vapour_percent(vapour_pa, temp_c))
}

fn end_of(climate: &HourlyClimate) -> crate::domain::time::Minute {
    climate.start().plus(HOUR * climate.hours().len() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::climate::OutdoorHour;
    use crate::domain::time::Minute;

    const START: Minute = Minute(29_548_800);

    fn outdoors(count: i64, temp_centi_c: impl Fn(i64) -> i32, rh_centi_percent: i32) -> HourlyClimate {
        let hour = |i: i64| OutdoorHour {
            start: START.plus(i * HOUR),
            air: Air { temp_centi_c: temp_centi_c(i), rh_centi_percent },
            rain_centi_mm: 0,
        };
        HourlyClimate::from_hours((0..count).map(hour).collect()).unwrap()
    }

    fn at(climate: &HourlyClimate, hour: i64) -> (i32, i32) {
        let air = climate.at(START.plus(hour * HOUR));
        (air.temp_centi_c, air.rh_centi_percent)
    }

    #[test]
    fn controlled_air_ignores_the_weather() {
        let set = Air::new(2111, 4200).unwrap();
        let house = house_climate(&outdoors(24, |i| i as i32 * 100, 9900), HouseAir::Controlled(set));
        assert_eq!(house, HourlyClimate::constant(set));
    }

    /// Source: `psychrolib` (ASHRAE), 10 C and 85 % is 41.7 % at 21.1 C.
    #[test]
    fn open_and_heated_keeps_vapour_pressure_and_never_cools() {
        let outdoor = outdoors(24, |i| if i < 12 { 1000 } else { 2500 }, 8500);
        let house = house_climate(&outdoor, HouseAir::Open { heated_to_centi_c: Some(2110) });
        let (temp, rh) = at(&house, 0);
        assert_eq!(temp, 2110);
        assert!((4160..=4180).contains(&rh), "{rh}");
        assert_eq!(at(&house, 12), (2500, 8500));
        assert_eq!(house_climate(&outdoor, HouseAir::Open { heated_to_centi_c: None }), outdoor);
        assert_eq!(at(&house_climate(&outdoor, HouseAir::Open { heated_to_centi_c: Some(i32::MAX) }), 0).0, 6000);
    }

    /// Day and night of 10 and 20 C: a closed house stays at 15 C, the first day as well, and no vapour is lost.
    #[test]
    fn a_closed_house_averages_day_and_night_away() {
        let outdoor = outdoors(72, |i| if i % 24 < 12 { 1000 } else { 2000 }, 5000);
        let house = house_climate(&outdoor, HouseAir::Closed);
        // (614.0 + 1166.3) / 2 = 890 Pa of about 1703 Pa at 15 C by the Magnus form.
        assert!((0..200).all(|hour| at(&house, hour).0 == 1500));
        assert!((0..200).all(|hour| (5200..=5260).contains(&at(&house, hour).1)), "{:?}", at(&house, 0));
        assert_eq!(house.forecast_end(), outdoor.forecast_end());
    }

    #[test]
    fn a_closed_house_follows_a_cold_snap_over_one_day() {
        let house = house_climate(&outdoors(96, |i| if i < 48 { 2400 } else { 0 }, 5000), HouseAir::Closed);
        assert_eq!(at(&house, 47).0, 2400);
        assert_eq!(at(&house, 48).0, 2300);
        assert_eq!(at(&house, 59).0, 1200);
        assert_eq!(at(&house, 71).0, 0);
    }

    /// Where the forecast ends in a warming, the repeated day must not throw the house a day back.
    #[test]
    fn a_closed_house_comes_to_rest_past_the_forecast() {
        let outdoor = outdoors(48, |i| i as i32 * 50, 5000);
        let house = house_climate(&outdoor, HouseAir::Closed);
        let rest = at(&house, 47);
        assert!((48..500).all(|hour| at(&house, hour) == rest));
    }

    #[test]
    fn humidity_of_a_closed_house_is_held_at_saturation() {
        let outdoor = outdoors(48, |i| if i % 24 == 0 { 4000 } else { -1000 }, 10_000);
        let house = house_climate(&outdoor, HouseAir::Closed);
        assert!(house.hours().iter().all(|air| air.rh_centi_percent == 10_000));
    }
}
