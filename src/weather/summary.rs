//! What a forecast holds, in the few numbers a person asks for.

use crate::domain::time::{HOUR, Minute};
use crate::dto::ForecastDto;
use chrono::{DateTime, Utc};
use std::fmt;

/// Hours that are missing between two that are there; the program fills them along a straight line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hole {
    /// Start of the first missing hour.
    pub from: Minute,
    /// How many are missing.
    pub hours: i64,
}

/// A forecast in short.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Summary {
    /// Start of the first hour.
    pub from: Minute,
    /// End of the last hour.
    pub until: Minute,
    /// Hours given.
    pub hours: usize,
    /// What is missing between them.
    pub holes: Vec<Hole>,
}

impl Summary {
    /// `None` for a forecast that would be refused.
    pub fn of(forecast: &ForecastDto) -> Option<Summary> {
        let start = |text: &str| DateTime::parse_from_rfc3339(text).ok().map(|at| Minute::floor_from(at.to_utc()));
        let starts: Vec<Minute> = forecast.hours.iter().map(|hour| start(&hour.start)).collect::<Option<_>>()?;
        let (from, last) = (*starts.first()?, *starts.last()?);
        let hole = |pair: &[Minute]| {
            let (from, hours) = (pair[0].plus(HOUR), pair[1].since(pair[0]) / HOUR - 1);
            (hours > 0).then_some(Hole { from, hours })
        };
        Some(Summary {
            from,
            until: last.plus(HOUR),
            hours: starts.len(),
            holes: starts.windows(2).filter_map(hole).collect(),
        })
    }
}

fn utc(at: Minute) -> impl fmt::Display {
    let at: DateTime<Utc> = at.to_utc();
    at.format("%Y-%m-%d %H:%M UTC")
}

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} hours, from {} to {}", self.hours, utc(self.from), utc(self.until))?;
        let missing: i64 = self.holes.iter().map(|hole| hole.hours).sum();
        match self.holes.as_slice() {
            [] => write!(f, ", without a hole"),
            [only] => write!(f, "; {missing} missing from {} on, filled in", utc(only.from)),
            [first, ..] => {
                let count = self.holes.len();
                write!(f, "; {missing} missing in {count} holes, the first from {} on, filled in", utc(first.from))
            }
        }
    }
}
