//! Repairs of the published plan: what they answered and what they did, and how they stand.

use super::super::Api;
use super::super::caller::{Caller, Lookers, Office};
use super::super::once::Once;
use super::super::page::{Cursor, Page, PageQuery};
use super::super::problem::{PROBLEM_JSON, Problem, ProblemBody};
use super::super::registry;
use super::super::reply::Reply;
use super::nouns::page_reply;
use super::tokens::id_in;
use crate::service::{AlternativeView, DifferenceView, RepairStateView, RepairView, SETTLE_SECONDS_MAX};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use serde::Deserialize;
use std::time::Duration;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// How long to wait.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct StateQuery {
    /// Seconds to wait until repairs are settled; left out: answered at once.
    #[param(minimum = 0, maximum = 30, default = 0)]
    wait_seconds: Option<u64>,
}

/// List repairs that changed or proposed something, newest first.
#[utoipa::path(
    tag = "repairs",
    operation_id = "list repairs",
    params(PageQuery),
    responses((status = 200, description = "A page", body = Page<RepairView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/repairs")]
async fn list(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    query: web::Query<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let (limit, before) = (query.limit()?, query.row()?);
    let mut session = api.snapshot(caller.company).await?;
    let mut repairs = api.service.repairs(&mut session, before, limit + 1).await?;
    let more = repairs.len() > limit as usize;
    repairs.truncate(limit as usize);
    let next = repairs.last().filter(|_| more).map(|repair| Cursor::Row(repair.id));
    page_reply(&request, repairs, next)
}

/// How repairs stand: whether anything has changed that none has looked at, and what went wrong.
#[utoipa::path(
    tag = "repairs",
    operation_id = "show repair state",
    params(StateQuery),
    responses((status = 200, description = "As it is once repairs are settled, or when the wait is over", body = RepairStateView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/repairs/state")]
async fn state(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    query: web::Query<StateQuery>,
) -> Result<HttpResponse, Problem> {
    let seconds = query.wait_seconds.unwrap_or(0);
    if seconds > SETTLE_SECONDS_MAX {
        let detail = format!("wait_seconds is {seconds}; it is 0 to {SETTLE_SECONDS_MAX}");
        return Err(Problem::new(registry::BAD_QUERY, detail));
    }
    let state = api.service.repair_state(caller.company, Duration::from_secs(seconds)).await?;
    Ok(Reply::ok(&state)?.send_if_new(&request))
}

/// One repair.
#[utoipa::path(
    tag = "repairs",
    operation_id = "show repair",
    params(("id" = uuid::Uuid, Path, description = "Its identifier")),
    responses(
        (status = 200, description = "What it answered and what it did", body = RepairView),
        (status = 404, description = "There is no such repair", body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/repairs/{id}")]
async fn show(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "repair")?;
    let mut session = api.snapshot(caller.company).await?;
    let repair = api.service.repair_view(&mut session, id).await?;
    Ok(Reply::ok(&repair)?.send_if_new(&request))
}

/// What a draft changes in what is promised, as things stand now: which steps move and why, whose days change, whom to
/// tell, and what it costs.
#[utoipa::path(
    tag = "repairs",
    operation_id = "show difference",
    params(("id" = uuid::Uuid, Path, description = "Identifier of the draft")),
    responses(
        (status = 200, description = "The difference", body = DifferenceView),
        (status = 409, description = "The plan was rejected, or ended so long ago that it is not kept", body = ProblemBody,
            content_type = PROBLEM_JSON),
        (status = 429, description = "Other plans are being made", body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/plans/{id}/difference")]
async fn difference(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "plan")?;
    let difference = api.service.difference(caller.company, id).await?;
    Ok(Reply::ok(&difference)?.send_if_new(&request))
}

/// Repair the promise three other ways: with the fewest changes, with the earliest finish, without overtime. Each that is
/// different from the others is kept as a draft.
#[utoipa::path(
    tag = "repairs",
    operation_id = "make alternatives",
    responses(
        (status = 201, description = "Drafts, each with what it changes; none where everything can stay",
            body = Page<AlternativeView>),
        (status = 404, description = "Nothing is promised yet", body = ProblemBody, content_type = PROBLEM_JSON),
        (status = 429, description = "Other plans are being made", body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/alternatives")]
async fn alternatives(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let once = Once::new(&api, &caller, &request, &[])?;
    once.prepare_and_run(
        async || Ok(api.service.alternatives(caller.company).await?),
        async |session, made| {
            let items = api.service.keep_alternatives(session, made).await?;
            Reply::created("/v1/plans", &Page { items })
        },
    )
    .await
}

pub(super) fn configure(config: &mut ServiceConfig) {
    // `state` before `{id}`, which is like it.
    config.service(list).service(state).service(show).service(difference).service(alternatives);
}
