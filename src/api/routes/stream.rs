//! News as it comes: a stream of server-sent events.

use super::super::Api;
use super::super::caller::{Anybody, Caller, Credential};
use super::super::problem::Problem;
use super::super::registry;
use super::super::stream::Reader;
use crate::service::NoticeView;
use crate::store::FoundToken;
use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::{HttpMessage, HttpRequest, HttpResponse, get, web};
use futures_util::stream;
use serde::Deserialize;
use std::convert::Infallible;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

const LAST_EVENT_ID: HeaderName = HeaderName::from_static("last-event-id");

/// From where.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct StreamQuery {
    /// Number of the last notice seen; `Last-Event-ID` goes before it. Neither: only what is new from now on.
    #[param(minimum = 0)]
    after: Option<i64>,
}

fn after(request: &HttpRequest, query: &StreamQuery) -> Result<Option<i64>, Problem> {
    if let Some(after) = query.after.filter(|after| *after < 0) {
        return Err(Problem::new(registry::BAD_QUERY, format!("after is {after}; it is the number of a notice, or 0")));
    }
    let Some(value) = request.headers().get(&LAST_EVENT_ID).filter(|value| !value.is_empty()) else {
        return Ok(query.after);
    };
    let number = value.to_str().ok().and_then(|text| text.trim().parse().ok()).filter(|number: &i64| *number >= 0);
    let bad = || Problem::new(registry::BAD_HEADER, "Last-Event-ID is not the number of a notice");
    number.map(Some).ok_or_else(bad)
}

/// News as it comes, as server-sent events: `id` is the notice's number, `event` its type, `data` the notice. A crew's
/// token is told of what touches that crew, and that something was published. A comment comes every 15 seconds; an event
/// `stream.missed` says that notices in between are not kept any more.
#[utoipa::path(
    tag = "notices",
    operation_id = "stream notices",
    params(
        StreamQuery,
        ("Last-Event-ID" = Option<i64>, Header, description = "Number of the last notice seen")
    ),
    responses(
        (status = 200, description = "It does not end by itself", body = NoticeView, content_type = "text/event-stream"),
        (status = 429, description = "The company has too many streams open", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/stream")]
async fn open(
    api: web::Data<Api>,
    caller: Caller<Anybody>,
    request: HttpRequest,
    query: web::Query<StreamQuery>,
) -> Result<HttpResponse, Problem> {
    let after = after(&request, &query)?;
    let token = request.extensions().get::<FoundToken>().cloned();
    let token = token.filter(|token| token.id == caller.token_id);
    let credential = request.extensions().get::<Credential>().cloned();
    let (token, credential) =
        token.zip(credential).ok_or_else(|| Problem::new(registry::UNAUTHENTICATED, "the request has no token"))?;
    let mut reply = HttpResponse::Ok();
    // No cache keeps it and no proxy in front of it holds it back; `identity` is taken off again where it has kept the
    // stream from being compressed.
    reply
        .content_type("text/event-stream")
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .insert_header((header::CONTENT_ENCODING, HeaderValue::from_static("identity")))
        .insert_header((HeaderName::from_static("x-accel-buffering"), "no"));
    if request.extensions().contains::<super::super::server::OnlyHead>() {
        return Ok(reply.finish());
    }
    let receiver = api.streams.open(&api.service, Reader { token, credential, after }).await?;
    let chunks = stream::unfold(receiver, |mut receiver| async {
        let chunk = receiver.recv().await?;
        Some((Ok::<_, Infallible>(chunk), receiver))
    });
    Ok(reply.streaming(chunks))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(open);
}
