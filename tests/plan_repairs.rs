//! The world moves on: time passes, steps get done late, a crew falls ill, a check fails, somebody pins a step. The plan
//! made from what was published is clean again, names a true cause for each broken promise inside the freeze time (the
//! audit sees to that), and leaves alone what need not move.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]

#[path = "common/generate.rs"]
mod generate;
#[path = "common/world.rs"]
mod world;

use generate::{Draw, Size, company, mishaps, troubled};
use tackfree::audit::audit;
use tackfree::domain::chain::{Attempt, Chain, Outcome, Step, StepState};
use tackfree::domain::ids::{CrewIx, JobIx, StepIx, StepRef};
use tackfree::domain::plan::Plan;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Span;
use tackfree::planner::{Basis, Request, plan};

fn assert_clean(situation: &Situation, plan: &Plan, seed: u64) {
    let report = audit(situation, plan);
    if !report.is_clean() {
        let told: Vec<String> =
            report.violations.iter().map(|v| format!("{} {}: {v:?}", v.code(), v.explain(situation))).collect();
        panic!("the repaired plan of company {seed} breaks rules:\n{}", told.join("\n"));
    }
}

fn with_steps(situation: &mut Situation, job: JobIx, change: impl FnOnce(&mut Vec<Step>)) {
    let chain = &situation.jobs[job.index()].chain;
    let mut steps = chain.steps().to_vec();
    let waits = chain.waits().to_vec();
    change(&mut steps);
    situation.jobs[job.index()].chain = Chain::new(steps, waits).unwrap();
}

/// Time passes: what was planned to begin before the new now has begun, and mostly as planned.
fn pass_time(situation: &mut Situation, plan: &Plan, draw: &mut Draw) {
    let now = situation.now.plus(draw.between(30, 3 * 1440));
    situation.now = now;
    for placement in plan.placements.iter().filter(|placement| placement.start() < now) {
        let StepRef { job, step } = placement.step;
        if situation.jobs[job.index()].chain.step(step).fixed().is_some() {
            continue;
        }
        let late = if draw.chance(15) { draw.between(1, 240) } else { 0 };
        let done = placement.finish().plus(late) <= now;
        let finish = if done { placement.finish().plus(late) } else { placement.finish().plus(late).max(now.plus(1)) };
        let can_fail = situation.jobs[job.index()].chain.step(step).recheck_after_minutes.is_some();
        let outcome = match done {
            true if can_fail && draw.chance(40) => Outcome::Failed,
            true => Outcome::Done,
            false => Outcome::Running,
        };
        let attempt =
            Attempt { crew: placement.crew, start: placement.start(), finish, outcome, retry_not_before: None };
        with_steps(situation, job, |steps| steps[step.index()].attempts.push(attempt));
    }
}

fn disturb(situation: &mut Situation, draw: &mut Draw) {
    if draw.chance(50) {
        let crew = draw.below(situation.crews.len());
        let from = situation.now.plus(draw.between(0, 1440));
        let away = Span::new(from, from.plus(draw.between(60, 2 * 1440))).unwrap();
        situation.crews[crew].absences.push(away);
    }
    if draw.chance(30) {
        let job = draw.below(situation.jobs.len());
        let step = StepIx::from_index(draw.below(situation.jobs[job].chain.steps().len()));
        let open = matches!(situation.jobs[job].chain.step(step).state(), StepState::Open { .. });
        let extra = situation.jobs[job].chain.step(step).only_on_lapse;
        if open && !extra {
            let crew = draw.chance(50).then(|| CrewIx::from_index(draw.below(situation.crews.len())));
            let start = draw.chance(50).then(|| situation.now.plus(draw.between(0, 3 * 1440)));
            with_steps(situation, JobIx::from_index(job), |steps| {
                steps[step.index()].pin.crew = crew;
                steps[step.index()].pin.start = start;
            });
        }
    }
    if draw.chance(20) {
        let crew = draw.below(situation.crews.len());
        situation.crews[crew].head_count = (situation.crews[crew].head_count + 1).min(9);
    }
    if draw.chance(20) {
        for region in &mut situation.regions {
            region
                .hours
                .iter_mut()
                .for_each(|hour| hour.air.rh_centi_percent = (hour.air.rh_centi_percent + 900).min(9_900));
        }
    }
}

#[test]
fn repaired_plans_are_clean_and_touch_little() {
    let setting = |name: &str, otherwise: u64| std::env::var(name).map_or(otherwise, |text| text.parse().unwrap());
    let first = setting("TACKFREE_FIRST_SEED", 1);
    let mut moved = 0;
    let mut promised = 0;
    for seed in first..first + setting("TACKFREE_COMPANIES", 300) {
        let mut draw = Draw::new(seed ^ 0x5eed);
        let size = if seed % 10 == 0 { Size::medium() } else { Size::small() };
        let mut situation = if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) };
        for day in 0..3 {
            let basis = if draw.chance(25) { Basis::Anew } else { Basis::Published };
            let request = Request { seed, move_budget: 5, basis };
            let made = plan(&situation, request);
            assert_clean(&situation, &made, seed);
            if day > 0 && basis == Basis::Published {
                promised += situation.published.len();
                moved += situation
                    .published
                    .iter()
                    .filter(|promise| {
                        made.placement(promise.step)
                            .is_none_or(|p| p.start() != promise.start() || p.crew != promise.crew)
                    })
                    .count();
            }
            situation = situation.with_published(&made);
            pass_time(&mut situation, &made, &mut draw);
            // Promises of steps that have begun meanwhile are history now.
            let begun = situation
                .published
                .iter()
                .filter(|p| situation.jobs[p.step.job.index()].chain.step(p.step.step).fixed().is_none());
            situation.published = begun.cloned().collect();
            disturb(&mut situation, &mut draw);
            if seed % 2 == 1 {
                mishaps::trouble(&mut draw, &mut situation);
            }
        }
    }
    assert!(promised > 100, "{promised}");
    assert!(moved * 2 < promised, "{moved} of {promised} promises moved");
    println!("{moved} of {promised} promises moved");
}
