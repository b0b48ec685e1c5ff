//! The demo's company with more houses and more crews than the town has: the same kinds of work again under other names,
//! for whoever wants to see how a hundred houses look and how long they take.

use serde_json::Value;

/// Most houses: what a contractor of twenty crews has open.
pub const HOUSES_MAX: usize = 100;
/// Sets of crews at most: five times four.
const CREW_SETS_MAX: usize = 5;
/// Working days between the beginnings of one copy of the houses and the next that has no crews of its own.
const DAYS_APART: i64 = 4;

/// Names of crews beyond the first four.
const TREES: [&str; 16] = [
    "Elm", "Fir", "Ginkgo", "Hazel", "Ironwood", "Juniper", "Katsura", "Larch", "Magnolia", "Nutmeg", "Oak", "Pine",
    "Redbud", "Spruce", "Tupelo", "Yew",
];
/// Names of streets beyond the first fourteen houses.
const STREETS: [&str; 15] = [
    "Arbor Street",
    "Bridge Street",
    "Cooper Lane",
    "Dover Street",
    "Easton Road",
    "Forge Lane",
    "Garden Street",
    "Hollow Road",
    "Irving Place",
    "Jasper Street",
    "Kiln Lane",
    "Laurel Avenue",
    "Market Street",
    "North Road",
    "Old Mill Lane",
];

/// Adds houses, with a job in each, until there are `houses`; and crews and gear as houses grow.
pub(super) fn enlarge(company: &mut Value, houses: usize) {
    let own = list(company, "houses").len();
    let sets = houses.div_ceil(own.max(1)).clamp(1, CREW_SETS_MAX);
    let crews = list(company, "crews");
    for set in 1..sets {
        for (number, crew) in crews.iter().enumerate() {
            let name = TREES[((set - 1) * crews.len() + number) % TREES.len()];
            let mut copy = crew.clone();
            copy["key"] = own_key(crew, "key", set).into();
            copy["name"] = format!("Crew {name}").into();
            push(company, "crews", copy);
        }
    }
    if let Some(equipment) = company["equipment"].as_array_mut() {
        for kind in equipment {
            kind["units"] = (kind["units"].as_i64().unwrap_or(1) * sets as i64).into();
        }
    }
    let (originals, jobs) = (list(company, "houses"), list(company, "jobs"));
    for number in own..houses {
        let (set, which) = (number / own, number % own);
        let name = format!("{} {}", STREETS[number % STREETS.len()], 3 + number * 7 % 90);
        let mut house = originals[which].clone();
        house["key"] = own_key(&house, "key", set).into();
        house["name"] = name.clone().into();
        house["address"] = format!("{name}, Harrow Falls").into();
        moved(&mut house, number);
        push(company, "houses", house);
        push(company, "jobs", job(&jobs[which], set, sets, &name));
    }
}

fn job(original: &Value, set: usize, sets: usize, house: &str) -> Value {
    let mut job = original.clone();
    job["key"] = own_key(original, "key", set).into();
    job["house"] = own_key(original, "house", set).into();
    let what = original["name"].as_str().and_then(|name| name.split_once(", ")).map_or("floors", |(_, what)| what);
    job["name"] = format!("{house}, {what}").into();
    // Without crews of its own nothing has happened in it, and it begins later.
    let later = if set < sets { 0 } else { (set - sets + 1) as i64 * DAYS_APART };
    if later > 0 {
        let days = day(&original["release"]).unwrap_or(0);
        shift(&mut job["release"], later - days.min(0));
        shift(&mut job["due"], later - days.min(0) + 2 * later);
        if let Some(members) = job.as_object_mut() {
            members.remove("history");
            members.remove("pins");
        }
        return job;
    }
    let history = job.get_mut("history").and_then(Value::as_array_mut);
    for entry in history.into_iter().flatten() {
        entry["crew"] = own_key(entry, "crew", set).into();
    }
    job
}

/// Not all copies at one place.
fn moved(house: &mut Value, number: usize) {
    for (member, by) in [("latitude_deg", 0.003), ("longitude_deg", -0.004)] {
        if let Some(degrees) = house["location"][member].as_f64() {
            house["location"][member] = (degrees + by * (number % 11) as f64).into();
        }
    }
}

fn own_key(value: &Value, member: &str, set: usize) -> String {
    format!("{}-s{}", value[member].as_str().unwrap_or_default(), set + 1)
}

/// The day of an instant `@DAY HH:MM`.
fn day(instant: &Value) -> Option<i64> {
    instant.as_str()?.strip_prefix('@')?.split_once(' ')?.0.parse().ok()
}

fn shift(instant: &mut Value, days: i64) {
    let shifted = instant.as_str().and_then(|text| {
        let (_, time) = text.split_once(' ')?;
        Some(format!("@{:+} {time}", day(instant)? + days))
    });
    if let Some(shifted) = shifted {
        *instant = shifted.into();
    }
}

fn list(company: &Value, member: &str) -> Vec<Value> {
    company[member].as_array().cloned().unwrap_or_default()
}

fn push(company: &mut Value, member: &str, item: Value) {
    if let Some(list) = company[member].as_array_mut() {
        list.push(item);
    }
}
