//! Making a draft the promise. Only the difference between what was promised and the new plan is written: crews,
//! times and gear that stay as they are cost nothing, and their calendar events keep their sequence numbers.

use super::{BookedWork, PlanHead, PlanRow, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::{Acquire, PgConnection};
use std::collections::BTreeMap;
use uuid::Uuid;

/// How long calendars go on saying that something was called off, and how long it is remembered at all. A program that
/// fetches a calendar less often than that starts afresh.
pub const CALLED_OFF_KEPT_DAYS: i32 = 60;

/// What a publication changed, in pieces of work.
#[derive(Debug, Clone)]
pub struct Published {
    /// The plan that is the promise now.
    pub plan: PlanHead,
    /// Not promised before, or not to this crew.
    pub added: u64,
    /// At another time, with other gear, or begun since.
    pub changed: u64,
    /// Promised before and not any more, or over.
    pub left: u64,
}

impl Session {
    /// Makes the draft at `version` the promise, `at` this instant (whole seconds: calendars know nothing finer).
    /// Publications of one company happen one after the other.
    ///
    /// # Errors
    /// `NotFound`, `NotADraft`, `Stale`; `CrewDoubleBooked` is the database's own refusal.
    pub async fn publish_plan(&mut self, id: Uuid, version: i64, at: DateTime<Utc>) -> Result<Published, StoreError> {
        self.publish(id, version, at, None).await
    }

    /// As [`Session::publish_plan`], by somebody who knows that nothing differs but in these jobs, whose rows the plan does
    /// not share: no others are looked at.
    ///
    /// # Errors
    /// As there.
    pub async fn publish_touched(
        &mut self,
        id: Uuid,
        version: i64,
        at: DateTime<Utc>,
        touched: &[Uuid],
    ) -> Result<Published, StoreError> {
        self.publish(id, version, at, Some(touched)).await
    }

    async fn publish(
        &mut self,
        id: Uuid,
        version: i64,
        at: DateTime<Utc>,
        touched: Option<&[Uuid]>,
    ) -> Result<Published, StoreError> {
        self.lock_company().await?;
        let company = self.company.0;
        sqlx::query(
            "UPDATE plan SET status = 'superseded', ended_at = $3, version = version + 1
             WHERE company_id = $1 AND status = 'published' AND id <> $2",
        )
        .bind(company)
        .bind(id)
        .bind(at)
        .execute(self.db())
        .await?;
        let published: Option<PlanHead> = sqlx::query_as(
            "UPDATE plan SET status = 'published', published_at = $4, version = version + 1
             WHERE company_id = $1 AND id = $2 AND version = $3 AND status = 'draft' RETURNING *",
        )
        .bind(company)
        .bind(id)
        .bind(version)
        .bind(at)
        .fetch_optional(self.db())
        .await?;
        let Some(plan) = published else { return Err(self.why_no_draft(id).await?) };
        let mut savepoint = self.tx.begin().await?;
        match write_difference(&mut savepoint, (company, id), at, touched).await {
            Ok([left, changed, added]) => {
                savepoint.commit().await?;
                Ok(Published { plan, added, changed, left })
            }
            Err(error) => {
                savepoint.rollback().await?;
                let error = StoreError::from(error);
                let doubled = error.constraint() == Some("booking_crew_once");
                let named = if doubled { first_doubled(&self.plan_rows(id).await?) } else { None };
                Err(named.unwrap_or(error))
            }
        }
    }
}

/// Rows that left, changed and came. In this order, so that a time is free before somebody else has it.
async fn write_difference(
    db: &mut PgConnection,
    (company, plan): (Uuid, Uuid),
    at: DateTime<Utc>,
    touched: Option<&[Uuid]>,
) -> Result<[u64; 3], sqlx::Error> {
    sqlx::query("DELETE FROM booking WHERE company_id = $1 AND left_at < $2 - make_interval(days => $3)")
        .bind(company)
        .bind(at)
        .bind(CALLED_OFF_KEPT_DAYS)
        .execute(&mut *db)
        .await?;
    let mut counts = [0; 4];
    match touched {
        None => {
            // The rows of a new plan are in no statistics yet: taken for a handful, they would be compared one by one.
            sqlx::query("SET LOCAL enable_nestloop = off").execute(&mut *db).await?;
            for (statement, count) in WHOLE.into_iter().zip(&mut counts) {
                let query = sqlx::query(statement).bind(company).bind(plan).bind(at);
                *count = query.execute(&mut *db).await?.rows_affected();
            }
            sqlx::query("SET LOCAL enable_nestloop = on").execute(&mut *db).await?;
        }
        Some(touched) => {
            set_joins(db, &["nestloop", "mergejoin", "seqscan"], "off").await?;
            for (statement, count) in TOUCHED.into_iter().zip(&mut counts) {
                let query = sqlx::query(statement).bind(company).bind(plan).bind(at).bind(touched);
                *count = query.execute(&mut *db).await?.rows_affected();
            }
            set_joins(db, &["nestloop", "mergejoin", "seqscan"], "on").await?;
        }
    }
    let [settled, called_off, changed, added] = counts;
    Ok([settled + called_off, changed, added])
}

/// For what is found by keys among the rows of all plans there ever were, until it is set back or the transaction ends:
/// new rows are in no statistics yet, and tables would be read through for a handful.
pub(super) async fn set_joins(db: &mut PgConnection, which: &[&str], to: &'static str) -> Result<(), sqlx::Error> {
    sqlx::query("SELECT set_config('enable_' || name, $2, true) FROM unnest($1::text[]) AS name")
        .bind(which)
        .bind(to)
        .execute(db)
        .await
        .map(drop)
}

/// What was begun, and the plan says nothing about the step: its job is over, and it stays in the calendar as what
/// happened.
macro_rules! settle {
    ($pieces:literal, $which:literal) => {
        concat!(
            "UPDATE booking b SET left_at = $3
             WHERE b.company_id = $1 AND b.left_at IS NULL",
            $which,
            " AND NOT EXISTS (
                  SELECT FROM ",
            $pieces,
            " p
                  WHERE (p.company_id, p.plan_id, p.job_id, p.step_key) = ($1, $2, b.job_id, b.step_key))
              AND (b.fixed OR EXISTS (
                  SELECT FROM step_record r
                  WHERE (r.company_id, r.job_id, r.step_key, r.crew_id) = ($1, b.job_id, b.step_key, b.crew_id)
                    AND r.outcome IN ('running', 'done')))"
        )
    };
}

