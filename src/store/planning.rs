//! The whole planning input of a company: a fixed number of questions, however many jobs there are. Ask it of a
//! [`Store::snapshot`](super::Store::snapshot), so that all answers are of one moment.

use super::chains::ChainRows;
use super::shelf::Shelved;
use super::{BookingRow, CompanyRow, JobRow, NounRow, RecordRow, Session, StepRow, StoreError, WaitRow};
use sqlx::{FromRow, Row};
use std::sync::Arc;
use uuid::Uuid;

/// An open job with its chain.
#[derive(Debug, Clone)]
pub struct PlannedJob {
    /// The job.
    pub job: JobRow,
    /// Its steps and waits.
    pub chain: Arc<ChainRows>,
}

/// Everything, in the order of creation; lists of jobs' things by job.
#[derive(Debug, Clone)]
pub struct PlanningRows {
    /// With the settings.
    pub company: CompanyRow,
    /// Not archived.
    pub houses: Vec<NounRow>,
    /// Not archived, or named by a record of an open job.
    pub crews: Vec<NounRow>,
    /// Not archived.
    pub equipment: Vec<NounRow>,
    /// Not archived, with their forecasts.
    pub regions: Vec<NounRow>,
    /// Open ones.
    pub jobs: Vec<PlannedJob>,
    /// Of open jobs.
    pub records: Vec<RecordRow>,
    /// What is promised now, of open jobs.
    pub promised: Vec<BookingRow>,
    /// Jobs that are not open any more and still promised: the next publication settles them.
    pub booked_and_over: Vec<Uuid>,
}

impl Session {
    /// Loads everything that planning needs: nine questions, and two more for the chains of jobs that have changed.
    ///
    /// # Errors
    /// `NotFound` when there is no such company.
    pub async fn planning_rows(&mut self) -> Result<PlanningRows, StoreError> {
        let shelf = self.shelf.clone();
        let known = shelf.as_ref().map(|shelf| shelf.of(self.company)).unwrap_or_default();
        let rows = PlanningRows {
            company: self.company_row().await?,
            houses: self.nouns_beside(HOUSES, &known).await?,
            crews: self.nouns_beside(CREWS, &known).await?,
            equipment: self.nouns_beside(EQUIPMENT, &known).await?,
            regions: self.nouns_beside(REGIONS, &known).await?,
            jobs: self.open_jobs(&known).await?,
            records: self.records_of_open_jobs().await?,
            promised: self.promised().await?,
            booked_and_over: self.booked_and_over().await?,
        };
        if let Some(shelf) = shelf {
            shelf.keep(self.company, &rows);
        }
        Ok(rows)
    }

    /// Contents come along only of those that are not known in this edition.
    async fn nouns_beside(&mut self, statement: &'static str, known: &Shelved) -> Result<Vec<NounRow>, StoreError> {
        let (ids, versions, instants) = known.noun_editions();
        let query = sqlx::query(statement).bind(self.company.0).bind(ids).bind(versions).bind(instants);
        let mut nouns = Vec::new();
        for row in query.fetch_all(self.db()).await? {
            let known = if row.try_get("known")? { known.noun(row.try_get("id")?) } else { None };
            nouns.push(match known {
                Some(known) => known.clone(),
                None => NounRow::from_row(&row)?,
            });
        }
        Ok(nouns)
    }

    async fn booked_and_over(&mut self) -> Result<Vec<Uuid>, StoreError> {
        let query = sqlx::query_scalar(
            "SELECT DISTINCT b.job_id FROM booking b JOIN job j ON (j.company_id, j.id) = (b.company_id, b.job_id)
             WHERE b.company_id = $1 AND b.left_at IS NULL AND j.status <> 'open'",
        );
        Ok(query.bind(self.company.0).fetch_all(self.db()).await?)
    }

