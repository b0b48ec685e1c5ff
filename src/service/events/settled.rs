//! What an event has come to, and how the refusals of the use cases are read: some refuse the event itself, some say that
//! it is too early, some that it cannot be so.

use super::super::ServiceError;
use crate::domain::fault::Fault;
use crate::dto::{FaultDto, Heard, Located};
use crate::store::{Document, EventStanding, StoreError};

/// What an event has come to.
#[derive(Debug)]
pub(super) struct Settled {
    pub(super) standing: EventStanding,
    pub(super) reason: Option<FaultDto>,
    /// The subject's document from which later events are counted, if this is the first.
    pub(super) base: Option<Document>,
}

impl Settled {
    pub(super) const APPLIED: Settled = Settled { standing: EventStanding::Applied, reason: None, base: None };

    pub(super) fn of(heard: Heard) -> Settled {
        let because = |standing, fault: Fault| Settled { standing, reason: Some(told(fault)), base: None };
        match heard {
            Heard::Changed => Settled::APPLIED,
            Heard::Known => Settled { standing: EventStanding::Known, ..Settled::APPLIED },
            Heard::NotYet(fault) => because(EventStanding::Waiting, fault),
            Heard::Against(fault) => because(EventStanding::Contradicts, fault),
            Heard::Overtaken(fault) => because(EventStanding::Overtaken, fault),
        }
    }

    pub(super) fn stored_reason(&self) -> Result<Option<Document>, StoreError> {
        self.reason.as_ref().map(Document::of).transpose()
    }
}

pub(super) fn told(fault: Fault) -> FaultDto {
    FaultDto::from(&Located { pointer: "/event".to_owned(), fault })
}

/// Faults in what happened are faults of the event.
pub(super) fn in_event(faults: &[Located]) -> ServiceError {
    let below = |located: &Located| Located { pointer: format!("/event{}", located.pointer), ..located.clone() };
    ServiceError::Invalid(faults.iter().map(below).map(|located| FaultDto::from(&located)).collect())
}

/// The same for faults that a use case has told already. `under`: the member that was handed to it.
pub(super) fn below(error: ServiceError, under: &str) -> ServiceError {
    match error {
        ServiceError::Invalid(faults) => {
            let moved = |fault: FaultDto| FaultDto { pointer: format!("/event{under}{}", fault.pointer), ..fault };
            ServiceError::Invalid(faults.into_iter().map(moved).collect())
        }
        other => other,
    }
}

/// Codes with which a report is refused because another has not come.
const TOO_EARLY: &[&str] = &["predecessor-open", "check-not-passed", "not-running", "already-running", "job-over"];
/// Faults of a report that are none of its own: another report is missing.
const MISSING: &[&str] = &["missing-field", "unknown-step"];

/// How a report's refusal is to be read; a fault of the event itself is given back.
pub(super) fn heard_of(error: ServiceError) -> Result<Heard, ServiceError> {
    match error {
        ServiceError::OutOfOrder(fault) if TOO_EARLY.contains(&fault.code) => Ok(Heard::NotYet(fault)),
        ServiceError::OutOfOrder(fault) => Ok(Heard::Against(fault)),
        ServiceError::Invalid(faults) => match faults.first() {
            Some(first) if faults.iter().all(|fault| MISSING.contains(&fault.code.as_str())) => {
                let code = MISSING.iter().find(|code| **code == first.code).copied().unwrap_or("missing-field");
                Ok(Heard::NotYet(Fault::new(code, first.what.clone(), first.cure.clone())))
            }
            // The floor was wetted again, and nobody has told of the first time.
            Some(first) if faults.iter().all(|fault| fault.pointer == "/re_wet") => {
                Ok(Heard::NotYet(Fault::new("not-done-yet", first.what.clone(), "tell of the first time, too")))
            }
            Some(first) if faults.iter().all(|fault| fault.code == "bad-history") => {
                Ok(Heard::Against(Fault::new("bad-history", first.what.clone(), first.cure.clone())))
            }
            _ => Err(ServiceError::Invalid(faults)),
        },
        other => Err(other),
    }
}
