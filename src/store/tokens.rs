//! Who may ask. A token's secret is shown once; stored is its SHA-256.

use super::secret::Secret;
use super::{CompanyId, Session, Store, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// Tokens begin with it, so that people and scanners of leaked secrets know one when they see it.
const PREFIX: &str = "tf_";

/// What a token's holder may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, sqlx::Type)]
#[sqlx(type_name = "text", rename_all = "snake_case")]
pub enum TokenRole {
    /// Everything.
    Office,
    /// What one crew does and reports.
    Crew,
    /// Look.
    Viewer,
}

impl TokenRole {
    /// As it is written everywhere.
    pub const fn word(self) -> &'static str {
        match self {
            TokenRole::Office => "office",
            TokenRole::Crew => "crew",
            TokenRole::Viewer => "viewer",
        }
    }
}

/// What to store.
#[derive(Debug, Clone)]
pub struct NewToken {
    /// For people: whose, or what for.
    pub name: String,
    /// What its holder may do.
    pub role: TokenRole,
    /// Which crew; given exactly for [`TokenRole::Crew`].
    pub crew_id: Option<Uuid>,
    /// From when on it is worth nothing.
    pub expires_at: Option<DateTime<Utc>>,
}

/// What is stored, without the secret.
#[derive(Debug, Clone, FromRow)]
pub struct TokenRow {
    /// Rising with time.
    pub id: Uuid,
    /// For people.
    pub name: String,
    /// What its holder may do.
    pub role: TokenRole,
    /// Which crew.
    pub crew_id: Option<Uuid>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was last used, to within some minutes.
    pub last_used_at: Option<DateTime<Utc>>,
    /// From when on it is worth nothing.
    pub expires_at: Option<DateTime<Utc>>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// Whose token it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundToken {
    /// The tenant.
    pub company: CompanyId,
    /// The token itself.
    pub id: Uuid,
    /// What its holder may do.
    pub role: TokenRole,
    /// Which crew.
    pub crew_id: Option<Uuid>,
}

impl Store {
    /// Whose token `text` is. Unknown, revoked, expired and misspelt ones are all alike: `None`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn find_token(&self, text: &str) -> Result<Option<FoundToken>, StoreError> {
        let Some(secret) = Secret::parse(PREFIX, text) else { return Ok(None) };
        let hash = secret.sha256();
        let found: Option<(Uuid, Uuid, TokenRole, Option<Uuid>)> = self
            .retry_lost(|| {
                let query = sqlx::query_as("SELECT company_id, id, role, crew_id FROM find_token($1)");
                query.bind(&hash).fetch_optional(self.pool())
            })
            .await?;
        Ok(found.map(|(company, id, role, crew_id)| FoundToken { company: CompanyId(company), id, role, crew_id }))
    }
}

impl Session {
    /// Makes a token. The secret cannot be had again.
    ///
    /// # Errors
    /// `UnknownReference` for the crew.
    pub async fn insert_token(&mut self, new: &NewToken) -> Result<(TokenRow, Secret), StoreError> {
        let secret = Secret::random(PREFIX);
        let row = sqlx::query_as(
            "INSERT INTO token (company_id, id, name, role, crew_id, secret_sha256, expires_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7)
             RETURNING id, name, role, crew_id, created_at, last_used_at, expires_at, revoked_at",
        )
        .bind(self.company.0)
        .bind(super::new_id())
        .bind(&new.name)
        .bind(new.role)
        .bind(new.crew_id)
        .bind(secret.sha256())
        .bind(new.expires_at)
        .fetch_one(self.db())
        .await?;
        Ok((row, secret))
    }

    /// All tokens, revoked ones too, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn tokens(&mut self) -> Result<Vec<TokenRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, name, role, crew_id, created_at, last_used_at, expires_at, revoked_at
             FROM token WHERE company_id = $1 ORDER BY id",
        )
        .bind(self.company.0)
        .fetch_all(self.db())
        .await?)
    }

    /// Takes a token back, from the next request on. Doing it twice changes nothing.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn revoke_token(&mut self, id: Uuid) -> Result<TokenRow, StoreError> {
        sqlx::query_as(
            "UPDATE token SET revoked_at = coalesce(revoked_at, now()) WHERE company_id = $1 AND id = $2
             RETURNING id, name, role, crew_id, created_at, last_used_at, expires_at, revoked_at",
        )
        .bind(self.company.0)
        .bind(id)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "token" })
    }

    /// Notes that a token is in use. Written at most every ten minutes, so that reading stays reading.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn touch_token(&mut self, id: Uuid, at: DateTime<Utc>) -> Result<(), StoreError> {
        sqlx::query(
            "UPDATE token SET last_used_at = $3
             WHERE company_id = $1 AND id = $2 AND (last_used_at IS NULL OR last_used_at < $3 - interval '10 minutes')",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(at)
        .execute(self.db())
        .await?;
        Ok(())
    }
}
