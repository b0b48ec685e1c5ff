//! How fast and how good repairs are. A generated fleet is planned in full and published; then, again and again, all goes
//! as planned until something fails, and that is repaired, and for comparison planned in full again:
//! `cargo run --release --example repair_speed -- HOUSES CREWS FAILURES SEED [MOVES]`.
//!
//! Every plan is audited. A full plan from scratch may also be cheaper because it improves what the failure has nothing
//! to do with: so the undisturbed world is planned in full again at the same instant, and what that gains is told too.

#![allow(clippy::unwrap_used, reason = "the test builders it shares may unwrap")]

#[path = "../tests/common/disturb.rs"]
mod disturb;
#[path = "../tests/common/generate.rs"]
mod generate;
#[path = "../tests/common/world.rs"]
mod world;

use disturb::{Failure, fail, go_on};
use generate::Draw;
use std::collections::BTreeSet;
use tackfree::audit::audit;
use tackfree::domain::ids::JobIx;
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::planner::{Request, plan};

/// Failures happen within so many days from the plan's instant.
const LIFE_DAYS: i64 = 21;

/// One failure, repaired and planned anew.
struct Case {
    failure: Failure,
    repair_ms: f64,
    anew_ms: f64,
    /// Steps moved in the touched jobs, and in others.
    moved: (usize, usize),
    houses: usize,
    unplaced: [usize; 5],
    /// Costs but for what is left out; of the repair, the plan anew, a repair with as many moves as that; undisturbed:
    /// kept and anew. What is left out costs so much that it would hide all else.
    repaired: i64,
    anew: i64,
    long: i64,
    kept: i64,
    kept_anew: i64,
}

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let [houses, crews, failures, seed, ..] = numbers[..] else {
        eprintln!("usage: repair_speed HOUSES CREWS FAILURES SEED [MOVES]");
        std::process::exit(2);
    };
    let request = numbers.get(4).map_or(Request::repair(), |moves| Request::repair().with_moves(*moves));
    let situation = generate::fleet(seed, houses as usize, crews as usize);
    let first = clean(&situation, Request::new()).0;
    let mut draw = Draw::new(seed);
    let mut cases = Vec::new();
    let mut tried = 0;
    while cases.len() < failures as usize && tried < 20 * failures {
        tried += 1;
        let failure = Failure::ALL[cases.len() % Failure::ALL.len()];
        if let Some((failed, jobs)) = fail(&mut draw, &situation, &first, failure, LIFE_DAYS) {
            cases.push(case(&situation, &first, &failed, &jobs, failure, request));
        }
    }
    println!("{houses} houses, {crews} crews, {} steps, {} failures", situation.steps().count(), cases.len());
    told("all", &cases.iter().collect::<Vec<_>>());
    for failure in Failure::ALL {
        told(&format!("{failure:?}"), &cases.iter().filter(|case| case.failure == failure).collect::<Vec<_>>());
    }
}

/// Processor time of this thread, milliseconds: what else the machine does meanwhile does not count.
fn worked_ms() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 * 1e3 + time.tv_nsec as f64 / 1e6
}

/// A plan, audited, and how long it took to make, milliseconds.
fn clean(situation: &Situation, request: Request) -> (Plan, f64) {
    let began = worked_ms();
    let made = plan(situation, request);
    let took_ms = worked_ms() - began;
    let report = audit(situation, &made);
    assert!(report.is_clean(), "{:?}", report.violations);
    (made, took_ms)
}

