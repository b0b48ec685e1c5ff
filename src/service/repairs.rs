//! Repairs: after whatever changed the world, the published plan is looked at again, and what cannot stay is planned
//! anew with as few broken promises as possible. One company at a time by lease, any number of servers; what happens
//! during a repair is answered by the next one.

use super::difference::DifferenceView;
use super::planning::{Draft, draft_of, judged};
use super::snapshot::{Snapshot, gear};
use super::watch::counted;
use super::{BasisDto, Captures, PlanListed, Service, ServiceError};
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::dto::RepairsDto;
use crate::measure::{Planning, RepairTurned};
use crate::planner::{Basis, REPAIR_MOVES, Request, plan};
use crate::store::{
    BookingRow, Document, NoticeKind, PlanRow, RepairChange, RepairOutcome, RepairRow, RepairTurn, Session, StoreError,
};
use chrono::{DateTime, SubsecRound, Utc};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::task::JoinHandle;
use tracing::{Instrument, debug_span};
use utoipa::ToSchema;
use uuid::Uuid;

/// Longer than any repair takes. After a crash, another server looks again when it is over.
const LEASE: Duration = Duration::from_secs(30);
/// Rest after the first failure; doubled by each further one.
const REST_MIN: Duration = Duration::from_secs(2);
/// Longest rest after failures.
const REST_MAX: Duration = Duration::from_secs(300);
/// Ways tried until the audit is content, best first.
const TRIES: [(Basis, u64); 4] =
    [(Basis::Repair, REPAIR_MOVES), (Basis::Repair, 0), (Basis::Published, 0), (Basis::Anew, 0)];

/// What a turn came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Repaired {
    /// No company waits.
    Idle,
    /// Nothing that was promised has to change.
    Unchanged,
    /// A plan was published or proposed.
    Changed(Uuid),
    /// The plan was published by somebody else meanwhile, or the turn was lost: it is looked at again.
    Overtaken,
    /// It failed, and is tried again later.
    Failed,
}

/// What a repair answers, and what it did.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct RepairDoc {
    pub(super) changes: Vec<ChangeDto>,
    pub(super) moved: usize,
    pub(super) added: usize,
    pub(super) dropped: usize,
    pub(super) difference: DifferenceView,
}

/// Something that changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ChangeDto {
    /// What: `house`, `crew`, `equipment`, `region`, `job`, `step_record`, `house_air_reading` or `company`.
    pub what: String,
    /// Key of the job, where it was one, or a report on one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub job: Option<String>,
    /// When.
    pub changed_at: DateTime<Utc>,
}

/// How a plan differs from what is booked, counted in pieces of work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Beside {
    moved: usize,
    added: usize,
    dropped: usize,
    /// Begun or over at another time than booked; no promise.
    happened: usize,
}

impl Beside {
    /// Whether a promise moves, comes or goes.
    const fn breaks(self) -> bool {
        self.moved + self.added + self.dropped > 0
    }
}

/// A plan made in a turn.
struct Made {
    draft: Draft,
    beside: Beside,
    /// Still being worked out while the plan is stored.
    difference: JoinHandle<DifferenceView>,
    /// Jobs that are not booked exactly as they are planned, or were reported on.
    touched: BTreeSet<Uuid>,
}

impl Service {
    /// Takes the turn of the company that has waited longest, and repairs its plan.
    ///
    /// # Errors
    /// `Unavailable`; everything else is kept with the company for its office to see.
    pub async fn repair_next(&self) -> Result<Repaired, ServiceError> {
        let Some(turn) = self.store.claim_repair(LEASE).await? else { return Ok(Repaired::Idle) };
        let began = Instant::now();
        let repaired = self.repair_turn(turn).await;
        let outcome = match &repaired {
            Ok(Repaired::Idle | Repaired::Unchanged) => RepairTurned::Unchanged,
            Ok(Repaired::Changed(_)) => RepairTurned::Changed,
            Ok(Repaired::Overtaken) => RepairTurned::Overtaken,
            Ok(Repaired::Failed) | Err(_) => RepairTurned::Failed,
        };
        self.meters.repair(outcome, began.elapsed());
        repaired
    }

    async fn repair_turn(&self, turn: RepairTurn) -> Result<Repaired, ServiceError> {
        match self.repair(turn).await {
            Err(ServiceError::Store(StoreError::LeaseLost)) => Ok(Repaired::Overtaken),
            Err(error) => {
                tracing::warn!(%error, company = %turn.company, "a repair failed");
                let mut session = self.store.session(turn.company).await?;
                let failures = session.repair_state().await?.failures.clamp(0, 16);
                let rest = REST_MAX.min(REST_MIN * 2u32.pow(failures.unsigned_abs()));
                session.fail_repair(turn, &error.to_string(), rest).await?;
                session.commit().await?;
                Ok(Repaired::Failed)
            }
            done => done,
        }
    }

