//! The one place that asks the network for weather: one document of the National Weather Service for one gridpoint,
//! bounded in time and size, and only if there is news. Reading the document is `gridpoint`'s matter.

use super::WEATHER_BYTES_MAX;
use super::gridpoint;
use crate::domain::climate::Gridpoint;
use crate::domain::fault::Fault;
use crate::dto::{ForecastDto, Located};
use reqwest::header::{self, HeaderMap, HeaderName};
use reqwest::redirect::Policy;
use reqwest::{Client, StatusCode};
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use tokio::sync::Semaphore;

/// Where the service is.
pub const WEATHER_BASE_DEFAULT: &str = "https://api.weather.gov";
/// How long a document may take from the first packet to the last byte: the service answers within seconds or not.
pub const FETCH_TIME_MAX: Duration = Duration::from_secs(20);
/// How long a connection may take.
const CONNECT_TIME_MAX: Duration = Duration::from_secs(5);
/// Documents asked for at once, over all companies: the service asks its users to be modest.
const FETCHES_MAX: usize = 4;
/// Longest contact and longest base address: a line each.
const SETTING_CHARS_MAX: usize = 200;
/// Longest validator kept; those of the service have some thirty characters.
const VALIDATOR_CHARS_MAX: usize = 200;

/// The weather service. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Source(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    base: String,
    agent: String,
    time_max: Duration,
    client: OnceLock<Client>,
    turns: Semaphore,
}

/// What tells one state of a document from another (RFC 9110, section 8.8), as the service sent it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Validators {
    /// `ETag`.
    pub etag: Option<String>,
    /// `Last-Modified`.
    pub last_modified: Option<String>,
}

/// What came back.
#[derive(Debug, Clone, PartialEq)]
pub enum Fetched {
    /// It is what it was when the validators were sent.
    Unchanged,
    /// A forecast, and what it will be known by.
    New(ForecastDto, Validators),
}

/// Why no forecast came.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FetchError {
    /// No connection, or it broke off.
    #[error("the weather service at {0} cannot be reached: {1}")]
    Unreachable(String, String),
    /// It took too long.
    #[error("the weather service did not answer within {} seconds", .0.as_secs_f32())]
    TooSlow(Duration),
    /// It has no such gridpoint.
    #[error("the weather service knows no gridpoint {0}")]
    UnknownGridpoint(Gridpoint),
    /// It cannot answer now.
    #[error("the weather service answers with status {0}")]
    Unavailable(u16),
    /// Another answer than any we ask for.
    #[error("the weather service answers with status {0}")]
    Unexpected(u16),
    /// A larger document than any forecast.
    #[error("the weather service sent more than {WEATHER_BYTES_MAX} bytes")]
    TooLarge,
    /// Something else than a forecast. Never empty.
    #[error("what the weather service sent is no forecast: {}", .0.first().map_or_else(String::new, ToString::to_string))]
    NoForecast(Vec<Located>),
}

impl FetchError {
    /// Stable code for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            FetchError::Unreachable(..) => "weather-unreachable",
            FetchError::TooSlow(_) => "weather-too-slow",
            FetchError::UnknownGridpoint(_) => "unknown-gridpoint",
            FetchError::Unavailable(_) => "weather-unavailable",
            FetchError::Unexpected(_) => "weather-unexpected",
            FetchError::TooLarge => "weather-too-large",
            FetchError::NoForecast(_) => "weather-no-forecast",
        }
    }

    /// What helps.
    pub const fn cure(&self) -> &'static str {
        match self {
            FetchError::Unreachable(..) => {
                "Try again in some minutes; look whether the server may go out to the network."
            }
            FetchError::TooSlow(_) => "Try again in some minutes.",
            FetchError::UnknownGridpoint(_) => {
                "Look the place up again under /points/{latitude},{longitude} of the service, and correct the region."
            }
            FetchError::Unavailable(_) => {
                "Try again in an hour; until then the forecast that is there stays. You can bring another by hand."
            }
            FetchError::Unexpected(_) => "Look whether the address of the weather service is right (--weather-base).",
            FetchError::TooLarge | FetchError::NoForecast(_) => {
                "Look whether the address of the weather service is right, or bring the forecast by hand."
            }
        }
    }
}

/// Lets this process speak TLS. Doing it twice changes nothing.
pub fn provide_tls() {
    // The error says that somebody has chosen another provider before, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
}

