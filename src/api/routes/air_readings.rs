//! The air in a house, as somebody measured it there.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Anybody, Caller, Reporters};
use super::super::once::Once;
use super::super::page::{Cursor, Page, PageQuery};
use super::super::problem::Problem;
use super::super::reply::Reply;
use super::nouns::{key_in, page_reply};
use crate::service::{AirReadingBody, AirReadingView, Reporter};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// Report the air in a house. For a day it overrules what is computed from the weather, less and less; readings are
/// never changed.
#[utoipa::path(
    tag = "houses",
    operation_id = "report air",
    params(("key" = String, Path, description = "Key of the house")),
    request_body = AirReadingBody,
    responses((status = 201, description = "As it was kept", body = AirReadingView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew"])))
)]
#[post("/houses/{key}/air-readings")]
async fn report(
    api: web::Data<Api>,
    caller: Caller<Reporters>,
    request: HttpRequest,
    key: web::Path<String>,
    body: Body<AirReadingBody>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "house")?;
    let once = Once::new(&api, &caller, &request, &body.sha256)?;
    let reporter = Reporter { crew_id: caller.crew_id };
    once.run(async |session| {
        let reading = api.service.report_air(session, &key, &reporter, &body.value).await?;
        Reply::created(format!("/v1/houses/{}/air-readings", *key), &reading)
    })
    .await
}

/// The readings of a house, the one reported last first.
#[utoipa::path(
    tag = "houses",
    operation_id = "list air readings",
    params(("key" = String, Path, description = "Key of the house"), PageQuery),
    responses((status = 200, description = "A page", body = Page<AirReadingView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/houses/{key}/air-readings")]
async fn list(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
    query: web::Query<PageQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "house")?;
    let (limit, before) = (query.limit()?, query.row()?);
    let mut session = api.snapshot(caller.company).await?;
    let mut readings = api.service.air_readings(&mut session, &key, before, limit + 1).await?;
    let more = readings.len() > limit as usize;
    readings.truncate(limit as usize);
    let next = readings.last().filter(|_| more).map(|reading| Cursor::Row(reading.id));
    page_reply(&request, readings, next)
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(report).service(list);
}
