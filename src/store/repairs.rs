//! Repairs of the published plan: what has changed since it was last looked at, whose turn it is to look, and what came
//! of it. Changes are noted by the database itself (see the migration), in the transaction that makes them.

use super::{CompanyId, Document, Session, Store, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use std::time::Duration;
use uuid::Uuid;

/// Something that plans are made from has changed.
#[derive(Debug, Clone, PartialEq, Eq, FromRow)]
pub struct RepairChange {
    /// Which change.
    pub id: Uuid,
    /// The table that changed.
    pub what: String,
    /// Which job, where it was one or a report on one.
    pub job_id: Option<Uuid>,
    /// When its transaction began.
    pub changed_at: DateTime<Utc>,
}

/// The right to repair one company's plan until the lease runs out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RepairTurn {
    /// The tenant.
    pub company: CompanyId,
    lease: Uuid,
}

/// How repairs of a company stand.
#[derive(Debug, Clone, PartialEq, Eq, FromRow)]
pub struct RepairState {
    /// Changes that no repair has seen.
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
}

/// What became of the plan that a repair made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::Type)]
#[sqlx(type_name = "text", rename_all = "snake_case")]
pub enum RepairOutcome {
    /// It is the promise, or was.
    Published,
    /// It was put before the office.
    Proposed,
}

/// A repair that changed or proposed something.
#[derive(Debug, Clone, FromRow)]
pub struct RepairRow {
    /// Rising with time.
    pub id: Uuid,
    /// The plan it made.
    pub plan_id: Uuid,
    /// What became of that.
    pub outcome: RepairOutcome,
    /// The first of the changes it answers.
    pub changed_at: DateTime<Utc>,
    /// When it was done.
    pub done_at: DateTime<Utc>,
    /// What changed, and the difference it makes.
    pub doc: Document,
}

impl Store {
    /// Takes the turn of a company whose world has changed, the one that has waited longest; `None`: nothing to do.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn claim_repair(&self, lease_for: Duration) -> Result<Option<RepairTurn>, StoreError> {
        let lease = Uuid::new_v4();
        // Taken twice, the first lease runs out by itself.
        let claim = || async {
            let query = sqlx::query_scalar("SELECT claim_repair($1, $2)").bind(lease).bind(lease_for.as_secs_f64());
            query.fetch_one(self.pool()).await
        };
        let company: Option<Uuid> = self.retry_lost(claim).await?;
        Ok(company.map(|company| RepairTurn { company: CompanyId(company), lease }))
    }
}

impl Session {
    /// Changes that no repair has seen yet, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn repair_changes(&mut self) -> Result<Vec<RepairChange>, StoreError> {
        let query = sqlx::query_as(
            "SELECT id, what, job_id, changed_at FROM repair_change WHERE company_id = $1 ORDER BY changed_at, id",
        );
        Ok(query.bind(self.company.0).fetch_all(self.db()).await?)
    }

    /// Ends a turn in which these changes were seen. Commit it with what came of them.
    ///
    /// # Errors
    /// `LeaseLost`: somebody else has the turn; drop the session.
    pub async fn finish_repair(&mut self, turn: RepairTurn, seen: &[RepairChange]) -> Result<(), StoreError> {
        let ids: Vec<Uuid> = seen.iter().map(|change| change.id).collect();
        sqlx::query("DELETE FROM repair_change WHERE company_id = $1 AND id = ANY($2)")
            .bind(self.company.0)
            .bind(&ids)
            .execute(self.db())
            .await?;
        let ended = sqlx::query(
            "UPDATE repair_turn SET lease = NULL, lease_until = NULL, last_at = clock_timestamp(), failures = 0,
                                    trouble = NULL, rest_until = NULL
             WHERE company_id = $1 AND lease = $2",
        )
        .bind(self.company.0)
        .bind(turn.lease)
        .execute(self.db())
        .await?;
        if ended.rows_affected() == 1 { Ok(()) } else { Err(StoreError::LeaseLost) }
    }

    /// Gives a turn back undone: the changes stay, and nobody tries again before `rest` is over.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn fail_repair(&mut self, turn: RepairTurn, why: &str, rest: Duration) -> Result<(), StoreError> {
        sqlx::query(
            "UPDATE repair_turn SET lease = NULL, lease_until = NULL, last_at = clock_timestamp(),
                                    failures = failures + 1, trouble = $3,
                                    rest_until = clock_timestamp() + make_interval(secs => $4)
             WHERE company_id = $1 AND lease = $2",
        )
        .bind(self.company.0)
        .bind(turn.lease)
        .bind(why)
        .bind(rest.as_secs_f64())
        .execute(self.db())
        .await?;
        Ok(())
    }

    /// How repairs stand.
    ///
    /// # Errors
    /// `NotFound` when there is no such company.
    pub async fn repair_state(&mut self) -> Result<RepairState, StoreError> {
        sqlx::query_as(
            "SELECT (SELECT count(*) FROM repair_change WHERE company_id = $1) AS waiting,
                    (SELECT min(changed_at) FROM repair_change WHERE company_id = $1) AS waiting_since,
                    coalesce(lease_until > clock_timestamp(), false) AS under_way, last_at, failures, trouble, rest_until
             FROM repair_turn WHERE company_id = $1",
        )
        .bind(self.company.0)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "company" })
    }

    /// Keeps what a repair did.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn insert_repair(&mut self, row: &RepairRow) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO repair (company_id, id, plan_id, outcome, changed_at, done_at, doc)
             VALUES ($1, $2, $3, $4, $5, $6, $7)",
        )
        .bind(self.company.0)
        .bind(row.id)
        .bind(row.plan_id)
        .bind(row.outcome)
        .bind(row.changed_at)
        .bind(row.done_at)
        .bind(&row.doc)
        .execute(self.db())
        .await?;
        Ok(())
    }

    /// Up to `limit` repairs, newest first, older than `before`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn repairs(&mut self, before: Option<Uuid>, limit: u32) -> Result<Vec<RepairRow>, StoreError> {
        let query = sqlx::query_as(
            "SELECT id, plan_id, outcome, changed_at, done_at, doc FROM repair
             WHERE company_id = $1 AND id < $2 ORDER BY id DESC LIMIT $3",
        );
        let query = query.bind(self.company.0).bind(before.unwrap_or(Uuid::max())).bind(i64::from(limit));
        Ok(query.fetch_all(self.db()).await?)
    }

    /// One repair.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn repair(&mut self, id: Uuid) -> Result<RepairRow, StoreError> {
        sqlx::query_as(
            "SELECT id, plan_id, outcome, changed_at, done_at, doc FROM repair WHERE company_id = $1 AND id = $2",
        )
        .bind(self.company.0)
        .bind(id)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "repair" })
    }

    /// Discards drafts that earlier repairs proposed and nobody has decided on: they are answered by a newer one.
    /// Returns them.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn withdraw_proposals(&mut self) -> Result<Vec<Uuid>, StoreError> {
        let withdrawn: Vec<Uuid> = sqlx::query_scalar(
            "UPDATE plan SET status = 'rejected', ended_at = now(), placements_kept = false, version = version + 1
             WHERE company_id = $1 AND status = 'draft'
               AND id IN (SELECT plan_id FROM repair WHERE company_id = $1 AND outcome = 'proposed')
             RETURNING id",
        )
        .bind(self.company.0)
        .fetch_all(self.db())
        .await?;
        if !withdrawn.is_empty() {
            self.delete_plan_rows(&withdrawn).await?;
        }
        Ok(withdrawn)
    }
}