    async fn repair(&self, turn: RepairTurn) -> Result<Repaired, ServiceError> {
        let (seen, snapshot) = self.looked(turn).instrument(debug_span!("look")).await?;
        // Nothing is promised, so nothing has to be repaired.
        let Some(snapshot) = snapshot else { return self.end_unchanged(turn, &seen).await };
        let changed: BTreeSet<Uuid> = seen.iter().filter_map(|change| change.job_id).collect();
        let (meters, captures) = (self.meters.clone(), self.captures.clone());
        let (snapshot, made) = tokio::task::spawn_blocking(move || {
            let began = Instant::now();
            let made = made(&snapshot, &changed, &captures);
            meters.planning(Planning::Repair, counted(&made), began.elapsed());
            (snapshot, made)
        })
        .await?;
        let made = made?;
        if made.beside == Beside::default() {
            return self.end_unchanged(turn, &seen).await;
        }
        self.keep_repair(turn, &seen, &snapshot, made).instrument(debug_span!("keep")).await
    }

    /// What has changed, and the company as it is now; `None` where nothing is promised.
    async fn looked(&self, turn: RepairTurn) -> Result<(Vec<RepairChange>, Option<Snapshot>), ServiceError> {
        let mut session = self.store.snapshot(turn.company).await?;
        let seen = session.repair_changes().await?;
        if session.published_plan().await?.is_none() {
            return Ok((seen, None));
        }
        let snapshot = Snapshot::load(&mut session, self.now_minute()).await?;
        Ok((seen, Some(snapshot)))
    }

    /// Proposals of earlier repairs are withdrawn: what was promised can stay after all.
    async fn end_unchanged(&self, turn: RepairTurn, seen: &[RepairChange]) -> Result<Repaired, ServiceError> {
        let mut session = self.store.session(turn.company).await?;
        self.withdraw(&mut session).await?;
        session.finish_repair(turn, seen).await?;
        session.commit().await?;
        Ok(Repaired::Unchanged)
    }

    /// Proposals of earlier repairs are answered by this one.
    async fn withdraw(&self, session: &mut Session) -> Result<(), ServiceError> {
        for plan in session.withdraw_proposals().await? {
            let plan = PlanListed::of(&session.plan(plan).await?)?;
            self.tell_draft(session, NoticeKind::PlanRejected, &plan)?;
        }
        Ok(())
    }

    /// Publishes or proposes, and ends the turn, all in one transaction.
    async fn keep_repair(
        &self,
        turn: RepairTurn,
        seen: &[RepairChange],
        snapshot: &Snapshot,
        made: Made,
    ) -> Result<Repaired, ServiceError> {
        let mut session = self.store.session(turn.company).await?;
        session.lock_company().await?;
        let promised = session.published_plan().await?;
        if promised.as_ref().map(|plan| plan.id) != snapshot.published {
            session.fail_repair(turn, "another plan was published meanwhile", Duration::ZERO).await?;
            session.commit().await?;
            return Ok(Repaired::Overtaken);
        }
        self.withdraw(&mut session).await?;
        let store = debug_span!("store");
        let head = match &promised {
            Some(base) => {
                let beside = (base.id, &made.touched);
                session.insert_plan_beside(&made.draft.new, &made.draft.rows, beside).instrument(store).await?
            }
            None => session.insert_plan(&made.draft.new, &made.draft.rows).instrument(store).await?,
        };
        let publish = !made.beside.breaks() || snapshot.file.settings.repairs == RepairsDto::Automatic;
        let done_at = self.now();
        if publish {
            let touched: Vec<Uuid> = made.touched.iter().copied().collect();
            let done = session.publish_touched(head.id, head.version, done_at.trunc_subsecs(0), &touched);
            let done = done.instrument(debug_span!("publish")).await?;
            let told = self.tell_publication(&mut session, promised.as_ref(), &done, Some(&touched));
            told.instrument(debug_span!("tell")).await?;
        } else {
            self.tell_draft(&mut session, NoticeKind::PlanProposed, &PlanListed::of(&head)?)?;
        }
        let id = crate::store::new_id();
        if made.beside.breaks() {
            let difference = made.difference.await?;
            let jobs: BTreeMap<Uuid, &str> =
                snapshot.rows.jobs.iter().map(|planned| (planned.job.id, planned.job.key.as_str())).collect();
            let change = |change: &RepairChange| ChangeDto {
                what: change.what.clone(),
                job: change.job_id.and_then(|id| jobs.get(&id)).map(ToString::to_string),
                changed_at: change.changed_at,
            };
            let Beside { moved, added, dropped, .. } = made.beside;
            let changes = seen.iter().map(change).collect();
            let doc = RepairDoc { changes, moved, added, dropped, difference };
            session
                .insert_repair(&RepairRow {
                    id,
                    plan_id: head.id,
                    outcome: if publish { RepairOutcome::Published } else { RepairOutcome::Proposed },
                    changed_at: seen.first().map_or(done_at, |change| change.changed_at),
                    done_at,
                    doc: Document::of(&doc)?,
                })
                .await?;
        }
        session.finish_repair(turn, seen).await?;
        session.commit().instrument(debug_span!("commit")).await?;
        Ok(Repaired::Changed(head.id))
    }
}

