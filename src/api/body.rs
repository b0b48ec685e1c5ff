//! Bodies: bounded, JSON, read to a shape with every fault told where it is.

use super::problem::Problem;
use super::registry;
use crate::domain::fault::Fault;
use crate::dto::{FaultDto, Located, read_json};
use actix_web::dev::Payload;
use actix_web::http::header;
use actix_web::{FromRequest, HttpMessage, HttpRequest};
use futures_util::StreamExt;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use std::future::Future;
use std::pin::Pin;

/// Largest ordinary body.
pub const JSON_BYTES_MAX: usize = 1 << 20;
/// Largest body with a forecast: a year of hours.
pub const FORECAST_BYTES_MAX: usize = 4 << 20;
/// How much of a body that is too large is read all the same, so that its sender gets to see the reply.
const DRAINED_MAX: usize = 16 << 20;

/// A body of at most `MAX` bytes.
#[derive(Debug)]
pub struct Body<T, const MAX: usize = JSON_BYTES_MAX> {
    /// What it says.
    pub value: T,
    /// Of its bytes.
    pub sha256: [u8; 32],
}

impl<T: DeserializeOwned + 'static, const MAX: usize> FromRequest for Body<T, MAX> {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Body<T, MAX>, Problem>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let typed = check_type(request);
        let mut payload = payload.take();
        Box::pin(async move {
            let bytes = read(&mut payload, MAX).await;
            typed?;
            let bytes = bytes?;
            Ok(Body { value: parse(&bytes, MAX)?, sha256: Sha256::digest(&bytes).into() })
        })
    }
}

fn check_type(request: &HttpRequest) -> Result<(), Problem> {
    let refuse = |detail: String| Err(Problem::new(registry::UNSUPPORTED_MEDIA_TYPE, detail));
    let encoding = request.headers().get(header::CONTENT_ENCODING);
    if encoding.is_some_and(|encoding| !encoding.as_bytes().eq_ignore_ascii_case(b"identity")) {
        return refuse("the body is said to be encoded".to_owned());
    }
    let media = request.content_type();
    let json = media.eq_ignore_ascii_case("application/json")
        || (media.starts_with("application/") && media.ends_with("+json"));
    if json {
        Ok(())
    } else {
        refuse(format!("the body is said to be {:?}", media.chars().take(64).collect::<String>()))
    }
}

async fn read(payload: &mut Payload, max: usize) -> Result<Vec<u8>, Problem> {
    let mut bytes = Vec::new();
    let mut total = 0;
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|error| Problem::new(registry::BAD_JSON, format!("the body broke off: {error}")))?;
        total += chunk.len();
        if total <= max {
            bytes.extend_from_slice(&chunk);
        } else {
            bytes.clear();
            if total > DRAINED_MAX {
                break;
            }
        }
    }
    if total <= max { Ok(bytes) } else { Err(too_large(max)) }
}

fn too_large(max: usize) -> Problem {
    Problem::new(registry::BODY_TOO_LARGE, format!("at most {max} bytes are taken here"))
}

fn parse<T: DeserializeOwned>(bytes: &[u8], max: usize) -> Result<T, Problem> {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return Err(malformed(vec![Located {
            pointer: String::new(),
            fault: Fault::new("bad-json", "the body is not UTF-8", "send UTF-8 (RFC 8259, section 8.1)"),
        }]));
    };
    if let Some(located) = nul(text).or_else(|| no_object(text)) {
        return Err(malformed(vec![located]));
    }
    read_json(text, max).map_err(malformed)
}

/// PostgreSQL has no text with NUL in it, and no text for people has one.
fn nul(text: &str) -> Option<Located> {
    text.contains("\\u0000").then(|| Located {
        pointer: String::new(),
        fault: Fault::new("nul-character", "a text has the character U+0000 in it", "leave it out"),
    })
}

/// The reader would take an array for an object without names.
fn no_object(text: &str) -> Option<Located> {
    text.trim_start().starts_with('[').then(|| Located {
        pointer: String::new(),
        fault: Fault::new("wrong-type", "the body is an array", "send a JSON object"),
    })
}

fn malformed(faults: Vec<Located>) -> Problem {
    let errors: Vec<FaultDto> = faults.iter().map(FaultDto::from).collect();
    let detail = errors.first().map(|fault| fault.what.clone()).unwrap_or_default();
    Problem::new(registry::BAD_JSON, detail).errors(errors)
}
