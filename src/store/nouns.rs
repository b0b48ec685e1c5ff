//! The five nouns of one shape: house, crew, equipment, method, region. A key is given once and never changed, because
//! documents name things by key.

use super::{Document, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use std::fmt;
use uuid::Uuid;

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Noun {
    /// A place with floors.
    House,
    /// People who move together.
    Crew,
    /// A kind of countable gear.
    Equipment,
    /// A reusable chain.
    Method,
    /// A weather region with its forecast.
    Region,
}

impl Noun {
    /// All of them.
    pub const ALL: [Noun; 5] = [Noun::House, Noun::Crew, Noun::Equipment, Noun::Method, Noun::Region];

    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Noun::House => "house",
            Noun::Crew => "crew",
            Noun::Equipment => "equipment",
            Noun::Method => "method",
            Noun::Region => "region",
        }
    }
}

/// What a document names, so that it is not archived under it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Reference {
    /// The kind of thing.
    pub noun: Noun,
    /// Its key.
    pub key: String,
}

/// As in the columns `refers`: keys have no slash.
impl fmt::Display for Reference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.noun.word(), self.key)
    }
}

/// What to store.
#[derive(Debug, Clone)]
pub struct NewNoun {
    /// Unique among those of its kind that are not archived: 1 to 64 of letters, digits, `.`, `_`, `-`.
    pub key: String,
    /// For people.
    pub name: String,
    /// Everything.
    pub doc: Document,
    /// What `doc` names.
    pub refers: Vec<Reference>,
}

/// What is stored.
#[derive(Debug, Clone, FromRow)]
pub struct NounRow {
    /// Rising with time.
    pub id: Uuid,
    /// See [`NewNoun::key`].
    pub key: String,
    /// For people.
    pub name: String,
    /// Everything.
    pub doc: Document,
    /// Rises with every change.
    pub version: i64,
    /// When it was created.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
    /// When it was put away.
    pub archived_at: Option<DateTime<Utc>>,
}

macro_rules! row {
    () => {
        "id, key, name, doc, version, created_at, updated_at, archived_at"
    };
}

/// The statements for one table; a table's name cannot be a parameter.
struct Sql {
    insert: &'static str,
    by_id: &'static str,
    by_key: &'static str,
    by_ids: &'static str,
    page: &'static str,
    update: &'static str,
    archive: &'static str,
    hold: &'static str,
}

macro_rules! statements {
    ($table:literal) => {{
        const SQL: Sql = Sql {
            insert: concat!(
                "INSERT INTO ",
                $table,
                " (company_id, id, key, name, doc, refers) VALUES ($1, $2, $3, $4, $5, $6)
                 ON CONFLICT (company_id, key) WHERE archived_at IS NULL DO NOTHING RETURNING ",
                row!()
            ),
            by_id: concat!("SELECT ", row!(), " FROM ", $table, " WHERE company_id = $1 AND id = $2"),
            by_key: concat!(
                "SELECT ",
                row!(),
                " FROM ",
                $table,
                " WHERE company_id = $1 AND key = $2 AND archived_at IS NULL"
            ),
            by_ids: concat!("SELECT ", row!(), " FROM ", $table, " WHERE company_id = $1 AND id = ANY($2) ORDER BY id"),
            page: concat!(
                "SELECT ",
                row!(),
                " FROM ",
                $table,
                " WHERE company_id = $1 AND id > $2 AND archived_at IS NULL ORDER BY id LIMIT $3"
            ),
            update: concat!(
                "UPDATE ",
                $table,
                " SET name = $4, doc = $5, refers = $6, version = version + 1, updated_at = now()
                 WHERE company_id = $1 AND id = $2 AND version = $3 AND archived_at IS NULL RETURNING ",
                row!()
            ),
            archive: concat!(
                "UPDATE ",
                $table,
                " SET version = version + 1, updated_at = now(), archived_at = now()
                 WHERE company_id = $1 AND id = $2 AND version = $3 AND archived_at IS NULL RETURNING ",
                row!()
            ),
            hold: concat!(
                "SELECT key FROM ",
                $table,
                " WHERE company_id = $1 AND key = ANY($2) AND archived_at IS NULL ORDER BY key FOR SHARE"
            ),
        };
        &SQL
    }};
}