/// What else the plan does not give to this crew any more.
macro_rules! call_off {
    ($pieces:literal, $which:literal) => {
        concat!(
            "UPDATE booking b SET left_at = $3, cancelled = true, sequence = b.sequence + 1, last_modified = $3
             WHERE b.company_id = $1 AND b.left_at IS NULL",
            $which,
            " AND NOT EXISTS (
                  SELECT FROM ",
            $pieces,
            " p
                  WHERE (p.company_id, p.plan_id, p.job_id, p.step_key, p.piece_no, p.crew_id)
                      = ($1, $2, b.job_id, b.step_key, b.piece_no, b.crew_id))"
        )
    };
}

/// What the same crew does at another time, with other gear, or again after it was called off. Gear alone is no new
/// revision of a calendar event.
macro_rules! change {
    ($pieces:literal, $which:literal, $of_booking:literal) => {
        concat!(
            "UPDATE booking b
             SET during = p.during, fixed = p.fixed, run = p.run, units = p.units, left_at = NULL, cancelled = false,
                 sequence = CASE WHEN b.during = p.during AND NOT b.cancelled THEN b.sequence ELSE 1 + (
                     SELECT max(o.sequence) FROM booking o
                     WHERE (o.company_id, o.job_id, o.step_key, o.piece_no)
                         = ($1, b.job_id, b.step_key, b.piece_no)) END,
                 last_modified = CASE WHEN b.during = p.during AND NOT b.cancelled THEN b.last_modified ELSE $3 END
             FROM (
                 SELECT *, hashtextextended(job_id::text || '/' || run_key, 0) AS run
                 FROM ", $pieces, " WHERE company_id = $1 AND plan_id = $2",
            $which,
            ") p
             WHERE (b.company_id, b.job_id, b.step_key, b.piece_no, b.crew_id)
                 = ($1, p.job_id, p.step_key, p.piece_no, p.crew_id)",
            $of_booking,
            "
               AND (b.left_at IS NOT NULL OR (b.during, b.fixed, b.run, b.units) IS DISTINCT FROM
                                             (p.during, p.fixed, p.run, p.units))"
        )
    };
}

/// What this crew did not have before. The event goes on counting where another crew's left off.
macro_rules! add {
    ($pieces:literal, $which:literal) => {
        concat!(
            "INSERT INTO booking (company_id, job_id, step_key, piece_no, crew_id, during, fixed, run, units, sequence,
                                  last_modified)
             SELECT $1, p.job_id, p.step_key, p.piece_no, p.crew_id, p.during, p.fixed,
                    hashtextextended(p.job_id::text || '/' || p.run_key, 0), p.units, coalesce(1 + before.sequence, 0),
                    $3
             FROM (SELECT * FROM ", $pieces, " WHERE company_id = $1 AND plan_id = $2",
            $which,
            ") p
             LEFT JOIN (
                 SELECT job_id, step_key, piece_no, max(sequence) AS sequence, array_agg(crew_id) AS crews
                 FROM booking WHERE company_id = $1",
            $which,
            " GROUP BY job_id, step_key, piece_no
             ) before USING (job_id, step_key, piece_no)
             WHERE before.crews IS NULL OR p.crew_id <> ALL(before.crews)"
        )
    };
}

macro_rules! statements {
    ($pieces:literal, $which:literal, $of_booking:literal) => {
        [
            settle!($pieces, $of_booking),
            call_off!($pieces, $of_booking),
            change!($pieces, $which, $of_booking),
            add!($pieces, $which),
        ]
    };
}
/// For all jobs, wherever their rows are.
const WHOLE: [&str; 4] = statements!("plan_piece", "", "");
/// For some, whose rows are the plan's own.
const TOUCHED: [&str; 4] = statements!("plan_row", " AND job_id = ANY($4)", " AND b.job_id = ANY($4)");

/// The first two works of one crew at the same time. PostgreSQL keeps the values of a violation to itself where row
/// security holds, so they are looked for.
fn first_doubled(rows: &[PlanRow]) -> Option<StoreError> {
    let mut by_crew: BTreeMap<Uuid, Vec<&PlanRow>> = BTreeMap::new();
    rows.iter().filter(|row| !row.fixed).for_each(|row| by_crew.entry(row.crew_id).or_default().push(row));
    for (crew_id, mut works) in by_crew {
        works.sort_by_key(|row| (row.start, row.end));
        let mut unfinished: Vec<&PlanRow> = Vec::new();
        for row in works {
            unfinished.retain(|earlier| earlier.end > row.start);
            let other_run = |earlier: &&&PlanRow| (earlier.job_id, &earlier.run_key) != (row.job_id, &row.run_key);
            if let Some(earlier) = unfinished.iter().find(other_run) {
                let named = |row: &PlanRow| BookedWork { job_id: row.job_id, step_key: row.step_key.clone() };
                return Some(StoreError::CrewDoubleBooked { crew_id, first: named(earlier), second: named(row) });
            }
            unfinished.push(row);
        }
    }
    None
}
