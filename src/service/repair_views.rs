//! Repairs as they are shown: those that changed or proposed something, and how things stand.

use super::difference::DifferenceView;
use super::repairs::{ChangeDto, RepairDoc};
use super::{PlanStatusDto, Service, ServiceError, plans};
use crate::store::{RepairOutcome, RepairRow, RepairState, Session};
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::time::Duration;
use utoipa::ToSchema;
use uuid::Uuid;

/// Longest time somebody may wait for repairs to settle.
pub const SETTLE_SECONDS_MAX: u64 = 30;
/// A repair that publishes or proposes is told at once; one that leaves everything is not: how often it is looked whether
/// there was one.
const LOOK_AGAIN: Duration = Duration::from_millis(50);
/// What a knock takes off the patience, so that somebody with much news does not wait for ever.
const KNOCKED: Duration = Duration::from_millis(1);

/// What became of the plan that a repair made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RepairOutcomeDto {
    /// It became the promise at once.
    Published,
    /// It was put before the office, which publishes or rejects it as any draft.
    Proposed,
}

/// A repair of the published plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RepairView {
    /// Never changes.
    pub id: Uuid,
    /// What became of its plan.
    pub outcome: RepairOutcomeDto,
    /// Its plan.
    pub plan: Uuid,
    /// The first of the changes that it answers.
    pub changed_at: DateTime<Utc>,
    /// When it was published or proposed.
    pub done_at: DateTime<Utc>,
    /// What had changed.
    pub changes: Vec<ChangeDto>,
    /// Pieces of promised work at another time or with another crew.
    pub moved: usize,
    /// Pieces of work not promised before.
    pub added: usize,
    /// Pieces of work promised before and not planned any more.
    pub dropped: usize,
    /// What moved and why, whose days change, whom to tell, what it costs.
    pub difference: DifferenceView,
}

/// How repairs stand.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RepairStateView {
    /// Nothing has changed that no repair has looked at, and none is under way.
    pub settled: bool,
    /// Changes that no repair has looked at.
    pub waiting: i64,
    /// The first of them.
    pub waiting_since: Option<DateTime<Utc>>,
    /// Whether a server is at it.
    pub under_way: bool,
    /// When the last repair ended, whether or not it changed anything.
    pub last_at: Option<DateTime<Utc>>,
    /// Failures in a row.
    pub failures: i32,
    /// Why the last one failed.
    pub trouble: Option<String>,
    /// When it is tried again.
    pub rest_until: Option<DateTime<Utc>>,
    /// The draft that a repair has proposed and nobody has decided on.
    pub proposal: Option<Uuid>,
}

impl RepairView {
    fn of(row: &RepairRow) -> Result<RepairView, ServiceError> {
        let doc: RepairDoc = row.doc.parse()?;
        Ok(RepairView {
            id: row.id,
            outcome: match row.outcome {
                RepairOutcome::Published => RepairOutcomeDto::Published,
                RepairOutcome::Proposed => RepairOutcomeDto::Proposed,
            },
            plan: row.plan_id,
            changed_at: row.changed_at,
            done_at: row.done_at,
            changes: doc.changes,
            moved: doc.moved,
            added: doc.added,
            dropped: doc.dropped,
            difference: doc.difference,
        })
    }
}

impl Service {
    /// A page of repairs, newest first, older than `before`; each with its identifier.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn repairs(
        &self,
        session: &mut Session,
        before: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<RepairView>, ServiceError> {
        session.repairs(before, limit).await?.iter().map(RepairView::of).collect()
    }

    /// One repair.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn repair_view(&self, session: &mut Session, id: Uuid) -> Result<RepairView, ServiceError> {
        RepairView::of(&session.repair(id).await?)
    }

    /// How repairs stand, once they are settled or `patience` is over.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn repair_state(
        &self,
        company: crate::store::CompanyId,
        patience: Duration,
    ) -> Result<RepairStateView, ServiceError> {
        let mut left = patience.min(Duration::from_secs(SETTLE_SECONDS_MAX));
        let mut knocks = self.wakes.of(company);
        loop {
            // Before looking: what comes in while we look wakes us again.
            knocks.heard();
            let mut session = self.store.snapshot(company).await?;
            let state = session.repair_state().await?;
            let proposal = newest_proposal(&mut session).await?;
            drop(session);
            let view = view(state, proposal);
            if view.settled || left.is_zero() {
                return Ok(view);
            }
            let pause = left.min(LOOK_AGAIN);
            tokio::select! {
                () = knocks.knock() => left = left.saturating_sub(KNOCKED),
                () = tokio::time::sleep(pause) => left -= pause,
            }
        }
    }
}

async fn newest_proposal(session: &mut Session) -> Result<Option<Uuid>, ServiceError> {
    let Some(newest) = session.repairs(None, 1).await?.into_iter().next() else { return Ok(None) };
    if newest.outcome == RepairOutcome::Published {
        return Ok(None);
    }
    let plan = plans::PlanListed::of(&session.plan(newest.plan_id).await?)?;
    Ok((plan.status == PlanStatusDto::Draft).then_some(plan.id))
}

fn view(state: RepairState, proposal: Option<Uuid>) -> RepairStateView {
    let RepairState { waiting, waiting_since, under_way, last_at, failures, trouble, rest_until } = state;
    let settled = waiting == 0 && !under_way;
    RepairStateView { settled, waiting, waiting_since, under_way, last_at, failures, trouble, rest_until, proposal }
}
