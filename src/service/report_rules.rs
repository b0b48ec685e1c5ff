//! Whether a report can be so: whether it follows from those before it, and whether it makes sense by itself.

use super::bench::Bench;
use super::records::{RecordBody, Reporter};
use super::{ServiceError, error, nouns, snapshot};
use crate::domain::bounds::METER_READINGS_MAX;
use crate::domain::fault::Fault;
use crate::dto::{HistoryDto, HouseDto, JobDto, Located, NOTE_CHARS_MAX, OnFailDto, OutcomeDto, StepDto, WaitKindDto};
use crate::store::{JobRow, JobStatus, RecordOutcome, RecordRow};
use crate::trade::readings::HouseClimate;
use uuid::Uuid;

/// A job with all that a report is judged by.
#[derive(Clone)]
pub(super) struct Site {
    pub(super) row: JobRow,
    pub(super) job: JobDto,
    pub(super) house: HouseDto,
    pub(super) records: Vec<RecordRow>,
    pub(super) bench: Bench,
    /// The air in the house, where a check of the job asks for readings and anything is known.
    pub(super) climate: Option<HouseClimate>,
    /// Whether the chain is longer than it is stored.
    pub(super) grown: bool,
}

impl Site {
    pub(super) fn last(&self, step: &str) -> Option<&RecordRow> {
        self.records.iter().rfind(|record| record.step_key == step)
    }

    /// How many records the step has, those not heeded any more among them.
    pub(super) fn count(&self, step: &str) -> i32 {
        self.last(step).map_or(0, |record| record.record_no)
    }

    /// Whether `step` is a copy that a later failure of `check` than those known is followed by: then an earlier round of
    /// the check did not come after it.
    fn repeats_later(&self, step: &str, check: &str) -> bool {
        let steps = self.job.steps.as_deref().unwrap_or(&[]);
        let known = |key: &str| steps.iter().find(|known| known.key == key);
        let Some(original) = known(step).and_then(|copy| copy.repeats.as_ref()) else { return false };
        let again = known(check).map(|check| &check.on_fail);
        if !matches!(again, Some(OnFailDto::TreatAgain(named)) if named.contains(original)) {
            return false;
        }
        let mut copies = steps.iter().filter(|known| known.repeats.as_ref() == Some(original));
        copies.position(|known| known.key == step).is_some_and(|round| round >= self.failures(check))
    }

    /// Who did it.
    pub(super) fn crew(
        &self,
        reporter: &Reporter,
        body: &RecordBody,
        running: Option<&RecordRow>,
    ) -> Result<Uuid, ServiceError> {
        let named = match &body.crew {
            None => None,
            Some(key) => match self.bench.crew_id(key) {
                Some(id) => Some(id),
                None => return Err(ServiceError::fault("/crew", nouns::unknown("crew", key))),
            },
        };
        let crew = named.or(reporter.crew_id).or(running.map(|record| record.crew_id));
        let Some(crew) = crew else {
            return Err(ServiceError::fault("/crew", Fault::new("missing-field", "nobody did it", "give the crew")));
        };
        match reporter.crew_id {
            Some(own) if own != crew => {
                let key = |id: Uuid| self.bench.crew_keys.get(&id).cloned().unwrap_or_default();
                Err(ServiceError::NotYourCrew { own: key(own), other: key(crew) })
            }
            _ => Ok(crew),
        }
    }

    /// The second part of the treatment that `step` is the first part of.
    fn second_part(&self, step: &str) -> Option<&str> {
        let mut waits = self.job.waits.iter().flatten();
        waits.find(|wait| wait.from == step && wait.kind == WaitKindDto::Dwell).map(|wait| wait.to.as_str())
    }

