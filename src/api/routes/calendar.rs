//! Calendars behind their addresses. Whoever knows the address may read it; there is no other key.

use super::super::Api;
use super::super::headers::{content_etag, has_already};
use super::super::problem::Problem;
use super::super::registry;
use super::super::reply::http_date;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// A calendar (RFC 5545).
#[utoipa::path(
    tag = "calendars",
    operation_id = "read calendar",
    params(
        ("secret" = String, Path, description = "As it was told when the address was made"),
        ("If-None-Match" = Option<String>, Header, description = "ETag of the copy that the asker has")
    ),
    responses(
        (status = 200, description = "The calendar", body = String, content_type = "text/calendar"),
        (status = 304, description = "The asker has it already"),
        (status = 503, description = "The database cannot be reached", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    )
)]
#[get("/feeds/{secret}.ics")]
async fn read(api: web::Data<Api>, request: HttpRequest, secret: web::Path<String>) -> Result<HttpResponse, Problem> {
    let Some(feed) = api.service.store().find_feed(&secret).await? else {
        return Err(Problem::new(registry::NOT_FOUND, "there is no calendar at this address, or no more"));
    };
    let calendar = api.service.calendar(&feed).await?;
    let etag = content_etag(calendar.text.as_bytes());
    let mut reply = if has_already(&request, &etag) { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    reply.insert_header((header::ETAG, etag.clone()));
    reply.insert_header((header::LAST_MODIFIED, http_date(calendar.last_modified)));
    reply.insert_header((header::CACHE_CONTROL, "private, no-cache"));
    if has_already(&request, &etag) {
        return Ok(reply.finish());
    }
    Ok(reply.content_type("text/calendar; charset=utf-8").body(calendar.text))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(read);
}
