//! The audit finds nothing wrong with plans that keep the rules by construction, however odd the company.

use crate::common::generate::{Size, company, fleet};
use crate::common::naive;

use tackfree::audit::audit;

#[test]
fn cautious_plans_are_clean() {
    let (mut open, mut placed) = (0, 0);
    for seed in 0..1_500 {
        let size = [Size::tiny(), Size::small(), Size::medium()][seed as usize % 3];
        let situation = company(seed, size);
        let plan = naive::cautious_plan(&situation, false);
        let report = audit(&situation, &plan);
        let told: Vec<String> = report.violations.iter().map(|found| found.explain(&situation)).collect();
        assert!(report.is_clean(), "seed {seed}: {told:#?}\n{:?}", report.violations);
        open += plan.unplaced.len();
        placed += plan.placements.len();
    }
    // Otherwise the test would show little.
    assert!(placed > 2 * open / 3, "{placed} steps placed, {open} not");
}

#[test]
fn a_whole_fleet_is_clean() {
    let mut situation = fleet(1, 100, 20);
    situation.equipment.iter_mut().for_each(|kind| kind.units = 20);
    let plan = naive::cautious_plan(&situation, true);
    let report = audit(&situation, &plan);
    assert!(report.is_clean(), "{:?}", report.violations);
    assert!(plan.placements.len() > 1_000, "{}", plan.placements.len());
}
