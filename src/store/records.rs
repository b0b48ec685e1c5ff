//! What happened on the floor: appended, never changed. What a series of records means for a step is for the domain.

use super::{Document, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// What was reported of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, sqlx::Type)]
#[sqlx(type_name = "text", rename_all = "snake_case")]
pub enum RecordOutcome {
    /// Begun and not finished.
    Running,
    /// Finished; for a check: finished and passed.
    Done,
    /// A check that did not pass.
    Failed,
    /// Left before its end.
    Paused,
}

/// What to append.
#[derive(Debug, Clone)]
pub struct NewRecord {
    /// Which job.
    pub job_id: Uuid,
    /// Which step of its chain.
    pub step_key: String,
    /// How many records of this step the reporter has seen.
    pub seen: i32,
    /// Who did it.
    pub crew_id: Uuid,
    /// What.
    pub outcome: RecordOutcome,
    /// When it began.
    pub started_at: DateTime<Utc>,
    /// When it ended; `None` exactly while it runs.
    pub finished_at: Option<DateTime<Utc>>,
    /// When it will end, while it runs.
    pub expected_finish_at: Option<DateTime<Utc>>,
    /// Readings and remarks.
    pub doc: Document,
    /// When it was reported.
    pub recorded_at: DateTime<Utc>,
    /// Who reported it, for people.
    pub recorded_by: String,
}

/// What was appended.
#[derive(Debug, Clone, FromRow)]
pub struct RecordRow {
    /// Rising with time.
    pub id: Uuid,
    /// Which job.
    pub job_id: Uuid,
    /// Which step of its chain.
    pub step_key: String,
    /// Counts from 1 within the step.
    pub record_no: i32,
    /// Who did it.
    pub crew_id: Uuid,
    /// What.
    pub outcome: RecordOutcome,
    /// When it began.
    pub started_at: DateTime<Utc>,
    /// When it ended.
    pub finished_at: Option<DateTime<Utc>>,
    /// When it will end, while it runs.
    pub expected_finish_at: Option<DateTime<Utc>>,
    /// Readings and remarks.
    pub doc: Document,
    /// When it was reported.
    pub recorded_at: DateTime<Utc>,
    /// Who reported it.
    pub recorded_by: String,
}

impl Session {
    /// Appends one record. Of two that have seen the same history, one is `Stale`.
    ///
    /// # Errors
    /// `Stale` (`current` is the number of records now), `DanglingChain`, `UnknownReference`.
    pub async fn append_record(&mut self, new: &NewRecord) -> Result<RecordRow, StoreError> {
        let appended = sqlx::query_as(
            "INSERT INTO step_record (company_id, job_id, step_key, record_no, id, crew_id, outcome, started_at,
                                      finished_at, expected_finish_at, doc, recorded_at, recorded_by)
             SELECT $1, $2, $3, $4 + 1, $5, $6, $7, $8, $9, $10, $11, $12, $13
             WHERE $4 = (SELECT count(*) FROM step_record WHERE company_id = $1 AND job_id = $2 AND step_key = $3)
             ON CONFLICT (company_id, job_id, step_key, record_no) DO NOTHING
             RETURNING id, job_id, step_key, record_no, crew_id, outcome, started_at, finished_at, expected_finish_at,
                       doc, recorded_at, recorded_by",
        )
        .bind(self.company.0)
        .bind(new.job_id)
        .bind(&new.step_key)
        .bind(new.seen)
        .bind(super::new_id())
        .bind(new.crew_id)
        .bind(new.outcome)
        .bind(new.started_at)
        .bind(new.finished_at)
        .bind(new.expected_finish_at)
        .bind(&new.doc)
        .bind(new.recorded_at)
        .bind(&new.recorded_by)
        .fetch_optional(self.db())
        .await?;
        if let Some(row) = appended {
            return Ok(row);
        }
        Err(StoreError::Stale { current: self.record_count(new.job_id, &new.step_key).await? })
    }

    /// How many records a step has.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn record_count(&mut self, job: Uuid, step: &str) -> Result<i64, StoreError> {
        Ok(sqlx::query_scalar(
            "SELECT count(*) FROM step_record WHERE company_id = $1 AND job_id = $2 AND step_key = $3",
        )
        .bind(self.company.0)
        .bind(job)
        .bind(step)
        .fetch_one(self.db())
        .await?)
    }

    /// All records of one job that are heeded, by step and oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn records_of_job(&mut self, job: Uuid) -> Result<Vec<RecordRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, job_id, step_key, record_no, crew_id, outcome, started_at, finished_at, expected_finish_at, doc,
                    recorded_at, recorded_by
             FROM step_record r
             WHERE company_id = $1 AND job_id = $2 AND record_no >= coalesce((
                 SELECT max(from_no) FROM step_restated s
                 WHERE (s.company_id, s.job_id, s.step_key) = (r.company_id, r.job_id, r.step_key)), 1)
             ORDER BY step_key, record_no",
        )
        .bind(self.company.0)
        .bind(job)
        .fetch_all(self.db())
        .await?)
    }

    /// All records of these jobs that are heeded, by job and step and oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn records_of_jobs(&mut self, jobs: &[Uuid]) -> Result<Vec<RecordRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, job_id, step_key, record_no, crew_id, outcome, started_at, finished_at, expected_finish_at, doc,
                    recorded_at, recorded_by
             FROM step_record r
             WHERE company_id = $1 AND job_id = ANY($2) AND record_no >= coalesce((
                 SELECT max(from_no) FROM step_restated s
                 WHERE (s.company_id, s.job_id, s.step_key) = (r.company_id, r.job_id, r.step_key)), 1)
             ORDER BY job_id, step_key, record_no",
        )
        .bind(self.company.0)
        .bind(jobs)
        .fetch_all(self.db())
        .await?)
    }

    /// All records of all open jobs that are heeded, by job and step and oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn records_of_open_jobs(&mut self) -> Result<Vec<RecordRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT r.id, r.job_id, r.step_key, r.record_no, r.crew_id, r.outcome, r.started_at, r.finished_at,
                    r.expected_finish_at, r.doc, r.recorded_at, r.recorded_by
             FROM step_record r JOIN job j ON (j.company_id, j.id) = (r.company_id, r.job_id)
             WHERE r.company_id = $1 AND j.status = 'open' AND r.record_no >= coalesce((
                 SELECT max(from_no) FROM step_restated s
                 WHERE (s.company_id, s.job_id, s.step_key) = (r.company_id, r.job_id, r.step_key)), 1)
             ORDER BY r.job_id, r.step_key, r.record_no",
        )
        .bind(self.company.0)
        .fetch_all(self.db())
        .await?)
    }
}
