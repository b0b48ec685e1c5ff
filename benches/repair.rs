//! From a failed check to the crews' calendars: `target/debug/with-postgres cargo bench --bench repair -- HOUSES CREWS
//! FAILURES SEED`. A generated company lives through its plan; each time a check comes up it fails, and the clock runs from
//! the report until the repair is audited, stored, published, and read back from the office's calendar.

#![allow(clippy::unwrap_used, missing_docs, reason = "a panic in a measurement is a failed measurement")]

#[path = "../tests/common/generate.rs"]
mod generate;
#[path = "../tests/common/life.rs"]
mod life;
#[path = "../tests/common/postgres.rs"]
mod postgres;
#[path = "../tests/common/store.rs"]
mod store;
#[path = "../tests/common/world.rs"]
mod world;

use life::{Life, open_jobs};
use std::time::{Duration, Instant};
use tackfree::dto::OutcomeDto;

fn quantile(sorted: &[Duration], percent: usize) -> Duration {
    sorted[(sorted.len() * percent / 100).min(sorted.len() - 1)]
}

#[tokio::main]
async fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let or = |place: usize, default: u64| numbers.get(place).copied().unwrap_or(default);
    let (houses, crews, failures, seed) = (or(0, 100), or(1, 20), or(2, 100), or(3, 1));
    let situation = generate::fleet(seed, houses as usize, crews as usize);
    let test = store::fresh_store().await;
    let mut life = Life::begin(test.store.clone(), &situation, 500).await;
    let mut times = Vec::new();
    let mut reports = Vec::new();
    for number in 0..failures {
        let check = life.reach_next_check().await;
        let began = Instant::now();
        life.tell(&check.job, &check.report(OutcomeDto::Failed)).await;
        reports.push(began.elapsed());
        let repaired = life.service.repair_next().await.unwrap();
        times.push(began.elapsed());
        if number < 5 {
            println!("{} {}: {repaired:?} in {:.1?}", check.job, check.step, times[times.len() - 1]);
        }
        life.repair().await;
    }
    times.sort_unstable();
    reports.sort_unstable();
    println!(
        "{houses} houses ({} open jobs at the end), {crews} crews, {failures} failed checks: report p50 {:.1?} p99 {:.1?}, \
         report and repair p50 {:.1?} p99 {:.1?}, most {:.1?}",
        open_jobs(&life).await,
        quantile(&reports, 50),
        quantile(&reports, 99),
        quantile(&times, 50),
        quantile(&times, 99),
        times[times.len() - 1],
    );
}
