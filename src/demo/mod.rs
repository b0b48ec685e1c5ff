//! The demo: an invented company, told relative to the day it is started on, and real hourly weather. The data is in
//! `demo/`; here its relative instants become real ones. Loading it goes through the same use cases as the API.

mod larger;
mod readings;
mod weather;

pub use larger::HOUSES_MAX;
pub use readings::{CheckReadings, divided, readings};

use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use chrono::{Datelike, Days, NaiveDate, Weekday};
use serde_json::Value;

/// The invented company as a planning file whose instants are written `@DAY HH:MM`, `DAY` counting working days from
/// the start day (or the next one that is a working day), and `@now`.
const COMPANY: &str = include_str!("../../demo/company.json");

/// Why the demo's own data cannot be used; a defect of the program, never of its user.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The document is no JSON.
    #[error("the demo's company cannot be read: {0}")]
    Json(#[from] serde_json::Error),
    /// A relative instant does not follow the form.
    #[error("the demo's company has the instant {0:?}, which is not of the form @DAY HH:MM")]
    Instant(String),
    /// There is no such time zone.
    #[error("{0}")]
    Zone(#[from] crate::domain::zone::ZoneError),
    /// A line of the weather file is not made of an hour and three numbers.
    #[error("line {0} of the demo's weather cannot be read")]
    Weather(usize),
}

/// The demo company's planning file for a start at `now`, its weather included, in its own time zone or another one.
pub fn document(now: Minute, time_zone: Option<&str>) -> Result<Value, DemoError> {
    larger_document(now, time_zone, 0)
}

/// As [`document`], with at least so many houses, up to [`HOUSES_MAX`].
pub fn larger_document(now: Minute, time_zone: Option<&str>, houses: usize) -> Result<Value, DemoError> {
    let mut document: Value = serde_json::from_str(COMPANY)?;
    larger::enlarge(&mut document, houses.min(HOUSES_MAX));
    if let Some(time_zone) = time_zone {
        document["settings"]["time_zone"] = time_zone.into();
    }
    let name = document["settings"]["time_zone"].as_str().unwrap_or("UTC").to_owned();
    let zone = Zone::parse(&name)?;
    resolve(&mut document, zone, now)?;
    document["regions"] = serde_json::json!([{
        "key": "newark",
        "name": "Newark, hourly weather of 2013",
        "forecast": { "hours": weather::hours(now)? },
    }]);
    Ok(document)
}

fn resolve(value: &mut Value, zone: Zone, now: Minute) -> Result<(), DemoError> {
    match value {
        Value::String(text) if text.starts_with('@') => {
            *text = if text == "@now" { stamp(now) } else { stamp(instant(text, zone, now)?) };
        }
        Value::Array(items) => items.iter_mut().try_for_each(|item| resolve(item, zone, now))?,
        Value::Object(members) => members.values_mut().try_for_each(|member| resolve(member, zone, now))?,
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
    Ok(())
}

fn stamp(at: Minute) -> String {
    at.to_utc().format("%Y-%m-%dT%H:%M:%SZ").to_string()
}

fn instant(text: &str, zone: Zone, now: Minute) -> Result<Minute, DemoError> {
    let bad = || DemoError::Instant(text.to_owned());
    let (day, time) = text[1..].split_once(' ').ok_or_else(bad)?;
    let (hours, minutes) = time.split_once(':').ok_or_else(bad)?;
    let day: i64 = day.parse().map_err(|_| bad())?;
    let minute_of_day = hours.parse::<i32>().map_err(|_| bad())? * 60 + minutes.parse::<i32>().map_err(|_| bad())?;
    Ok(zone.opening(working_day(zone.date(now), day), minute_of_day))
}

/// The working day (Monday to Friday) `count` working days from `today`; day 0 is today, or the Monday after a weekend.
fn working_day(today: NaiveDate, count: i64) -> NaiveDate {
    let works = |date: NaiveDate| !matches!(date.weekday(), Weekday::Sat | Weekday::Sun);
    let next = |date: NaiveDate| date.checked_add_days(Days::new(1)).unwrap_or(date);
    let previous = |date: NaiveDate| date.checked_sub_days(Days::new(1)).unwrap_or(date);
    let mut date = today;
    while !works(date) {
        date = next(date);
    }
    for _ in 0..count.abs() {
        date = if count > 0 { next(date) } else { previous(date) };
        while !works(date) {
            date = if count > 0 { next(date) } else { previous(date) };
        }
    }
    date
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn working_days_skip_weekends() {
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        assert_eq!(working_day(date("2026-11-28"), 0), date("2026-11-30"));
        assert_eq!(working_day(date("2026-11-30"), -1), date("2026-11-27"));
        assert_eq!(working_day(date("2026-11-26"), 2), date("2026-11-30"));
    }

    /// Days all over a year, with leap day and New Year within reach, give a whole document.
    #[test]
    fn the_demo_can_start_on_any_day() {
        let zone = Zone::parse("America/New_York").unwrap();
        let first = zone.day_start("2027-06-01".parse().unwrap());
        for day in (0..366).step_by(20) {
            let document = document(first.plus(day * 1440 + 360), None).unwrap();
            assert!(document["regions"][0]["forecast"]["hours"].as_array().unwrap().len() > 1_200);
            assert!(!document.to_string().contains("\"@"));
        }
    }
}
