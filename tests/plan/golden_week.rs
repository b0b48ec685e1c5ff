//! The demo company's week as a dispatcher reads it, held word by word: once from a Monday in November, once from a
//! Friday in March, so that the week crosses the change to summer time. A change of the planner or of the text shows as a
//! readable difference of these files.
//!
//! `TACKFREE_BLESS=1 cargo test golden_week::` writes them again; read what changed before committing it.

use tackfree::audit::audit;
use tackfree::cli::documents::Documents;
use tackfree::cli::plan::text_with_cautions;
use tackfree::demo;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::dto::{FILE_BYTES_MAX, PlanningFile, assemble, read_json};
use tackfree::planner::{Basis, Request, plan};

/// What the command line asks for when nothing is said.
const DEFAULT: Request = Request { seed: 1, move_budget: 3_000, basis: Basis::Published, ..Request::new() };

fn demo_at(now: &str) -> (Documents, Situation) {
    let now = Minute::floor_from(now.parse().unwrap());
    let document = demo::document(now, None).unwrap();
    let file: PlanningFile = read_json(&document.to_string(), FILE_BYTES_MAX).unwrap();
    (Documents::of(&file), assemble(file).unwrap().situation)
}

/// Compares with the file of that name, or writes it when asked to.
fn assert_reads_as(name: &str, now: &str) {
    let (documents, situation) = demo_at(now);
    let made = plan(&situation, DEFAULT);
    let report = audit(&situation, &made);
    assert!(report.is_clean(), "{:?}", report.violations);
    let told = text_with_cautions(&documents, &situation, &made);
    let path = format!("{}/tests/golden/{name}.txt", env!("CARGO_MANIFEST_DIR"));
    if std::env::var_os("TACKFREE_BLESS").is_some() {
        std::fs::write(&path, &told).unwrap();
    }
    let golden = std::fs::read_to_string(&path).unwrap();
    let line = told.lines().zip(golden.lines()).position(|(told, golden)| told != golden);
    let shown = |text: &str| line.and_then(|line| text.lines().nth(line)).unwrap_or("(its end)").to_owned();
    let first = line.map_or(golden.lines().count().min(told.lines().count()), |line| line) + 1;
    assert!(
        told == golden,
        "tests/golden/{name}.txt differs from line {first} on:\n  file {:?}\n  told {:?}",
        shown(&golden),
        shown(&told)
    );
}

#[test]
fn a_week_in_november() {
    assert_reads_as("week-november", "2026-11-30T06:00:00-05:00");
}

/// Clocks go forward on Sunday, 8 March 2026.
#[test]
fn a_week_over_the_clock_change() {
    assert_reads_as("week-clock-change", "2026-03-06T06:00:00-05:00");
}
