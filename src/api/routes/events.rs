//! What happened: told, listed, looked up.

use super::super::Api;
use super::super::body::{Body, FORECAST_BYTES_MAX};
use super::super::caller::{Anybody, Caller, Reporters};
use super::super::page::{Cursor, Page, PageQuery};
use super::super::problem::{PROBLEM_JSON, Problem, ProblemBody};
use super::super::registry;
use super::super::reply::Reply;
use super::nouns::{key_in, page_reply};
use super::tokens::id_in;
use crate::dto::EventBody;
use crate::service::{EventPage, EventStandingDto, EventView, Reporter};
use actix_web::http::{StatusCode, header};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// An event that met another in the database is taken in again: telling it twice is telling it once.
const TRIES: usize = 4;

/// Which events.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct EventQuery {
    /// Only those about the job with this key.
    job: Option<String>,
    /// Only those of this kind.
    kind: Option<String>,
    /// Only those that stand so.
    standing: Option<EventStandingDto>,
    /// Only those with higher numbers: what has been told since then.
    #[param(minimum = 0)]
    since: Option<i64>,
    /// Cursor from the Link header of the page before; it means nothing else.
    after: Option<String>,
    /// Entries of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Tell what happened. Safe to send twice, late, and in any order: an event that does not follow yet waits for what is
/// missing, and is applied by itself when that is told. A crew's token tells of its own crew, of machines and of doors.
#[utoipa::path(
    tag = "events",
    operation_id = "tell event",
    request_body = EventBody,
    responses(
        (status = 200, description = "It had been told before; as it stands now", body = EventView),
        (status = 201, description = "As it was kept", body = EventView),
        (status = 202, description = "It is kept, and waits for what `reason` names", body = EventView),
        (status = 409, description = "It is kept, and cannot be so as well as what is known: `errors` says who told that",
            body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew"])))
)]
#[post("/events")]
async fn tell(
    api: web::Data<Api>,
    caller: Caller<Reporters>,
    body: Body<EventBody, FORECAST_BYTES_MAX>,
) -> Result<HttpResponse, Problem> {
    let reporter = Reporter { crew_id: caller.crew_id };
    let mut tries = 0;
    let event = loop {
        tries += 1;
        let told = api
            .write(caller.company, async |session| Ok(api.service.tell(session, &reporter, &body.value).await?))
            .await;
        match told {
            Err(problem) if problem.kind() == registry::DATABASE_BUSY && tries < TRIES => {}
            told => break told?,
        }
    };
    let address = format!("/v1/events/{}", event.id);
    match (event.standing, event.replayed) {
        (EventStandingDto::Contradicts, _) => {
            let reasons = event.reason.into_iter().collect::<Vec<_>>();
            let detail = reasons.first().map_or_else(String::new, |reason| reason.what.clone());
            let problem = Problem::new(registry::EVENT_CONTRADICTS, detail).errors(reasons);
            Err(problem.header(header::LOCATION, address))
        }
        (EventStandingDto::Waiting, _) => {
            let mut reply = Reply::created(address, &event)?;
            reply.status = StatusCode::ACCEPTED;
            Ok(reply.send())
        }
        (_, true) => Ok(Reply::ok(&event)?.send()),
        (_, false) => Ok(Reply::created(address, &event)?.send()),
    }
}

/// List what was told, newest first.
#[utoipa::path(
    tag = "events",
    operation_id = "list events",
    params(EventQuery),
    responses(
        (status = 200, description = "A page", body = Page<EventView>),
        (status = 404, description = "No job can have that key", body = ProblemBody, content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/events")]
async fn list(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    query: web::Query<EventQuery>,
) -> Result<HttpResponse, Problem> {
    let EventQuery { job, kind, standing, since, after, limit } = query.into_inner();
    let page = PageQuery { after, limit };
    let limit = page.limit()?;
    let before = match page.cursor()? {
        None => None,
        Some(Cursor::Below(number)) => Some(number),
        Some(Cursor::Row(_) | Cursor::Place(_) | Cursor::Moment(..)) => return Err(PageQuery::bad_cursor()),
    };
    if let Some(job) = &job {
        key_in(job, "job")?;
    }
    if kind.as_ref().is_some_and(|kind| !kind.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'_')) {
        return Err(Problem::new(registry::BAD_QUERY, "`kind` is no kind of event"));
    }
    let mut session = api.snapshot(caller.company).await?;
    let asked = EventPage { job, kind, standing, since };
    let mut events = api.service.events(&mut session, &asked, before, limit + 1).await?;
    let more = events.len() > limit as usize;
    events.truncate(limit as usize);
    let next = events.last().filter(|_| more).map(|event| Cursor::Below(event.number));
    page_reply(&request, events, next)
}

/// One event, as it stands now.
#[utoipa::path(
    tag = "events",
    operation_id = "show event",
    params(("id" = String, Path, description = "Its identifier")),
    responses((status = 200, description = "As it stands", body = EventView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/events/{id}")]
async fn show(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "event")?;
    let mut session = api.snapshot(caller.company).await?;
    let event = api.service.event(&mut session, id).await?;
    Ok(Reply::ok(&event)?.send_if_new(&request))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(tell).service(list).service(show);
}
