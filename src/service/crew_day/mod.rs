//! What one crew does on a day: its promised work with how each step stands, what to load, what to beware of, what a
//! check asks for, and which waits run in its houses.
//!
//! | module | what |
//! |---|---|
//! | `shapes` | the day as it is shown |
//! | `chain` | a job's waits and records, and what follows from them for its steps |

mod chain;
mod shapes;

pub use shapes::{
    AreaToReadDto, CheckSheetDto, CrewDayDto, CrewWorkDto, CrewWorksDto, DwellDto, RunningWaitDto, StepStandingDto,
};

use super::calendars::current;
use super::directory::{Directory, Known};
use super::{Service, ServiceError, TreatmentAsked, WeekOf, load_lists, snapshot, wire};
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{CautionDto, SettingsDto, WorkLoadDto, area_readings};
use crate::store::{BookingRow, Session, StoreError};
use crate::trade::meter;
use chain::Chain;
use chrono::{Datelike, Days, NaiveDate};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Days before, of which work is shown that nobody has reported: as long as a weekend.
const BEFORE_DAYS: u64 = 2;
/// Days after, among which the next one with work is looked for.
const AFTER_DAYS: u64 = 8;

/// What is known around the works of a crew.
struct Around<'a> {
    directory: &'a Directory,
    chains: &'a BTreeMap<Uuid, Chain>,
    settings: &'a SettingsDto,
    zone: Zone,
}

impl Service {
    /// What a crew does on `date`, or today. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`; `Invalid` when the day is in another age.
    pub async fn crew_day(
        &self,
        session: &mut Session,
        key: &str,
        date: Option<NaiveDate>,
    ) -> Result<CrewDayDto, ServiceError> {
        let company = session.company_row().await?;
        let office = super::companies::office_zone(&company)?;
        let settings: SettingsDto = company.settings.parse()?;
        let (by, zone) = super::weeks::subject(session, WeekOf::Crew(key), office).await?;
        let now = Minute::floor_from(self.now());
        let date = date.unwrap_or_else(|| zone.date(now));
        let ends = (date.checked_sub_days(Days::new(BEFORE_DAYS)), date.checked_add_days(Days::new(AFTER_DAYS)));
        let (Some(from), Some(until)) = ends else { return Err(another_age(date)) };
        if !(1970..2200).contains(&date.year()) {
            return Err(another_age(date));
        }
        let (from, until) = (zone.day_start(from).to_utc(), zone.day_start(until).to_utc());
        let mut rows = current(session.bookings(by, from, until).await?);
        rows.retain(|row| row.left_at.is_none());
        let jobs: BTreeSet<Uuid> = rows.iter().map(|row| row.job_id).collect();
        let crews = rows.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(session, jobs.clone(), crews).await?;
        let chains = Chain::of_jobs(session, &jobs, &directory).await?;
        let around = Around { directory: &directory, chains: &chains, settings: &settings, zone };
        let opens = zone.day_start(date);
        let (day_rows, other) = split(&rows, &chains, opens, zone.next_day_start(opens));
        let day = self.works(session, &around, &day_rows, date).await?;
        let is_open = |row: &&BookingRow| chains.get(&row.job_id).is_none_or(|chain| chain.is_open(row));
        let before: Vec<BookingRow> =
            other.iter().filter(|row| row.start < opens.to_utc()).filter(is_open).cloned().collect();
        let unreported = self.works(session, &around, &before, date).await?.works;
        let after: Vec<&BookingRow> = other.iter().filter(|row| row.start >= opens.to_utc()).collect();
        let next_date = after.iter().map(|row| zone.date(Minute::floor_from(row.start))).find(|next| *next > date);
        let next_day = match next_date {
            None => None,
            Some(next) => {
                let on = |row: &&&BookingRow| zone.date(Minute::floor_from(row.start)) == next;
                let own: Vec<BookingRow> = after.iter().filter(on).map(|row| (*row).clone()).collect();
                Some(self.works(session, &around, &own, next).await?)
            }
        };
        let crew = session.noun_by_key(crate::store::Noun::Crew, key).await?;
        Ok(CrewDayDto {
            crew: key.to_owned(),
            crew_name: crew.name,
            time_zone: zone.name().to_owned(),
            now: wire::local(zone, self.now()),
            plan: session.published_plan().await?.map(|plan| plan.number),
            day,
            unreported,
            next_day,
            waits: chain::running(session, &company, &directory, &chains, now).await?,
        })
    }

