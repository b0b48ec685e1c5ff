//! Air measured in a house overrules the air that is computed for it. At a reading the house's air is the reading; what
//! reading and model differ by, in temperature and in vapour pressure, then fades along a straight line to nothing within
//! a day. Of several readings the newest earlier one counts. That is our own model and no published one: a reading tells
//! of the hours around it, and the day is how long a closed house takes to follow the weather in `house`. A house whose
//! heating and ventilation are said to hold its air is overruled the same way, for evidently they do not.
//!
//! A house of which nothing else is known has its last reading's air for a day, and then unknown air again.

use crate::domain::climate::{Air, AirReading};
use crate::domain::time::{HOUR, Minute};
use crate::trade::climate::{AirOverTime, HourlyClimate, hour_of, nearest_quotient};
use crate::trade::house::{mean_of, vapour_milli_pa};
use crate::trade::humid_air;
use std::sync::Arc;

/// How long a reading tells something, hours.
pub const READING_FADE_HOURS: i64 = 24;

/// The air in one house: what is computed for it, overruled by what was measured in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HouseClimate {
    model: Option<Arc<HourlyClimate>>,
    /// In order, one an hour.
    told: Vec<Told>,
}

/// A reading, and how far the model was off then.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Told {
    /// Start of the UTC hour it was taken in: air is known by the hour.
    hour: Minute,
    air: Air,
    temp_off_centi_c: i64,
    vapour_off_milli_pa: i64,
}

impl HouseClimate {
    /// `None` when nothing is known: no model and no reading. `readings` in order; of several in one UTC hour the last
    /// counts.
    pub fn new(model: Option<Arc<HourlyClimate>>, readings: &[AirReading]) -> Option<HouseClimate> {
        if model.is_none() && readings.is_empty() {
            return None;
        }
        let mut told: Vec<Told> = Vec::with_capacity(readings.len());
        for reading in readings {
            let hour = hour_of(reading.at);
            let expected = model.as_ref().map_or(reading.air, |model| model.at(hour));
            let entry = Told {
                hour,
                air: reading.air,
                temp_off_centi_c: i64::from(reading.air.temp_centi_c) - i64::from(expected.temp_centi_c),
                vapour_off_milli_pa: vapour_milli_pa(&reading.air) - vapour_milli_pa(&expected),
            };
            match told.last_mut() {
                Some(last) if last.hour == hour => *last = entry,
                _ => told.push(entry),
            }
        }
        Some(HouseClimate { model, told })
    }

    /// The air that wood in the house has been in when it is read at `at`: as measured, while a reading tells something;
    /// otherwise the mean of the day before as computed, because wood follows air by days and not by hours. `None` where
    /// that would be a guess past the forecast, and where nothing is known.
    pub fn of_wood_at(&self, at: Minute) -> Option<Air> {
        let before = self.told.iter().rev().find(|told| told.hour <= at);
        if before.is_some_and(|told| at.since(told.hour) / HOUR < READING_FADE_HOURS) {
            return self.air_at(at);
        }
        let model = self.model.as_deref()?;
        if at < model.start() || model.forecast_end().is_some_and(|end| end <= at) {
            return None;
        }
        let hours = (0..READING_FADE_HOURS).map(|back| hour_of(at).plus(-back * HOUR));
        let day: Vec<Air> = hours.filter(|hour| *hour >= model.start()).map(|hour| model.at(hour)).collect();
        Some(mean_of(&day))
    }

    /// What is computed for the house, readings left out.
    pub fn model(&self) -> Option<&HourlyClimate> {
        self.model.as_deref()
    }
}

impl AirOverTime for HouseClimate {
    fn air_at(&self, at: Minute) -> Option<Air> {
        let expected = self.model.as_ref().map(|model| model.at(at));
        let before = self.told.partition_point(|told| told.hour <= at);
        let Some(told) = before.checked_sub(1).map(|last| &self.told[last]) else { return expected };
        let since = at.since(told.hour) / HOUR;
        if since >= READING_FADE_HOURS {
            return expected;
        }
        match expected {
            Some(expected) if since > 0 => Some(told.fading(expected, READING_FADE_HOURS - since)),
            Some(_) | None => Some(told.air),
        }
    }

    fn repeats_from(&self) -> Option<(Minute, i64)> {
        let told_until = self.told.last().map(|told| told.hour.plus(HOUR * READING_FADE_HOURS));
        let Some(model) = &self.model else { return told_until.map(|until| (until, 1)) };
        let (since, period) = model.repeats_from()?;
        Some((told_until.map_or(since, |until| until.max(since)), period))
    }
}

