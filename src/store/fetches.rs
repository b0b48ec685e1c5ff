//! What the weather service said about the forecast it gave last.

use super::{Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// How a forecast was fetched.
#[derive(Debug, Clone, PartialEq, Eq, FromRow)]
pub struct RegionFetch {
    /// Version of the region that the fetch made; another version has another forecast.
    pub region_version: i64,
    /// As the service sent it.
    pub etag: Option<String>,
    /// As the service sent it.
    pub last_modified: Option<String>,
    /// When.
    pub fetched_at: DateTime<Utc>,
}

impl Session {
    /// The last fetch for a region, if there was one.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn region_fetch(&mut self, region: Uuid) -> Result<Option<RegionFetch>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT region_version, etag, last_modified, fetched_at FROM region_fetch
             WHERE company_id = $1 AND region_id = $2",
        )
        .bind(self.company.0)
        .bind(region)
        .fetch_optional(self.db())
        .await?)
    }

    /// Keeps a fetch in the place of the one before.
    ///
    /// # Errors
    /// `UnknownReference` when there is no such region.
    pub async fn keep_region_fetch(&mut self, region: Uuid, fetch: &RegionFetch) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO region_fetch (company_id, region_id, region_version, etag, last_modified, fetched_at)
             VALUES ($1, $2, $3, $4, $5, $6)
             ON CONFLICT (company_id, region_id) DO UPDATE SET region_version = excluded.region_version,
                 etag = excluded.etag, last_modified = excluded.last_modified, fetched_at = excluded.fetched_at",
        )
        .bind(self.company.0)
        .bind(region)
        .bind(fetch.region_version)
        .bind(&fetch.etag)
        .bind(&fetch.last_modified)
        .bind(fetch.fetched_at)
        .execute(self.db())
        .await?;
        Ok(())
    }
}
