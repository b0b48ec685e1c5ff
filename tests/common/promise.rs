//! The published plan as a client sees it, judged by the audit in the world as the same client sees it.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

use chrono::{DateTime, Timelike, Utc};
use serde_json::{Value, json};
use tackfree::audit::{Violation, audit};
use tackfree::dto::{PLAN_FORMAT, PlanDto, PlanningFile, assemble, plan_from_dto};

/// Hours that are not now, so that no promise begins while the test runs.
pub fn hours(now: DateTime<Utc>) -> Value {
    let (from, to) = if now.hour() < 12 { ("13:00", "21:00") } else { ("01:00", "09:00") };
    let days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
    json!({"week": [{"days": days, "from": from, "to": to}]})
}

/// How many placements the plan has, and which rules it breaks. `file`: everything known; `view`: the plan, as shown.
pub fn audited(file: Value, view: &Value) -> (usize, Vec<String>) {
    let file: PlanningFile = serde_json::from_value(file).unwrap();
    let situation = assemble(file).unwrap().situation;
    let mut plan = view.clone();
    plan["format"] = PLAN_FORMAT.into();
    plan["now"] = view["made_for"].clone();
    let known = ["format", "now", "seed", "move_budget", "placements", "unplaced", "cost", "lower_bound"];
    plan.as_object_mut().unwrap().retain(|member, _| known.contains(&member.as_str()));
    let plan: PlanDto = serde_json::from_value(plan).unwrap();
    let mut plan = plan_from_dto(&situation, &plan).unwrap();
    plan.placements.sort_by_key(|placement| placement.step);
    let report = audit(&situation, &plan);
    // It was made some seconds ago: what it says of itself may be old, and so may why it moved what it moved.
    let old =
        |violation: &Violation| matches!(violation, Violation::Claim(_)) || violation.code() == "cause-without-move";
    let broken = report.violations.iter().filter(|violation| !old(violation));
    (plan.placements.len(), broken.map(|violation| violation.explain(&situation)).collect())
}
