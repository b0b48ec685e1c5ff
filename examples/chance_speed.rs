//! Times the simulation of a generated fleet's first plan: `cargo run --release --example chance_speed -- HOUSES CREWS
//! [RUNS] [THREADS]`.

#![allow(clippy::unwrap_used, reason = "the test builders it shares may unwrap")]

#[path = "../tests/common/generate.rs"]
mod generate;
#[path = "../tests/common/world.rs"]
mod world;

use std::time::Instant;
use tackfree::chance::{ChanceModel, simulate_on};
use tackfree::planner::{Request, plan};

fn main() {
    let numbers: Vec<usize> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let [houses, crews, ..] = numbers[..] else {
        eprintln!("usage: chance_speed HOUSES CREWS [RUNS] [THREADS]");
        std::process::exit(2);
    };
    let (runs, threads) = (numbers.get(2).copied().unwrap_or(1_000), numbers.get(3).copied().unwrap_or(1));
    let situation = generate::fleet(1, houses, crews);
    let plan = plan(&situation, Request { move_budget: 0, ..Request::new() });
    // Once to warm up, then the quickest of five.
    let run = || {
        let began = Instant::now();
        let chances = simulate_on(threads, &situation, &plan, &ChanceModel::default(), runs as u32, 1);
        (began.elapsed(), chances)
    };
    let _ = run();
    let (took, chances) = (0..5).map(|_| run()).min_by_key(|(took, _)| *took).unwrap();
    let dates: Vec<u32> = chances.jobs.iter().filter_map(|job| job.in_time_runs).collect();
    let kept = f64::from(dates.iter().sum::<u32>()) / (dates.len().max(1) * runs) as f64;
    println!(
        "{houses} houses, {crews} crews, {} placed steps, {runs} runs on {threads} threads: {took:.1?}; of {} dates {:.1} % \
         are kept",
        plan.placements.len(),
        dates.len(),
        kept * 100.0,
    );
}
