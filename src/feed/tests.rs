//! The feed read back: as plain text against a golden calendar, and by a small reader of our own for properties. Other
//! people's readers judge it too, see `tests/python/check_feed.py` and `tests/node/check_feed.mjs`.

use super::*;
use chrono::{DateTime, NaiveDateTime};
use proptest::prelude::*;

fn utc_minute(text: &str) -> Minute {
    Minute::floor_from(DateTime::parse_from_rfc3339(&format!("{text}:00Z")).unwrap().to_utc())
}

fn event(start: &str, end: &str) -> Event {
    Event {
        uid: "step-1@example.net".to_string(),
        sequence: 3,
        stamp: utc_minute("2026-03-01T08:00").to_utc(),
        last_modified: utc_minute("2026-03-02T09:15").to_utc(),
        start: utc_minute(start),
        end: utc_minute(end),
        summary: "Sand, first pass".to_string(),
        description: "Bring:\nedger; 36 grit".to_string(),
        location: String::new(),
        geo: None,
        categories: vec!["sand".to_string(), "crew, north".to_string()],
        color: Some("orange"),
        status: EventStatus::Confirmed,
        transparent: false,
    }
}

fn calendar(zone: &str, events: Vec<Event>) -> Calendar {
    Calendar {
        name: "North crew".to_string(),
        description: None,
        color: Some("teal"),
        zone: Zone::parse(zone).unwrap(),
        uid: "crew-1@example.net".to_string(),
        last_modified: utc_minute("2026-03-02T09:15").to_utc(),
        refresh_minutes: 15,
        url: Some("https://example.net/feeds/n".to_string()),
        events,
    }
}

/// Name (with parameters) and raw value of each line, after unfolding; checks what holds for every line.
fn lines(text: &str) -> Vec<(String, String)> {
    assert!(text.ends_with("\r\n"));
    for line in text.as_bytes().strip_suffix(b"\r\n").unwrap().split(|&byte| byte == b'\n') {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        assert!(line.len() <= 75, "{} octets: {line:?}", line.len());
        let line = std::str::from_utf8(line).expect("a line is UTF-8 by itself");
        assert!(!line.trim_start_matches(' ').chars().any(|c| c.is_control() && c != '\t'), "{line:?}");
    }
    assert_eq!(text.matches('\n').count(), text.matches("\r\n").count(), "no bare line feed");
    let unfolded = text.replace("\r\n ", "");
    let split = |line: &str| line.split_once(':').map(|(name, value)| (name.to_string(), value.to_string()));
    unfolded.split_terminator("\r\n").map(|line| split(line).unwrap()).collect()
}

fn value<'a>(lines: &'a [(String, String)], name: &str) -> &'a str {
    &lines.iter().rfind(|(found, _)| found == name).unwrap_or_else(|| panic!("no {name}")).1
}

/// Splits at bare commas and undoes the escapes.
fn unescaped(value: &str) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut characters = value.chars();
    while let Some(character) = characters.next() {
        match character {
            ',' => out.push(String::new()),
            '\\' => out.last_mut().unwrap().push(match characters.next().unwrap() {
                'n' => '\n',
                escaped @ ('\\' | ';' | ',') => escaped,
                other => panic!("\\{other} means nothing"),
            }),
            ';' => panic!("a bare semicolon"),
            _ => out.last_mut().unwrap().push(character),
        }
    }
    out
}

/// What of a text may arrive: line breaks in one form, no control characters but the tab.
fn arriving(text: &str) -> String {
    let text = text.replace("\r\n", "\n").replace(['\r', '\u{85}', '\u{2028}', '\u{2029}'], "\n");
    text.chars().filter(|&c| c == '\n' || c == '\t' || !c.is_control()).collect()
}

