//! A job's chain as rows: steps, and the waits between them. Whether it makes sense is for the domain to say; that no
//! wait dangles is seen to by foreign keys.

use super::{Document, Noun, Reference, Session, StoreError};
use sqlx::FromRow;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// A step to store.
#[derive(Debug, Clone)]
pub struct NewStep {
    /// Unique in the chain.
    pub key: String,
    /// Everything.
    pub doc: Document,
    /// What `doc` names: gear, and crews it is pinned to.
    pub refers: Vec<Reference>,
}

/// A wait to store.
#[derive(Debug, Clone)]
pub struct NewWait {
    /// Key of the earlier step.
    pub from: String,
    /// Key of the later step.
    pub to: String,
    /// Everything.
    pub doc: Document,
}

/// A stored step.
#[derive(Debug, Clone, FromRow)]
pub struct StepRow {
    /// Unique in the chain.
    pub step_key: String,
    /// Everything.
    pub doc: Document,
}

/// A stored wait.
#[derive(Debug, Clone, FromRow)]
pub struct WaitRow {
    /// Key of the earlier step.
    pub from_key: String,
    /// Key of the later step.
    pub to_key: String,
    /// Everything.
    pub doc: Document,
}

/// Steps and waits in the order in which they were given.
#[derive(Debug, Clone, Default)]
pub struct ChainRows {
    /// Those in the chain now.
    pub steps: Vec<StepRow>,
    /// Between them.
    pub waits: Vec<WaitRow>,
}

