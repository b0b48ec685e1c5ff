//! Hourly weather recorded at Newark in 2013 (CC0; see `demo/weather-newark-2013.md`), moved to the days around `now`:
//! each hour takes what was recorded on the same calendar day, so that the demo has real air in every season.

use super::DemoError;
use crate::domain::time::{HOUR, Minute};
use chrono::{DateTime, Datelike, Timelike, Utc};
use serde_json::Value;
use std::collections::BTreeMap;

const RECORDED: &str = include_str!("../../demo/weather-newark-2013.csv");
/// Days of weather before and after `now`.
const DAYS_BEFORE: i64 = 12;
const DAYS_AFTER: i64 = 45;

type Recorded = BTreeMap<(u32, u32, u32), (f64, f64, f64)>;

fn recorded() -> Result<Recorded, DemoError> {
    let lines = RECORDED.lines().enumerate().filter(|(_, line)| line.starts_with("20"));
    let read = |(number, line): (usize, &str)| {
        let bad = || DemoError::Weather(number + 1);
        let words: Vec<&str> = line.split(',').collect();
        let [hour, temp, humidity, rain] = words[..] else { return Err(bad()) };
        let hour: DateTime<Utc> = hour.parse().map_err(|_| bad())?;
        let number = |word: &str| word.parse::<f64>().map_err(|_| bad());
        Ok(((hour.month(), hour.day(), hour.hour()), (number(temp)?, number(humidity)?, number(rain)?)))
    };
    lines.map(read).collect()
}

/// The hours around `now` as a forecast's `hours`. The record's last days and a leap day borrow the day before.
pub fn hours(now: Minute) -> Result<Vec<Value>, DemoError> {
    let recorded = recorded()?;
    let first = Minute(now.0.div_euclid(HOUR) * HOUR - DAYS_BEFORE * 24 * HOUR);
    let hour = |number: i64| {
        let start = first.plus(number * HOUR);
        let at = start.to_utc();
        let (mut month, mut day) = (at.month(), at.day());
        while !recorded.contains_key(&(month, day, 12)) {
            (month, day) = if day > 1 { (month, day - 1) } else { (12, 30) };
        }
        let (temp_c, rh_percent, rain_mm) = recorded.get(&(month, day, at.hour())).copied()?;
        Some(serde_json::json!({
            "start": at.format("%Y-%m-%dT%H:%M:%SZ").to_string(),
            "temp_c": temp_c,
            "rh_percent": rh_percent,
            "rain_mm": rain_mm,
        }))
    };
    Ok((0..(DAYS_BEFORE + DAYS_AFTER) * 24).filter_map(hour).collect())
}
