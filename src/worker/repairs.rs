//! Repairs the plans of companies whose world has changed.

use super::{Outcome, Task};
use crate::service::{Repaired, Service, ServiceError};

/// One company a try.
pub struct Repairs(pub Service);

impl Task for Repairs {
    fn name(&self) -> &'static str {
        "repairs"
    }

    async fn try_once(&self) -> Result<Outcome, ServiceError> {
        Ok(match self.0.repair_next().await? {
            Repaired::Idle => Outcome::Idle,
            // A failed company rests by itself; others may wait.
            Repaired::Unchanged | Repaired::Changed(_) | Repaired::Overtaken | Repaired::Failed => Outcome::Worked,
        })
    }
}
