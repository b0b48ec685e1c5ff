//! What happened on the floor, as crews and office report it: appended, in the order of the chain, never changed.

use super::bench::Bench;
use super::check_verdict::Decided;
use super::jobs::JobDoc;
use super::keep_off::sky;
use super::report_rules::Site;
use super::taken::{Teller, new_record};
use super::{Service, ServiceError, snapshot, wire};
use crate::dto::{HistoryDto, OutcomeDto, ReadingDto, VerdictDto};
use crate::store::{JobRow, Noun, RecordRow, Session, StoreError};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;
use uuid::Uuid;

/// What a crew reports of a step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RecordBody {
    /// Key of the step.
    #[schema(example = "sand-coarse")]
    pub step: String,
    /// Key of the crew; a crew's own token may leave it out, and so may a report on a step that is running.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// How the try stands. Left out where the readings of a check decide.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcome: Option<OutcomeDto>,
    /// When it began; may be left out where the start was reported before. Seconds are allowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub started_at: Option<String>,
    /// When it ended; given exactly when it is over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub finished_at: Option<String>,
    /// When the crew expects to be done, while it runs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub expected_finish_at: Option<String>,
    /// Of a step that the crew leaves before its end: what is left, in minutes of that crew at full strength, set-up not
    /// included.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 120_000, example = 90)]
    pub remaining_minutes: Option<i64>,
    /// The first part of a two-part treatment is done once more, because the floor had dried before the second.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub re_wet: bool,
    /// Of a check.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<ReadingDto>,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 2000)]
    pub note: Option<String>,
    /// How many records of this step the reporter has seen; given, a report from an old screen is refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0)]
    pub seen: Option<i32>,
}

impl From<&HistoryDto> for RecordBody {
    fn from(entry: &HistoryDto) -> RecordBody {
        RecordBody {
            step: entry.step.clone(),
            crew: Some(entry.crew.clone()),
            outcome: Some(entry.outcome),
            started_at: Some(entry.started_at.clone()),
            finished_at: entry.finished_at.clone(),
            expected_finish_at: entry.expected_finish_at.clone(),
            remaining_minutes: entry.remaining_minutes,
            re_wet: entry.re_wet,
            readings: Vec::new(),
            note: None,
            seen: None,
        }
    }
}

/// A record as it is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RecordView {
    /// Never changes.
    pub id: Uuid,
    /// Key of the step.
    pub step: String,
    /// Counts from 1 within the step.
    pub number: i32,
    /// Key of the crew.
    pub crew: String,
    /// How the try stands.
    pub outcome: OutcomeDto,
    /// When it began.
    pub started_at: String,
    /// When it ended.
    pub finished_at: Option<String>,
    /// When the crew expects to be done.
    pub expected_finish_at: Option<String>,
    /// Of a paused try: what is left, in minutes of that crew at full strength, set-up not included.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remaining_minutes: Option<i64>,
    /// The floor was wetted again, because it had dried before the second part of the treatment.
    pub re_wet: bool,
    /// Of a check.
    pub readings: Vec<ReadingDto>,
    /// What the readings came to when they were reported.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<VerdictDto>,
    /// The office's word stands against the readings'.
    pub overruled: bool,
    /// Of a failed try: the next is not planned earlier, as far as its readings and those before it tell.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retry_not_before_at: Option<String>,
    /// Keys of the steps that this failed try has added to the job's chain.
    pub added_steps: Vec<String>,
    /// What wants a person's eye.
    pub warnings: Vec<String>,
    /// For people.
    pub note: Option<String>,
    /// When it was reported.
    pub recorded_at: DateTime<Utc>,
    /// Who reported it.
    pub recorded_by: String,
}

/// What of a record has no column of its own.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(super) struct RecordDoc {
    #[serde(default)]
    pub(super) readings: Vec<ReadingDto>,
    #[serde(default)]
    pub(super) note: Option<String>,
    #[serde(default)]
    pub(super) verdict: Option<VerdictDto>,
    #[serde(default)]
    pub(super) overruled: bool,
    /// Of a failed try, from its readings and those before it.
    #[serde(default)]
    pub(super) retry_not_before: Option<DateTime<Utc>>,
    #[serde(default)]
    pub(super) added_steps: Vec<String>,
    #[serde(default)]
    pub(super) warnings: Vec<String>,
    /// Whether somebody said when it will be over; otherwise that is computed.
    #[serde(default)]
    pub(super) expected_by_crew: bool,
    #[serde(default)]
    pub(super) remaining_minutes: Option<i64>,
    #[serde(default)]
    pub(super) re_wet: bool,
}

/// Who reports.
#[derive(Debug, Clone)]
pub struct Reporter {
    /// Whose phone it is; `None`: the office, which reports for everybody.
    pub crew_id: Option<Uuid>,
}

