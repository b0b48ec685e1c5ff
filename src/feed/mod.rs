//! iCalendar feeds (RFC 5545, with the calendar properties of RFC 7986): a pure function from events to text, without
//! clock, database or randomness, so that the same events always give the same bytes. What goes into a feed, who may
//! read it and how it is cached is decided elsewhere.

mod line;
#[cfg(test)]
mod tests;
mod timezone;

use crate::domain::time::Minute;
use crate::domain::zone::{Wall, Zone};
use chrono::{DateTime, Utc};
use line::Lines;

/// What the feed says made it (RFC 5545 section 3.7.3).
const PRODID: &str = "-//tackfree//schedule feed//EN";

/// A published calendar: how it presents itself, and its events in the order in which they are written.
#[derive(Clone, Debug, PartialEq)]
pub struct Calendar {
    /// Shown by calendar programs.
    pub name: String,
    /// A sentence about what the calendar holds.
    pub description: Option<String>,
    /// Whose wall clock the events' times are written in.
    pub zone: Zone,
    /// What programs may paint it with, by its CSS name (RFC 7986 section 5.9).
    pub color: Option<&'static str>,
    /// Stable and unique in the world.
    pub uid: String,
    /// When any of its content last changed.
    pub last_modified: DateTime<Utc>,
    /// How often a reader should ask again.
    pub refresh_minutes: u32,
    /// Where the calendar can be fetched.
    pub url: Option<String>,
    /// At most one for each UID.
    pub events: Vec<Event>,
}

/// One entry of a calendar.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Stable over all revisions, unique in the world.
    pub uid: String,
    /// Raised by each revision that readers must notice.
    pub sequence: u32,
    /// When this revision was made: stored with it and never the time of asking, or every reply would differ.
    pub stamp: DateTime<Utc>,
    /// When the entry last changed.
    pub last_modified: DateTime<Utc>,
    /// First minute.
    pub start: Minute,
    /// First minute after. An end that is not after `start` is left out: RFC 5545 then takes the event for an instant.
    pub end: Minute,
    /// One line.
    pub summary: String,
    /// Any number of lines; left out when empty.
    pub description: String,
    /// An address; left out when empty.
    pub location: String,
    /// Latitude and longitude in degrees.
    pub geo: Option<(f64, f64)>,
    /// Words to filter by.
    pub categories: Vec<String>,
    /// As the calendar's own.
    pub color: Option<&'static str>,
    /// How sure it is.
    pub status: EventStatus,
    /// Whether the time stays free for other things.
    pub transparent: bool,
}

/// How sure an event is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EventStatus {
    /// It will happen.
    Confirmed,
    /// It may move.
    Tentative,
    /// It was announced and does not happen.
    Cancelled,
}

/// The calendar as iCalendar text: UTF-8, CRLF at each line's end, no line over 75 octets.
///
/// Times are local with a TZID and a VTIMEZONE that lists every clock change of the years shown. A time that the wall
/// clock shows twice is written in UTC, because readers disagree on which of the two a local time means.
///
/// There is no X-WR-TIMEZONE: readers that heed it write those times in local time all the same. There is no METHOD: with one, this would be a scheduling message (RFC 5546), which has an organizer and whose DTSTAMP is
/// the time of sending. Without one, DTSTAMP is when the entry was last revised, and stays as long as the entry does.
pub fn render(calendar: &Calendar) -> String {
    let mut out = Lines::default();
    let zone = calendar.zone;
    out.word("BEGIN", "VCALENDAR");
    out.word("VERSION", "2.0");
    out.word("PRODID", PRODID);
    out.word("CALSCALE", "GREGORIAN");
    out.text("UID", &calendar.uid);
    out.word("LAST-MODIFIED", &utc(calendar.last_modified));
    out.text("NAME", &calendar.name);
    out.text("X-WR-CALNAME", &calendar.name);
    if let Some(description) = &calendar.description {
        out.text("DESCRIPTION", description);
        out.text("X-WR-CALDESC", description);
    }
    if let Some(color) = calendar.color {
        out.word("COLOR", color);
    }
    let refresh = format!("PT{}M", calendar.refresh_minutes.max(1));
    out.word("REFRESH-INTERVAL;VALUE=DURATION", &refresh);
    out.word("X-PUBLISHED-TTL", &refresh);
    if let Some(url) = &calendar.url {
        out.word("SOURCE;VALUE=URI", url);
        out.word("URL", url);
    }
    timezone::write(&mut out, zone, timezone::years_shown(calendar));
    for event in &calendar.events {
        write_event(&mut out, zone, event);
    }
    out.word("END", "VCALENDAR");
    out.into_string()
}

fn write_event(out: &mut Lines, zone: Zone, event: &Event) {
    out.word("BEGIN", "VEVENT");
    out.text("UID", &event.uid);
    out.word("SEQUENCE", &event.sequence.to_string());
    out.word("DTSTAMP", &utc(event.stamp));
    out.word("LAST-MODIFIED", &utc(event.last_modified));
    // Both in one form: some readers take the zone of the start for that of the end.
    let in_utc = zone == Zone::UTC || [event.start, event.end].into_iter().any(|at| happens_twice(zone, at));
    write_instant(out, "DTSTART", zone, event.start, in_utc);
    if event.end > event.start {
        write_instant(out, "DTEND", zone, event.end, in_utc);
    }
    out.text("SUMMARY", &event.summary);
    for (name, value) in [("DESCRIPTION", &event.description), ("LOCATION", &event.location)] {
        if !value.is_empty() {
            out.text(name, value);
        }
    }
    if let Some((latitude, longitude)) = event.geo.filter(|&(latitude, longitude)| on_earth(latitude, longitude)) {
        out.word("GEO", &format!("{latitude:.6};{longitude:.6}"));
    }
    if !event.categories.is_empty() {
        out.texts("CATEGORIES", &event.categories);
    }
    if let Some(color) = event.color {
        out.word("COLOR", color);
    }
    out.word("STATUS", event.status.word());
    out.word("TRANSP", if event.transparent { "TRANSPARENT" } else { "OPAQUE" });
    out.word("END", "VEVENT");
}

fn write_instant(out: &mut Lines, name: &str, zone: Zone, at: Minute, in_utc: bool) {
    if in_utc {
        out.word(name, &utc(at.to_utc()));
    } else {
        out.word(&format!("{name};TZID={zone}"), &local(zone, at));
    }
}

fn happens_twice(zone: Zone, at: Minute) -> bool {
    matches!(zone.wall(zone.date(at), zone.minute_of_day(at)), Wall::Twice { .. })
}

fn on_earth(latitude: f64, longitude: f64) -> bool {
    (-90.0..=90.0).contains(&latitude) && (-180.0..=180.0).contains(&longitude)
}

/// RFC 5545 section 3.3.5, form 2.
fn utc(at: DateTime<Utc>) -> String {
    at.format("%Y%m%dT%H%M%SZ").to_string()
}

/// RFC 5545 section 3.3.5, forms 1 and 3.
fn local(zone: Zone, at: Minute) -> String {
    let minute = zone.minute_of_day(at);
    format!("{}T{:02}{:02}00", zone.date(at).format("%Y%m%d"), minute / 60, minute % 60)
}

impl EventStatus {
    fn word(self) -> &'static str {
        match self {
            EventStatus::Confirmed => "CONFIRMED",
            EventStatus::Tentative => "TENTATIVE",
            EventStatus::Cancelled => "CANCELLED",
        }
    }
}
