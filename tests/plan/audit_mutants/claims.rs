//! Plans that are not whole, break promises, or say something untrue about themselves (rules 9 and 11, and the claims).

use super::{Case, Kind, claim, kind, one_of};
use crate::common::generate::Draw;
use crate::common::world::CAUSES_OF_THE_INPUT;
use tackfree::domain::ids::{CrewIx, StepIx, StepRef};
use tackfree::domain::plan::{Blocker, Cause, Cost, Plan, Unplaced};

pub fn kinds() -> Vec<Kind> {
    let whole = [
        kind("an open step dropped", open_dropped, &["missing"]),
        kind("what happened, dropped", fixed_dropped, &["missing"]),
        kind("placed twice", placed_twice, &["placed-twice"]),
        kind("listed as unplaced too", listed_too, &["listed-and-placed"]),
        kind("listed twice", listed_twice, &["listed-twice"]),
        kind("taken off the list", unlisted, &["missing"]),
        kind("an extra step listed", extra_listed, &["listed-needlessly"]),
        kind("placements out of order", out_of_order, &["unsorted"]),
        kind("a step that is not there", unknown_step, &["unknown-step"]),
        kind("a crew that is not there", unknown_crew, &["bad-index"]),
        kind("a promise broken without a cause", promise_broken, &["frozen-moved"]),
        kind("a promise broken for a false cause", false_cause, &["false-cause"]),
        kind("a promise given to another crew", promise_to_another, &["frozen-moved"]),
        kind("a cause without a move", cause_without_move, &["cause-without-move"]),
    ];
    let cost = [
        claim("cost: unplaced", |case, draw| falsified(case, draw, |cost| &mut cost.unplaced), &["cost-wrong"]),
        claim("cost: lateness", |case, draw| falsified(case, draw, |cost| &mut cost.lateness), &["cost-wrong"]),
        claim("cost: broken", |case, draw| falsified(case, draw, |cost| &mut cost.broken), &["cost-wrong"]),
        claim("cost: finish", |case, draw| falsified(case, draw, |cost| &mut cost.finish), &["cost-wrong"]),
        claim("cost: travel", |case, draw| falsified(case, draw, |cost| &mut cost.travel), &["cost-wrong"]),
        claim("cost: overtime", |case, draw| falsified(case, draw, |cost| &mut cost.overtime), &["cost-wrong"]),
        claim("cost: hand-overs", |case, draw| falsified(case, draw, |cost| &mut cost.hand_overs), &["cost-wrong"]),
        claim("cost: moved from part to part", moved_between_parts, &["cost-wrong"]),
        claim("lower bound above the cost", bound_above, &["lower-bound-above-cost"]),
        claim("made for another instant", another_instant, &["plan-for-another-instant"]),
    ];
    whole.into_iter().chain(cost).collect()
}

fn open_dropped(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let ordinary = |at: &usize| !case.spec(*at).only_on_lapse;
    let sites: Vec<usize> = case.open().into_iter().filter(ordinary).collect();
    Some(case.without(one_of(draw, &sites)?))
}

fn fixed_dropped(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    Some(case.without(one_of(draw, &case.fixed())?))
}

fn placed_twice(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.all())?;
    let mut plan = case.plan.clone();
    plan.placements.insert(at, plan.placements[at].clone());
    Some(plan)
}

fn list(plan: &mut Plan, step: StepRef) {
    let at = plan.unplaced.partition_point(|entry| entry.step < step);
    plan.unplaced.insert(at, Unplaced { step, blocker: Blocker::BeyondHorizon });
}

fn listed_too(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.all())?;
    let mut plan = case.plan.clone();
    list(&mut plan, case.placement(at).step);
    Some(plan)
}

fn listed_twice(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let entry = one_of(draw, &case.plan.unplaced)?;
    let mut plan = case.plan.clone();
    list(&mut plan, entry.step);
    Some(plan)
}

