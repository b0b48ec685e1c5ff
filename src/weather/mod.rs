//! Weather from outside: the forms in which forecasts come, read to the one shape that the rest of the program knows and
//! judged by its rules. What air does to houses and floors is in `trade`; which region a forecast is for, and keeping
//! it, is the service's matter.
//!
//! | module | what |
//! |---|---|
//! | `csv` | a table with a header row, as spreadsheets and weather stations write it |
//! | `gridpoint` | the document of the US National Weather Service for one grid square |
//! | `interval` | stretches of time as that document writes them (ISO 8601) |
//! | `summary` | what a forecast holds, for people |
//! | `fetch` | asking the weather service: the only module here that is not pure |
//! | `join` | a new forecast behind the old one |

pub mod csv;
pub mod fetch;
pub mod gridpoint;
mod interval;
mod join;
mod summary;

#[cfg(test)]
mod tests;

pub use join::joined;
pub use summary::{Hole, Summary};

use crate::domain::fault::Fault;
use crate::dto::{FAULTS_MAX, ForecastDto, Located};

/// Largest document read, bytes: a document of the National Weather Service is some hundred thousand, and a table with
/// a year of hours less than a million.
pub const WEATHER_BYTES_MAX: usize = 4 << 20;
/// How much of an offending text is repeated to its sender.
const SHOWN_CHARS: usize = 64;

/// Reads a file that may be either: what begins with `{` is a document of the National Weather Service, anything else a
/// table.
///
/// # Errors
/// Everything wrong with it, in the words of its own form.
pub fn read_any(text: &str) -> Result<ForecastDto, Vec<Located>> {
    if text.trim_start_matches('\u{feff}').trim_start().starts_with('{') {
        gridpoint::read(text)
    } else {
        csv::read(text)
    }
}

fn too_large(length: usize) -> Option<Fault> {
    let what = format!("the document has {length} bytes");
    (length > WEATHER_BYTES_MAX)
        .then(|| Fault::new("too-large", what, format!("send at most {WEATHER_BYTES_MAX} bytes")))
}

/// Quoted, and cut when long.
fn shown(text: &str) -> String {
    let cut: String = text.chars().take(SHOWN_CHARS).collect();
    if cut.len() < text.len() { format!("{cut:?}...") } else { format!("{cut:?}") }
}

/// As near as the program keeps it.
fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

fn celsius_of_fahrenheit(temp_f: f64) -> f64 {
    (temp_f - 32.0) * 5.0 / 9.0
}

/// What the rules of forecasts say of these hours. `place` puts each fault where its reader will look for it: it is
/// given the index of the hour, if the fault is about one, and the member.
fn judged(
    forecast: ForecastDto,
    place: impl Fn(Option<usize>, &str, Fault) -> Located,
) -> Result<ForecastDto, Vec<Located>> {
    let faults = forecast.check();
    if faults.is_empty() {
        return Ok(forecast);
    }
    let moved = faults.into_iter().map(|Located { pointer, fault }| {
        let mut parts = pointer.split('/').skip(2);
        let index = parts.next().and_then(|part| part.parse().ok());
        place(index, parts.next().unwrap_or(""), fault)
    });
    Err(moved.take(FAULTS_MAX).collect())
}
