//! What identifiers stand for: the documents that rows of plans and bookings name, archived ones too.

use super::{ServiceError, companies, wire};
use crate::domain::zone::Zone;
use crate::dto::{CrewDto, FilmDto, HouseDto, StepDto, WaitDto};
use crate::store::{JobRow, Noun, Session};
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// The documents around some works.
pub(super) struct Directory {
    /// The office's wall clock.
    pub(super) office: Zone,
    jobs: BTreeMap<Uuid, JobRow>,
    /// Jobs are never called otherwise.
    job_ids: BTreeMap<String, Uuid>,
    houses: BTreeMap<Uuid, HouseDto>,
    crews: BTreeMap<Uuid, CrewDto>,
    steps: BTreeMap<Uuid, BTreeMap<String, StepDto>>,
    /// When houses and crews were last changed.
    changed: BTreeMap<Uuid, DateTime<Utc>>,
    /// What dries after a step, by job and step.
    films: BTreeMap<(Uuid, String), FilmDto>,
}

/// A step in its job and house.
pub(super) struct Known<'a> {
    pub(super) job: &'a JobRow,
    pub(super) house: &'a HouseDto,
    pub(super) step: &'a StepDto,
    /// What dries after it.
    pub(super) film: Option<FilmDto>,
    /// The house's wall clock.
    pub(super) zone: Zone,
}

impl Directory {
    /// Everything about these jobs and crews.
    pub(super) async fn load(
        session: &mut Session,
        jobs: BTreeSet<Uuid>,
        crews: BTreeSet<Uuid>,
    ) -> Result<Directory, ServiceError> {
        let office = companies::office_zone(&session.company_row().await?)?;
        let ids: Vec<Uuid> = jobs.into_iter().collect();
        let rows = session.jobs_by_ids(&ids).await?;
        let of_houses: BTreeSet<Uuid> = rows.iter().map(|row| row.house_id).collect();
        let of_houses: Vec<Uuid> = of_houses.into_iter().collect();
        let mut steps: BTreeMap<Uuid, BTreeMap<String, StepDto>> = BTreeMap::new();
        for (job, step) in session.steps_of_jobs(&ids).await? {
            steps.entry(job).or_default().insert(step.step_key, step.doc.parse()?);
        }
        let mut films = BTreeMap::new();
        for (job, row) in session.waits_of_jobs(&ids).await? {
            if let Some(film) = row.doc.parse::<WaitDto>()?.film {
                films.insert((job, row.from_key), film);
            }
        }
        let (mut houses, mut changed) = (BTreeMap::new(), BTreeMap::new());
        for row in session.nouns_by_ids(Noun::House, &of_houses).await? {
            changed.insert(row.id, row.updated_at);
            houses.insert(row.id, row.doc.parse()?);
        }
        let mut people = BTreeMap::new();
        let of_crews: Vec<Uuid> = crews.into_iter().collect();
        for row in session.nouns_by_ids(Noun::Crew, &of_crews).await? {
            changed.insert(row.id, row.updated_at);
            people.insert(row.id, row.doc.parse()?);
        }
        let job_ids = rows.iter().map(|row| (row.key.clone(), row.id)).collect();
        let jobs = rows.into_iter().map(|row| (row.id, row)).collect();
        Ok(Directory { office, jobs, job_ids, houses, crews: people, steps, changed, films })
    }

    /// One step; jobs, houses and steps are never deleted, so it is there.
    pub(super) fn step(&self, job: Uuid, key: &str) -> Option<Known<'_>> {
        let (job, house, zone) = self.of_job(job)?;
        let step = self.steps.get(&job.id)?.get(key)?;
        let film = self.films.get(&(job.id, key.to_owned())).copied();
        Some(Known { job, house, step, film, zone })
    }

    /// When the documents of a job, its house and a crew were last changed; the crew's, if one is named.
    pub(super) fn changed_at(&self, job: &JobRow, crew: Option<Uuid>) -> DateTime<Utc> {
        let others = [Some(job.house_id), crew].into_iter().flatten();
        others.filter_map(|id| self.changed.get(&id).copied()).fold(job.updated_at, DateTime::max)
    }

    /// A job, its house, and the house's wall clock.
    pub(super) fn of_job(&self, job: Uuid) -> Option<(&JobRow, &HouseDto, Zone)> {
        let job = self.jobs.get(&job)?;
        let house = self.houses.get(&job.house_id)?;
        Some((job, house, wire::zone_or(house.time_zone.as_deref(), self.office)))
    }

    /// All steps of a job, by key.
    pub(super) fn steps(&self, job: Uuid) -> impl Iterator<Item = &StepDto> {
        self.steps.get(&job).into_iter().flat_map(BTreeMap::values)
    }

    /// A job by key.
    pub(super) fn job_id(&self, key: &str) -> Option<Uuid> {
        self.job_ids.get(key).copied()
    }

    /// A crew by key; should several have had it, one of them.
    pub(super) fn crew_named(&self, key: &str) -> Option<&CrewDto> {
        self.crews.values().find(|crew| crew.key == key)
    }

    /// One crew.
    pub(super) fn crew(&self, id: Uuid) -> Option<&CrewDto> {
        self.crews.get(&id)
    }
}
