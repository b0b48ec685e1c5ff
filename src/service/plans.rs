//! Plans as they are shown.

use super::directory::Directory;
use super::planning::{BasisDto, PlanDoc};
use super::{Rendered, Service, ServiceError, snapshot, wire};
use crate::dto::{CauseDto, GuessDto, PieceDto, PlacedStateDto, PlacementDto, PlanCostDto, UnplacedDto};
use crate::store::{NoticeKind, PlanHead, PlanRow, PlanStatus, Session, StoreError};
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::sync::Arc;
use utoipa::ToSchema;
use uuid::Uuid;

/// What a plan is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PlanStatusDto {
    /// Proposed.
    Draft,
    /// The promise: at most one.
    Published,
    /// Was the promise once.
    Superseded,
    /// Discarded.
    Rejected,
}

/// A plan in a list: without its placements.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanListed {
    /// Never changes.
    pub id: Uuid,
    /// Counts from 1 in the company.
    pub number: i64,
    /// What it is.
    pub status: PlanStatusDto,
    /// The instant it was made for.
    pub made_for: DateTime<Utc>,
    /// When it was stored.
    pub created_at: DateTime<Utc>,
    /// When it became the promise.
    pub published_at: Option<DateTime<Utc>>,
    /// When another plan became the promise, or it was rejected.
    pub ended_at: Option<DateTime<Utc>>,
    /// Whether its placements are still there: those of rejected plans never are, those of plans that ended long ago are thrown
    /// away.
    pub placements_kept: bool,
    /// From what it started.
    pub basis: BasisDto,
    /// Seed of the search.
    pub seed: u64,
    /// Moves the search was allowed.
    pub move_budget: u64,
    /// By parts.
    pub cost: PlanCostDto,
    /// No plan for the same input costs less.
    pub lower_bound: i64,
    /// (cost - lower bound) / cost, to the hundredth.
    pub gap_percent: f64,
    /// Steps left out.
    pub unplaced_steps: usize,
    /// Where it rests on weather past the forecasts, as they were when it was made.
    pub guesses: Vec<GuessDto>,
}

/// A whole plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanView {
    /// All but the placements.
    #[serde(flatten)]
    pub plan: PlanListed,
    /// Who does what when: by job and then by start.
    pub placements: Vec<PlacementDto>,
    /// Steps left out, and why.
    pub unplaced: Vec<UnplacedDto>,
    /// For `ETag`.
    #[serde(skip)]
    pub version: i64,
}

impl PlanListed {
    pub(super) fn of(head: &PlanHead) -> Result<PlanListed, ServiceError> {
        let doc: PlanDoc = head.doc.parse()?;
        let total = head.cost_total;
        let gap = if total > 0 { (total - head.lower_bound) as f64 / total as f64 } else { 0.0 };
        Ok(PlanListed {
            id: head.id,
            number: head.number,
            status: match head.status {
                PlanStatus::Draft => PlanStatusDto::Draft,
                PlanStatus::Published => PlanStatusDto::Published,
                PlanStatus::Superseded => PlanStatusDto::Superseded,
                PlanStatus::Rejected => PlanStatusDto::Rejected,
            },
            made_for: head.made_for,
            created_at: head.created_at,
            published_at: head.published_at,
            ended_at: head.ended_at,
            placements_kept: head.placements_kept,
            basis: doc.basis,
            seed: head.seed,
            move_budget: head.move_budget,
            cost: doc.cost,
            lower_bound: head.lower_bound,
            gap_percent: (gap * 10_000.0).round() / 100.0,
            unplaced_steps: doc.unplaced.len(),
            guesses: doc.guesses,
        })
    }
}

