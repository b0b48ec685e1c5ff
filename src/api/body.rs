//! Bodies: bounded, JSON (forecasts also in two other forms), read to a shape with every fault told where it is.

use super::problem::Problem;
use super::registry;
use crate::domain::fault::Fault;
use crate::dto::{FaultDto, ForecastDto, Located, read_json};
use crate::table::SHEET_BYTES_MAX;
use crate::weather::csv;
use crate::weather::gridpoint::GridpointDocument;
use actix_web::dev::Payload;
use actix_web::http::header;
use actix_web::{FromRequest, HttpMessage, HttpRequest};
use futures_util::StreamExt;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use std::future::Future;
use std::pin::Pin;
use std::time::Duration;
use tokio::time::timeout;

/// Largest ordinary body.
pub const JSON_BYTES_MAX: usize = 1 << 20;
/// Largest body with a forecast: a year of hours.
pub const FORECAST_BYTES_MAX: usize = 4 << 20;
/// What a forecast may come as.
const FORECAST_MEDIA: &str = "Send application/json, text/csv, or application/geo+json (a document of the US National \
     Weather Service), without a Content-Encoding.";
/// How long a body may take to arrive.
const ARRIVAL_MAX: Duration = Duration::from_secs(60);
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
            let bytes = timeout(ARRIVAL_MAX, read(&mut payload, MAX)).await;
            typed?;
            let bytes = bytes.map_err(|_| too_slow())??;
            Ok(Body { value: parse(&bytes, MAX)?, sha256: Sha256::digest(&bytes).into() })
        })
    }
}

/// A forecast in any form that it is taken in, said by its media type. Faults in what it says are told by whoever has
/// looked at the rest of the request.
#[derive(Debug)]
pub struct ForecastBody(pub Result<ForecastDto, Vec<Located>>);

/// How the hours of a forecast are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Own,
    Gridpoint,
    Table,
}

impl Form {
    fn of(request: &HttpRequest) -> Result<Form, Problem> {
        refuse_encoded(request)?;
        let media = request.content_type();
        if media.eq_ignore_ascii_case("text/csv") {
            Ok(Form::Table)
        } else if media.eq_ignore_ascii_case("application/geo+json") {
            Ok(Form::Gridpoint)
        } else if is_json(media) {
            Ok(Form::Own)
        } else {
            Err(other_media(media))
        }
    }
}

impl FromRequest for ForecastBody {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<ForecastBody, Problem>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let form = Form::of(request).map_err(|problem| problem.cure(FORECAST_MEDIA));
        let mut payload = payload.take();
        Box::pin(async move {
            let bytes = timeout(ARRIVAL_MAX, read(&mut payload, FORECAST_BYTES_MAX)).await;
            let form = form?;
            let bytes = bytes.map_err(|_| too_slow())??;
            Ok(ForecastBody(match form {
                Form::Own => {
                    let forecast: ForecastDto = parse(&bytes, FORECAST_BYTES_MAX)?;
                    let faults = forecast.check();
                    if faults.is_empty() { Ok(forecast) } else { Err(faults) }
                }
                Form::Gridpoint => parse::<GridpointDocument>(&bytes, FORECAST_BYTES_MAX)?.forecast(),
                Form::Table => csv::read(utf8(&bytes)?),
            }))
        })
    }
}

/// A table of comma-separated values, in UTF-8.
#[derive(Debug)]
pub struct CsvBody {
    /// As it came.
    pub text: String,
    /// Of its bytes.
    pub sha256: [u8; 32],
}

impl FromRequest for CsvBody {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<CsvBody, Problem>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let media = request.content_type();
        let typed = refuse_encoded(request)
            .and_then(|()| if media.eq_ignore_ascii_case("text/csv") { Ok(()) } else { Err(other_media(media)) });
        let typed = typed.map_err(|problem| problem.cure("Send text/csv, without a Content-Encoding."));
        let mut payload = payload.take();
        Box::pin(async move {
            let bytes = timeout(ARRIVAL_MAX, read(&mut payload, SHEET_BYTES_MAX)).await;
            typed?;
            let bytes = bytes.map_err(|_| too_slow())??;
            let text = utf8(&bytes)?.to_owned();
            if text.contains('\0') {
                let fault = Fault::new("nul-character", "the table has the character U+0000 in it", "leave it out");
                return Err(malformed(vec![Located { pointer: String::new(), fault }]));
            }
            Ok(CsvBody { text, sha256: Sha256::digest(&bytes).into() })
        })
    }
}

fn check_type(request: &HttpRequest) -> Result<(), Problem> {
    refuse_encoded(request)?;
    let media = request.content_type();
    if is_json(media) { Ok(()) } else { Err(other_media(media)) }
}

fn refuse_encoded(request: &HttpRequest) -> Result<(), Problem> {
    let encoding = request.headers().get(header::CONTENT_ENCODING);
    if encoding.is_some_and(|encoding| !encoding.as_bytes().eq_ignore_ascii_case(b"identity")) {
        return Err(Problem::new(registry::UNSUPPORTED_MEDIA_TYPE, "the body is said to be encoded"));
    }
    Ok(())
}

fn is_json(media: &str) -> bool {
    media.eq_ignore_ascii_case("application/json") || (media.starts_with("application/") && media.ends_with("+json"))
}

fn other_media(media: &str) -> Problem {
    let media: String = media.chars().take(64).collect();
    Problem::new(registry::UNSUPPORTED_MEDIA_TYPE, format!("the body is said to be {media:?}"))
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

fn too_slow() -> Problem {
    Problem::new(registry::BODY_TOO_SLOW, format!("it was waited for {} seconds", ARRIVAL_MAX.as_secs()))
}

fn too_large(max: usize) -> Problem {
    Problem::new(registry::BODY_TOO_LARGE, format!("at most {max} bytes are taken here"))
}

fn parse<T: DeserializeOwned>(bytes: &[u8], max: usize) -> Result<T, Problem> {
    let text = utf8(bytes)?;
    if let Some(located) = nul(text).or_else(|| no_object(text)) {
        return Err(malformed(vec![located]));
    }
    read_json(text, max).map_err(malformed)
}

fn utf8(bytes: &[u8]) -> Result<&str, Problem> {
    std::str::from_utf8(bytes).map_err(|_| {
        malformed(vec![Located {
            pointer: String::new(),
            fault: Fault::new("bad-json", "the body is not UTF-8", "send UTF-8 (RFC 8259, section 8.1)"),
        }])
    })
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
