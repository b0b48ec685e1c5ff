//! Instants, lengths and half-open spans, all in whole minutes. Nothing here knows a time zone (see `zone`)
//! or reads a clock.

use chrono::{DateTime, Utc};
use std::fmt;

/// An instant: whole minutes since 1970-01-01T00:00Z.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Minute(pub i64);

/// Minutes in an hour, in `i64`, so that arithmetic reads without casts.
pub const HOUR: i64 = 60;

impl Minute {
    /// The instant `minutes` later (earlier when negative).
    pub const fn plus(self, minutes: i64) -> Minute {
        Minute(self.0 + minutes)
    }

    /// Elapsed minutes from `earlier` to `self`; negative when `earlier` is later.
    pub const fn since(self, earlier: Minute) -> i64 {
        self.0 - earlier.0
    }

    /// The whole minute that contains `at` (seconds are dropped).
    pub fn floor_from(at: DateTime<Utc>) -> Minute {
        Minute(at.timestamp().div_euclid(60))
    }

    /// The first whole minute not before `at`.
    pub fn ceil_from(at: DateTime<Utc>) -> Minute {
        let whole = at.timestamp().div_euclid(60);
        let exact = at.timestamp().rem_euclid(60) == 0 && at.timestamp_subsec_nanos() == 0;
        Minute(if exact { whole } else { whole + 1 })
    }

    /// The same instant as a chrono value, for the wire and the store.
    pub fn to_utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp(self.0.saturating_mul(60), 0).unwrap_or_default()
    }
}

impl fmt::Debug for Minute {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.to_utc().format("%Y-%m-%dT%H:%MZ"))
    }
}

/// A half-open span of time, `start` included and `end` excluded; never empty and never reversed.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span {
    start: Minute,
    end: Minute,
}

impl Span {
    /// `None` unless `start < end`.
    pub fn new(start: Minute, end: Minute) -> Option<Span> {
        (start < end).then_some(Span { start, end })
    }

    /// First minute inside.
    pub const fn start(self) -> Minute {
        self.start
    }

    /// First minute after.
    pub const fn end(self) -> Minute {
        self.end
    }

    /// Length in minutes, at least 1.
    pub const fn minutes(self) -> i64 {
        self.end.0 - self.start.0
    }

    /// Whether the two share at least one minute.
    pub fn overlaps(self, other: Span) -> bool {
        self.start < other.end && other.start < self.end
    }

    /// Whether `other` lies wholly inside.
    pub fn contains(self, other: Span) -> bool {
        self.start <= other.start && other.end <= self.end
    }

    /// The shared part, if any.
    pub fn intersection(self, other: Span) -> Option<Span> {
        Span::new(self.start.max(other.start), self.end.min(other.end))
    }
}

impl fmt::Debug for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "[{:?}, {:?})", self.start, self.end)
    }
}

/// Sorts spans and joins those that touch or overlap.
pub fn joined(mut spans: Vec<Span>) -> Vec<Span> {
    spans.sort_unstable();
    let mut out: Vec<Span> = Vec::with_capacity(spans.len());
    for span in spans {
        match out.last_mut() {
            Some(last) if span.start <= last.end => last.end = last.end.max(span.end),
            _ => out.push(span),
        }
    }
    out
}

/// The parts of `spans` (sorted, disjoint) that lie in none of `holes` (sorted, disjoint).
pub fn without(spans: &[Span], holes: &[Span]) -> Vec<Span> {
    let mut out = Vec::with_capacity(spans.len());
    let mut first_hole = 0;
    for &span in spans {
        let mut from = span.start;
        while first_hole < holes.len() && holes[first_hole].end <= span.start {
            first_hole += 1;
        }
        for hole in holes[first_hole..].iter().take_while(|hole| hole.start < span.end) {
            out.extend(Span::new(from, hole.start));
            from = from.max(hole.end);
        }
        out.extend(Span::new(from, span.end));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(start: i64, end: i64) -> Span {
        Span::new(Minute(start), Minute(end)).unwrap()
    }

    #[test]
    fn spans_are_never_empty_or_reversed() {
        assert_eq!(Span::new(Minute(5), Minute(5)), None);
        assert_eq!(Span::new(Minute(6), Minute(5)), None);
        assert!(!span(0, 5).overlaps(span(5, 9)));
    }

    #[test]
    fn joining_and_cutting() {
        assert_eq!(joined(vec![span(5, 9), span(0, 5), span(20, 30), span(22, 25)]), [span(0, 9), span(20, 30)]);
        let cut = without(&[span(0, 10), span(20, 30)], &[span(0, 2), span(4, 5), span(8, 25)]);
        assert_eq!(cut, [span(2, 4), span(5, 8), span(25, 30)]);
    }
}
