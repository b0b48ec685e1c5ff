//! The world moves on: time passes, steps get done late, a crew falls ill, a check fails, somebody pins a step. The plan
//! made from what was published is clean again, names a true cause for each broken promise inside the freeze time (the
//! audit sees to that), and leaves alone what need not move.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]

#[path = "common/disturb.rs"]
mod disturb;
#[path = "common/generate.rs"]
mod generate;
#[path = "common/world.rs"]
mod world;

use disturb::{disturb, forget_begun, go_on, pass_time};
use generate::{Draw, Size, company, mishaps, troubled};
use tackfree::audit::audit;
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::planner::{Basis, Emphasis, Request, plan};

fn assert_clean(situation: &Situation, plan: &Plan, seed: u64) {
    let report = audit(situation, plan);
    if !report.is_clean() && std::env::var("DBG").is_ok() {
        for v in &report.violations {
            let Some(step) = v.step() else { continue };
            println!("now {:?} freeze {}", situation.now, situation.settings.freeze_minutes);
            println!("own {:#?}", situation.jobs[step.job.index()].chain.step(step.step));
            println!("promise {:?}", situation.published.iter().find(|p| p.step == step));
            println!("placed {:?}", plan.placement(step));
            println!(
                "crew {:?}",
                plan.placement(step).map(|p| {
                    let c = &situation.crews[p.crew.index()];
                    (c.head_count, &c.short_handed, &c.absences)
                })
            );
            let house = situation.house_of(step);
            println!("closures {:?}", situation.houses[house.index()].closures);
            for p in plan.placements.iter().filter(|p| situation.house_of(p.step) == house) {
                let s = situation.jobs[p.step.job.index()].chain.step(p.step.step);
                println!(
                    "{:?} {} areas {:?} {:?} pin {:?} promised {:?} attempts {:?} because {:?}",
                    p,
                    s.name,
                    s.areas,
                    s.dividable,
                    s.pin,
                    situation.published.iter().find(|q| q.step == p.step).map(|q| q.pieces.clone()),
                    s.attempts,
                    p.moved_because
                );
            }
        }
    }
    if !report.is_clean() {
        let told: Vec<String> =
            report.violations.iter().map(|v| format!("{} {}: {v:?}", v.code(), v.explain(situation))).collect();
        panic!("the repaired plan of company {seed} breaks rules:\n{}", told.join("\n"));
    }
}

fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
}

fn seeds(otherwise: u64) -> std::ops::Range<u64> {
    let first = setting("TACKFREE_FIRST_SEED", 1);
    first..first + setting("TACKFREE_COMPANIES", otherwise)
}

fn without_causes(plan: &Plan) -> Vec<Placement> {
    plan.placements.iter().cloned().map(|placement| Placement { moved_because: None, ..placement }).collect()
}

/// Promised steps that are elsewhere, or out.
fn moved(situation: &Situation, made: &Plan) -> usize {
    let stands = |promise: &&Placement| {
        made.placement(promise.step).is_some_and(|p| p.start() == promise.start() && p.crew == promise.crew)
    };
    situation.published.len() - situation.published.iter().filter(stands).count()
}

#[test]
fn repaired_plans_are_clean_and_touch_little() {
    let mut count = 0;
    let mut promised = 0;
    for seed in seeds(300) {
        let mut draw = Draw::new(seed ^ 0x5eed);
        let size = if seed % 10 == 0 { Size::medium() } else { Size::small() };
        let mut situation = if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) };
        for day in 0..3 {
            let basis = draw.pick(&[Basis::Anew, Basis::Published, Basis::Repair, Basis::Repair]);
            let balanced = draw.chance(60);
            let emphasis = draw.pick(&[Emphasis::FewestChanges, Emphasis::EarliestFinish, Emphasis::NoOvertime]);
            let emphasis = if balanced { Emphasis::Balanced } else { emphasis };
            let request = Request { seed, move_budget: 20, basis, emphasis };
            let made = plan(&situation, request);
            assert_clean(&situation, &made, seed);
            if day > 0 && basis != Basis::Anew && emphasis != Emphasis::EarliestFinish {
                promised += situation.published.len();
                count += moved(&situation, &made);
            }
            situation = situation.with_published(&made);
            pass_time(&mut situation, &made, &mut draw);
            forget_begun(&mut situation);
            disturb(&mut situation, &mut draw);
            if seed % 2 == 1 {
                mishaps::trouble(&mut draw, &mut situation);
            }
        }
    }
    assert!(promised > 100, "{promised}");
    assert!(count * 2 < promised, "{count} of {promised} promises moved");
    println!("{count} of {promised} promises moved");
}

/// A repair where nothing broke gives back what was published, at once and after some time that went as planned.
#[test]
fn a_repair_of_a_world_that_goes_as_planned_moves_nothing() {
    for seed in seeds(200) {
        let situation = company(seed, if seed % 10 == 0 { Size::medium() } else { Size::small() });
        let first = plan(&situation, Request::repair().with_seed(seed));
        assert_clean(&situation, &first, seed);
        let published = situation.clone().with_published(&first);
        let again = plan(&published, Request::repair());
        assert_clean(&published, &again, seed);
        assert_eq!(without_causes(&first), without_causes(&again), "company {seed} repaired at once");
        let mut draw = Draw::new(seed);
        let later = situation.now.plus(draw.between(30, 10 * 1440));
        let gone_on = go_on(&situation, &first, later, |_, _, attempt| attempt);
        let made = plan(&gone_on, Request::repair());
        assert_clean(&gone_on, &made, seed);
        // With time the horizon reaches further, so that something may be placed for the first time; nothing moves.
        assert_eq!(moved(&gone_on, &made), 0, "company {seed} repaired later");
    }
}
