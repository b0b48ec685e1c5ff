//! The office's board for programs, and for the board's own page.

use super::super::Api;
use super::super::caller::{Caller, Lookers};
use super::super::headers::has_already;
use super::super::problem::{PROBLEM_JSON, Problem, ProblemBody};
use super::super::registry;
use super::super::reply::{Reply, rendered};
use super::nouns::key_in;
use super::tokens::id_in;
use crate::service::{
    Board, BoardAsked, BoardChances, BoardFound, BoardFrom, BoardStepView, Bottlenecks, CriticalPath, ServiceError,
};
use crate::store::Session;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::NaiveDate;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// Days looked at for bottlenecks when nobody says how many: a week.
const BOTTLENECK_DAYS_DEFAULT: u32 = 7;

/// Which days of which plan.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct BoardQuery {
    /// First day; left out: this week's Monday.
    #[param(value_type = Option<NaiveDate>, example = "2026-03-09")]
    from: Option<String>,
    /// How many.
    #[param(minimum = 1, maximum = 62, default = 42)]
    days: Option<u32>,
    /// Identifier of a draft to show in place of the promise.
    #[param(value_type = Option<uuid::Uuid>)]
    draft: Option<String>,
}

/// Which days of which plan.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct BottleneckQuery {
    /// First day; left out: today.
    #[param(value_type = Option<NaiveDate>, example = "2026-03-09")]
    from: Option<String>,
    /// How many.
    #[param(minimum = 1, maximum = 62, default = 7)]
    days: Option<u32>,
    /// Identifier of a draft to look at in place of the promise.
    #[param(value_type = Option<uuid::Uuid>)]
    draft: Option<String>,
}

/// Which plan.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct DraftQuery {
    /// Identifier of a draft in place of the promise.
    #[param(value_type = Option<uuid::Uuid>)]
    draft: Option<String>,
}

fn asked(from: Option<&str>, days: Option<u32>, draft: Option<&str>) -> Result<BoardAsked, Problem> {
    let from = from.map(|text| NaiveDate::parse_from_str(text, "%Y-%m-%d")).transpose();
    let from = from.map_err(|_| Problem::new(registry::BAD_QUERY, "from is no date such as 2026-03-09"))?;
    let from = from.map_or_else(BoardFrom::default, BoardFrom::Date);
    let draft = draft.map(|id| id_in(id, "plan")).transpose()?;
    Ok(BoardAsked { from, days, draft })
}

/// What is asked for is in the address and no document.
fn in_address(error: ServiceError) -> Problem {
    match error {
        ServiceError::Invalid(errors) => {
            let detail = errors.first().map(|fault| fault.what.clone()).unwrap_or_default();
            Problem::new(registry::BAD_QUERY, detail).errors(errors)
        }
        other => other.into(),
    }
}

async fn found(api: &Api, session: &mut Session, asked: BoardAsked) -> Result<BoardFound, Problem> {
    api.service.board_found(session, asked).await.map_err(in_address)
}

