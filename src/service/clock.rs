//! What time it is: the one place in the crate that reads the system's clock. Everything else is handed an instant.

use chrono::{DateTime, SubsecRound, Utc};
use std::sync::{Mutex, PoisonError};

/// Tells the time.
pub trait Clock: Send + Sync {
    /// The instant of asking.
    fn now(&self) -> DateTime<Utc>;
}

/// The computer's own clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> DateTime<Utc> {
        Utc::now()
    }
}

/// A clock that stands until it is set: for tests, and for showing an invented company at an invented hour.
#[derive(Debug)]
pub struct SetClock(Mutex<DateTime<Utc>>);

impl SetClock {
    /// Stands at `at`, whole seconds.
    pub fn new(at: DateTime<Utc>) -> SetClock {
        SetClock(Mutex::new(at.trunc_subsecs(0)))
    }

    /// Stands at `at` from now on.
    pub fn set(&self, at: DateTime<Utc>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = at.trunc_subsecs(0);
    }
}

impl Clock for SetClock {
    fn now(&self) -> DateTime<Utc> {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
