//! What every document must do: the example is read, every bad input is told at its place, and everything that is
//! written is read back the same.

mod accepted;
mod methods;
mod random;
mod random_plan;
mod refused_chains;
mod refused_nouns;
mod rolling;
mod round_trip;
mod schema;
mod supplies;
mod treat_again;

use super::*;
use serde_json::Value;

/// The example of `docs/planning-file.md`.
fn example() -> Value {
    let page = include_str!("../../../docs/planning-file.md");
    let block = page.split("```json").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    serde_json::from_str(block).unwrap()
}

/// What is said to the example after `change`.
fn faults_after(change: impl FnOnce(&mut Value)) -> Vec<Located> {
    let mut document = example();
    change(&mut document);
    parse_planning_file(&document.to_string()).unwrap_err()
}

/// The example after `change` is refused for exactly one fault, at this place, with this code and (part of) this cure.
#[track_caller]
fn refused(change: impl FnOnce(&mut Value), pointer: &str, code: &str, cure: &str) {
    let faults = faults_after(change);
    assert_eq!(faults.len(), 1, "{faults:#?}");
    assert_eq!((faults[0].pointer.as_str(), faults[0].fault.code), (pointer, code), "{faults:#?}");
    assert!(faults[0].fault.cure.contains(cure), "{faults:#?}");
}

/// The example after `change` is read.
#[track_caller]
fn accepted(change: impl FnOnce(&mut Value)) -> Parsed {
    let mut document = example();
    change(&mut document);
    parse_planning_file(&document.to_string()).unwrap_or_else(|faults| panic!("{faults:#?}"))
}
