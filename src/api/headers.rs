//! Headers that say which version is meant, and which request this is.

use super::problem::Problem;
use super::registry;
use actix_web::HttpRequest;
use actix_web::http::header::{self, HeaderName};
use sha2::{Digest, Sha256};

/// Longest key of a repeated request.
const KEY_CHARS_MAX: usize = 255;

/// Which version a change is a change of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wanted {
    /// Whatever it is.
    Any,
    /// One of these.
    Versions(Vec<i64>),
}

/// The strong tag of a version.
pub fn etag(version: i64) -> String {
    format!("\"{version}\"")
}

/// The strong tag of content without a version.
pub fn content_etag(content: &[u8]) -> String {
    let hash = Sha256::digest(content);
    let hex: String = hash.iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    format!("\"{hex}\"")
}

fn text(request: &HttpRequest, name: &HeaderName) -> Result<Option<String>, Problem> {
    let mut whole: Option<String> = None;
    for value in request.headers().get_all(name) {
        let Ok(value) = value.to_str() else {
            return Err(Problem::new(registry::BAD_HEADER, format!("{name} is not plain ASCII text")));
        };
        // Lists may be given in several lines (RFC 9110, section 5.3).
        whole = Some(whole.map_or_else(|| value.to_owned(), |before| format!("{before}, {value}")));
    }
    Ok(whole)
}

/// Tags without those that are weak, which If-Match never means (RFC 9110, section 13.1.1).
fn strong_tags(list: &str) -> impl Iterator<Item = &str> {
    list.split(',').map(str::trim).filter(|tag| tag.len() >= 2 && tag.starts_with('"') && tag.ends_with('"'))
}

/// What If-Match says; it must say something.
pub fn if_match(request: &HttpRequest) -> Result<Wanted, Problem> {
    let Some(list) = text(request, &header::IF_MATCH)? else {
        return Err(Problem::new(registry::PRECONDITION_REQUIRED, "the request has no If-Match"));
    };
    if list.trim() == "*" {
        return Ok(Wanted::Any);
    }
    let tags = strong_tags(&list).map(|tag| tag.trim_matches('"'));
    Ok(Wanted::Versions(tags.filter_map(|tag| tag.parse().ok()).collect()))
}

impl Wanted {
    /// The version to change, if `current` is meant.
    pub fn version(&self, current: i64) -> Result<i64, Problem> {
        match self {
            Wanted::Any => Ok(current),
            Wanted::Versions(versions) if versions.contains(&current) => Ok(current),
            Wanted::Versions(_) => Err(Problem::stale(current)),
        }
    }
}

/// Whether the asker has this already (weak comparison, RFC 9110, section 13.1.2).
pub fn has_already(request: &HttpRequest, etag: &str) -> bool {
    let Ok(Some(list)) = text(request, &header::IF_NONE_MATCH) else { return false };
    list.trim() == "*" || list.split(',').map(|tag| tag.trim().trim_start_matches("W/")).any(|tag| tag == etag)
}

/// What Idempotency-Key says, with or without the quotes of a structured field.
pub fn idempotency_key(request: &HttpRequest) -> Result<Option<String>, Problem> {
    let Some(value) = text(request, &HeaderName::from_static("idempotency-key"))? else { return Ok(None) };
    let quoted = value.strip_prefix('"').and_then(|rest| rest.strip_suffix('"'));
    let key = quoted.unwrap_or(&value);
    let plain = key.chars().all(|c| c.is_ascii_graphic() || c == ' ');
    if key.trim().is_empty() || key.len() > KEY_CHARS_MAX || !plain {
        let detail = format!("Idempotency-Key is not 1 to {KEY_CHARS_MAX} visible characters");
        return Err(Problem::new(registry::BAD_HEADER, detail));
    }
    Ok(Some(key.to_owned()))
}

/// Whether compressed is as welcome as plain (RFC 9110, section 12.5.3). Who says nothing gets it plain.
pub fn takes_gzip(request: &HttpRequest) -> bool {
    let lines = request.headers().get_all(header::ACCEPT_ENCODING).filter_map(|value| value.to_str().ok());
    let (mut gzip, mut identity, mut others) = (None, None, None);
    for (coding, quality) in lines.flat_map(|line| line.split(',')).map(weighed) {
        match coding.as_str() {
            "gzip" | "x-gzip" => gzip = Some(quality),
            "identity" => identity = Some(quality),
            "*" => others = Some(quality),
            _ => {}
        }
    }
    let gzip = gzip.or(others).unwrap_or(0.0);
    gzip > 0.0 && gzip >= identity.or(others).unwrap_or(0.0)
}

/// A coding and its weight; a weight that is none refuses it.
fn weighed(part: &str) -> (String, f32) {
    let (coding, parameters) = part.split_once(';').unwrap_or((part, "q=1"));
    let quality = parameters.trim().strip_prefix("q=").and_then(|text| text.parse().ok());
    (coding.trim().to_ascii_lowercase(), quality.unwrap_or(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    fn wanted(list: &str) -> Result<Wanted, Problem> {
        if_match(&TestRequest::default().insert_header((header::IF_MATCH, list)).to_http_request())
    }

    #[test]
    fn if_match_takes_strong_tags_and_the_star() {
        assert_eq!(wanted("*").unwrap(), Wanted::Any);
        assert_eq!(wanted("\"3\", \"5\"").unwrap(), Wanted::Versions(vec![3, 5]));
        assert_eq!(wanted("W/\"3\", 4, \"x\"").unwrap(), Wanted::Versions(vec![]));
        let missing = if_match(&TestRequest::default().to_http_request()).unwrap_err();
        assert_eq!(missing.kind(), registry::PRECONDITION_REQUIRED);
        assert_eq!(wanted("\"3\"").unwrap().version(4).unwrap_err().kind(), registry::STALE);
    }

    #[test]
    fn if_none_match_compares_weakly() {
        let request =
            |list: &str| TestRequest::default().insert_header((header::IF_NONE_MATCH, list)).to_http_request();
        assert!(has_already(&request("\"a\", W/\"b\""), "\"b\""));
        assert!(has_already(&request("*"), "\"b\""));
        assert!(!has_already(&request("\"a\""), "\"b\""));
    }

    #[test]
    fn keys_of_repeated_requests_are_plain_and_short() {
        let key = |value: &str| {
            idempotency_key(&TestRequest::default().insert_header(("Idempotency-Key", value)).to_http_request())
        };
        assert_eq!(key("abc-1").unwrap().as_deref(), Some("abc-1"));
        assert_eq!(key("\"abc-1\"").unwrap().as_deref(), Some("abc-1"));
        assert!(key("").is_err() && key(&"x".repeat(256)).is_err());
    }

    #[test]
    fn compressed_only_for_whoever_takes_it() {
        let takes = |value: &str| {
            takes_gzip(&TestRequest::default().insert_header((header::ACCEPT_ENCODING, value)).to_http_request())
        };
        assert!(takes("gzip") && takes("br, gzip;q=0.8, *;q=0.1") && takes("gzip, deflate") && takes("*"));
        assert!(!takes("identity") && !takes("br") && !takes("gzip;q=0") && !takes("identity, gzip;q=0.2"));
        assert!(!takes_gzip(&TestRequest::default().to_http_request()), "who says nothing gets it plain");
    }
}
