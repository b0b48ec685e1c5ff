//! Time zones: the one module that knows wall clocks.

use super::time::Minute;
use chrono::{Days, LocalResult, NaiveDate, Offset, TimeZone, Timelike, Utc};

/// An IANA time zone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Zone(chrono_tz::Tz);

impl Zone {
    /// Coordinated universal time.
    pub const UTC: Zone = Zone(chrono_tz::UTC);

    /// By IANA name.
    pub fn parse(name: &str) -> Option<Zone> {
        name.parse().ok().map(Zone)
    }

    /// IANA name.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// Offset from UTC, minutes.
    pub fn offset_minutes(self, at: Minute) -> i32 {
        self.0.offset_from_utc_datetime(&at.to_utc().naive_utc()).fix().local_minus_utc() / 60
    }

    /// Local date.
    pub fn date(self, at: Minute) -> NaiveDate {
        at.to_utc().with_timezone(&self.0).date_naive()
    }

    /// Local minutes after midnight.
    pub fn minute_of_day(self, at: Minute) -> i32 {
        let local = at.to_utc().with_timezone(&self.0);
        (local.hour() * 60 + local.minute()) as i32
    }

    fn resolve(self, date: NaiveDate, minute_of_day: i32, last: bool) -> Minute {
        let naive = date.and_time(chrono::NaiveTime::MIN) + chrono::Duration::minutes(i64::from(minute_of_day));
        let mut probe = naive;
        loop {
            match self.0.from_local_datetime(&probe) {
                LocalResult::Single(t) => return Minute::floor_from(t.with_timezone(&Utc)),
                LocalResult::Ambiguous(a, b) => {
                    return Minute::floor_from((if last { b } else { a }).with_timezone(&Utc));
                }
                LocalResult::None => probe += chrono::Duration::minutes(1),
            }
        }
    }

    /// Start of a window.
    pub fn opening(self, date: NaiveDate, minute_of_day: i32) -> Minute {
        self.resolve(date, minute_of_day, false)
    }

    /// End of a window.
    pub fn closing(self, date: NaiveDate, minute_of_day: i32) -> Minute {
        self.resolve(date, minute_of_day, true)
    }

    /// Start of the local calendar day.
    pub fn day_start(self, date: NaiveDate) -> Minute {
        self.opening(date, 0)
    }

    /// Start of the next local calendar day.
    pub fn next_day_start(self, at: Minute) -> Minute {
        let date = self.date(at);
        self.day_start(date.checked_add_days(Days::new(1)).unwrap_or(date))
    }
}
