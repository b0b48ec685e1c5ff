//! Jobs and what happened on them.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Anybody, Caller, Office, Reporters};
use super::super::headers::if_match;
use super::super::once::Once;
use super::super::page::{Cursor, Page, PageQuery};
use super::super::problem::{PROBLEM_JSON, Problem, ProblemBody};
use super::super::registry;
use super::super::reply::Reply;
use super::nouns::{key_in, page_reply};
use crate::domain::bounds::HEAD_COUNT_MAX;
use crate::dto::JobDto;
use crate::service::{
    CheckView, JobListed, JobStatusDto, JobView, RecordBody, RecordView, Reporter, RolledSoFar, ServiceError,
    StoredJob, TreatmentAsked, TreatmentPlanView,
};
use actix_web::{HttpRequest, HttpResponse, get, patch, post, web};
use serde::Deserialize;
use serde_json::Value;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// Which jobs.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct JobQuery {
    /// Only those that stand so.
    status: Option<JobStatusDto>,
    /// Only those of the house with this key.
    house: Option<String>,
    /// Cursor from the Link header of the page before; it means nothing else.
    after: Option<String>,
    /// Entries of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

fn reply_of(stored: &StoredJob, reply: Reply) -> Reply {
    reply.version(stored.row.version).modified(stored.row.updated_at)
}

