//! How fast and how good repairs are: generated fleets, planned in full, published, disturbed, repaired, and planned in
//! full again: `cargo run --release --example repair_speed -- HOUSES CREWS FAILURES SEED`.

#![allow(clippy::unwrap_used, reason = "the test builders it shares may unwrap")]

fn main() {}
