//! Jobs: a method applied to a house, from then on with a chain of their own.

use super::bench::{Bench, of_job};
use super::events::job_patched;
use super::job_shapes::{JobListed, JobStatusDto, JobView};
use super::nouns::{gear_of, unaddressable, unknown};
use super::{Service, ServiceError, Stored, error, snapshot, wire};
use crate::domain::fault::Fault;
use crate::domain::zone::Zone;
use crate::dto::{FaultDto, HappeningDto, HouseDto, JobAdded, JobDto, Located, MethodDto, PinDto, read_json};
use crate::store::{
    Document, JobFilter, JobRow, JobStatus, NewJob, NewStep, NewWait, Noun, NounRow, Reference, Session, StoreError,
};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

/// Largest job after a change has been merged into it.
const JOB_BYTES_MAX: usize = 1 << 20;
/// Jobs of one house that a change of the house is tried on.
const JOBS_OF_HOUSE_MAX: u32 = 1_000;

/// What of a job has no column of its own.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct JobDoc {
    pub(super) weight: i64,
    pub(super) copied_from: Option<String>,
    pub(super) pins: Vec<PinDto>,
}

/// A job and its version.
#[derive(Debug)]
pub struct StoredJob {
    /// As stored.
    pub row: JobRow,
    /// As shown.
    pub view: JobView,
}

impl Service {
    /// Keeps a new job, and what has already happened on it.
    ///
    /// # Errors
    /// `Invalid`, `KeyTaken`.
    pub async fn create_job(&self, session: &mut Session, job: JobDto) -> Result<StoredJob, ServiceError> {
        session.lock_company().await?;
        let told = JobAdded { job: job.clone() };
        let stored = self.add_job(session, job).await?;
        let event = serde_json::to_value(HappeningDto::from(told)).map_err(StoreError::BadDocument)?;
        self.note_job(session, &stored.row.key, event).await?;
        self.story_goes_on(session, &stored.row.key).await?;
        Ok(stored)
    }

    /// As [`Service::create_job`], for whoever keeps the event himself.
    pub(super) async fn add_job(&self, session: &mut Session, job: JobDto) -> Result<StoredJob, ServiceError> {
        let mut happened = job.history.clone();
        // Of another company's planning file: nobody has said so.
        happened.retain(|entry| !entry.presumed);
        let judged = self.judge_job(session, job, None).await?;
        let row = session.insert_job(&judged.new).await?;
        self.import_records(session, &row, &judged.bench, &happened).await?;
        Ok(StoredJob { view: self.job_view(session, &row, judged.warnings).await?, row })
    }

