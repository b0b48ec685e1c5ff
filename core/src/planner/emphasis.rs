//! What the search is to look at most, as other weights than the company's; and the plans that come of it, side by side.

use super::request::{Emphasis, Request};
use super::{Progress, plan_with_progress};
use crate::domain::plan::{Placement, Plan};
use crate::domain::situation::{CostWeights, Situation};

/// By how much more than the company does a search weighs what it is to look at most.
const EMPHASIS_FACTOR: i64 = 20;
/// Up to here a coefficient is made larger; a larger one is emphasis enough, and sums stay far inside 64 bits.
const EMPHASISED_MAX: i64 = 100_000;
/// The same for a step left out: no emphasis makes it worth leaving one out.
const EMPHASISED_UNPLACED_MAX: i64 = 100_000_000_000;

/// The alternatives of [`alternatives`], in order.
const ALTERNATIVES: [Emphasis; 3] = [Emphasis::FewestChanges, Emphasis::EarliestFinish, Emphasis::NoOvertime];

/// The weights a search with that emphasis goes by.
pub(super) fn sought(cost: CostWeights, emphasis: Emphasis) -> CostWeights {
    // A company that does not charge it at all means it all the same when it asks for it.
    let usual = CostWeights::default();
    let more = |own: i64, usual: i64| own.max((own.max(usual) * EMPHASIS_FACTOR).min(EMPHASISED_MAX));
    let less = |own: i64| own / EMPHASIS_FACTOR;
    if emphasis == Emphasis::Balanced {
        return cost;
    }
    let unplaced_step = cost.unplaced_step.saturating_mul(EMPHASIS_FACTOR).min(EMPHASISED_UNPLACED_MAX);
    let cost = CostWeights { unplaced_step: unplaced_step.max(cost.unplaced_step), ..cost };
    match emphasis {
        Emphasis::Balanced => cost,
        Emphasis::FewestChanges => CostWeights {
            moved_step: more(cost.moved_step, usual.moved_step),
            changed_crew: more(cost.changed_crew, usual.changed_crew),
            ..cost
        },
        Emphasis::EarliestFinish => CostWeights {
            finish_minute: more(cost.finish_minute, usual.finish_minute),
            late_minute: more(cost.late_minute, usual.late_minute),
            moved_step: less(cost.moved_step),
            moved_minute: less(cost.moved_minute),
            changed_crew: less(cost.changed_crew),
            ..cost
        },
        Emphasis::NoOvertime => {
            CostWeights { overtime_minute: more(cost.overtime_minute, usual.overtime_minute), ..cost }
        }
    }
}

/// What else could be done: a plan for each emphasis but the balanced one, in the order of their declaration, those left
/// out that are the same as one before. Searches are short, and now and then one finds by chance what another was looking
/// for: so each emphasis gets the best of all the plans made, the balanced one included, by what it is named for. The same
/// bytes however many threads there are.
pub fn alternatives(situation: &Situation, request: Request) -> Vec<(Emphasis, Plan)> {
    let one =
        |emphasis: Emphasis| plan_with_progress(situation, Request { emphasis, ..request }, &mut |_: Progress| {});
    let sought = ALTERNATIVES.iter().chain([&Emphasis::Balanced]);
    let plans: Vec<Plan> = std::thread::scope(|scope| {
        let threads: Vec<_> = sought.map(|&emphasis| scope.spawn(move || one(emphasis))).collect();
        let joined = threads.into_iter().map(|thread| thread.join());
        joined.map(|made| made.unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect()
    });
    let mut out: Vec<(Emphasis, Plan)> = Vec::new();
    for (own, emphasis) in ALTERNATIVES.into_iter().enumerate() {
        // Of equals its own.
        let best = (0..plans.len()).min_by_key(|&at| (measure(situation, &plans[at], emphasis), at != own, at));
        let Some(plan) = best.map(|at| &plans[at]) else { continue };
        let same = |known: &Plan| known.placements == plan.placements && known.unplaced == plan.unplaced;
        if !out.iter().any(|(_, known)| same(known)) {
            out.push((emphasis, plan.clone()));
        }
    }
    out
}

/// What an emphasis is named for, less being better: after what is left out, promised steps moved, or cost points.
fn measure(situation: &Situation, plan: &Plan, emphasis: Emphasis) -> (i64, i64, i64) {
    let kept = |promise: &&Placement| {
        plan.placement(promise.step).is_some_and(|now| now.start() == promise.start() && now.crew == promise.crew)
    };
    let moved = || situation.published.len() as i64 - situation.published.iter().filter(kept).count() as i64;
    let named_for = match emphasis {
        Emphasis::Balanced => 0,
        Emphasis::FewestChanges => moved(),
        Emphasis::EarliestFinish => plan.cost.finish + plan.cost.lateness,
        Emphasis::NoOvertime => plan.cost.overtime,
    };
    (plan.cost.unplaced, named_for, plan.cost.total())
}
