//! A job's waits and records, and what follows from them for its steps: how each stands, what it waits for, and until
//! when.

use super::super::directory::Directory;
use super::super::keep_off::sky;
use super::super::{ServiceError, wire};
use super::shapes::{DwellDto, RunningWaitDto, StepStandingDto};
use crate::domain::time::Minute;
use crate::dto::{WaitDto, WaitKindDto};
use crate::store::{BookingRow, ChainRows, CompanyRow, RecordOutcome, RecordRow, Session};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Of one job.
pub(super) struct Chain {
    house_id: Uuid,
    waits: Vec<WaitDto>,
    records: Vec<RecordRow>,
    /// Keys of steps that come only when a wait has lapsed.
    on_lapse: Vec<String>,
}

impl Chain {
    /// Of all these jobs, which the directory knows: three questions, however many there are.
    pub(super) async fn of_jobs(
        session: &mut Session,
        jobs: &BTreeSet<Uuid>,
        directory: &Directory,
    ) -> Result<BTreeMap<Uuid, Chain>, ServiceError> {
        let ids: Vec<Uuid> = jobs.iter().copied().collect();
        let mut rows = session.chains_of_jobs(&ids).await?;
        let mut records: BTreeMap<Uuid, Vec<RecordRow>> = BTreeMap::new();
        for record in session.records_of_jobs(&ids).await? {
            records.entry(record.job_id).or_default().push(record);
        }
        let mut chains = BTreeMap::new();
        for job in ids {
            let Some((row, _, _)) = directory.of_job(job) else { continue };
            let (chain, records) = (rows.remove(&job).unwrap_or_default(), records.remove(&job).unwrap_or_default());
            chains.insert(job, Chain::of(row.house_id, &chain, records)?);
        }
        Ok(chains)
    }

    fn of(house_id: Uuid, chain: &ChainRows, records: Vec<RecordRow>) -> Result<Chain, ServiceError> {
        let waits = chain.waits.iter().map(|wait| wait.doc.parse()).collect::<Result<_, _>>()?;
        let mut on_lapse = Vec::new();
        for step in &chain.steps {
            let doc: crate::dto::StepDto = step.doc.parse()?;
            if doc.only_on_lapse {
                on_lapse.push(doc.key);
            }
        }
        Ok(Chain { house_id, waits, records, on_lapse })
    }

    /// What was reported last of a step.
    pub(super) fn last(&self, step: &str) -> Option<&RecordRow> {
        self.records.iter().rfind(|record| record.step_key == step)
    }

    /// How the step of a promise stands. A check that has failed is open again when it is promised after that.
    pub(super) fn standing(&self, row: &BookingRow) -> StepStandingDto {
        let last = self.last(&row.step_key);
        let again = |record: &&RecordRow| {
            record.outcome == RecordOutcome::Failed && record.finished_at.is_none_or(|at| at <= row.start)
        };
        StepStandingDto::of(last.filter(|record| !again(record)).map(|record| record.outcome))
    }

    pub(super) fn is_open(&self, row: &BookingRow) -> bool {
        match self.standing(row) {
            StepStandingDto::Open | StepStandingDto::Running | StepStandingDto::Paused => true,
            StepStandingDto::Failed | StepStandingDto::Done => false,
        }
    }

    pub(super) fn is_running(&self, row: &BookingRow) -> bool {
        self.last(&row.step_key)
            .is_some_and(|record| record.outcome == RecordOutcome::Running && record.crew_id == row.crew_id)
    }

    fn is_done(&self, step: &str) -> bool {
        self.last(step).is_some_and(|record| record.outcome == RecordOutcome::Done)
    }

    /// Keys of steps that come before it and are not reported done.
    pub(super) fn open_before(&self, step: &str) -> Vec<&str> {
        let before = self.waits.iter().filter(|wait| wait.to == step && wait.kind != WaitKindDto::Dwell);
        let open = before.filter(|wait| !self.is_done(&wait.from) && !self.on_lapse.contains(&wait.from));
        open.map(|wait| wait.from.as_str()).collect()
    }

    /// Of either part of a treatment.
    pub(super) fn dwell(&self, step: &str) -> Option<DwellDto> {
        let mut waits = self.waits.iter().filter(|wait| wait.kind == WaitKindDto::Dwell);
        let wait = waits.find(|wait| wait.from == step || wait.to == step)?;
        Some(DwellDto {
            step_a: wait.from.clone(),
            step_b: wait.to.clone(),
            min_minutes: wait.min_minutes,
            max_minutes: wait.max.as_ref().map(|max| max.minutes),
        })
    }

    /// Waits whose earlier step is done and whose later one has not been begun, with the end of the earlier.
    fn waiting(&self) -> impl Iterator<Item = (&WaitDto, Minute)> {
        self.waits.iter().filter_map(|wait| {
            let extra = self.on_lapse.contains(&wait.from) || self.on_lapse.contains(&wait.to);
            if extra || wait.kind == WaitKindDto::Dwell || self.last(&wait.to).is_some() {
                return None;
            }
            let record = self.last(&wait.from).filter(|record| record.outcome == RecordOutcome::Done)?;
            Some((wait, Minute::ceil_from(record.finished_at?)))
        })
    }
}

/// Waits that run at `now`, or have ended while the latest beginning of what follows is still to come.
pub(super) async fn running(
    session: &mut Session,
    company: &CompanyRow,
    directory: &Directory,
    chains: &BTreeMap<Uuid, Chain>,
    now: Minute,
) -> Result<Vec<RunningWaitDto>, ServiceError> {
    let mut found = Vec::new();
    for (&job, chain) in chains {
        let waiting: Vec<(&WaitDto, Minute)> = chain.waiting().collect();
        if waiting.is_empty() {
            continue;
        }
        let Some((row, house, zone)) = directory.of_job(job) else { continue };
        let sky = sky(session, company, chain.house_id, now).await?;
        for (wait, from) in waiting {
            let Some(dry) = sky.dry(wait, from) else { continue };
            let ready = if wait.overnight { dry.max(zone.next_day_start(from)) } else { dry };
            let latest = wait.max.as_ref().map(|max| from.plus(max.minutes)).filter(|latest| *latest > now);
            if ready <= now && latest.is_none() {
                continue;
            }
            let (Some(after), Some(before)) = (directory.step(job, &wait.from), directory.step(job, &wait.to)) else {
                continue;
            };
            let local = |at: Minute| wire::local(zone, at.to_utc());
            found.push((
                ready,
                RunningWaitDto {
                    job: row.key.clone(),
                    house_name: house.name.clone(),
                    after: after.step.name.clone(),
                    before: before.step.name.clone(),
                    before_step: wait.to.clone(),
                    film: wait.film,
                    keep_off: wait.keep_off,
                    from: local(from),
                    ready_at: local(ready),
                    latest_at: latest.map(local),
                },
            ));
        }
    }
    found.sort_by(|a, b| (a.0, &a.1.house_name, &a.1.before).cmp(&(b.0, &b.1.house_name, &b.1.before)));
    Ok(found.into_iter().map(|(_, wait)| wait).collect())
}
