//! A region's forecast on its own, so that whoever brings the weather need not know the rest.

use super::super::Api;
use super::super::body::ForecastBody;
use super::super::caller::{Anybody, Caller, Office};
use super::super::headers::if_match;
use super::super::once::Once;
use super::super::problem::Problem;
use super::super::reply::Reply;
use super::nouns::key_in;
use crate::dto::{FaultDto, ForecastDto, RegionDto};
use crate::service::{ForecastFetched, ServiceError, Stored};
use crate::weather::gridpoint::GridpointDocument;
use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use utoipa_actix_web::service_config::ServiceConfig;

fn reply(stored: &Stored<RegionDto>) -> Result<Reply, Problem> {
    Ok(Reply::ok(&stored.doc.forecast)?.version(stored.version).modified(stored.updated_at))
}

/// The forecast of a region.
#[utoipa::path(
    tag = "regions",
    operation_id = "show forecast",
    params(("key" = String, Path, description = "Key of the region")),
    responses((status = 200, description = "As it is now", body = ForecastDto)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/regions/{key}/forecast")]
async fn show(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "region")?;
    let mut session = api.snapshot(caller.company).await?;
    let stored = api.service.noun::<RegionDto>(&mut session, &key).await?;
    Ok(reply(&stored)?.send_if_new(&request))
}

/// A new forecast for a region: as JSON, as a table (`text/csv`; columns `start`, `temp_c` or `temp_f`, `rh_percent`,
/// `rain_mm` or `rain_in`), or as the US National Weather Service gives it out for a gridpoint (`application/geo+json`).
#[utoipa::path(
    tag = "regions",
    operation_id = "change forecast",
    params(
        ("key" = String, Path, description = "Key of the region"),
        ("If-Match" = String, Header, description = "ETag of the region or its forecast, or *")
    ),
    request_body(content(
        (ForecastDto = "application/json"),
        (GridpointDocument = "application/geo+json"),
        (String = "text/csv", example = "start,temp_c,rh_percent\n2026-03-09T12:00:00Z,11.5,64\n")
    )),
    responses((status = 200, description = "As it is now", body = ForecastDto)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[put("/regions/{key}/forecast")]
async fn change(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    key: web::Path<String>,
    body: ForecastBody,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "region")?;
    let wanted = if_match(&request)?;
    // Judged on its own, so that pointers are into what was sent.
    let forecast = body.0.map_err(|faults| ServiceError::Invalid(faults.iter().map(FaultDto::from).collect()))?;
    let stored = api
        .write(caller.company, async |session| {
            let before = api.service.noun::<RegionDto>(session, &key).await?;
            let version = wanted.version(before.version)?;
            let region = RegionDto { forecast, ..before.doc };
            Ok(api.service.change_noun(session, &key, version, &region).await?)
        })
        .await?;
    Ok(reply(&stored)?.send())
}

/// Fetch the forecast of a region's gridpoint from the US National Weather Service. Hours of the old forecast that are
/// over stay in front of the new one.
#[utoipa::path(
    tag = "regions",
    operation_id = "fetch forecast",
    params(("key" = String, Path, description = "Key of the region")),
    responses(
        (status = 200, description = "What the region has now", body = ForecastFetched),
        (status = 502, description = "The weather service gave no forecast", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/regions/{key}/forecast/fetch")]
async fn fetch(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "region")?;
    let once = Once::new(&api, &caller, &request, &[])?;
    once.prepare_and_run(
        async || Ok(api.service.fetch_forecast(caller.company, &key).await?),
        async |session, brought| Reply::ok(&api.service.keep_forecast(session, brought).await?),
    )
    .await
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(show).service(change).service(fetch);
}