impl Service {
    /// A page of plans, newest first, with numbers below `before`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn plans(
        &self,
        session: &mut Session,
        before: Option<i64>,
        limit: u32,
    ) -> Result<Vec<PlanListed>, ServiceError> {
        session.plans(before, limit).await?.iter().map(PlanListed::of).collect()
    }

    /// One plan.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn plan(&self, session: &mut Session, id: Uuid) -> Result<PlanView, ServiceError> {
        let head = session.plan(id).await?;
        self.plan_view(session, head).await
    }

    /// The promise, if there is one.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn published_plan(&self, session: &mut Session) -> Result<PlanView, ServiceError> {
        match session.published_plan().await? {
            Some(head) => self.plan_view(session, head).await,
            None => Err(StoreError::NotFound { what: "published plan" }.into()),
        }
    }

    /// The promise as it is sent, worked out once for as long as neither it nor what it names changes: that raises the
    /// revision of calendars, too, which name the same. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn rendered_published_plan(&self, session: &mut Session) -> Result<Arc<Rendered>, ServiceError> {
        let Some(head) = session.published_plan().await? else {
            return Err(StoreError::NotFound { what: "published plan" }.into());
        };
        let (company, (revision, _)) = (session.company(), session.feed_revision().await?);
        let state = format!("{}.{}-{revision}", head.number, head.version);
        if let Some(known) = self.plans_kept.get(&company, &state) {
            return Ok(known);
        }
        let json = serde_json::to_vec(&self.plan_view(session, head).await?).map_err(StoreError::BadDocument)?;
        Ok(self.plans_kept.put(company, company, state, json))
    }

    /// Discards the draft at `version`.
    ///
    /// # Errors
    /// `NotFound`, `NotADraft`, `Stale`.
    pub async fn reject_plan(
        &self,
        session: &mut Session,
        id: Uuid,
        version: i64,
    ) -> Result<(PlanListed, i64), ServiceError> {
        let head = session.reject_plan(id, version).await?;
        let plan = PlanListed::of(&head)?;
        self.tell_draft(session, NoticeKind::PlanRejected, &plan)?;
        Ok((plan, head.version))
    }

    pub(super) async fn plan_view(&self, session: &mut Session, head: PlanHead) -> Result<PlanView, ServiceError> {
        let rows = session.plan_rows(head.id).await?;
        let jobs = rows.iter().map(|row| row.job_id).collect();
        let crews = rows.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(session, jobs, crews).await?;
        let doc: PlanDoc = head.doc.parse()?;
        let mut placements = Vec::new();
        let mut order: Vec<&[PlanRow]> = rows.chunk_by(same_step).collect();
        order.sort_by_key(|pieces| (pieces[0].job_id, pieces[0].start));
        for pieces in order {
            placements.extend(placement(pieces, &directory, head.made_for)?);
        }
        let plan = PlanListed::of(&head)?;
        Ok(PlanView { plan, placements, unplaced: doc.unplaced, version: head.version })
    }
}

pub(super) fn same_step(a: &PlanRow, b: &PlanRow) -> bool {
    (a.job_id, &a.step_key) == (b.job_id, &b.step_key)
}

pub(super) fn cause(row: &PlanRow) -> Result<Option<CauseDto>, ServiceError> {
    let parsed = row.moved_because.as_deref().map(serde_json::from_str).transpose();
    Ok(parsed.map_err(StoreError::BadDocument)?)
}

/// With everything that people want to see beside it.
fn placement(
    pieces: &[PlanRow],
    directory: &Directory,
    made_for: DateTime<Utc>,
) -> Result<Option<PlacementDto>, ServiceError> {
    let (first, last) = (&pieces[0], &pieces[pieces.len() - 1]);
    let Some(known) = directory.step(first.job_id, &first.step_key) else { return Ok(None) };
    let Some(crew) = directory.crew(first.crew_id) else { return Ok(None) };
    let piece = |row: &PlanRow| PieceDto {
        start: wire::local(known.zone, row.start),
        finish: wire::local(known.zone, row.end),
    };
    let shown = pieces.iter().map(piece).collect();
    Ok(Some(PlacementDto {
        gear: snapshot::gear(first.units.as_ref())?,
        moved_because: cause(first)?,
        start: Some(wire::local(known.zone, first.start)),
        finish: Some(wire::local(known.zone, last.end)),
        state: Some(state(first.fixed, last.end, made_for)),
        kind: Some(known.step.kind),
        house: Some(known.house.key.clone()),
        job_name: Some(known.job.name.clone()),
        step_name: Some(known.step.name.clone()),
        house_name: Some(known.house.name.clone()),
        crew_name: Some(crew.name.clone()),
        ..snapshot::placement(&known.job.key, &first.step_key, &crew.key, shown)
    }))
}

/// A step that was running when the plan was made ends after that; one that was done does not.
pub(super) fn state(fixed: bool, end: DateTime<Utc>, made_for: DateTime<Utc>) -> PlacedStateDto {
    match fixed {
        false => PlacedStateDto::Planned,
        true if end > made_for => PlacedStateDto::Running,
        true => PlacedStateDto::Done,
    }
}
