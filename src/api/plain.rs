//! Documents that can also be read as plain text: whoever asks for `text/plain` first gets that.

use super::headers::{content_etag, has_already};
use super::problem::Problem;
use super::reply::Reply;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse};
use serde::Serialize;
use utoipa::ToSchema;

/// Plain text (UTF-8).
#[derive(Debug, ToSchema)]
#[schema(value_type = String)]
pub struct Plain(#[allow(dead_code, reason = "stands in the document only")] String);

/// Longest Accept header looked at: nobody needs more words to ask for one of two forms.
const ACCEPT_BYTES_MAX: usize = 1_000;

/// Whether of the forms that are to be had plain text is the one the asker weighs most, or names first of those he weighs
/// the same (RFC 9110, section 12.5.1). Who names none gets the document.
fn wants_text(request: &HttpRequest) -> bool {
    let accept = request.headers().get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or("");
    let forms = accept.get(..accept.len().min(ACCEPT_BYTES_MAX)).unwrap_or("").split(',');
    let mut best = (0.0, false);
    for form in forms {
        let (name, rest) = form.split_once(';').unwrap_or((form, ""));
        let is_text = match name.trim().to_ascii_lowercase().as_str() {
            "text/plain" | "text/*" => true,
            "application/json" | "application/*" | "*/*" => false,
            _ => continue,
        };
        let weight = weight(rest);
        if weight > best.0 {
            best = (weight, is_text);
        }
    }
    best.1
}

/// What the parameters of a form say by `q`; 1 where they do not, or not so that it can be read.
fn weight(parameters: &str) -> f32 {
    let weights = parameters.split(';').filter_map(|part| part.trim().split_once('='));
    let mut weights = weights.filter(|(name, _)| name.eq_ignore_ascii_case("q"));
    weights.find_map(|(_, value)| value.parse().ok().filter(|weight| (0.0..=1.0).contains(weight))).unwrap_or(1.0)
}

/// The document, or its text.
pub(super) fn reply(
    request: &HttpRequest,
    document: &impl Serialize,
    text: impl FnOnce() -> String,
) -> Result<HttpResponse, Problem> {
    if !wants_text(request) {
        let mut response = Reply::ok(document)?.send_if_new(request);
        response.headers_mut().insert(header::VARY, header::HeaderValue::from_static("accept"));
        return Ok(response);
    }
    let text = text();
    let tag = content_etag(text.as_bytes());
    let is_known = has_already(request, &tag);
    let mut response = if is_known { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    response.insert_header((header::ETAG, tag)).insert_header((header::VARY, "accept"));
    if is_known {
        return Ok(response.finish());
    }
    Ok(response.content_type("text/plain; charset=utf-8").body(text))
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn text_is_for_those_who_name_it_first() {
        let wants = |accept: &str| wants_text(&TestRequest::get().insert_header(("accept", accept)).to_http_request());
        for accept in
            ["text/plain", "TEXT/plain; charset=utf-8", "text/*", "image/png, text/plain, */*", "text/html, text/*"]
        {
            assert!(wants(accept), "{accept}");
        }
        assert!(wants("application/json;q=0.5, text/plain;q=0.9") && wants("*/*;q=0.1, text/plain"));
        assert!(!wants("text/plain;q=0.3, application/json") && !wants("text/plain;charset=x;Q=0.2, */*;q=0.3"));
        for accept in
            ["", "*/*", "application/json, text/plain", "text/plain;q=0, */*", "text/html,*/*;q=0.8", ";,;q=,"]
        {
            assert!(!wants(accept), "{accept}");
        }
    }
}
