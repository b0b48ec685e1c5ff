//! Companies and their settings. A company is created in a session of its own, before it exists.

use super::{CompanyId, Document, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions, Connection, FromRow};
use uuid::Uuid;

/// A company as stored.
#[derive(Debug, Clone, FromRow)]
pub struct CompanyRow {
    /// The tenant.
    pub id: Uuid,
    /// For people.
    pub name: String,
    /// What planning heeds.
    pub settings: Document,
    /// Rises with every change.
    pub version: i64,
    /// When it was created.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
}

impl Session {
    /// Creates the company that this session belongs to.
    ///
    /// # Errors
    /// `KeyTaken` when it exists.
    pub async fn insert_company(&mut self, name: &str, settings: &Document) -> Result<CompanyRow, StoreError> {
        let company = self.company;
        sqlx::query_as(
            "INSERT INTO company (id, name, settings) VALUES ($1, $2, $3)
             RETURNING id, name, settings, version, created_at, updated_at",
        )
        .bind(company.0)
        .bind(name)
        .bind(settings)
        .fetch_one(self.db())
        .await
        .map_err(|error| match StoreError::from(error) {
            error if error.constraint() == Some("company_pkey") => {
                StoreError::KeyTaken { what: "company", key: company.to_string() }
            }
            error => error,
        })
    }

    /// The company that this session belongs to.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn company_row(&mut self) -> Result<CompanyRow, StoreError> {
        sqlx::query_as("SELECT id, name, settings, version, created_at, updated_at FROM company WHERE id = $1")
            .bind(self.company.0)
            .fetch_optional(self.db())
            .await?
            .ok_or(StoreError::NotFound { what: "company" })
    }

    /// Changes name and settings; returns the new version.
    ///
    /// # Errors
    /// `NotFound`, `Stale`.
    pub async fn update_company(&mut self, version: i64, name: &str, settings: &Document) -> Result<i64, StoreError> {
        let changed: Option<i64> = sqlx::query_scalar(
            "UPDATE company SET name = $3, settings = $4, version = version + 1, updated_at = now()
             WHERE id = $1 AND version = $2 RETURNING version",
        )
        .bind(self.company.0)
        .bind(version)
        .bind(name)
        .bind(settings)
        .fetch_optional(self.db())
        .await?;
        match changed {
            Some(version) => Ok(version),
            None => Err(StoreError::Stale { current: self.company_row().await?.version }),
        }
    }

    /// Holds this company for one writer at a time until the session ends: publishing is done by one after the other.
    ///
    /// # Errors
    /// `NotFound`, `Busy`.
    pub async fn lock_company(&mut self) -> Result<(), StoreError> {
        sqlx::query("SELECT 1 FROM company WHERE id = $1 FOR NO KEY UPDATE")
            .bind(self.company.0)
            .fetch_optional(self.db())
            .await?
            .map(drop)
            .ok_or(StoreError::NotFound { what: "company" })
    }
}

/// Identifiers and names of all companies, oldest first: for operators, who have the owner's connection. The login role
/// cannot ask this.
///
/// # Errors
/// `Unavailable`.
pub async fn list_companies(owner: &PgConnectOptions) -> Result<Vec<(CompanyId, String)>, StoreError> {
    let mut connection = owner.clone().connect().await?;
    let rows: Vec<(Uuid, String)> =
        sqlx::query_as("SELECT id, name FROM company ORDER BY created_at, id").fetch_all(&mut connection).await?;
    connection.close().await?;
    Ok(rows.into_iter().map(|(id, name)| (CompanyId(id), name)).collect())
}
