//! Drafts: one moment of the company read, planned, judged by the audit, and only then kept.

use super::snapshot::Snapshot;
use super::watch::counted;
use super::{Captures, PlanView, Service, ServiceError};
use crate::audit::audit;
use crate::domain::chain::{Chain, WaitKind};
use crate::domain::ids::StepIx;
use crate::domain::plan::{Placement, Plan};
use crate::domain::situation::Situation;
use crate::dto::{self, GuessDto, PlanCostDto, UnplacedDto};
use crate::measure::Planning;
use crate::planner::{Basis, Request, plan, usual_moves};
use crate::store::{CompanyId, Document, NewPlan, NoticeKind, PlanRow, PlanningRows, Session};
use serde::{Deserialize, Serialize};
use std::time::{Duration, Instant};
use tokio::sync::OwnedSemaphorePermit;
use utoipa::ToSchema;

/// More moves than this are for the command line, where nobody waits for them.
pub const MOVE_BUDGET_MAX: u64 = 100_000;
/// How long a planning waits for those before it.
pub(super) const TURN_MAX: Duration = Duration::from_secs(20);
/// Violations named in the log.
const LOGGED_MAX: usize = 20;

/// How much of what is published a plan starts from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BasisDto {
    /// Published steps stay where they are if they can.
    #[default]
    Published,
    /// Only what is frozen, pinned, running or done stays; broken promises are still charged.
    Anew,
    /// Published steps stay where they are if they can; what cannot is planned anew, and what is near gives way where
    /// that breaks fewer promises.
    Repair,
}

impl From<BasisDto> for Basis {
    fn from(basis: BasisDto) -> Basis {
        match basis {
            BasisDto::Published => Basis::Published,
            BasisDto::Anew => Basis::Anew,
            BasisDto::Repair => Basis::Repair,
        }
    }
}

/// What is asked of the planner.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DraftBody {
    /// From what it starts.
    pub basis: BasisDto,
    /// Seed of the search: the same input and seed give the same plan.
    #[schema(default = 1)]
    pub seed: u64,
    /// Moves the search may make; 2,000 for each open job when nothing is said, at least 20,000, and from a hundred jobs on 200,000, or 200 for each job if that is more.
    #[schema(maximum = 100_000)]
    pub move_budget: Option<u64>,
}

impl Default for DraftBody {
    fn default() -> DraftBody {
        DraftBody { basis: BasisDto::Published, seed: 1, move_budget: None }
    }
}

/// A plan that has passed the audit and is not kept yet.
#[derive(Debug)]
pub struct Draft {
    pub(super) new: NewPlan,
    pub(super) rows: Vec<PlanRow>,
}

/// What of a plan has no column of its own.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct PlanDoc {
    pub(super) basis: BasisDto,
    pub(super) cost: PlanCostDto,
    pub(super) unplaced: Vec<UnplacedDto>,
    #[serde(default)]
    pub(super) guesses: Vec<GuessDto>,
}

impl Service {
    /// Plans the company as it is now. Nothing is written.
    ///
    /// # Errors
    /// `CannotPlan`, `PlanningBusy`; `PlanRejected` is a defect of this program.
    pub async fn draft(&self, company: CompanyId, body: &DraftBody) -> Result<Draft, ServiceError> {
        let turn = self.turn().await?;
        let mut session = self.store.snapshot(company).await?;
        // The instant is read when the rows are: a report that is there has happened by then.
        let snapshot = Snapshot::load(&mut session, self.now_minute()).await?;
        drop(session);
        let (body, meters, captures) = (body.clone(), self.meters.clone(), self.captures.clone());
        let drafted = tokio::task::spawn_blocking(move || {
            let began = Instant::now();
            let drafted = drafted(&snapshot, &body, &captures);
            meters.planning(Planning::Draft, counted(&drafted), began.elapsed());
            drop(turn);
            drafted
        });
        drafted.await?
    }

    /// Waits for those who compute before; whoever holds it is one of the few who do.
    ///
    /// # Errors
    /// `PlanningBusy`.
    pub(super) async fn turn(&self) -> Result<OwnedSemaphorePermit, ServiceError> {
        let turn = tokio::time::timeout(TURN_MAX, self.plannings.clone().acquire_owned()).await;
        turn.ok().and_then(Result::ok).ok_or(ServiceError::PlanningBusy)
    }

    /// Keeps a draft.
    ///
    /// # Errors
    /// `DanglingChain` when a step has been taken out of its chain meanwhile.
    pub async fn keep_draft(&self, session: &mut Session, draft: &Draft) -> Result<PlanView, ServiceError> {
        let head = session.insert_plan(&draft.new, &draft.rows).await?;
        let view = self.plan_view(session, head).await?;
        self.tell_draft(session, NoticeKind::PlanProposed, &view.plan)?;
        Ok(view)
    }
}

