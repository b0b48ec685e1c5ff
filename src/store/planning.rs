//! The whole planning input of a company: a fixed number of questions, however many jobs there are. Ask it of a
//! [`Store::snapshot`](super::Store::snapshot), so that all answers are of one moment.

use super::chains::ChainRows;
use super::{BookingRow, CompanyRow, JobRow, NounRow, RecordRow, Session, StepRow, StoreError, WaitRow};
use sqlx::{FromRow, Row};
use uuid::Uuid;

/// An open job with its chain.
#[derive(Debug, Clone)]
pub struct PlannedJob {
    /// The job.
    pub job: JobRow,
    /// Its steps and waits.
    pub chain: ChainRows,
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
}

impl Session {
    /// Loads everything that planning needs: ten questions.
    ///
    /// # Errors
    /// `NotFound` when there is no such company.
    pub async fn planning_rows(&mut self) -> Result<PlanningRows, StoreError> {
        Ok(PlanningRows {
            company: self.company_row().await?,
            houses: self.all(HOUSES).await?,
            crews: self.all(CREWS).await?,
            equipment: self.all(EQUIPMENT).await?,
            regions: self.all(REGIONS).await?,
            jobs: self.open_jobs().await?,
            records: self.records_of_open_jobs().await?,
            promised: self.promised().await?,
        })
    }

    async fn all<T>(&mut self, statement: &'static str) -> Result<Vec<T>, StoreError>
    where
        T: for<'r> FromRow<'r, sqlx::postgres::PgRow> + Send + Unpin,
    {
        Ok(sqlx::query_as(statement).bind(self.company.0).fetch_all(self.db()).await?)
    }

    async fn open_jobs(&mut self) -> Result<Vec<PlannedJob>, StoreError> {
        let heads: Vec<JobRow> = self.all(JOBS).await?;
        let steps: Vec<OfJob<StepRow>> = self.all(STEPS).await?;
        let waits: Vec<OfJob<WaitRow>> = self.all(WAITS).await?;
        let (mut steps, mut waits) = (steps.into_iter().peekable(), waits.into_iter().peekable());
        let mut jobs = Vec::with_capacity(heads.len());
        // All three are sorted by job.
        for job in heads {
            let mut chain = ChainRows::default();
            while let Some(step) = steps.next_if(|step| step.job_id == job.id) {
                chain.steps.push(step.row);
            }
            while let Some(wait) = waits.next_if(|wait| wait.job_id == job.id) {
                chain.waits.push(wait.row);
            }
            jobs.push(PlannedJob { job, chain });
        }
        Ok(jobs)
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
            "SELECT id, key, name, doc, version, created_at, updated_at, archived_at FROM ",
            $table,
            " n WHERE company_id = $1 AND (archived_at IS NULL ",
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
    SELECT s.job_id, s.step_key, s.doc FROM job_step s JOIN job j ON (j.company_id, j.id) = (s.company_id, s.job_id)
    WHERE s.company_id = $1 AND s.live AND j.status = 'open' ORDER BY s.job_id, s.position";
const WAITS: &str = "
    SELECT w.job_id, w.from_key, w.to_key, w.doc
    FROM job_wait w JOIN job j ON (j.company_id, j.id) = (w.company_id, w.job_id)
    WHERE w.company_id = $1 AND j.status = 'open' ORDER BY w.job_id, w.position";
