//! Where notices are sent to. Secrets are stored in clear, because both sides sign with them.

use super::{NoticeKind, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use std::fmt;
use uuid::Uuid;

/// The columns of [`WebhookRow`].
const COLUMNS: &str = "id, address, kinds, after_number, old_secret_until, off_at, off_because, version, created_at";

/// What to store.
#[derive(Clone)]
pub struct NewWebhook {
    /// Where to.
    pub address: String,
    /// Which notices; empty: all.
    pub kinds: Vec<NoticeKind>,
    /// What deliveries are signed with.
    pub secret: Vec<u8>,
    /// When it is made.
    pub at: DateTime<Utc>,
}

/// Without the secret.
impl fmt::Debug for NewWebhook {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("NewWebhook").field("address", &self.address).field("kinds", &self.kinds).finish_non_exhaustive()
    }
}

/// What is stored, without the secrets.
#[derive(Debug, Clone, FromRow)]
pub struct WebhookRow {
    /// Rising with time.
    pub id: Uuid,
    /// Where to.
    pub address: String,
    /// Which notices, in their words; empty: all.
    pub kinds: Vec<String>,
    /// It is told of notices with higher numbers.
    pub after_number: i64,
    /// Until when the secret before the present one signs, too.
    pub old_secret_until: Option<DateTime<Utc>>,
    /// Since when nothing is sent any more.
    pub off_at: Option<DateTime<Utc>>,
    /// Why.
    pub off_because: Option<String>,
    /// Rises with every change of address, kinds or secret, and when it is switched off.
    pub version: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
}

impl Session {
    /// Makes a webhook, which is told of everything that becomes known from now on.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn insert_webhook(&mut self, new: &NewWebhook) -> Result<WebhookRow, StoreError> {
        // Nobody gets a number meanwhile: the line between what it is told of and what not is sharp.
        let after = self.count_notices(0).await?;
        let statement = format!(
            "INSERT INTO webhook (company_id, id, address, kinds, secret, after_number, created_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING {COLUMNS}"
        );
        Ok(sqlx::query_as(sqlx::AssertSqlSafe(statement))
            .bind(self.company.0)
            .bind(super::new_id())
            .bind(&new.address)
            .bind(new.kinds.iter().map(|kind| kind.word()).collect::<Vec<_>>())
            .bind(&new.secret)
            .bind(after)
            .bind(new.at)
            .fetch_one(self.db())
            .await?)
    }

    /// All webhooks, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn webhooks(&mut self) -> Result<Vec<WebhookRow>, StoreError> {
        let statement = format!("SELECT {COLUMNS} FROM webhook WHERE company_id = $1 ORDER BY id");
        let query = sqlx::query_as(sqlx::AssertSqlSafe(statement)).bind(self.company.0);
        Ok(query.fetch_all(self.db()).await?)
    }

    /// One webhook.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn webhook(&mut self, id: Uuid) -> Result<WebhookRow, StoreError> {
        let statement = format!("SELECT {COLUMNS} FROM webhook WHERE company_id = $1 AND id = $2");
        let query = sqlx::query_as(sqlx::AssertSqlSafe(statement)).bind(self.company.0).bind(id);
        query.fetch_optional(self.db()).await?.ok_or(StoreError::NotFound { what: "webhook" })
    }

    /// Signs with another secret from now on; the present one signs beside it until `old_until`. One that still signs
    /// from an earlier change does so no more.
    ///
    /// # Errors
    /// `NotFound`, `Stale`.
    pub async fn rotate_webhook(
        &mut self,
        id: Uuid,
        version: i64,
        secret: &[u8],
        old_until: DateTime<Utc>,
    ) -> Result<WebhookRow, StoreError> {
        let statement = format!(
            "UPDATE webhook SET old_secret = secret, old_secret_until = $5, secret = $4, version = version + 1
             WHERE company_id = $1 AND id = $2 AND version = $3 RETURNING {COLUMNS}"
        );
        let query = sqlx::query_as(sqlx::AssertSqlSafe(statement));
        let query = query.bind(self.company.0).bind(id).bind(version).bind(secret).bind(old_until);
        match query.fetch_optional(self.db()).await? {
            Some(row) => Ok(row),
            None => Err(StoreError::Stale { current: self.webhook(id).await?.version }),
        }
    }

    /// Sends nothing to it any more; what waits is dead.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn switch_webhook_off(&mut self, id: Uuid, at: DateTime<Utc>, because: &str) -> Result<(), StoreError> {
        // As below: nothing new is on its way to it when what waits is put away.
        self.count_notices(0).await?;
        sqlx::query(
            "UPDATE webhook SET off_at = $3, off_because = $4, version = version + 1
             WHERE company_id = $1 AND id = $2 AND off_at IS NULL",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(at)
        .bind(because)
        .execute(self.db())
        .await?;
        sqlx::query(
            "UPDATE delivery SET status = 'dead', settled_at = $3, lease = NULL, lease_until = NULL,
                                 failure = coalesce(failure, 'the webhook is switched off')
             WHERE company_id = $1 AND webhook_id = $2 AND status = 'waiting'",
        )
        .bind(self.company.0)
        .bind(id)
        .bind(at)
        .execute(self.db())
        .await?;
        Ok(())
    }

    /// Removes a webhook at `version` with everything that was or is to be sent to it.
    ///
    /// # Errors
    /// `NotFound`, `Stale`.
    pub async fn delete_webhook(&mut self, id: Uuid, version: i64) -> Result<(), StoreError> {
        // Nobody makes a delivery for it meanwhile, and everybody takes this lock before that of a webhook.
        self.count_notices(0).await?;
        let current = self.webhook(id).await?.version;
        if current != version {
            return Err(StoreError::Stale { current });
        }
        for statement in [
            "DELETE FROM delivery WHERE company_id = $1 AND webhook_id = $2",
            "DELETE FROM webhook WHERE company_id = $1 AND id = $2",
        ] {
            sqlx::query(statement).bind(self.company.0).bind(id).execute(self.db()).await?;
        }
        Ok(())
    }
}
