//! Weekly hours and areas in few words, for people who fill in cells.

use crate::domain::fault::Fault;
use serde_json::{Value, json};

const DAYS: [&str; 7] = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
const HOURS_CURE: &str = "write it as in `mon-fri 07:00-15:30; sat 08:00-12:00 overtime`";
const AREAS_CURE: &str = "write name, square feet and if you like the wood, as in `Living room: 320 red oak; Hall: 80`";

/// Pieces between semicolons or line ends.
pub(super) fn parts(cell: &str) -> impl Iterator<Item = &str> {
    cell.split([';', '\n', '\r']).map(str::trim).filter(|part| !part.is_empty())
}

/// A calendar without exceptions.
pub(super) fn read_hours(cell: &str) -> Result<Value, Fault> {
    let week: Vec<Value> = parts(cell).map(window).collect::<Result<_, _>>()?;
    Ok(json!({ "week": week }))
}

fn window(part: &str) -> Result<Value, Fault> {
    let bad = || {
        let cut: String = part.chars().take(64).collect();
        Fault::new("bad-hours", format!("{cut:?} is no days and hours"), HOURS_CURE)
    };
    let mut words = part.split_whitespace();
    let (days, hours) = (words.next().ok_or_else(bad)?, words.next().ok_or_else(bad)?);
    let (from, to) = hours.split_once('-').ok_or_else(bad)?;
    let overtime = match words.next() {
        None => false,
        Some("overtime") => true,
        Some(_) => return Err(bad()),
    };
    if words.next().is_some() {
        return Err(bad());
    }
    let mut named = Vec::new();
    for range in days.split(',') {
        let (first, last) = range.split_once('-').unwrap_or((range, range));
        let (first, last) = (day(first).ok_or_else(bad)?, day(last).ok_or_else(bad)?);
        // "fri-mon" goes round the week's end.
        named.extend((0..=(last + 7 - first) % 7).map(|more| DAYS[(first + more) % 7]));
    }
    let mut window = json!({ "days": named, "from": from, "to": to });
    if overtime {
        window["overtime"] = json!(true);
    }
    Ok(window)
}

/// By its whole name, or three letters of it.
fn day(name: &str) -> Option<usize> {
    let name = name.to_lowercase();
    DAYS.iter().position(|day| *day == name || name.len() == 3 && day.starts_with(&name))
}

/// `None` where few words do not do.
pub(super) fn show_hours(calendar: &Value) -> Option<String> {
    let week = calendar.get("week")?.as_array()?;
    let windows: Vec<String> = week.iter().map(shown_window).collect::<Option<_>>()?;
    (!windows.is_empty()).then(|| windows.join("; "))
}

fn shown_window(window: &Value) -> Option<String> {
    let days = window.get("days")?.as_array()?;
    let days: Vec<usize> = days.iter().map(|name| DAYS.iter().position(|day| name == day)).collect::<Option<_>>()?;
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for day in days {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == day => *last = day,
            _ => runs.push((day, day)),
        }
    }
    let run = |&(first, last): &(usize, usize)| {
        if first == last { DAYS[first][..3].to_owned() } else { format!("{}-{}", &DAYS[first][..3], &DAYS[last][..3]) }
    };
    let days: Vec<String> = runs.iter().map(run).collect();
    let (from, to) = (window.get("from")?.as_str()?, window.get("to")?.as_str()?);
    let overtime = if window.get("overtime").is_some_and(|value| value == true) { " overtime" } else { "" };
    Some(format!("{} {from}-{to}{overtime}", days.join(",")))
}

/// Areas of a house.
pub(super) fn read_areas(cell: &str) -> Result<Value, Fault> {
    parts(cell).map(area).collect()
}

fn area(part: &str) -> Result<Value, Fault> {
    let bad = || {
        let cut: String = part.chars().take(64).collect();
        Fault::new("bad-area", format!("{cut:?} is no area"), AREAS_CURE)
    };
    let (name, rest) = part.rsplit_once(':').ok_or_else(bad)?;
    let (sqft, species) = rest.trim().split_once(' ').unwrap_or((rest.trim(), ""));
    let sqft: i64 = sqft.parse().map_err(|_| bad())?;
    let mut area = json!({ "name": name.trim(), "area_sqft": sqft });
    if !species.trim().is_empty() {
        area["species"] = json!(species.trim());
    }
    Ok(area)
}

/// `None` where few words do not do.
pub(super) fn show_areas(areas: &Value) -> Option<String> {
    let area = |area: &Value| {
        let (name, sqft) = (area.get("name")?.as_str()?, area.get("area_sqft")?);
        let species = area.get("species").and_then(Value::as_str).map_or_else(String::new, |wood| format!(" {wood}"));
        Some(format!("{name}: {sqft}{species}"))
    };
    let areas: Vec<String> = areas.as_array()?.iter().map(area).collect::<Option<_>>()?;
    Some(areas.join("; "))
}
