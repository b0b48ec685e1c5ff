//! Events as they are shown.

use super::super::{Service, ServiceError, wire};
use crate::domain::zone::Zone;
use crate::dto::FaultDto;
use crate::store::{EventFilter, EventRow, EventStanding, Session, StoreError};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// Whether an event is heeded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EventStandingDto {
    /// It has changed what is known.
    Applied,
    /// It tells what was known already.
    Known,
    /// A later word was known when it came; that word counts.
    Overtaken,
    /// Something that comes before it has not been told. It is applied by itself when that is.
    Waiting,
    /// It cannot be so as well as what is known. Somebody has to look.
    Contradicts,
}

impl From<EventStanding> for EventStandingDto {
    fn from(standing: EventStanding) -> EventStandingDto {
        match standing {
            EventStanding::Applied => EventStandingDto::Applied,
            EventStanding::Known => EventStandingDto::Known,
            EventStanding::Overtaken => EventStandingDto::Overtaken,
            EventStanding::Waiting => EventStandingDto::Waiting,
            EventStanding::Contradicts => EventStandingDto::Contradicts,
        }
    }
}

impl From<EventStandingDto> for EventStanding {
    fn from(standing: EventStandingDto) -> EventStanding {
        match standing {
            EventStandingDto::Applied => EventStanding::Applied,
            EventStandingDto::Known => EventStanding::Known,
            EventStandingDto::Overtaken => EventStanding::Overtaken,
            EventStandingDto::Waiting => EventStanding::Waiting,
            EventStandingDto::Contradicts => EventStanding::Contradicts,
        }
    }
}

/// An event as it is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct EventView {
    /// As the sender made it.
    pub id: Uuid,
    /// Counts from 1 in the company, in the order of telling.
    pub number: i64,
    /// What kind.
    #[schema(example = "step_finished")]
    pub kind: String,
    /// What it is about: noun and key.
    #[schema(example = "job/linden-4-floors")]
    pub about: String,
    /// When it happened, local to the office.
    pub at: String,
    /// Whether it is heeded.
    pub standing: EventStandingDto,
    /// Why it is not applied: what it waits for, or what stands against it and who said so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<FaultDto>,
    /// For people.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// What was told, with its `kind`.
    #[schema(value_type = Object)]
    pub event: Value,
    /// When it was told.
    pub recorded_at: DateTime<Utc>,
    /// Who told it.
    pub recorded_by: String,
    /// Whether it had been told before.
    pub replayed: bool,
}

/// Which events.
#[derive(Debug, Clone, Default)]
pub struct EventPage {
    /// Key of a job: only about it.
    pub job: Option<String>,
    /// Only of this kind.
    pub kind: Option<String>,
    /// Only those that stand so.
    pub standing: Option<EventStandingDto>,
    /// Only with higher numbers.
    pub since: Option<i64>,
}

/// What of an event has no column of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct EventDoc {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) note: Option<String>,
    /// With its `kind`.
    pub(super) event: Value,
}

pub(super) fn view(row: &EventRow, office: Zone, replayed: bool) -> Result<EventView, ServiceError> {
    let doc: EventDoc = row.doc.parse()?;
    Ok(EventView {
        id: row.id,
        number: row.number,
        kind: row.kind.clone(),
        about: row.subject.clone(),
        at: wire::local(office, row.happened_at),
        standing: row.standing.into(),
        reason: row.reason.as_ref().map(|reason| reason.parse()).transpose()?,
        note: doc.note,
        event: doc.event,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by.clone(),
        replayed,
    })
}

impl Service {
    /// A page of events, newest first, with numbers below `before`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn events(
        &self,
        session: &mut Session,
        page: &EventPage,
        before: Option<i64>,
        limit: u32,
    ) -> Result<Vec<EventView>, ServiceError> {
        let office = super::super::companies::office_zone(&session.company_row().await?)?;
        let filter = EventFilter {
            subject: page.job.as_ref().map(|key| format!("job/{key}")),
            kind: page.kind.clone(),
            standing: page.standing.map(Into::into),
            since: page.since,
        };
        session.events(&filter, before, limit).await?.iter().map(|row| view(row, office, false)).collect()
    }

    /// One event.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn event(&self, session: &mut Session, id: Uuid) -> Result<EventView, ServiceError> {
        let office = super::super::companies::office_zone(&session.company_row().await?)?;
        let row = session.event(id).await?.ok_or(StoreError::NotFound { what: "event" })?;
        view(&row, office, false)
    }
}
