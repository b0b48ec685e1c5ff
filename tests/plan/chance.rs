//! The simulation of plans: with nothing left to chance it is the plan; where there is a formula it agrees with it within
//! stated limits; more spread never helps; threads change nothing.

use crate::common::generate::{Size, company, fleet, troubled};
use crate::common::naive;
use tackfree::audit::audit;
use tackfree::chance::{ChanceModel, simulate, simulate_on, undisturbed};
use tackfree::domain::ids::StepRef;
use tackfree::domain::plan::Plan;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Span;
use tackfree::planner::{Basis, Request, plan};

fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
}

fn seeds(otherwise: u64) -> std::ops::Range<u64> {
    let first = setting("TACKFREE_FIRST_SEED", 1);
    first..first + setting("TACKFREE_COMPANIES", otherwise)
}

fn size(seed: u64) -> Size {
    match seed % 10 {
        0 => Size::medium(),
        1..=3 => Size::tiny(),
        _ => Size::small(),
    }
}

fn planned(situation: &Situation, seed: u64) -> Plan {
    let made = plan(situation, Request { seed, move_budget: 0, basis: Basis::Anew, ..Request::new() });
    assert!(audit(situation, &made).is_clean(), "company {seed}");
    made
}

/// Where the simulation without chance is, and where the plan is.
fn assert_reproduced(situation: &Situation, plan: &Plan, what: &str, seed: u64) -> usize {
    let done = undisturbed(situation, plan);
    let planned: Vec<(StepRef, Span)> =
        plan.placements.iter().map(|placement| (placement.step, placement.hull())).collect();
    for (done, planned) in done.iter().zip(&planned) {
        let job = &situation.jobs[planned.0.job.index()];
        let step = job.chain.step(planned.0.step);
        assert_eq!(done, planned, "{what} of company {seed}: {} of {}", step.key, job.key);
    }
    assert_eq!(done.len(), planned.len(), "{what} of company {seed}");
    planned.len()
}

#[test]
fn without_chance_a_run_is_the_plan() {
    let mut steps = 0;
    for seed in seeds(400) {
        let situation = company(seed, size(seed));
        steps += assert_reproduced(&situation, &planned(&situation, seed), "the plan", seed);
        for lanes in [false, true] {
            let cautious = naive::cautious_plan(&situation, lanes);
            if audit(&situation, &cautious).is_clean() {
                steps += assert_reproduced(&situation, &cautious, "the cautious plan", seed);
            }
        }
    }
    assert!(steps > 5_000 || seeds(400).count() < 400, "hardly anything was planned: {steps} steps");
}

/// Where crews are short of people, gear is broken, houses are closed and steps were left, too.
#[test]
fn without_chance_a_run_in_a_troubled_world_is_the_plan() {
    let mut steps = 0;
    for seed in seeds(400) {
        let situation = troubled(seed, size(seed));
        steps += assert_reproduced(&situation, &planned(&situation, seed), "the plan", seed);
    }
    assert!(steps > 3_000 || seeds(400).count() < 400, "hardly anything was planned: {steps} steps");
}

/// And the counts say so: in time in all runs or in none, every quantile the planned finish, nothing to blame.
#[test]
fn without_chance_the_answer_is_certain() {
    let mut jobs = 0;
    for seed in seeds(60) {
        let situation = company(seed, size(seed));
        let plan = planned(&situation, seed);
        let chances = simulate(&situation, &plan, &ChanceModel::certain(), 3, seed);
        for chance in &chances.jobs {
            let job = &situation.jobs[chance.job.index()];
            let Some(finish) = chance.planned_finish else {
                assert!(chance.unplaced_steps > 0 && chance.in_time_runs.is_none(), "company {seed}");
                continue;
            };
            let told = [
                chance.finish_percent_50,
                chance.finish_percent_80,
                chance.finish_percent_90,
                chance.finish_percent_95,
            ];
            assert_eq!(told, [Some(finish); 4], "company {seed}");
            assert_eq!(chance.in_time_runs, job.due.map(|due| if finish <= due { 3 } else { 0 }), "company {seed}");
            assert_eq!((chance.buffer_minutes, chance.unfinished_runs), (Some(0), 0), "company {seed}");
            assert!(chance.drivers.is_empty() && chance.overruns.iter().all(|overrun| !overrun.forbidden));
            jobs += 1;
        }
    }
    assert!(jobs > 50 || seeds(60).count() < 60, "{jobs} jobs");
}

#[test]
fn any_number_of_threads_gives_the_same_answer() {
    for seed in 1..20 {
        let situation = company(seed, size(seed));
        let plan = planned(&situation, seed);
        let on = |threads| simulate_on(threads, &situation, &plan, &ChanceModel::default(), 101, seed);
        let one = on(1);
        assert!([2, 3, 8].into_iter().all(|threads| on(threads) == one), "company {seed}");
        if one.jobs.iter().any(|job| job.late_runs > 0) {
            let other = simulate(&situation, &plan, &ChanceModel::default(), 101, seed + 1_000);
            assert_ne!(one.jobs, other.jobs, "company {seed}: another seed is other luck");
        }
    }
}

/// Of houses planned in time, over many companies and with the same luck: wider drying, wider work or more failures
/// together never raise the share of kept dates by more than chance, and in the end lower it.
#[test]
fn more_spread_never_helps() {
    const RUNS: u32 = 300;
    let models: Vec<ChanceModel> = [0.0, 0.1, 0.2, 0.4]
        .iter()
        .map(|&spread| ChanceModel {
            dry_sigma: spread,
            work_sigma: spread,
            failed_check_rate: spread / 2.0,
            ..ChanceModel::default()
        })
        .collect();
    let (mut dates, mut kept) = (0_u32, vec![0_u32; models.len()]);
    for seed in seeds(40) {
        let mut situation = company(seed, size(seed));
        let plan = planned(&situation, seed);
        // Dates as they would be promised: half a day after the planned finish.
        let finishes = simulate(&situation, &plan, &ChanceModel::certain(), 1, 1);
        for chance in &finishes.jobs {
            situation.jobs[chance.job.index()].due = chance.planned_finish.map(|finish| finish.plus(720));
        }
        for (model, kept) in models.iter().zip(&mut kept) {
            let chances = simulate(&situation, &plan, model, RUNS, seed);
            *kept += chances.jobs.iter().filter_map(|job| job.in_time_runs).sum::<u32>();
        }
        dates += RUNS * finishes.jobs.iter().filter(|job| job.planned_finish.is_some()).count() as u32;
    }
    let shares: Vec<f64> = kept.iter().map(|kept| f64::from(*kept) / f64::from(dates)).collect();
    println!("{dates} dates, kept {shares:?}");
    assert_eq!(kept[0], dates, "nothing left to chance");
    // Five standard errors of a share.
    let error = 5.0 * (0.25 / f64::from(dates)).sqrt();
    assert!(shares.windows(2).all(|pair| pair[1] <= pair[0] + error), "{shares:?}");
    assert!(shares[3] < shares[0] - 0.1, "{shares:?}");
}

#[test]
fn a_fleet_is_simulated_as_planned() {
    let situation = fleet(1, 40, 8);
    let plan = planned(&situation, 1);
    assert!(assert_reproduced(&situation, &plan, "the plan", 1) > 500);
}
