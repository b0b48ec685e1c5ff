//! Browsers that are signed in, by a person or by a crew's link. A session's secret is in the browser's cookie only;
//! stored is its SHA-256.

use super::secret::Secret;
use super::{CompanyId, Doer, Session, Store, StoreError, TokenRole};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

const PREFIX: &str = "session_";
/// Sessions kept of one person or link: nobody signs in on more devices, and a loop that signs in fills no disk.
const SESSIONS_MAX: i64 = 20;

/// Who is signed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Holder {
    /// Somebody with a password.
    Person(Uuid),
    /// A crew's phone.
    CrewLink(Uuid),
}

impl Holder {
    /// The person's or the link's identifier.
    pub const fn id(self) -> Uuid {
        match self {
            Holder::Person(id) | Holder::CrewLink(id) => id,
        }
    }

    /// As whoever does something.
    pub const fn doer(self) -> Doer {
        match self {
            Holder::Person(id) => Doer::Person(id),
            Holder::CrewLink(id) => Doer::CrewLink(id),
        }
    }

    const fn person(self) -> Option<Uuid> {
        match self {
            Holder::Person(id) => Some(id),
            Holder::CrewLink(_) => None,
        }
    }

    const fn crew_link(self) -> Option<Uuid> {
        match self {
            Holder::Person(_) => None,
            Holder::CrewLink(id) => Some(id),
        }
    }
}

/// A session to begin.
#[derive(Debug, Clone)]
pub struct NewBrowserSession {
    /// Who signs in.
    pub holder: Holder,
    /// What the browser says it is.
    pub device: String,
    /// Now.
    pub at: DateTime<Utc>,
    /// Over when it is not seen until then.
    pub idle_until: DateTime<Utc>,
    /// Over in any case.
    pub expires_at: DateTime<Utc>,
}

/// A session as stored, without the secret.
#[derive(Debug, Clone, FromRow)]
pub struct BrowserSessionRow {
    /// Rising with time.
    pub id: Uuid,
    /// Of a person.
    pub person_id: Option<Uuid>,
    /// Or of a crew's link.
    pub crew_link_id: Option<Uuid>,
    /// What the browser says it is.
    pub device: String,
    /// When it began.
    pub created_at: DateTime<Utc>,
    /// When it was last used, to within some minutes.
    pub seen_at: DateTime<Utc>,
}

/// Whose browser it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundBrowser {
    /// The tenant.
    pub company: CompanyId,
    /// The session itself.
    pub id: Uuid,
    /// Who is signed in.
    pub holder: Holder,
    /// The person's name, or the link's.
    pub name: String,
    /// What they may do.
    pub role: TokenRole,
    /// Which crew.
    pub crew_id: Option<Uuid>,
    /// When it was last noted as used.
    pub seen_at: DateTime<Utc>,
}

#[derive(FromRow)]
struct Found {
    company_id: Uuid,
    id: Uuid,
    person_id: Option<Uuid>,
    crew_link_id: Option<Uuid>,
    name: String,
    role: TokenRole,
    crew_id: Option<Uuid>,
    seen_at: DateTime<Utc>,
}

impl Store {
    /// Whose browser has the secret `text` at `now`. Unknown, revoked, expired and misspelt ones are all alike: `None`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn find_browser(&self, text: &str, now: DateTime<Utc>) -> Result<Option<FoundBrowser>, StoreError> {
        let Some(secret) = Secret::parse(PREFIX, text) else { return Ok(None) };
        let hash = secret.sha256();
        let found: Option<Found> = self
            .retry_lost(|| {
                let query = sqlx::query_as(
                    "SELECT company_id, id, person_id, crew_link_id, name, role, crew_id, seen_at
                     FROM find_browser_session($1, $2)",
                );
                query.bind(&hash).bind(now).fetch_optional(self.pool())
            })
            .await?;
        Ok(found.and_then(|found| {
            let holder = match (found.person_id, found.crew_link_id) {
                (Some(id), None) => Holder::Person(id),
                (None, Some(id)) => Holder::CrewLink(id),
                (None, None) | (Some(_), Some(_)) => return None,
            };
            Some(FoundBrowser {
                company: CompanyId(found.company_id),
                id: found.id,
                holder,
                name: found.name,
                role: found.role,
                crew_id: found.crew_id,
                seen_at: found.seen_at,
            })
        }))
    }
}