impl Service {
    /// All records of a job, by step and oldest first.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn records(&self, session: &mut Session, job: &str) -> Result<Vec<RecordView>, ServiceError> {
        let site = self.site(session, job).await?;
        let zone = wire::zone_or(site.house.time_zone.as_deref(), site.bench.zone);
        site.records.iter().map(|record| view(record, &site.bench.crew_keys, zone)).collect()
    }

    /// Appends a report.
    ///
    /// # Errors
    /// `NotFound`, `Invalid`, `OutOfOrder`, `NotYourCrew`; `Stale` when another report came first.
    pub async fn report(
        &self,
        session: &mut Session,
        job: &str,
        reporter: &Reporter,
        body: &RecordBody,
    ) -> Result<RecordView, ServiceError> {
        let mut site = self.site_alone(session, job, &body.step).await?;
        session.lock_company().await?;
        let teller = Teller { at: self.now(), by: site.name_of(reporter) };
        let new = site.take(reporter, &teller, body)?;
        let row = session.append_record(&new).await?;
        self.keep_grown(session, &site).await?;
        self.note_report(session, &site.row.key, &row, &site.bench.crew_keys).await?;
        self.story_goes_on(session, job).await?;
        let zone = wire::zone_or(site.house.time_zone.as_deref(), site.bench.zone);
        let view = view(&row, &site.bench.crew_keys, zone)?;
        self.tell_record(session, (job, &site.house.key), &row, &view)?;
        Ok(view)
    }

    /// The job, which nobody else changes or reports on until the transaction ends. Of two who report a step at once, the
    /// one who waited has not seen the other's report.
    async fn site_alone(&self, session: &mut Session, job: &str, step: &str) -> Result<Site, ServiceError> {
        let id = session.job_by_key(job).await?.id;
        let seen = session.record_count(id, step).await?;
        session.hold_job(job).await?;
        let site = self.site(session, job).await?;
        let current = i64::from(site.count(step));
        if current == seen { Ok(site) } else { Err(StoreError::Stale { current }.into()) }
    }

    /// Keeps the chain of a job that has grown, because a check has failed.
    pub(super) async fn keep_grown(&self, session: &mut Session, site: &Site) -> Result<(), ServiceError> {
        if site.grown {
            session.update_job(site.row.id, site.row.version, &site.stored_as(&site.job)?).await?;
        }
        Ok(())
    }

    /// Records that come with a new job, which has been judged with them.
    pub(super) async fn import_records(
        &self,
        session: &mut Session,
        row: &JobRow,
        bench: &Bench,
        history: &[HistoryDto],
    ) -> Result<(), ServiceError> {
        let mut seen: BTreeMap<&str, i32> = BTreeMap::new();
        for entry in history {
            let body = &RecordBody::from(entry);
            let crew = body.crew.as_deref().and_then(|key| bench.crew_id(key)).unwrap_or_default();
            let count = seen.entry(&entry.step).or_default();
            let retry = entry.retry_not_before_at.as_deref().map(wire::instant).transpose();
            let retry_not_before = retry.map_err(|fault| ServiceError::fault("/history", fault))?;
            let decided = Decided { retry_not_before, ..Decided::of(entry.outcome) };
            let said = (body, decided);
            let teller = Teller { at: self.now(), by: "office".to_owned() };
            let new = new_record(row.id, said, crew, &entry.started_at, *count, teller)?;
            session.append_record(&new).await?;
            *count += 1;
        }
        Ok(())
    }

    pub(super) async fn site(&self, session: &mut Session, job: &str) -> Result<Site, ServiceError> {
        let row = session.job_by_key(job).await?;
        let (_, chain) = session.job_with_chain(row.id).await?;
        let records = session.records_of_job(row.id).await?;
        let crews: Vec<Uuid> = records.iter().map(|record| record.crew_id).collect();
        let bench = Bench::load(session, self.now_minute(), &crews).await?;
        let house = session.noun(Noun::House, row.house_id).await?;
        let doc: JobDoc = row.doc.parse()?;
        let mut job = snapshot::job_document(&row, &chain, &house.key, bench.zone)?;
        job.pins = doc.pins;
        let climate = if job.steps.iter().flatten().any(|step| step.meter.is_some()) {
            let company = session.company_row().await?;
            sky(session, &company, row.house_id, self.now_minute()).await?.climate
        } else {
            None
        };
        Ok(Site { job, house: house.doc.parse()?, row, records, bench, climate, grown: false })
    }
}

fn view(
    record: &RecordRow,
    crews: &BTreeMap<Uuid, String>,
    zone: crate::domain::zone::Zone,
) -> Result<RecordView, ServiceError> {
    let doc: RecordDoc = record.doc.parse().map_err(ServiceError::from)?;
    let shown = |at: DateTime<Utc>| wire::local(zone, at);
    Ok(RecordView {
        id: record.id,
        step: record.step_key.clone(),
        number: record.record_no,
        crew: crews.get(&record.crew_id).cloned().unwrap_or_default(),
        outcome: snapshot::outcome(record.outcome),
        started_at: shown(record.started_at),
        finished_at: record.finished_at.map(shown),
        expected_finish_at: record.expected_finish_at.filter(|_| doc.expected_by_crew).map(shown),
        remaining_minutes: doc.remaining_minutes,
        re_wet: doc.re_wet,
        readings: doc.readings,
        verdict: doc.verdict,
        overruled: doc.overruled,
        retry_not_before_at: doc.retry_not_before.map(shown),
        added_steps: doc.added_steps,
        warnings: doc.warnings,
        note: doc.note,
        recorded_at: record.recorded_at,
        recorded_by: record.recorded_by.clone(),
    })
}
