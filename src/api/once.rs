//! The same request twice: with an Idempotency-Key, what was done is answered again and not done again. Replies are kept
//! in the transaction of what they tell of; refusals are not kept.

use super::Api;
use super::caller::Caller;
use super::headers::idempotency_key;
use super::problem::Problem;
use super::registry;
use super::reply::Reply;
use crate::store::{Begun, CompanyId, Document, Session, StoredResponse, Ticket};
use actix_web::http::StatusCode;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse};
use sha2::{Digest, Sha256};
use std::convert::Infallible;
use std::time::Duration;
use uuid::Uuid;

/// How long a key is kept for a request that does not show that it is still at it. After a crash, the key is free again
/// when it is over: somebody on a floor waits for it.
const LEASE: Duration = Duration::from_secs(10);
/// How often it shows it: plannings take longer than the lease.
const RENEWED_EVERY: Duration = Duration::from_secs(3);
/// Says that a reply was given before.
const REPLAYED: &str = "idempotency-replayed";

/// A request that may come twice.
pub struct Once<'a> {
    api: &'a Api,
    company: CompanyId,
    token_id: Uuid,
    key: Option<String>,
    fingerprint: [u8; 32],
}

/// What is said about a key.
pub(super) enum Turn {
    /// It is ours.
    Ours(Ticket),
    /// It was answered so before.
    Before(HttpResponse),
}

impl<'a> Once<'a> {
    /// For a request with this body.
    pub fn new<A>(
        api: &'a Api,
        caller: &Caller<A>,
        request: &HttpRequest,
        body_sha256: &[u8],
    ) -> Result<Once<'a>, Problem> {
        let key = idempotency_key(request)?;
        let fingerprint = fingerprint(request, body_sha256);
        Ok(Once { api, company: caller.company, token_id: caller.token_id, key, fingerprint })
    }

    /// Does it, or answers again.
    pub async fn run(
        self,
        apply: impl AsyncFnOnce(&mut Session) -> Result<Reply, Problem>,
    ) -> Result<HttpResponse, Problem> {
        self.prepare_and_run(async || Ok(()), async |session, ()| apply(session).await).await
    }

    /// As [`Once::run`], with work before that needs no transaction and would hold one up for long.
    pub async fn prepare_and_run<P>(
        self,
        prepare: impl AsyncFnOnce() -> Result<P, Problem>,
        apply: impl AsyncFnOnce(&mut Session, P) -> Result<Reply, Problem>,
    ) -> Result<HttpResponse, Problem> {
        let Some(key) = &self.key else {
            let prepared = prepare().await?;
            let mut session = self.session().await?;
            let reply = apply(&mut session, prepared).await?;
            session.commit().await?;
            return Ok(reply.send());
        };
        let mut session = self.session().await?;
        let turn = take_turn(&mut session, self.token_id, key, &self.fingerprint).await?;
        session.commit().await?;
        let ticket = match turn {
            Turn::Ours(ticket) => ticket,
            Turn::Before(response) => return Ok(response),
        };
        let done = tokio::select! {
            done = self.work(ticket, prepare, apply) => done,
            never = self.go_on_renewing(ticket) => match never {},
        };
        match done {
            Ok(reply) => Ok(reply.send()),
            Err(problem) => {
                self.give_back(ticket).await;
                Err(problem)
            }
        }
    }

    async fn work<P>(
        &self,
        ticket: Ticket,
        prepare: impl AsyncFnOnce() -> Result<P, Problem>,
        apply: impl AsyncFnOnce(&mut Session, P) -> Result<Reply, Problem>,
    ) -> Result<Reply, Problem> {
        let prepared = prepare().await?;
        let mut session = self.session().await?;
        let reply = apply(&mut session, prepared).await?;
        session.finish_request(ticket, &stored(&reply)?).await?;
        session.commit().await?;
        Ok(reply)
    }

    /// For as long as the work goes on.
    async fn go_on_renewing(&self, ticket: Ticket) -> Infallible {
        loop {
            tokio::time::sleep(RENEWED_EVERY).await;
            let renewed = async {
                let mut session = self.session().await?;
                session.renew_request(ticket, LEASE).await?;
                Ok::<(), Problem>(session.commit().await?)
            };
            if let Err(problem) = renewed.await {
                tracing::debug!(%problem, "the lease of an idempotency key was not renewed");
            }
        }
    }

    /// Nothing was done, so the client may try again at once. Should this fail, the lease runs out by itself; should the
    /// work have been done after all, the ticket is no longer in progress and stays.
    async fn give_back(&self, ticket: Ticket) {
        let given = async {
            let mut session = self.session().await?;
            session.release_request(ticket).await?;
            Ok::<(), Problem>(session.commit().await?)
        };
        if let Err(problem) = given.await {
            tracing::debug!(%problem, "an idempotency key was not given back");
        }
    }

    async fn session(&self) -> Result<Session, Problem> {
        Ok(self.api.service.store().session(self.company).await?)
    }
}

/// What makes two requests the same: method, address and body.
pub(super) fn fingerprint(request: &HttpRequest, body_sha256: &[u8]) -> [u8; 32] {
    let mut hash = Sha256::new();
    for part in [request.method().as_str(), request.path(), request.query_string()] {
        hash.update(part.as_bytes());
        hash.update([0]);
    }
    hash.update(body_sha256);
    hash.finalize().into()
}

/// Whose turn it is.
pub(super) async fn take_turn(
    session: &mut Session,
    token_id: Uuid,
    key: &str,
    fingerprint: &[u8; 32],
) -> Result<Turn, Problem> {
    match session.begin_request(token_id, key, fingerprint, LEASE).await? {
        Begun::New(ticket) => Ok(Turn::Ours(ticket)),
        Begun::Replay(response) => Ok(Turn::Before(replay(response)?)),
        Begun::InProgress => {
            let problem = Problem::new(registry::IDEMPOTENCY_IN_PROGRESS, "the first one is not finished");
            Err(problem.header(header::RETRY_AFTER, "1"))
        }
        Begun::OtherBody => {
            let detail = "method, address or body differ from those the key was first used with";
            Err(Problem::new(registry::IDEMPOTENCY_OTHER_REQUEST, detail))
        }
    }
}

/// As it is kept.
pub(super) fn stored(reply: &Reply) -> Result<StoredResponse, Problem> {
    let status = i16::try_from(reply.status.as_u16()).unwrap_or(200);
    let body = reply.kept.clone().unwrap_or_else(|| reply.body.clone());
    Ok(StoredResponse { status, headers: Document::of(&reply.headers)?, body })
}

fn replay(stored: StoredResponse) -> Result<HttpResponse, Problem> {
    let status = u16::try_from(stored.status).ok().and_then(|status| StatusCode::from_u16(status).ok());
    let headers: Vec<(String, String)> = stored.headers.parse()?;
    let reply = Reply { status: status.unwrap_or(StatusCode::OK), headers, body: stored.body, kept: None };
    Ok(reply.with(REPLAYED, "true").send())
}