impl Session {
    /// Begins a session; sessions of the same holder that are over, or too many, are thrown away.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn insert_browser_session(&mut self, new: &NewBrowserSession) -> Result<(Uuid, Secret), StoreError> {
        sqlx::query(
            "DELETE FROM browser_session
             WHERE company_id = $1 AND (person_id = $2 OR crew_link_id = $3)
               AND (revoked_at IS NOT NULL OR idle_until <= $4 OR expires_at <= $4 OR id NOT IN (
                   SELECT id FROM browser_session WHERE company_id = $1 AND (person_id = $2 OR crew_link_id = $3)
                   ORDER BY seen_at DESC, id DESC LIMIT $5))",
        )
        .bind(self.company.0)
        .bind(new.holder.person())
        .bind(new.holder.crew_link())
        .bind(new.at)
        .bind(SESSIONS_MAX - 1)
        .execute(self.db())
        .await?;
        let (id, secret) = (super::new_id(), Secret::random(PREFIX));
        sqlx::query(
            "INSERT INTO browser_session (company_id, id, person_id, crew_link_id, secret_sha256, device, created_at,
                                          seen_at, idle_until, expires_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $7, $8, $9)",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(new.holder.person())
        .bind(new.holder.crew_link())
        .bind(secret.sha256())
        .bind(&new.device)
        .bind(new.at)
        .bind(new.idle_until)
        .bind(new.expires_at)
        .execute(self.db())
        .await?;
        Ok((id, secret))
    }

    /// Sessions that go on at `now`, those used last first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn browser_sessions(&mut self, now: DateTime<Utc>) -> Result<Vec<BrowserSessionRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, person_id, crew_link_id, device, created_at, seen_at FROM browser_session
             WHERE company_id = $1 AND revoked_at IS NULL AND idle_until > $2 AND expires_at > $2
             ORDER BY seen_at DESC, id",
        )
        .bind(self.company.0)
        .bind(now)
        .fetch_all(self.db())
        .await?)
    }

    /// Notes that a session is in use.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn touch_browser_session(
        &mut self,
        id: Uuid,
        at: DateTime<Utc>,
        idle_until: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let query = sqlx::query(
            "UPDATE browser_session SET seen_at = $3, idle_until = $4 WHERE company_id = $1 AND id = $2 AND seen_at < $3",
        );
        query.bind(self.company.0).bind(id).bind(at).bind(idle_until).execute(self.db()).await?;
        Ok(())
    }

    /// Ends a session, from the next request on. Doing it twice changes nothing.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn revoke_browser_session(&mut self, id: Uuid, at: DateTime<Utc>) -> Result<(), StoreError> {
        let query = sqlx::query(
            "UPDATE browser_session SET revoked_at = coalesce(revoked_at, $3) WHERE company_id = $1 AND id = $2",
        );
        let done = query.bind(self.company.0).bind(id).bind(at).execute(self.db()).await?;
        if done.rows_affected() == 0 { Err(StoreError::NotFound { what: "session" }) } else { Ok(()) }
    }

    /// Ends all sessions of a person or a link but `except`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn revoke_browser_sessions_of(
        &mut self,
        holder: Holder,
        except: Option<Uuid>,
        at: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        sqlx::query(
            "UPDATE browser_session SET revoked_at = $4
             WHERE company_id = $1 AND (person_id = $2 OR crew_link_id = $3) AND revoked_at IS NULL
               AND id IS DISTINCT FROM $5",
        )
        .bind(self.company.0)
        .bind(holder.person())
        .bind(holder.crew_link())
        .bind(at)
        .bind(except)
        .execute(self.db())
        .await?;
        Ok(())
    }
}
