//! Who changed what, as the database has noted it. Nothing is written here: triggers do it, see migration 0014.

use super::{Session, Store, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// Where a page of lines begins: after the line of this instant and identifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChangePlace {
    /// When.
    pub at: DateTime<Utc>,
    /// Which, of several at once.
    pub id: Uuid,
}

/// Which lines.
#[derive(Debug, Clone, Default)]
pub struct ChangeFilter {
    /// Only of things of this kind.
    pub kind: Option<String>,
    /// Only of the thing that addresses of the API call so; with its kind.
    pub thing: Option<String>,
    /// Only by the token, person or crew link of this identifier.
    pub who_id: Option<Uuid>,
}

/// One change of one thing.
#[derive(Debug, Clone, FromRow)]
pub struct ChangeRow {
    /// Of the line.
    pub id: Uuid,
    /// When it was done.
    pub at: DateTime<Utc>,
    /// What it was done to.
    pub kind: String,
    /// As addresses of the API call it: its key, or its identifier.
    pub thing: String,
    /// Never changes.
    pub thing_id: Uuid,
    /// For people: the name of a token, person or link, or the number of a plan.
    pub thing_name: Option<String>,
    /// `created`, `changed`, `removed`; of plans also how they stand now.
    pub change: String,
    /// Before, where it has versions.
    pub version_before: Option<i64>,
    /// Afterwards.
    pub version_after: Option<i64>,
    /// Who: token, person, `crew_link`, operator, command, server, database.
    pub who: String,
    /// Which token, person or link.
    pub who_id: Option<Uuid>,
    /// Its name.
    pub who_name: Option<String>,
    /// With which rights.
    pub role: Option<String>,
    /// What was asked for.
    pub operation: String,
    /// By which request.
    pub request_id: Option<Uuid>,
}

impl Session {
    /// Up to `limit` lines, newest first. A change that takes long may be seen after later ones.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn changes(
        &mut self,
        filter: &ChangeFilter,
        after: Option<ChangePlace>,
        limit: u32,
    ) -> Result<Vec<ChangeRow>, StoreError> {
        Ok(sqlx::query_as(
            "WITH page AS MATERIALIZED (
                 SELECT * FROM change_line
                 WHERE company_id = $1 AND ($2::timestamptz IS NULL OR (at, id) < ($2, $3))
                   AND ($4::text IS NULL OR kind = $4) AND ($5::text IS NULL OR thing = $5)
                   AND ($6::uuid IS NULL OR who_id = $6)
                 ORDER BY at DESC, id DESC LIMIT $7)
             SELECT l.id, l.at, l.kind, l.thing, l.thing_id, l.change, l.version_before, l.version_after, l.who, l.who_id,
                    l.role, l.operation, l.request_id,
                    coalesce(t.name, p.name, c.name) AS who_name,
                    CASE l.kind
                        WHEN 'token' THEN (SELECT name FROM token o WHERE (o.company_id, o.id) = (l.company_id, l.thing_id))
                        WHEN 'person' THEN (SELECT name FROM person o WHERE (o.company_id, o.id) = (l.company_id, l.thing_id))
                        WHEN 'crew_link' THEN
                            (SELECT name FROM crew_link o WHERE (o.company_id, o.id) = (l.company_id, l.thing_id))
                        WHEN 'plan' THEN
                            (SELECT number::text FROM plan o WHERE (o.company_id, o.id) = (l.company_id, l.thing_id))
                    END AS thing_name
             FROM page l
             LEFT JOIN token t ON l.who = 'token' AND (t.company_id, t.id) = (l.company_id, l.who_id)
             LEFT JOIN person p ON l.who = 'person' AND (p.company_id, p.id) = (l.company_id, l.who_id)
             LEFT JOIN crew_link c ON l.who = 'crew_link' AND (c.company_id, c.id) = (l.company_id, l.who_id)
             ORDER BY l.at DESC, l.id DESC",
        )
        .bind(self.company.0)
        .bind(after.map(|place| place.at))
        .bind(after.map(|place| place.id))
        .bind(&filter.kind)
        .bind(&filter.thing)
        .bind(filter.who_id)
        .bind(i64::from(limit))
        .fetch_all(self.db())
        .await?)
    }
}

impl Store {
    /// Throws away up to `most` lines of all companies from before `before`, though none of the last thirty days; how many
    /// there were.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn prune_changes(&self, before: DateTime<Utc>, most: u32) -> Result<u64, StoreError> {
        let most = i32::try_from(most).unwrap_or(i32::MAX);
        let gone: i64 = self
            .retry_lost(|| {
                let query = sqlx::query_scalar("SELECT prune_change_lines($1, $2)");
                query.bind(before).bind(most).fetch_one(self.pool())
            })
            .await?;
        Ok(gone.unsigned_abs())
    }
}
