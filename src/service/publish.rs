//! Making a draft the promise: only if it keeps every rule in the world as it is now.

use super::planning::PlanDoc;
use super::plans::{PlanListed, cause, same_step};
use super::snapshot::{self, Snapshot};
use super::{Service, ServiceError, error, wire};
use crate::audit::{Violation, audit};
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::zone::Zone;
use crate::dto::{FaultDto, PLAN_FORMAT, PieceDto, PlanDto, plan_from_dto};
use crate::store::{CompanyId, JobRow, PlanHead, PlanRow, PlanStatus, Session, StoreError};
use chrono::{DateTime, SubsecRound, Utc};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;
use uuid::Uuid;

/// Reasons told: whoever has to plan again needs a few, not all.
const REASONS_MAX: usize = 20;
const CURE: &str = "make a new plan, look at what it changes, and publish that";

/// What a publication changed, in pieces of work.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PublicationView {
    /// The promise.
    pub plan: PlanListed,
    /// Not promised before, or not to this crew.
    pub added: u64,
    /// At another time, with other gear, or begun since.
    pub changed: u64,
    /// Promised before and not any more, or over.
    pub left: u64,
    /// Of the plan, for `ETag`.
    #[serde(skip)]
    pub version: i64,
}

/// A draft that may be published as long as nothing else is published first.
#[derive(Debug)]
pub struct Checked {
    plan: Uuid,
    version: i64,
    /// What was the promise when it was checked.
    published: Option<Uuid>,
    at: DateTime<Utc>,
}

impl Service {
    /// Judges the draft at `version` against the world as it is now. Nothing is written.
    ///
    /// # Errors
    /// `NotFound`, `NotADraft`, `Stale`, `CannotPlan`; `PlanOutdated` tells what has changed.
    pub async fn check_draft(&self, company: CompanyId, id: Uuid, version: i64) -> Result<Checked, ServiceError> {
        let at = self.now().trunc_subsecs(0);
        let mut session = self.store.snapshot(company).await?;
        let head = session.plan(id).await?;
        if head.status != PlanStatus::Draft {
            return Err(StoreError::NotADraft { status: status_word(head.status).to_owned() }.into());
        }
        if head.version != version {
            return Err(StoreError::Stale { current: head.version }.into());
        }
        let rows = session.plan_rows(id).await?;
        let jobs: Vec<Uuid> = rows.iter().map(|row| row.job_id).collect();
        let jobs = session.jobs_by_ids(&jobs).await?;
        let snapshot = Snapshot::load(&mut session, self.now_minute()).await?;
        drop(session);
        let published = snapshot.published;
        tokio::task::spawn_blocking(move || still_good(&snapshot, &head, &rows, &jobs)).await??;
        Ok(Checked { plan: id, version, published, at })
    }

    /// Makes a checked draft the promise.
    ///
    /// # Errors
    /// `NotADraft`, `Stale`; `PlanOutdated` when another plan was published meanwhile.
    pub async fn publish(&self, session: &mut Session, checked: &Checked) -> Result<PublicationView, ServiceError> {
        session.lock_company().await?;
        let promised = session.published_plan().await?;
        let draft = session.plan(checked.plan).await?;
        // Of two who publish the same draft, the second is told that it is published.
        if draft.status == PlanStatus::Draft && promised.as_ref().map(|plan| plan.id) != checked.published {
            let number = promised.as_ref().map_or(0, |plan| plan.number);
            let what = format!("plan {number} has been published in the meantime");
            return Err(outdated("another-plan-published", what));
        }
        let done = session.publish_plan(checked.plan, checked.version, checked.at).await?;
        self.tell_publication(session, promised.as_ref(), &done, None).await?;
        let (added, changed, left) = (done.added, done.changed, done.left);
        Ok(PublicationView { plan: PlanListed::of(&done.plan)?, added, changed, left, version: done.plan.version })
    }
}

const fn status_word(status: PlanStatus) -> &'static str {
    match status {
        PlanStatus::Draft => "draft",
        PlanStatus::Published => "published",
        PlanStatus::Superseded => "superseded",
        PlanStatus::Rejected => "rejected",
    }
}

fn reason(code: &str, what: String) -> FaultDto {
    FaultDto { pointer: String::new(), code: code.to_owned(), what, cure: CURE.to_owned() }
}

pub(super) fn outdated(code: &str, what: String) -> ServiceError {
    ServiceError::PlanOutdated(vec![reason(code, what)])
}