    /// One job by key.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn job(&self, session: &mut Session, key: &str) -> Result<StoredJob, ServiceError> {
        let row = session.job_by_key(key).await?;
        Ok(StoredJob { view: self.job_view(session, &row, Vec::new()).await?, row })
    }

    /// A page of jobs in the order of creation, each with its identifier.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn jobs(
        &self,
        session: &mut Session,
        status: Option<JobStatusDto>,
        house: Option<&str>,
        after: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<(Uuid, JobListed)>, ServiceError> {
        let house_id = match house {
            Some(key) => Some(session.noun_by_key(Noun::House, key).await?.id),
            None => None,
        };
        let rows = session.jobs(JobFilter { status: status.map(Into::into), house_id }, after, limit).await?;
        let ids: Vec<Uuid> = rows.iter().map(|row| row.house_id).collect();
        let houses = session.nouns_by_ids(Noun::House, &ids).await?;
        let office = super::companies::office_zone(&session.company_row().await?)?;
        rows.iter().map(|row| Ok((row.id, listed(row, house_row(&houses, row.house_id), office)?))).collect()
    }

    /// Merges `patch` into the job at `version` (RFC 7396). A `method` puts a fresh copy of its chain in place of the
    /// job's own; `status` may be among the members.
    ///
    /// # Errors
    /// `NotFound`, `Stale`, `Invalid`, `InUse`.
    pub async fn patch_job(
        &self,
        session: &mut Session,
        key: &str,
        version: i64,
        patch: Value,
    ) -> Result<StoredJob, ServiceError> {
        session.lock_company().await?;
        let event = job_patched(key, &patch);
        let stored = self.change_job(session, key, version, patch).await?;
        if stored.row.version != version {
            self.note_job(session, key, event).await?;
            self.story_goes_on(session, key).await?;
        }
        Ok(stored)
    }

    /// As [`Service::patch_job`], for whoever keeps the event himself.
    pub(super) async fn change_job(
        &self,
        session: &mut Session,
        key: &str,
        version: i64,
        mut patch: Value,
    ) -> Result<StoredJob, ServiceError> {
        let mut row = session.job_by_key(key).await?;
        if row.version != version {
            return Err(StoreError::Stale { current: row.version }.into());
        }
        let status = taken_status(&mut patch)?;
        let members = patch.as_object().map_or(0, serde_json::Map::len);
        let mut warnings = Vec::new();
        if members > 0 || status.is_none() {
            let view = self.job_view(session, &row, Vec::new()).await?;
            let job = merged(&view.job, &patch)?;
            if job.key != key {
                let cure = "a key is given once: create another job, and cancel this";
                let fault = Fault::new("key-is-fixed", "the change would give the job another key", cure);
                return Err(ServiceError::fault("/key", fault));
            }
            if !job.history.is_empty() {
                let cure = "report it as a record of the job";
                let fault = Fault::new("history-by-records", "what happened is not changed with the job", cure);
                return Err(ServiceError::fault("/history", fault));
            }
            let judged = self.judge_job(session, job, Some((&row, view.copied_from))).await?;
            row = session.update_job(row.id, version, &judged.new).await?;
            warnings = judged.warnings;
        }
        if let Some(status) = status.filter(|status| *status != row.status) {
            session.set_job_status(row.id, row.version, status).await?;
            row = session.job(row.id).await?;
        }
        Ok(StoredJob { view: self.job_view(session, &row, warnings).await?, row })
    }

    /// Refuses a change of a house under which its open jobs would fall apart.
    pub(super) async fn jobs_still_fit(
        &self,
        session: &mut Session,
        house: &Stored<HouseDto>,
    ) -> Result<(), ServiceError> {
        let filter = JobFilter { status: None, house_id: Some(house.id) };
        let rows = session.jobs(filter, None, JOBS_OF_HOUSE_MAX).await?;
        let alive = |row: &&JobRow| matches!(row.status, JobStatus::Open | JobStatus::OnHold);
        let mut jobs = Vec::new();
        let bench = Bench::load(session, self.now_minute(), &[]).await?;
        for row in rows.iter().filter(alive) {
            let (row, chain) = session.job_with_chain(row.id).await?;
            jobs.push(snapshot::job_document(&row, &chain, &house.doc.key, bench.zone)?);
        }
        let keys: Vec<String> = jobs.iter().map(|job| job.key.clone()).collect();
        let Err(faults) = bench.judge(&house.doc, None, jobs) else { return Ok(()) };
        let told = |located: &Located| {
            let index = located.pointer.split('/').nth(2).and_then(|index| index.parse::<usize>().ok());
            let job = index.and_then(|index| keys.get(index)).map_or("", String::as_str);
            let what = format!("job {job} would not fit the house any more: {}", located.fault.what);
            let fault = Fault::new(located.fault.code, what, "change the job first, or keep what it needs");
            Located { pointer: "/areas".to_owned(), fault }
        };
        Err(ServiceError::Invalid(error::told(&faults.iter().map(told).collect::<Vec<_>>())))
    }

    /// Tries a job on its house and the company. `before`: the job as it is, and the method it was copied from.
    async fn judge_job(
        &self,
        session: &mut Session,
        job: JobDto,
        before: Option<(&JobRow, Option<String>)>,
    ) -> Result<Judged, ServiceError> {
        let records = match before {
            Some((row, _)) => session.records_of_job(row.id).await?,
            None => Vec::new(),
        };
        let crews: Vec<Uuid> = records.iter().map(|record| record.crew_id).collect();
        let bench = Bench::load(session, self.now_minute(), &crews).await?;
        let house = match session.noun_by_key(Noun::House, &job.house).await {
            Ok(row) => row,
            Err(StoreError::NotFound { what }) => return Err(ServiceError::fault("/house", unknown(what, &job.house))),
            Err(error) => return Err(error.into()),
        };
        let (method, own_row) = self.named_method(session, &job).await?;
        let mut tried = job.clone();
        if before.is_some() {
            tried.history = snapshot::history(&records, &bench.crew_keys, bench.zone);
        }
        let house_doc: HouseDto = house.doc.parse()?;
        let judged = bench.judge(&house_doc, method.as_ref(), vec![tried]);
        let mut faults = unaddressable(&job.key).into_iter().collect::<Vec<_>>();
        let warnings = match judged {
            Ok(warnings) if faults.is_empty() => of_job(&warnings),
            Ok(_) => return Err(ServiceError::Invalid(error::told(&faults))),
            Err(more) => {
                faults.extend(more);
                return Err(ServiceError::Invalid(of_job(&faults)));
            }
        };
        let kept = before.map(|(row, from)| (row.method_id, from));
        let (method_id, copied_from) = match (&job.method, kept) {
            (None, Some(kept)) => kept,
            _ => (own_row.map(|row| row.id), job.method.clone()),
        };
        let job = job.with_own_chain(method.as_ref());
        let new = new_job(&job, house.id, method_id, copied_from)?;
        Ok(Judged { new, warnings, bench })
    }

    async fn named_method(
        &self,
        session: &mut Session,
        job: &JobDto,
    ) -> Result<(Option<MethodDto>, Option<NounRow>), ServiceError> {
        let Some(key) = &job.method else { return Ok((None, None)) };
        match self.method(session, key).await {
            Ok((method, row)) => Ok((Some(method), row)),
            Err(ServiceError::Store(StoreError::NotFound { what })) => {
                Err(ServiceError::fault("/method", unknown(what, key)))
            }
            Err(error) => Err(error),
        }
    }

    async fn job_view(
        &self,
        session: &mut Session,
        row: &JobRow,
        warnings: Vec<FaultDto>,
    ) -> Result<JobView, ServiceError> {
        let (_, chain) = session.job_with_chain(row.id).await?;
        let house = session.noun(Noun::House, row.house_id).await?;
        let office = super::companies::office_zone(&session.company_row().await?)?;
        let job = snapshot::job_document(row, &chain, &house.key, zone_of(&house, office)?)?;
        let doc: JobDoc = row.doc.parse()?;
        Ok(JobView { job, status: row.status.into(), copied_from: doc.copied_from, warnings })
    }
}

