//! How long planning takes, and how that grows with the company: `cargo bench --bench planning`. Look at ratios, not at
//! seconds; the fleets are the same on every machine.

#![allow(missing_docs, reason = "the macros below write undocumented functions")]
#![allow(clippy::unwrap_used, reason = "a panic in a benchmark is a failed benchmark")]

#[path = "../tests/common/generate.rs"]
mod generate;
#[path = "../tests/common/world.rs"]
mod world;

use criterion::{BenchmarkId, Criterion, SamplingMode, criterion_group, criterion_main};
use generate::fleet;
use std::hint::black_box;
use std::time::Duration;
use tackfree::audit::audit;
use tackfree::domain::chain::{Attempt, Chain, Outcome};
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::planner::compile::compile;
use tackfree::planner::{Basis, Request, plan};

/// Houses and crews.
const FLEETS: [(usize, usize); 3] = [(40, 8), (100, 20), (500, 100)];

const FIRST: Request = Request { seed: 1, move_budget: 0, basis: Basis::Published, ..Request::new() };
const SEARCHED: Request = Request { move_budget: 200, ..FIRST };

/// A company, and its first plan.
struct Bench {
    name: String,
    situation: Situation,
    first: Plan,
}

fn benches() -> Vec<Bench> {
    let of = |(houses, crews)| {
        let situation = fleet(1, houses, crews);
        let first = plan(&situation, FIRST);
        assert!(audit(&situation, &first).is_clean());
        Bench { name: format!("{houses}x{crews}"), situation, first }
    };
    FLEETS.into_iter().map(of).collect()
}

/// The plan is published and all has gone as planned until its first check ends, and fails.
fn after_a_failed_check(bench: &Bench) -> Situation {
    let mut situation = bench.situation.clone().with_published(&bench.first);
    let checks = bench.first.placements.iter().filter(|placement| {
        let step = bench.situation.jobs[placement.step.job.index()].chain.step(placement.step.step);
        step.fixed().is_none() && step.recheck_after_minutes.is_some()
    });
    let check = checks.min_by_key(|placement| placement.finish()).unwrap();
    situation.now = check.finish();
    for placement in bench.first.placements.iter().filter(|placement| placement.start() < situation.now) {
        let job = &mut situation.jobs[placement.step.job.index()];
        let mut steps = job.chain.steps().to_vec();
        let step = &mut steps[placement.step.step.index()];
        if step.fixed().is_some() {
            continue;
        }
        let (crew, start, finish) = (placement.crew, placement.start(), placement.finish());
        let outcome = match finish <= situation.now {
            true if placement.step == check.step => Outcome::Failed,
            true => Outcome::Done,
            false => Outcome::Running,
        };
        step.attempts.push(Attempt { crew, start, finish, outcome, retry_not_before: None });
        job.chain = Chain::new(steps, job.chain.waits().to_vec()).unwrap();
    }
    let jobs = &situation.jobs;
    let is_open = |promise: &Placement| jobs[promise.step.job.index()].chain.step(promise.step.step).fixed().is_none();
    let open: Vec<Placement> = situation.published.iter().filter(|promise| is_open(promise)).cloned().collect();
    situation.published = open;
    assert!(audit(&situation, &plan(&situation, FIRST)).is_clean());
    situation
}

fn planning(criterion: &mut Criterion) {
    let benches = benches();
    let mut measure = |name: &str, run: &dyn Fn(&Bench, &Situation), situation: &dyn Fn(&Bench) -> Situation| {
        let mut group = criterion.benchmark_group(name);
        group.sample_size(10).sampling_mode(SamplingMode::Flat);
        group.warm_up_time(Duration::from_millis(300)).measurement_time(Duration::from_secs(2));
        for bench in &benches {
            let situation = situation(bench);
            group.bench_with_input(BenchmarkId::from_parameter(&bench.name), bench, |bencher, bench| {
                bencher.iter(|| run(bench, &situation));
            });
        }
        group.finish();
    };
    let as_it_is = |bench: &Bench| bench.situation.clone();
    measure("compile", &|_, situation| drop(black_box(compile(situation))), &as_it_is);
    measure("first plan", &|_, situation| drop(black_box(plan(situation, FIRST))), &as_it_is);
    measure("plan with 200 moves", &|_, situation| drop(black_box(plan(situation, SEARCHED))), &as_it_is);
    measure("audit", &|bench, situation| drop(black_box(audit(situation, &bench.first))), &as_it_is);
    measure(
        "repair after a failed check",
        &|_, situation| drop(black_box(plan(situation, FIRST))),
        &after_a_failed_check,
    );
}

criterion_group!(all, planning);
criterion_main!(all);