fn case(
    situation: &Situation,
    first: &Plan,
    failed: &Situation,
    jobs: &[JobIx],
    failure: Failure,
    request: Request,
) -> Case {
    let (repaired, repair_ms) = clean(failed, request);
    let (anew, anew_ms) = clean(failed, Request::anew());
    let long = clean(failed, request.with_moves(Request::anew().move_budget)).0;
    let undisturbed = go_on(situation, first, failed.now, |_, _, attempt| attempt);
    let kept = clean(&undisturbed, Request::repair()).0;
    let kept_anew = clean(&undisturbed, Request::anew()).0;
    let moved = |promise: &&Placement| {
        repaired.placement(promise.step).is_none_or(|p| p.start() != promise.start() || p.crew != promise.crew)
    };
    let rest = |plan: &Plan| plan.cost.total() - plan.cost.unplaced;
    let moved: Vec<&Placement> = failed.published.iter().filter(moved).collect();
    let houses: BTreeSet<JobIx> = moved.iter().map(|promise| promise.step.job).collect();
    // What broke without a job of its own touches those that cannot stay at all.
    let inside = moved.iter().filter(|promise| jobs.contains(&promise.step.job)).count();
    Case {
        failure,
        repair_ms,
        anew_ms,
        moved: (inside, moved.len() - inside),
        houses: houses.iter().filter(|job| !jobs.contains(job)).count(),
        unplaced: [&repaired, &anew, &long, &kept, &kept_anew].map(|plan| plan.unplaced.len()),
        repaired: rest(&repaired),
        anew: rest(&anew),
        long: rest(&long),
        kept: rest(&kept),
        kept_anew: rest(&kept_anew),
    }
}

/// The value below which `percent` of them lie.
fn percentile(values: impl Iterator<Item = f64>, percent: usize) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get((sorted.len() * percent / 100).min(sorted.len().saturating_sub(1))).copied().unwrap_or(f64::NAN)
}

fn told(name: &str, cases: &[&Case]) {
    let of = |value: &dyn Fn(&Case) -> f64| -> String {
        let all = || cases.iter().map(|case| value(case));
        format!("{:.2} / {:.2} / {:.2}", percentile(all(), 50), percentile(all(), 99), percentile(all(), 100))
    };
    let above = |over: i64, under: i64| (over - under) as f64 * 100.0 / under.max(1) as f64;
    println!("{name}: {} cases; median / 99th of a hundred / most", cases.len());
    println!("  repair, ms                       {}", of(&|case| case.repair_ms));
    println!("  of a plan anew, %                {}", of(&|case| case.repair_ms * 100.0 / case.anew_ms));
    println!("  steps moved in the failed job    {}", of(&|case| case.moved.0 as f64));
    println!("  steps moved elsewhere            {}", of(&|case| case.moved.1 as f64));
    println!("  houses touched elsewhere         {}", of(&|case| case.houses as f64));
    let over = |pair: [usize; 2], costs: &dyn Fn(&Case) -> (i64, i64)| {
        let same = cases.iter().filter(|case| case.unplaced[pair[0]] == case.unplaced[pair[1]]);
        let all: Vec<f64> = same.map(|case| above(costs(case).0, costs(case).1)).collect();
        let at = |percent| percentile(all.iter().copied(), percent);
        format!("{:.2} / {:.2} / {:.2} of {}", at(50), at(99), at(100), all.len())
    };
    println!("  where as much is left out:");
    println!("  cost over a plan anew, %         {}", over([0, 1], &|case| (case.repaired, case.anew)));
    println!("  cost over a long repair, %       {}", over([0, 2], &|case| (case.repaired, case.long)));
    println!("  undisturbed, over a plan anew, % {}", over([3, 4], &|case| (case.kept, case.kept_anew)));
    let count = |test: &dyn Fn(&Case) -> bool| cases.iter().filter(|case| test(case)).count();
    let alike = |case: &Case| case.unplaced[0] == case.unplaced[1];
    println!(
        "  against a plan anew: {} leave out fewer steps, {} more; of the others {} are cheaper, {} dearer, {} by over 1 %",
        count(&|case| case.unplaced[0] < case.unplaced[1]),
        count(&|case| case.unplaced[0] > case.unplaced[1]),
        count(&|case| alike(case) && case.repaired < case.anew),
        count(&|case| alike(case) && case.repaired > case.anew),
        count(&|case| alike(case) && above(case.repaired, case.anew) > 1.0),
    );
}