/// A job that holds together.
struct Judged {
    new: NewJob,
    warnings: Vec<FaultDto>,
    bench: Bench,
}

fn house_row(houses: &[NounRow], id: Uuid) -> Option<&NounRow> {
    houses.iter().find(|house| house.id == id)
}

fn zone_of(house: &NounRow, office: Zone) -> Result<Zone, ServiceError> {
    let doc: HouseDto = house.doc.parse()?;
    Ok(wire::zone_or(doc.time_zone.as_deref(), office))
}

fn listed(row: &JobRow, house: Option<&NounRow>, office: Zone) -> Result<JobListed, ServiceError> {
    let doc: JobDoc = row.doc.parse()?;
    let zone = house.map_or(Ok(office), |house| zone_of(house, office))?;
    Ok(JobListed {
        key: row.key.clone(),
        name: row.name.clone(),
        house: house.map(|house| house.key.clone()).unwrap_or_default(),
        status: row.status.into(),
        release: wire::local(zone, row.release_at),
        due: row.due_at.map(|due| wire::local(zone, due)),
        copied_from: doc.copied_from,
    })
}

fn taken_status(patch: &mut Value) -> Result<Option<JobStatus>, ServiceError> {
    let Some(members) = patch.as_object_mut() else {
        let fault = Fault::new("wrong-type", "the change is no JSON object", "send the members that change");
        return Err(ServiceError::fault("", fault));
    };
    // Shown with the job, and no part of it: whoever sends back what he read means no harm.
    members.remove("copied_from");
    members.remove("warnings");
    let Some(status) = members.remove("status") else { return Ok(None) };
    match serde_json::from_value::<JobStatusDto>(status) {
        Ok(status) => Ok(Some(status.into())),
        Err(error) => {
            let cure = "use open, on_hold, cancelled or finished";
            Err(ServiceError::fault("/status", Fault::new("unknown-value", error.to_string(), cure)))
        }
    }
}

