//! Notices on their way to webhooks. Whoever sends one leases it first and settles it afterwards, in transactions of
//! their own: none is held over the network. When the sender dies, the lease runs out and another sends it again: at
//! least once.

use super::{CompanyId, Document, NoticeKind, Session, Store, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use std::fmt;
use uuid::Uuid;

/// The columns of [`DeliveryRow`].
const COLUMNS: &str = "d.id, d.number, n.kind, d.status, d.tries, d.due_at, d.tried_at, d.reply_status, d.failure, \
     d.settled_at, n.created_at";

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::Type)]
#[sqlx(type_name = "text", rename_all = "snake_case")]
pub enum DeliveryStatus {
    /// It will be sent, or sent again.
    Waiting,
    /// It has arrived.
    Done,
    /// It is not tried any more.
    Dead,
}

/// A delivery as it stands.
#[derive(Debug, Clone, FromRow)]
pub struct DeliveryRow {
    /// Never changes.
    pub id: Uuid,
    /// Of the notice.
    pub number: i64,
    /// Of the notice.
    #[sqlx(try_from = "String")]
    pub kind: NoticeKind,
    /// How it stands.
    pub status: DeliveryStatus,
    /// How often it was tried.
    pub tries: i32,
    /// When it is tried next, if it waits.
    pub due_at: DateTime<Utc>,
    /// When it was tried last.
    pub tried_at: Option<DateTime<Utc>>,
    /// HTTP status of the last reply.
    pub reply_status: Option<i16>,
    /// What went wrong with the last try.
    pub failure: Option<String>,
    /// When it arrived, or was given up.
    pub settled_at: Option<DateTime<Utc>>,
    /// When the notice became true.
    pub created_at: DateTime<Utc>,
}

/// The right to send one delivery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, FromRow)]
pub struct Lease {
    /// Whose it is.
    #[sqlx(rename = "company_id", try_from = "Uuid")]
    pub company: CompanyId,
    /// Of the delivery.
    pub id: Uuid,
    /// Of this lease.
    pub lease: Uuid,
}

impl From<Uuid> for CompanyId {
    fn from(id: Uuid) -> CompanyId {
        CompanyId(id)
    }
}

/// Everything that sending takes.
#[derive(Clone, FromRow)]
pub struct ToSend {
    /// To which webhook.
    pub webhook_id: Uuid,
    /// Where that is.
    pub address: String,
    /// What it is signed with.
    pub secret: Vec<u8>,
    /// What it is signed with, too.
    pub old_secret: Option<Vec<u8>>,
    /// Until when.
    pub old_secret_until: Option<DateTime<Utc>>,
    /// How often it was tried, this one included.
    pub tries: i32,
    /// The notice.
    pub notice_id: Uuid,
    /// Of the notice.
    pub number: i64,
    /// Of the notice.
    #[sqlx(try_from = "String")]
    pub kind: NoticeKind,
    /// Of the notice.
    pub doc: Document,
    /// Of the notice.
    pub created_at: DateTime<Utc>,
}

/// Without the secrets.
impl fmt::Debug for ToSend {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut shown = f.debug_struct("ToSend");
        shown.field("webhook_id", &self.webhook_id).field("number", &self.number).field("tries", &self.tries);
        shown.finish_non_exhaustive()
    }
}

/// What came of a try.
#[derive(Debug, Clone)]
pub struct Settled {
    /// How it stands now.
    pub status: DeliveryStatus,
    /// When it is tried again, if it waits.
    pub due_at: DateTime<Utc>,
    /// HTTP status of the reply, if there was one.
    pub reply_status: Option<u16>,
    /// What went wrong.
    pub failure: Option<String>,
    /// When the try ended.
    pub at: DateTime<Utc>,
}

impl Store {
    /// Leases up to `most` deliveries of any company that are due at `now`, up to `each` of one webhook. Should a
    /// connection be lost on the way, what it had leased is due again when that lease runs out.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn lease_deliveries(
        &self,
        now: DateTime<Utc>,
        until: DateTime<Utc>,
        most: u16,
        each: u16,
    ) -> Result<Vec<Lease>, StoreError> {
        self.retry_lost(|| {
            let query = sqlx::query_as("SELECT company_id, id, lease FROM lease_deliveries($1, $2, $3, $4)");
            query.bind(now).bind(until).bind(i32::from(most)).bind(i32::from(each)).fetch_all(self.pool())
        })
        .await
    }
}

