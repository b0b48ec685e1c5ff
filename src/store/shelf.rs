//! What has been read before. Houses, crews, gear, weather and chains change seldom and are read for every planning; each
//! carries a version, so the database is asked for the contents of those only that have another version than on the
//! shelf. Only what a reading snapshot has seen comes here: it is committed, so a version names one content for ever.

use super::{ChainRows, CompanyId, JobRow, NounRow, PlanningRows};
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

/// Text of documents on the shelf of one server; the largest office has some 50 MB. Who was not asked for longest goes
/// first.
const BYTES_MAX: usize = 128 << 20;

/// Names one content of a row for ever. The instant is there for databases that were set back to an older state.
pub(super) type Edition = (i64, DateTime<Utc>);

/// Of all companies.
#[derive(Debug, Default)]
pub(super) struct Shelf(Mutex<Companies>);

#[derive(Debug, Default)]
struct Companies {
    shelved: BTreeMap<CompanyId, (u64, Arc<Shelved>)>,
    /// Counts the times that something was put here.
    tick: u64,
}

/// Of one company.
#[derive(Debug, Default)]
pub(super) struct Shelved {
    nouns: BTreeMap<Uuid, NounRow>,
    chains: BTreeMap<Uuid, (Edition, Arc<ChainRows>)>,
    bytes: usize,
}

impl Shelf {
    /// What is known of a company.
    pub(super) fn of(&self, company: CompanyId) -> Arc<Shelved> {
        let companies = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        companies.shelved.get(&company).map(|(_, shelved)| shelved.clone()).unwrap_or_default()
    }

    /// Keeps what was read.
    pub(super) fn keep(&self, company: CompanyId, rows: &PlanningRows) {
        let shelved = Shelved::of(rows);
        let mut companies = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        companies.tick += 1;
        let tick = companies.tick;
        companies.shelved.insert(company, (tick, Arc::new(shelved)));
        let mut bytes: usize = companies.shelved.values().map(|(_, shelved)| shelved.bytes).sum();
        while bytes > BYTES_MAX {
            let oldest = companies.shelved.iter().min_by_key(|(_, (tick, _))| *tick).map(|(company, _)| *company);
            let Some((_, gone)) = oldest.and_then(|oldest| companies.shelved.remove(&oldest)) else { break };
            bytes -= gone.bytes;
        }
    }
}

impl Shelved {
    fn of(rows: &PlanningRows) -> Shelved {
        let nouns = [&rows.houses, &rows.crews, &rows.equipment, &rows.regions].into_iter().flatten();
        let nouns: BTreeMap<Uuid, NounRow> = nouns.map(|row| (row.id, row.clone())).collect();
        let chains: BTreeMap<Uuid, (Edition, Arc<ChainRows>)> =
            rows.jobs.iter().map(|planned| (planned.job.id, (edition(&planned.job), planned.chain.clone()))).collect();
        let steps = chains.values().flat_map(|(_, chain)| &chain.steps).map(|step| &step.doc);
        let waits = chains.values().flat_map(|(_, chain)| &chain.waits).map(|wait| &wait.doc);
        let documents = nouns.values().map(|row| &row.doc).chain(steps).chain(waits);
        let bytes = documents.map(|document| document.as_str().len()).sum();
        Shelved { nouns, chains, bytes }
    }

    /// Identifiers, versions and instants of all nouns.
    pub(super) fn noun_editions(&self) -> (Vec<Uuid>, Vec<i64>, Vec<DateTime<Utc>>) {
        let mut editions = (Vec::new(), Vec::new(), Vec::new());
        for row in self.nouns.values() {
            editions.0.push(row.id);
            editions.1.push(row.version);
            editions.2.push(row.updated_at);
        }
        editions
    }

    /// One of those.
    pub(super) fn noun(&self, id: Uuid) -> Option<&NounRow> {
        self.nouns.get(&id)
    }

    /// The chain of a job as it is in this edition.
    pub(super) fn chain(&self, job: &JobRow) -> Option<Arc<ChainRows>> {
        self.chains.get(&job.id).filter(|(kept, _)| *kept == edition(job)).map(|(_, chain)| chain.clone())
    }
}

/// Of a job with its chain.
fn edition(job: &JobRow) -> Edition {
    (job.version, job.updated_at)
}
