//! Houses to look at: all of them with where each stands, and one with everything that is known of a job in it.

use super::directory::Directory;
use super::standing::{JobLine, Known, Now, job_line};
use super::{
    CheckView, FeedView, JobCautions, RecordView, Service, ServiceError, TreatmentAsked, TreatmentPlanView, keep_off,
    load_lists, wire,
};
use crate::domain::bounds::JOBS_MAX;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{CustomerLetterDto, HouseDto, LoadListDto, StepKindDto};
use crate::store::{
    BookedBy, BookingRow, CompanyId, CompanyRow, JobFilter, JobRow, JobStatus, Noun, Session, StoreError,
};
use chrono::Duration;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// How far from now promises are looked for: a plan reaches 400 days.
const PROMISE_DAYS: i64 = 400;
/// Jobs of one house that can be looked at; the newest.
const JOBS_SHOWN_MAX: usize = 40;
/// Days with work whose load lists are shown at once.
const LOAD_DAYS_MAX: usize = 14;

/// All houses with work that is not over.
#[derive(Debug, Clone)]
pub struct HousesView {
    /// Name of the company.
    pub company: String,
    /// The office's wall clock.
    pub zone: Zone,
    /// The instant of looking.
    pub now: Minute,
    /// Number of the published plan.
    pub plan: Option<i64>,
    /// A line for each job that is open or on hold, in the order of creation.
    pub lines: Vec<JobLine>,
}

/// One house, and one of its jobs.
#[derive(Debug, Clone)]
pub struct HousePage {
    /// Name of the company.
    pub company: String,
    /// As it is known.
    pub house: HouseDto,
    /// Its wall clock.
    pub zone: Zone,
    /// The instant of looking.
    pub now: Minute,
    /// Its jobs: key, name and status, the newest first.
    pub jobs: Vec<JobLine>,
    /// The one that is looked at.
    pub shown: Option<JobPage>,
    /// Addresses of its calendars that are good; the address itself is not known any more.
    pub feeds: Vec<FeedView>,
}

/// Everything about a job.
#[derive(Debug, Clone)]
pub struct JobPage {
    /// Where it stands, with when each wait of the floor is over.
    pub line: JobLine,
    /// What happened, the latest first.
    pub history: Vec<RecordView>,
    /// Names of crews by key.
    pub crews: BTreeMap<String, String>,
    /// All rounds of its checks.
    pub checks: Vec<CheckView>,
    /// Treatments that are rolled in sections.
    pub treatments: Vec<TreatmentPlanView>,
    /// From today on, day by day: what crews load for this house.
    pub loads: Vec<LoadListDto>,
    /// What to beware of.
    pub cautions: JobCautions,
    /// What the customer is told.
    pub letter: CustomerLetterDto,
}

