//! What happened, as it was told: appended and numbered in the order of commits. What an event means is for the service.

use super::{Document, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// Whether an event is heeded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, sqlx::Type)]
#[sqlx(type_name = "text", rename_all = "snake_case")]
pub enum EventStanding {
    /// It has changed what is known.
    Applied,
    /// It tells what was known already.
    Known,
    /// A later word was known when it came.
    Overtaken,
    /// Something that comes before it has not been told.
    Waiting,
    /// It cannot be so as well as what is known.
    Contradicts,
}

/// What to append.
#[derive(Debug, Clone)]
pub struct NewEvent {
    /// Made by the sender.
    pub id: Uuid,
    /// What kind.
    pub kind: String,
    /// Noun and key, as `crew/north`.
    pub subject: String,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When it was told.
    pub recorded_at: DateTime<Utc>,
    /// Who told it, for people.
    pub recorded_by: String,
    /// What was told.
    pub doc: Document,
    /// The subject's document from which later events are counted.
    pub base: Option<Document>,
    /// Whether it is heeded.
    pub standing: EventStanding,
    /// Why not.
    pub reason: Option<Document>,
    /// Whether it only copies another change into the history.
    pub copied: bool,
}

/// What was appended.
#[derive(Debug, Clone, FromRow)]
pub struct EventRow {
    /// See [`NewEvent::id`].
    pub id: Uuid,
    /// Counts from 1 in the company.
    pub number: i64,
    /// What kind.
    pub kind: String,
    /// Noun and key.
    pub subject: String,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When it was told.
    pub recorded_at: DateTime<Utc>,
    /// Who told it.
    pub recorded_by: String,
    /// What was told.
    pub doc: Document,
    /// Whether it is heeded.
    pub standing: EventStanding,
    /// Why not.
    pub reason: Option<Document>,
}

/// Which events.
#[derive(Debug, Clone, Default)]
pub struct EventFilter {
    /// Only about this.
    pub subject: Option<String>,
    /// Only of this kind.
    pub kind: Option<String>,
    /// Only those that stand so.
    pub standing: Option<EventStanding>,
    /// Only with higher numbers.
    pub since: Option<i64>,
}

/// A document from which the events of a subject are counted.
#[derive(Debug, Clone, FromRow)]
pub struct EventBase {
    /// Of the event that has it.
    pub number: i64,
    /// The subject as it was then.
    pub base: Document,
}

impl Session {
    /// Appends one event. Holds the company until the transaction ends: numbers come in the order of commits.
    ///
    /// # Errors
    /// `NotFound` for the company; `KeyTaken` when there is an event of this identifier.
    pub async fn append_event(&mut self, new: &NewEvent) -> Result<EventRow, StoreError> {
        let number: Option<i64> =
            sqlx::query_scalar("UPDATE company SET event_count = event_count + 1 WHERE id = $1 RETURNING event_count")
                .bind(self.company.0)
                .fetch_optional(self.db())
                .await?;
        let number = number.ok_or(StoreError::NotFound { what: "company" })?;
        let row: Option<EventRow> = sqlx::query_as(
            "INSERT INTO event (company_id, id, number, kind, subject, happened_at, recorded_at, recorded_by, doc, base,
                                standing, reason, copied)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13) ON CONFLICT (company_id, id) DO NOTHING
             RETURNING id, number, kind, subject, happened_at, recorded_at, recorded_by, doc, standing, reason",
        )
        .bind(self.company.0)
        .bind(new.id)
        .bind(number)
        .bind(&new.kind)
        .bind(&new.subject)
        .bind(new.happened_at)
        .bind(new.recorded_at)
        .bind(&new.recorded_by)
        .bind(&new.doc)
        .bind(&new.base)
        .bind(new.standing)
        .bind(&new.reason)
        .bind(new.copied)
        .fetch_optional(self.db())
        .await?;
        row.ok_or_else(|| StoreError::KeyTaken { what: "event", key: new.id.to_string() })
    }

    /// One event, if it was told.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn event(&mut self, id: Uuid) -> Result<Option<EventRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, number, kind, subject, happened_at, recorded_at, recorded_by, doc, standing, reason
             FROM event WHERE company_id = $1 AND id = $2",
        )
        .bind(self.company.0)
        .bind(id)
        .fetch_optional(self.db())
        .await?)
    }

    /// Changes whether an event is heeded, and why not.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn settle_event(
        &mut self,
        id: Uuid,
        standing: EventStanding,
        reason: Option<&Document>,
    ) -> Result<(), StoreError> {
        let done = sqlx::query("UPDATE event SET standing = $3, reason = $4 WHERE company_id = $1 AND id = $2")
            .bind(self.company.0)
            .bind(id)
            .bind(standing)
            .bind(reason)
            .execute(self.db())
            .await?;
        if done.rows_affected() == 1 { Ok(()) } else { Err(StoreError::NotFound { what: "event" }) }
    }

    /// Up to `limit` events with numbers below `before`, newest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn events(
        &mut self,
        filter: &EventFilter,
        before: Option<i64>,
        limit: u32,
    ) -> Result<Vec<EventRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, number, kind, subject, happened_at, recorded_at, recorded_by, doc, standing, reason FROM event
             WHERE company_id = $1 AND number < $2 AND number > $3 AND ($4::text IS NULL OR subject = $4)
               AND ($5::text IS NULL OR kind = $5) AND ($6::text IS NULL OR standing = $6)
             ORDER BY number DESC LIMIT $7",
        )
        .bind(self.company.0)
        .bind(before.unwrap_or(i64::MAX))
        .bind(filter.since.unwrap_or(0))
        .bind(&filter.subject)
        .bind(&filter.kind)
        .bind(filter.standing)
        .bind(i64::from(limit))
        .fetch_all(self.db())
        .await?)
    }

    /// Events about `subject` that wait, and those with numbers from `from` on that do not contradict what is known, in the
    /// order in which they happened.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn events_about(&mut self, subject: &str, from: i64) -> Result<Vec<EventRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, number, kind, subject, happened_at, recorded_at, recorded_by, doc, standing, reason FROM event
             WHERE company_id = $1 AND subject = $2
               AND (standing = 'waiting' OR number >= $3 AND standing IN ('applied', 'known', 'overtaken'))
             ORDER BY happened_at, id",
        )
        .bind(self.company.0)
        .bind(subject)
        .bind(from)
        .fetch_all(self.db())
        .await?)
    }

    /// The last document from which events about `subject` are counted.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn event_base(&mut self, subject: &str) -> Result<Option<EventBase>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT number, base FROM event WHERE company_id = $1 AND subject = $2 AND base IS NOT NULL
             ORDER BY number DESC LIMIT 1",
        )
        .bind(self.company.0)
        .bind(subject)
        .fetch_optional(self.db())
        .await?)
    }

    /// From now on only records of this step that are appended after this are heeded.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn restate_step(&mut self, job: Uuid, step: &str, event: Uuid) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO step_restated (company_id, job_id, step_key, from_no, event_id)
             SELECT $1, $2, $3, max(record_no) + 1, $4 FROM step_record
             WHERE company_id = $1 AND job_id = $2 AND step_key = $3 HAVING count(*) > 0
             ON CONFLICT DO NOTHING",
        )
        .bind(self.company.0)
        .bind(job)
        .bind(step)
        .bind(event)
        .execute(self.db())
        .await?;
        Ok(())
    }
}
