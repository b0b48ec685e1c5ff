//! Instants of the database as text on a wall clock, and wall-clock zones of documents.

use crate::domain::fault::Fault;
use crate::domain::zone::Zone;
use chrono::{DateTime, SecondsFormat, Utc};

/// RFC 3339 with the offset that `zone` has then.
pub(super) fn local(zone: Zone, at: DateTime<Utc>) -> String {
    zone.rfc3339(at)
}

/// RFC 3339 in UTC.
pub(super) fn utc(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// A zone by name, or else another: stored documents have been checked, so the name is known.
pub(super) fn zone_or(name: Option<&str>, otherwise: Zone) -> Zone {
    name.and_then(|name| Zone::parse(name).ok()).unwrap_or(otherwise)
}

/// An RFC 3339 instant of this age, seconds and all.
pub(super) fn instant(text: &str) -> Result<DateTime<Utc>, Fault> {
    let bad = |what: String| {
        Fault::new("bad-instant", what, "write date, time and offset from UTC, such as \"2026-03-09T08:00:00-04:00\"")
    };
    let shown: String = text.chars().take(64).collect();
    let at = DateTime::parse_from_rfc3339(text)
        .map_err(|cause| bad(format!("{shown:?} is not an RFC 3339 instant: {cause}")))?
        .with_timezone(&Utc);
    // 1970 to 2199, as everywhere on the wire.
    if (0..7_258_118_400).contains(&at.timestamp()) { Ok(at) } else { Err(bad(format!("{shown:?} is another age"))) }
}