/// Who is where when, and every house's chain with its waits. Instants are whole minutes since 1970-01-01T00:00Z, and
/// crews, houses, jobs and steps are named by their place in the lists beside. Asking again with `If-None-Match` costs
/// next to nothing while nothing has changed.
#[utoipa::path(
    tag = "board",
    operation_id = "show board",
    params(BoardQuery),
    responses(
        (status = 200, description = "As it is now", body = Board),
        (status = 404, description = "There is no such draft", body = ProblemBody, content_type = PROBLEM_JSON),
        (status = 409, description = "The company's documents do not fit together, or the draft was rejected",
            body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/board")]
async fn board(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    query: web::Query<BoardQuery>,
) -> Result<HttpResponse, Problem> {
    let asked = asked(query.from.as_deref(), query.days, query.draft.as_deref())?;
    let mut session = api.snapshot(caller.company).await?;
    let found = found(&api, &mut session, asked).await?;
    let tag = format!("\"{}\"", found.tag());
    if has_already(&request, &tag) {
        return Ok(HttpResponse::NotModified().insert_header((header::ETAG, tag)).finish());
    }
    let board = api.service.rendered_board(&mut session, found).await?;
    drop(session);
    Ok(rendered(&request, &board, &tag))
}

/// How likely each job makes its date: simulated, and kept for as long as nothing changes, at most an hour.
#[utoipa::path(
    tag = "board",
    operation_id = "show board chances",
    params(DraftQuery),
    responses(
        (status = 200, description = "By job", body = BoardChances),
        (status = 404, description = "Nothing is published, or there is no such draft", body = ProblemBody,
            content_type = PROBLEM_JSON),
        (status = 409, description = "The company's documents do not fit together, or the draft was rejected",
            body = ProblemBody, content_type = PROBLEM_JSON),
        (status = 429, description = "Other plans are being worked on", body = ProblemBody,
            content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/board/chances")]
async fn chances(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    query: web::Query<DraftQuery>,
) -> Result<HttpResponse, Problem> {
    let asked = asked(None, None, query.draft.as_deref())?;
    let mut session = api.snapshot(caller.company).await?;
    let found = found(&api, &mut session, asked).await?;
    drop(session);
    let chances = api.service.board_chances(&found).await.map_err(in_address)?;
    Ok(Reply::ok(&*chances)?.send_if_new(&request))
}

/// All about one step on the board: what keeps it from starting earlier, who could do it, what it needs.
#[utoipa::path(
    tag = "board",
    operation_id = "show board step",
    params(
        ("job" = String, Path, description = "Key of the job"),
        ("step" = String, Path, description = "Key of the step"),
        DraftQuery
    ),
    responses(
        (status = 200, description = "As it is now", body = BoardStepView),
        (status = 404, description = "No open job has such a step, or there is no such draft", body = ProblemBody,
            content_type = PROBLEM_JSON),
        (status = 409, description = "The company's documents do not fit together, or the draft was rejected",
            body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/board/jobs/{job}/steps/{step}")]
async fn step(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    path: web::Path<(String, String)>,
    query: web::Query<DraftQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&path.0, "job")?;
    key_in(&path.1, "step")?;
    let asked = asked(None, None, query.draft.as_deref())?;
    let mut session = api.snapshot(caller.company).await?;
    let found = found(&api, &mut session, asked).await?;
    let view = api.service.board_step(&mut session, found, &path.0, &path.1).await?;
    Ok(Reply::ok(&view)?.send_if_new(&request))
}

/// What holds houses up on some days, and which crew or gear is the bottleneck: the jobs' critical paths, minute by minute with
/// one reason each. Days before now are left out.
#[utoipa::path(
    tag = "board",
    operation_id = "show bottlenecks",
    params(BottleneckQuery),
    responses(
        (status = 200, description = "As it is now", body = Bottlenecks),
        (status = 404, description = "There is no such draft", body = ProblemBody, content_type = PROBLEM_JSON),
        (status = 409, description = "The company's documents do not fit together, or the draft was rejected",
            body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/board/bottlenecks")]
async fn bottlenecks(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    query: web::Query<BottleneckQuery>,
) -> Result<HttpResponse, Problem> {
    let days = Some(query.days.unwrap_or(BOTTLENECK_DAYS_DEFAULT));
    let mut asked = asked(query.from.as_deref(), days, query.draft.as_deref())?;
    let mut session = api.snapshot(caller.company).await?;
    if query.from.is_none() {
        asked.from = BoardFrom::Today;
    }
    let found = found(&api, &mut session, asked).await?;
    let view = api.service.board_bottlenecks(&mut session, found).await?;
    Ok(Reply::ok(&view)?.send_if_new(&request))
}

/// Where the time until a job is finished goes: its critical path, without gaps from now on.
#[utoipa::path(
    tag = "board",
    operation_id = "show critical path",
    params(("job" = String, Path, description = "Key of the job"), DraftQuery),
    responses(
        (status = 200, description = "As it is now", body = CriticalPath),
        (status = 404, description = "There is no such open job, nothing to come of it has a place, or there is no such draft",
            body = ProblemBody, content_type = PROBLEM_JSON),
        (status = 409, description = "The company's documents do not fit together, or the draft was rejected",
            body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[get("/board/jobs/{job}/critical-path")]
async fn critical_path(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    request: HttpRequest,
    path: web::Path<String>,
    query: web::Query<DraftQuery>,
) -> Result<HttpResponse, Problem> {
    key_in(&path, "job")?;
    let asked = asked(None, None, query.draft.as_deref())?;
    let mut session = api.snapshot(caller.company).await?;
    let found = found(&api, &mut session, asked).await?;
    let view = api.service.board_critical_path(&mut session, found, &path).await?;
    Ok(Reply::ok(&view)?.send_if_new(&request))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(board).service(chances).service(step).service(bottlenecks).service(critical_path);
}
