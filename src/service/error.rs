//! Why a use case did not do what was asked. How that is told over HTTP is the API's matter.

use crate::domain::fault::Fault;
use crate::dto::{FaultDto, Located};
use crate::store::StoreError;
use crate::weather::fetch::FetchError;

/// A refusal, or a failure.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    /// From the database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The document that was sent cannot be used. Never empty.
    #[error("the document has {} faults, first: {}", .0.len(), first(.0))]
    Invalid(Vec<FaultDto>),
    /// A report that does not follow from what was reported before.
    #[error("{0}")]
    OutOfOrder(Fault),
    /// A crew's token reports for another crew.
    #[error("this token reports for crew {own}, not for {other}")]
    NotYourCrew {
        /// Whose token it is.
        own: String,
        /// Whom it reports for.
        other: String,
    },
    /// A crew's token tells what only the office can know.
    #[error("{0} is told by the office")]
    OfficeOnly(&'static str),
    /// Another event has this identifier.
    #[error("another event was told with this id")]
    EventIdUsed,
    /// The company's documents do not fit together, so nothing can be planned. Pointers are into the planning file.
    #[error("the company cannot be planned: {} faults, first: {}", .0.len(), first(.0))]
    CannotPlan(Vec<FaultDto>),
    /// A built-in method is not changed.
    #[error("the method {0} comes with the program")]
    BuiltIn(String),
    /// The region does not say where its forecast is.
    #[error("the region {0} has no gridpoint")]
    NoGridpoint(String),
    /// This server does not ask for weather.
    #[error("this server was started without a contact for the weather service")]
    NoWeatherService,
    /// The weather service gave none.
    #[error(transparent)]
    NoForecast(#[from] FetchError),
    /// Nothing is sent to a webhook that is off.
    #[error("the webhook is switched off: {0}")]
    WebhookOff(String),
    /// Too many plannings at once.
    #[error("other plans are being made")]
    PlanningBusy,
    /// The planner's plan did not pass the audit: a defect of this program.
    #[error("the audit found {0} violations in a new plan")]
    PlanRejected(usize),
    /// The world is not what the plan was made from. Never empty.
    #[error("the plan does not fit what is known now: {} reasons, first: {}", .0.len(), first(.0))]
    PlanOutdated(Vec<FaultDto>),
    /// The planner did not come to an end: a defect of this program.
    #[error("planning broke off: {0}")]
    PlanningBroke(#[from] tokio::task::JoinError),
}

fn first(faults: &[FaultDto]) -> &str {
    faults.first().map_or("", |fault| &fault.what)
}

impl ServiceError {
    /// Whether somebody else was first.
    pub fn is_stale(&self) -> bool {
        matches!(self, ServiceError::Store(StoreError::Stale { .. }))
    }

    /// One fault at one place.
    pub fn fault(pointer: impl Into<String>, fault: Fault) -> ServiceError {
        ServiceError::Invalid(vec![FaultDto::from(&Located { pointer: pointer.into(), fault })])
    }
}

/// Nothing wrong, or everything that is.
pub(super) fn refuse(faults: Vec<Located>) -> Result<(), ServiceError> {
    if faults.is_empty() { Ok(()) } else { Err(ServiceError::Invalid(told(&faults))) }
}

pub(super) fn told(faults: &[Located]) -> Vec<FaultDto> {
    faults.iter().map(FaultDto::from).collect()
}
