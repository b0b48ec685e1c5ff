//! Jobs: a method applied to a house. The chain of steps and waits is in `chains`.

use super::chains::ChainRows;
use super::{Document, NewStep, NewWait, Noun, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// Where a job stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, sqlx::Type)]
#[sqlx(type_name = "text", rename_all = "snake_case")]
pub enum JobStatus {
    /// Planned.
    Open,
    /// Left out of plans for now.
    OnHold,
    /// Called off.
    Cancelled,
    /// Over.
    Finished,
}

/// What to store.
#[derive(Debug, Clone)]
pub struct NewJob {
    /// Unique among all jobs of the company.
    pub key: String,
    /// For people.
    pub name: String,
    /// Where.
    pub house_id: Uuid,
    /// Where the chain was copied from.
    pub method_id: Option<Uuid>,
    /// Nothing of it starts earlier.
    pub release_at: DateTime<Utc>,
    /// When it should be finished.
    pub due_at: Option<DateTime<Utc>>,
    /// Everything else, without steps and waits.
    pub doc: Document,
    /// In the order of the chain, with different keys.
    pub steps: Vec<NewStep>,
    /// Between those steps.
    pub waits: Vec<NewWait>,
}

/// What is stored, without steps and waits.
#[derive(Debug, Clone, FromRow)]
pub struct JobRow {
    /// Rising with time.
    pub id: Uuid,
    /// Unique among all jobs of the company.
    pub key: String,
    /// For people.
    pub name: String,
    /// Where.
    pub house_id: Uuid,
    /// Where the chain was copied from.
    pub method_id: Option<Uuid>,
    /// Where it stands.
    pub status: JobStatus,
    /// Nothing of it starts earlier.
    pub release_at: DateTime<Utc>,
    /// When it should be finished.
    pub due_at: Option<DateTime<Utc>>,
    /// Everything else.
    pub doc: Document,
    /// Rises with every change of the job or its chain.
    pub version: i64,
    /// When it was created.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
}

/// Which jobs to list.
#[derive(Debug, Clone, Copy, Default)]
pub struct JobFilter {
    /// Only these.
    pub status: Option<JobStatus>,
    /// Only of this house.
    pub house_id: Option<Uuid>,
}

impl Session {
    /// Stores a new job, open, with its chain.
    ///
    /// # Errors
    /// `KeyTaken`, `UnknownReference`, `DanglingChain`.
    pub async fn insert_job(&mut self, new: &NewJob) -> Result<JobRow, StoreError> {
        self.hold_house(new.house_id).await?;
        let inserted: Option<JobRow> = sqlx::query_as(
            "INSERT INTO job (company_id, id, key, name, house_id, method_id, release_at, due_at, doc)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT (company_id, key) DO NOTHING
             RETURNING id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at,
                       updated_at",
        )
        .bind(self.company.0)
        .bind(super::new_id())
        .bind(&new.key)
        .bind(&new.name)
        .bind(new.house_id)
        .bind(new.method_id)
        .bind(new.release_at)
        .bind(new.due_at)
        .bind(&new.doc)
        .fetch_optional(self.db())
        .await?;
        let row = inserted.ok_or_else(|| StoreError::KeyTaken { what: "job", key: new.key.clone() })?;
        self.write_chain(row.id, &new.steps, &new.waits).await?;
        Ok(row)
    }

    /// One job, without its chain.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn job(&mut self, id: Uuid) -> Result<JobRow, StoreError> {
        sqlx::query_as(
            "SELECT id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at, updated_at
             FROM job WHERE company_id = $1 AND id = $2",
        )
        .bind(self.company.0)
        .bind(id)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "job" })
    }

    /// One job by key, without its chain.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn job_by_key(&mut self, key: &str) -> Result<JobRow, StoreError> {
        sqlx::query_as(
            "SELECT id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at, updated_at
             FROM job WHERE company_id = $1 AND key = $2",
        )
        .bind(self.company.0)
        .bind(key)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "job" })
    }

    /// As `job_by_key`, once nobody else is changing it or reporting on it; the others wait until the transaction ends.
    /// Whoever changes a job, or reports what may change it, takes it first: so what is read of the job hangs together,
    /// and no two wait for each other (a record locks its step, and a change of the job locks its steps last).
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn hold_job(&mut self, key: &str) -> Result<JobRow, StoreError> {
        sqlx::query_as(
            "SELECT id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at, updated_at
             FROM job WHERE company_id = $1 AND key = $2 FOR NO KEY UPDATE",
        )
        .bind(self.company.0)
        .bind(key)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "job" })
    }

    /// One job with its chain.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn job_with_chain(&mut self, id: Uuid) -> Result<(JobRow, ChainRows), StoreError> {
        let row = self.job(id).await?;
        Ok((row, self.chain(id).await?))
    }

    /// Those of `ids` that there are, by identifier.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn jobs_by_ids(&mut self, ids: &[Uuid]) -> Result<Vec<JobRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at, updated_at
             FROM job WHERE company_id = $1 AND id = ANY($2) ORDER BY id",
        )
        .bind(self.company.0)
        .bind(ids)
        .fetch_all(self.db())
        .await?)
    }

    /// Up to `limit` jobs in the order of creation, after the one with the identifier `after`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn jobs(
        &mut self,
        filter: JobFilter,
        after: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<JobRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at, updated_at
             FROM job
             WHERE company_id = $1 AND id > $2 AND ($3::text IS NULL OR status = $3) AND ($4 IS NULL OR house_id = $4)
             ORDER BY id LIMIT $5",
        )
        .bind(self.company.0)
        .bind(after.unwrap_or_default())
        .bind(filter.status)
        .bind(filter.house_id)
        .bind(i64::from(limit))
        .fetch_all(self.db())
        .await?)
    }

    /// Replaces everything but key and status of the job at `version`, its chain too. Steps that are not in `new` are
    /// taken out of the chain.
    ///
    /// # Errors
    /// `NotFound`, `Stale`, `UnknownReference`, `DanglingChain`; `InUse` when a step would be taken out on which work
    /// has been recorded.
    pub async fn update_job(&mut self, id: Uuid, version: i64, new: &NewJob) -> Result<JobRow, StoreError> {
        self.hold_house(new.house_id).await?;
        let changed: Option<JobRow> = sqlx::query_as(
            "UPDATE job SET name = $4, house_id = $5, method_id = $6, release_at = $7, due_at = $8, doc = $9,
                            version = version + 1, updated_at = now()
             WHERE company_id = $1 AND id = $2 AND version = $3
             RETURNING id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at,
                       updated_at",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(version)
        .bind(&new.name)
        .bind(new.house_id)
        .bind(new.method_id)
        .bind(new.release_at)
        .bind(new.due_at)
        .bind(&new.doc)
        .fetch_optional(self.db())
        .await?;
        let Some(row) = changed else { return Err(StoreError::Stale { current: self.job(id).await?.version }) };
        self.write_chain(id, &new.steps, &new.waits).await?;
        Ok(row)
    }

    /// Changes where the job at `version` stands; returns the new version. What is published of a job that is not open
    /// any more is called off by the next publication.
    ///
    /// # Errors
    /// `NotFound`, `Stale`; `UnknownReference` when an archived house, crew or gear would be needed again.
    pub async fn set_job_status(&mut self, id: Uuid, version: i64, status: JobStatus) -> Result<i64, StoreError> {
        let changed: Option<(i64, Uuid)> = sqlx::query_as(
            "UPDATE job SET status = $4, version = version + 1, updated_at = now()
             WHERE company_id = $1 AND id = $2 AND version = $3 RETURNING version, house_id",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(version)
        .bind(status)
        .fetch_optional(self.db())
        .await?;
        let Some((version, house_id)) = changed else {
            return Err(StoreError::Stale { current: self.job(id).await?.version });
        };
        if matches!(status, JobStatus::Open | JobStatus::OnHold) {
            self.hold_house(house_id).await?;
            self.hold_chain(id).await?;
        }
        Ok(version)
    }

    /// As `hold`, by identifier.
    async fn hold_house(&mut self, id: Uuid) -> Result<(), StoreError> {
        sqlx::query("SELECT 1 FROM house WHERE company_id = $1 AND id = $2 AND archived_at IS NULL FOR SHARE")
            .bind(self.company.0)
            .bind(id)
            .fetch_optional(self.db())
            .await?
            .map(drop)
            .ok_or_else(|| StoreError::UnknownReference { what: Noun::House.word(), key: id.to_string() })
    }
}
