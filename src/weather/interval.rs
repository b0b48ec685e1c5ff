//! Stretches of time as ISO 8601 writes them: a start and a duration (`2019-07-04T18:00:00+00:00/PT3H`), or a start and
//! an end. Here they are always made of whole UTC hours.

use super::shown;
use crate::domain::bounds::FORECAST_HOURS_MAX;
use crate::domain::fault::Fault;
use crate::domain::time::{HOUR, Minute};
use chrono::{DateTime, Utc};

/// Whole hours: `hours` of them from `start` on, at least one and at most [`FORECAST_HOURS_MAX`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Hours {
    pub(super) start: Minute,
    pub(super) count: usize,
}

/// Digits of one number of a duration: five are more hours than any forecast has.
const DIGITS_MAX: usize = 9;
const CURE: &str = "write start and duration in whole hours, such as 2019-07-04T18:00:00+00:00/PT3H";

impl Hours {
    pub(super) fn parse(text: &str) -> Result<Hours, Fault> {
        let bad = |why: &str| Fault::new("bad-interval", format!("{} is no interval: {why}", shown(text)), CURE);
        let (start, rest) = text.split_once('/').ok_or_else(|| bad("it has no slash"))?;
        let instant = |text| DateTime::parse_from_rfc3339(text).map(|at| at.with_timezone(&Utc));
        let start = instant(start).map_err(|cause| bad(&format!("its start is no instant: {cause}")))?;
        let seconds = match duration_seconds(rest) {
            Some(seconds) => seconds,
            None if rest.contains('P') => return Err(bad("its duration is none of days, hours and minutes")),
            None => {
                let end = instant(rest).map_err(|cause| bad(&format!("its end is no instant: {cause}")))?;
                end.signed_duration_since(start).num_seconds()
            }
        };
        if seconds <= 0 {
            let what = format!("{} ends before it begins, or at once", shown(text));
            return Err(Fault::new("reversed-interval", what, CURE));
        }
        let hour_seconds = HOUR * 60;
        if start.timestamp() % hour_seconds != 0 || start.timestamp_subsec_nanos() != 0 || seconds % hour_seconds != 0 {
            let what = format!("{} does not consist of whole UTC hours", shown(text));
            return Err(Fault::new("forecast-off-hour", what, CURE));
        }
        let count = usize::try_from(seconds / hour_seconds).unwrap_or(usize::MAX);
        if count > FORECAST_HOURS_MAX {
            let what = format!("{} is {count} hours long", shown(text));
            return Err(Fault::new("absurd-interval", what, format!("give at most {FORECAST_HOURS_MAX} hours")));
        }
        Ok(Hours { start: Minute::floor_from(start), count })
    }

    pub(super) fn starts(self) -> impl Iterator<Item = Minute> {
        (0..self.count as i64).map(move |index| self.start.plus(index * HOUR))
    }
}

/// `P1W`, `P1DT6H`, `PT3H`, `PT90M`, `-PT1H`. Months and years have no length of their own and are refused.
fn duration_seconds(text: &str) -> Option<i64> {
    let (sign, rest) = text.strip_prefix('-').map_or((1, text), |rest| (-1, rest));
    let (date, time) = match rest.strip_prefix('P')?.split_once('T') {
        Some((date, time)) if !time.is_empty() => (date, time),
        Some(_) => return None,
        None => (rest.strip_prefix('P')?, ""),
    };
    if date.is_empty() && time.is_empty() {
        return None;
    }
    let days = parts(date, &[('W', 7 * 86_400), ('D', 86_400)])?;
    let hours = parts(time, &[('H', 3_600), ('M', 60), ('S', 1)])?;
    Some(sign * (days + hours))
}

/// Numbers, each followed by its unit, in the order of `units`.
fn parts(mut text: &str, units: &[(char, i64)]) -> Option<i64> {
    let mut seconds = 0;
    let mut left = units.iter();
    while !text.is_empty() {
        let digits = text.bytes().take_while(u8::is_ascii_digit).count();
        let number: i64 = text.get(..digits).filter(|digits| digits.len() <= DIGITS_MAX)?.parse().ok()?;
        let unit = text[digits..].chars().next()?;
        let (_, length) = left.find(|(known, _)| *known == unit)?;
        seconds += number * length;
        text = &text[digits + unit.len_utf8()..];
    }
    Some(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours(text: &str) -> usize {
        Hours::parse(&format!("2019-07-04T18:00:00+00:00/{text}")).unwrap().count
    }

    fn code(text: &str) -> &'static str {
        Hours::parse(text).unwrap_err().code
    }

    /// Source: the service's own words on gridpoints (2019-07-04T18:00:00+00:00/PT3H is 18:00 to 21:00 UTC), and
    /// ISO 8601 durations.
    #[test]
    fn durations_are_whole_hours() {
        assert_eq!(["PT3H", "P1DT6H", "P2D", "P1W", "PT120M"].map(hours), [3, 30, 48, 168, 2]);
        assert_eq!(hours("2019-07-05T00:00:00+00:00"), 6);
        let started = Hours::parse("2019-07-04T14:00:00-04:00/PT3H").unwrap();
        assert_eq!(started.start.to_utc().to_rfc3339(), "2019-07-04T18:00:00+00:00");
        assert_eq!(started.starts().count(), 3);
    }

    #[test]
    fn what_is_no_stretch_of_hours_is_told_by_its_code() {
        let from = |rest: &str| format!("2019-07-04T18:00:00+00:00/{rest}");
        for (text, told) in [
            (from("-PT3H"), "reversed-interval"),
            (from("PT0H"), "reversed-interval"),
            (from("2019-07-04T17:00:00+00:00"), "reversed-interval"),
            (from("PT90M"), "forecast-off-hour"),
            ("2019-07-04T18:30:00+00:00/PT1H".to_owned(), "forecast-off-hour"),
            ("2019-07-04T18:00:00.5+00:00/PT1H".to_owned(), "forecast-off-hour"),
            (from("PT9601H"), "absurd-interval"),
            (from("P999999999W"), "absurd-interval"),
            (from("P1M"), "bad-interval"),
            (from("PT"), "bad-interval"),
            (from("P"), "bad-interval"),
            (from("PT3"), "bad-interval"),
            (from("PT6H1H"), "bad-interval"),
            (from("PT9999999999H"), "bad-interval"),
            (from("PT\u{660}H"), "bad-interval"),
            (from(""), "bad-interval"),
            ("2019-07-04T18:00:00+00:00".to_owned(), "bad-interval"),
            ("yesterday/PT1H".to_owned(), "bad-interval"),
        ] {
            assert_eq!(code(&text), told, "{text}");
        }
    }
}