/// List jobs, without their chains.
#[utoipa::path(
    tag = "jobs",
    operation_id = "list jobs",
    params(JobQuery),
    responses((status = 200, description = "A page", body = Page<JobListed>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs")]
async fn list(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    query: web::Query<JobQuery>,
) -> Result<HttpResponse, Problem> {
    let JobQuery { status, house, after, limit } = query.into_inner();
    let page = PageQuery { after, limit };
    let (limit, after) = (page.limit()?, page.row()?);
    if let Some(house) = &house {
        key_in(house, "house")?;
    }
    let mut session = api.snapshot(caller.company).await?;
    let mut rows = api.service.jobs(&mut session, status, house.as_deref(), after, limit + 1).await?;
    let more = rows.len() > limit as usize;
    rows.truncate(limit as usize);
    let next = rows.last().filter(|_| more).map(|(id, _)| Cursor::Row(*id));
    page_reply(&request, rows.into_iter().map(|(_, job)| job).collect(), next)
}

/// Apply a method to a house, or give a chain of its own. The job keeps its own copy of the chain.
#[utoipa::path(
    tag = "jobs",
    operation_id = "create job",
    request_body = JobDto,
    responses((status = 201, description = "As it is now, with its own chain", body = JobView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/jobs")]
async fn create(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    body: Body<JobDto>,
) -> Result<HttpResponse, Problem> {
    let once = Once::new(&api, &caller, &request, &body.sha256)?;
    once.run(async |session| {
        let stored = api.service.create_job(session, body.value).await?;
        Ok(reply_of(&stored, Reply::created(format!("/v1/jobs/{}", stored.row.key), &stored.view)?))
    })
    .await
}

/// One job with its chain.
#[utoipa::path(
    tag = "jobs",
    operation_id = "show job",
    params(("key" = String, Path, description = "Its key")),
    responses((status = 200, description = "As it is now", body = JobView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs/{key}")]
async fn show(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let mut session = api.snapshot(caller.company).await?;
    let stored = api.service.job(&mut session, &key).await?;
    Ok(reply_of(&stored, Reply::ok(&stored.view)?).send_if_new(&request))
}

/// Change a job: members that are sent replace its own, `null` takes one away (RFC 7396). `method` puts a fresh copy of
/// that method's chain in place of the job's own.
#[utoipa::path(
    tag = "jobs",
    operation_id = "change job",
    params(
        ("key" = String, Path, description = "Its key"),
        ("If-Match" = String, Header, description = "ETag of what is changed, or *")
    ),
    request_body(content = Object, description = "Members of the job, and `status`",
        content_type = "application/merge-patch+json"),
    responses((status = 200, description = "As it is now", body = JobView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[patch("/jobs/{key}")]
async fn change(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    key: web::Path<String>,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let wanted = if_match(&request)?;
    let stored = api
        .write(caller.company, async |session| {
            let row = session.job_by_key(&key).await?;
            let version = wanted.version(row.version)?;
            Ok(api.service.patch_job(session, &key, version, body.value).await?)
        })
        .await?;
    Ok(reply_of(&stored, Reply::ok(&stored.view)?).send())
}

/// What happened on a job: by step, oldest first.
#[utoipa::path(
    tag = "jobs",
    operation_id = "list records",
    params(("key" = String, Path, description = "Key of the job")),
    responses((status = 200, description = "All of them", body = Page<RecordView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs/{key}/records")]
async fn records(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let mut session = api.snapshot(caller.company).await?;
    let items = api.service.records(&mut session, &key).await?;
    Ok(Reply::ok(&Page { items })?.send_if_new(&request))
}

/// For which treatment, and for how many people.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct TreatmentQuery {
    /// Key of one of the treatment's two steps; left out: the first treatment that is not done.
    step: Option<String>,
    /// How many people; left out: those of the promised crew, or as few as can do it.
    #[param(minimum = 1, maximum = 50)]
    people: Option<u32>,
}

/// A treatment that is rolled in sections, second by second: how much floor may be rolled with part A before part B must
/// follow, and who does what when. With times of day when it is promised.
#[utoipa::path(
    tag = "jobs",
    operation_id = "show treatment plan",
    params(("key" = String, Path, description = "Key of the job"), TreatmentQuery),
    responses(
        (status = 200, description = "Sections, acts, and the same in lines to read aloud", body = TreatmentPlanView),
        (status = 422, description = "So many people cannot keep the dwell; `errors` says what would help",
            body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs/{key}/treatment-plan")]
async fn treatment_plan(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
    query: web::Query<TreatmentQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let TreatmentQuery { step, people } = query.into_inner();
    if let Some(step) = &step {
        key_in(step, "step")?;
    }
    if people.is_some_and(|people| !(1..=HEAD_COUNT_MAX).contains(&people)) {
        return Err(Problem::new(registry::BAD_QUERY, format!("`people` is from 1 to {HEAD_COUNT_MAX}")));
    }
    let mut session = api.snapshot(caller.company).await?;
    let asked = TreatmentAsked { step: step.as_deref(), people };
    let view = api.service.treatment_plan(&mut session, &key, asked).await?;
    Ok(Reply::ok(&view)?.send_if_new(&request))
}

/// The rest of a treatment from what is rolled so far: a section that is too dry is wet with part A again, the others
/// shift. Nothing is kept; report the steps when they are done.
#[utoipa::path(
    tag = "jobs",
    operation_id = "replan treatment",
    params(("key" = String, Path, description = "Key of the job")),
    request_body = RolledSoFar,
    responses((status = 200, description = "What happened and what comes, by the clock", body = TreatmentPlanView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew"])))
)]
#[post("/jobs/{key}/treatment-plan")]
async fn treatment_rest(
    api: web::Data<Api>,
    caller: Caller<Reporters>,
    key: web::Path<String>,
    body: Body<RolledSoFar>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let mut session = api.snapshot(caller.company).await?;
    let view = api.service.treatment_rest(&mut session, &key, &body.value).await?;
    Ok(Reply::ok(&view)?.send())
}

/// Report what happened on a step. Reports are never changed; one that does not follow from those before it is refused.
#[utoipa::path(
    tag = "jobs",
    operation_id = "report",
    params(("key" = String, Path, description = "Key of the job")),
    request_body = RecordBody,
    responses((status = 201, description = "As it was kept", body = RecordView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew"])))
)]
#[post("/jobs/{key}/records")]
async fn report(
    api: web::Data<Api>,
    caller: Caller<Reporters>,
    request: HttpRequest,
    key: web::Path<String>,
    body: Body<RecordBody>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let once = Once::new(&api, &caller, &request, &body.sha256)?;
    let reporter = Reporter { crew_id: caller.crew_id };
    once.run(async |session| {
        let reported = api.service.report(session, &key, &reporter, &body.value).await;
        let record = reported.map_err(|error: ServiceError| {
            if error.is_stale() { Problem::new(registry::RECORDS_CHANGED, error.to_string()) } else { error.into() }
        })?;
        Reply::created(format!("/v1/jobs/{}/records", *key), &record)
    })
    .await
}

/// The checks of a job: each round with its verdict, and when a failed one is worth its way again.
#[utoipa::path(
    tag = "jobs",
    operation_id = "list checks",
    params(("key" = String, Path, description = "Key of the job")),
    responses((status = 200, description = "All of them, in the order of the chain", body = Page<CheckView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/jobs/{key}/checks")]
async fn checks(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    key_in(&key, "job")?;
    let mut session = api.snapshot(caller.company).await?;
    let items = api.service.checks(&mut session, &key).await?;
    Ok(Reply::ok(&Page { items })?.send_if_new(&request))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config
        .service(list)
        .service(create)
        .service(show)
        .service(change)
        .service(records)
        .service(treatment_plan)
        .service(treatment_rest)
        .service(report)
        .service(checks);
}
