//! What is said about a job: cautions to those who work on it, dates to the customer.

use super::super::Api;
use super::super::caller::{Anybody, Caller};
use super::super::plain::{Plain, reply};
use super::super::problem::Problem;
use super::nouns::key_in;
use crate::dto::CustomerLetterDto;
use crate::service::JobCautions;
use actix_web::{HttpRequest, HttpResponse, get, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// What to beware of on a job, step by step. It reminds: labels, safety data sheets, local codes and licensed practice
/// come first.
#[utoipa::path(
    tag = "jobs",
    operation_id = "job cautions",
    params(("key" = String, Path, description = "Key of the job")),
    responses((status = 200, description = "The gravest first", content(
        (JobCautions = "application/json"), (Plain = "text/plain")
    ))),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs/{key}/cautions")]
async fn cautions(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let mut session = api.snapshot(caller.company).await?;
    let cautions = api.service.job_cautions(&mut session, &key).await?;
    reply(&request, &cautions, || cautions.to_text())
}

/// What the customer is told: when to be out, and when socks, furniture and rugs are allowed. As `text/plain` it is a
/// letter.
#[utoipa::path(
    tag = "jobs",
    operation_id = "customer letter",
    params(("key" = String, Path, description = "Key of the job")),
    responses((status = 200, description = "From what is promised and reported", content(
        (CustomerLetterDto = "application/json"), (Plain = "text/plain")
    ))),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs/{key}/customer-letter")]
async fn letter(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let mut session = api.snapshot(caller.company).await?;
    let letter = api.service.customer_letter(&mut session, &key).await?;
    reply(&request, &letter, || letter.to_text())
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(cautions).service(letter);
}
