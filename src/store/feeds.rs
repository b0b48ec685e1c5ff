//! Calendar addresses: each its own, unguessable, and taken back without touching the others.

use super::secret::Secret;
use super::{CompanyId, Session, Store, StoreError};
use chrono::{DateTime, Utc};
use sqlx::postgres::PgRow;
use sqlx::{FromRow, Row};
use uuid::Uuid;

const PREFIX: &str = "cal_";

/// Whose calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FeedKind {
    /// One crew's work.
    Crew(Uuid),
    /// All work in one house.
    House(Uuid),
    /// Everything.
    Office,
    /// What the customer of one house must know.
    Customer(Uuid),
}

/// What is stored, without the secret.
#[derive(Debug, Clone)]
pub struct FeedRow {
    /// Rising with time.
    pub id: Uuid,
    /// Whose calendar.
    pub kind: FeedKind,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// Whose calendar address it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundFeed {
    /// The tenant.
    pub company: CompanyId,
    /// The feed itself.
    pub id: Uuid,
    /// Whose calendar.
    pub kind: FeedKind,
    /// Rises with everything that any calendar of the company may show.
    pub revision: i64,
    /// When it last rose: whole seconds, of no two revisions the same.
    pub changed_at: DateTime<Utc>,
}

impl FeedKind {
    const fn word(self) -> &'static str {
        match self {
            FeedKind::Crew(_) => "crew",
            FeedKind::House(_) => "house",
            FeedKind::Office => "office",
            FeedKind::Customer(_) => "customer",
        }
    }

    const fn crew(self) -> Option<Uuid> {
        match self {
            FeedKind::Crew(crew) => Some(crew),
            FeedKind::House(_) | FeedKind::Office | FeedKind::Customer(_) => None,
        }
    }

    const fn house(self) -> Option<Uuid> {
        match self {
            FeedKind::House(house) | FeedKind::Customer(house) => Some(house),
            FeedKind::Crew(_) | FeedKind::Office => None,
        }
    }
}

impl FromRow<'_, PgRow> for FeedKind {
    fn from_row(row: &PgRow) -> Result<FeedKind, sqlx::Error> {
        let word: &str = row.try_get("kind")?;
        let (crew, house): (Option<Uuid>, Option<Uuid>) = (row.try_get("crew_id")?, row.try_get("house_id")?);
        match (word, crew, house) {
            ("crew", Some(crew), None) => Ok(FeedKind::Crew(crew)),
            ("house", None, Some(house)) => Ok(FeedKind::House(house)),
            ("office", None, None) => Ok(FeedKind::Office),
            ("customer", None, Some(house)) => Ok(FeedKind::Customer(house)),
            _ => Err(sqlx::Error::Decode(format!("a feed of the kind {word}").into())),
        }
    }
}

impl FromRow<'_, PgRow> for FeedRow {
    fn from_row(row: &PgRow) -> Result<FeedRow, sqlx::Error> {
        Ok(FeedRow {
            id: row.try_get("id")?,
            kind: FeedKind::from_row(row)?,
            created_at: row.try_get("created_at")?,
            revoked_at: row.try_get("revoked_at")?,
        })
    }
}

impl FromRow<'_, PgRow> for FoundFeed {
    fn from_row(row: &PgRow) -> Result<FoundFeed, sqlx::Error> {
        Ok(FoundFeed {
            company: CompanyId(row.try_get("company_id")?),
            id: row.try_get("id")?,
            kind: FeedKind::from_row(row)?,
            revision: row.try_get("revision")?,
            changed_at: row.try_get("changed_at")?,
        })
    }
}

impl Store {
    /// Whose calendar address `text` is. Unknown, revoked and misspelt ones are all alike: `None`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn find_feed(&self, text: &str) -> Result<Option<FoundFeed>, StoreError> {
        let Some(secret) = Secret::parse(PREFIX, text) else { return Ok(None) };
        let hash = secret.sha256();
        self.retry_lost(|| {
            let query = sqlx::query_as(
                "SELECT company_id, id, kind, crew_id, house_id, revision, changed_at FROM find_feed($1)",
            );
            query.bind(&hash).fetch_optional(self.pool())
        })
        .await
    }
}

impl Session {
    /// Makes a calendar address. The secret cannot be had again.
    ///
    /// # Errors
    /// `UnknownReference` for the crew or the house.
    pub async fn insert_feed(&mut self, kind: FeedKind) -> Result<(FeedRow, Secret), StoreError> {
        let secret = Secret::random(PREFIX);
        let row = sqlx::query_as(
            "INSERT INTO feed (company_id, id, kind, crew_id, house_id, secret_sha256) VALUES ($1, $2, $3, $4, $5, $6)
             RETURNING id, kind, crew_id, house_id, created_at, revoked_at",
        )
        .bind(self.company.0)
        .bind(super::new_id())
        .bind(kind.word())
        .bind(kind.crew())
        .bind(kind.house())
        .bind(secret.sha256())
        .fetch_one(self.db())
        .await?;
        Ok((row, secret))
    }

    /// What [`FoundFeed`] says of the revision, as this session sees it.
    ///
    /// # Errors
    /// `NotFound` when there is no such company.
    pub async fn feed_revision(&mut self) -> Result<(i64, DateTime<Utc>), StoreError> {
        let query = sqlx::query_as("SELECT revision, changed_at FROM feed_revision WHERE company_id = $1");
        let found = query.bind(self.company.0).fetch_optional(self.db()).await?;
        found.ok_or(StoreError::NotFound { what: "company" })
    }

    /// All calendar addresses, revoked ones too, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn feeds(&mut self) -> Result<Vec<FeedRow>, StoreError> {
        let query = sqlx::query_as(
            "SELECT id, kind, crew_id, house_id, created_at, revoked_at FROM feed WHERE company_id = $1 ORDER BY id",
        );
        Ok(query.bind(self.company.0).fetch_all(self.db()).await?)
    }

    /// Takes a calendar address back. Doing it twice changes nothing.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn revoke_feed(&mut self, id: Uuid) -> Result<FeedRow, StoreError> {
        sqlx::query_as(
            "UPDATE feed SET revoked_at = coalesce(revoked_at, now()) WHERE company_id = $1 AND id = $2
             RETURNING id, kind, crew_id, house_id, created_at, revoked_at",
        )
        .bind(self.company.0)
        .bind(id)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "feed" })
    }
}
