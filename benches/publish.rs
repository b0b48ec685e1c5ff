//! What COPY, and publishing only the difference, save for 50,000 rows: `target/debug/with-postgres cargo bench --bench
//! publish`. Prints milliseconds and the ratios of one run.

#![allow(clippy::unwrap_used, missing_docs, reason = "a panic in a measurement is a failed measurement")]

#[path = "../tests/common/mod.rs"]
mod common;

use common::rows::{by_copy, by_insert, large, publish};
use common::store::fresh_store;
use std::time::{Duration, Instant};
use tackfree::store::PlanRow;

async fn timed<T>(label: &str, work: impl Future<Output = T>) -> (T, Duration) {
    let begin = Instant::now();
    let outcome = work.await;
    let took = begin.elapsed();
    println!("{label:<44} {:>7} ms", took.as_millis());
    (outcome, took)
}

#[tokio::main]
async fn main() {
    let test = fresh_store().await;
    let (small, rows) = large(&test, 2_000).await;
    let mut raw = test.raw().await;
    let moved: Vec<PlanRow> = rows
        .iter()
        .enumerate()
        .map(|(number, row)| {
            let later = chrono::Duration::minutes(if number % 10 == 0 { 5 } else { 0 });
            PlanRow { start: row.start + later, end: row.end + later, ..row.clone() }
        })
        .collect();
    println!("{} rows", rows.len());
    for _ in 0..3 {
        let (_, copy) = timed("draft by COPY", by_copy(&test, &small, &rows)).await;
        let (_, unnest) = timed("draft by INSERT of arrays", by_insert(&mut raw, &test, &small, &rows, true)).await;
        let (_, values) = timed("draft by INSERT of VALUES", by_insert(&mut raw, &test, &small, &rows, false)).await;
        let ratio = |other: Duration| other.as_secs_f64() / copy.as_secs_f64();
        println!("arrays / COPY {:.2}, VALUES / COPY {:.2}", ratio(unnest), ratio(values));
    }
    for (label, rows) in [
        ("publish, nothing promised before", &rows),
        ("publish the same again", &rows),
        ("publish with a tenth moved", &moved),
        ("publish with a tenth moved back", &rows),
    ] {
        let id = by_copy(&test, &small, rows).await;
        let (published, _) = timed(label, publish(&test, &small, id)).await;
        println!("    added {}, changed {}, left {}", published.added, published.changed, published.left);
    }
    let mut snapshot = test.store.snapshot(small.company).await.unwrap();
    let (input, _) = timed("load the planning input", snapshot.planning_rows()).await;
    assert_eq!(input.unwrap().promised.len(), rows.len());
}
