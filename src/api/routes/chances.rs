//! Will each house make its date?

use super::super::Api;
use super::super::caller::{Caller, Lookers};
use super::super::problem::Problem;
use super::super::registry;
use super::super::reply::Reply;
use super::tokens::id_in;
use crate::chance::{RUNS_DEFAULT, RUNS_MAX};
use crate::service::{ChancesView, ServiceError};
use actix_web::{HttpRequest, HttpResponse, get, web};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// Of which plan, and how often.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct ChancesQuery {
    /// Identifier of a plan, or `published`.
    #[param(default = "published")]
    plan: Option<String>,
    /// How often it is carried out.
    #[param(minimum = 1, maximum = 10_000, default = 1_000)]
    runs: Option<u32>,
    /// Of the luck: the same plan, instant, runs and seed give the same answer.
    #[param(default = 1)]
    seed: Option<u64>,
}

/// The chance that each house makes its date: the plan is held against what is known now and carried out many times, with
/// drying, work and checks left to chance.
#[utoipa::path(
    tag = "plans",
    operation_id = "chances",
    params(ChancesQuery),
    responses(
        (status = 200, description = "By house and by job", body = ChancesView),
        (status = 404, description = "No such plan, or nothing has been published yet", body = super::super::ProblemBody,
            content_type = "application/problem+json"),
        (status = 409, description = "The plan does not fit what is known now, or was rejected",
            body = super::super::ProblemBody, content_type = "application/problem+json"),
        (status = 429, description = "Other plans are being worked on", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/chances")]
async fn chances(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    query: web::Query<ChancesQuery>,
) -> Result<HttpResponse, Problem> {
    let runs = query.runs.unwrap_or(RUNS_DEFAULT);
    if !(1..=RUNS_MAX).contains(&runs) {
        return Err(Problem::new(registry::BAD_QUERY, format!("runs is {runs}; ask for 1 to {RUNS_MAX}")));
    }
    let plan = match query.plan.as_deref() {
        None | Some("published") => None,
        Some(id) => Some(id_in(id, "plan")?),
    };
    let chances = api.service.chances(caller.company, plan, runs, query.seed.unwrap_or(1)).await;
    let chances = chances.map_err(|error| match error {
        // What is asked for is in the address and no document.
        ServiceError::Invalid(errors) => {
            let detail = errors.first().map(|fault| fault.what.clone()).unwrap_or_default();
            Problem::new(registry::BAD_QUERY, detail).errors(errors)
        }
        other => other.into(),
    })?;
    Ok(Reply::ok(&chances)?.send_if_new(&request))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(chances);
}
