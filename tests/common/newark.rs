//! The recorded year of `demo/weather-newark-2013.csv`, as it is: with its holes, in UTC, so that the hour that clocks go
//! back is two hours.

#![allow(dead_code, reason = "each user takes what it needs")]
#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]

use chrono::DateTime;
use tackfree::domain::climate::{Air, HouseAir, OutdoorHour};
use tackfree::domain::time::Minute;
use tackfree::trade::climate::HourlyClimate;

/// 70 F and 45 %: what heating and ventilation hold in the controlled house.
pub const ROOM_AIR: Air = Air { temp_centi_c: 2111, rh_centi_percent: 4500 };

pub fn minute(text: &str) -> Minute {
    Minute::floor_from(DateTime::parse_from_rfc3339(text).unwrap().to_utc())
}

fn centi(text: &str) -> i32 {
    (text.parse::<f64>().unwrap() * 100.0).round() as i32
}

pub fn recorded_hours() -> Vec<OutdoorHour> {
    let text = include_str!("../../demo/weather-newark-2013.csv");
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("hour,temp_c,rh_percent,rain_mm"));
    lines
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            OutdoorHour {
                start: minute(fields[0]),
                air: Air { temp_centi_c: centi(fields[1]), rh_centi_percent: centi(fields[2]) },
                rain_centi_mm: centi(fields[3]),
            }
        })
        .collect()
}

pub fn newark() -> HourlyClimate {
    HourlyClimate::from_hours(recorded_hours()).unwrap()
}

/// Every way a house is kept: held, shut, open, open and heated to 20 C.
pub fn modes() -> [HouseAir; 4] {
    [
        HouseAir::Controlled(ROOM_AIR),
        HouseAir::Closed,
        HouseAir::Open { heated_to_centi_c: None },
        HouseAir::Open { heated_to_centi_c: Some(2000) },
    ]
}
