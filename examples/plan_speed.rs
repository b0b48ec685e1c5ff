//! Times a first audited plan for generated fleets: `cargo run --release --example plan_speed -- HOUSES CREWS [MOVES]`.

#![allow(clippy::unwrap_used, reason = "the test builders it shares may unwrap")]

#[path = "../tests/common/generate.rs"]
mod generate;
#[path = "../tests/common/world.rs"]
mod world;

use std::time::Instant;
use tackfree::audit::audit;
use tackfree::planner::{Basis, Request, plan};

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let [houses, crews, ..] = numbers[..] else {
        eprintln!("usage: plan_speed HOUSES CREWS [MOVES]");
        std::process::exit(2);
    };
    let moves = numbers.get(2).copied().unwrap_or(0);
    let situation = generate::fleet(1, houses as usize, crews as usize);
    let began = Instant::now();
    let plan = plan(&situation, Request { seed: 1, move_budget: moves, basis: Basis::Published, ..Request::new() });
    let planned = began.elapsed();
    let began = Instant::now();
    let report = audit(&situation, &plan);
    let audited = began.elapsed();
    let gap = (plan.cost.total() - plan.lower_bound) as f64 * 100.0 / plan.cost.total().max(1) as f64;
    println!(
        "{houses} houses, {crews} crews, {} steps: plan {planned:.1?} with {moves} moves, audit {audited:.1?}, clean {}, \
         placed {}, unplaced {}, cost {} ({:?}), gap {gap:.1} %",
        situation.steps().count(),
        report.is_clean(),
        plan.placements.len(),
        plan.unplaced.len(),
        plan.cost.total(),
        plan.cost,
    );
}
