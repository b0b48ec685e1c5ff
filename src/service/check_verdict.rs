//! What a check's readings decide when they are reported, and what follows from a failure: a later next try, or a chain
//! that grows. The readings overrule whoever reports; only the office overrules the readings, and says why.

use super::jobs::{JobDoc, new_job};
use super::records::{RecordBody, RecordDoc, Reporter};
use super::report_rules::Site;
use super::{ServiceError, error, wire};
use crate::domain::bounds::WAIT_MINUTES_MAX;
use crate::domain::climate::Air;
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::dto::{
    FindingDto, JobDto, MeterDto, OnFailDto, OutcomeDto, ReadingDto, StepDto, StepKindDto, VerdictDto, area_readings,
};
use crate::store::{NewJob, RecordOutcome, RecordRow};
use crate::trade::approach::{self, AreaRound, Prediction, Round};
use crate::trade::meter::{self, Beside};
use chrono::{DateTime, Utc};
use uuid::Uuid;

/// How a report stands, and what goes with it.
#[derive(Debug)]
pub(super) struct Decided {
    pub(super) outcome: OutcomeDto,
    pub(super) verdict: Option<VerdictDto>,
    pub(super) overruled: bool,
    pub(super) retry_not_before: Option<DateTime<Utc>>,
    pub(super) added_steps: Vec<String>,
    pub(super) warnings: Vec<String>,
}

impl Decided {
    /// By word of mouth.
    pub(super) fn of(outcome: OutcomeDto) -> Decided {
        Decided {
            outcome,
            verdict: None,
            overruled: false,
            retry_not_before: None,
            added_steps: Vec::new(),
            warnings: Vec::new(),
        }
    }
}

impl Site {
    pub(super) fn step(&self, key: &str) -> Option<&StepDto> {
        self.job.steps.iter().flatten().find(|step| step.key == key)
    }

    /// The outcome: as reported, or as the readings have it.
    pub(super) fn decide(&self, body: &RecordBody, reporter: &Reporter) -> Result<Decided, ServiceError> {
        let judged = self.step(&body.step).and_then(|step| step.meter.as_ref().map(|meter| (step, meter)));
        let Some((step, meter)) = judged.filter(|_| !unjudged(body.outcome)) else {
            return body.outcome.map(Decided::of).ok_or_else(no_outcome);
        };
        error::refuse(self.remarks(body))?;
        let verdict = (!body.readings.is_empty()).then(|| self.verdict(step, meter, body));
        let (found, told) = match &verdict {
            Some(verdict) => (outcome_of(verdict.finding), verdict.in_words.as_str()),
            None => (None, "there are no readings"),
        };
        let office = reporter.crew_id.is_none();
        let overruled = match (body.outcome, found) {
            (None, Some(_)) => false,
            (Some(said), Some(found)) if said == found => false,
            // A floor that is plainly wet needs no forty readings.
            (Some(OutcomeDto::Failed), None) => false,
            (Some(_), _) if office && body.note.as_ref().is_some_and(|note| !note.trim().is_empty()) => true,
            (Some(_), _) if office => {
                let what = format!("the report says otherwise than the readings, and not why: {told}");
                let fault = Fault::new("overrule-needs-note", what, "give a note, or leave `outcome` out");
                return Err(ServiceError::fault("/note", fault));
            }
            (Some(_), Some(_)) => {
                let cure =
                    "leave `outcome` out and let the readings decide, or have the office overrule them with a note";
                let what = format!("the readings say otherwise: {told}");
                return Err(ServiceError::fault("/outcome", Fault::new("readings-disagree", what, cure)));
            }
            (None | Some(_), None) => {
                let fault = Fault::new("readings-missing", told.to_owned(), "take and send all readings in one report");
                return Err(ServiceError::fault("/readings", fault));
            }
        };
        let outcome = body.outcome.or(found).ok_or_else(no_outcome)?;
        Ok(Decided { verdict, overruled, ..Decided::of(outcome) })
    }

    fn verdict(&self, step: &StepDto, meter: &MeterDto, body: &RecordBody) -> VerdictDto {
        let areas = area_readings(step, &self.house, &self.bench.settings, &body.readings);
        let beside = Beside { baseline_centi: self.baseline_centi(step, meter), air: self.air(body), subfloor: None };
        VerdictDto::new(&meter::judge(&areas, meter.rules(), &beside), &areas)
    }

    /// The floor's mean before it was wetted, if its step was recorded with readings.
    fn baseline_centi(&self, step: &StepDto, meter: &MeterDto) -> Option<i32> {
        let record = self.last(meter.baseline_step.as_ref()?)?;
        let doc: RecordDoc = record.doc.parse().ok()?;
        meter::floor_mean_centi(&area_readings(step, &self.house, &self.bench.settings, &doc.readings))
    }

    /// What the wood has been in when its readings end.
    fn air(&self, body: &RecordBody) -> Option<Air> {
        let finished = wire::instant(body.finished_at.as_deref()?).ok()?;
        self.climate.as_ref()?.of_wood_at(Minute::floor_from(finished))
    }