/// The best of the ways with which the audit is content.
fn made(snapshot: &Snapshot, changed: &BTreeSet<Uuid>, captures: &Captures) -> Result<Made, ServiceError> {
    std::thread::scope(|scope| {
        let fingerprint = scope.spawn(|| snapshot.fingerprint());
        let situation = Arc::new(debug_span!("assemble").in_scope(|| snapshot.situation())?);
        let mut tries = TRIES.into_iter().map(|(basis, move_budget)| {
            let request = Request { basis, move_budget, ..Request::new() };
            captures.watched(Planning::Repair, (&snapshot.file, request), || planned(&situation, request))
        });
        let refused = |planned: &Result<_, _>| matches!(planned, Err(ServiceError::PlanRejected(_)));
        let first = tries.find(|planned| !refused(planned));
        let (plan, difference) = first.unwrap_or(Err(ServiceError::PlanRejected(0)))?;
        let fingerprint = fingerprint.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
        let _writing = debug_span!("write").entered();
        let draft = draft_of(snapshot, &situation, &plan, (BasisDto::Repair, fingerprint))?;
        let beside = beside(&draft.rows, &snapshot.rows.promised);
        let touched = touched(snapshot, &draft.rows, changed)?;
        Ok(Made { draft, beside, difference, touched })
    })
}

/// A plan that keeps every rule. While that is seen to, what it changes is put into words.
fn planned(
    situation: &Arc<Situation>,
    request: Request,
) -> Result<(Arc<Plan>, JoinHandle<DifferenceView>), ServiceError> {
    let plan = Arc::new(debug_span!("plan").in_scope(|| plan(situation, request)));
    let (told, of) = (plan.clone(), situation.clone());
    let difference =
        tokio::task::spawn_blocking(move || debug_span!("difference").in_scope(|| DifferenceView::of(&of, &told)));
    debug_span!("audit").in_scope(|| judged(situation, &plan, request))?;
    Ok((plan, difference))
}

/// Jobs that changed or were reported on, that are over and still booked, or whose pieces are not booked as they are
/// planned, gear and all.
fn touched(snapshot: &Snapshot, rows: &[PlanRow], changed: &BTreeSet<Uuid>) -> Result<BTreeSet<Uuid>, ServiceError> {
    let mut touched: BTreeSet<Uuid> = changed.iter().chain(&snapshot.rows.booked_and_over).copied().collect();
    let mut before: BTreeMap<(Uuid, &str, i32), &BookingRow> =
        snapshot.rows.promised.iter().map(|row| ((row.job_id, row.step_key.as_str(), row.piece_no), row)).collect();
    for row in rows {
        let same = match before.remove(&(row.job_id, &row.step_key, row.piece_no)) {
            Some(old) => {
                (old.crew_id, old.start, old.end, old.fixed) == (row.crew_id, row.start, row.end, row.fixed)
                    && gear(old.units.as_ref())? == gear(row.units.as_ref())?
            }
            None => false,
        };
        if !same {
            touched.insert(row.job_id);
        }
    }
    touched.extend(before.keys().map(|key| key.0));
    Ok(touched)
}

/// The plan's pieces held against those that are booked.
fn beside(rows: &[PlanRow], booked: &[BookingRow]) -> Beside {
    let mut before: BTreeMap<(Uuid, &str, i32), &BookingRow> =
        booked.iter().map(|row| ((row.job_id, row.step_key.as_str(), row.piece_no), row)).collect();
    let mut beside = Beside::default();
    for row in rows {
        match before.remove(&(row.job_id, &row.step_key, row.piece_no)) {
            Some(old)
                if (old.crew_id, old.start, old.end, old.fixed) == (row.crew_id, row.start, row.end, row.fixed) => {}
            _ if row.fixed => beside.happened += 1,
            Some(_) => beside.moved += 1,
            None => beside.added += 1,
        }
    }
    for old in before.values() {
        let happened =
            old.fixed || rows.iter().any(|row| row.fixed && (row.job_id, &row.step_key) == (old.job_id, &old.step_key));
        if happened { beside.happened += 1 } else { beside.dropped += 1 }
    }
    beside
}
