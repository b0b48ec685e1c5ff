//! Problems as they are sent (RFC 9457), and how refusals of the use cases become problems.

use super::registry::{self, Kind};
use crate::domain::fault::Fault;
use crate::dto::FaultDto;
use crate::service::ServiceError;
use crate::store::StoreError;
use crate::weather::fetch::FetchError;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::{HttpResponse, ResponseError};
use serde::Serialize;
use std::fmt;
use utoipa::ToSchema;

/// Its media type.
pub const PROBLEM_JSON: &str = "application/problem+json";
/// Seconds after which asking again makes sense.
const RETRY_SECONDS: i64 = 2;

/// A problem (RFC 9457).
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ProblemBody {
    /// Address of a page about this kind of problem.
    #[serde(rename = "type")]
    #[schema(rename = "type", example = "/problems/stale")]
    pub kind: String,
    /// The same for every problem of this kind.
    pub title: &'static str,
    /// Of the reply.
    #[schema(value_type = u16, example = 412)]
    pub status: u16,
    /// Stable, for programs.
    #[schema(example = "stale")]
    pub code: &'static str,
    /// What is wrong this time.
    pub detail: String,
    /// What would make it right.
    pub cure: String,
    /// Each thing wrong, with a pointer into the body (RFC 6901) or to a parameter.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<ProblemError>,
}

/// One thing wrong.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ProblemError {
    /// Where: a JSON pointer, empty for the body as a whole.
    #[schema(example = "/steps/2/minutes")]
    pub pointer: String,
    /// Stable, for programs.
    #[schema(example = "out-of-range")]
    pub code: String,
    /// What is wrong.
    pub detail: String,
    /// What would make it right.
    pub cure: String,
}

impl ProblemBody {
    /// One of this kind, with nothing else to say of it.
    pub(super) fn of(kind: &Kind, detail: String) -> ProblemBody {
        ProblemBody {
            kind: format!("/problems/{}", kind.code),
            title: kind.title,
            status: kind.status.as_u16(),
            code: kind.code,
            detail,
            cure: kind.cure.to_owned(),
            errors: Vec::new(),
        }
    }
}

impl From<FaultDto> for ProblemError {
    fn from(fault: FaultDto) -> ProblemError {
        ProblemError { pointer: fault.pointer, code: fault.code, detail: fault.what, cure: fault.cure }
    }
}

/// A reply that says what went wrong. Boxed, because results are mostly good.
#[derive(Debug)]
pub struct Problem(Box<Parts>);

#[derive(Debug)]
struct Parts {
    kind: Kind,
    detail: String,
    cure: Option<String>,
    errors: Vec<ProblemError>,
    headers: Vec<(HeaderName, String)>,
}

