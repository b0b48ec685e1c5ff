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

/// Whether the first form that the asker names and that is to be had is plain text (RFC 9110, section 12.5.1; weights
/// other than 0 are not weighed against each other).
fn wants_text(request: &HttpRequest) -> bool {
    let accept = request.headers().get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or("");
    let forms = accept.get(..accept.len().min(ACCEPT_BYTES_MAX)).unwrap_or("").split(',');
    let named = forms.filter_map(|form| {
        let (name, rest) = form.split_once(';').unwrap_or((form, ""));
        let refused = rest.split(';').any(|part| matches!(part.trim(), "q=0" | "q=0.0" | "q=0.00" | "q=0.000"));
        match name.trim().to_ascii_lowercase().as_str() {
            _ if refused => None,
            "text/plain" | "text/*" => Some(true),
            "application/json" | "application/*" | "*/*" => Some(false),
            _ => None,
        }
    });
    let mut named = named;
    named.next().unwrap_or(false)
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
        for accept in ["", "*/*", "application/json, text/plain", "text/plain;q=0, */*", "text/html,*/*;q=0.8"] {
            assert!(!wants(accept), "{accept}");
        }
    }
}
