//! VTIMEZONE (RFC 5545 section 3.6.5): the clock changes of the years a calendar shows, each written out. A rule such
//! as "first Sunday in November" would be shorter, but would go on after a government has ended it.

use super::{Calendar, Lines};
use crate::domain::time::Minute;
use crate::domain::zone::{Clock, Zone};
use chrono::{Datelike as _, NaiveDate};

/// The first instant of the year of the earliest event, and of the year after the latest; without events, of the year
/// of the last change. Whole years, so that moving an event rarely changes the time zone too.
pub(super) fn years_shown(calendar: &Calendar) -> (Minute, Minute) {
    let instants = || calendar.events.iter().flat_map(|event| [event.start, event.end]);
    let year = |at: Option<Minute>| calendar.zone.date(at.unwrap_or(Minute::floor_from(calendar.last_modified))).year();
    let start = |year: i32| calendar.zone.day_start(NaiveDate::from_ymd_opt(year, 1, 1).unwrap_or_default());
    (start(year(instants().min())), start(year(instants().max()).saturating_add(1)))
}

/// Writes the component. It is there even when no event names the zone: an iCalendar object needs one component.
pub(super) fn write(out: &mut Lines, zone: Zone, (from, until): (Minute, Minute)) {
    out.word("BEGIN", "VTIMEZONE");
    out.word("TZID", zone.name());
    // The clock before the first change, from a date before any event: readers need one to start from.
    let Clock { offset_minutes, abbreviation, is_dst } = zone.clock(from);
    write_observance(out, is_dst, "19700101T000000", [offset_minutes; 2], &abbreviation);
    for change in zone.transitions(from.plus(1), until) {
        let offsets = [change.offset_before_minutes, change.offset_after_minutes];
        let shown_before = super::local(Zone::UTC, change.at.plus(i64::from(change.offset_before_minutes)));
        write_observance(out, change.is_dst, &shown_before, offsets, &change.abbreviation);
    }
    out.word("END", "VTIMEZONE");
}

/// `onset` is local time on the clock before. It is given as RDATE as well: some readers look for a rule and fail
/// without one, others look at RDATE only.
fn write_observance(out: &mut Lines, is_dst: bool, onset: &str, [from, to]: [i32; 2], abbreviation: &str) {
    let kind = if is_dst { "DAYLIGHT" } else { "STANDARD" };
    out.word("BEGIN", kind);
    out.word("DTSTART", onset);
    out.word("RDATE", onset);
    out.word("TZOFFSETFROM", &offset(from));
    out.word("TZOFFSETTO", &offset(to));
    out.text("TZNAME", abbreviation);
    out.word("END", kind);
}

/// Section 3.3.14.
fn offset(minutes: i32) -> String {
    let sign = if minutes < 0 { '-' } else { '+' };
    format!("{sign}{:02}{:02}", minutes.abs() / 60, minutes.abs() % 60)
}
