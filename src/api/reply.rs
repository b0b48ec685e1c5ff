//! Replies: documents with their versions, and the same bytes again for whoever has them already.

use super::headers::{content_etag, etag, has_already, takes_gzip};
use super::problem::Problem;
use crate::service::Rendered;
use crate::store::StoreError;
use actix_web::http::StatusCode;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse};
use chrono::{DateTime, Utc};
use serde::Serialize;

/// A reply before it is sent, so that it can be kept for a repetition of its request.
#[derive(Debug, Clone)]
pub struct Reply {
    /// HTTP status.
    pub status: StatusCode,
    /// Names and values.
    pub headers: Vec<(String, String)>,
    /// JSON.
    pub body: Vec<u8>,
    /// What is kept in place of `body`, if that has a secret in it.
    pub kept: Option<Vec<u8>>,
}

fn json(value: &impl Serialize) -> Result<Vec<u8>, Problem> {
    serde_json::to_vec(value).map_err(|error| StoreError::BadDocument(error).into())
}

impl Reply {
    /// A document.
    pub fn ok(value: &impl Serialize) -> Result<Reply, Problem> {
        Ok(Reply { status: StatusCode::OK, headers: Vec::new(), body: json(value)?, kept: None })
    }

    /// A new document, and where it is.
    pub fn created(location: impl Into<String>, value: &impl Serialize) -> Result<Reply, Problem> {
        let mut reply = Reply::ok(value)?.with(header::LOCATION.as_str(), location);
        reply.status = StatusCode::CREATED;
        Ok(reply)
    }

    /// With a header.
    pub fn with(mut self, name: &str, value: impl Into<String>) -> Reply {
        self.headers.push((name.to_owned(), value.into()));
        self
    }

    /// With its version.
    pub fn version(self, version: i64) -> Reply {
        self.with(header::ETAG.as_str(), etag(version))
    }

    /// With when it was last changed.
    pub fn modified(self, at: DateTime<Utc>) -> Reply {
        self.with(header::LAST_MODIFIED.as_str(), http_date(at))
    }

    /// With what is kept instead, because secrets are shown once.
    pub fn keeping(mut self, value: &impl Serialize) -> Result<Reply, Problem> {
        self.kept = Some(json(value)?);
        Ok(self)
    }

    /// To be sent.
    pub fn send(self) -> HttpResponse {
        let mut response = HttpResponse::build(self.status);
        for (name, value) in self.headers {
            response.insert_header((name, value));
        }
        response.content_type("application/json").body(self.body)
    }

    /// To be sent, unless the asker has it already. Content without a version is its own tag.
    pub fn send_if_new(self, request: &HttpRequest) -> HttpResponse {
        let own = self.headers.iter().find(|(name, _)| name.as_str() == header::ETAG.as_str());
        let tag = own.map_or_else(|| content_etag(&self.body), |(_, tag)| tag.clone());
        if has_already(request, &tag) {
            let mut response = HttpResponse::NotModified();
            response.insert_header((header::ETAG, tag));
            return response.finish();
        }
        let tagged = own.is_some();
        if tagged { self.send() } else { self.with(header::ETAG.as_str(), tag).send() }
    }
}

/// A document that has been written already, plain or compressed, unless the asker has it.
pub fn rendered(request: &HttpRequest, document: &Rendered, tag: &str) -> HttpResponse {
    if has_already(request, tag) {
        return HttpResponse::NotModified().insert_header((header::ETAG, tag)).finish();
    }
    let gzip = takes_gzip(request);
    let mut response = HttpResponse::Ok();
    response.insert_header((header::ETAG, tag)).insert_header((header::VARY, "accept-encoding"));
    // Either way nobody after us compresses it once more; `identity` does not get onto the wire.
    response.insert_header((header::CONTENT_ENCODING, if gzip { "gzip" } else { "identity" }));
    response.content_type("application/json").body(if gzip { document.gzip() } else { document.json() })
}

/// RFC 9110, section 5.6.7.
pub fn http_date(at: DateTime<Utc>) -> String {
    at.format("%a, %d %b %Y %H:%M:%S GMT").to_string()
}
