//! A region's forecast on its own, so that whoever brings the weather need not know the rest.

use super::super::Api;
use super::super::body::{Body, FORECAST_BYTES_MAX};
use super::super::caller::{Anybody, Caller, Office};
use super::super::headers::if_match;
use super::super::problem::Problem;
use super::super::reply::Reply;
use super::nouns::key_in;
use crate::dto::{ForecastDto, Located, RegionDto};
use crate::service::{ServiceError, Stored};
use actix_web::{HttpRequest, HttpResponse, get, put, web};
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

/// A new forecast for a region.
#[utoipa::path(
    tag = "regions",
    operation_id = "change forecast",
    params(
        ("key" = String, Path, description = "Key of the region"),
        ("If-Match" = String, Header, description = "ETag of the region or its forecast, or *")
    ),
    request_body = ForecastDto,
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
    body: Body<ForecastDto, FORECAST_BYTES_MAX>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "region")?;
    let wanted = if_match(&request)?;
    // Judged on its own, so that pointers are into what was sent.
    let faults: Vec<_> = body.value.check().iter().map(|located: &Located| located.into()).collect();
    if !faults.is_empty() {
        return Err(ServiceError::Invalid(faults).into());
    }
    let forecast = body.value;
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

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(show).service(change);
}
