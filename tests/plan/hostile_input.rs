//! Hostile input: the targets of `scripts/fuzz.sh`, fed with its seeds and with what a simple mutator makes of them. A short run with
//! the same bytes each time; `TACKFREE_FIRST_SEED` deals others, `TACKFREE_HOSTILE_ROUNDS` more.

#[path = "../../fuzz/src/mutate.rs"]
mod mutate;
#[path = "../../fuzz/src/targets.rs"]
mod targets;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().map_or(otherwise, |text| text.parse().unwrap_or_else(|_| panic!("{name} is {text:?}")))
}

fn seeds(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/seeds").join(target);
    let mut files: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{} has nothing", folder.display());
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

fn feed(name: &str, rounds: u64) {
    let (_, target) = targets::TARGETS.iter().find(|(known, _)| *known == name).unwrap();
    let (first, rounds) = (number("TACKFREE_FIRST_SEED", 1), number("TACKFREE_HOSTILE_ROUNDS", rounds));
    for (place, data) in seeds(name).iter().enumerate() {
        target(data);
        let mut current = data.clone();
        for round in 0..rounds {
            let seed = first.wrapping_mul(1_000_003) + round;
            // Several steps away from the seed, then back to it.
            current = mutate::changed(if round % 8 == 0 { data } else { &current }, seed);
            if catch_unwind(AssertUnwindSafe(|| target(&current))).is_err() {
                let file = std::env::temp_dir().join(format!("tackfree-hostile-{name}"));
                std::fs::write(&file, &current).unwrap();
                panic!(
                    "{name} of seed file {place}, TACKFREE_FIRST_SEED={first}, round {round}: kept in {}",
                    file.display()
                );
            }
        }
    }
}

/// Seeds that are refused lead nowhere.
#[test]
fn seeds_are_taken() {
    for target in ["planning-file", "plan"] {
        for data in seeds(target) {
            let parsed = tackfree::dto::parse_planning_file(std::str::from_utf8(&data).unwrap());
            let situation = parsed.unwrap_or_else(|faults| panic!("a seed of {target}: {}", faults[0])).situation;
            assert!(target != "plan" || targets::is_planned(&situation), "a seed that is too large to be planned");
        }
    }
    for data in seeds("forecast") {
        assert!(tackfree::weather::read_any(std::str::from_utf8(&data).unwrap()).is_ok());
    }
}

#[test]
fn planning_files() {
    feed("planning-file", 3_000);
}

#[test]
fn plans() {
    feed("plan", 150);
}

#[test]
fn texts_in_calendars() {
    feed("feed", 1_500);
}

#[test]
fn cursors_and_addresses() {
    feed("cursor", 5_000);
}

#[test]
fn headers() {
    feed("headers", 5_000);
}

#[test]
fn forecasts() {
    feed("forecast", 3_000);
}

#[test]
fn past_weather() {
    feed("past-weather", 3_000);
}

#[test]
fn tables() {
    feed("table", 5_000);
}
