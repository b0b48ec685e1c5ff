//! Times, dates and kinds of work as they are written on pages.

use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{PlacedStateDto, StepKindDto};
use chrono::{DateTime, NaiveDate};

/// The wall clock, such as "07:30".
pub(super) fn clock(zone: Zone, at: Minute) -> String {
    let minute = zone.minute_of_day(at);
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

/// Such as "Mon 9 Mar".
pub(super) fn day(date: NaiveDate) -> String {
    date.format("%a %-d %b").to_string()
}

/// Such as "Thu 08:53" as seen from a day within the week before, or else "Thu 12 Mar 08:53".
pub(super) fn soon(zone: Zone, at: Minute, from: NaiveDate) -> String {
    let date = zone.date(at);
    match date.signed_duration_since(from).num_days() {
        0 => clock(zone, at),
        1..=6 => format!("{} {}", date.format("%a"), clock(zone, at)),
        _ => day_clock(zone, at),
    }
}

/// Such as "Mon 9 Mar 07:30".
pub(super) fn day_clock(zone: Zone, at: Minute) -> String {
    format!("{} {}", day(zone.date(at)), clock(zone, at))
}

/// Such as "07:30–11:00", with the days where they are not `on`.
pub(super) fn span(zone: Zone, start: Minute, finish: Minute, on: NaiveDate) -> String {
    format!("{}–{}", soon(zone, start, on), soon(zone, finish, on))
}

/// Such as "Tue 07:30–11:00" as seen from a day within the week before; the second day only where it is another one.
pub(super) fn span_from(zone: Zone, start: Minute, finish: Minute, from: NaiveDate) -> String {
    let same = zone.date(start) == zone.date(finish);
    let until = if same { clock(zone, finish) } else { soon(zone, finish, from) };
    format!("{}–{until}", soon(zone, start, from))
}

/// Such as "9–15 March 2026" or "30 March – 5 April 2026".
pub(super) fn dates(first: NaiveDate, last: NaiveDate) -> String {
    let whole = |date: NaiveDate| date.format("%-d %B %Y").to_string();
    if first.format("%Y-%m").to_string() == last.format("%Y-%m").to_string() {
        format!("{}–{}", first.format("%-d"), whole(last))
    } else if first.format("%Y").to_string() == last.format("%Y").to_string() {
        format!("{} – {}", first.format("%-d %B"), whole(last))
    } else {
        format!("{} – {}", whole(first), whole(last))
    }
}

/// Such as "45 min", "3 h", "2 h 15 min" or "2 days 4 h".
pub(super) fn length(minutes: i64) -> String {
    let (days, hours, rest) = (minutes / 1440, minutes % 1440 / 60, minutes % 60);
    let mut parts = Vec::new();
    if days > 0 {
        parts.push(if days == 1 { "1 day".to_owned() } else { format!("{days} days") });
    }
    if hours > 0 {
        parts.push(format!("{hours} h"));
    }
    // Nobody waits for days by the minute.
    if (rest > 0 && days == 0) || parts.is_empty() {
        parts.push(format!("{rest} min"));
    }
    parts.join(" ")
}

/// An instant as documents write it, such as "2026-03-09T08:00:00-04:00", on the wall clock that it shows: "Mon 9 Mar 08:00".
pub(super) fn told(instant: &str) -> String {
    shown(instant, "%a %-d %b %H:%M")
}

/// The same for letters: "Monday 9 March, 08:00".
pub(super) fn told_in_full(instant: &str) -> String {
    shown(instant, "%A %-d %B, %H:%M")
}

fn shown(instant: &str, form: &str) -> String {
    DateTime::parse_from_rfc3339(instant).map_or_else(|_| instant.to_owned(), |at| at.format(form).to_string())
}

/// What is said of work that is not just planned.
pub(super) const fn state(state: PlacedStateDto) -> Option<&'static str> {
    match state {
        PlacedStateDto::Planned => None,
        PlacedStateDto::Running => Some("under way"),
        PlacedStateDto::Done => Some("✓ done"),
    }
}

/// Kinds of work in the order in which a house meets them.
pub(super) const KINDS: [StepKindDto; 14] = [
    StepKindDto::SetUp,
    StepKindDto::Sand,
    StepKindDto::Edge,
    StepKindDto::Vacuum,
    StepKindDto::WaterPop,
    StepKindDto::TreatA,
    StepKindDto::TreatB,
    StepKindDto::Check,
    StepKindDto::Stain,
    StepKindDto::Seal,
    StepKindDto::Abrade,
    StepKindDto::Coat,
    StepKindDto::WalkThrough,
    StepKindDto::Other,
];

/// Class of colour and pattern.
pub(super) const fn class(kind: StepKindDto) -> &'static str {
    match kind {
        StepKindDto::SetUp => "k-set-up",
        StepKindDto::Sand => "k-sand",
        StepKindDto::Edge => "k-edge",
        StepKindDto::Vacuum => "k-vacuum",
        StepKindDto::WaterPop => "k-water-pop",
        StepKindDto::TreatA => "k-treat-a",
        StepKindDto::TreatB => "k-treat-b",
        StepKindDto::Check => "k-check",
        StepKindDto::Stain => "k-stain",
        StepKindDto::Seal => "k-seal",
        StepKindDto::Abrade => "k-abrade",
        StepKindDto::Coat => "k-coat",
        StepKindDto::WalkThrough => "k-walk-through",
        StepKindDto::Other => "k-other",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn weeks_are_named_shortly() {
        assert_eq!(dates(date("2026-03-09"), date("2026-03-15")), "9–15 March 2026");
        assert_eq!(dates(date("2026-03-30"), date("2026-04-05")), "30 March – 5 April 2026");
        assert_eq!(dates(date("2026-12-28"), date("2027-01-03")), "28 December 2026 – 3 January 2027");
    }

    #[test]
    fn lengths_are_told_as_people_do() {
        for (minutes, told) in
            [(0, "0 min"), (45, "45 min"), (180, "3 h"), (135, "2 h 15 min"), (1440, "1 day"), (3135, "2 days 4 h")]
        {
            assert_eq!(length(minutes), told);
        }
    }

    #[test]
    fn instants_of_documents_keep_their_wall_clock() {
        assert_eq!(told("2026-03-09T08:05:30-04:00"), "Mon 9 Mar 08:05");
        assert_eq!(told_in_full("2026-03-09T08:05:30+10:30"), "Monday 9 March, 08:05");
        assert_eq!(told("soon"), "soon");
    }

    /// Clocks go forward on 8 March 2026: the span is two hours long on the clock and one in truth.
    #[test]
    fn spans_are_on_the_wall_clock() {
        let zone = Zone::parse("America/New_York").unwrap();
        let start = Minute::floor_from("2026-03-08T06:30:00Z".parse().unwrap());
        assert_eq!(span(zone, start, start.plus(60), date("2026-03-08")), "01:30–03:30");
        assert_eq!(span_from(zone, start, start.plus(60), date("2026-03-07")), "Sun 01:30–03:30");
        assert_eq!(span_from(zone, start, start.plus(1440), date("2026-03-07")), "Sun 01:30–Mon 02:30");
        assert_eq!(span(zone, start, start.plus(1440), date("2026-03-08")), "01:30–Mon 02:30");
        assert_eq!(span(zone, start, start.plus(10 * 1440), date("2026-03-09")), "Sun 8 Mar 01:30–Wed 18 Mar 02:30");
    }
}
