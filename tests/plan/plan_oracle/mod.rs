//! Tiny companies, all of whose plans can be looked at: the planner places what can be placed, comes close to the best,
//! and its lower bound is one. And properties of plans that need no oracle: the bound lies below the cost, and a world
//! that is weeks later gives the same plan weeks later.
//!
//! `TACKFREE_COMPANIES=2000 TACKFREE_FIRST_SEED=1` sets how many and from which seed on.

mod oracle;
mod placing;
mod properties;
mod search;
mod times;
use crate::common::generate::{Size, company};
use oracle::Reach;
use search::search;
use tackfree::audit::audit;
use tackfree::domain::plan::Plan;
use tackfree::domain::situation::Situation;
use tackfree::planner::{Basis, Request, plan};

/// Companies with more orders than this are left out.
const ORDERS_MAX: usize = 20_000;

fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
}

fn seeds(otherwise: u64) -> std::ops::Range<u64> {
    let first = setting("TACKFREE_FIRST_SEED", 1);
    first..first + setting("TACKFREE_COMPANIES", otherwise)
}

/// The same company where only what is left out and finish times cost something, so that waiting never pays.
fn regular(situation: &Situation) -> Situation {
    let mut situation = situation.clone();
    let cost = &mut situation.settings.cost;
    (cost.travel_minute, cost.overtime_minute, cost.hand_over) = (0, 0, 0);
    situation
}

/// Open ordinary steps that are placed.
fn placed(situation: &Situation, plan: &Plan) -> usize {
    let ordinary = plan.placements.iter().filter(|placement| {
        let spec = situation.jobs[placement.step.job.index()].chain.step(placement.step.step);
        spec.fixed().is_none() && !spec.only_on_lapse
    });
    ordinary.count()
}

/// Costs without what is left out: the plan's, the best, and the company's seed.
#[derive(Default)]
struct Gaps(Vec<(i64, i64, u64)>);

/// Below this a gap in percent says little, cost points.
const WORTH_MENTIONING: i64 = 1_000;

impl Gaps {
    fn note(&mut self, cost: i64, best: i64, out: i64, seed: u64) {
        self.0.push((cost - out, best - out, seed));
    }

    /// Mean and worst gap in percent, by company, and of all costs together.
    fn tell(&self, what: &str) -> f64 {
        let worth = self.0.iter().filter(|(_, best, _)| *best >= WORTH_MENTIONING);
        let gap = |&(cost, best, seed): &(i64, i64, u64)| ((cost - best) as f64 * 100.0 / best as f64, seed);
        let mut gaps: Vec<(f64, u64)> = worth.map(gap).collect();
        gaps.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mean = gaps.iter().map(|gap| gap.0).sum::<f64>() / gaps.len().max(1) as f64;
        let (costs, bests): (i64, i64) = (self.0.iter().map(|gap| gap.0).sum(), self.0.iter().map(|gap| gap.1).sum());
        let equal = self.0.iter().filter(|(cost, best, _)| cost == best).count();
        let better = self.0.iter().filter(|(cost, best, _)| cost < best).count();
        println!(
            "{what}: {} companies, {equal} equal, {better} better; mean gap {mean:.3} %, of the sums {:.3} %; worst {:.2?}",
            self.0.len(),
            (costs - bests) as f64 * 100.0 / bests.max(1) as f64,
            &gaps[..gaps.len().min(6)]
        );
        mean
    }
}

fn planned(situation: &Situation, seed: u64) -> Plan {
    let made = plan(situation, Request { seed, move_budget: 200, basis: Basis::Published, ..Request::new() });
    assert!(audit(situation, &made).is_clean(), "company {seed}");
    made
}

/// The search looks at all plans by the rules, so nothing that the planner makes may be better; that it leaves out what
/// could be placed is allowed for the two habits that `Reach::Habits` names, and told.
#[test]
fn tiny_companies_are_planned_as_well_as_can_be() {
    let (mut finishes, mut wholes) = (Gaps::default(), Gaps::default());
    let (mut fewer, mut beyond_habits) = (Vec::new(), Vec::new());
    let (mut orders, mut too_many, mut most_open, mut proved) = (0, 0, 0, 0);
    for seed in seeds(400) {
        let full = company(seed, Size::tiny());
        let Some(found) = search(&full, Reach::Rules, ORDERS_MAX) else {
            too_many += 1;
            continue;
        };
        orders += found.orders;
        most_open = most_open.max(found.placed_max);
        let finish_only = regular(&full);
        let made = planned(&finish_only, seed);
        let (bound, least) = (made.lower_bound, found.regular);
        assert!(bound <= least, "company {seed}: bound {bound} of {least}");
        proved += u32::from(bound == made.cost.total());
        assert!(made.cost.total() >= least, "company {seed}: the oracle missed a plan: {made:#?}");
        assert!(placed(&full, &made) <= found.placed_max, "company {seed}: the oracle missed a plan: {made:#?}");
        if placed(&full, &made) == found.placed_max {
            finishes.note(made.cost.total(), least, made.cost.unplaced, seed);
        } else {
            fewer.push(seed);
            let usual = search(&full, Reach::Habits, ORDERS_MAX).unwrap();
            beyond_habits.extend((placed(&full, &made) < usual.placed_max).then_some(seed));
        }
        let made = planned(&full, seed);
        assert!(made.lower_bound <= found.whole, "company {seed}: bound {} of {}", made.lower_bound, found.whole);
        assert!(placed(&full, &made) <= found.placed_max, "company {seed}: the oracle missed a plan: {made:#?}");
        if placed(&full, &made) == found.placed_max {
            wholes.note(made.cost.total(), found.whole, made.cost.unplaced, seed);
        }
    }
    println!(
        "{orders} orders, {too_many} companies with too many, up to {most_open} open steps placed, {proved} plans proved"
    );
    let mean = finishes.tell("finish times only, against the proven best");
    wholes.tell("whole cost, against the best seen");
    println!("leaves steps out that no rule keeps out, seeds: {fewer:?}");
    println!("of these not out of habit (a wet floor past the horizon, half an hour first): {beyond_habits:?}");
    assert!(proved > 50, "plans that say that they are as cheap as can be: {proved}");
    assert!(too_many == 0, "{too_many} companies were not looked at");
    assert!(beyond_habits.is_empty(), "steps are left out that could be placed: {beyond_habits:?}");
    assert!(mean < 1.0, "a mean gap of {mean} % on companies of six steps");
}

/// Company 890 has room for a step only if it is begun with less than half an hour left in the shift.
#[test]
fn a_step_is_rather_begun_late_in_the_shift_than_left_out() {
    let full = company(890, Size::tiny());
    let [rules, habits] = [Reach::Rules, Reach::Habits].map(|reach| search(&full, reach, ORDERS_MAX).unwrap());
    assert!(habits.placed_max < rules.placed_max, "the company no longer shows what it is here for");
    assert_eq!(placed(&full, &planned(&full, 890)), rules.placed_max);
}

/// In company 12,876 nobody knows where one of the houses is, which so is near to everything: over it the way home is shorter, and a
/// step more can save a crew minutes. Builds for tests go on with every move that is given up, and tell where it would have been kept.
#[test]
fn no_move_is_given_up_wrongly_where_ways_round_about_are_shorter() {
    let full = company(12_876, Size::tiny());
    let located = full.houses.iter().filter(|house| house.location.is_some()).count();
    assert!(0 < located && located < full.houses.len(), "the company no longer shows what it is here for");
    planned(&full, 12_876);
}