impl Service {
    /// Where all houses stand whose jobs are not over.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn houses_view(&self, company: CompanyId) -> Result<HousesView, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let row = session.company_row().await?;
        let zone = super::companies::office_zone(&row)?;
        let mut jobs = Vec::new();
        for status in [JobStatus::Open, JobStatus::OnHold] {
            let filter = JobFilter { status: Some(status), house_id: None };
            jobs.extend(session.jobs(filter, None, JOBS_MAX as u32).await?);
        }
        jobs.sort_by_key(|job| job.id);
        let bookings = session.promised().await?;
        let plan = session.published_plan().await?.map(|plan| plan.number);
        let mut lines = self.lines(&mut session, &row, &jobs, &bookings).await?;
        self.who_still_waits(&mut session, &row, &jobs, &mut lines).await?;
        Ok(HousesView { company: row.name, zone, now: self.now_minute(), plan, lines })
    }

    /// One house; `job` is the key of the job to look at, or else it is the first that is not over.
    ///
    /// # Errors
    /// `NotFound`, of the house or of that job in it.
    pub async fn house_page(
        &self,
        company: CompanyId,
        house: &str,
        job: Option<&str>,
    ) -> Result<HousePage, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let row = session.company_row().await?;
        let noun = session.noun_by_key(Noun::House, house).await?;
        let doc: HouseDto = noun.doc.parse()?;
        let zone = wire::zone_or(doc.time_zone.as_deref(), super::companies::office_zone(&row)?);
        let filter = JobFilter { status: None, house_id: Some(noun.id) };
        let mut jobs = session.jobs(filter, None, JOBS_MAX as u32).await?;
        jobs.sort_by_key(|job| (!is_alive(job), std::cmp::Reverse(job.id)));
        jobs.truncate(JOBS_SHOWN_MAX);
        let bookings = self.bookings_of(&mut session, noun.id).await?;
        let lines = self.lines(&mut session, &row, &jobs, &bookings).await?;
        let chosen = match job {
            Some(key) => Some(jobs.iter().find(|job| job.key == key).ok_or(StoreError::NotFound { what: "job" })?),
            None => jobs.first(),
        };
        let shown = match chosen {
            Some(job) => {
                let line = lines.iter().find(|line| line.job == job.key);
                let line = line.cloned().ok_or(StoreError::NotFound { what: "job" })?;
                Some(self.job_page(&mut session, (&row, job), line, &bookings).await?)
            }
            None => None,
        };
        let mut feeds = self.feeds(&mut session).await?;
        feeds.retain(|feed| feed.revoked_at.is_none() && feed.house.as_deref() == Some(house));
        Ok(HousePage { company: row.name, house: doc, zone, now: self.now_minute(), jobs: lines, shown, feeds })
    }

    /// What the customer of a house is told about one of its jobs, or else about the first that is not over.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn house_letter(
        &self,
        company: CompanyId,
        house: &str,
        job: Option<&str>,
    ) -> Result<CustomerLetterDto, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let noun = session.noun_by_key(Noun::House, house).await?;
        let filter = JobFilter { status: None, house_id: Some(noun.id) };
        let mut jobs = session.jobs(filter, None, JOBS_MAX as u32).await?;
        jobs.sort_by_key(|job| (!is_alive(job), std::cmp::Reverse(job.id)));
        let found = jobs.iter().find(|row| job.is_none_or(|key| row.key == key));
        let key = found.ok_or(StoreError::NotFound { what: "job" })?.key.clone();
        self.customer_letter(&mut session, &key).await
    }

    async fn bookings_of(&self, session: &mut Session, house: Uuid) -> Result<Vec<BookingRow>, ServiceError> {
        let (now, span) = (self.now(), Duration::days(PROMISE_DAYS));
        let mut rows = session.bookings(BookedBy::House(house), now - span, now + span).await?;
        rows.retain(|row| row.left_at.is_none());
        Ok(rows)
    }

    async fn lines(
        &self,
        session: &mut Session,
        company: &CompanyRow,
        jobs: &[JobRow],
        bookings: &[BookingRow],
    ) -> Result<Vec<JobLine>, ServiceError> {
        let office = super::companies::office_zone(company)?;
        let ids: Vec<Uuid> = jobs.iter().map(|job| job.id).collect();
        let chains = session.chains_of_jobs(&ids).await?;
        let records = session.records_of_jobs(&ids).await?;
        let crews: BTreeSet<Uuid> =
            records.iter().map(|row| row.crew_id).chain(bookings.iter().map(|row| row.crew_id)).collect();
        let crews: Vec<Uuid> = crews.into_iter().collect();
        let crews = session.nouns_by_ids(Noun::Crew, &crews).await?;
        let crews: BTreeMap<Uuid, String> = crews.into_iter().map(|row| (row.id, row.name)).collect();
        let of_houses: BTreeSet<Uuid> = jobs.iter().map(|job| job.house_id).collect();
        let of_houses: Vec<Uuid> = of_houses.into_iter().collect();
        let mut houses: BTreeMap<Uuid, HouseDto> = BTreeMap::new();
        for row in session.nouns_by_ids(Noun::House, &of_houses).await? {
            houses.insert(row.id, row.doc.parse()?);
        }
        let mut of_job: BTreeMap<Uuid, Vec<BookingRow>> = BTreeMap::new();
        for row in bookings {
            of_job.entry(row.job_id).or_default().push(row.clone());
        }
        let mut lines = Vec::with_capacity(jobs.len());
        for row in jobs {
            let (Some(chain), Some(house)) = (chains.get(&row.id), houses.get(&row.house_id)) else { continue };
            let from = records.partition_point(|record| record.job_id < row.id);
            let until = records.partition_point(|record| record.job_id <= row.id);
            let zone = wire::zone_or(house.time_zone.as_deref(), office);
            lines.push(job_line(&Known {
                row,
                chain,
                records: &records[from..until],
                bookings: of_job.get(&row.id).map_or(&[], Vec::as_slice),
                crews: &crews,
                house: (&house.key, &house.name, house.address.as_deref(), zone),
                now: self.now_minute(),
            })?);
        }
        Ok(lines)
    }

    async fn job_page(
        &self,
        session: &mut Session,
        (company, job): (&CompanyRow, &JobRow),
        mut line: JobLine,
        bookings: &[BookingRow],
    ) -> Result<JobPage, ServiceError> {
        let sky = keep_off::sky(session, company, job.house_id, self.now_minute()).await?;
        let zone = line.zone;
        for wait in 0..line.waits.len() {
            line.floor_is_ready(wait, ready(&sky, &line, wait), self.now_minute());
        }
        let mut history = self.records(session, &job.key).await?;
        history.sort_by_key(|record| std::cmp::Reverse((record.recorded_at, record.id)));
        let crews = session.nouns(Noun::Crew, None, crate::domain::bounds::CREWS_MAX as u32).await?;
        Ok(JobPage {
            history,
            crews: crews.into_iter().map(|row| (row.key, row.name)).collect(),
            checks: self.checks(session, &job.key).await?,
            treatments: self.treatments(session, &line).await?,
            loads: self.loads_ahead(session, (job.id, zone), bookings).await?,
            cautions: self.job_cautions(session, &job.key).await?,
            letter: self.customer_letter(session, &job.key).await?,
            line,
        })
    }

    /// A floor whose label time is over may be ready or not: that is for the air in its house to say, which is looked up
    /// only then.
    async fn who_still_waits(
        &self,
        session: &mut Session,
        company: &CompanyRow,
        jobs: &[JobRow],
        lines: &mut [JobLine],
    ) -> Result<(), ServiceError> {
        let now = self.now_minute();
        let houses: BTreeMap<&str, Uuid> = jobs.iter().map(|job| (job.key.as_str(), job.house_id)).collect();
        for line in lines {
            let Now::Waits(wait) = line.now else { continue };
            let least = line.waits.get(wait).map_or(0, |line| line.wait.min_minutes);
            let over = line.wait_from(wait).is_some_and(|from| from.plus(least) <= now);
            let Some(house) = houses.get(line.job.as_str()).filter(|_| over) else { continue };
            let sky = keep_off::sky(session, company, *house, now).await?;
            line.floor_is_ready(wait, ready(&sky, line, wait), now);
        }
        Ok(())
    }

    /// The section plan of each treatment that has one.
    async fn treatments(&self, session: &mut Session, line: &JobLine) -> Result<Vec<TreatmentPlanView>, ServiceError> {
        let mut found = Vec::new();
        let first_parts = line.steps.iter().map(|line| &line.step);
        for step in first_parts.filter(|step| step.rolling.is_some() && step.kind == StepKindDto::TreatA) {
            let asked = TreatmentAsked { step: Some(&step.key), people: None };
            match self.treatment_plan(session, &line.job, asked).await {
                Ok(view) if view.step_a == step.key => found.push(view),
                // What has been changed since so that so many cannot do it has no plan any more.
                Ok(_) | Err(ServiceError::Invalid(_) | ServiceError::Store(StoreError::NotFound { .. })) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(found)
    }

    async fn loads_ahead(
        &self,
        session: &mut Session,
        (job, zone): (Uuid, Zone),
        bookings: &[BookingRow],
    ) -> Result<Vec<LoadListDto>, ServiceError> {
        let own: Vec<BookingRow> = bookings.iter().filter(|row| row.job_id == job).cloned().collect();
        let crews = own.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(session, BTreeSet::from([job]), crews).await?;
        let today = zone.date(self.now_minute());
        let days: BTreeSet<_> = own.iter().map(|row| zone.date(Minute::floor_from(row.start))).collect();
        let ahead = days.into_iter().filter(|day| *day >= today).take(LOAD_DAYS_MAX);
        let mut lists = Vec::new();
        for date in ahead {
            let list = load_lists::list(&directory, &own, date, zone)?;
            if !list.crews.is_empty() {
                lists.push(list);
            }
        }
        Ok(lists)
    }
}

/// When the floor is ready after a wait that it needs.
fn ready(sky: &keep_off::Sky, line: &JobLine, wait: usize) -> Option<Minute> {
    let (from, wait) = (line.wait_from(wait)?, line.waits.get(wait).filter(|wait| wait.is_needed())?);
    let dry = sky.dry(&wait.wait, from)?;
    Some(if wait.wait.overnight { dry.max(line.zone.next_day_start(from)) } else { dry })
}

fn is_alive(job: &JobRow) -> bool {
    matches!(job.status, JobStatus::Open | JobStatus::OnHold)
}
