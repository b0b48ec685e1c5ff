//! From rows to what is planned from: the planning file of a company at one instant, and the situation in it.

use super::jobs::JobDoc;
use super::presumed::presume;
use super::records::RecordDoc;
use super::{Service, ServiceError, air_readings, companies, error, wire};
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{
    AirReadingDto, HistoryDto, HouseDto, JobDto, OutcomeDto, PLANNING_FORMAT, PieceDto, PlacementDto, PlanningFile,
    PublishedDto, StepDto, WaitDto, situation_of,
};
use crate::store::{
    BookingRow, ChainRows, CompanyId, Document, JobRow, NounRow, PlanningRows, RecordOutcome, RecordRow, StoreError,
};
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use uuid::Uuid;

/// Everything about a company at one instant, as rows and as documents.
#[derive(Debug)]
pub(super) struct Snapshot {
    pub(super) rows: PlanningRows,
    pub(super) file: PlanningFile,
    /// Which plan was the promise.
    pub(super) published: Option<Uuid>,
}

impl Service {
    /// The planning file of the company now: what its next plan would be made from.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn capture(&self, company: CompanyId) -> Result<PlanningFile, ServiceError> {
        let now = self.now_minute();
        let mut session = self.store.snapshot(company).await?;
        Ok(Snapshot::load(&mut session, now).await?.file)
    }
}

impl Snapshot {
    /// From one session, which should be a snapshot.
    pub(super) async fn load(session: &mut crate::store::Session, now: Minute) -> Result<Snapshot, ServiceError> {
        let published = session.published_plan().await?.map(|plan| plan.id);
        let rows = session.planning_rows().await?;
        let readings = air_readings::heeded(session, None, now).await?;
        let file = tracing::debug_span!("documents").in_scope(|| file(&rows, readings, now))?;
        Ok(Snapshot { rows, file, published })
    }

    /// Of the planning file, SHA-256.
    pub(super) fn fingerprint(&self) -> Result<[u8; 32], ServiceError> {
        let file = serde_json::to_vec(&self.file).map_err(StoreError::BadDocument)?;
        Ok(Sha256::digest(file).into())
    }

    /// The situation, or why there is none.
    pub(super) fn situation(&self) -> Result<Situation, ServiceError> {
        situation_of(&self.file).map_err(|faults| ServiceError::CannotPlan(error::told(&faults)))
    }
}

fn docs<D: DeserializeOwned + Clone + Send + Sync + 'static>(rows: &[NounRow]) -> Result<Vec<D>, StoreError> {
    rows.iter().map(|row| row.doc.read().map(|doc: Arc<D>| D::clone(&doc))).collect()
}

fn file(
    rows: &PlanningRows,
    mut readings: BTreeMap<Uuid, Vec<AirReadingDto>>,
    now: Minute,
) -> Result<PlanningFile, ServiceError> {
    let zone = companies::office_zone(&rows.company)?;
    let keys = Keys::of(rows);
    let mut jobs = Vec::with_capacity(rows.jobs.len());
    for planned in &rows.jobs {
        let records = keys.records.get(&planned.job.id).map_or(&[][..], |range| &rows.records[range.clone()]);
        let mut job = job_document(&planned.job, &planned.chain, keys.house(planned.job.house_id), zone)?;
        job.history = history(records, &keys.crews, zone);
        jobs.push(job);
    }
    let placements = promised(&rows.promised, &keys, zone)?;
    let mut houses: Vec<HouseDto> = docs(&rows.houses)?;
    for (house, row) in houses.iter_mut().zip(&rows.houses) {
        house.air_readings = readings.remove(&row.id).unwrap_or_default();
    }
    let mut file = PlanningFile {
        format: PLANNING_FORMAT.to_owned(),
        now: wire::local(zone, now.to_utc()),
        settings: rows.company.settings.parse()?,
        skills: Vec::new(),
        regions: docs(&rows.regions)?,
        crews: docs(&rows.crews)?,
        houses,
        equipment: docs(&rows.equipment)?,
        // Jobs have their own copies.
        methods: Vec::new(),
        jobs,
        known_ways: Vec::new(),
        published: (!placements.is_empty()).then_some(PublishedDto { placements }),
    };
    presume(&mut file, rows, zone, now);
    Ok(file)
}

/// Identifiers to keys.
struct Keys {
    houses: BTreeMap<Uuid, String>,
    crews: BTreeMap<Uuid, String>,
    jobs: BTreeMap<Uuid, String>,
    equipment: BTreeSet<String>,
    /// Where a job's records are; they come sorted by job.
    records: BTreeMap<Uuid, std::ops::Range<usize>>,
}

impl Keys {
    fn of(rows: &PlanningRows) -> Keys {
        let keys = |rows: &[NounRow]| rows.iter().map(|row| (row.id, row.key.clone())).collect();
        let mut records: BTreeMap<Uuid, std::ops::Range<usize>> = BTreeMap::new();
        for (index, record) in rows.records.iter().enumerate() {
            records.entry(record.job_id).or_insert(index..index).end = index + 1;
        }
        Keys {
            houses: keys(&rows.houses),
            crews: keys(&rows.crews),
            jobs: rows.jobs.iter().map(|planned| (planned.job.id, planned.job.key.clone())).collect(),
            equipment: rows.equipment.iter().map(|row| row.key.clone()).collect(),
            records,
        }
    }

