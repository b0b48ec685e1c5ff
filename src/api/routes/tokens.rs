//! Tokens: made, listed, taken back.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Caller, Office};
use super::super::once::Once;
use super::super::page::Page;
use super::super::problem::Problem;
use super::super::reply::Reply;
use crate::service::{TokenBody, TokenView};
use crate::store::StoreError;
use actix_web::{HttpRequest, HttpResponse, delete, get, post, web};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// An identifier in an address; what cannot be one is nobody's.
pub(super) fn id_in(path: &str, what: &'static str) -> Result<Uuid, Problem> {
    Uuid::try_parse(path).map_err(|_| StoreError::NotFound { what }.into())
}

/// Make a token. Its secret is in the first reply only.
#[utoipa::path(
    tag = "tokens",
    operation_id = "create token",
    request_body = TokenBody,
    responses((status = 201, description = "With its secret", body = TokenView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/tokens")]
async fn create(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    body: Body<TokenBody>,
) -> Result<HttpResponse, Problem> {
    let once = Once::new(&api, &caller, &request, &body.sha256)?;
    once.run(async |session| {
        let token = api.service.create_token(session, &body.value).await?;
        let reply = Reply::created(format!("/v1/tokens/{}", token.id), &token)?;
        reply.keeping(&TokenView { secret: None, ..token })
    })
    .await
}

/// All tokens, oldest first, revoked ones too, without their secrets.
#[utoipa::path(
    tag = "tokens",
    operation_id = "list tokens",
    responses((status = 200, description = "All of them", body = Page<TokenView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/tokens")]
async fn list(api: web::Data<Api>, caller: Caller<Office>, request: HttpRequest) -> Result<HttpResponse, Problem> {
    let mut session = api.snapshot(caller.company).await?;
    let items = api.service.tokens(&mut session).await?;
    Ok(Reply::ok(&Page { items })?.send_if_new(&request))
}

/// Take a token back, from the next request on. Doing it twice changes nothing.
#[utoipa::path(
    tag = "tokens",
    operation_id = "revoke token",
    params(("id" = Uuid, Path, description = "Its identifier")),
    responses((status = 204, description = "It is worth nothing any more")),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[delete("/tokens/{id}")]
async fn revoke(api: web::Data<Api>, caller: Caller<Office>, id: web::Path<String>) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "token")?;
    api.write(caller.company, async |session| Ok(session.revoke_token(id).await?)).await?;
    Ok(HttpResponse::NoContent().finish())
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(create).service(list).service(revoke);
}
