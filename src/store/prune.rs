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
}
