//! What is promised, and what calendars still say about what was promised before.

use super::{Document, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// Whose work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BookedBy {
    /// Everybody's.
    Company,
    /// One crew's.
    Crew(Uuid),
    /// All in one house.
    House(Uuid),
}

/// One piece of promised work.
#[derive(Debug, Clone, FromRow)]
pub struct BookingRow {
    /// Which job.
    pub job_id: Uuid,
    /// In which house.
    pub house_id: Uuid,
    /// Which step of the job's chain.
    pub step_key: String,
    /// Which piece of the step, from 0.
    pub piece_no: i32,
    /// Who.
    pub crew_id: Uuid,
    /// First instant of work.
    #[sqlx(rename = "start_at")]
    pub start: DateTime<Utc>,
    /// First instant after it.
    #[sqlx(rename = "end_at")]
    pub end: DateTime<Utc>,
    /// Running or done when it was published.
    pub fixed: bool,
    /// Which gear.
    pub units: Option<Document>,
    /// Of the calendar event of this job, step and piece. When a crew loses it, the crew's row is called off with one
    /// number, and the other crew's row has the next.
    pub sequence: i32,
    /// When crew or times last changed.
    pub last_modified: DateTime<Utc>,
    /// When a publication no longer contained it; `None` while it is promised.
    pub left_at: Option<DateTime<Utc>>,
    /// With `left_at`: whether it was called off. Otherwise it happened, and its job is over.
    pub cancelled: bool,
}

macro_rules! select_where {
    ($condition:literal) => {
        concat!(
            "SELECT b.job_id, j.house_id, b.step_key, b.piece_no, b.crew_id, lower(b.during) AS start_at,
                    upper(b.during) AS end_at, b.fixed, b.units, b.sequence, b.last_modified, b.left_at, b.cancelled
             FROM booking b JOIN job j ON (j.company_id, j.id) = (b.company_id, b.job_id)
             WHERE b.company_id = $1 AND upper(b.during) > $2 AND lower(b.during) < $3 ",
            $condition,
            " ORDER BY lower(b.during), b.job_id, b.step_key, b.piece_no, b.sequence"
        )
    };
}

impl Session {
    /// Everything whose time touches `[from, until)`, by start, job, step and piece; also what has left, up to
    /// [`CALLED_OFF_KEPT_DAYS`](super::CALLED_OFF_KEPT_DAYS) days ago.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn bookings(
        &mut self,
        by: BookedBy,
        from: DateTime<Utc>,
        until: DateTime<Utc>,
    ) -> Result<Vec<BookingRow>, StoreError> {
        let (statement, who) = match by {
            BookedBy::Company => (select_where!("AND $4::uuid IS NULL"), None),
            BookedBy::Crew(crew) => (select_where!("AND b.crew_id = $4"), Some(crew)),
            BookedBy::House(house) => (select_where!("AND j.house_id = $4"), Some(house)),
        };
        let query = sqlx::query_as(statement).bind(self.company.0).bind(from).bind(until).bind(who);
        Ok(query.fetch_all(self.db()).await?)
    }

    /// What is promised now, of open jobs: by job, step and piece. Steps that have been taken out of their chains since
    /// are still among it.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn promised(&mut self) -> Result<Vec<BookingRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT b.job_id, j.house_id, b.step_key, b.piece_no, b.crew_id, lower(b.during) AS start_at,
                    upper(b.during) AS end_at, b.fixed, b.units, b.sequence, b.last_modified, b.left_at, b.cancelled
             FROM booking b
             JOIN job j ON (j.company_id, j.id) = (b.company_id, b.job_id)
             WHERE b.company_id = $1 AND b.left_at IS NULL AND j.status = 'open'
             ORDER BY b.job_id, b.step_key, b.piece_no",
        )
        .bind(self.company.0)
        .fetch_all(self.db())
        .await?)
    }
}
