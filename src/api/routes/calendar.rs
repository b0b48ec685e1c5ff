//! Calendars behind their addresses. Whoever knows the address may read it; there is no other key.

use super::super::Api;
use super::super::headers::{has_already, takes_gzip};
use super::super::problem::Problem;
use super::super::registry;
use super::super::reply::http_date;
use crate::service::RenderedCalendar;
use actix_web::http::header::{self, HttpDate};
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::{DateTime, Duration, Utc};
use serde::Deserialize;
use std::time::SystemTime;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// What is wanted of a calendar. Parameters that are unknown are let be: calendar programs add some of their own.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct CalendarQuery {
    /// `1`: with the waits between the steps, as entries that leave the time free. The customer's calendar has times to
    /// keep off instead.
    #[param(value_type = Option<String>, example = "1")]
    waits: Option<String>,
}

impl CalendarQuery {
    fn waits(&self) -> Result<bool, Problem> {
        match self.waits.as_deref() {
            None | Some("0" | "false") => Ok(false),
            Some("1" | "true") => Ok(true),
            Some(_) => Err(Problem::new(registry::BAD_QUERY, "waits is neither 1 nor 0")),
        }
    }
}

/// A calendar (RFC 5545).
#[utoipa::path(
    tag = "calendars",
    operation_id = "read calendar",
    params(
        ("secret" = String, Path, description = "As it was told when the address was made"),
        CalendarQuery,
        ("If-None-Match" = Option<String>, Header, description = "ETag of the copy that the asker has"),
        ("If-Modified-Since" = Option<String>, Header, description = "Last-Modified of that copy, where it has no ETag")
    ),
    responses(
        (status = 200, description = "The calendar", body = String, content_type = "text/calendar"),
        (status = 304, description = "The asker has it already"),
        (status = 503, description = "The database cannot be reached", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    )
)]
#[get("/feeds/{secret}.ics")]
async fn read(
    api: web::Data<Api>,
    request: HttpRequest,
    secret: web::Path<String>,
    query: web::Query<CalendarQuery>,
) -> Result<HttpResponse, Problem> {
    let waits = query.waits()?;
    let Some(feed) = api.service.store().find_feed(&secret).await? else {
        return Err(Problem::new(registry::NOT_FOUND, "there is no calendar at this address, or no more"));
    };
    let calendar = api.service.calendar(&feed, waits).await?;
    Ok(reply(&request, &calendar, api.service.now()))
}

/// Whole, or that the asker has it. Plain and compressed bytes are two representations with a strong tag each (RFC 9110,
/// section 8.8.3.3): whoever has either is told that it is still good.
fn reply(request: &HttpRequest, calendar: &RenderedCalendar, now: DateTime<Utc>) -> HttpResponse {
    let (is_known, gzip) = match request.headers().contains_key(header::IF_NONE_MATCH) {
        true => {
            let (text, gzip) = (has_already(request, &calendar.text_etag), has_already(request, &calendar.gzip_etag));
            // With `*` or both it is either.
            (text || gzip, if text == gzip { takes_gzip(request) } else { gzip })
        }
        false => (is_unmodified(request, calendar.last_modified, now), takes_gzip(request)),
    };
    let mut reply = if is_known { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    let etag = if gzip { &calendar.gzip_etag } else { &calendar.text_etag };
    reply.insert_header((header::ETAG, etag.as_str()));
    reply.insert_header((header::VARY, "accept-encoding"));
    reply.insert_header((header::CACHE_CONTROL, "private, no-cache"));
    if is_past(calendar.last_modified, now) {
        reply.insert_header((header::LAST_MODIFIED, http_date(calendar.last_modified)));
    }
    if is_known {
        return reply.finish();
    }
    reply.content_type("text/calendar; charset=utf-8");
    // Either way nobody after us compresses it once more; `identity` does not get onto the wire.
    reply.insert_header((header::CONTENT_ENCODING, if gzip { "gzip" } else { "identity" }));
    reply.body(if gzip { calendar.gzip.clone() } else { calendar.text.clone() })
}

/// RFC 9110, section 13.1.3. A date that is no date is let be.
fn is_unmodified(request: &HttpRequest, last_modified: DateTime<Utc>, now: DateTime<Utc>) -> bool {
    let since = request.headers().get(header::IF_MODIFIED_SINCE).and_then(|value| value.to_str().ok());
    let since = since.and_then(|text| text.parse::<HttpDate>().ok()).map(|date| DateTime::from(SystemTime::from(date)));
    since.is_some_and(|since: DateTime<Utc>| last_modified <= since && is_past(last_modified, now))
}

/// What was modified in this very second may be modified once more within it.
fn is_past(last_modified: DateTime<Utc>, now: DateTime<Utc>) -> bool {
    last_modified + Duration::seconds(1) <= now
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(read);
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn dates_count_by_the_second_and_not_within_it() {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let (changed, later) = (at("2026-03-09T10:00:05Z"), at("2026-03-09T11:00:00Z"));
        let asked = |value: &str, now| {
            let request = TestRequest::default().insert_header((header::IF_MODIFIED_SINCE, value)).to_http_request();
            is_unmodified(&request, changed, now)
        };
        assert!(asked("Mon, 09 Mar 2026 10:00:05 GMT", later) && asked("Mon, 09 Mar 2026 10:30:00 GMT", later));
        assert!(!asked("Mon, 09 Mar 2026 10:00:04 GMT", later));
        let moments =
            [("2026-03-09T10:00:05Z", false), ("2026-03-09T10:00:05.999Z", false), ("2026-03-09T10:00:06Z", true)];
        for (now, over) in moments {
            assert_eq!(asked("Mon, 09 Mar 2026 10:00:05 GMT", at(now)), over, "{now}");
        }
        assert!(!asked("yesterday", later) && !asked("", later));
    }
}