impl Source {
    /// The service at `base` (`http` or `https`, without a query), asked in the name of `contact`: the service wants to
    /// know whom to write to (a mail or web address).
    ///
    /// # Errors
    /// `bad-weather-base`, `bad-weather-contact`.
    pub fn new(base: &str, contact: &str, time_max: Duration) -> Result<Source, Fault> {
        let base = base.trim_end_matches('/');
        let plain = |text: &str| {
            let good = |byte: u8| byte.is_ascii_graphic() && !b"()\\\"".contains(&byte);
            !text.is_empty() && text.len() <= SETTING_CHARS_MAX && text.bytes().all(good)
        };
        let rest = base.strip_prefix("https://").or_else(|| base.strip_prefix("http://"));
        if !rest.is_some_and(|rest| plain(rest) && !rest.contains(['?', '#', '@'])) {
            let what = format!("{base:?} is no address of a weather service");
            return Err(Fault::new("bad-weather-base", what, format!("write it like {WEATHER_BASE_DEFAULT}")));
        }
        if !plain(contact) {
            let what = format!("{contact:?} is no contact");
            let cure = "write a mail or web address, without blanks and brackets, such as office@example.com";
            return Err(Fault::new("bad-weather-contact", what, cure));
        }
        let agent = format!("{}/{} ({contact})", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"));
        let (client, turns) = (OnceLock::new(), Semaphore::new(FETCHES_MAX));
        Ok(Source(Arc::new(Inner { base: base.to_owned(), agent, time_max, client, turns })))
    }

    /// The forecast of a gridpoint, unless it is the one that `known` tells of.
    ///
    /// # Errors
    /// See [`FetchError`].
    pub async fn forecast(&self, gridpoint: &Gridpoint, known: &Validators) -> Result<Fetched, FetchError> {
        let whole = tokio::time::timeout(self.0.time_max, self.ask(gridpoint, known)).await;
        whole.unwrap_or(Err(FetchError::TooSlow(self.0.time_max)))
    }

    async fn ask(&self, gridpoint: &Gridpoint, known: &Validators) -> Result<Fetched, FetchError> {
        // It is never closed.
        let _turn = self.0.turns.acquire().await;
        let mut request = self.client()?.get(format!("{}/gridpoints/{gridpoint}", self.0.base));
        // Without this header, the service's caches have been seen to give out old documents.
        request = request.header(header::ACCEPT, "application/geo+json");
        let validators = [(header::IF_NONE_MATCH, &known.etag), (header::IF_MODIFIED_SINCE, &known.last_modified)];
        for (name, value) in validators {
            if let Some(value) = value {
                request = request.header(name, value);
            }
        }
        let mut response = request.send().await.map_err(|error| self.unreachable(&error))?;
        match response.status() {
            StatusCode::OK => {}
            StatusCode::NOT_MODIFIED if *known != Validators::default() => return Ok(Fetched::Unchanged),
            StatusCode::NOT_FOUND => return Err(FetchError::UnknownGridpoint(gridpoint.clone())),
            StatusCode::TOO_MANY_REQUESTS => return Err(FetchError::Unavailable(429)),
            status if status.is_server_error() => return Err(FetchError::Unavailable(status.as_u16())),
            status => return Err(FetchError::Unexpected(status.as_u16())),
        }
        let validators = validators_of(response.headers());
        let mut bytes = Vec::new();
        while let Some(chunk) = response.chunk().await.map_err(|error| self.unreachable(&error))? {
            if bytes.len() + chunk.len() > WEATHER_BYTES_MAX {
                return Err(FetchError::TooLarge);
            }
            bytes.extend_from_slice(&chunk);
        }
        let text = String::from_utf8_lossy(&bytes);
        gridpoint::read(&text).map(|read| Fetched::New(read, validators)).map_err(FetchError::NoForecast)
    }

    /// Made when it is first needed, so that a server without certificates of its own starts all the same.
    fn client(&self) -> Result<&Client, FetchError> {
        if self.0.client.get().is_none() {
            provide_tls();
            let builder = Client::builder().user_agent(&self.0.agent).connect_timeout(CONNECT_TIME_MAX);
            // Wherever an answer points to, only the service that was named is asked.
            let client = builder.redirect(Policy::none()).build().map_err(|error| self.unreachable(&error))?;
            let _ = self.0.client.set(client);
        }
        self.0.client.get().ok_or(FetchError::Unreachable(self.0.base.clone(), "no client".to_owned()))
    }

    fn unreachable(&self, error: &reqwest::Error) -> FetchError {
        if error.is_timeout() {
            return FetchError::TooSlow(CONNECT_TIME_MAX);
        }
        // The innermost cause is the one that says something.
        let mut cause: &dyn std::error::Error = error;
        while let Some(source) = cause.source() {
            cause = source;
        }
        FetchError::Unreachable(self.0.base.clone(), cause.to_string())
    }
}

fn validators_of(headers: &HeaderMap) -> Validators {
    let text = |name: HeaderName| {
        let value = headers.get(name)?.to_str().ok()?;
        (value.len() <= VALIDATOR_CHARS_MAX).then(|| value.to_owned())
    };
    Validators { etag: text(header::ETAG), last_modified: text(header::LAST_MODIFIED) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_that_would_ask_somebody_else_are_refused() {
        let code = |base: &str, contact: &str| Source::new(base, contact, FETCH_TIME_MAX).unwrap_err().code;
        let long = format!("https://{}", "x".repeat(300));
        for base in ["", "api.weather.gov", "ftp://x", "https://", "https://a b", "https://x?y=", "http://u@x", &long] {
            assert_eq!(code(base, "office@example.com"), "bad-weather-base", "{base}");
        }
        for contact in ["", "the office", "x)", "a\r\nb", "\u{e9}@example.com"] {
            assert_eq!(code(WEATHER_BASE_DEFAULT, contact), "bad-weather-contact", "{contact:?}");
        }
        assert!(Source::new("https://api.weather.gov/", "office@example.com", FETCH_TIME_MAX).is_ok());
    }
}
