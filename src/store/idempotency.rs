//! The same request twice. Whoever asks first gets a lease on the key; the answer is stored in the transaction of the
//! effect, so that neither exists without the other. When the server dies in between, the lease runs out and the next
//! one to ask does the work; should the first still be alive then, its own transaction fails.

use super::{Document, Session, StoreError};
use sqlx::FromRow;
use std::time::Duration;
use uuid::Uuid;

/// How long answers are kept: clients retry for minutes, people until the next day.
pub const REQUESTS_KEPT_HOURS: i32 = 24;

/// The right to answer one request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ticket {
    lease: Uuid,
    token_id: Uuid,
}

/// An answer to give again.
#[derive(Debug, Clone, FromRow)]
pub struct StoredResponse {
    /// HTTP status.
    #[sqlx(rename = "response_status")]
    pub status: i16,
    /// Names and values of the headers that matter.
    #[sqlx(rename = "response_headers")]
    pub headers: Document,
    /// As it was sent.
    #[sqlx(rename = "response_body")]
    pub body: Vec<u8>,
}

/// What there is to do about a request with a key.
#[derive(Debug, Clone)]
pub enum Begun {
    /// Do it, and finish with the ticket.
    New(Ticket),
    /// Somebody is at it.
    InProgress,
    /// It has been done: this was the answer.
    Replay(StoredResponse),
    /// The key was used for another request.
    OtherBody,
}

#[derive(FromRow)]
struct Known {
    fingerprint: Vec<u8>,
    #[sqlx(flatten)]
    response: MaybeResponse,
}

#[derive(FromRow)]
struct MaybeResponse {
    response_status: Option<i16>,
    response_headers: Option<Document>,
    response_body: Option<Vec<u8>>,
}

impl Session {
    /// Begins a request of `token_id` (a token, or the person or crew link behind a browser) with `key`, whose content hashes to `fingerprint`. Commit before the work: from
    /// then on others are told that it is in progress, until `lease` has passed.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn begin_request(
        &mut self,
        token_id: Uuid,
        key: &str,
        fingerprint: &[u8; 32],
        lease: Duration,
    ) -> Result<Begun, StoreError> {
        sqlx::query(
            "DELETE FROM idempotency WHERE company_id = $1 AND created_at < now() - make_interval(hours => $2)",
        )
        .bind(self.company.0)
        .bind(REQUESTS_KEPT_HOURS)
        .execute(self.db())
        .await?;
        let ticket = Ticket { lease: Uuid::new_v4(), token_id };
        let taken = sqlx::query(
            "INSERT INTO idempotency AS i (company_id, token_id, key, fingerprint, status, lease, lease_until)
             VALUES ($1, $2, $3, $4, 'in_progress', $5, clock_timestamp() + make_interval(secs => $6))
             ON CONFLICT (company_id, token_id, key) DO UPDATE
             SET lease = excluded.lease, lease_until = excluded.lease_until
             WHERE i.status = 'in_progress' AND i.lease_until < clock_timestamp() AND i.fingerprint = excluded.fingerprint",
        )
        .bind(self.company.0)
        .bind(token_id)
        .bind(key)
        .bind(&fingerprint[..])
        .bind(ticket.lease)
        .bind(lease.as_secs_f64())
        .execute(self.db())
        .await?;
        if taken.rows_affected() == 1 {
            return Ok(Begun::New(ticket));
        }
        let known: Option<Known> = sqlx::query_as(
            "SELECT fingerprint, response_status, response_headers, response_body
             FROM idempotency WHERE company_id = $1 AND token_id = $2 AND key = $3",
        )
        .bind(self.company.0)
        .bind(token_id)
        .bind(key)
        .fetch_optional(self.db())
        .await?;
        Ok(match known {
            Some(known) if known.fingerprint != fingerprint => Begun::OtherBody,
            Some(known) => known.response.complete().map_or(Begun::InProgress, Begun::Replay),
            // Given back by its holder between the two questions; the client asks again.
            None => Begun::InProgress,
        })
    }

    /// Shows that the work goes on: others are told so until another `lease` has passed. Nothing, when it was lost or the
    /// work is done.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn renew_request(&mut self, ticket: Ticket, lease: Duration) -> Result<(), StoreError> {
        sqlx::query(
            "UPDATE idempotency SET lease_until = clock_timestamp() + make_interval(secs => $4)
             WHERE company_id = $1 AND token_id = $2 AND lease = $3 AND status = 'in_progress'",
        )
        .bind(self.company.0)
        .bind(ticket.token_id)
        .bind(ticket.lease)
        .bind(lease.as_secs_f64())
        .execute(self.db())
        .await?;
        Ok(())
    }

    /// Stores the answer, in the transaction of the effect.
    ///
    /// # Errors
    /// `LeaseLost`: drop the session, and with it the effect.
    pub async fn finish_request(&mut self, ticket: Ticket, response: &StoredResponse) -> Result<(), StoreError> {
        let finished = sqlx::query(
            "UPDATE idempotency
             SET status = 'done', response_status = $4, response_headers = $5, response_body = $6
             WHERE company_id = $1 AND token_id = $2 AND lease = $3 AND status = 'in_progress'",
        )
        .bind(self.company.0)
        .bind(ticket.token_id)
        .bind(ticket.lease)
        .bind(response.status)
        .bind(&response.headers)
        .bind(&response.body)
        .execute(self.db())
        .await?;
        if finished.rows_affected() == 1 { Ok(()) } else { Err(StoreError::LeaseLost) }
    }

    /// Gives the key back when the work failed and had no effect, so that the client may try again.
    ///
    /// # Errors
    /// `Unavailable`: then the lease runs out by itself.
    pub async fn release_request(&mut self, ticket: Ticket) -> Result<(), StoreError> {
        sqlx::query(
            "DELETE FROM idempotency
             WHERE company_id = $1 AND token_id = $2 AND lease = $3 AND status = 'in_progress'",
        )
        .bind(self.company.0)
        .bind(ticket.token_id)
        .bind(ticket.lease)
        .execute(self.db())
        .await?;
        Ok(())
    }
}

impl MaybeResponse {
    fn complete(self) -> Option<StoredResponse> {
        let (status, headers) = (self.response_status?, self.response_headers?);
        Some(StoredResponse { status, headers, body: self.response_body? })
    }
}