impl Session {
    /// What is to be sent under this lease; nothing, when it has run out or the webhook has gone.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn leased_delivery(&mut self, lease: &Lease) -> Result<Option<ToSend>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT d.webhook_id, w.address, w.secret, w.old_secret, w.old_secret_until, d.tries, n.id AS notice_id,
                    n.number, n.kind, n.doc, n.created_at
             FROM delivery d JOIN webhook w ON (w.company_id, w.id) = (d.company_id, d.webhook_id)
                             JOIN notice n ON (n.company_id, n.number) = (d.company_id, d.number)
             WHERE d.company_id = $1 AND d.id = $2 AND d.lease = $3 AND d.status = 'waiting' AND w.off_at IS NULL",
        )
        .bind(self.company.0)
        .bind(lease.id)
        .bind(lease.lease)
        .fetch_optional(self.db())
        .await?)
    }

    /// Writes down what came of a try; whether the lease still held.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn settle_delivery(&mut self, lease: &Lease, settled: &Settled) -> Result<bool, StoreError> {
        let done = sqlx::query(
            "UPDATE delivery SET status = $4, due_at = $5, reply_status = $6, failure = $7, lease = NULL,
                                 lease_until = NULL, settled_at = CASE WHEN $4 = 'waiting' THEN NULL ELSE $8 END
             WHERE company_id = $1 AND id = $2 AND lease = $3 AND status = 'waiting'",
        )
        .bind(self.company.0)
        .bind(lease.id)
        .bind(lease.lease)
        .bind(settled.status)
        .bind(settled.due_at)
        .bind(settled.reply_status.and_then(|status| i16::try_from(status).ok()))
        .bind(&settled.failure)
        .bind(settled.at)
        .execute(self.db())
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// Up to `limit` deliveries to a webhook that stand so, newest notice first, with numbers below `below`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn deliveries(
        &mut self,
        webhook: Uuid,
        status: Option<DeliveryStatus>,
        below: Option<i64>,
        limit: u32,
    ) -> Result<Vec<DeliveryRow>, StoreError> {
        let statement = format!(
            "SELECT {COLUMNS} FROM delivery d JOIN notice n ON (n.company_id, n.number) = (d.company_id, d.number)
             WHERE d.company_id = $1 AND d.webhook_id = $2 AND ($3::text IS NULL OR d.status = $3) AND d.number < $4
             ORDER BY d.number DESC LIMIT $5"
        );
        Ok(sqlx::query_as(sqlx::AssertSqlSafe(statement))
            .bind(self.company.0)
            .bind(webhook)
            .bind(status)
            .bind(below.unwrap_or(i64::MAX))
            .bind(i64::from(limit))
            .fetch_all(self.db())
            .await?)
    }

    /// Has a delivery tried (again) at once, with all tries before it; one that is being sent at this moment is left alone.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn replay_delivery(
        &mut self,
        webhook: Uuid,
        id: Uuid,
        at: DateTime<Utc>,
    ) -> Result<DeliveryRow, StoreError> {
        sqlx::query(
            "UPDATE delivery SET status = 'waiting', tries = 0, due_at = $4, settled_at = NULL, lease = NULL,
                                 lease_until = NULL
             WHERE company_id = $1 AND webhook_id = $2 AND id = $3 AND (lease_until IS NULL OR lease_until <= $4)",
        )
        .bind(self.company.0)
        .bind(webhook)
        .bind(id)
        .bind(at)
        .execute(self.db())
        .await?;
        let statement = format!(
            "SELECT {COLUMNS} FROM delivery d JOIN notice n ON (n.company_id, n.number) = (d.company_id, d.number)
             WHERE d.company_id = $1 AND d.webhook_id = $2 AND d.id = $3"
        );
        let query = sqlx::query_as(sqlx::AssertSqlSafe(statement)).bind(self.company.0).bind(webhook).bind(id);
        query.fetch_optional(self.db()).await?.ok_or(StoreError::NotFound { what: "delivery" })
    }
}
