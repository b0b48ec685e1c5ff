//! Throws away what is old: notices with what was sent of them, answers kept for repeated requests, lines that say who
//! changed what, and the placements of plans that ended. A bounded number at a time, so that nobody waits for it.

use super::{Outcome, Task};
use crate::service::{CHANGES_KEPT_DAYS_MIN, Service, ServiceError};
use crate::store::{CompanyId, NOTICES_KEPT_DAYS, REQUESTS_KEPT_HOURS};
use chrono::{DateTime, Duration, Utc};
use std::sync::{Mutex, PoisonError};

/// Rows of one company thrown away at once.
const ROWS_MAX: u32 = 1_000;
/// Lines of changes thrown away at once.
const LINES_MAX: u32 = 10_000;
/// Plans of one company thrown away at once: some hundred thousand rows.
const PLANS_MAX: u32 = 200;
/// Companies looked at in one try.
const COMPANIES_MAX: u16 = 20;
/// How long to leave it when there was nothing: nobody is harmed by what is kept some minutes longer.
const EVERY: Duration = Duration::minutes(10);

/// No placements younger than this are thrown away, days: the office looks back at what was promised last week.
pub const PLANS_KEPT_DAYS_MIN: u32 = 7;

/// How long things are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kept {
    /// Days for lines that say who changed what; no fewer than [`CHANGES_KEPT_DAYS_MIN`].
    pub changes_days: u32,
    /// Days after its end for the placements of a plan; no fewer than [`PLANS_KEPT_DAYS_MIN`].
    pub plans_days: u32,
}

impl Default for Kept {
    /// Two years, and about a season.
    fn default() -> Kept {
        Kept { changes_days: 730, plans_days: 90 }
    }
}

/// The task.
pub struct Prune {
    service: Service,
    changes_kept: Duration,
    plans_kept: Duration,
    /// When there was nothing last.
    clean_at: Mutex<Option<DateTime<Utc>>>,
}

impl Prune {
    /// Of all companies.
    pub fn new(service: &Service, kept: Kept) -> Prune {
        let days = |days: u32, least: u32| Duration::days(i64::from(days.max(least)));
        Prune {
            service: service.clone(),
            changes_kept: days(kept.changes_days, CHANGES_KEPT_DAYS_MIN),
            plans_kept: days(kept.plans_days, PLANS_KEPT_DAYS_MIN),
            clean_at: Mutex::new(None),
        }
    }

    /// What is old of one company's plans: drafts that nobody has decided on are rejected, of plans that ended the placements go.
    async fn plans_of(&self, company: CompanyId, before: DateTime<Utc>) -> Result<(), ServiceError> {
        let mut session = self.service.store().session(company).await?;
        let drafts = session.undecided_drafts(before, PLANS_MAX).await?;
        for (draft, version) in &drafts {
            self.service.reject_plan(&mut session, *draft, *version).await?;
        }
        let ended = session.prune_plans(before, PLANS_MAX).await?;
        session.commit().await?;
        tracing::debug!(%company, drafts = drafts.len(), ended, "old plans are thrown away");
        Ok(())
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
        let ended_before = now - self.plans_kept;
        let planned = self.service.store().companies_with_old_plans(ended_before, COMPANIES_MAX).await?;
        if companies.is_empty() && planned.is_empty() && lines == 0 {
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
        for company in planned {
            self.plans_of(company, ended_before).await?;
        }
        Ok(Outcome::Worked)
    }
}
