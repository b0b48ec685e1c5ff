//! Plans: drafted, compared, published, rejected.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Anybody, Caller, Office};
use super::super::headers::{content_etag, if_match};
use super::super::once::Once;
use super::super::page::{Cursor, Page, PageQuery};
use super::super::problem::Problem;
use super::super::reply::{Reply, rendered};
use super::nouns::page_reply;
use super::tokens::id_in;
use crate::domain::fault::Fault;
use crate::service::{Comparison, DraftBody, MOVE_BUDGET_MAX, PlanListed, PlanView, PublicationView, ServiceError};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// Make a plan of everything known now. It is a draft until it is published.
#[utoipa::path(
    tag = "plans",
    operation_id = "draft plan",
    request_body = DraftBody,
    responses(
        (status = 201, description = "The draft", body = PlanView),
        (status = 429, description = "Other plans are being made", body = super::super::ProblemBody,
            content_type = "application/problem+json"),
        (status = 500, description = "The audit refused the planner's plan", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/plans")]
async fn draft(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    body: Body<DraftBody>,
) -> Result<HttpResponse, Problem> {
    if let Some(moves) = body.value.move_budget.filter(|moves| *moves > MOVE_BUDGET_MAX) {
        let cure = format!("ask for at most {MOVE_BUDGET_MAX}; the command line takes more");
        let fault = Fault::new("out-of-range", format!("{moves} moves"), cure);
        return Err(ServiceError::fault("/move_budget", fault).into());
    }
    let once = Once::new(&api, &caller, &request, &body.sha256)?;
    once.prepare_and_run(
        async || Ok(api.service.draft(caller.company, &body.value).await?),
        async |session, draft| {
            let plan = api.service.keep_draft(session, &draft).await?;
            Ok(Reply::created(format!("/v1/plans/{}", plan.plan.id), &plan)?.version(plan.version))
        },
    )
    .await
}

/// List plans, newest first, without their placements.
#[utoipa::path(
    tag = "plans",
    operation_id = "list plans",
    params(PageQuery),
    responses((status = 200, description = "A page", body = Page<PlanListed>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/plans")]
async fn list(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    query: web::Query<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let limit = query.limit()?;
    let before = match query.cursor()? {
        None => None,
        Some(Cursor::Below(number)) => Some(number),
        Some(Cursor::Row(_) | Cursor::Place(_) | Cursor::Moment(..)) => return Err(PageQuery::bad_cursor()),
    };
    let mut session = api.snapshot(caller.company).await?;
    let mut plans = api.service.plans(&mut session, before, limit + 1).await?;
    let more = plans.len() > limit as usize;
    plans.truncate(limit as usize);
    let next = plans.last().filter(|_| more).map(|plan| Cursor::Below(plan.number));
    page_reply(&request, plans, next)
}

/// The plan that is promised now.
#[utoipa::path(
    tag = "plans",
    operation_id = "show published plan",
    responses(
        (status = 200, description = "The promise", body = PlanView),
        (status = 404, description = "Nothing has been published yet", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/plans/published")]
async fn published(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let mut session = api.snapshot(caller.company).await?;
    let plan = api.service.rendered_published_plan(&mut session).await?;
    drop(session);
    // The version is of one plan; which plan is promised changes, too.
    Ok(rendered(&request, &plan, plan.tag(content_etag)))
}

/// One plan. Placements of rejected plans are not kept, those of plans that ended only for some months (`placements_kept`).
#[utoipa::path(
    tag = "plans",
    operation_id = "show plan",
    params(("id" = uuid::Uuid, Path, description = "Its identifier")),
    responses((status = 200, description = "As it is now", body = PlanView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/plans/{id}")]
async fn show(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "plan")?;
    let mut session = api.snapshot(caller.company).await?;
    let plan = api.service.plan(&mut session, id).await?;
    Ok(Reply::ok(&plan)?.version(plan.version).send_if_new(&request))
}

/// What a draft would change in what is promised.
#[utoipa::path(
    tag = "plans",
    operation_id = "compare plan",
    params(("id" = uuid::Uuid, Path, description = "Identifier of the draft")),
    responses(
        (status = 200, description = "Steps, houses and costs, before and after", body = Comparison),
        (status = 409, description = "The plan was rejected, or ended so long ago that it is not kept",
            body = super::super::ProblemBody, content_type = "application/problem+json")
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/plans/{id}/comparison")]
async fn compare(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "plan")?;
    let mut session = api.snapshot(caller.company).await?;
    let comparison = api.service.compare(&mut session, id).await?;
    Ok(Reply::ok(&comparison)?.send_if_new(&request))
}

/// Make a draft the promise, if it keeps every rule in the world as it is now.
#[utoipa::path(
    tag = "plans",
    operation_id = "publish plan",
    params(
        ("id" = uuid::Uuid, Path, description = "Identifier of the draft"),
        ("If-Match" = String, Header, description = "ETag of the draft, or *")
    ),
    responses((status = 200, description = "What it changed", body = PublicationView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/plans/{id}/publication")]
async fn publish(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "plan")?;
    let wanted = if_match(&request)?;
    let once = Once::new(&api, &caller, &request, &[])?;
    once.prepare_and_run(
        async || {
            let mut session = api.snapshot(caller.company).await?;
            let version = wanted.version(session.plan(id).await?.version)?;
            drop(session);
            Ok(api.service.check_draft(caller.company, id, version).await?)
        },
        async |session, checked| {
            let publication = api.service.publish(session, &checked).await?;
            Ok(Reply::ok(&publication)?.version(publication.version))
        },
    )
    .await
}

/// Discard a draft: it stays in the list, its placements go.
#[utoipa::path(
    tag = "plans",
    operation_id = "reject plan",
    params(
        ("id" = uuid::Uuid, Path, description = "Identifier of the draft"),
        ("If-Match" = String, Header, description = "ETag of the draft, or *")
    ),
    responses((status = 200, description = "As it is now", body = PlanListed)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/plans/{id}/rejection")]
async fn reject(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "plan")?;
    let wanted = if_match(&request)?;
    let once = Once::new(&api, &caller, &request, &[])?;
    once.run(async |session| {
        let version = wanted.version(session.plan(id).await?.version)?;
        let (plan, version) = api.service.reject_plan(session, id, version).await?;
        Ok(Reply::ok(&plan)?.version(version))
    })
    .await
}

pub(super) fn configure(config: &mut ServiceConfig) {
    // `published` before `{id}`, which is like it.
    config.service(draft).service(list).service(published).service(show);
    config.service(compare).service(publish).service(reject);
}
