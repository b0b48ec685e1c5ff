//! What crews take along on a day: as a document, or as a sheet to print.

use super::super::Api;
use super::super::caller::{Anybody, Caller, Lookers};
use super::super::plain::{Plain, reply};
use super::super::problem::Problem;
use super::super::registry;
use super::nouns::key_in;
use crate::dto::LoadListDto;
use crate::service::{ServiceError, WeekOf};
use crate::store::{CompanyId, Noun};
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

async fn list(
    api: &Api,
    company: CompanyId,
    own_crew: Option<uuid::Uuid>,
    request: &HttpRequest,
    of: WeekOf<'_>,
    query: &DayQuery,
) -> Result<HttpResponse, Problem> {
    let date = query.date.as_deref().map(|text| NaiveDate::parse_from_str(text, "%Y-%m-%d")).transpose();
    let date = date.map_err(|_| Problem::new(registry::BAD_QUERY, "date is no date such as 2026-03-09"))?;
    let mut session = api.snapshot(company).await?;
    if let (Some(own), WeekOf::Crew(key)) = (own_crew, of) {
        let asked = session.noun_by_key(Noun::Crew, key).await?;
        if asked.id != own {
            let detail = format!("this token is another crew's than {key}");
            return Err(Problem::new(registry::NOT_YOUR_CREW, detail));
        }
    }
    let list = api.service.load_list(&mut session, of, date).await.map_err(|error| match error {
        // What is asked for is in the address and no document.
        ServiceError::Invalid(errors) => {
            let detail = errors.first().map(|fault| fault.what.clone()).unwrap_or_default();
            Problem::new(registry::BAD_QUERY, detail).errors(errors)
        }
        other => other.into(),
    })?;
    reply(request, &list, || list.to_text())
}

/// What all crews load on a day. As `text/plain` it is a sheet for each crew.
#[utoipa::path(
    tag = "load lists",
    operation_id = "office load list",
    params(DayQuery),
    responses((status = 200, description = "By crew and house, and added up", content(
        (LoadListDto = "application/json"), (Plain = "text/plain")
    ))),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/load-list")]
async fn office(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    query: web::Query<DayQuery>,
) -> Result<HttpResponse, Problem> {
    list(&api, caller.company, None, &request, WeekOf::Office, &query).await
}

/// What a crew loads on a day. As `text/plain` it is a sheet to print. A crew's token asks for its own crew only.
#[utoipa::path(
    tag = "load lists",
    operation_id = "crew load list",
    params(("key" = String, Path, description = "Key of the crew"), DayQuery),
    responses((status = 200, description = "By house, and added up", content(
        (LoadListDto = "application/json"), (Plain = "text/plain")
    ))),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/crews/{key}/load-list")]
async fn crew(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
    query: web::Query<DayQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "crew")?;
    list(&api, caller.company, caller.crew_id, &request, WeekOf::Crew(&key), &query).await
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(office).service(crew);
}
