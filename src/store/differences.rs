//! What one plan has elsewhere than another, and when each job ends in a plan: worked out where the rows are, because
//! most of them are the same.

use super::{Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// A piece of work that is not in both plans, with one crew, at one time. What has begun in the newer one is left out.
#[derive(Debug, Clone, FromRow)]
pub struct OtherPiece {
    /// Which job.
    pub job_id: Uuid,
    /// Which step of its chain.
    pub step_key: String,
    /// Whose it was.
    pub old_crew: Option<Uuid>,
    /// From when.
    pub old_start: Option<DateTime<Utc>>,
    /// Until when.
    pub old_end: Option<DateTime<Utc>>,
    /// Whose it is.
    pub new_crew: Option<Uuid>,
    /// From when.
    pub new_start: Option<DateTime<Utc>>,
    /// Until when.
    pub new_end: Option<DateTime<Utc>>,
}

/// When a job ends in two plans.
#[derive(Debug, Clone, FromRow)]
pub struct JobEnds {
    /// Which job.
    pub job_id: Uuid,
    /// In the older plan, if it is in there.
    pub old_end: Option<DateTime<Utc>>,
    /// In the newer plan, if it is in there.
    pub new_end: Option<DateTime<Utc>>,
}

macro_rules! other_pieces {
    ($which:literal) => {
        concat!(
            "SELECT job_id, step_key, o.crew_id AS old_crew, lower(o.during) AS old_start, upper(o.during) AS old_end,
                    n.crew_id AS new_crew, lower(n.during) AS new_start, upper(n.during) AS new_end
             FROM (SELECT * FROM plan_piece WHERE company_id = $1 AND plan_id = $2",
            $which,
            ") o
             FULL JOIN (SELECT * FROM plan_piece WHERE company_id = $1 AND plan_id = $3",
            $which,
            ") n USING (job_id, step_key, piece_no)
             WHERE NOT coalesce(n.fixed, o.fixed) AND (o.crew_id, o.during) IS DISTINCT FROM (n.crew_id, n.during)
             ORDER BY job_id, step_key, piece_no"
        )
    };
}

macro_rules! other_ends {
    ($which:literal) => {
        concat!(
            "SELECT job_id, o.at AS old_end, n.at AS new_end
             FROM (SELECT job_id, max(upper(during)) AS at FROM plan_piece WHERE company_id = $1 AND plan_id = $2",
            $which,
            " GROUP BY job_id) o
             FULL JOIN (SELECT job_id, max(upper(during)) AS at FROM plan_piece WHERE company_id = $1 AND plan_id = $3",
            $which,
            " GROUP BY job_id) n USING (job_id)
             WHERE o.at IS DISTINCT FROM n.at ORDER BY job_id"
        )
    };
}

impl Session {
    /// What the plan `new` has elsewhere than `old`, by job, step and piece; without `old`, everything that has not begun.
    /// With `touched`, only these jobs are looked at.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn other_pieces(
        &mut self,
        old: Option<Uuid>,
        new: Uuid,
        touched: Option<&[Uuid]>,
    ) -> Result<Vec<OtherPiece>, StoreError> {
        let statement = if touched.is_some() { other_pieces!(" AND job_id = ANY($4)") } else { other_pieces!("") };
        self.beside(statement, (old, new), touched).await
    }

    /// Jobs whose last work ends at another instant in the plan `new` than in `old`; as [`Session::other_pieces`].
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn other_ends(
        &mut self,
        old: Option<Uuid>,
        new: Uuid,
        touched: Option<&[Uuid]>,
    ) -> Result<Vec<JobEnds>, StoreError> {
        let statement = if touched.is_some() { other_ends!(" AND job_id = ANY($4)") } else { other_ends!("") };
        self.beside(statement, (old, new), touched).await
    }

    async fn beside<T>(
        &mut self,
        statement: &'static str,
        (old, new): (Option<Uuid>, Uuid),
        touched: Option<&[Uuid]>,
    ) -> Result<Vec<T>, StoreError>
    where
        T: for<'r> FromRow<'r, sqlx::postgres::PgRow> + Send + Unpin,
    {
        let mut query = sqlx::query_as(statement).bind(self.company.0).bind(old).bind(new);
        if let Some(touched) = touched {
            query = query.bind(touched);
        }
        Ok(query.fetch_all(self.db()).await?)
    }
}
