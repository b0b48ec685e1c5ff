//! What changes when a plan takes the place of what was published, for whom, and why: in values for programs and in plain
//! sentences for people. Pure; judges nothing itself, but asks the audit what keeps a step from where it was promised.
//!
//! | module | what |
//! |---|---|
//! | `chain` | from each moved step along what it waits for, or gave way to, to the root of it |
//! | `root` | what the root is, by the input alone |
//! | `words` | the sentence |
//! | `days` | days of crews, finishes of jobs, customers to be told |

mod chain;
mod days;
mod root;
mod words;

pub use chain::{Because, Link};
pub use root::Root;
pub use words::{change_text, line_text};

use crate::audit::audit;
use crate::domain::ids::{CrewIx, HouseIx, JobIx, StepRef};
use crate::domain::plan::{Cost, Placement, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use chrono::NaiveDate;

/// Everything that differs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Promised steps that are elsewhere or out, and steps that were not promised before; sorted by step.
    pub steps: Vec<StepChange>,
    /// Every job with a step in the list above, by index.
    pub jobs: Vec<JobChange>,
    /// Days of crews on which something is different, by crew and day.
    pub crew_days: Vec<CrewDay>,
    /// Houses whose visits or finish move, and what to say there; by index.
    pub customers: Vec<CustomerNews>,
    /// What it costs.
    pub cost: CostChange,
}

/// One step that is not where it was published.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StepChange {
    /// Which.
    pub step: StepRef,
    /// Where it was published; `None` when it was not.
    pub before: Option<Visit>,
    /// Where it is now; `None` when it is not in the plan.
    pub after: Option<Visit>,
    /// Why.
    pub because: Because,
}

/// When somebody does a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Visit {
    /// First minute.
    pub start: Minute,
    /// First minute after.
    pub finish: Minute,
    /// Who.
    pub crew: CrewIx,
}

impl Visit {
    fn of(placement: &Placement) -> Visit {
        Visit { start: placement.start(), finish: placement.finish(), crew: placement.crew }
    }
}

/// When a job is finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JobChange {
    /// Which.
    pub job: JobIx,
    /// As published; `None` when not all of it was.
    pub finish_before: Option<Minute>,
    /// Now; `None` when not all of it is in the plan.
    pub finish_after: Option<Minute>,
    /// When it should be.
    pub due: Option<Minute>,
    /// Minutes after due, as published; 0 when in time or not known.
    pub late_before_minutes: i64,
    /// The same now.
    pub late_after_minutes: i64,
}

/// One crew's day, as published and now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CrewDay {
    /// Who.
    pub crew: CrewIx,
    /// Day in the crew's zone on which the work starts.
    pub date: NaiveDate,
    /// What was published, in order.
    pub before: Vec<Line>,
    /// What is planned, in order.
    pub after: Vec<Line>,
}

/// One piece of work of a crew's day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Line {
    /// First minute.
    pub start: Minute,
    /// First minute after.
    pub finish: Minute,
    /// Which step.
    pub step: StepRef,
}

/// A customer who was told something else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CustomerNews {
    /// Whose house.
    pub house: HouseIx,
    /// Steps whose start moved, or that are out; sorted.
    pub visits: Vec<StepRef>,
    /// Whether a job in it finishes at another time.
    pub finish_moves: bool,
}

/// Cost parts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CostChange {
    /// Of what was published, if it were kept.
    pub before: CostBefore,
    /// Of the plan.
    pub after: Cost,
}

/// What keeping the published plan would cost today.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CostBefore {
    /// It can be kept, at this cost.
    Counted(Cost),
    /// It cannot be kept, and so costs nothing one could name; the first rule it would break, in a sentence.
    NotKept(String),
}

/// What changes when `plan`, made for `situation`, takes the place of what is published there.
pub fn difference(situation: &Situation, plan: &Plan) -> Difference {
    let steps = steps(situation, plan);
    let jobs = days::jobs(situation, plan, &steps);
    let customers = days::customers(situation, &steps, &jobs);
    let crew_days = days::crew_days(situation, plan);
    let cost = CostChange { before: cost_before(situation, plan), after: plan.cost };
    Difference { steps, jobs, crew_days, customers, cost }
}

fn steps(situation: &Situation, plan: &Plan) -> Vec<StepChange> {
    let mut changed: Vec<(StepRef, Option<Visit>, Option<Visit>)> = Vec::new();
    for promise in &situation.published {
        let (before, after) = (Visit::of(promise), plan.placement(promise.step).map(Visit::of));
        if after.is_none_or(|after| after.start != before.start || after.crew != before.crew) {
            changed.push((promise.step, Some(before), after));
        }
    }
    for placement in &plan.placements {
        let open = situation.jobs[placement.step.job.index()].chain.step(placement.step.step).fixed().is_none();
        if open && promise_of(situation, placement.step).is_none() {
            changed.push((placement.step, None, Some(Visit::of(placement))));
        }
    }
    changed.sort_by_key(|change| change.0);
    let causes = chain::because(situation, plan, &changed.iter().map(|change| change.0).collect::<Vec<_>>());
    let with = |((step, before, after), because)| StepChange { step, before, after, because };
    changed.into_iter().zip(causes).map(with).collect()
}

/// What was published of a step.
fn promise_of(situation: &Situation, step: StepRef) -> Option<&Placement> {
    let found = situation.published.binary_search_by_key(&step, |promise| promise.step).ok()?;
    Some(&situation.published[found])
}

fn cost_before(situation: &Situation, plan: &Plan) -> CostBefore {
    let open = |step: StepRef| situation.jobs[step.job.index()].chain.step(step.step).fixed().is_none();
    let fixed = plan.placements.iter().filter(|placement| !open(placement.step)).cloned();
    let mut placements: Vec<Placement> = fixed.chain(situation.published.iter().cloned()).collect();
    placements.sort_by_key(|placement| placement.step);
    let left_out = plan.unplaced.iter().filter(|unplaced| promise_of(situation, unplaced.step).is_none());
    let kept = Plan { placements, unplaced: left_out.cloned().collect(), lower_bound: 0, ..plan.clone() };
    let counted = audit(situation, &kept).cost;
    let report = audit(situation, &Plan { cost: counted, ..kept });
    match report.violations.first() {
        None => CostBefore::Counted(counted),
        Some(broken) => CostBefore::NotKept(broken.explain(situation)),
    }
}