    async fn works(
        &self,
        session: &mut Session,
        around: &Around<'_>,
        rows: &[BookingRow],
        date: NaiveDate,
    ) -> Result<CrewWorksDto, ServiceError> {
        let load = load_lists::list(around.directory, rows, date, around.zone)?;
        let mut works = Vec::with_capacity(rows.len());
        for row in rows {
            let Some(known) = around.directory.step(row.job_id, &row.step_key) else { continue };
            let houses = load.crews.iter().flat_map(|crew| &crew.houses);
            let own = houses
                .flat_map(|house| &house.works)
                .find(|own| (&own.job, &own.step, own.piece) == (&known.job.key, &row.step_key, row.piece_no + 1));
            let mut work = around.work(row, &known, own)?;
            let is_first = work.dwell.as_ref().is_some_and(|dwell| dwell.step_a == work.step);
            if is_first && known.step.rolling.is_some() && work.standing != StepStandingDto::Done {
                let asked = TreatmentAsked { step: Some(&row.step_key), people: None };
                work.sections = match self.treatment_plan(session, &known.job.key, asked).await {
                    Ok(view) => Some(view),
                    Err(ServiceError::Invalid(_) | ServiceError::Store(StoreError::NotFound { .. })) => None,
                    Err(error) => return Err(error),
                };
            }
            work.tried = self.tried(session, around.directory, row, known.zone).await?;
            works.push(work);
        }
        Ok(CrewWorksDto { date, works, load })
    }
}

fn another_age(date: NaiveDate) -> ServiceError {
    ServiceError::fault("/date", Fault::new("bad-date", format!("{date} is another age"), "check the year"))
}

/// What belongs to the day from `opens` to `closes`: what touches it, and what runs, whenever it was promised. Then the
/// rest.
fn split(
    rows: &[BookingRow],
    chains: &BTreeMap<Uuid, Chain>,
    opens: Minute,
    closes: Minute,
) -> (Vec<BookingRow>, Vec<BookingRow>) {
    rows.iter().cloned().partition(|row| {
        let touches = Minute::floor_from(row.start) < closes && Minute::ceil_from(row.end) > opens;
        touches || chains.get(&row.job_id).is_some_and(|chain| chain.is_running(row))
    })
}

impl Around<'_> {
    fn work(
        &self,
        row: &BookingRow,
        known: &Known<'_>,
        load: Option<&WorkLoadDto>,
    ) -> Result<CrewWorkDto, ServiceError> {
        let step = known.step;
        let chain = self.chains.get(&row.job_id);
        let last = chain.and_then(|chain| chain.last(&row.step_key));
        let local = |at| wire::local(known.zone, at);
        let open = chain.map(|chain| chain.open_before(&row.step_key)).unwrap_or_default();
        let name = |key: &str| self.directory.step(row.job_id, key).map(|known| known.step.name.clone());
        let cautions = step.cautions(known.film, known.house);
        Ok(CrewWorkDto {
            job: known.job.key.clone(),
            job_name: known.job.name.clone(),
            step: row.step_key.clone(),
            step_name: step.name.clone(),
            kind: step.kind,
            house: known.house.key.clone(),
            house_name: known.house.name.clone(),
            address: known.house.address.clone(),
            location: known.house.location,
            start: local(row.start),
            finish: local(row.end),
            piece: row.piece_no + 1,
            standing: chain.map_or(StepStandingDto::Open, |chain| chain.standing(row)),
            started_at: last.map(|record| local(record.started_at)),
            finished_at: last.and_then(|record| record.finished_at).map(local),
            dividable: step.dividable,
            follows_open: open.into_iter().filter_map(name).collect(),
            notes: step.notes.clone(),
            products: load.map(|load| load.products.clone()).unwrap_or_default(),
            items: load.map(|load| load.items.clone()).unwrap_or_default(),
            gear: snapshot::gear(row.units.as_ref())?,
            cautions: cautions.into_iter().map(CautionDto::from).collect(),
            check: self.sheet(known),
            tried: Vec::new(),
            dwell: chain.and_then(|chain| chain.dwell(&row.step_key)),
            sections: None,
        })
    }

    fn sheet(&self, known: &Known<'_>) -> Option<CheckSheetDto> {
        let asked = known.step.meter.as_ref()?;
        let rules = asked.rules();
        let areas = area_readings(known.step, known.house, self.settings, &[]);
        let species = |name: &str| {
            let own = known.house.areas.iter().find(|area| area.name.trim() == name);
            own.and_then(|area| area.species.clone())
        };
        Some(CheckSheetDto {
            meter: asked.kind,
            needed_per_1000_sqft: asked.needed_per_1000_sqft,
            points_max: asked.points_max,
            areas: areas
                .iter()
                .map(|area| AreaToReadDto {
                    area: area.name.clone(),
                    area_sqft: i64::from(area.area_sqft),
                    species: species(&area.name),
                    needed: meter::needed(area.area_sqft, rules.needed_per_1000_sqft),
                })
                .collect(),
            species_shifts: self.settings.species_shifts.clone(),
        })
    }
}
