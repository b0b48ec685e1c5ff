//! Addresses of calendars: made, listed, taken back.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Caller, Office};
use super::super::once::Once;
use super::super::page::Page;
use super::super::problem::Problem;
use super::super::reply::Reply;
use super::tokens::id_in;
use crate::service::{FeedBody, FeedView};
use actix_web::{HttpRequest, HttpResponse, delete, get, post, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// Make a calendar address. It is in the first reply only, and good until it is taken back.
#[utoipa::path(
    tag = "calendars",
    operation_id = "create feed",
    request_body = FeedBody,
    responses((status = 201, description = "With its address", body = FeedView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/feeds")]
async fn create(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    body: Body<FeedBody>,
) -> Result<HttpResponse, Problem> {
    let once = Once::new(&api, &caller, &request, &body.sha256)?;
    once.run(async |session| {
        let address = |secret: &crate::store::Secret| format!("/feeds/{}.ics", secret.reveal());
        let feed = api.service.create_feed(session, &body.value, address).await?;
        let reply = Reply::created(format!("/v1/feeds/{}", feed.id), &feed)?;
        reply.keeping(&FeedView { address: None, ..feed })
    })
    .await
}

/// All calendar addresses, oldest first, without the addresses themselves.
#[utoipa::path(
    tag = "calendars",
    operation_id = "list feeds",
    responses((status = 200, description = "All of them", body = Page<FeedView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/feeds")]
async fn list(api: web::Data<Api>, caller: Caller<Office>, request: HttpRequest) -> Result<HttpResponse, Problem> {
    let mut session = api.snapshot(caller.company).await?;
    let items = api.service.feeds(&mut session).await?;
    Ok(Reply::ok(&Page { items })?.send_if_new(&request))
}

/// Take a calendar address back. Doing it twice changes nothing.
#[utoipa::path(
    tag = "calendars",
    operation_id = "revoke feed",
    params(("id" = uuid::Uuid, Path, description = "Its identifier")),
    responses((status = 204, description = "It leads nowhere any more")),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[delete("/feeds/{id}")]
async fn revoke(api: web::Data<Api>, caller: Caller<Office>, id: web::Path<String>) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "feed")?;
    api.write(caller.company, async |session| Ok(session.revoke_feed(id).await?)).await?;
    Ok(HttpResponse::NoContent().finish())
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(create).service(list).service(revoke);
}
