//! When nobody should walk on a floor: for the customer, who is told of nothing else that the crews keep to themselves.
//! The floor is ready when the plan takes it to be: label time, stretched by the air that is expected in the house.

use super::{Service, ServiceError, air_readings, snapshot, wire};
use crate::domain::climate::Film;
use crate::domain::time::Minute;
use crate::dto::{FilmDto, HouseDto, PLANNING_FORMAT, PlanningFile, RegionDto, WaitDto, assemble};
use crate::store::{BookingRow, CompanyRow, Noun, RecordOutcome, RecordRow, Session, StoreError};
use crate::trade::climate::HourlyClimate;
use crate::trade::house::model_of;
use crate::trade::readings::HouseClimate;
use crate::trade::ready::DryingTable;
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// Longest drying looked for; what takes longer has no end that could be told.
pub(super) const DRYING_MINUTES_MAX: i64 = 130 * 1440;

/// A time to keep off.
#[derive(Debug, Clone)]
pub(super) struct KeepOff {
    /// The work that leaves the floor wet.
    pub(super) after: BookingRow,
    /// Its end: as reported, or else as promised.
    pub(super) from: Minute,
    /// First minute on which it may be walked on.
    pub(super) until: Minute,
    /// Rises whenever the weather or the house is told anew, or the work is reported: the end may have changed then.
    pub(super) revision: i64,
    /// When that was last.
    pub(super) told_at: DateTime<Utc>,
}

/// The air of a house, and which telling of it.
pub(super) struct Sky {
    pub(super) climate: Option<HouseClimate>,
    pub(super) house: HouseDto,
    pub(super) revision: i64,
    pub(super) told_at: DateTime<Utc>,
}

impl Service {
    /// After the last piece of each step in `house` with a wait to keep off, promised or called off; by what was known
    /// at `now`.
    pub(super) async fn keep_offs(
        &self,
        session: &mut Session,
        company: &CompanyRow,
        (house, now): (Uuid, Minute),
        rows: &[BookingRow],
    ) -> Result<Vec<KeepOff>, ServiceError> {
        let sky = sky(session, company, house, now).await?;
        let zone = wire::zone_or(sky.house.time_zone.as_deref(), super::companies::office_zone(company)?);
        let mut jobs: BTreeMap<Uuid, (Vec<WaitDto>, Vec<RecordRow>)> = BTreeMap::new();
        let mut times = Vec::new();
        for row in last_pieces(rows) {
            if let std::collections::btree_map::Entry::Vacant(unseen) = jobs.entry(row.job_id) {
                let (job, chain) = session.job_with_chain(row.job_id).await?;
                let waits = snapshot::job_document(&job, &chain, "", zone)?.waits.unwrap_or_default();
                unseen.insert((waits, session.records_of_job(row.job_id).await?));
            }
            let Some((waits, records)) = jobs.get(&row.job_id) else { continue };
            let from = done_at(records, &row.step_key).unwrap_or(Minute::floor_from(row.end));
            let own = waits.iter().filter(|wait| wait.keep_off && wait.from == row.step_key);
            let ready = own.filter_map(|wait| {
                let dry = sky.dry(wait, from)?;
                Some(if wait.overnight { dry.max(zone.next_day_start(from)) } else { dry })
            });
            if let Some(until) = ready.max().filter(|until| *until > from) {
                let reported = || records.iter().filter(|record| record.step_key == row.step_key);
                let revision = sky.revision + reported().count() as i64;
                let told_at = reported().map(|record| record.recorded_at).fold(sky.told_at, DateTime::max);
                times.push(KeepOff { after: row, from, until, revision, told_at });
            }
        }
        Ok(times)
    }
}

/// When a step was reported done.
pub(super) fn done_at(records: &[RecordRow], step: &str) -> Option<Minute> {
    let done = |record: &&RecordRow| record.step_key == step && record.outcome == RecordOutcome::Done;
    records.iter().filter(done).filter_map(|record| record.finished_at).max().map(Minute::ceil_from)
}

/// Of each step: of what is promised, or else of what was. The number is the highest of all its pieces, because which
/// piece is the last may change.
fn last_pieces(rows: &[BookingRow]) -> Vec<BookingRow> {
    let mut last: BTreeMap<(Uuid, &str), BookingRow> = BTreeMap::new();
    for row in rows {
        let entry = last.entry((row.job_id, &row.step_key)).or_insert_with(|| row.clone());
        let (sequence, modified) = (entry.sequence.max(row.sequence), entry.last_modified.max(row.last_modified));
        if (row.left_at.is_none(), row.end) > (entry.left_at.is_none(), entry.end) {
            *entry = row.clone();
        }
        (entry.sequence, entry.last_modified) = (sequence, modified);
    }
    last.into_values().collect()
}

impl Sky {
    /// As in `docs/rules.md`, rule 4: without a film or without known air one minute a minute.
    pub(super) fn dry(&self, wait: &WaitDto, from: Minute) -> Option<Minute> {
        match (wait.film, &self.climate) {
            (Some(film), Some(climate)) => {
                let until = from.plus(DRYING_MINUTES_MAX);
                DryingTable::new(climate, film_of(film), from, until).ready_at(from, wait.min_minutes)
            }
            _ => Some(from.plus(wait.min_minutes)),
        }
    }
}

fn film_of(film: FilmDto) -> Film {
    film.into()
}

pub(super) async fn sky(
    session: &mut Session,
    company: &CompanyRow,
    house: Uuid,
    now: Minute,
) -> Result<Sky, ServiceError> {
    let row = session.noun(Noun::House, house).await?;
    let doc: HouseDto = row.doc.parse()?;
    let region = match &doc.region {
        Some(key) => match session.noun_by_key(Noun::Region, key).await {
            Ok(region) => Some(region),
            Err(StoreError::NotFound { .. }) => None,
            Err(error) => return Err(error.into()),
        },
        None => None,
    };
    let regions: Vec<RegionDto> = region.iter().map(|row| row.doc.parse()).collect::<Result<_, _>>()?;
    let mut readings = air_readings::heeded(session, Some(house), now).await?;
    let file = PlanningFile {
        format: PLANNING_FORMAT.to_owned(),
        now: wire::utc(now.to_utc()),
        settings: company.settings.parse()?,
        skills: Vec::new(),
        houses: vec![HouseDto {
            region: regions.first().map(|region| region.key.clone()),
            air_readings: readings.remove(&row.id).unwrap_or_default(),
            ..doc.clone()
        }],
        regions,
        crews: Vec::new(),
        equipment: Vec::new(),
        methods: Vec::new(),
        jobs: Vec::new(),
        known_ways: Vec::new(),
        published: None,
    };
    let situation = assemble(file).map_err(|faults| ServiceError::CannotPlan(super::error::told(&faults)))?.situation;
    let (own, outdoors) = (&situation.houses[0], situation.regions.first());
    let outdoors = outdoors.and_then(|region| HourlyClimate::of_region(region).ok());
    let model = model_of(own.air, outdoors.as_ref()).map(Arc::new);
    let climate = HouseClimate::new(model, &own.air_readings);
    let told = session.air_told(row.id).await?;
    let revision = row.version + region.as_ref().map_or(0, |region| region.version) + told.count;
    let told_at = region.map_or(row.updated_at, |region| region.updated_at.max(row.updated_at));
    let told_at = told.last_at.map_or(told_at, |at| at.max(told_at));
    Ok(Sky { climate, house: doc, revision, told_at })
}