impl Told {
    /// The air expected, moved by `left` parts of [`READING_FADE_HOURS`] of what it was off by.
    fn fading(&self, expected: Air, left: i64) -> Air {
        let part = |off: i64| nearest_quotient(off * left, READING_FADE_HOURS);
        let temp_c = (i64::from(expected.temp_centi_c) + part(self.temp_off_centi_c)) as f64 / 100.0;
        // Vapour cannot be less than none; more than saturation condenses.
        let vapour_milli_pa = (vapour_milli_pa(&expected) + part(self.vapour_off_milli_pa)).max(0);
        Air::nearest(temp_c, humid_air::rh_of_vapour_percent(vapour_milli_pa as f64 / 1000.0, temp_c))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::climate::{Film, Gate, HouseAir, OutdoorHour};
    use crate::trade::gate::allowed_spans;
    use crate::trade::house::model_of;
    use crate::trade::ready::DryingTable;

    const START: Minute = Minute(29_548_800);

    fn air(temp_centi_c: i32, rh_centi_percent: i32) -> Air {
        Air::new(temp_centi_c, rh_centi_percent).unwrap()
    }

    fn at(hours: i64) -> Minute {
        START.plus(hours * HOUR)
    }

    /// Ten days of outdoor air at 10 C and 60 %.
    fn outdoors() -> HourlyClimate {
        let hour = |hour| OutdoorHour { start: at(hour), air: air(1_000, 6_000), rain_centi_mm: 0 };
        HourlyClimate::from_hours((0..240).map(hour).collect()).unwrap()
    }

    fn house(mode: HouseAir, outdoor: Option<&HourlyClimate>, readings: &[(i64, Air)]) -> Option<HouseClimate> {
        let readings: Vec<AirReading> =
            readings.iter().map(|&(minute, air)| AirReading { at: START.plus(minute), air }).collect();
        HouseClimate::new(model_of(mode, outdoor).map(Arc::new), &readings)
    }

    fn closed(readings: &[(i64, Air)]) -> HouseClimate {
        house(HouseAir::Closed, Some(&outdoors()), readings).unwrap()
    }

    #[test]
    fn at_a_reading_the_air_is_the_reading_and_a_day_later_the_model() {
        let house = closed(&[(600, air(2_200, 4_000))]);
        let temp = |hour: i64| house.air_at(at(hour)).unwrap().temp_centi_c;
        // 12 C more than the model, less by half a degree every hour.
        assert_eq!([9, 10, 11, 22, 33, 34, 200].map(temp), [1_000, 2_200, 2_150, 1_600, 1_050, 1_000, 1_000]);
        assert_eq!(house.air_at(at(10)), Some(air(2_200, 4_000)));
        assert_eq!(house.air_at(at(34)), Some(air(1_000, 6_000)));
        // Half way, vapour pressure is half way too: 735.6 Pa of 10 C and 60 %, 1055.0 Pa of 22 C and 40 % (Magnus form).
        let half = house.air_at(at(22)).unwrap();
        assert!((half.vapour_pressure_pa() - 895.3).abs() < 0.5, "{}", half.vapour_pressure_pa());
        // Within the hour the air stands, as it does everywhere.
        assert_eq!(house.air_at(at(11).plus(59)), house.air_at(at(11)));
    }

    /// Days of 10 and 20 C and 60 %: what wood has been in is neither the one nor the other.
    #[test]
    fn wood_has_been_in_what_was_measured_or_in_a_day_of_what_was_computed() {
        let hour = |hour: i64| OutdoorHour {
            start: at(hour),
            air: air(if hour % 24 < 12 { 1_000 } else { 2_000 }, 6_000),
            rain_centi_mm: 0,
        };
        let outdoors = HourlyClimate::from_hours((0..240).map(hour).collect()).unwrap();
        let open = |readings: &[(i64, Air)]| {
            house(HouseAir::Open { heated_to_centi_c: None }, Some(&outdoors), readings).unwrap()
        };
        let temp = |house: &HouseClimate, hour: i64| house.of_wood_at(at(hour)).map(|air| air.temp_centi_c);
        let unread = open(&[]);
        assert_eq!([23, 100, 130, 239].map(|hour| temp(&unread, hour)), [Some(1_500); 4]);
        assert_eq!([-1, 240, 1_000].map(|hour| temp(&unread, hour)), [None; 3], "nothing but a guess");
        assert_eq!(temp(&unread, 0), Some(1_000), "one hour is known");
        let read = open(&[(100 * HOUR, air(3_000, 3_000))]);
        assert_eq!([99, 100, 124].map(|hour| temp(&read, hour)), [Some(1_500), Some(3_000), Some(1_500)]);
        let late = open(&[(250 * HOUR, air(3_000, 3_000))]);
        assert_eq!([249, 250, 274].map(|hour| temp(&late, hour)), [None, Some(3_000), None]);
        let held = house(HouseAir::Controlled(air(2_100, 4_500)), None, &[]).unwrap();
        assert_eq!(held.of_wood_at(at(0)), Some(air(2_100, 4_500)));
        let alone = house(HouseAir::Closed, None, &[(0, air(1_200, 8_000))]).unwrap();
        assert_eq!([0, 23, 24].map(|hour| temp(&alone, hour)), [Some(1_200), Some(1_200), None]);
    }

    #[test]
    fn the_newest_earlier_reading_counts() {
        let house = closed(&[(600, air(2_200, 4_000)), (900, air(1_500, 5_000)), (915, air(1_700, 5_000))]);
        let temp = |hour: i64| house.air_at(at(hour)).unwrap().temp_centi_c;
        assert_eq!([temp(14), temp(15), temp(27), temp(39)], [2_000, 1_700, 1_350, 1_000]);
    }

    #[test]
    fn a_controlled_house_is_overruled_too() {
        let set = air(2_100, 4_500);
        let house = house(HouseAir::Controlled(set), None, &[(600, air(1_500, 7_000))]).unwrap();
        assert_eq!(house.air_at(at(0)), Some(set));
        assert_eq!(house.air_at(at(10)), Some(air(1_500, 7_000)));
        assert_eq!(house.air_at(at(22)).unwrap().temp_centi_c, 1_800);
        assert_eq!(house.air_at(at(34)), Some(set));
    }

    #[test]
    fn without_a_model_a_reading_holds_a_day_and_then_nothing_is_known() {
        assert_eq!(house(HouseAir::Closed, None, &[]), None);
        let reading = air(1_200, 8_000);
        let house = house(HouseAir::Closed, None, &[(600, reading)]).unwrap();
        assert_eq!([9, 10, 33, 34].map(|hour| house.air_at(at(hour))), [None, Some(reading), Some(reading), None]);
        // Cold and damp for a day, as on the label after it; where nothing is known, the gate is open.
        let table = DryingTable::new(&house, Film::Treatment, at(0), at(500));
        assert_eq!(table.ready_at(at(2), 240), Some(at(6)));
        assert!(table.ready_at(at(10), 240).unwrap() > at(14));
        assert_eq!(table.ready_at(at(34), 240), Some(at(38)));
        let gate = Gate {
            temp_min_centi_c: 1_000,
            temp_max_centi_c: 3_000,
            rh_min_centi_percent: 2_000,
            rh_max_centi_percent: 7_500,
            dew_point_margin_min_centi_c: 0,
            hold_after_minutes: 0,
        };
        let open: Vec<(Minute, Minute)> =
            allowed_spans(&house, &gate, at(0), at(100)).iter().map(|span| (span.start(), span.end())).collect();
        assert_eq!(open, [(at(0), at(10)), (at(34), at(100))]);
    }

    /// Tables look at one period of air that repeats itself: a reading is told before that, however late it was taken.
    #[test]
    fn tables_reach_past_the_last_reading() {
        let set = Air { temp_centi_c: 2_111, rh_centi_percent: 5_000 };
        let damp = air(1_500, 7_500);
        for hour in [0, 30, 100] {
            let house = house(HouseAir::Controlled(set), None, &[(hour * HOUR, damp)]).unwrap();
            let table = DryingTable::new(&house, Film::Treatment, at(0), at(400));
            for start in 0..200 {
                let mut left = 600 * 1_000_000;
                let mut now = at(start);
                while left > 0 {
                    left -= i64::from(crate::trade::drying::progress_ppm(Film::Treatment, house.air_at(now).unwrap()));
                    now = now.plus(1);
                }
                assert_eq!(table.ready_at(at(start), 600), Some(now), "read at {hour}, begun at {start}");
            }
        }
    }

    #[test]
    fn differences_never_leave_the_air_that_there_is() {
        let dry = closed(&[(600, air(1_000, 0)), (2_400, air(6_000, 10_000)), (4_000, air(-6_000, 10_000))]);
        for hour in 0..100 {
            let air = dry.air_at(at(hour)).unwrap();
            assert!(Air::new(air.temp_centi_c, air.rh_centi_percent).is_some(), "{hour}: {air:?}");
        }
    }

    #[test]
    fn without_readings_it_is_the_model() {
        let (house, outdoor) = (closed(&[]), outdoors());
        assert!((-50..600).all(|hour| house.air_at(at(hour)) == Some(outdoor.at(at(hour)))));
        assert_eq!(house.model().unwrap().forecast_end(), outdoor.forecast_end());
    }
}