/// RFC 7396. A method given takes the place of the chain, unless steps are given too, which is refused later.
fn merged(job: &JobDto, patch: &Value) -> Result<JobDto, ServiceError> {
    let mut document = serde_json::to_value(job).map_err(StoreError::BadDocument)?;
    if let (Some(Value::String(_)), Some(members)) = (patch.get("method"), document.as_object_mut()) {
        members.remove("steps");
        members.remove("waits");
    }
    merge(&mut document, patch);
    read_json(&document.to_string(), JOB_BYTES_MAX).map_err(|faults| ServiceError::Invalid(error::told(&faults)))
}

/// Nested no deeper than the JSON reader lets in.
fn merge(target: &mut Value, patch: &Value) {
    let Value::Object(members) = patch else {
        *target = patch.clone();
        return;
    };
    if !target.is_object() {
        *target = Value::Object(serde_json::Map::new());
    }
    let Value::Object(own) = target else { return };
    for (name, value) in members {
        if value.is_null() {
            own.remove(name);
        } else {
            merge(own.entry(name.clone()).or_insert(Value::Null), value);
        }
    }
}

pub(super) fn new_job(
    job: &JobDto,
    house_id: Uuid,
    method_id: Option<Uuid>,
    copied_from: Option<String>,
) -> Result<NewJob, ServiceError> {
    let at = |pointer: &str, text: &str| wire::instant(text).map_err(|fault| ServiceError::fault(pointer, fault));
    let steps = job.steps.as_deref().unwrap_or(&[]);
    let gear = gear_of(steps);
    let step = |(index, step): (usize, &crate::dto::StepDto)| -> Result<NewStep, ServiceError> {
        let of_step = format!("/steps/{index}/");
        let mut refers: Vec<Reference> =
            gear.iter().filter(|(_, at)| at.starts_with(&of_step)).map(|(reference, _)| reference.clone()).collect();
        let pinned = job.pins.iter().filter(|pin| pin.step == step.key).filter_map(|pin| pin.crew.clone());
        refers.extend(pinned.map(|key| Reference { noun: Noun::Crew, key }));
        Ok(NewStep { key: step.key.clone(), doc: Document::of(step)?, refers })
    };
    let wait = |wait: &crate::dto::WaitDto| -> Result<NewWait, ServiceError> {
        Ok(NewWait { from: wait.from.clone(), to: wait.to.clone(), doc: Document::of(wait)? })
    };
    Ok(NewJob {
        key: job.key.clone(),
        name: job.name.trim().to_owned(),
        house_id,
        method_id,
        release_at: at("/release", &job.release)?,
        due_at: job.due.as_deref().map(|due| at("/due", due)).transpose()?,
        doc: Document::of(&JobDoc { weight: job.weight, copied_from, pins: job.pins.clone() })?,
        steps: steps.iter().enumerate().map(step).collect::<Result<_, _>>()?,
        waits: job.waits.as_deref().unwrap_or(&[]).iter().map(wait).collect::<Result<_, _>>()?,
    })
}
