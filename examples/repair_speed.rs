//! How fast and how good repairs are. A generated fleet is planned in full and published; then, again and again, all goes
//! as planned until something fails, and that is repaired, and for comparison planned in full again:
//! `cargo run --release --example repair_speed -- HOUSES CREWS FAILURES SEED [MOVES [EVERY]]`,
//! where one in EVERY (9 when nothing is said) is planned anew for comparison.
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
use tackfree::planner::{Request, plan, usual_moves};

/// Failures happen within so many days from the plan's instant.
const LIFE_DAYS: i64 = 21;

/// One failure, repaired.
struct Case {
    failure: Failure,
    repair_ms: f64,
    /// Steps moved in the touched jobs, and in others.
    moved: (usize, usize),
    houses: usize,
    compared: Option<Compared>,
}

/// A repair beside plans that take longer. Costs are compared but for what is left out, which costs so much that it would
/// hide all else: by how many percent the first costs more, where both leave out as many steps.
struct Compared {
    anew_ms: f64,
    /// By the repair, by the plan anew, and where all goes on undisturbed and what was published is kept.
    unplaced: [usize; 3],
    over_anew: Option<f64>,
    /// Over a repair with as many moves as the plan anew.
    over_long: Option<f64>,
    /// In the undisturbed world: what was published, kept, over a plan anew.
    kept_over_anew: Option<f64>,
}

/// One in so many cases is compared when nothing is said; all kinds of failure come by turns.
const COMPARED_EVERY: u64 = 9;

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let [houses, crews, failures, seed, ..] = numbers[..] else {
        eprintln!("usage: repair_speed HOUSES CREWS FAILURES SEED [MOVES [EVERY]]");
        std::process::exit(2);
    };
    let usual = usual_moves(houses as usize);
    let request = numbers.get(4).map_or(Request::repair(), |moves| Request::repair().with_moves(*moves));
    let every = numbers.get(5).copied().unwrap_or(COMPARED_EVERY).max(1) as usize;
    let situation = generate::fleet(seed, houses as usize, crews as usize);
    let (first, first_ms) = clean(&situation, Request::new().with_moves(usual));
    let mut draw = Draw::new(seed);
    let mut cases = Vec::new();
    let mut tried = 0;
    while cases.len() < failures as usize && tried < 20 * failures {
        tried += 1;
        let failure = Failure::ALL[cases.len() % Failure::ALL.len()];
        if let Some((failed, jobs)) = fail(&mut draw, &situation, &first, failure, LIFE_DAYS) {
            let compare = cases.len().is_multiple_of(every);
            cases.push(case(&situation, &first, &failed, (&jobs, failure), request, compare));
        }
    }
    let steps = situation.steps().count();
    println!(
        "{houses} houses, {crews} crews, {steps} steps, {} failures; the first plan took {first_ms:.0} ms",
        cases.len()
    );
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
    (jobs, failure): (&[JobIx], Failure),
    request: Request,
    compare: bool,
) -> Case {
    let (repaired, repair_ms) = clean(failed, request);
    let usual = usual_moves(situation.jobs.len());
    let compared = compare.then(|| {
        let (anew, anew_ms) = clean(failed, Request::anew().with_moves(usual));
        let long = clean(failed, request.with_moves(usual)).0;
        let undisturbed = go_on(situation, first, failed.now, |_, _, attempt| attempt);
        let kept = clean(&undisturbed, Request::repair()).0;
        Compared {
            anew_ms,
            unplaced: [&repaired, &anew, &kept].map(|plan| plan.unplaced.len()),
            over_anew: over(&repaired, &anew),
            over_long: over(&repaired, &long),
            kept_over_anew: over(&kept, &clean(&undisturbed, Request::anew().with_moves(usual)).0),
        }
    });
    let moved = |promise: &&Placement| {
        repaired.placement(promise.step).is_none_or(|p| p.start() != promise.start() || p.crew != promise.crew)
    };
    let moved: Vec<&Placement> = failed.published.iter().filter(moved).collect();
    let houses: BTreeSet<JobIx> = moved.iter().map(|promise| promise.step.job).collect();
    // What broke without a job of its own touches those that cannot stay at all.
    let inside = moved.iter().filter(|promise| jobs.contains(&promise.step.job)).count();
    Case {
        failure,
        repair_ms,
        moved: (inside, moved.len() - inside),
        houses: houses.iter().filter(|job| !jobs.contains(job)).count(),
        compared,
    }
}

/// Cost but for what is left out.
fn rest(plan: &Plan) -> i64 {
    plan.cost.total() - plan.cost.unplaced
}

/// By how many percent the first costs more, where as much is left out.
fn over(plan: &Plan, other: &Plan) -> Option<f64> {
    (plan.unplaced.len() == other.unplaced.len()).then(|| above(rest(plan), rest(other)))
}

fn above(over: i64, under: i64) -> f64 {
    (over - under) as f64 * 100.0 / under.max(1) as f64
}

/// The value below which `percent` of them lie.
fn percentile(values: impl Iterator<Item = f64>, percent: usize) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get((sorted.len() * percent / 100).min(sorted.len().saturating_sub(1))).copied().unwrap_or(f64::NAN)
}

fn told(name: &str, cases: &[&Case]) {
    let of = |values: Vec<f64>| -> String {
        let at = |percent| percentile(values.iter().copied(), percent);
        format!("{:.2} / {:.2} / {:.2} of {}", at(50), at(99), at(100), values.len())
    };
    let all = |value: &dyn Fn(&Case) -> f64| of(cases.iter().map(|case| value(case)).collect());
    let compared = || cases.iter().filter_map(|case| case.compared.as_ref());
    println!("{name}; median / 99th of a hundred / most");
    println!("  repair, ms                       {}", all(&|case| case.repair_ms));
    println!("  steps moved in the failed job    {}", all(&|case| case.moved.0 as f64));
    println!("  steps moved elsewhere            {}", all(&|case| case.moved.1 as f64));
    println!("  houses touched elsewhere         {}", all(&|case| case.houses as f64));
    let ratios = cases.iter().filter_map(|case| Some(case.repair_ms * 100.0 / case.compared.as_ref()?.anew_ms));
    println!("  time of a plan anew, %           {}", of(ratios.collect()));
    println!("  where as much is left out:");
    println!("  cost over a plan anew, %         {}", of(compared().filter_map(|with| with.over_anew).collect()));
    println!("  cost over a long repair, %       {}", of(compared().filter_map(|with| with.over_long).collect()));
    println!("  undisturbed, over a plan anew, % {}", of(compared().filter_map(|with| with.kept_over_anew).collect()));
    let count = |test: &dyn Fn(&Compared) -> bool| compared().filter(|with| test(with)).count();
    println!(
        "  against a plan anew: {} leave out fewer steps, {} more (where nothing fails what was published does too in {}); of \
         the others {} are cheaper, {} dearer, {} by over 1 %",
        count(&|with| with.unplaced[0] < with.unplaced[1]),
        count(&|with| with.unplaced[0] > with.unplaced[1]),
        count(&|with| with.unplaced[0] > with.unplaced[1] && with.unplaced[2] > with.unplaced[1]),
        count(&|with| with.over_anew.is_some_and(|over| over < 0.0)),
        count(&|with| with.over_anew.is_some_and(|over| over > 0.0)),
        count(&|with| with.over_anew.is_some_and(|over| over > 1.0)),
    );
}