impl Noun {
    fn sql(self) -> &'static Sql {
        match self {
            Noun::House => statements!("house"),
            Noun::Crew => statements!("crew"),
            Noun::Equipment => statements!("equipment"),
            Noun::Method => statements!("method"),
            Noun::Region => statements!("region"),
        }
    }

    /// A question whose answer names a user of `$2` (identifier) or `$3` (reference), if there is one.
    fn used_by(self) -> Option<&'static str> {
        match self {
            Noun::House => Some(
                "SELECT 'job ' || key FROM job
                 WHERE company_id = $1 AND house_id = $2 AND status IN ('open', 'on_hold') AND $3 <> '' LIMIT 1",
            ),
            // Only what is promised ahead: what a crew has done stays with it.
            Noun::Crew => Some(
                "SELECT 'published work on ' || step_key FROM booking
                 WHERE company_id = $1 AND crew_id = $2 AND left_at IS NULL AND NOT fixed
                 UNION ALL
                 SELECT 'job ' || j.key FROM job_step s JOIN job j ON (j.company_id, j.id) = (s.company_id, s.job_id)
                 WHERE s.company_id = $1 AND s.live AND j.status IN ('open', 'on_hold') AND $3 = ANY(s.refers) LIMIT 1",
            ),
            Noun::Equipment => Some(
                "SELECT 'job ' || j.key FROM job_step s JOIN job j ON (j.company_id, j.id) = (s.company_id, s.job_id)
                 WHERE s.company_id = $1 AND s.live AND j.status IN ('open', 'on_hold') AND $3 = ANY(s.refers)
                 UNION ALL
                 SELECT 'method ' || key FROM method
                 WHERE company_id = $1 AND archived_at IS NULL AND $3 = ANY(refers) AND $2 IS NOT NULL LIMIT 1",
            ),
            // A job has its own copy of the chain: the method may go.
            Noun::Method => None,
            Noun::Region => Some(
                "SELECT 'house ' || key FROM house
                 WHERE company_id = $1 AND archived_at IS NULL AND $3 = ANY(refers) AND $2 IS NOT NULL LIMIT 1",
            ),
        }
    }
}

impl Session {
    /// Stores a new one.
    ///
    /// # Errors
    /// `KeyTaken`, `UnknownReference`.
    pub async fn insert_noun(&mut self, noun: Noun, new: &NewNoun) -> Result<NounRow, StoreError> {
        let refers = self.hold(&new.refers).await?;
        sqlx::query_as(noun.sql().insert)
            .bind(self.company.0)
            .bind(super::new_id())
            .bind(&new.key)
            .bind(&new.name)
            .bind(&new.doc)
            .bind(refers)
            .fetch_optional(self.db())
            .await?
            .ok_or_else(|| StoreError::KeyTaken { what: noun.word(), key: new.key.clone() })
    }

