//! A report taken in: judged by what is known of its job, turned into a record, and known from then on. Nothing is stored
//! here, so that a whole history can be told again.

use super::ServiceError;
use super::check_verdict::Decided;
use super::records::{RecordBody, RecordDoc, Reporter};
use super::report_rules::Site;
use super::{snapshot, wire};
use crate::domain::fault::Fault;
use crate::dto::{OutcomeDto, in_one_order};
use crate::store::{Document, NewRecord, RecordOutcome, RecordRow, new_id};
use chrono::{DateTime, Duration, Utc};
use uuid::Uuid;

/// Who told it, and when.
#[derive(Debug, Clone)]
pub(super) struct Teller {
    /// When it was told.
    pub(super) at: DateTime<Utc>,
    /// For people.
    pub(super) by: String,
}

/// What is known of a report that was taken in before.
#[derive(Debug)]
pub(super) struct Before {
    pub(super) decided: Decided,
    /// Whether nothing before it on its step is otherwise than it was then.
    pub(super) unmoved: bool,
}

impl Site {
    /// Who reports, for people.
    pub(super) fn name_of(&self, reporter: &Reporter) -> String {
        match reporter.crew_id {
            Some(crew) => format!("crew {}", self.bench.crew_keys.get(&crew).map_or("", String::as_str)),
            None => "office".to_owned(),
        }
    }

    /// Takes a report in; from then on it is among the records, and the chain has grown if a check failed for it.
    pub(super) fn take(
        &mut self,
        reporter: &Reporter,
        teller: &Teller,
        body: &RecordBody,
    ) -> Result<NewRecord, ServiceError> {
        self.take_again(reporter, teller, body, None)
    }

    /// As [`Site::take`], for a report that was decided when it was first told.
    pub(super) fn take_again(
        &mut self,
        reporter: &Reporter,
        teller: &Teller,
        body: &RecordBody,
        before: Option<Before>,
    ) -> Result<NewRecord, ServiceError> {
        let last = self.last(&body.step);
        let running = last.filter(|record| record.outcome == RecordOutcome::Running);
        // What is being wetted again is still that when it ends.
        let begun: Option<RecordDoc> = running.map(|record| record.doc.parse()).transpose()?;
        let re_wet = body.re_wet || begun.is_some_and(|begun| begun.re_wet);
        let body = &RecordBody { re_wet, ..body.clone() };
        let crew_id = self.crew(reporter, body, running)?;
        self.in_order(body, last)?;
        let started_at = match (&body.started_at, running) {
            (Some(text), _) => text.clone(),
            (None, Some(running)) => wire::utc(running.started_at),
            (None, None) => {
                let fault = Fault::new("missing-field", "nobody has reported when it began", "give started_at");
                return Err(ServiceError::fault("/started_at", fault));
            }
        };
        let (mut decided, unmoved) = match before {
            Some(Before { decided, unmoved }) => (decided, unmoved),
            None => (self.decide(body, reporter)?, false),
        };
        if !unmoved {
            self.judge(body, decided.outcome, crew_id, &started_at)?;
        }
        let grown = self.after_failure(body, crew_id, &started_at, &mut decided)?;
        let seen = self.count(&body.step);
        let new = new_record(self.row.id, (body, decided), crew_id, &started_at, seen, teller.clone())?;
        if let Some(mut grown) = grown {
            grown.waits.iter_mut().for_each(|waits| in_one_order(waits));
            self.job = grown;
            self.grown = true;
        }
        self.know(&new);
        Ok(new)
    }

    fn know(&mut self, new: &NewRecord) {
        let place = self.records.iter().rposition(|record| record.step_key == new.step_key);
        let row = RecordRow {
            id: new_id(),
            job_id: new.job_id,
            step_key: new.step_key.clone(),
            record_no: new.seen + 1,
            crew_id: new.crew_id,
            outcome: new.outcome,
            started_at: new.started_at,
            finished_at: new.finished_at,
            expected_finish_at: new.expected_finish_at,
            doc: new.doc.clone(),
            recorded_at: new.recorded_at,
            recorded_by: new.recorded_by.clone(),
        };
        // Those of one step stay together.
        self.records.insert(place.map_or(self.records.len(), |place| place + 1), row);
    }
}

/// A report as it is kept.
pub(super) fn new_record(
    job_id: Uuid,
    (body, decided): (&RecordBody, Decided),
    crew_id: Uuid,
    started_at: &str,
    seen: i32,
    teller: Teller,
) -> Result<NewRecord, ServiceError> {
    let at = |pointer: &str, text: &str| wire::instant(text).map_err(|fault| ServiceError::fault(pointer, fault));
    let started_at = at("/started_at", started_at)?;
    let expected = body.expected_finish_at.as_deref().map(|text| at("/expected_finish_at", text)).transpose()?;
    let finished = body.finished_at.as_deref().map(|text| at("/finished_at", text)).transpose()?;
    let moment = Duration::minutes(1);
    let running = decided.outcome == OutcomeDto::Running;
    let doc = RecordDoc {
        readings: body.readings.clone(),
        note: body.note.clone(),
        expected_by_crew: expected.is_some(),
        verdict: decided.verdict,
        overruled: decided.overruled,
        retry_not_before: decided.retry_not_before,
        added_steps: decided.added_steps,
        warnings: decided.warnings,
        remaining_minutes: body.remaining_minutes,
        re_wet: body.re_wet,
    };
    Ok(NewRecord {
        job_id,
        step_key: body.step.clone(),
        seen: body.seen.unwrap_or(seen),
        crew_id,
        outcome: snapshot::stored_outcome(decided.outcome),
        started_at,
        // The database wants an end after the start; a report within one second has none.
        finished_at: finished.map(|finished| finished.max(started_at + Duration::seconds(1))),
        expected_finish_at: running.then(|| {
            let soonest = started_at + moment;
            expected.unwrap_or(soonest).max(soonest)
        }),
        doc: Document::of(&doc)?,
        recorded_at: teller.at,
        recorded_by: teller.by,
    })
}
