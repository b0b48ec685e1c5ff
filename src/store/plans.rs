//! Plans and their rows, drafts and old ones. Which plan is the promise is changed in `publish`.

use super::copy::copy_rows;
use super::{Document, PlanRow, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::postgres::PgRow;
use sqlx::{FromRow, PgConnection, Row};
use std::collections::BTreeSet;
use uuid::Uuid;

/// What a plan is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, sqlx::Type)]
#[sqlx(type_name = "text", rename_all = "snake_case")]
pub enum PlanStatus {
    /// Proposed.
    Draft,
    /// The promise: one per company.
    Published,
    /// Was the promise once.
    Superseded,
    /// Discarded; its rows are gone.
    Rejected,
}

/// What to store, besides the rows.
#[derive(Debug, Clone)]
pub struct NewPlan {
    /// The instant it was made for.
    pub made_for: DateTime<Utc>,
    /// Seed of the search.
    pub seed: u64,
    /// Moves the search was allowed.
    pub move_budget: u64,
    /// Sum of the cost's parts.
    pub cost_total: i64,
    /// No plan for this input costs less.
    pub lower_bound: i64,
    /// Fingerprint of the input.
    pub input_sha256: [u8; 32],
    /// Cost by parts, unplaced steps and why.
    pub doc: Document,
}

/// A stored plan without its rows.
#[derive(Debug, Clone)]
pub struct PlanHead {
    /// Rising with time.
    pub id: Uuid,
    /// Counts from 1 in the company.
    pub number: i64,
    /// What it is.
    pub status: PlanStatus,
    /// The instant it was made for.
    pub made_for: DateTime<Utc>,
    /// Seed of the search.
    pub seed: u64,
    /// Moves the search was allowed.
    pub move_budget: u64,
    /// Sum of the cost's parts.
    pub cost_total: i64,
    /// No plan for this input costs less.
    pub lower_bound: i64,
    /// Fingerprint of the input.
    pub input_sha256: Vec<u8>,
    /// Pieces of work.
    pub row_count: i32,
    /// Cost by parts, unplaced steps and why.
    pub doc: Document,
    /// When it was stored.
    pub created_at: DateTime<Utc>,
    /// When it became the promise.
    pub published_at: Option<DateTime<Utc>>,
    /// When another became the promise, or it was rejected.
    pub ended_at: Option<DateTime<Utc>>,
    /// Whether its rows are there.
    pub placements_kept: bool,
    /// Rises with every change.
    pub version: i64,
}

impl FromRow<'_, PgRow> for PlanHead {
    fn from_row(row: &PgRow) -> Result<PlanHead, sqlx::Error> {
        Ok(PlanHead {
            id: row.try_get("id")?,
            number: row.try_get("number")?,
            status: row.try_get("status")?,
            made_for: row.try_get("made_for")?,
            // PostgreSQL has no unsigned numbers: the bits are kept.
            seed: row.try_get::<i64, _>("seed")?.cast_unsigned(),
            move_budget: row.try_get::<i64, _>("move_budget")?.cast_unsigned(),
            cost_total: row.try_get("cost_total")?,
            lower_bound: row.try_get("lower_bound")?,
            input_sha256: row.try_get("input_sha256")?,
            row_count: row.try_get("row_count")?,
            doc: row.try_get("doc")?,
            created_at: row.try_get("created_at")?,
            published_at: row.try_get("published_at")?,
            ended_at: row.try_get("ended_at")?,
            placements_kept: row.try_get("placements_kept")?,
            version: row.try_get("version")?,
        })
    }
}

impl FromRow<'_, PgRow> for PlanRow {
    fn from_row(row: &PgRow) -> Result<PlanRow, sqlx::Error> {
        Ok(PlanRow {
            job_id: row.try_get("job_id")?,
            step_key: row.try_get("step_key")?,
            piece_no: row.try_get("piece_no")?,
            run_key: row.try_get("run_key")?,
            crew_id: row.try_get("crew_id")?,
            start: row.try_get("start_at")?,
            end: row.try_get("end_at")?,
            fixed: row.try_get("fixed")?,
            units: row.try_get("units")?,
            moved_because: row.try_get("moved_because")?,
        })
    }
}

