//! A crew's day: its work, how it stands, and what to know for it.

use super::super::Api;
use super::super::caller::{Anybody, Caller};
use super::super::problem::Problem;
use super::super::registry;
use super::super::reply::Reply;
use super::nouns::key_in;
use crate::service::{CrewDayDto, ServiceError};
use crate::store::Noun;
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::NaiveDate;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// Which day.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct DayQuery {
    /// The day; left out: today.
    #[param(value_type = Option<NaiveDate>, example = "2026-03-09")]
    date: Option<String>,
}

/// What a crew does on a day: its promised work with how each step stands, what to load and beware of, what a check asks
/// for, and which waits run in its houses. A crew's token asks for its own crew only.
#[utoipa::path(
    tag = "crew days",
    operation_id = "crew day",
    params(("crew" = String, Path, description = "Key of the crew"), DayQuery),
    responses((status = 200, description = "As it is known now", body = CrewDayDto)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/crew-days/{crew}")]
async fn day(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
    query: web::Query<DayQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "crew")?;
    let date = query.date.as_deref().map(|text| NaiveDate::parse_from_str(text, "%Y-%m-%d")).transpose();
    let date = date.map_err(|_| Problem::new(registry::BAD_QUERY, "date is no date such as 2026-03-09"))?;
    let mut session = api.snapshot(caller.company).await?;
    if let Some(own) = caller.crew_id
        && session.noun_by_key(Noun::Crew, &key).await?.id != own
    {
        let detail = format!("this token is another crew's than {}", key.as_str());
        return Err(Problem::new(registry::NOT_YOUR_CREW, detail));
    }
    let day = api.service.crew_day(&mut session, &key, date).await.map_err(|error| match error {
        // What is asked for is in the address and no document.
        ServiceError::Invalid(errors) => {
            let detail = errors.first().map(|fault| fault.what.clone()).unwrap_or_default();
            Problem::new(registry::BAD_QUERY, detail).errors(errors)
        }
        other => other.into(),
    })?;
    Ok(Reply::ok(&day)?.send_if_new(&request))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(day);
}