    fn house(&self, id: Uuid) -> &str {
        self.houses.get(&id).map_or("", String::as_str)
    }
}

/// A job as a document with its own chain, without history.
pub(super) fn job_document(job: &JobRow, chain: &ChainRows, house: &str, zone: Zone) -> Result<JobDto, ServiceError> {
    let doc: JobDoc = job.doc.parse()?;
    let steps = chain.steps.iter().map(|step| step.doc.read().map(|doc| StepDto::clone(&doc)));
    let steps: Result<Vec<StepDto>, StoreError> = steps.collect();
    let waits = chain.waits.iter().map(|wait| wait.doc.read().map(|doc| WaitDto::clone(&doc)));
    let waits: Result<Vec<WaitDto>, StoreError> = waits.collect();
    Ok(JobDto {
        key: job.key.clone(),
        name: job.name.clone(),
        house: house.to_owned(),
        method: None,
        steps: Some(steps?),
        waits: Some(waits?),
        release: wire::local(zone, job.release_at),
        due: job.due_at.map(|due| wire::local(zone, due)),
        weight: doc.weight,
        overrides: Vec::new(),
        wait_overrides: Vec::new(),
        history: Vec::new(),
        pins: doc.pins,
    })
}

/// Records as tries: whoever reports the end of what was running reports the same try again.
pub(super) fn history(records: &[RecordRow], crews: &BTreeMap<Uuid, String>, zone: Zone) -> Vec<HistoryDto> {
    let mut tries: Vec<HistoryDto> = Vec::with_capacity(records.len());
    for record in records {
        // An expectation that nobody gave is only there because the database asks for it.
        let doc: Option<RecordDoc> = record.doc.parse().ok();
        let entry = HistoryDto {
            step: record.step_key.clone(),
            crew: crews.get(&record.crew_id).cloned().unwrap_or_default(),
            started_at: wire::local(zone, record.started_at),
            finished_at: record.finished_at.map(|at| wire::local(zone, at)),
            outcome: outcome(record.outcome),
            expected_finish_at: record
                .expected_finish_at
                .filter(|_| doc.as_ref().is_some_and(|doc| doc.expected_by_crew))
                .map(|at| wire::local(zone, at)),
            presumed: false,
            retry_not_before_at: doc.as_ref().and_then(|doc| doc.retry_not_before).map(|at| wire::local(zone, at)),
            remaining_minutes: doc.as_ref().and_then(|doc| doc.remaining_minutes),
            re_wet: doc.is_some_and(|doc| doc.re_wet),
        };
        match tries.last_mut() {
            Some(last) if last.step == entry.step && last.outcome == OutcomeDto::Running => {
                *last = HistoryDto { re_wet: last.re_wet || entry.re_wet, ..entry };
            }
            _ => tries.push(entry),
        }
    }
    tries
}

pub(super) const fn outcome(outcome: RecordOutcome) -> OutcomeDto {
    match outcome {
        RecordOutcome::Running => OutcomeDto::Running,
        RecordOutcome::Done => OutcomeDto::Done,
        RecordOutcome::Failed => OutcomeDto::Failed,
        RecordOutcome::Paused => OutcomeDto::Paused,
    }
}

pub(super) const fn stored_outcome(outcome: OutcomeDto) -> RecordOutcome {
    match outcome {
        OutcomeDto::Running => RecordOutcome::Running,
        OutcomeDto::Done => RecordOutcome::Done,
        OutcomeDto::Failed => RecordOutcome::Failed,
        OutcomeDto::Paused => RecordOutcome::Paused,
    }
}

/// Pieces of one step, which come one after the other, as one placement. What names something that is no more is no
/// promise any more.
fn promised(rows: &[BookingRow], keys: &Keys, zone: Zone) -> Result<Vec<PlacementDto>, ServiceError> {
    let mut placements = Vec::new();
    for pieces in rows.chunk_by(|a, b| (a.job_id, &a.step_key) == (b.job_id, &b.step_key)) {
        let first = &pieces[0];
        let (Some(job), Some(crew)) = (keys.jobs.get(&first.job_id), keys.crews.get(&first.crew_id)) else { continue };
        let piece =
            |row: &BookingRow| PieceDto { start: wire::local(zone, row.start), finish: wire::local(zone, row.end) };
        let mut placement = placement(job, &first.step_key, crew, pieces.iter().map(piece).collect());
        placement.gear = gear(first.units.as_ref())?;
        placement.gear.retain(|gear| keys.equipment.contains(&gear.equipment));
        placements.push(placement);
    }
    Ok(placements)
}

pub(super) fn gear(units: Option<&Document>) -> Result<Vec<crate::dto::GearDto>, StoreError> {
    units.map_or(Ok(Vec::new()), Document::parse)
}

/// A placement that says no more than it must.
pub(super) fn placement(job: &str, step: &str, crew: &str, pieces: Vec<PieceDto>) -> PlacementDto {
    PlacementDto {
        job: job.to_owned(),
        step: step.to_owned(),
        crew: crew.to_owned(),
        pieces,
        ..PlacementDto::default()
    }
}