impl Session {
    /// Stores a draft with its rows.
    ///
    /// # Errors
    /// `DanglingChain`, `UnknownReference`.
    pub async fn insert_plan(&mut self, new: &NewPlan, rows: &[PlanRow]) -> Result<PlanHead, StoreError> {
        let head = self.insert_plan_head(super::new_id(), new, rows.len()).await?;
        copy_rows(self.db(), rows).await?;
        sqlx::query(
            "INSERT INTO plan_row (company_id, plan_id, job_id, step_key, piece_no, run_key, crew_id, during, fixed,
                                   units, moved_because)
             SELECT $1, $2, job_id, step_key, piece_no, run_key, crew_id, during, fixed, units, moved_because
             FROM pg_temp.incoming_row",
        )
        .bind(self.company.0)
        .bind(head.id)
        .execute(self.db())
        .await?;
        sqlx::query(
            "INSERT INTO plan_job (company_id, plan_id, job_id, rows_of)
             SELECT DISTINCT $1, $2, job_id, $2 FROM pg_temp.incoming_row",
        )
        .bind(self.company.0)
        .bind(head.id)
        .execute(self.db())
        .await?;
        Ok(head)
    }

    /// As [`Session::insert_plan`], of a plan that differs from the stored plan `base` in few jobs: what it has in
    /// `touched` jobs is written, everything else is shared. Jobs that `rows` say nothing about are not in the plan.
    ///
    /// # Errors
    /// As there.
    pub async fn insert_plan_beside(
        &mut self,
        new: &NewPlan,
        rows: &[PlanRow],
        (base, touched): (Uuid, &BTreeSet<Uuid>),
    ) -> Result<PlanHead, StoreError> {
        let head = self.insert_plan_head(super::new_id(), new, rows.len()).await?;
        let jobs: BTreeSet<Uuid> = rows.iter().map(|row| row.job_id).collect();
        let kept: Vec<Uuid> = jobs.difference(touched).copied().collect();
        let shared: Vec<Uuid> = sqlx::query_scalar(
            "INSERT INTO plan_job (company_id, plan_id, job_id, rows_of)
             SELECT company_id, $2, job_id, rows_of FROM plan_job
             WHERE company_id = $1 AND plan_id = $3 AND job_id = ANY($4) RETURNING job_id",
        )
        .bind(self.company.0)
        .bind(head.id)
        .bind(base)
        .bind(kept)
        .fetch_all(self.db())
        .await?;
        let shared: BTreeSet<Uuid> = shared.into_iter().collect();
        let own: Vec<&PlanRow> = rows.iter().filter(|row| !shared.contains(&row.job_id)).collect();
        let company = self.company.0;
        insert_rows(self.db(), (company, head.id), &own).await?;
        sqlx::query(
            "INSERT INTO plan_job (company_id, plan_id, job_id, rows_of)
             SELECT $1, $2, job_id, $2 FROM unnest($3::uuid[]) AS own (job_id)",
        )
        .bind(self.company.0)
        .bind(head.id)
        .bind(jobs.difference(&shared).copied().collect::<Vec<Uuid>>())
        .execute(self.db())
        .await?;
        Ok(head)
    }

    /// The number comes from the company's row, which is held from here on: plans of one company are stored one after
    /// the other.
    async fn insert_plan_head(&mut self, id: Uuid, new: &NewPlan, rows: usize) -> Result<PlanHead, StoreError> {
        sqlx::query_as(
            "WITH company AS (UPDATE company SET plan_count = plan_count + 1 WHERE id = $1 RETURNING plan_count)
             INSERT INTO plan (company_id, id, number, made_for, seed, move_budget, cost_total, lower_bound,
                               input_sha256, row_count, doc)
             SELECT $1, $2, plan_count, $3, $4, $5, $6, $7, $8, $9, $10 FROM company RETURNING *",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(new.made_for)
        .bind(new.seed.cast_signed())
        .bind(new.move_budget.cast_signed())
        .bind(new.cost_total)
        .bind(new.lower_bound)
        .bind(&new.input_sha256[..])
        .bind(i32::try_from(rows).unwrap_or(i32::MAX))
        .bind(&new.doc)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "company" })
    }

    /// One plan.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn plan(&mut self, id: Uuid) -> Result<PlanHead, StoreError> {
        sqlx::query_as("SELECT * FROM plan WHERE company_id = $1 AND id = $2")
            .bind(self.company.0)
            .bind(id)
            .fetch_optional(self.db())
            .await?
            .ok_or(StoreError::NotFound { what: "plan" })
    }

    /// The promise, if anything was published yet.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn published_plan(&mut self) -> Result<Option<PlanHead>, StoreError> {
        let query = sqlx::query_as("SELECT * FROM plan WHERE company_id = $1 AND status = 'published'");
        Ok(query.bind(self.company.0).fetch_optional(self.db()).await?)
    }

    /// Up to `limit` plans, newest first, with numbers below `before`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn plans(&mut self, before: Option<i64>, limit: u32) -> Result<Vec<PlanHead>, StoreError> {
        let page =
            sqlx::query_as("SELECT * FROM plan WHERE company_id = $1 AND number < $2 ORDER BY number DESC LIMIT $3");
        let page = page.bind(self.company.0).bind(before.unwrap_or(i64::MAX)).bind(i64::from(limit));
        Ok(page.fetch_all(self.db()).await?)
    }

    /// All rows of one plan, by job, step and piece.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn plan_rows(&mut self, plan: Uuid) -> Result<Vec<PlanRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT job_id, step_key, piece_no, run_key, crew_id, lower(during) AS start_at, upper(during) AS end_at,
                    fixed, units, moved_because
             FROM plan_piece WHERE company_id = $1 AND plan_id = $2 ORDER BY job_id, step_key, piece_no",
        )
        .bind(self.company.0)
        .bind(plan)
        .fetch_all(self.db())
        .await?)
    }

    /// Discards the draft at `version`: it stays in the list, its rows go.
    ///
    /// # Errors
    /// `NotFound`, `NotADraft`, `Stale`.
    pub async fn reject_plan(&mut self, id: Uuid, version: i64) -> Result<PlanHead, StoreError> {
        let rejected = sqlx::query_as(
            "UPDATE plan SET status = 'rejected', ended_at = now(), placements_kept = false, version = version + 1
             WHERE company_id = $1 AND id = $2 AND version = $3 AND status = 'draft' RETURNING *",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(version)
        .fetch_optional(self.db())
        .await?;
        let Some(head) = rejected else { return Err(self.why_no_draft(id).await?) };
        self.delete_plan_rows(&[id]).await?;
        Ok(head)
    }

    /// Of plans that were never published, so that nobody shares them.
    pub(super) async fn delete_plan_rows(&mut self, plans: &[Uuid]) -> Result<(), StoreError> {
        for statement in [
            "DELETE FROM plan_job WHERE company_id = $1 AND plan_id = ANY($2)",
            "DELETE FROM plan_row WHERE company_id = $1 AND plan_id = ANY($2)",
        ] {
            sqlx::query(statement).bind(self.company.0).bind(plans).execute(self.db()).await?;
        }
        Ok(())
    }

    pub(super) async fn why_no_draft(&mut self, id: Uuid) -> Result<StoreError, StoreError> {
        let head = self.plan(id).await?;
        Ok(match head.status {
            PlanStatus::Draft => StoreError::Stale { current: head.version },
            PlanStatus::Published => StoreError::NotADraft { status: "published".into() },
            PlanStatus::Superseded => StoreError::NotADraft { status: "superseded".into() },
            PlanStatus::Rejected => StoreError::NotADraft { status: "rejected".into() },
        })
    }
}

/// Few rows: for them a COPY through another table would be the larger part of the work.
async fn insert_rows(
    db: &mut PgConnection,
    (company, plan): (Uuid, Uuid),
    rows: &[&PlanRow],
) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO plan_row (company_id, plan_id, job_id, step_key, piece_no, run_key, crew_id, during, fixed, units,
                               moved_because)
         SELECT $1, $2, job_id, step_key, piece_no, run_key, crew_id, tstzrange(starts, ends), fixed, units, moved_because
         FROM unnest($3::uuid[], $4::text[], $5::int[], $6::text[], $7::uuid[], $8::timestamptz[], $9::timestamptz[],
                     $10::bool[], $11::jsonb[], $12::text[])
              AS own (job_id, step_key, piece_no, run_key, crew_id, starts, ends, fixed, units, moved_because)",
    )
    .bind(company)
    .bind(plan)
    .bind(rows.iter().map(|row| row.job_id).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.step_key.as_str()).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.piece_no).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.run_key.as_str()).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.crew_id).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.start).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.end).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.fixed).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.units.clone()).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.moved_because.as_deref()).collect::<Vec<_>>())
    .execute(db)
    .await?;
    Ok(())
}
