//! Will each house make its date? A plan is carried out many times over with drying, work and checks left to chance, and
//! what comes of it is counted. Pure: the same situation, plan, model, runs and seed give the same answer, on any number
//! of threads. What is assumed is said in `docs/chance.md`; nothing here is shared with planner or audit but the nouns of
//! `domain` and the trade's formulas for air.
//!
//! | module | what |
//! |---|---|
//! | `rates` | how much is left to chance, from the company's own records |
//! | `course`, `compile`, `lags`, `hours` | the plan as blocks of work that wait for each other |
//! | `draw` | luck |
//! | `run`, `fit`, `marks`, `gear` | one run |
//! | `trace` | what made a run late |
//! | `tally` | what came of all runs |

mod compile;
mod course;
mod draw;
mod fit;
mod gear;
mod hours;
mod lags;
mod marks;
mod rates;
mod run;
mod tally;
mod trace;

pub use rates::{
    CHECK_TRIES_FOR_EVEN, CheckCounts, STEPS_FOR_EVEN, WORK_RATIO, WorkSpread, failed_check_rate, work_sigma,
};
pub use tally::{Chances, HouseChance, JobChance, Overrun};
pub use trace::Driver;

use crate::domain::ids::{StepIx, StepRef};
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;

/// Most runs of one simulation: at this number a share is known to within half a percent (one standard error).
pub const RUNS_MAX: u32 = 10_000;
/// Runs when nothing is said: a share is known to within 1.6 percent.
pub const RUNS_DEFAULT: u32 = 1_000;
/// Widest spread that a model may have: one standard deviation doubles or halves, and more.
pub const SIGMA_MAX: f64 = 1.0;
/// A check that fails more often than this is no check.
pub const FAILED_CHECK_RATE_MAX: f64 = 0.9;
/// More threads than this do not help.
const THREADS_MAX: usize = 8;

/// What is left to chance, and how much.
#[derive(Debug, Clone, PartialEq)]
pub struct ChanceModel {
    /// Standard deviation of the logarithm of the factor (median 1) that a film's minimum wait takes by its label; 0 to
    /// [`SIGMA_MAX`].
    pub dry_sigma: f64,
    /// As `dry_sigma`, of the planned minutes of a piece of work.
    pub work_sigma: f64,
    /// Share of tries of a check that fail; 0 to [`FAILED_CHECK_RATE_MAX`].
    pub failed_check_rate: f64,
    /// Which steps are done again when a check fails; checks not named are only repeated.
    pub treat_again: Vec<TreatAgain>,
}

/// What a failed check means for the floor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TreatAgain {
    /// The check.
    pub check: StepRef,
    /// Steps of the same job that are done again before it is repeated.
    pub steps: Vec<StepIx>,
}

impl ChanceModel {
    /// Two dry times of three lie within a fifth of the planned one (common practice, no source).
    pub const DRY_SIGMA: f64 = 0.20;
    /// Two works of three take within 15 percent of what is planned (common practice, no source).
    pub const WORK_SIGMA: f64 = 0.15;
    /// One reading of the floor in seven comes too early (common practice, no source).
    pub const FAILED_CHECK_RATE: f64 = 0.15;

    /// Nothing left to chance: every run is the plan.
    pub const fn certain() -> ChanceModel {
        ChanceModel { dry_sigma: 0.0, work_sigma: 0.0, failed_check_rate: 0.0, treat_again: Vec::new() }
    }

    /// Numbers that are none, or out of bounds, put into them.
    #[must_use]
    pub fn bounded(self) -> ChanceModel {
        let within = |value: f64, most: f64| if value.is_nan() { most } else { value.clamp(0.0, most) };
        ChanceModel {
            dry_sigma: within(self.dry_sigma, SIGMA_MAX),
            work_sigma: within(self.work_sigma, SIGMA_MAX),
            failed_check_rate: within(self.failed_check_rate, FAILED_CHECK_RATE_MAX),
            treat_again: self.treat_again,
        }
    }
}

impl Default for ChanceModel {
    fn default() -> ChanceModel {
        ChanceModel {
            dry_sigma: ChanceModel::DRY_SIGMA,
            work_sigma: ChanceModel::WORK_SIGMA,
            failed_check_rate: ChanceModel::FAILED_CHECK_RATE,
            treat_again: Vec::new(),
        }
    }
}

/// Carries `plan`, which should keep the rules in `situation`, out `runs` times (1 to [`RUNS_MAX`]).
pub fn simulate(situation: &Situation, plan: &Plan, model: &ChanceModel, runs: u32, seed: u64) -> Chances {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    simulate_on(threads, situation, plan, model, runs, seed)
}

/// As [`simulate`], on so many threads; the answer is the same for any number of them.
pub fn simulate_on(
    threads: usize,
    situation: &Situation,
    plan: &Plan,
    model: &ChanceModel,
    runs: u32,
    seed: u64,
) -> Chances {
    let model = model.clone().bounded();
    let runs = runs.clamp(1, RUNS_MAX);
    let course = compile::compile(situation, plan, &model.treat_again);
    let threads = threads.clamp(1, THREADS_MAX).min(runs as usize);
    let share = runs.div_ceil(threads as u32);
    let part = |thread: u32| {
        let mut runs_done = run::Run::new(&course, &model, situation.jobs.len(), situation.crews.len());
        let mut tally = tally::Tally::new(situation, plan, &course);
        for number in thread * share..((thread + 1) * share).min(runs) {
            runs_done.go(draw::Luck::of(seed, number));
            tally.count(&runs_done);
        }
        tally
    };
    let tallies = if threads == 1 {
        vec![part(0)]
    } else {
        std::thread::scope(|scope| {
            let part = &part;
            let parts: Vec<_> = (0..threads as u32).map(|thread| scope.spawn(move || part(thread))).collect();
            let joined = parts.into_iter().map(|part| part.join());
            joined.map(|part| part.unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect()
        })
    };
    tally::chances(situation, tallies, (model, runs, seed))
}

/// When each placed step of `plan` ends if nothing is left to chance, in order of job and step: for holding the
/// simulation against the plan.
pub fn undisturbed(situation: &Situation, plan: &Plan) -> Vec<(StepRef, crate::domain::time::Span)> {
    let model = ChanceModel::certain();
    let course = compile::compile(situation, plan, &[]);
    let mut run = run::Run::new(&course, &model, situation.jobs.len(), situation.crews.len());
    run.go(draw::Luck::of(0, 0));
    run.spans()
}