#[test]
fn a_calendar_reads_as_expected() {
    let text = render(&calendar("America/New_York", vec![event("2026-03-06T13:00", "2026-03-09T20:30")]));
    let expected = "\
BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//tackfree//schedule feed//EN
CALSCALE:GREGORIAN
UID:crew-1@example.net
LAST-MODIFIED:20260302T091500Z
NAME:North crew
X-WR-CALNAME:North crew
COLOR:teal
REFRESH-INTERVAL;VALUE=DURATION:PT15M
X-PUBLISHED-TTL:PT15M
SOURCE;VALUE=URI:https://example.net/feeds/n
URL:https://example.net/feeds/n
BEGIN:VTIMEZONE
TZID:America/New_York
BEGIN:STANDARD
DTSTART:19700101T000000
RDATE:19700101T000000
TZOFFSETFROM:-0500
TZOFFSETTO:-0500
TZNAME:EST
END:STANDARD
BEGIN:DAYLIGHT
DTSTART:20260308T020000
RDATE:20260308T020000
TZOFFSETFROM:-0500
TZOFFSETTO:-0400
TZNAME:EDT
END:DAYLIGHT
BEGIN:STANDARD
DTSTART:20261101T020000
RDATE:20261101T020000
TZOFFSETFROM:-0400
TZOFFSETTO:-0500
TZNAME:EST
END:STANDARD
END:VTIMEZONE
BEGIN:VEVENT
UID:step-1@example.net
SEQUENCE:3
DTSTAMP:20260301T080000Z
LAST-MODIFIED:20260302T091500Z
DTSTART;TZID=America/New_York:20260306T080000
DTEND;TZID=America/New_York:20260309T163000
SUMMARY:Sand\\, first pass
DESCRIPTION:Bring:\\nedger\\; 36 grit
CATEGORIES:sand,crew\\, north
COLOR:orange
STATUS:CONFIRMED
TRANSP:OPAQUE
END:VEVENT
END:VCALENDAR
";
    assert_eq!(text.replace("\r\n", "\n"), expected);
}

#[test]
fn a_time_that_happens_twice_is_written_in_utc() {
    let form = |start, end| {
        let lines = lines(&render(&calendar("America/New_York", vec![event(start, end)])));
        let times = lines.iter().filter(|(name, value)| name.starts_with("DT") && value.starts_with("20261101"));
        times.map(|(name, value)| format!("{name}:{value}")).collect::<Vec<_>>().join(" ")
    };
    let onset = "DTSTART:20261101T020000 ";
    // 01:30 before and after the clocks go back, and the minutes around that hour.
    assert_eq!(
        form("2026-11-01T05:30", "2026-11-01T06:30"),
        format!("{onset}DTSTART:20261101T053000Z DTEND:20261101T063000Z")
    );
    assert_eq!(
        form("2026-11-01T04:59", "2026-11-01T06:59"),
        format!("{onset}DTSTART:20261101T045900Z DTEND:20261101T065900Z")
    );
    assert_eq!(
        form("2026-11-01T04:59", "2026-11-01T07:00"),
        format!("{onset}DTSTART;TZID=America/New_York:20261101T005900 DTEND;TZID=America/New_York:20261101T020000")
    );
}

#[test]
fn time_zones_list_the_years_shown() {
    let observances = |zone: &str, events| {
        let lines = lines(&render(&calendar(zone, events)));
        let kinds = lines.iter().filter(|(_, value)| value == "STANDARD" || value == "DAYLIGHT");
        kinds.filter(|(name, _)| name == "BEGIN").map(|(_, kind)| kind.clone()).collect::<Vec<_>>().join(" ")
    };
    let summer = || vec![event("2026-07-01T12:00", "2026-07-01T13:00")];
    assert_eq!(observances("America/Phoenix", summer()), "STANDARD");
    assert_eq!(observances("Australia/Adelaide", summer()), "DAYLIGHT STANDARD DAYLIGHT");
    assert_eq!(observances("America/Vancouver", summer()), "STANDARD DAYLIGHT STANDARD");
    let years = vec![event("2026-12-31T12:00", "2027-01-01T12:00")];
    assert_eq!(observances("America/New_York", years), "STANDARD DAYLIGHT STANDARD DAYLIGHT STANDARD");
    assert_eq!(observances("America/New_York", Vec::new()), "STANDARD DAYLIGHT STANDARD");
}

#[test]
fn what_an_event_lacks_is_left_out() {
    let mut bare = event("2026-07-01T12:00", "2026-07-01T12:00");
    (bare.description, bare.categories, bare.geo) = (String::new(), Vec::new(), Some((f64::NAN, 0.0)));
    (bare.status, bare.transparent) = (EventStatus::Cancelled, true);
    let lines_of = |event: &Event| lines(&render(&calendar("UTC", vec![event.clone()])));
    let found = lines_of(&bare);
    for name in ["DTEND", "DESCRIPTION", "LOCATION", "GEO", "CATEGORIES"] {
        assert!(!found.iter().any(|(line, _)| line.starts_with(name)), "{name}");
    }
    assert_eq!(
        ["DTSTART", "STATUS", "TRANSP"].map(|name| value(&found, name)),
        ["20260701T120000Z", "CANCELLED", "TRANSPARENT"]
    );
    bare.geo = Some((41.5, -73.25));
    assert_eq!(value(&lines_of(&bare), "GEO"), "41.500000;-73.250000");
}

