//! What the dispatcher fixed by hand, a step at a time; and which pins stand in the way when not all can be kept.

use super::planning::audited;
use super::snapshot::Snapshot;
use super::{Service, ServiceError, StoredJob};
use crate::domain::fault::Fault;
use crate::domain::ids::StepRef;
use crate::dto::PinDto;
use crate::planner::{PinsToDrop, Request, pins_to_drop};
use crate::store::{CompanyId, Session, StoreError};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What is fixed on one step. At least one of the members.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PinBody {
    /// Only this crew, by key.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Exactly then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub start: Option<String>,
    /// Not earlier than this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub not_before: Option<String>,
    /// It starts on this calendar day in the house's zone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = Date, example = "2026-03-12")]
    pub day: Option<String>,
}

/// A pin of a job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct PinnedView {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// What is fixed.
    pub pin: PinDto,
}

/// Whether all pins can be kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct PinConflictView {
    /// Every step that could be placed without any pins has its place with all of them.
    pub kept: bool,
    /// Steps that have no place with all pins.
    pub unplaced_with: usize,
    /// Steps that have no place once those are dropped.
    pub unplaced_without: usize,
    /// Without these every step that can have a place has one, by job and step.
    pub drop: Vec<PinnedView>,
    /// No smaller set of pins would do. Otherwise none of these can be left in, but there were too many to try all sets.
    pub smallest: bool,
}

impl Service {
    /// Pins of a job.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn pins(&self, session: &mut Session, job: &str) -> Result<Vec<PinDto>, ServiceError> {
        Ok(self.job(session, job).await?.view.job.pins)
    }

    /// Fixes one step of the job at `version`; `None` frees it.
    ///
    /// # Errors
    /// `NotFound`, `Stale`, `Invalid`.
    pub async fn pin_step(
        &self,
        session: &mut Session,
        job: &str,
        version: i64,
        step: &str,
        body: Option<PinBody>,
    ) -> Result<StoredJob, ServiceError> {
        let mut pins = self.pins(session, job).await?;
        let before = pins.len();
        pins.retain(|pin| pin.step != step);
        match body {
            None if pins.len() == before => return Err(StoreError::NotFound { what: "pin" }.into()),
            None => {}
            Some(PinBody { crew: None, start: None, not_before: None, day: None }) => {
                let cure = "give crew, day, start or not_before, or delete the pin";
                return Err(ServiceError::fault("", Fault::new("empty-pin", "the pin fixes nothing", cure)));
            }
            Some(PinBody { crew, start, not_before, day }) => {
                pins.push(PinDto { step: step.to_owned(), crew, start, not_before, day });
            }
        }
        let pins = serde_json::to_value(&pins).map_err(StoreError::BadDocument)?;
        let patched = self.patch_job(session, job, version, serde_json::json!({ "pins": pins })).await;
        // Told of the job's list of pins, which the asker has not sent.
        patched.map_err(|error| match error {
            ServiceError::Invalid(mut faults) => {
                for fault in &mut faults {
                    let own = fault.pointer.strip_prefix("/pins/").and_then(|rest| rest.split_once('/'));
                    fault.pointer = own.map_or_else(String::new, |(_, member)| format!("/{member}"));
                }
                ServiceError::Invalid(faults)
            }
            other => other,
        })
    }

    /// Whether all pins can be kept, and if not, which ones to drop.
    ///
    /// # Errors
    /// `CannotPlan`, `PlanningBusy`.
    pub async fn pin_conflict(&self, company: CompanyId) -> Result<PinConflictView, ServiceError> {
        let turn = self.turn().await?;
        let mut session = self.store.snapshot(company).await?;
        let snapshot = Snapshot::load(&mut session, self.now_minute()).await?;
        drop(session);
        let found = tokio::task::spawn_blocking(move || {
            let found = conflict(&snapshot);
            drop(turn);
            found
        });
        found.await?
    }
}

fn conflict(snapshot: &Snapshot) -> Result<PinConflictView, ServiceError> {
    let situation = snapshot.situation()?;
    let request = Request::new().with_moves(0);
    let found = pins_to_drop(&situation, request);
    let unplaced_with = audited(&situation, request)?.unplaced.len();
    let unplaced_without = match &found {
        Some(found) => audited(&situation.without_pins(&found.steps), request)?.unplaced.len(),
        None => unplaced_with,
    };
    let kept = found.is_none();
    let (steps, smallest) = found.map_or((Vec::new(), true), |PinsToDrop { steps, is_smallest }| (steps, is_smallest));
    let view = |step: &StepRef| {
        let job = &snapshot.file.jobs[step.job.index()];
        let key = situation.jobs[step.job.index()].chain.step(step.step).key.as_str();
        let pin = job.pins.iter().find(|pin| pin.step == key)?.clone();
        Some(PinnedView { job: job.key.clone(), job_name: job.name.clone(), pin })
    };
    let drop = steps.iter().filter_map(view).collect();
    Ok(PinConflictView { kept, unplaced_with, unplaced_without, drop, smallest })
}