    /// Whether the report follows from those before it.
    pub(super) fn in_order(&self, body: &RecordBody, last: Option<&RecordRow>) -> Result<(), ServiceError> {
        let refuse = |code, what: String, cure: &str| Err(ServiceError::OutOfOrder(Fault::new(code, what, cure)));
        let step = nouns::short(&body.step);
        if matches!(self.row.status, JobStatus::Cancelled | JobStatus::Finished) {
            let what = format!("job {} is cancelled or finished", self.row.key);
            return refuse("job-over", what, "have the office open it again");
        }
        match last.map(|record| record.outcome) {
            Some(RecordOutcome::Done) => {
                let what = format!("step {step} has been reported done");
                match self.second_part(&body.step) {
                    Some(second) if body.re_wet => {
                        if self.last(second).is_some_and(|record| record.outcome == RecordOutcome::Done) {
                            let what = format!("step {step} was followed by step {second}, which is done");
                            return refuse("already-done", what, "treat the floor again as a new step, if it must be");
                        }
                    }
                    Some(_) => {
                        let cure =
                            "look at its records; say re_wet if it was done once more because the floor had dried";
                        return refuse("already-done", what, cure);
                    }
                    None => return refuse("already-done", what, "look at its records; what is done stays done"),
                }
            }
            Some(RecordOutcome::Running) if body.outcome == Some(OutcomeDto::Running) => {
                let what = format!("step {step} has been reported running");
                return refuse("already-running", what, "report how it ended");
            }
            Some(RecordOutcome::Running) => {}
            Some(RecordOutcome::Failed | RecordOutcome::Paused) | None if body.outcome == Some(OutcomeDto::Paused) => {
                let what = format!("step {step} is not running and cannot be left");
                return refuse("not-running", what, "report it running first, or leave it as it is");
            }
            Some(RecordOutcome::Failed | RecordOutcome::Paused) | None => {}
        }
        let divides = |found: &StepDto| found.key == body.step && found.dividable;
        if body.outcome == Some(OutcomeDto::Paused) && !self.job.steps.iter().flatten().any(divides) {
            let what = format!("step {step} is done in one go and cannot be paused");
            return refuse("not-dividable", what, "report how it ended, or let the step be dividable");
        }
        let steps = self.job.steps.as_deref().unwrap_or(&[]);
        let ordinary = |key: &str| steps.iter().any(|step| step.key == key && !step.only_on_lapse);
        for wait in self.job.waits.iter().flatten().filter(|wait| wait.to == body.step && ordinary(&wait.from)) {
            let outcome = self.last(&wait.from).map(|record| record.outcome);
            let follows = match (outcome, wait.kind) {
                (Some(RecordOutcome::Done), _) => true,
                (Some(RecordOutcome::Running), WaitKindDto::Dwell) => true,
                (Some(RecordOutcome::Running | RecordOutcome::Failed | RecordOutcome::Paused) | None, _) => false,
            };
            if !follows && !self.repeats_later(&wait.from, &body.step) {
                let (code, how) = match outcome {
                    Some(RecordOutcome::Failed) => ("check-not-passed", "has failed"),
                    Some(RecordOutcome::Running) => ("predecessor-open", "is still running"),
                    Some(RecordOutcome::Paused) => ("predecessor-open", "was left before its end"),
                    Some(RecordOutcome::Done) | None => ("predecessor-open", "has not been reported"),
                };
                let what = format!("step {step} comes after step {}, which {how}", wait.from);
                return refuse(code, what, &format!("report step {} as done first", wait.from));
            }
        }
        Ok(())
    }

    /// What is wrong with the report itself.
    pub(super) fn judge(
        &self,
        body: &RecordBody,
        outcome: OutcomeDto,
        crew: Uuid,
        started_at: &str,
    ) -> Result<(), ServiceError> {
        let history = self.history_with(body, outcome, crew, started_at);
        let own = format!("/jobs/0/history/{}", history.len() - 1);
        let mut faults = Vec::new();
        if let Err(found) = self.bench.judge(&self.house, None, vec![JobDto { history, ..self.job.clone() }]) {
            let moved = |located: Located| {
                let pointer = located.pointer.strip_prefix(&own).unwrap_or_default().to_owned();
                Located { pointer, fault: located.fault }
            };
            faults.extend(found.into_iter().map(moved));
        }
        faults.extend(self.remarks(body));
        error::refuse(faults)
    }

    /// What is known, and the report as the last of it.
    pub(super) fn history_with(
        &self,
        body: &RecordBody,
        outcome: OutcomeDto,
        crew: Uuid,
        started_at: &str,
    ) -> Vec<HistoryDto> {
        let mut history = snapshot::history(&self.records, &self.bench.crew_keys, self.bench.zone);
        let replaced = |entry: &HistoryDto| entry.step == body.step && entry.outcome == OutcomeDto::Running;
        history.retain(|entry| !replaced(entry));
        history.push(HistoryDto {
            step: body.step.clone(),
            crew: self.bench.crew_keys.get(&crew).cloned().unwrap_or_default(),
            started_at: started_at.to_owned(),
            finished_at: body.finished_at.clone(),
            outcome,
            expected_finish_at: body.expected_finish_at.clone(),
            retry_not_before_at: None,
            presumed: false,
            remaining_minutes: body.remaining_minutes,
            re_wet: body.re_wet,
        });
        history
    }

    pub(super) fn remarks(&self, body: &RecordBody) -> Vec<Located> {
        let mut faults = Vec::new();
        let mut push = |pointer: String, code, what: String, cure: &str| {
            faults.push(Located { pointer, fault: Fault::new(code, what, cure) });
        };
        if body.note.as_ref().is_some_and(|note| note.chars().nth(NOTE_CHARS_MAX).is_some()) {
            push(
                "/note".into(),
                "long-note",
                format!("a note is longer than {NOTE_CHARS_MAX} characters"),
                "shorten it",
            );
        }
        if body.readings.len() > METER_READINGS_MAX {
            let what = format!("{} readings", body.readings.len());
            push(
                "/readings".into(),
                "too-many",
                what,
                "take fewer, or give the house several checks, each of some areas",
            );
            return faults;
        }
        for (index, reading) in body.readings.iter().enumerate() {
            if !self.house.areas.iter().any(|area| area.name.trim() == reading.area.trim()) {
                let what = format!("the house has no area {:?}", nouns::short(&reading.area));
                push(format!("/readings/{index}/area"), "unknown-area", what, "use the name of an area of the house");
            }
            if !(0.0..=100.0).contains(&reading.mc_percent) {
                let what = format!("{} percent of moisture", reading.mc_percent);
                push(format!("/readings/{index}/mc_percent"), "out-of-range", what, "give 0 to 100 percent");
            }
        }
        faults
    }
}
