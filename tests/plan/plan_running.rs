//! What was begun days ago and still runs: the planner and the audit count its days alike.

use crate::common::world::{at, attempt, job, new_york, situation, step};
use tackfree::audit::audit;
use tackfree::domain::chain::{Outcome, Step};
use tackfree::planner::{Request, plan};

/// Reported so, however it came about: one crew, begun in two houses on two days, and neither is over.
#[test]
fn a_crew_that_runs_two_steps_since_different_days_is_counted_alike() {
    let zone = new_york();
    let now = at(zone, "2026-03-09 06:00");
    let mut situation = situation(now);
    for (house, begun) in [(0, "2026-03-04 22:58"), (1, "2026-03-05 00:28")] {
        let running = attempt(0, at(zone, begun), now.plus(60), Outcome::Running);
        let sand = Step { attempts: vec![running], ..step("sand", 120) };
        situation.jobs.push(job(&format!("job-{house}"), house, vec![sand], vec![]));
    }
    let plan = plan(&situation, Request::new());
    let report = audit(&situation, &plan);
    let told: Vec<String> = report.violations.iter().map(|violation| violation.explain(&situation)).collect();
    assert!(told.is_empty(), "{told:#?}");
}
