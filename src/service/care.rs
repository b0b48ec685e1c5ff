//! The last coat of each job in a house, promised or done, and what the customer may do on it when: for the letter and
//! for the customer's calendar.

use super::directory::Directory;
use super::keep_off::{DRYING_MINUTES_MAX, KeepOff, Sky, done_at, sky};
use super::{Service, ServiceError};
use crate::domain::chain::StepKind;
use crate::domain::climate::Film;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{CustomerDatesDto, FilmDto, StepDto};
use crate::store::{BookingRow, CompanyRow, RecordRow, Session};
use crate::trade::customer_dates::{Care, CustomerDates, LastCoat, customer_dates};
use crate::trade::ready::DryingTable;
use crate::trade::supplies::ProductBase;
use chrono::{DateTime, Utc};
use std::collections::BTreeSet;
use uuid::Uuid;

/// The last coat of a job, and the dates that follow from it.
#[derive(Debug, Clone)]
pub(super) struct JobCare {
    /// The last piece of the last coat; called off, too, while another coat is promised no more.
    pub(super) after: BookingRow,
    /// What follows.
    pub(super) dates: CustomerDates,
    /// Of the house.
    pub(super) zone: Zone,
    /// Whether the coat is down.
    pub(super) is_done: bool,
    /// Rises with everything that may move the dates: promises, reports, the job, the house, the weather.
    pub(super) sequence: i64,
    /// When any of that last changed.
    pub(super) told_at: DateTime<Utc>,
}

/// The same for people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CareNote {
    /// Name of the job.
    pub job: String,
    /// What is allowed when, a line each.
    pub lines: Vec<String>,
}

impl Service {
    /// In words, of every job that `rows` of `house` hold a coat of.
    pub(super) async fn care_notes(
        &self,
        session: &mut Session,
        company: &CompanyRow,
        house: Uuid,
        rows: &[BookingRow],
        directory: &Directory,
    ) -> Result<Vec<CareNote>, ServiceError> {
        let asked = (house, self.now_minute());
        let keep_offs = self.keep_offs(session, company, asked, rows).await?;
        let cares = self.cares(session, company, asked, (rows, &keep_offs), directory).await?;
        let note = |care: &JobCare| {
            let known = directory.step(care.after.job_id, &care.after.step_key)?;
            let lines = CustomerDatesDto::of(&care.dates, care.zone, care.is_done).words;
            Some(CareNote { job: known.job.name.clone(), lines })
        };
        Ok(cares.iter().filter_map(note).collect())
    }

    /// Of every job that `rows` of `house` hold a coat of, once all its coats are promised or done. `keep_offs` are those
    /// of the same rows, at the same `now`.
    pub(super) async fn cares(
        &self,
        session: &mut Session,
        company: &CompanyRow,
        (house, now): (Uuid, Minute),
        (rows, keep_offs): (&[BookingRow], &[KeepOff]),
        directory: &Directory,
    ) -> Result<Vec<JobCare>, ServiceError> {
        let sky = sky(session, company, house, now).await?;
        let jobs: BTreeSet<Uuid> = rows.iter().map(|row| row.job_id).collect();
        let mut cares = Vec::new();
        for job in jobs {
            let records = session.records_of_job(job).await?;
            let mut coats: Vec<&BookingRow> =
                rows.iter().filter(|row| row.job_id == job && wets(directory, job, &row.step_key)).collect();
            let end = |row: &BookingRow| done_at(&records, &row.step_key).unwrap_or(Minute::floor_from(row.end));
            coats.sort_by_key(|row| (!row.cancelled, end(row), row.end, &row.step_key));
            let Some((row, known)) = coats.last().and_then(|row| Some((*row, directory.step(job, &row.step_key)?)))
            else {
                continue;
            };
            // While a coat is neither done nor promised, nobody knows which will be the last and when.
            let promised = |key: &str| coats.iter().any(|row| row.step_key == key && !row.cancelled);
            let is_open = directory.steps(job).any(|step| {
                let needed = !step.only_on_lapse && wets(directory, job, &step.key);
                needed && !promised(&step.key) && done_at(&records, &step.key).is_none()
            });
            // Who has been told is told that it holds no more; nobody else is told anything.
            if is_open && !coats.iter().any(|row| row.cancelled) {
                continue;
            }
            let until = keep_offs.iter().filter(|time| time.after.job_id == job && time.after.step_key == row.step_key);
            let coat = Coat { row, step: known.step, film: known.film, until: until.map(|time| time.until).max() };
            let (dates, is_done) = coat.dates(&sky, known.zone, &records);
            let promised = coats.iter().map(|row| i64::from(row.sequence)).sum::<i64>();
            let told = coats.iter().map(|row| row.last_modified).chain(records.iter().map(|record| record.recorded_at));
            cares.push(JobCare {
                after: BookingRow { cancelled: row.cancelled || is_open, ..row.clone() },
                dates,
                zone: known.zone,
                is_done,
                sequence: promised + sky.revision + known.job.version + records.len() as i64,
                told_at: told.fold(sky.told_at.max(known.job.updated_at), DateTime::max),
            });
        }
        Ok(cares)
    }
}

/// Whether a step leaves on the floor what has to dry and cure.
fn wets(directory: &Directory, job: Uuid, step: &str) -> bool {
    let kind = directory.step(job, step).map(|known| StepKind::from(known.step.kind));
    kind.is_some_and(|kind| match kind {
        StepKind::TreatA | StepKind::TreatB | StepKind::Stain | StepKind::Seal | StepKind::Coat => true,
        StepKind::SetUp
        | StepKind::Sand
        | StepKind::Edge
        | StepKind::Vacuum
        | StepKind::WaterPop
        | StepKind::Check
        | StepKind::Abrade
        | StepKind::WalkThrough
        | StepKind::Other => false,
    })
}

struct Coat<'a> {
    row: &'a BookingRow,
    step: &'a StepDto,
    film: Option<FilmDto>,
    until: Option<Minute>,
}

impl Coat<'_> {
    fn dates(&self, sky: &Sky, zone: Zone, records: &[RecordRow]) -> (CustomerDates, bool) {
        let done = done_at(records, &self.row.step_key);
        let finish = done.unwrap_or(Minute::floor_from(self.row.end));
        // Nobody has said what it is: the longer times, to be careful.
        let base = self.step.base(self.film).unwrap_or(ProductBase::OilModified);
        let film = self.film.map(Film::from).or_else(|| base.film());
        let until = finish.plus(DRYING_MINUTES_MAX);
        let table = sky.climate.as_ref().zip(film).map(|(air, film)| DryingTable::new(air, film, finish, until));
        let coat = LastCoat {
            finish,
            base,
            drying: table.as_ref(),
            keep_off_until: self.until,
            care: self.step.care.map_or_else(Care::default, Care::from),
        };
        (customer_dates(&coat, zone), done.is_some())
    }
}
