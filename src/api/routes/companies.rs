//! Companies: founded by the operator; each sees and changes only itself.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Anybody, Caller, Office, bearer};
use super::super::headers::{idempotency_key, if_match};
use super::super::once::{Turn, fingerprint, stored, take_turn};
use super::super::problem::Problem;
use super::super::registry;
use super::super::reply::Reply;
use super::tokens::id_in;
use crate::service::{CompanyBody, CompanyView, TokenView, company_of_key};
use crate::store::{Act, CompanyId, CompanyRow, Doer, StoreError, new_id};
use actix_web::dev::Payload;
use actix_web::http::header;
use actix_web::{FromRequest, HttpRequest, HttpResponse, get, post, put, web};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::future::{Ready, ready};
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;

/// A new company and the key to it.
#[derive(Debug, Serialize, ToSchema)]
struct FoundedBody {
    /// The company.
    #[serde(flatten)]
    company: CompanyView,
    /// The first token of its office; the secret is in the first reply only.
    token: TokenView,
}

/// Whoever has the operator's token.
struct Operator;

impl FromRequest for Operator {
    type Error = Problem;
    type Future = Ready<Result<Operator, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let known = request.app_data::<web::Data<Api>>().and_then(|api| api.operator);
        let Some(known) = known else {
            return ready(Err(Problem::new(
                registry::OPERATOR_NEEDED,
                "this server was started without an operator token",
            )));
        };
        // Compared by hash: the time it takes tells nothing about the token.
        let given = bearer(request).map(|token| <[u8; 32]>::from(Sha256::digest(token.as_bytes())));
        if given == Some(known) {
            Act::by(Doer::Operator, None);
            return ready(Ok(Operator));
        }
        let problem = Problem::new(registry::UNAUTHENTICATED, "the request does not have the operator's token");
        ready(Err(problem.header(header::WWW_AUTHENTICATE, "Bearer realm=\"tackfree operator\"")))
    }
}

/// Found a company; the reply has the first token of its office.
#[utoipa::path(
    tag = "companies",
    operation_id = "create company",
    request_body = CompanyBody,
    responses((status = 201, description = "The company and its first token", body = FoundedBody)),
    security(("operator" = [])),
    extensions(("x-roles" = json!(["operator"])))
)]
#[post("/v1/companies")]
async fn found(
    api: web::Data<Api>,
    _operator: Operator,
    request: HttpRequest,
    body: Body<CompanyBody>,
) -> Result<HttpResponse, Problem> {
    let key = idempotency_key(&request)?;
    let company = key.as_deref().map_or_else(|| CompanyId(new_id()), company_of_key);
    let print = fingerprint(&request, &body.sha256);
    let mut session = api.service.store().session(company).await?;
    let founded = match api.service.found_company(&mut session, &body.value).await {
        Ok(founded) => founded,
        Err(error) => {
            let problem = Problem::from(error);
            drop(session);
            return match key {
                // The company of this key is there already: the request came twice.
                Some(key) if problem.kind() == registry::KEY_TAKEN => again(&api, company, &key, &print).await,
                _ => Err(problem),
            };
        }
    };
    let view = CompanyView::of(&founded.company)?;
    let token_id = founded.token.id;
    let token = TokenView::of_office(founded.token, &founded.secret);
    let kept = FoundedBody { company: view.clone(), token: TokenView { secret: None, ..token.clone() } };
    let reply = Reply::created("/v1/company", &FoundedBody { company: view, token })?;
    let reply = reply.version(founded.company.version).keeping(&kept)?;
    if let Some(key) = &key
        && let Turn::Ours(ticket) = take_turn(&mut session, token_id, key, &print).await?
    {
        session.finish_request(ticket, &stored(&reply)?).await?;
    }
    session.commit().await?;
    Ok(reply.send())
}

/// The reply is kept with the company's first token.
async fn again(api: &Api, company: CompanyId, key: &str, print: &[u8; 32]) -> Result<HttpResponse, Problem> {
    let mut session = api.service.store().session(company).await?;
    let first = session.tokens().await?.first().map(|token| token.id);
    let first = first.ok_or(StoreError::NotFound { what: "company" })?;
    match take_turn(&mut session, first, key, print).await? {
        Turn::Before(response) => Ok(response),
        // Too long ago to be answered again; dropped, the session leaves no trace.
        Turn::Ours(_) => {
            let detail = "the company of this Idempotency-Key was founded long ago";
            Err(Problem::new(registry::KEY_TAKEN, detail))
        }
    }
}

/// Another token for the office of a company, for when all others are lost.
#[utoipa::path(
    tag = "companies",
    operation_id = "create office token",
    params(("id" = uuid::Uuid, Path, description = "Identifier of the company")),
    responses((status = 201, description = "With its secret", body = TokenView)),
    security(("operator" = [])),
    extensions(("x-roles" = json!(["operator"])))
)]
#[post("/v1/companies/{id}/tokens")]
async fn office_token(
    api: web::Data<Api>,
    _operator: Operator,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let company = CompanyId(id_in(&id, "company")?);
    let key = idempotency_key(&request)?;
    let print = fingerprint(&request, &[]);
    let mut session = api.service.store().session(company).await?;
    let (row, secret) = api.service.office_token(&mut session).await?;
    let token = TokenView::of_office(row, &secret);
    let kept = TokenView { secret: None, ..token.clone() };
    let reply = Reply::created(format!("/v1/tokens/{}", token.id), &token)?.keeping(&kept)?;
    if let Some(key) = &key {
        let first = session.tokens().await?.first().map_or(token.id, |token| token.id);
        match take_turn(&mut session, first, key, &print).await? {
            Turn::Ours(ticket) => session.finish_request(ticket, &stored(&reply)?).await?,
            Turn::Before(response) => return Ok(response),
        }
    }
    session.commit().await?;
    Ok(reply.send())
}

fn reply_of(row: &CompanyRow) -> Result<Reply, Problem> {
    Ok(Reply::ok(&CompanyView::of(row)?)?.version(row.version).modified(row.updated_at))
}

/// The company of the token.
#[utoipa::path(
    tag = "companies",
    operation_id = "show company",
    responses((status = 200, description = "As it is now", body = CompanyView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/company")]
async fn show(api: web::Data<Api>, caller: Caller<Anybody>, request: HttpRequest) -> Result<HttpResponse, Problem> {
    let mut session = api.snapshot(caller.company).await?;
    let row = session.company_row().await?;
    Ok(reply_of(&row)?.send_if_new(&request))
}

/// Change the company's name and settings.
#[utoipa::path(
    tag = "companies",
    operation_id = "change company",
    params(("If-Match" = String, Header, description = "ETag of what is changed, or *")),
    request_body = CompanyBody,
    responses((status = 200, description = "As it is now", body = CompanyView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[put("/company")]
async fn change(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    body: Body<CompanyBody>,
) -> Result<HttpResponse, Problem> {
    let wanted = if_match(&request)?;
    let row = api
        .write(caller.company, async |session| {
            let version = wanted.version(session.company_row().await?.version)?;
            Ok(api.service.change_company(session, version, &body.value).await?)
        })
        .await?;
    Ok(reply_of(&row)?.send())
}

pub(super) fn configure_operator(config: &mut ServiceConfig) {
    config.service(found).service(office_token);
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(show).service(change);
}
