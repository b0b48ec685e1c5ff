//! Throwing away what is old, company by company.

use super::{CompanyId, Session, Store, StoreError};
use chrono::{DateTime, Utc};
use uuid::Uuid;

impl Store {
    /// Up to `most` companies with notices, or answers to repeated requests, from before these instants.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn companies_to_prune(
        &self,
        notices_before: DateTime<Utc>,
        requests_before: DateTime<Utc>,
        most: u16,
    ) -> Result<Vec<CompanyId>, StoreError> {
        let companies: Vec<Uuid> = self
            .retry_lost(|| {
                let query = sqlx::query_scalar("SELECT company_id FROM companies_to_prune($1, $2, $3)");
                query.bind(notices_before).bind(requests_before).bind(i32::from(most)).fetch_all(self.pool())
            })
            .await?;
        Ok(companies.into_iter().map(CompanyId).collect())
    }

    /// Up to `most` companies with plans that ended, or drafts from, before this instant.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn companies_with_old_plans(
        &self,
        before: DateTime<Utc>,
        most: u16,
    ) -> Result<Vec<CompanyId>, StoreError> {
        let companies: Vec<Uuid> = self
            .retry_lost(|| {
                let query = sqlx::query_scalar("SELECT company_id FROM companies_with_old_plans($1, $2)");
                query.bind(before).bind(i32::from(most)).fetch_all(self.pool())
            })
            .await?;
        Ok(companies.into_iter().map(CompanyId).collect())
    }
}

impl Session {
    /// Throws away up to `limit` notices from before `before`, oldest first, with their deliveries; how many there were.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn prune_notices(&mut self, before: DateTime<Utc>, limit: u32) -> Result<u64, StoreError> {
        let mut gone = 0;
        for statement in [
            "DELETE FROM delivery WHERE company_id = $1 AND number IN (
                 SELECT number FROM notice WHERE company_id = $1 AND created_at < $2 ORDER BY number LIMIT $3)",
            "DELETE FROM notice WHERE company_id = $1 AND number IN (
                 SELECT number FROM notice WHERE company_id = $1 AND created_at < $2 ORDER BY number LIMIT $3)",
        ] {
            let query = sqlx::query(statement).bind(self.company.0).bind(before).bind(i64::from(limit));
            gone = query.execute(self.db()).await?.rows_affected();
        }
        Ok(gone)
    }

    /// Throws away up to `limit` answers to repeated requests from before `before`; how many there were.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn prune_requests(&mut self, before: DateTime<Utc>, limit: u32) -> Result<u64, StoreError> {
        let done = sqlx::query(
            "DELETE FROM idempotency WHERE company_id = $1 AND (token_id, key) IN (
                 SELECT token_id, key FROM idempotency WHERE company_id = $1 AND created_at < $2 LIMIT $3)",
        )
        .bind(self.company.0)
        .bind(before)
        .bind(i64::from(limit))
        .execute(self.db())
        .await?;
        Ok(done.rows_affected())
    }

    /// Throws away the rows of up to `limit` plans that ended before `before`, the first to end first, but for those that
    /// another plan shares; how many plans they were. The plans stay in the list.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn prune_plans(&mut self, before: DateTime<Utc>, limit: u32) -> Result<usize, StoreError> {
        let ended: Vec<Uuid> = sqlx::query_scalar(
            "UPDATE plan SET placements_kept = false, version = version + 1 WHERE company_id = $1 AND id IN (
                 SELECT id FROM plan WHERE company_id = $1 AND placements_kept AND ended_at < $2
                 ORDER BY ended_at LIMIT $3)
             RETURNING id",
        )
        .bind(self.company.0)
        .bind(before)
        .bind(i64::from(limit))
        .fetch_all(self.db())
        .await?;
        if !ended.is_empty() {
            // A statement does not see what its own parts delete.
            sqlx::query(
                "WITH gone AS (
                     DELETE FROM plan_job WHERE company_id = $1 AND plan_id = ANY($2) RETURNING rows_of, job_id)
                 DELETE FROM plan_row r USING (SELECT DISTINCT rows_of, job_id FROM gone) unused
                 WHERE (r.company_id, r.plan_id, r.job_id) = ($1, unused.rows_of, unused.job_id)
                   AND NOT EXISTS (
                     SELECT FROM plan_job sharing
                     WHERE (sharing.company_id, sharing.rows_of, sharing.job_id) = ($1, unused.rows_of, unused.job_id)
                       AND sharing.plan_id <> ALL($2))",
            )
            .bind(self.company.0)
            .bind(&ended)
            .execute(self.db())
            .await?;
        }
        Ok(ended.len())
    }

    /// Up to `limit` drafts from before `before` and their versions.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn undecided_drafts(
        &mut self,
        before: DateTime<Utc>,
        limit: u32,
    ) -> Result<Vec<(Uuid, i64)>, StoreError> {
        let query = sqlx::query_as(
            "SELECT id, version FROM plan WHERE company_id = $1 AND status = 'draft' AND created_at < $2
             ORDER BY created_at LIMIT $3",
        );
        Ok(query.bind(self.company.0).bind(before).bind(i64::from(limit)).fetch_all(self.db()).await?)
    }
}
