//! Fetched calendars held against the plans that were promised: each shows one of them, whole, none older than what was
//! acknowledged before it was asked for, and none older than the one fetched before.

use chrono::{DateTime, Utc};
use serde_json::Value;
use std::collections::BTreeMap;

/// Work as both say it: who, where, what, from when until when.
type Work = (String, String, String);

/// One calendar, as it was fetched.
pub struct Shown {
    /// The plan whose publication had been acknowledged before it was asked for.
    after: String,
    work: Vec<Work>,
}

impl Shown {
    /// `text`: iCalendar. What was called off is no work.
    pub fn read(after: String, text: &str) -> Shown {
        assert!(text.ends_with("END:VCALENDAR\r\n"), "half a calendar");
        let text = text.replace("\r\n ", "");
        let mut work = Vec::new();
        for event in text.split("BEGIN:VEVENT\r\n").skip(1) {
            let value = |name: &str| {
                let line = event.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':'));
                line.unwrap_or_default().replace('\\', "")
            };
            if value("STATUS") == "CONFIRMED" {
                let summary = value("SUMMARY");
                let named = summary.split(" (").next().unwrap_or_default().to_owned();
                work.push((named, value("DTSTART"), value("DTEND")));
            }
        }
        work.sort();
        Shown { after, work }
    }
}

/// The work of a plan as it is shown to the office.
pub fn work_of(plan: &Value) -> Vec<Work> {
    let at =
        |text: &Value| text.as_str().unwrap().parse::<DateTime<Utc>>().unwrap().format("%Y%m%dT%H%M%SZ").to_string();
    let mut work = Vec::new();
    for placement in plan["placements"].as_array().unwrap() {
        let house = placement["job"].as_str().unwrap().replace("job", "house");
        let step = match placement["step"].as_str().unwrap() {
            "sand" => "Sand",
            "coat" => "Coat",
            "hand-over" => "Hand-over",
            other => other,
        };
        let named = format!("Crew {}: House {house}, {step}", placement["crew"].as_str().unwrap());
        for piece in placement["pieces"].as_array().unwrap() {
            work.push((named.clone(), at(&piece["start"]), at(&piece["finish"])));
        }
    }
    work.sort();
    work
}

/// What is wrong with the calendars; `promised`: all plans there were, in the order in which they became the promise.
pub fn faults(shown: &[Shown], promised: &[(String, Vec<Work>)]) -> Vec<String> {
    let rank: BTreeMap<&str, usize> = promised.iter().enumerate().map(|(rank, (id, _))| (id.as_str(), rank)).collect();
    let mut faults = Vec::new();
    let mut seen = 0;
    for (number, calendar) in shown.iter().enumerate() {
        let oldest = seen.max(rank.get(calendar.after.as_str()).copied().unwrap_or(0));
        let is_it = |(_, work): &(String, Vec<Work>)| *work == calendar.work;
        match promised.iter().skip(oldest).position(is_it) {
            Some(later) => seen = oldest + later,
            None => {
                let older = promised.iter().position(is_it);
                let near = promised.iter().map(|(_, work)| work).min_by_key(|work| apart(work, &calendar.work).len());
                faults.push(format!(
                    "calendar {number} of {} shows no plan from {oldest} on (but plan {older:?}); from the nearest it differs in {:?}",
                    shown.len(),
                    near.map(|work| apart(work, &calendar.work)),
                ));
            }
        }
    }
    faults
}

fn apart<'a>(one: &'a [Work], other: &'a [Work]) -> Vec<&'a Work> {
    let missing = |from: &'a [Work], of: &'a [Work]| of.iter().filter(move |work| !from.contains(work));
    missing(one, other).chain(missing(other, one)).collect()
}
