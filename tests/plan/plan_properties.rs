//! What every plan promises, on generated companies across clock changes and holidays: the audit is clean, the cost
//! adds up, replanning an unchanged world changes nothing, and the same input gives the same bytes.
//!
//! `TACKFREE_COMPANIES=10000 TACKFREE_FIRST_SEED=1` sets how many and from which seed on.

use crate::common::generate::{Size, company, troubled};
use tackfree::audit::audit;
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::planner::{Basis, Request, plan};

fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
}

fn seeds(otherwise: u64) -> std::ops::Range<u64> {
    let first = setting("TACKFREE_FIRST_SEED", 1);
    first..first + setting("TACKFREE_COMPANIES", otherwise)
}

fn assert_clean(situation: &Situation, plan: &Plan, what: &str, seed: u64) {
    let report = audit(situation, plan);
    if !report.is_clean() {
        let told: Vec<String> =
            report.violations.iter().map(|v| format!("{} {}: {v:?}", v.code(), v.explain(situation))).collect();
        panic!("{what} of company {seed} breaks rules:\n{}", told.join("\n"));
    }
}

fn without_causes(plan: &Plan) -> Vec<Placement> {
    plan.placements.iter().cloned().map(|placement| Placement { moved_because: None, ..placement }).collect()
}

#[test]
fn plans_are_clean_and_replanning_an_unchanged_world_changes_nothing() {
    for seed in seeds(300) {
        let size = match seed % 10 {
            0 => Size::medium(),
            1..=3 => Size::tiny(),
            _ => Size::small(),
        };
        let situation = if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) };
        let basis = if seed % 3 == 0 { Basis::Anew } else { Basis::Published };
        let request = Request { seed, move_budget: 20, basis, ..Request::new() };
        let first = plan(&situation, request);
        assert_clean(&situation, &first, "the plan", seed);
        assert_eq!(first, plan(&situation, request), "company {seed} planned twice");
        let published = situation.with_published(&first);
        let again = plan(&published, Request { basis: Basis::Published, ..request });
        assert_clean(&published, &again, "the second plan", seed);
        assert_eq!(without_causes(&first), without_causes(&again), "company {seed} planned again");
        assert_eq!(first.unplaced, again.unplaced, "company {seed} planned again");
    }
}