fn drafted(snapshot: &Snapshot, body: &DraftBody, captures: &Captures) -> Result<Draft, ServiceError> {
    let situation = snapshot.situation()?;
    let basis = body.basis.into();
    let usual = || usual_moves(situation.jobs.len()).min(MOVE_BUDGET_MAX);
    let request =
        Request { seed: body.seed, move_budget: body.move_budget.unwrap_or_else(usual), basis, ..Request::new() };
    let watched = captures.watched(Planning::Draft, (&snapshot.file, request), || audited(&situation, request));
    let plan = watched?;
    draft_of(snapshot, &situation, &plan, (body.basis, snapshot.fingerprint()?))
}

/// A plan that keeps every rule.
pub(super) fn audited(situation: &Situation, request: Request) -> Result<Plan, ServiceError> {
    let plan = plan(situation, request);
    judged(situation, &plan, request).map(|()| plan)
}

/// Whether a new plan keeps every rule; if not, that is a defect of this program, and the log says where.
pub(super) fn judged(situation: &Situation, plan: &Plan, request: Request) -> Result<(), ServiceError> {
    let report = audit(situation, plan);
    if report.is_clean() {
        return Ok(());
    }
    for violation in report.violations.iter().take(LOGGED_MAX) {
        let (code, what) = (violation.code(), violation.explain(situation));
        tracing::error!(code, what, ?request, "a new plan breaks a rule");
    }
    Err(ServiceError::PlanRejected(report.violations.len()))
}

/// A plan of the snapshot's situation as it is stored, with the snapshot's fingerprint.
pub(super) fn draft_of(
    snapshot: &Snapshot,
    situation: &Situation,
    plan: &Plan,
    (basis, input_sha256): (BasisDto, [u8; 32]),
) -> Result<Draft, ServiceError> {
    let (unplaced, guesses) = dto::plan_remarks(situation, plan);
    let mut rows = Vec::with_capacity(plan.placements.len());
    for placement in &plan.placements {
        rows.extend(plan_rows(&snapshot.rows, situation, placement)?);
    }
    Ok(Draft { new: new_plan(plan, input_sha256, PlanDoc { basis, cost: plan.cost.into(), unplaced, guesses })?, rows })
}

fn new_plan(plan: &Plan, input_sha256: [u8; 32], doc: PlanDoc) -> Result<NewPlan, ServiceError> {
    Ok(NewPlan {
        made_for: plan.now.to_utc(),
        seed: plan.seed,
        move_budget: plan.move_budget,
        cost_total: plan.cost.total(),
        lower_bound: plan.lower_bound,
        input_sha256,
        doc: Document::of(&doc)?,
    })
}

/// One row a piece. Indices of the situation follow the rows it was made from.
fn plan_rows(rows: &PlanningRows, situation: &Situation, placement: &Placement) -> Result<Vec<PlanRow>, ServiceError> {
    let chain = &situation.jobs[placement.step.job.index()].chain;
    let step = chain.step(placement.step.step);
    let gear = dto::gear(placement, situation);
    let units = if gear.is_empty() { None } else { Some(Document::of(&gear)?) };
    let moved_because = dto::cause(placement, situation)
        .map(|cause| Document::of(&cause))
        .transpose()?
        .map(|cause| cause.as_str().to_owned());
    let piece = |(number, piece): (usize, &crate::domain::time::Span)| PlanRow {
        job_id: rows.jobs[placement.step.job.index()].job.id,
        step_key: step.key.to_string(),
        piece_no: number as i32,
        run_key: run_key(chain, placement.step.step),
        crew_id: rows.crews[placement.crew.index()].id,
        start: piece.start().to_utc(),
        end: piece.end().to_utc(),
        fixed: step.fixed().is_some(),
        units: units.clone(),
        moved_because: moved_because.clone(),
    };
    Ok(placement.pieces.iter().enumerate().map(piece).collect())
}

/// Key of the first step, in the chain's order, of those that dwells join with this one.
fn run_key(chain: &Chain, step: StepIx) -> String {
    let mut run = vec![step];
    let mut next = 0;
    while let Some(&member) = run.get(next) {
        for wait in chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell) {
            for (one, other) in [(wait.from, wait.to), (wait.to, wait.from)] {
                if one == member && !run.contains(&other) {
                    run.push(other);
                }
            }
        }
        next += 1;
    }
    let first = chain.order().iter().find(|step| run.contains(step)).copied().unwrap_or(step);
    chain.step(first).key.to_string()
}
