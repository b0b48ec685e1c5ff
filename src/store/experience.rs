//! Counts over what was recorded: how often checks failed, and how long work took against what was planned.

use super::{Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;

/// Newest records that are counted: older ones tell of other crews and other products, and a page must not wait for them.
const RECORDS_MAX: i64 = 2_000;

/// Tries of checks that are over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, FromRow)]
pub struct CheckTries {
    /// All of them.
    pub tries: i64,
    /// Those that failed.
    pub failed: i64,
}

/// How long work took against what was planned.
#[derive(Debug, Clone, Copy, PartialEq, FromRow)]
pub struct WorkTimes {
    /// Works counted.
    pub steps: i64,
    /// Sum of the squares of the logarithm of actual over planned minutes.
    pub sum_squares: f64,
}

impl Session {
    /// How the newest tries of checks since `since` went: of steps that may fail, by their own document.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn check_tries(&mut self, since: DateTime<Utc>) -> Result<CheckTries, StoreError> {
        Ok(sqlx::query_as(
            "SELECT count(*) AS tries, count(*) FILTER (WHERE outcome = 'failed') AS failed FROM (
                 SELECT r.outcome FROM step_record r JOIN job_step s USING (company_id, job_id, step_key)
                 WHERE r.company_id = $1 AND r.outcome IN ('done', 'failed') AND r.finished_at >= $2
                   AND jsonb_typeof(s.doc -> 'recheck_after_minutes') = 'number'
                 ORDER BY r.finished_at DESC LIMIT $3) newest",
        )
        .bind(self.company.0)
        .bind(since)
        .bind(RECORDS_MAX)
        .fetch_one(self.db())
        .await?)
    }

    /// How long the newest works since `since` took against the plan that was the promise when they began: by the crew that
    /// was to do them, in one piece, and with actual over planned minutes within `ratio`, for others tell of reports and
    /// not of work.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn work_times(&mut self, since: DateTime<Utc>, ratio: (f64, f64)) -> Result<WorkTimes, StoreError> {
        Ok(sqlx::query_as(
            "WITH newest AS (
                 SELECT job_id, step_key, crew_id, started_at, finished_at FROM step_record
                 WHERE company_id = $1 AND outcome IN ('done', 'failed') AND finished_at >= $2
                 ORDER BY finished_at DESC LIMIT $3),
             worked AS (
                 SELECT extract(epoch FROM n.finished_at - n.started_at)::float8
                        / extract(epoch FROM upper(w.during) - lower(w.during))::float8 AS ratio
                 FROM newest n
                 CROSS JOIN LATERAL (
                     SELECT id FROM plan WHERE company_id = $1 AND published_at <= n.started_at
                     ORDER BY published_at DESC LIMIT 1) promise
                 JOIN plan_piece w ON (w.company_id, w.plan_id, w.job_id, w.step_key, w.piece_no, w.crew_id)
                                  = ($1, promise.id, n.job_id, n.step_key, 0, n.crew_id)
                 WHERE NOT w.fixed AND NOT EXISTS (
                     SELECT FROM plan_piece later
                     WHERE (later.company_id, later.plan_id, later.job_id, later.step_key, later.piece_no)
                         = ($1, promise.id, n.job_id, n.step_key, 1)))
             SELECT count(*) AS steps, coalesce(sum(power(ln(ratio), 2)), 0)::float8 AS sum_squares
             FROM worked WHERE ratio BETWEEN $4 AND $5",
        )
        .bind(self.company.0)
        .bind(since)
        .bind(RECORDS_MAX)
        .bind(ratio.0)
        .bind(ratio.1)
        .fetch_one(self.db())
        .await?)
    }
}