    async fn open_jobs(&mut self, known: &Shelved) -> Result<Vec<PlannedJob>, StoreError> {
        let query = sqlx::query_as(JOBS).bind(self.company.0);
        let heads: Vec<JobRow> = query.fetch_all(self.db()).await?;
        let unknown: Vec<Uuid> = heads.iter().filter(|job| known.chain(job).is_none()).map(|job| job.id).collect();
        let steps: Vec<OfJob<StepRow>> = self.of_jobs(STEPS, &unknown).await?;
        let waits: Vec<OfJob<WaitRow>> = self.of_jobs(WAITS, &unknown).await?;
        let (mut steps, mut waits) = (steps.into_iter().peekable(), waits.into_iter().peekable());
        let mut jobs = Vec::with_capacity(heads.len());
        // All three are sorted by job.
        for job in heads {
            if let Some(chain) = known.chain(&job) {
                jobs.push(PlannedJob { job, chain });
                continue;
            }
            let mut chain = ChainRows::default();
            while let Some(step) = steps.next_if(|step| step.job_id == job.id) {
                chain.steps.push(step.row);
            }
            while let Some(wait) = waits.next_if(|wait| wait.job_id == job.id) {
                chain.waits.push(wait.row);
            }
            jobs.push(PlannedJob { job, chain: Arc::new(chain) });
        }
        Ok(jobs)
    }

    async fn of_jobs<T>(&mut self, statement: &'static str, jobs: &[Uuid]) -> Result<Vec<T>, StoreError>
    where
        T: for<'r> FromRow<'r, sqlx::postgres::PgRow> + Send + Unpin,
    {
        if jobs.is_empty() {
            return Ok(Vec::new());
        }
        Ok(sqlx::query_as(statement).bind(self.company.0).bind(jobs).fetch_all(self.db()).await?)
    }
}

struct OfJob<T> {
    job_id: Uuid,
    row: T,
}

impl<'r, T: FromRow<'r, sqlx::postgres::PgRow>> FromRow<'r, sqlx::postgres::PgRow> for OfJob<T> {
    fn from_row(row: &'r sqlx::postgres::PgRow) -> Result<OfJob<T>, sqlx::Error> {
        Ok(OfJob { job_id: row.try_get("job_id")?, row: T::from_row(row)? })
    }
}

macro_rules! nouns {
    ($table:literal, $condition:literal) => {
        concat!(
            "SELECT id, n.key, n.name, CASE WHEN k.known IS NULL THEN n.doc END AS doc, version, n.created_at,
                    updated_at, n.archived_at, k.known IS NOT NULL AS known
             FROM ",
            $table,
            " n LEFT JOIN (SELECT *, true AS known
                           FROM unnest($2::uuid[], $3::bigint[], $4::timestamptz[]) AS u (id, version, updated_at)) k
                    USING (id, version, updated_at)
             WHERE n.company_id = $1 AND (n.archived_at IS NULL ",
            $condition,
            ") ORDER BY id"
        )
    };
}

const HOUSES: &str = nouns!("house", "");
const EQUIPMENT: &str = nouns!("equipment", "");
const REGIONS: &str = nouns!("region", "");
const CREWS: &str = nouns!(
    "crew",
    "OR id IN (SELECT r.crew_id FROM step_record r JOIN job j ON (j.company_id, j.id) = (r.company_id, r.job_id)
               WHERE r.company_id = $1 AND j.status = 'open')"
);
const JOBS: &str = "
    SELECT id, key, name, house_id, method_id, status, release_at, due_at, doc, version, created_at, updated_at
    FROM job WHERE company_id = $1 AND status = 'open' ORDER BY id";
const STEPS: &str = "
    SELECT job_id, step_key, doc FROM job_step WHERE company_id = $1 AND job_id = ANY($2) AND live
    ORDER BY job_id, position";
const WAITS: &str = "
    SELECT job_id, from_key, to_key, doc FROM job_wait WHERE company_id = $1 AND job_id = ANY($2)
    ORDER BY job_id, position";