impl Problem {
    /// Of a kind, with what is wrong this time.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Problem {
        Problem(Box::new(Parts { kind, detail: detail.into(), cure: None, errors: Vec::new(), headers: Vec::new() }))
    }

    /// Whether it is of this kind.
    pub fn is(&self, kind: Kind) -> bool {
        self.0.kind == kind
    }

    /// With a cure of its own.
    pub fn cure(mut self, cure: impl Into<String>) -> Problem {
        self.0.cure = Some(cure.into());
        self
    }

    /// With everything that is wrong.
    pub fn errors(mut self, errors: Vec<FaultDto>) -> Problem {
        self.0.errors = errors.into_iter().map(ProblemError::from).collect();
        self
    }

    /// With one more header.
    pub fn header(mut self, name: HeaderName, value: impl Into<String>) -> Problem {
        self.0.headers.push((name, value.into()));
        self
    }

    /// With the current version, where somebody else was first.
    pub fn stale(current: i64) -> Problem {
        let detail = format!("it is at version {current} now");
        Problem::new(registry::STALE, detail).header(header::ETAG, super::headers::etag(current))
    }

    /// What kind it is.
    pub fn kind(&self) -> Kind {
        self.0.kind
    }

    fn retry(self) -> Problem {
        self.header(header::RETRY_AFTER, RETRY_SECONDS.to_string())
    }

    /// Nothing of the inside is told to the outside.
    fn internal(error: &dyn fmt::Display) -> Problem {
        tracing::error!(%error, "a request failed");
        Problem::new(registry::INTERNAL, "the cause is in the server's log")
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.0.kind.code, self.0.detail)
    }
}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        self.0.kind.status
    }

    fn error_response(&self) -> HttpResponse {
        let mut body = ProblemBody::of(&self.0.kind, self.0.detail.clone());
        body.errors.clone_from(&self.0.errors);
        if let Some(cure) = &self.0.cure {
            body.cure.clone_from(cure);
        }
        let mut reply = HttpResponse::build(self.0.kind.status);
        for (name, value) in &self.0.headers {
            if let Ok(value) = HeaderValue::from_str(value) {
                reply.insert_header((name.clone(), value));
            }
        }
        reply.insert_header((header::CACHE_CONTROL, "no-store"));
        let text = serde_json::to_vec(&body).unwrap_or_default();
        reply.content_type(PROBLEM_JSON).body(text)
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Problem {
        let told = error.to_string();
        match error {
            StoreError::NotFound { .. } => Problem::new(registry::NOT_FOUND, told),
            StoreError::Stale { current } => Problem::stale(current),
            StoreError::KeyTaken { .. } => Problem::new(registry::KEY_TAKEN, told),
            StoreError::InUse { .. } => Problem::new(registry::IN_USE, told),
            StoreError::UnknownReference { .. } | StoreError::DanglingChain { .. } => {
                let (code, cure) = (error.code().to_owned(), error.cure());
                let fault = FaultDto { pointer: String::new(), code, what: told.clone(), cure };
                Problem::new(registry::INVALID_DOCUMENT, told).errors(vec![fault])
            }
            StoreError::CrewDoubleBooked { .. } => Problem::new(registry::CREW_DOUBLE_BOOKED, told),
            StoreError::NotADraft { .. } => Problem::new(registry::NOT_A_DRAFT, told),
            StoreError::LeaseLost => Problem::new(registry::IDEMPOTENCY_IN_PROGRESS, told).retry(),
            StoreError::Busy(_) => {
                tracing::warn!(error = %told, "the database is busy");
                Problem::new(registry::DATABASE_BUSY, "nothing was done").retry()
            }
            StoreError::Unavailable(_) => {
                tracing::warn!(error = %told, "the database cannot be reached");
                Problem::new(registry::DATABASE_UNAVAILABLE, "the database cannot be reached").retry()
            }
            StoreError::BadDocument(_)
            | StoreError::Migration(_)
            | StoreError::CannotCreateRole { .. }
            | StoreError::UnsafeRole { .. }
            | StoreError::BadRoleName(_)
            | StoreError::Broken(_) => Problem::internal(&told),
        }
    }
}

fn counted(errors: &[FaultDto]) -> String {
    match errors {
        [] => "there are faults".to_owned(),
        [only] => only.what.clone(),
        [first, ..] => format!("{} things; first: {}", errors.len(), first.what),
    }
}

impl From<ServiceError> for Problem {
    fn from(error: ServiceError) -> Problem {
        let told = error.to_string();
        match error {
            ServiceError::Store(error) => error.into(),
            ServiceError::Invalid(errors) => Problem::new(registry::INVALID_DOCUMENT, counted(&errors)).errors(errors),
            ServiceError::OutOfOrder(Fault { code, what, cure }) => {
                let error = FaultDto { pointer: String::new(), code: code.to_owned(), what, cure };
                Problem::new(registry::OUT_OF_ORDER, error.what.clone()).cure(error.cure.clone()).errors(vec![error])
            }
            ServiceError::NotYourCrew { .. } => Problem::new(registry::NOT_YOUR_CREW, told),
            ServiceError::OfficeOnly(_) => {
                Problem::new(registry::ROLE_NEEDED, format!("{told}: this needs the role office"))
            }
            ServiceError::EventIdUsed => Problem::new(registry::EVENT_ID_USED, told),
            ServiceError::CannotPlan(errors) => Problem::new(registry::CANNOT_PLAN, counted(&errors)).errors(errors),
            ServiceError::BuiltIn(_) => Problem::new(registry::BUILT_IN, told),
            ServiceError::NoGridpoint(_) => Problem::new(registry::NO_GRIDPOINT, told),
            ServiceError::WebhookOff(_) => Problem::new(registry::WEBHOOK_OFF, told),
            ServiceError::NoWeatherService => Problem::new(registry::NO_WEATHER_SERVICE, told),
            ServiceError::NoForecast(error) => {
                let (code, cure) = (error.code().to_owned(), error.cure().to_owned());
                let mut errors =
                    vec![FaultDto { pointer: String::new(), code, what: told.clone(), cure: cure.clone() }];
                if let FetchError::NoForecast(faults) = &error {
                    errors.extend(faults.iter().map(FaultDto::from));
                }
                Problem::new(registry::WEATHER_FAILED, told).cure(cure).errors(errors)
            }
            ServiceError::PlanningBusy => Problem::new(registry::PLANNING_BUSY, told).retry(),
            ServiceError::PlanRejected(_) => Problem::new(registry::PLAN_REJECTED, told),
            ServiceError::PlanOutdated(errors) => {
                Problem::new(registry::PLAN_OUTDATED, counted(&errors)).errors(errors)
            }
            ServiceError::PlanningBroke(_) => Problem::internal(&told),
        }
    }
}
