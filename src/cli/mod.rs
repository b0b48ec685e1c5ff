//! The command line: what can be asked of the program, and what it prints. Use cases live in `service`; the planner's
//! own two commands, and `normals`, need no database.

pub mod backup;
pub mod beware;
pub mod calculate;
pub mod chance;
pub mod database;
pub mod demo;
mod demo_people;
pub mod documents;
pub mod forecast;
pub mod forecasts;
pub mod found;
pub mod load_list;
pub mod normals;
pub mod person;
pub mod plan;
pub mod serve;
pub mod settings;
pub mod traces;
pub mod week;

use crate::service::ServiceError;
use std::process::ExitCode;

/// What a command ends with when it could not do what was asked: why, and what would cure it.
#[derive(Debug)]
pub struct Refusal {
    /// Stable code.
    pub code: String,
    /// What is wrong.
    pub what: String,
    /// What would make it right.
    pub cure: String,
}

impl Refusal {
    /// Puts the parts together.
    pub fn new(code: impl Into<String>, what: impl Into<String>, cure: impl Into<String>) -> Refusal {
        Refusal { code: code.into(), what: what.into(), cure: cure.into() }
    }

    /// Tells it on standard error; the exit code is 1.
    pub fn tell(&self) -> ExitCode {
        eprintln!("tackfree: {}", self.what);
        if !self.cure.is_empty() {
            eprintln!("  what to do: {}", self.cure);
        }
        eprintln!("  code: {}", self.code);
        ExitCode::FAILURE
    }
}

/// For the database's own refusals.
impl From<ServiceError> for Refusal {
    fn from(error: ServiceError) -> Refusal {
        match error {
            ServiceError::Store(error) => Refusal::from(error),
            other => Refusal::new("refused", told(&other), "see the faults named above"),
        }
    }
}

fn told(error: &ServiceError) -> String {
    let faults = match error {
        ServiceError::Invalid(faults) | ServiceError::CannotPlan(faults) | ServiceError::PlanOutdated(faults) => faults,
        _ => return error.to_string(),
    };
    let lines = faults.iter().map(|fault| format!("\n  {}: {}; {}", fault.pointer, fault.what, fault.cure));
    format!("{error}{}", lines.collect::<String>())
}
