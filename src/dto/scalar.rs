//! The smallest wire values: instants, dates, times of day, zones. Each is a string on the wire, so that a bad one is
//! told with its own code and cure and reading goes on.

use super::fault::shown;
use crate::domain::calendar::DAY_MINUTES;
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use chrono::{DateTime, NaiveDate, Utc};

/// Instants outside these are mistakes (seconds taken for minutes, a year typed wrong): 1970 to 2199.
pub(crate) const INSTANTS: std::ops::Range<i64> = 0..120_968_640;

/// An RFC 3339 instant, seconds and all.
pub(crate) fn exact_instant(text: &str) -> Result<DateTime<Utc>, Fault> {
    let parsed = DateTime::parse_from_rfc3339(text).map_err(|cause| {
        Fault::new(
            "bad-instant",
            format!("{} is not an RFC 3339 instant: {cause}", shown(text)),
            "write date, time and offset from UTC, such as \"2026-03-09T08:00:00-04:00\"",
        )
    })?;
    if !INSTANTS.contains(&parsed.timestamp().div_euclid(60)) {
        return Err(Fault::new(
            "absurd-instant",
            format!("{} is outside the years 1970 to 2199", shown(text)),
            "check the year",
        ));
    }
    Ok(parsed.with_timezone(&Utc))
}

/// An RFC 3339 instant on a whole minute.
pub(crate) fn instant(text: &str) -> Result<Minute, Fault> {
    let exact = exact_instant(text)?;
    let minute = Minute::floor_from(exact);
    if minute != Minute::ceil_from(exact) {
        return Err(Fault::new(
            "seconds-in-instant",
            format!("{} is not on a whole minute", shown(text)),
            "plans are made to the minute: let the seconds be 00",
        ));
    }
    Ok(minute)
}

/// `YYYY-MM-DD`.
pub(crate) fn date(text: &str) -> Result<NaiveDate, Fault> {
    let shaped = text.len() == 10 && (text.starts_with("19") || text.starts_with("20") || text.starts_with("21"));
    NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().filter(|_| shaped).ok_or_else(|| {
        Fault::new(
            "bad-date",
            format!("{} is not a date", shown(text)),
            "write year, month and day as in \"2026-03-09\"",
        )
    })
}

/// `HH:MM`, up to `24:00`, as minutes after midnight.
pub(crate) fn time_of_day(text: &str) -> Result<i32, Fault> {
    let digits = |part: &str| part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
    let parsed = text.split_once(':').filter(|(hours, minutes)| digits(hours) && digits(minutes));
    let parsed = parsed.and_then(|(hours, minutes)| Some((hours.parse::<i32>().ok()?, minutes.parse::<i32>().ok()?)));
    match parsed {
        Some((hours, minutes)) if minutes < 60 && hours * 60 + minutes <= DAY_MINUTES => Ok(hours * 60 + minutes),
        _ => Err(Fault::new(
            "bad-time-of-day",
            format!("{} is not a time of day", shown(text)),
            "write hours and minutes as in \"07:30\", from \"00:00\" to \"24:00\"",
        )),
    }
}

/// An IANA time zone; the one place where the wire meets [`Zone::parse`].
pub(crate) fn zone(name: &str) -> Result<Zone, Fault> {
    Zone::parse(name).map_err(|error| Fault::new("unknown-zone", error.to_string(), error.cure()))
}

/// An instant as the wall clock of `zone` shows it, with its offset: RFC 3339.
pub(crate) fn local(zone: Zone, at: Minute) -> String {
    zone.rfc3339(at.to_utc())
}

/// `HH:MM`.
pub(crate) fn time_text(minute_of_day: i32) -> String {
    format!("{:02}:{:02}", minute_of_day / 60, minute_of_day % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_are_on_whole_minutes_and_of_this_age() {
        assert_eq!(instant("1970-01-01T01:01:00+01:00").unwrap(), Minute(1));
        let code = |text| instant(text).unwrap_err().code;
        assert_eq!(code("2026-03-09T08:00:30Z"), "seconds-in-instant");
        assert_eq!(code("2026-03-09T08:00:00.5Z"), "seconds-in-instant");
        assert_eq!(code("2026-03-09T08:00Z"), "bad-instant");
        assert_eq!(code("2026-03-09T08:00:00"), "bad-instant");
        assert_eq!(code("9026-03-09T08:00:00Z"), "absurd-instant");
    }

    #[test]
    fn times_of_day_reach_from_midnight_to_midnight() {
        assert_eq!(time_of_day("00:00").unwrap(), 0);
        assert_eq!(time_of_day("24:00").unwrap(), 1440);
        for bad in ["24:01", "7:30", "07:60", "0730", "+7:30", "07:3O", ""] {
            assert_eq!(time_of_day(bad).unwrap_err().code, "bad-time-of-day", "{bad}");
        }
        assert_eq!(time_text(450), "07:30");
    }

    #[test]
    fn dates_are_written_in_full() {
        assert_eq!(date("2026-03-09").unwrap().to_string(), "2026-03-09");
        for bad in ["2026-3-9", "09.03.2026", "2026-02-30", "12026-03-9", ""] {
            assert_eq!(date(bad).unwrap_err().code, "bad-date", "{bad}");
        }
    }

    /// 1 November 2026, 01:30 happens twice in New York; the offset tells which.
    #[test]
    fn local_times_carry_their_offset() {
        let zone = Zone::parse("America/New_York").unwrap();
        let first = instant("2026-11-01T01:30:00-04:00").unwrap();
        assert_eq!(local(zone, first), "2026-11-01T01:30:00-04:00");
        assert_eq!(local(zone, first.plus(60)), "2026-11-01T01:30:00-05:00");
    }
}