#[test]
fn an_address_cannot_start_a_line() {
    let mut calendar = calendar("UTC", Vec::new());
    calendar.url = Some("https://example.net/\r\nBEGIN:VEVENT".to_string());
    assert_eq!(value(&lines(&render(&calendar)), "URL"), "https://example.net/BEGIN:VEVENT");
}

/// An instant as a reader finds it: by the calendar's own VTIMEZONE and nothing else.
fn instants_read(lines: &[(String, String)]) -> Vec<i64> {
    let at = |text: &str| NaiveDateTime::parse_from_str(text, "%Y%m%dT%H%M%S").unwrap().and_utc().timestamp() / 60;
    let minutes = |text: &str| {
        text[..3].parse::<i64>().unwrap() * 60 + format!("{}{}", &text[..1], &text[3..]).parse::<i64>().unwrap()
    };
    let zone = &lines[lines.iter().position(|(_, v)| v == "VTIMEZONE").unwrap()..];
    let mut clocks: Vec<(i64, i64)> = Vec::new();
    for block in zone.split(|(name, _)| name == "BEGIN").filter(|block| block.iter().any(|(n, _)| n == "TZOFFSETTO")) {
        let onset = at(value(block, "RDATE")) - minutes(value(block, "TZOFFSETFROM"));
        clocks.push((onset, minutes(value(block, "TZOFFSETTO"))));
    }
    let resolve = |local: i64| {
        let until = |i: usize| clocks.get(i + 1).map_or(i64::MAX, |&(onset, _)| onset);
        let on = |i: usize| Some(local - clocks[i].1).filter(|at| (clocks[i].0..until(i)).contains(at));
        let found: Vec<i64> = (0..clocks.len()).filter_map(on).collect();
        assert_eq!(found.len(), 1, "{local} on {clocks:?}");
        found[0]
    };
    let event =
        zone.iter().filter(|(name, _)| name.starts_with("DTSTART;") || name.starts_with("DTEND") || name == "DTSTART");
    let times = event.filter(|(name, value)| name.contains(';') || value.ends_with('Z'));
    times.map(|(_, time)| time.strip_suffix('Z').map_or_else(|| resolve(at(time)), at)).collect()
}

/// Any characters, the awkward ones often, so that folds and escapes meet them.
fn text() -> impl Strategy<Value = String> {
    let awkward =
        prop::sample::select("\\;,:\"\r\n\t \u{0}\u{7}\u{85}\u{2028}\u{feff}é→木🪵".chars().collect::<Vec<_>>());
    prop::collection::vec(prop_oneof![awkward, any::<char>()], 0..200).prop_map(|all| all.into_iter().collect())
}

proptest! {
    #[test]
    fn any_text_arrives(summary in text(), description in text(), location in text(), name in text(), tags in prop::collection::vec(text(), 1..4)) {
        let mut event = event("2026-07-01T12:00", "2026-07-01T13:00");
        (event.summary, event.description) = (summary.clone(), format!("d{description}"));
        (event.location, event.categories) = (format!("l{location}"), tags.clone());
        let mut calendar = calendar("Asia/Kolkata", vec![event]);
        calendar.name = name.clone();
        let rendered = render(&calendar);
        let lines = lines(&rendered);
        let read = |name| unescaped(value(&lines, name));
        prop_assert_eq!(read("SUMMARY"), [arriving(&summary)]);
        prop_assert_eq!(read("DESCRIPTION"), [format!("d{}", arriving(&description))]);
        prop_assert_eq!(read("LOCATION"), [format!("l{}", arriving(&location))]);
        prop_assert_eq!(read("NAME"), [arriving(&name)]);
        prop_assert_eq!(read("CATEGORIES"), tags.iter().map(|tag| arriving(tag)).collect::<Vec<_>>());
        prop_assert_eq!(render(&calendar.clone()), rendered);
    }

    #[test]
    fn any_instant_in_any_zone_arrives(index in 0..597_usize, start in 0_i64..47_000 * 1440, length in 1_i64..20_000, near in any::<bool>()) {
        let zone = Zone::all().nth(index).unwrap();
        let change = zone.transitions(Minute(start), Minute(start + 366 * 1440)).first().map(|change| change.at.0);
        let start = change.filter(|_| near).map_or(start, |at| at + start % 360 - 180);
        let mut event = event("2026-07-01T12:00", "2026-07-01T13:00");
        (event.start, event.end) = (Minute(start), Minute(start + length));
        let lines = lines(&render(&calendar(zone.name(), vec![event])));
        prop_assert_eq!(instants_read(&lines), [start, start + length]);
    }
}
