//! Pins: what the dispatcher fixed by hand, a step at a time.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Anybody, Caller, Lookers, Office};
use super::super::headers::if_match;
use super::super::page::Page;
use super::super::problem::{PROBLEM_JSON, Problem, ProblemBody};
use super::super::reply::Reply;
use super::nouns::key_in;
use crate::dto::PinDto;
use crate::service::{PinBody, PinConflictView};
use actix_web::{HttpRequest, HttpResponse, delete, get, put, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// List the pins of a job.
#[utoipa::path(
    tag = "pins",
    operation_id = "list pins",
    params(("key" = String, Path, description = "Key of the job")),
    responses((status = 200, description = "All of them", body = Page<PinDto>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs/{key}/pins")]
async fn list(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let mut session = api.snapshot(caller.company).await?;
    let stored = api.service.job(&mut session, &key).await?;
    let reply = Reply::ok(&Page { items: stored.view.job.pins })?;
    Ok(reply.version(stored.row.version).send_if_new(&request))
}

async fn change(
    api: &Api,
    caller: &Caller<Office>,
    request: &HttpRequest,
    (job, step): (&str, &str),
    body: Option<PinBody>,
) -> Result<HttpResponse, Problem> {
    key_in(job, "job")?;
    key_in(step, "step")?;
    let wanted = if_match(request)?;
    let stored = api
        .write(caller.company, async |session| {
            let row = session.hold_job(job).await?;
            let version = wanted.version(row.version)?;
            Ok(api.service.pin_step(session, job, version, step, body).await?)
        })
        .await?;
    Ok(Reply::ok(&Page { items: stored.view.job.pins })?.version(stored.row.version).send())
}

/// Fix a step to a crew, a day, a start, or not before an instant; in place of what was fixed before.
#[utoipa::path(
    tag = "pins",
    operation_id = "pin step",
    params(
        ("key" = String, Path, description = "Key of the job"),
        ("step" = String, Path, description = "Key of the step"),
        ("If-Match" = String, Header, description = "ETag of the job, or *")
    ),
    request_body = PinBody,
    responses((status = 200, description = "All pins of the job", body = Page<PinDto>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[put("/jobs/{key}/pins/{step}")]
async fn pin(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    path: web::Path<(String, String)>,
    body: Body<PinBody>,
) -> Result<HttpResponse, Problem> {
    change(&api, &caller, &request, (&path.0, &path.1), Some(body.value)).await
}

/// Free a step.
#[utoipa::path(
    tag = "pins",
    operation_id = "unpin step",
    params(
        ("key" = String, Path, description = "Key of the job"),
        ("step" = String, Path, description = "Key of the step"),
        ("If-Match" = String, Header, description = "ETag of the job, or *")
    ),
    responses((status = 200, description = "All pins of the job", body = Page<PinDto>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[delete("/jobs/{key}/pins/{step}")]
async fn unpin(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, Problem> {
    change(&api, &caller, &request, (&path.0, &path.1), None).await
}

/// Whether all pins can be kept at once, and if not, the fewest to drop. Found by planning: it may take a while.
#[utoipa::path(
    tag = "pins",
    operation_id = "show pin conflict",
    responses(
        (status = 200, description = "As it is now", body = PinConflictView),
        (status = 429, description = "Other plans are being made", body = ProblemBody, content_type = PROBLEM_JSON),
        (status = 500, description = "The audit refused the planner's plan", body = ProblemBody,
            content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/pins/conflict")]
async fn conflict(api: web::Data<Api>, caller: Caller<Lookers>, request: HttpRequest) -> Result<HttpResponse, Problem> {
    let conflict = api.service.pin_conflict(caller.company).await?;
    Ok(Reply::ok(&conflict)?.send_if_new(&request))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(list).service(pin).service(unpin).service(conflict);
}