    /// What follows from a failed try; the job with its grown chain, if it grows.
    pub(super) fn after_failure(
        &self,
        body: &RecordBody,
        crew: Uuid,
        started_at: &str,
        decided: &mut Decided,
    ) -> Result<Option<JobDto>, ServiceError> {
        if decided.outcome != OutcomeDto::Failed {
            return Ok(None);
        }
        let known = self.grown_for(&body.step);
        if !known.is_empty() {
            // It was told late: the chain has grown by a failure after it, or by itself when it was told first.
            decided.added_steps = known;
            return Ok(None);
        }
        match self.job.treated_again(&body.step) {
            Ok(Some(grown)) => {
                let history = self.history_with(body, OutcomeDto::Failed, crew, started_at);
                let tried = JobDto { history, ..grown.job.clone() };
                match self.bench.judge(&self.house, None, vec![tried]) {
                    Ok(_) => {
                        decided.added_steps = grown.added;
                        return Ok(Some(grown.job));
                    }
                    Err(faults) => {
                        let why = faults.first().map_or("", |located| located.fault.what.as_str());
                        decided.warnings.push(format!("the job could not take the steps to do again: {why}"));
                    }
                }
            }
            Ok(None) => {}
            Err(fault) => decided.warnings.push(format!("{}: {}", fault.what, fault.cure)),
        }
        self.put_off(body, decided)?;
        Ok(None)
    }

    /// Keys of the copies that the next failure of this check is followed by, if they are in the chain already.
    fn grown_for(&self, check: &str) -> Vec<String> {
        let failures = self.failures(check);
        let Some(step) = self.step(check) else { return Vec::new() };
        let OnFailDto::TreatAgain(named) = &step.on_fail else { return Vec::new() };
        let steps = self.job.steps.as_deref().unwrap_or(&[]);
        let copy = |original: &String| {
            let copies = steps.iter().filter(|step| step.repeats.as_ref() == Some(original));
            copies.map(|step| step.key.clone()).nth(failures)
        };
        named.iter().filter_map(copy).collect()
    }

    /// How often a step has failed.
    pub(super) fn failures(&self, step: &str) -> usize {
        let failed = |record: &&RecordRow| record.step_key == step && record.outcome == RecordOutcome::Failed;
        self.records.iter().filter(failed).count()
    }

    pub(super) fn stored_as(&self, job: &JobDto) -> Result<NewJob, ServiceError> {
        let doc: JobDoc = self.row.doc.parse()?;
        new_job(job, self.row.house_id, self.row.method_id, doc.copied_from)
    }

    /// Puts the next try off to the middle of what the failed rounds tell: who comes at an earlier quantile drives in vain
    /// more often than not, and at a later one a dry house waits for a crew; the two cost about the same.
    fn put_off(&self, body: &RecordBody, decided: &mut Decided) -> Result<(), ServiceError> {
        let Some(step) = self.step(&body.step) else { return Ok(()) };
        let Some(finished) = body.finished_at.as_deref() else { return Ok(()) };
        let finished = wire::instant(finished).map_err(|fault| ServiceError::fault("/finished_at", fault))?;
        let mut rounds = self.failed_rounds(step);
        rounds.extend(self.round(step, finished, &body.readings));
        match self.predict(step, &rounds) {
            Prediction::TooLittle => {}
            Prediction::NoSign { .. } => {
                decided
                    .warnings
                    .push("no sign of drying between the failed rounds: find out why it stays wet".to_owned());
            }
            Prediction::Passes { median, .. } => {
                let over = Minute::ceil_from(finished);
                let rested = over.plus(step.recheck_after_minutes.unwrap_or(0));
                let retry = median.min(over.plus(WAIT_MINUTES_MAX));
                decided.retry_not_before = (retry > rested).then(|| retry.to_utc());
            }
        }
        Ok(())
    }

    /// Failed rounds since the floor was last wetted, oldest first.
    pub(super) fn failed_rounds(&self, step: &StepDto) -> Vec<Round> {
        let wets = |key: &str| {
            self.step(key).is_some_and(|step| {
                matches!(step.kind, StepKindDto::WaterPop | StepKindDto::TreatA | StepKindDto::TreatB)
            })
        };
        let wetted =
            self.records.iter().filter(|record| wets(&record.step_key)).filter_map(|record| record.finished_at);
        let wetted = wetted.max();
        let failed = |record: &&RecordRow| {
            record.step_key == step.key && record.outcome == RecordOutcome::Failed && record.finished_at > wetted
        };
        let round = |record: &RecordRow| {
            let doc: RecordDoc = record.doc.parse().ok()?;
            self.round(step, record.finished_at?, &doc.readings)
        };
        self.records.iter().filter(failed).filter_map(round).collect()
    }

    fn round(&self, step: &StepDto, at: DateTime<Utc>, readings: &[ReadingDto]) -> Option<Round> {
        let areas = area_readings(step, &self.house, &self.bench.settings, readings);
        let area = |area: &meter::AreaReadings| AreaRound::of_readings(&area.corrected_centi().collect::<Vec<_>>());
        Some(Round { at: Minute::floor_from(at), areas: areas.iter().map(area).collect::<Option<_>>()? })
    }

    pub(super) fn predict(&self, step: &StepDto, rounds: &[Round]) -> Prediction {
        let areas = area_readings(step, &self.house, &self.bench.settings, &[]);
        let sqft: Vec<u32> = areas.iter().map(|area| area.area_sqft).collect();
        let points_max = step.meter.as_ref().map_or(1.0, |meter| meter.points_max);
        approach::predict(&sqft, rounds, points_max)
    }
}

fn outcome_of(finding: FindingDto) -> Option<OutcomeDto> {
    match finding {
        FindingDto::Passes | FindingDto::PassesButLook => Some(OutcomeDto::Done),
        FindingDto::Fails => Some(OutcomeDto::Failed),
        FindingDto::Incomplete => None,
    }
}

fn no_outcome() -> ServiceError {
    let cure = "give outcome; only where a check has `meter` do its readings stand for it";
    ServiceError::fault("/outcome", Fault::new("missing-field", "nobody says how it stands", cure))
}

/// Whether a round is not over, so that its readings say nothing yet.
const fn unjudged(outcome: Option<OutcomeDto>) -> bool {
    matches!(outcome, Some(OutcomeDto::Running | OutcomeDto::Paused))
}
