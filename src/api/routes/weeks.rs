//! Promised work to look at.

use super::super::Api;
use super::super::caller::{Anybody, Caller};
use super::super::problem::Problem;
use super::super::registry;
use super::super::reply::Reply;
use super::nouns::key_in;
use crate::service::{ServiceError, Week, WeekOf};
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::NaiveDate;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// Which days.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct WeekQuery {
    /// First day; left out: this week's Monday.
    #[param(value_type = Option<NaiveDate>, example = "2026-03-09")]
    from: Option<String>,
    /// How many.
    #[param(minimum = 1, maximum = 62, default = 7)]
    days: Option<u32>,
}

async fn week(
    api: &Api,
    caller: Caller<Anybody>,
    request: &HttpRequest,
    of: WeekOf<'_>,
    query: &WeekQuery,
) -> Result<HttpResponse, Problem> {
    let from = query.from.as_deref().map(|text| NaiveDate::parse_from_str(text, "%Y-%m-%d")).transpose();
    let from = from.map_err(|_| Problem::new(registry::BAD_QUERY, "from is no date such as 2026-03-09"))?;
    let mut session = api.snapshot(caller.company).await?;
    let week = api.service.week(&mut session, of, from, query.days.unwrap_or(7)).await;
    let week = week.map_err(|error| match error {
        // What is asked for is in the address and no document.
        ServiceError::Invalid(errors) => {
            let detail = errors.first().map(|fault| fault.what.clone()).unwrap_or_default();
            Problem::new(registry::BAD_QUERY, detail).errors(errors)
        }
        other => other.into(),
    })?;
    Ok(Reply::ok(&week)?.send_if_new(request))
}

/// The promised week of the whole office.
#[utoipa::path(
    tag = "weeks",
    operation_id = "office week",
    params(WeekQuery),
    responses((status = 200, description = "By start", body = Week)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/week")]
async fn office(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    query: web::Query<WeekQuery>,
) -> Result<HttpResponse, Problem> {
    week(&api, caller, &request, WeekOf::Office, &query).await
}

/// The promised week of a crew.
#[utoipa::path(
    tag = "weeks",
    operation_id = "crew week",
    params(("key" = String, Path, description = "Key of the crew"), WeekQuery),
    responses((status = 200, description = "By start", body = Week)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/crews/{key}/week")]
async fn crew(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
    query: web::Query<WeekQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "crew")?;
    week(&api, caller, &request, WeekOf::Crew(&key), &query).await
}

/// The promised week of a house.
#[utoipa::path(
    tag = "weeks",
    operation_id = "house week",
    params(("key" = String, Path, description = "Key of the house"), WeekQuery),
    responses((status = 200, description = "By start", body = Week)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/houses/{key}/week")]
async fn house(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
    query: web::Query<WeekQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "house")?;
    week(&api, caller, &request, WeekOf::House(&key), &query).await
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(office).service(crew).service(house);
}
