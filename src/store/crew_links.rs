//! Links that sign a crew's phone in: unguessable, and taken back without touching the others.

use super::secret::Secret;
use super::{CompanyId, Session, Store, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

const PREFIX: &str = "link_";

/// What is stored, without the secret.
#[derive(Debug, Clone, FromRow)]
pub struct CrewLinkRow {
    /// Rising with time.
    pub id: Uuid,
    /// Whose phone, for people.
    pub name: String,
    /// Which crew.
    pub crew_id: Uuid,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When a phone was last signed in with it.
    pub last_used_at: Option<DateTime<Utc>>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// Which crew's link it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundCrewLink {
    /// The tenant.
    pub company: CompanyId,
    /// The link itself.
    pub id: Uuid,
    /// Which crew.
    pub crew_id: Uuid,
    /// Whose phone, for people.
    pub name: String,
}

impl Store {
    /// Which crew's link `text` is. Unknown, revoked and misspelt ones are all alike: `None`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn find_crew_link(&self, text: &str) -> Result<Option<FoundCrewLink>, StoreError> {
        let Some(secret) = Secret::parse(PREFIX, text) else { return Ok(None) };
        let hash = secret.sha256();
        let found: Option<(Uuid, Uuid, Uuid, String)> = self
            .retry_lost(|| {
                let query = sqlx::query_as("SELECT company_id, id, crew_id, name FROM find_crew_link($1)");
                query.bind(&hash).fetch_optional(self.pool())
            })
            .await?;
        Ok(found.map(|(company, id, crew_id, name)| FoundCrewLink { company: CompanyId(company), id, crew_id, name }))
    }
}

impl Session {
    /// Makes a link. The secret cannot be had again.
    ///
    /// # Errors
    /// `UnknownReference` for the crew.
    pub async fn insert_crew_link(
        &mut self,
        crew_id: Uuid,
        name: &str,
        at: DateTime<Utc>,
    ) -> Result<(CrewLinkRow, Secret), StoreError> {
        let secret = Secret::random(PREFIX);
        let row = sqlx::query_as(
            "INSERT INTO crew_link (company_id, id, name, crew_id, secret_sha256, created_at)
             VALUES ($1, $2, $3, $4, $5, $6) RETURNING id, name, crew_id, created_at, last_used_at, revoked_at",
        )
        .bind(self.company.0)
        .bind(super::new_id())
        .bind(name)
        .bind(crew_id)
        .bind(secret.sha256())
        .bind(at)
        .fetch_one(self.db())
        .await?;
        Ok((row, secret))
    }

    /// All links, revoked ones too, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn crew_links(&mut self) -> Result<Vec<CrewLinkRow>, StoreError> {
        let query = sqlx::query_as(
            "SELECT id, name, crew_id, created_at, last_used_at, revoked_at FROM crew_link WHERE company_id = $1 ORDER BY id",
        );
        Ok(query.bind(self.company.0).fetch_all(self.db()).await?)
    }

    /// Notes that a phone was signed in with it.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn touch_crew_link(&mut self, id: Uuid, at: DateTime<Utc>) -> Result<(), StoreError> {
        let query = sqlx::query("UPDATE crew_link SET last_used_at = $3 WHERE company_id = $1 AND id = $2");
        query.bind(self.company.0).bind(id).bind(at).execute(self.db()).await?;
        Ok(())
    }

    /// Takes a link back; the phones signed in with it are signed out from the next request on. Doing it twice changes
    /// nothing.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn revoke_crew_link(&mut self, id: Uuid, at: DateTime<Utc>) -> Result<CrewLinkRow, StoreError> {
        sqlx::query_as(
            "UPDATE crew_link SET revoked_at = coalesce(revoked_at, $3) WHERE company_id = $1 AND id = $2
             RETURNING id, name, crew_id, created_at, last_used_at, revoked_at",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(at)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "crew link" })
    }
}
