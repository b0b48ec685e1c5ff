//! Replies that are pages: their headers, and what is said when there is no page to show.

use super::shell::{self, Place};
use super::visitor::Visitor;
use crate::service::ServiceError;
use crate::store::StoreError;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder};
use chrono::{DateTime, Utc};
use maud::{Markup, html};
use sha2::{Digest, Sha256};

/// Style and pictures from here, forms to here, nothing else: no scripts at all, no frames, nothing from elsewhere.
const POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; \
     frame-ancestors 'none'";
/// Pages behind the sign-in also have scripts from here, which speak to here.
const INSIDE_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
     img-src 'self' data:; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; \
     frame-ancestors 'none'";
/// Pages with forms: this server sees where they come from, others do not.
const SAME_ORIGIN: HeaderValue = HeaderValue::from_static("same-origin");
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

/// Something whose address stays when it changes: browsers ask each time whether it has.
pub(super) fn revalidated(request: &HttpRequest, content_type: &'static str, body: &'static str) -> HttpResponse {
    let hash = Sha256::digest(body.as_bytes());
    let tag = format!("\"{}\"", hash.iter().take(16).map(|byte| format!("{byte:02x}")).collect::<String>());
    let list = request.headers().get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok()).unwrap_or("");
    let known = list.split(',').any(|one| one.trim() == "*" || one.trim().trim_start_matches("W/") == tag);
    let mut reply = guarded(if known { StatusCode::NOT_MODIFIED } else { StatusCode::OK });
    reply.insert_header((header::CACHE_CONTROL, "no-cache")).insert_header((header::ETAG, tag));
    if known { reply.finish() } else { reply.content_type(content_type).body(body) }
}

/// A page for whoever is signed in.
pub(super) fn inside(body: &Markup) -> HttpResponse {
    inside_with(StatusCode::OK, body)
}

/// The same with another status.
pub(super) fn inside_with(status: StatusCode, body: &Markup) -> HttpResponse {
    let mut reply = html_reply(status, body);
    let headers = reply.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(INSIDE_POLICY));
    headers.insert(header::REFERRER_POLICY, SAME_ORIGIN);
    reply
}

/// A page with a form for whoever is not signed in yet.
pub(super) fn door(status: StatusCode, body: &Markup) -> HttpResponse {
    let mut reply = html_reply(status, body);
    reply.headers_mut().insert(header::REFERRER_POLICY, SAME_ORIGIN);
    reply
}

/// The same reply, kept by no browser: it shows what is shown once.
pub(super) fn unkept(mut reply: HttpResponse) -> HttpResponse {
    reply.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    reply
}

/// On to another page, by GET.
pub(super) fn see_other(to: &str) -> HttpResponse {
    let mut reply = guarded(StatusCode::SEE_OTHER);
    reply.insert_header((header::CACHE_CONTROL, "no-store")).insert_header((header::LOCATION, to));
    reply.insert_header((header::REFERRER_POLICY, SAME_ORIGIN)).finish()
}

/// How long to wait, in words, and when that is over.
pub(super) fn too_many(until: DateTime<Utc>, now: DateTime<Utc>) -> HttpResponse {
    let seconds = (until - now).num_seconds().max(1);
    let wait = match seconds {
        ..=90 => format!("{seconds} seconds"),
        _ => format!("{} minutes", (seconds + 59) / 60),
    };
    let text = html! {
        p { "There were too many tries with this name, or from this place. Try again in " b { (wait) } "." }
        p { "If you do not know the password any more, the office can give you another one at once." }
        p { a href="/sign-in" { "Back to the sign-in page" } }
    };
    let mut reply = notice(StatusCode::TOO_MANY_REQUESTS, "Not so fast", &text);
    if let Ok(value) = HeaderValue::from_str(&seconds.to_string()) {
        reply.headers_mut().insert(header::RETRY_AFTER, value);
    }
    reply
}

/// Signed in, but not for this page.
pub(super) fn forbidden(visitor: &Visitor) -> HttpResponse {
    let body = html! {
        main.notice #content {
            h1 { "This page is for others" }
            p { "You are signed in as " b { (visitor.name) } ", and what is here is not for your role. The office can change that." }
            p { a href=(shell::home(visitor.role)) { "To your own page" } }
        }
    };
    inside_with(StatusCode::FORBIDDEN, &shell::inside(visitor, Place::Elsewhere, "Not for you", &[], &body))
}

/// A form that no page of this session has sent.
pub(super) fn foreign_form() -> HttpResponse {
    let text = html! {
        p { "This request did not come from a page of your present session here, so nothing was done. That happens when you \
             signed in anew in another window, or when another site tries to act in your name." }
        p { "Go to " a href="/" { "the first page" } ", and do it from there." }
    };
    notice(StatusCode::FORBIDDEN, "Nothing was done", &text)
}

/// A form that cannot be read.
pub(super) fn bad_form(why: &str) -> HttpResponse {
    let text = html! {
        p { "The form that was sent cannot be read. " (why) }
        p { "Go back, load the page anew, and fill it in again." }
    };
    notice(StatusCode::BAD_REQUEST, "The form cannot be read", &text)
}

/// Nothing of that name.
pub(super) fn nothing_here() -> HttpResponse {
    let text = html! { p { a href="/" { "To the first page" } } };
    notice(StatusCode::NOT_FOUND, "There is nothing here", &text)
}

pub(super) fn notice(status: StatusCode, title: &str, text: &Markup) -> HttpResponse {
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

/// Forms are only sent.
pub(super) fn only_post() -> HttpResponse {
    let text = html! { p { a href="/" { "To the first page" } } };
    let mut reply = notice(StatusCode::METHOD_NOT_ALLOWED, "There is nothing to look at here", &text);
    reply.headers_mut().insert(header::ALLOW, HeaderValue::from_static("POST"));
    reply
}

/// Pages with a form.
pub(super) fn get_or_post() -> HttpResponse {
    let mut reply = only_post();
    reply.headers_mut().insert(header::ALLOW, HeaderValue::from_static("GET, HEAD, POST"));
    reply
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
        ServiceError::Store(StoreError::NotFound { .. }) => nothing_here(),
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