    /// One by identifier, archived or not.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn noun(&mut self, noun: Noun, id: Uuid) -> Result<NounRow, StoreError> {
        sqlx::query_as(noun.sql().by_id)
            .bind(self.company.0)
            .bind(id)
            .fetch_optional(self.db())
            .await?
            .ok_or(StoreError::NotFound { what: noun.word() })
    }

    /// One by key, unless archived.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn noun_by_key(&mut self, noun: Noun, key: &str) -> Result<NounRow, StoreError> {
        sqlx::query_as(noun.sql().by_key)
            .bind(self.company.0)
            .bind(key)
            .fetch_optional(self.db())
            .await?
            .ok_or(StoreError::NotFound { what: noun.word() })
    }

    /// Those of `ids` that there are, archived or not, by identifier.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn nouns_by_ids(&mut self, noun: Noun, ids: &[Uuid]) -> Result<Vec<NounRow>, StoreError> {
        Ok(sqlx::query_as(noun.sql().by_ids).bind(self.company.0).bind(ids).fetch_all(self.db()).await?)
    }

    /// Up to `limit` that are not archived, in the order of creation, after the one with the identifier `after`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn nouns(&mut self, noun: Noun, after: Option<Uuid>, limit: u32) -> Result<Vec<NounRow>, StoreError> {
        let page = sqlx::query_as(noun.sql().page).bind(self.company.0).bind(after.unwrap_or_default());
        Ok(page.bind(i64::from(limit)).fetch_all(self.db()).await?)
    }

    /// Changes name and document of the one at `version`. Its key stays what it is; `new.key` is not looked at.
    ///
    /// # Errors
    /// `NotFound`, `Stale`, `UnknownReference`.
    pub async fn update_noun(
        &mut self,
        noun: Noun,
        id: Uuid,
        version: i64,
        new: &NewNoun,
    ) -> Result<NounRow, StoreError> {
        let refers = self.hold(&new.refers).await?;
        let changed = sqlx::query_as(noun.sql().update)
            .bind(self.company.0)
            .bind(id)
            .bind(version)
            .bind(&new.name)
            .bind(&new.doc)
            .bind(refers)
            .fetch_optional(self.db())
            .await?;
        match changed {
            Some(row) => Ok(row),
            None => Err(self.why_not_changed(noun, id).await?),
        }
    }

    /// Puts the one at `version` away: no list shows it and its key is free again; history goes on naming it.
    ///
    /// # Errors
    /// `NotFound`, `Stale`; `InUse` when a job that is not over, the published plan or another document needs it.
    pub async fn archive_noun(&mut self, noun: Noun, id: Uuid, version: i64) -> Result<NounRow, StoreError> {
        // First the change and then the question: whoever refers to it holds it, so one of the two sees the other.
        let archived: Option<NounRow> = sqlx::query_as(noun.sql().archive)
            .bind(self.company.0)
            .bind(id)
            .bind(version)
            .fetch_optional(self.db())
            .await?;
        let Some(row) = archived else { return Err(self.why_not_changed(noun, id).await?) };
        if let Some(question) = noun.used_by() {
            let reference = Reference { noun, key: row.key.clone() }.to_string();
            let user: Option<String> = sqlx::query_scalar(question)
                .bind(self.company.0)
                .bind(id)
                .bind(reference)
                .fetch_optional(self.db())
                .await?;
            if let Some(by) = user {
                return Err(StoreError::InUse { what: noun.word(), by });
            }
        }
        Ok(row)
    }

    /// Makes sure that all of these exist and are not archived before this session ends; returns them as stored.
    pub(super) async fn hold(&mut self, references: &[Reference]) -> Result<Vec<String>, StoreError> {
        let mut sorted = references.to_vec();
        sorted.sort_unstable();
        sorted.dedup();
        for of_one_noun in sorted.chunk_by(|a, b| a.noun == b.noun) {
            let noun = of_one_noun[0].noun;
            let keys: Vec<&str> = of_one_noun.iter().map(|reference| reference.key.as_str()).collect();
            let held: Vec<String> =
                sqlx::query_scalar(noun.sql().hold).bind(self.company.0).bind(&keys).fetch_all(self.db()).await?;
            if let Some(missing) = keys.iter().find(|key| !held.iter().any(|held| held == *key)) {
                return Err(StoreError::UnknownReference { what: noun.word(), key: (*missing).to_owned() });
            }
        }
        Ok(sorted.iter().map(Reference::to_string).collect())
    }

    async fn why_not_changed(&mut self, noun: Noun, id: Uuid) -> Result<StoreError, StoreError> {
        let row = self.noun(noun, id).await?;
        Ok(match row.archived_at {
            Some(_) => StoreError::NotFound { what: noun.word() },
            None => StoreError::Stale { current: row.version },
        })
    }
}