impl Session {
    /// The waits of these jobs, by job and steps.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn waits_of_jobs(&mut self, jobs: &[Uuid]) -> Result<Vec<(Uuid, WaitRow)>, StoreError> {
        let rows: Vec<(Uuid, String, String, Document)> = sqlx::query_as(
            "SELECT job_id, from_key, to_key, doc FROM job_wait WHERE company_id = $1 AND job_id = ANY($2)
             ORDER BY job_id, from_key, to_key",
        )
        .bind(self.company.0)
        .bind(jobs)
        .fetch_all(self.db())
        .await?;
        let row = |(job, from_key, to_key, doc)| (job, WaitRow { from_key, to_key, doc });
        Ok(rows.into_iter().map(row).collect())
    }

    /// The steps of these jobs by job and position, those taken out of their chains too: for whoever names bookings
    /// and rows of old plans.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn steps_of_jobs(&mut self, jobs: &[Uuid]) -> Result<Vec<(Uuid, StepRow)>, StoreError> {
        let rows: Vec<(Uuid, String, Document)> = sqlx::query_as(
            "SELECT job_id, step_key, doc FROM job_step WHERE company_id = $1 AND job_id = ANY($2)
             ORDER BY job_id, position, step_key",
        )
        .bind(self.company.0)
        .bind(jobs)
        .fetch_all(self.db())
        .await?;
        Ok(rows.into_iter().map(|(job, step_key, doc)| (job, StepRow { step_key, doc })).collect())
    }

    /// The chains of these jobs as they are now, by job: two questions, however many jobs there are.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn chains_of_jobs(&mut self, jobs: &[Uuid]) -> Result<BTreeMap<Uuid, ChainRows>, StoreError> {
        let steps: Vec<(Uuid, String, Document)> = sqlx::query_as(
            "SELECT job_id, step_key, doc FROM job_step WHERE company_id = $1 AND job_id = ANY($2) AND live
             ORDER BY job_id, position",
        )
        .bind(self.company.0)
        .bind(jobs)
        .fetch_all(self.db())
        .await?;
        let mut chains: BTreeMap<Uuid, ChainRows> = BTreeMap::new();
        for (job, step_key, doc) in steps {
            chains.entry(job).or_default().steps.push(StepRow { step_key, doc });
        }
        let waits: Vec<(Uuid, String, String, Document)> = sqlx::query_as(
            "SELECT job_id, from_key, to_key, doc FROM job_wait WHERE company_id = $1 AND job_id = ANY($2)
             ORDER BY job_id, position",
        )
        .bind(self.company.0)
        .bind(jobs)
        .fetch_all(self.db())
        .await?;
        for (job, from_key, to_key, doc) in waits {
            chains.entry(job).or_default().waits.push(WaitRow { from_key, to_key, doc });
        }
        Ok(chains)
    }

    pub(super) async fn chain(&mut self, job: Uuid) -> Result<ChainRows, StoreError> {
        let company = self.company.0;
        let steps = sqlx::query_as(
            "SELECT step_key, doc FROM job_step WHERE company_id = $1 AND job_id = $2 AND live ORDER BY position",
        );
        let steps = steps.bind(company).bind(job).fetch_all(self.db()).await?;
        let waits = sqlx::query_as(
            "SELECT from_key, to_key, doc FROM job_wait WHERE company_id = $1 AND job_id = $2 ORDER BY position",
        );
        let waits = waits.bind(company).bind(job).fetch_all(self.db()).await?;
        Ok(ChainRows { steps, waits })
    }

    /// Makes the chain of `job` what is given. Waits go before the steps they name and come after them.
    pub(super) async fn write_chain(
        &mut self,
        job: Uuid,
        steps: &[NewStep],
        waits: &[NewWait],
    ) -> Result<(), StoreError> {
        let mut keys = BTreeSet::new();
        if let Some(twice) = steps.iter().find(|step| !keys.insert(&step.key)) {
            return Err(StoreError::KeyTaken { what: "step", key: twice.key.clone() });
        }
        let named: Vec<Reference> = steps.iter().flat_map(|step| step.refers.iter().cloned()).collect();
        self.hold(&named).await?;
        sqlx::query("DELETE FROM job_wait WHERE company_id = $1 AND job_id = $2")
            .bind(self.company.0)
            .bind(job)
            .execute(self.db())
            .await?;
        self.take_out_steps(job, steps).await?;
        self.write_steps(job, steps).await?;
        self.write_waits(job, waits).await
    }

    async fn take_out_steps(&mut self, job: Uuid, staying: &[NewStep]) -> Result<(), StoreError> {
        let staying: Vec<&str> = staying.iter().map(|step| step.key.as_str()).collect();
        let taken_out = sqlx::query(
            "UPDATE job_step SET live = false WHERE company_id = $1 AND job_id = $2 AND live AND step_key <> ALL($3)",
        )
        .bind(self.company.0)
        .bind(job)
        .bind(staying)
        .execute(self.db())
        .await;
        match taken_out.map_err(StoreError::from) {
            Ok(_) => Ok(()),
            // The waits are gone: only records can hold a step.
            Err(StoreError::DanglingChain { .. }) => {
                Err(StoreError::InUse { what: "step", by: "work on it has been recorded".into() })
            }
            Err(error) => Err(error),
        }
    }

    async fn write_steps(&mut self, job: Uuid, steps: &[NewStep]) -> Result<(), StoreError> {
        let keys: Vec<&str> = steps.iter().map(|step| step.key.as_str()).collect();
        let docs: Vec<&Document> = steps.iter().map(|step| &step.doc).collect();
        // An array of arrays would have to be rectangular.
        let refers: Vec<String> = steps
            .iter()
            .map(|step| step.refers.iter().map(Reference::to_string).collect::<Vec<_>>().join(" "))
            .collect();
        sqlx::query(
            "INSERT INTO job_step (company_id, job_id, step_key, position, doc, refers)
             SELECT $1, $2, key, number, doc, array_remove(string_to_array(refers, ' '), '')
             FROM unnest($3::text[], $4::jsonb[], $5::text[]) WITH ORDINALITY AS new (key, doc, refers, number)
             ON CONFLICT (company_id, job_id, step_key) DO UPDATE
             SET position = excluded.position, doc = excluded.doc, refers = excluded.refers, live = true",
        )
        .bind(self.company.0)
        .bind(job)
        .bind(keys)
        .bind(docs)
        .bind(refers)
        .execute(self.db())
        .await?;
        Ok(())
    }

    async fn write_waits(&mut self, job: Uuid, waits: &[NewWait]) -> Result<(), StoreError> {
        let from: Vec<&str> = waits.iter().map(|wait| wait.from.as_str()).collect();
        let to: Vec<&str> = waits.iter().map(|wait| wait.to.as_str()).collect();
        let docs: Vec<&Document> = waits.iter().map(|wait| &wait.doc).collect();
        sqlx::query(
            "INSERT INTO job_wait (company_id, job_id, from_key, to_key, position, doc)
             SELECT $1, $2, origin, target, number, doc
             FROM unnest($3::text[], $4::text[], $5::jsonb[]) WITH ORDINALITY AS new (origin, target, doc, number)",
        )
        .bind(self.company.0)
        .bind(job)
        .bind(from)
        .bind(to)
        .bind(docs)
        .execute(self.db())
        .await?;
        Ok(())
    }

    /// Makes sure that what the chain names is not archived, when a job is taken up again.
    pub(super) async fn hold_chain(&mut self, job: Uuid) -> Result<(), StoreError> {
        let refers: Vec<String> = sqlx::query_scalar(
            "SELECT DISTINCT unnest(refers) FROM job_step WHERE company_id = $1 AND job_id = $2 AND live",
        )
        .bind(self.company.0)
        .bind(job)
        .fetch_all(self.db())
        .await?;
        let named = |text: &String| {
            let (word, key) = text.split_once('/')?;
            let noun = Noun::ALL.into_iter().find(|noun| noun.word() == word)?;
            Some(Reference { noun, key: key.to_owned() })
        };
        let references: Vec<Reference> = refers.iter().filter_map(named).collect();
        self.hold(&references).await.map(drop)
    }
}