fn unlisted(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let entry = one_of(draw, &case.plan.unplaced)?;
    let mut plan = case.plan.clone();
    plan.unplaced.retain(|other| other.step != entry.step);
    Some(plan)
}

fn extra_listed(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let needless = |step: &StepRef| {
        let spec = case.situation.jobs[step.job.index()].chain.step(step.step);
        spec.only_on_lapse && case.plan.placement(*step).is_none()
    };
    let sites: Vec<StepRef> = case.situation.steps().filter(needless).collect();
    let step = one_of(draw, &sites)?;
    let mut plan = case.plan.clone();
    list(&mut plan, step);
    Some(plan)
}

fn out_of_order(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let last = case.plan.placements.len().checked_sub(2)?;
    let at = draw.below(last + 1);
    let mut plan = case.plan.clone();
    plan.placements.swap(at, at + 1);
    Some(plan)
}

fn unknown_step(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.all())?;
    let job = case.placement(at).step.job;
    let mut added = case.placement(at).clone();
    added.step = StepRef { job, step: StepIx::from_index(case.chain(at).steps().len()) };
    let mut plan = case.plan.clone();
    let place = plan.placements.partition_point(|other| other.step < added.step);
    plan.placements.insert(place, added);
    Some(plan)
}

fn unknown_crew(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.open())?;
    let crew = CrewIx::from_index(case.situation.crews.len());
    Some(case.changed(at, |placement| placement.crew = crew))
}

/// Open steps, extra ones apart, that stand where they were promised inside the freeze time, and may go on to do so.
fn frozen(case: &Case<'_>) -> Vec<usize> {
    let until = case.situation.now.plus(case.situation.settings.freeze_minutes);
    let bound = |at: &usize| {
        let own = case.placement(*at);
        let promised = case.situation.published.iter().any(|promise| promise.step == own.step);
        promised && own.start() < until && !case.spec(*at).only_on_lapse && own.moved_because.is_none()
    };
    case.open().into_iter().filter(bound).collect()
}

fn promise_broken(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &frozen(case))?;
    let own = case.placement(at);
    let later = own.start().plus(draw.between(1, 120));
    case.inside(later, own.finish().since(own.start())).then(|| case.moved(at, later))
}

/// Nothing in the input has changed since the promise was made.
fn false_cause(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let mut plan = promise_broken(case, draw)?;
    let moved = plan.placements.iter().zip(&case.plan.placements).position(|(new, old)| new != old)?;
    plan.placements[moved].moved_because = Some(draw.pick(&CAUSES_OF_THE_INPUT));
    Some(plan)
}

fn promise_to_another(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &frozen(case))?;
    let others =
        (0..case.situation.crews.len()).map(CrewIx::from_index).filter(|&crew| crew != case.placement(at).crew);
    let crew = one_of(draw, &others.collect::<Vec<_>>())?;
    Some(case.changed(at, |placement| placement.crew = crew))
}

fn cause_without_move(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.all())?;
    Some(case.changed(at, |placement| placement.moved_because = Some(Cause::NotYet)))
}

/// Some points more or fewer in one part.
fn falsified(case: &Case<'_>, draw: &mut Draw, part: impl Fn(&mut Cost) -> &mut i64) -> Option<Plan> {
    let mut plan = case.plan.clone();
    *part(&mut plan.cost) += draw.pick(&[-1, 1, 1_000]);
    Some(plan)
}

/// The sum stays right.
fn moved_between_parts(case: &Case<'_>, _: &mut Draw) -> Option<Plan> {
    let mut plan = case.plan.clone();
    plan.cost.finish += 5;
    plan.cost.travel -= 5;
    Some(plan)
}

fn bound_above(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    Some(Plan { lower_bound: case.plan.cost.total() + draw.between(1, 1_000), ..case.plan.clone() })
}

fn another_instant(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    Some(Plan { now: case.plan.now.plus(draw.pick(&[-1, 1, 1440])), ..case.plan.clone() })
}
