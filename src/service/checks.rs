//! The checks of a job: every round with its verdict, and when a failed one is worth its way again.

use super::directory::Directory;
use super::records::RecordDoc;
use super::report_rules::Site;
use super::{Service, ServiceError, snapshot, wire};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{OnFailDto, OutcomeDto, OutlookDto, PredictionDto, StepDto, StepKindDto, VerdictDto, day_and_time};
use crate::store::{BookingRow, RecordOutcome, RecordRow, Session};
use serde::Serialize;
use utoipa::ToSchema;

/// One finished try of a check.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CheckRound {
    /// Number of its record within the step.
    pub number: i32,
    /// Key of the crew.
    pub crew: String,
    /// When it ended.
    pub finished_at: String,
    /// How it ended.
    pub outcome: OutcomeDto,
    /// The office's word stands against the readings'.
    pub overruled: bool,
    /// What the readings came to when they were reported; left out where nobody asked for readings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<VerdictDto>,
}

/// A check of a job.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CheckView {
    /// Key of the step.
    #[schema(example = "readings")]
    pub step: String,
    /// For people.
    pub name: String,
    /// What follows when it fails.
    pub on_fail: OnFailDto,
    /// Its finished tries, oldest first.
    pub rounds: Vec<CheckRound>,
    /// When it will pass, from the failed rounds since the floor was last wetted; left out while it has not failed, or
    /// has passed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub prediction: Option<PredictionDto>,
}

impl Service {
    /// All checks of a job, in the order of its chain.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn checks(&self, session: &mut Session, job: &str) -> Result<Vec<CheckView>, ServiceError> {
        let site = self.site(session, job).await?;
        let zone = wire::zone_or(site.house.time_zone.as_deref(), site.bench.zone);
        let steps = site.job.steps.as_deref().unwrap_or(&[]);
        let checks = steps.iter().filter(|step| step.kind == StepKindDto::Check || step.meter.is_some());
        checks.map(|step| check(&site, step, zone)).collect()
    }
}

impl Service {
    /// How the check of a booking stands, for the crew that comes to read again: what was found last, and when it will
    /// probably pass. Nothing of other steps, and of checks that nobody has tried.
    pub(super) async fn tried(
        &self,
        session: &mut Session,
        directory: &Directory,
        row: &BookingRow,
        zone: Zone,
    ) -> Result<Vec<String>, ServiceError> {
        let known = directory.step(row.job_id, &row.step_key);
        let Some(known) = known.filter(|known| known.step.kind == StepKindDto::Check) else { return Ok(Vec::new()) };
        let checks = self.checks(session, &known.job.key).await?;
        let own = checks.iter().find(|check| check.step == row.step_key);
        let Some((check, last)) = own.and_then(|check| Some((check, check.rounds.last()?))) else {
            return Ok(Vec::new());
        };
        let at = wire::instant(&last.finished_at).map_err(|fault| ServiceError::fault("/finished_at", fault))?;
        let at = day_and_time(zone, Minute::floor_from(at));
        let found = last.verdict.as_ref().map(|verdict| verdict.in_words.as_str());
        let found = match (found, last.outcome) {
            (Some(words), _) => words,
            (None, OutcomeDto::Failed) => "failed, without readings",
            (None, OutcomeDto::Done) => "passed, without readings",
            (None, OutcomeDto::Running | OutcomeDto::Paused) => return Ok(Vec::new()),
        };
        let overruled = if last.overruled { "; the office says otherwise" } else { "" };
        let mut lines = vec![format!("Last read {at}: {found}{overruled}.")];
        let told = check.prediction.as_ref().filter(|told| told.outlook != OutlookDto::TooLittle);
        lines.extend(told.map(|told| format!("Prediction: {}.", told.in_words)));
        Ok(lines)
    }
}

fn check(site: &Site, step: &StepDto, zone: Zone) -> Result<CheckView, ServiceError> {
    let own = site.records.iter().filter(|record| record.step_key == step.key);
    let rounds = own.filter_map(|record| round(site, record, zone).transpose()).collect::<Result<_, _>>()?;
    let failed = site.last(&step.key).filter(|record| record.outcome == RecordOutcome::Failed);
    let prediction = failed.filter(|_| step.meter.is_some()).map(|_| {
        let rounds = site.failed_rounds(step);
        let last = rounds.last().map(|round| round.at).unwrap_or_default();
        PredictionDto::new(site.predict(step, &rounds), zone, last)
    });
    Ok(CheckView { step: step.key.clone(), name: step.name.clone(), on_fail: step.on_fail.clone(), rounds, prediction })
}

/// `None` while it runs.
fn round(site: &Site, record: &RecordRow, zone: Zone) -> Result<Option<CheckRound>, ServiceError> {
    let Some(finished_at) = record.finished_at else { return Ok(None) };
    let doc: RecordDoc = record.doc.parse()?;
    Ok(Some(CheckRound {
        number: record.record_no,
        crew: site.bench.crew_keys.get(&record.crew_id).cloned().unwrap_or_default(),
        finished_at: wire::local(zone, finished_at),
        outcome: snapshot::outcome(record.outcome),
        overruled: doc.overruled,
        verdict: doc.verdict,
    }))
}
