//! Replies that are pages: their headers, and what is said when there is no page to show.

use super::shell;
use crate::service::ServiceError;
use crate::store::StoreError;
use actix_web::http::StatusCode;
use actix_web::http::header;
use actix_web::{HttpResponse, HttpResponseBuilder};
use maud::{Markup, html};

/// Style and pictures from here, forms to here, nothing else: no scripts at all, no frames, nothing from elsewhere.
const POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; \
     frame-ancestors 'none'";
/// Seconds after which asking again makes sense.
const RETRY_SECONDS: &str = "5";

fn guarded(status: StatusCode) -> HttpResponseBuilder {
    let mut reply = HttpResponse::build(status);
    reply
        .insert_header((header::CONTENT_SECURITY_POLICY, POLICY))
        .insert_header((header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .insert_header((header::REFERRER_POLICY, "no-referrer"))
        // Addresses of weeks are secrets: no search engine keeps them.
        .insert_header(("x-robots-tag", "noindex, nofollow"));
    reply
}

fn html_reply(status: StatusCode, body: &Markup) -> HttpResponse {
    let mut reply = guarded(status);
    reply.insert_header((header::CACHE_CONTROL, "private, no-cache"));
    if status == StatusCode::SERVICE_UNAVAILABLE {
        reply.insert_header((header::RETRY_AFTER, RETRY_SECONDS));
    }
    if status == StatusCode::METHOD_NOT_ALLOWED {
        reply.insert_header((header::ALLOW, "GET, HEAD"));
    }
    reply.content_type("text/html; charset=utf-8").body(body.0.clone())
}

/// A page as it should be.
pub(super) fn page(body: &Markup) -> HttpResponse {
    html_reply(StatusCode::OK, body)
}

/// Something whose address changes when it does.
pub(super) fn unchanging(content_type: &'static str, body: &'static str) -> HttpResponse {
    let mut reply = guarded(StatusCode::OK);
    reply.insert_header((header::CACHE_CONTROL, "public, max-age=31536000, immutable"));
    reply.content_type(content_type).body(body)
}

fn notice(status: StatusCode, title: &str, text: &Markup) -> HttpResponse {
    let body = html! {
        main.notice {
            h1 { (title) }
            (text)
        }
    };
    html_reply(status, &shell::page(title, &body))
}

/// No such address of a week, or no more: the two are not told apart.
pub(super) fn not_found() -> HttpResponse {
    let text = html! {
        p { "This address shows nothing, or no longer does. It may have been taken back, or a part of it got lost on the way." }
        p { "Ask the office for a new address, and open it whole: it ends in a long row of letters and digits." }
    };
    notice(StatusCode::NOT_FOUND, "There is no week at this address", &text)
}

/// A day that is none.
pub(super) fn bad_date() -> HttpResponse {
    let text = html! {
        p { "The day to begin with is written as year, month and day, such as " code { "?from=2026-03-09" } "." }
        p { a href="?" { "Show this week instead" } }
    };
    notice(StatusCode::BAD_REQUEST, "That is no day in the calendar", &text)
}

/// Pages are only looked at.
pub(super) fn only_get() -> HttpResponse {
    let text = html! { p { "This page can be looked at, not changed. Changes go through the addresses listed under " a href="/docs/" { "/docs/" } "." } };
    notice(StatusCode::METHOD_NOT_ALLOWED, "Pages are only for looking", &text)
}

/// Nothing of the inside is told to the outside.
pub(super) fn failed(error: &ServiceError) -> HttpResponse {
    match error {
        ServiceError::Invalid(_) => bad_date(),
        ServiceError::Store(StoreError::Unavailable { .. }) => {
            let text = html! { p { "The database does not answer just now. Nothing is lost: load the page again in a moment." } };
            notice(StatusCode::SERVICE_UNAVAILABLE, "One moment", &text)
        }
        _ => {
            tracing::error!(%error, "a page failed");
            let text = html! { p { "The cause is in the server's log. Load the page again; if it stays like this, tell whoever runs the server." } };
            notice(StatusCode::INTERNAL_SERVER_ERROR, "Something went wrong here", &text)
        }
    }
}
