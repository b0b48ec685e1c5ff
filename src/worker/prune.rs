//! Throws away what is old: notices with what was sent of them, answers kept for repeated requests, and lines that say who
//! changed what. A bounded number
//! at a time, so that nobody waits for it.

use super::{Outcome, Task};
use crate::service::{CHANGES_KEPT_DAYS_MIN, Service, ServiceError};
use crate::store::{NOTICES_KEPT_DAYS, REQUESTS_KEPT_HOURS};
use chrono::{DateTime, Duration, Utc};
use std::sync::{Mutex, PoisonError};

/// Rows of one company thrown away at once.
const ROWS_MAX: u32 = 1_000;
/// Lines of changes thrown away at once.
const LINES_MAX: u32 = 10_000;
/// Companies looked at in one try.
const COMPANIES_MAX: u16 = 20;
/// How long to leave it when there was nothing: nobody is harmed by what is kept some minutes longer.
const EVERY: Duration = Duration::minutes(10);

/// The task.
pub struct Prune {
    service: Service,
    changes_kept: Duration,
    /// When there was nothing last.
    clean_at: Mutex<Option<DateTime<Utc>>>,
}

impl Prune {
    /// Of all companies; lines of changes are kept for so many days, and no fewer than [`CHANGES_KEPT_DAYS_MIN`].
    pub fn new(service: &Service, changes_kept_days: u32) -> Prune {
        let changes_kept = Duration::days(i64::from(changes_kept_days.max(CHANGES_KEPT_DAYS_MIN)));
        Prune { service: service.clone(), changes_kept, clean_at: Mutex::new(None) }
    }
}

impl Task for Prune {
    fn name(&self) -> &'static str {
        "prune"
    }

    async fn try_once(&self) -> Result<Outcome, ServiceError> {
        let now = self.service.now();
        let clean_at = *self.clean_at.lock().unwrap_or_else(PoisonError::into_inner);
        if clean_at.is_some_and(|at| (at..at + EVERY).contains(&now)) {
            return Ok(Outcome::Idle);
        }
        let notices = now - Duration::days(NOTICES_KEPT_DAYS);
        let requests = now - Duration::hours(i64::from(REQUESTS_KEPT_HOURS));
        let companies = self.service.store().companies_to_prune(notices, requests, COMPANIES_MAX).await?;
        let lines = self.service.store().prune_changes(now - self.changes_kept, LINES_MAX).await?;
        if companies.is_empty() && lines == 0 {
            *self.clean_at.lock().unwrap_or_else(PoisonError::into_inner) = Some(now);
            return Ok(Outcome::Idle);
        }
        for company in companies {
            let mut session = self.service.store().session(company).await?;
            let gone =
                session.prune_notices(notices, ROWS_MAX).await? + session.prune_requests(requests, ROWS_MAX).await?;
            session.commit().await?;
            tracing::debug!(%company, gone, "old rows are thrown away");
        }
        Ok(Outcome::Worked)
    }
}