/// Whether the placements of a plan are there to be looked at.
///
/// # Errors
/// `PlanOutdated` with the reason.
pub(super) fn must_be_kept(head: &PlanHead) -> Result<(), ServiceError> {
    let number = head.number;
    match head.status {
        _ if head.placements_kept => Ok(()),
        PlanStatus::Rejected => {
            Err(outdated("plan-rejected", format!("plan {number} was rejected, and its work is not kept")))
        }
        _ => Err(outdated("plan-not-kept", format!("plan {number} ended long ago, and its work is no longer kept"))),
    }
}

/// The audit of an old plan in today's world. What the plan says about itself (its instant, its cost) may be old news.
fn still_good(snapshot: &Snapshot, head: &PlanHead, rows: &[PlanRow], jobs: &[JobRow]) -> Result<(), ServiceError> {
    let situation = snapshot.situation()?;
    let plan = domain_plan(snapshot, &situation, head, rows, jobs)?;
    let report = audit(&situation, &plan);
    let broken = report.violations.iter().filter(|violation| !matches!(violation, Violation::Claim(_)));
    let reasons: Vec<FaultDto> =
        broken.take(REASONS_MAX).map(|violation| reason(violation.code(), violation.explain(&situation))).collect();
    if reasons.is_empty() { Ok(()) } else { Err(ServiceError::PlanOutdated(reasons)) }
}

/// The plan as it would be said of the situation of now, or why it cannot be.
pub(super) fn domain_plan(
    snapshot: &Snapshot,
    situation: &Situation,
    head: &PlanHead,
    rows: &[PlanRow],
    jobs: &[JobRow],
) -> Result<Plan, ServiceError> {
    let open: BTreeSet<Uuid> = snapshot.rows.jobs.iter().map(|planned| planned.job.id).collect();
    let crews: BTreeSet<Uuid> = snapshot.rows.crews.iter().map(|row| row.id).collect();
    if let Some(over) = rows.iter().find(|row| !open.contains(&row.job_id)) {
        let key = jobs.iter().find(|job| job.id == over.job_id).map_or("", |job| &job.key);
        return Err(outdated("job-not-open", format!("job {key} is not open any more")));
    }
    if rows.iter().any(|row| !crews.contains(&row.crew_id)) {
        return Err(outdated("crew-gone", "a crew of the plan is not there any more".to_owned()));
    }
    plan_of_rows(snapshot, situation, head, rows, head.doc.parse()?)
}

/// The plan of rows whose jobs are open and whose crews are there.
pub(super) fn plan_of_rows(
    snapshot: &Snapshot,
    situation: &Situation,
    head: &PlanHead,
    rows: &[PlanRow],
    doc: PlanDoc,
) -> Result<Plan, ServiceError> {
    let open: BTreeMap<Uuid, &str> =
        snapshot.rows.jobs.iter().map(|planned| (planned.job.id, planned.job.key.as_str())).collect();
    let crews: BTreeMap<Uuid, &str> = snapshot.rows.crews.iter().map(|row| (row.id, row.key.as_str())).collect();
    let zone = Zone::UTC;
    let mut placements = Vec::new();
    for pieces in rows.chunk_by(same_step) {
        let first = &pieces[0];
        let piece =
            |row: &PlanRow| PieceDto { start: wire::local(zone, row.start), finish: wire::local(zone, row.end) };
        let (job, crew) = (open[&first.job_id], crews[&first.crew_id]);
        let mut placement = snapshot::placement(job, &first.step_key, crew, pieces.iter().map(piece).collect());
        placement.gear = snapshot::gear(first.units.as_ref())?;
        placement.moved_because = cause(first)?;
        placements.push(placement);
    }
    let dto = PlanDto {
        format: PLAN_FORMAT.to_owned(),
        now: wire::local(zone, head.made_for),
        seed: head.seed,
        move_budget: head.move_budget,
        placements,
        unplaced: doc.unplaced,
        cost: doc.cost,
        lower_bound: head.lower_bound,
        gap_percent: None,
        guesses: Vec::new(),
    };
    let mut plan = plan_from_dto(situation, &dto).map_err(|faults| {
        let told = error::told(&faults).into_iter().take(REASONS_MAX);
        ServiceError::PlanOutdated(told.map(|fault| reason(&fault.code, fault.what)).collect())
    })?;
    // Rows come in the order of identifiers; a plan is sorted by the situation's.
    plan.placements.sort_by_key(|placement| placement.step);
    plan.unplaced.sort_by_key(|unplaced| unplaced.step);
    Ok(plan)
}
