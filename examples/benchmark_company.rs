//! A contractor made up for the benchmark, as a planning file on standard output:
//! `cargo run --example benchmark_company -- HOUSES CREWS SEED > FILE`. The same arguments give the same file.
//!
//! Each house is a chain of 16 to 18 steps: set-up, three sandings, vacuum, a two-part treatment with its dwell, a night's
//! drying, readings, buffing, sealer, two or three coats each screened before, hand-over. Coats have to follow within their
//! recoat window. Crews differ in skills, hours and homes; there is one sander for every two crews; ways take ten to forty
//! minutes; due dates are tight enough that not all can be kept. The numbers are drawn, and mean nothing beyond the benchmark.

use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde_json::{Value, json};

const WEEKDAYS: [&str; 5] = ["monday", "tuesday", "wednesday", "thursday", "friday"];
/// Longest pause between coats, minutes: over a long weekend.
const RECOAT_MINUTES_MAX: u64 = 5 * 1440;

struct Draw(Pcg64Mcg);

impl Draw {
    /// A multiple of five from `from` to `to`.
    fn minutes(&mut self, from: u64, to: u64) -> u64 {
        from + 5 * (u64::from(self.0.next_u32()) % ((to - from) / 5 + 1))
    }

    fn below(&mut self, bound: u64) -> u64 {
        u64::from(self.0.next_u32()) % bound
    }

    /// Somewhere in a square of about thirty kilometres.
    fn place(&mut self) -> Value {
        let [north, east] = [(); 2].map(|()| self.below(1_000) as f64 / 1_000.0);
        let round = |degrees: f64| (degrees * 1e4).round() / 1e4;
        json!({ "latitude_deg": round(40.60 + 0.27 * north), "longitude_deg": round(-74.30 + 0.36 * east) })
    }
}

fn crew(draw: &mut Draw, number: u64) -> Value {
    // Every third crew lacks one trade, in turn, so that each trade has crews of its own.
    let trades = ["sanding", "treatment", "finishing"];
    let skills: Vec<&str> = match number % 6 {
        3 => vec![trades[1], trades[2]],
        4 => vec![trades[0], trades[1]],
        5 => vec![trades[0], trades[2]],
        _ => trades.to_vec(),
    };
    let (from, to) = [("07:00", "15:30"), ("07:30", "16:00"), ("08:00", "17:00")][draw.below(3) as usize];
    json!({
        "key": format!("crew-{number}"), "name": format!("Crew {number}"), "skills": skills, "head_count": 2,
        "calendar": { "week": [{ "days": WEEKDAYS, "from": from, "to": to }] }, "home": draw.place(),
    })
}

fn house(draw: &mut Draw, number: u64) -> Value {
    json!({
        "key": format!("house-{number}"), "name": format!("House {number}"), "location": draw.place(),
        "access": { "week": [{ "days": WEEKDAYS, "from": "07:00", "to": "18:00" }] },
        "areas": [{ "name": "Floor", "area_sqft": draw.minutes(300, 1200) }],
    })
}

fn job(draw: &mut Draw, number: u64, houses: u64, crews: u64) -> Value {
    let coats = 2 + draw.below(2);
    let mut steps: Vec<Value> = Vec::new();
    let mut waits: Vec<Value> = Vec::new();
    let mut add = |key: String, kind: &str, minutes: u64, skill: Option<&str>, sander: bool, wait: Option<Value>| {
        if let Some(before) = steps.last() {
            let mut wait = wait.unwrap_or(json!({}));
            wait["from"] = before["key"].clone();
            wait["to"] = json!(key);
            waits.push(wait);
        }
        let mut step = json!({ "key": key, "name": key, "kind": kind, "minutes": minutes });
        if let Some(skill) = skill {
            step["skills"] = json!([skill]);
        }
        if sander {
            step["equipment"] = json!({ "sander": 1 });
        }
        steps.push(step);
    };
    add("set-up".into(), "set_up", draw.minutes(30, 75), None, false, None);
    for pass in 1..=3 {
        add(format!("sand-{pass}"), "sand", draw.minutes(60, 150), Some("sanding"), true, None);
    }
    add("vacuum".into(), "vacuum", draw.minutes(20, 40), None, false, None);
    let rolled = draw.minutes(20, 45);
    add("treat-a".into(), "treat_a", rolled, Some("treatment"), false, None);
    let dwell = json!({ "kind": "dwell", "min_minutes": 10, "max": { "minutes": 15, "on_exceed": "forbid" } });
    add("treat-b".into(), "treat_b", rolled, Some("treatment"), false, Some(dwell));
    let night = json!({ "min_minutes": 720, "keep_off": true });
    add("readings".into(), "check", draw.minutes(20, 30), None, false, Some(night));
    add("buff".into(), "abrade", draw.minutes(40, 80), Some("finishing"), false, None);
    add("seal".into(), "seal", draw.minutes(40, 80), Some("finishing"), false, None);
    for coat in 1..=coats {
        let least = draw.minutes(180, 480);
        let window = json!({
            "min_minutes": least, "keep_off": true, "max": { "minutes": RECOAT_MINUTES_MAX, "on_exceed": "forbid" },
        });
        add(format!("screen-{coat}"), "abrade", draw.minutes(30, 60), Some("finishing"), false, Some(window));
        add(format!("coat-{coat}"), "coat", draw.minutes(40, 80), Some("finishing"), false, None);
    }
    let cure = json!({ "min_minutes": 1440, "keep_off": true });
    add("hand-over".into(), "walk_through", 30, None, false, Some(cure));
    // A chain alone takes a week; two houses a crew and week go through at best, and half of the dates ask for more.
    let days = 7 + draw.below(1 + 7 * houses.div_ceil(crews) / 4);
    let due = chrono::NaiveDate::from_ymd_opt(2026, 3, 9).map(|day| day + chrono::Days::new(days));
    json!({
        "key": format!("job-{number}"), "name": format!("Job {number}"), "house": format!("house-{number}"),
        "release": "2026-03-09T00:00:00-04:00", "due": format!("{}T17:00:00-04:00", due.unwrap_or_default()),
        "weight": 1 + draw.below(3), "steps": steps, "waits": waits,
    })
}

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let [houses, crews, seed] = numbers[..] else {
        eprintln!("usage: benchmark_company HOUSES CREWS SEED");
        std::process::exit(2);
    };
    let draw = &mut Draw(Pcg64Mcg::seed_from_u64(seed));
    let file = json!({
        "format": "tackfree-planning/1",
        "now": "2026-03-09T06:00:00-04:00",
        "settings": { "time_zone": "America/New_York", "horizon_days": 30 + 7 * houses.div_ceil(crews) },
        "crews": (0..crews).map(|number| crew(draw, number)).collect::<Vec<_>>(),
        "houses": (0..houses).map(|number| house(draw, number)).collect::<Vec<_>>(),
        "equipment": [{ "key": "sander", "name": "Sander", "units": crews.div_ceil(2) }],
        "jobs": (0..houses).map(|number| job(draw, number, houses, crews)).collect::<Vec<_>>(),
    });
    println!("{file}");
}
