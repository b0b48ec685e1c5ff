//! Prints the demo company as a planning file: `cargo run --example demo_file -- 2026-11-30T06:00:00-05:00`.

use chrono::{DateTime, Utc};
use tackfree::domain::time::Minute;

fn main() {
    let text = std::env::args().nth(1).unwrap_or_else(|| "2026-11-30T06:00:00-05:00".to_owned());
    let now: DateTime<Utc> = text.parse().expect("an RFC 3339 instant");
    let document = tackfree::demo::document(Minute::floor_from(now), None).expect("the demo's data can be read");
    println!("{document:#}");
}
