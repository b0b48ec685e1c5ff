//! Prints feeds for other people's calendar readers to judge (`tests/python/check_feed.py`, `tests/node/check_feed.mjs`):
//! a JSON list of `{zone, feed, events}`, where each event says in UTC and in plain text what a reader must find.

#![allow(missing_docs, reason = "an example has no public items")]

use serde_json::json;
use tackfree::domain::time::{HOUR, Minute};
use tackfree::domain::zone::Zone;
use tackfree::feed::{Calendar, Event, EventStatus, render};

const ZONES: [&str; 10] = [
    "America/New_York",
    "America/Vancouver",
    "America/Phoenix",
    "America/Havana",
    "America/Santiago",
    "Africa/Casablanca",
    "Asia/Kolkata",
    "Australia/Adelaide",
    "Australia/Lord_Howe",
    "Europe/Dublin",
];

/// 2026-01-01 and 2028-01-01, UTC.
const FROM: Minute = Minute(29_453_760);
const UNTIL: Minute = Minute(30_504_960);

const TEXTS: [&str; 4] = [
    "Sand, edge; 36 grit \\ then 60",
    "Böden schleifen – keep off: wet coat, please; walk-through at «noon»",
    "床の研磨と仕上げ、一回目の塗装が乾くまで入らないでください。靴下でも二十四時間は待つこと。",
    "Line one\nline two\n\n🪵🪚 tools, rollers for A; rollers for B",
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let feeds = ZONES.iter().map(|name| Zone::parse(name).map(sample)).collect::<Result<Vec<_>, _>>()?;
    println!("{}", serde_json::to_string_pretty(&feeds)?);
    Ok(())
}

/// Every half hour around each clock change, and every ten days.
fn sample(zone: Zone) -> serde_json::Value {
    let changes = zone.transitions(FROM, UNTIL).into_iter().map(|change| change.at);
    let near = changes.flat_map(|at| (-4 * HOUR..=4 * HOUR).step_by(30).map(move |aside| at.plus(aside)));
    let far = (FROM.0..UNTIL.0).step_by(14_400).map(Minute);
    let events: Vec<Event> = near.chain(far).enumerate().map(|(index, start)| event(zone, index, start)).collect();
    let expected: Vec<_> = events
        .iter()
        .map(|event| {
            json!({
                "uid": event.uid, "start": event.start.to_utc(), "end": event.end.to_utc(), "summary": event.summary,
                "description": event.description, "location": event.location, "categories": event.categories,
                "sequence": event.sequence, "status": if event.sequence == 0 { "CONFIRMED" } else { "CANCELLED" },
            })
        })
        .collect();
    let calendar = Calendar {
        name: format!("Crew in {zone}"),
        description: Some(TEXTS[1].to_string()),
        color: Some("teal"),
        zone,
        uid: format!("{zone}@example.net"),
        last_modified: FROM.to_utc(),
        refresh_minutes: 30,
        url: Some("https://example.net/feeds/sample.ics".to_string()),
        events,
    };
    json!({ "zone": zone.name(), "feed": render(&calendar), "events": expected })
}

fn event(zone: Zone, index: usize, start: Minute) -> Event {
    let cancelled = index % 7 == 3;
    Event {
        uid: format!("{index}.{zone}@example.net"),
        sequence: u32::from(cancelled),
        stamp: FROM.to_utc(),
        last_modified: FROM.to_utc(),
        start,
        end: start.plus(45 + 30 * (index as i64 % 9)),
        summary: TEXTS[index % 3].to_string(),
        description: TEXTS[(index + 1) % 4].to_string(),
        location: "12 Alder Lane; rear door, Millbrook".to_string(),
        geo: Some((41.85, -73.69)),
        categories: vec!["coat".to_string(), "north, south".to_string()],
        color: Some("orange"),
        status: if cancelled { EventStatus::Cancelled } else { EventStatus::Confirmed },
        transparent: false,
    }
}
