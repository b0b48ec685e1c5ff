//! What comes by other ways than events (records of a job, changes of documents, air that was measured) leaves an event,
//! too, so that the history is whole.

use super::super::records::RecordDoc;
use super::super::{Service, ServiceError, wire};
use super::shapes::EventDoc;
use crate::store::{Document, EventStanding, NewEvent, Noun, NounRow, RecordOutcome, RecordRow, Session, new_id};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

/// How a document was changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum NounChange {
    /// It is new.
    Added,
    /// It is another.
    Changed,
    /// It was put away.
    Archived,
}

/// What a record says, as an event.
fn reported(job: &str, crew: &str, row: &RecordRow, doc: &RecordDoc) -> Value {
    let mut told = json!({"job": job, "step": row.step_key, "crew": crew});
    let kind = match row.outcome {
        RecordOutcome::Running => "step_started",
        RecordOutcome::Paused => "step_paused",
        RecordOutcome::Done | RecordOutcome::Failed if !doc.readings.is_empty() => "readings_taken",
        RecordOutcome::Done if doc.re_wet => "re_wet",
        RecordOutcome::Done => "step_finished",
        RecordOutcome::Failed => "check_failed",
    };
    told["kind"] = json!(kind);
    match row.outcome {
        RecordOutcome::Running => {
            if let Some(at) = row.expected_finish_at.filter(|_| doc.expected_by_crew) {
                told["expected_finish_at"] = json!(wire::utc(at));
            }
        }
        RecordOutcome::Paused => told["remaining_minutes"] = json!(doc.remaining_minutes),
        RecordOutcome::Done | RecordOutcome::Failed => {
            told["started_at"] = json!(wire::utc(row.started_at));
            if !doc.readings.is_empty() {
                told["readings"] = json!(doc.readings);
                if doc.overruled {
                    told["outcome"] = json!(super::super::snapshot::outcome(row.outcome));
                }
            }
        }
    }
    told
}

impl Service {
    /// A record that was reported to its job.
    pub(in super::super) async fn note_report(
        &self,
        session: &mut Session,
        job: &str,
        row: &RecordRow,
        crews: &BTreeMap<Uuid, String>,
    ) -> Result<(), ServiceError> {
        let doc: RecordDoc = row.doc.parse()?;
        let crew = crews.get(&row.crew_id).map_or("", String::as_str);
        let event = reported(job, crew, row, &doc);
        let at = row.finished_at.unwrap_or(row.started_at);
        self.note(session, &format!("job/{job}"), at, &row.recorded_by, (doc.note, event), None).await
    }

    /// A document that somebody has written or put away. That of a crew, gear or house is what events are counted from.
    pub(in super::super) async fn note_noun(
        &self,
        session: &mut Session,
        noun: Noun,
        row: &NounRow,
        change: NounChange,
    ) -> Result<(), ServiceError> {
        let word = noun.word();
        let kind = match change {
            NounChange::Added => "added",
            NounChange::Changed => "changed",
            NounChange::Archived => "archived",
        };
        let mut event = json!({"kind": format!("{word}_{kind}")});
        event[word] = json!(row.key);
        let base = matches!(noun, Noun::Crew | Noun::Equipment | Noun::House).then(|| row.doc.clone());
        let now = self.now();
        self.note(session, &format!("{word}/{}", row.key), now, "office", (None, event), base).await
    }

    /// A change of a job; `members` are those that were sent.
    pub(in super::super) async fn note_job(
        &self,
        session: &mut Session,
        key: &str,
        event: Value,
    ) -> Result<(), ServiceError> {
        let now = self.now();
        self.note(session, &format!("job/{key}"), now, "office", (None, event), None).await
    }

    /// Air that was measured in a house.
    pub(in super::super) async fn note_air(
        &self,
        session: &mut Session,
        house: &str,
        (at, by): (DateTime<Utc>, &str),
        (note, event): (Option<String>, Value),
    ) -> Result<(), ServiceError> {
        self.note(session, &format!("house/{house}"), at, by, (note, event), None).await
    }

    async fn note(
        &self,
        session: &mut Session,
        subject: &str,
        happened_at: DateTime<Utc>,
        by: &str,
        (note, event): (Option<String>, Value),
        base: Option<Document>,
    ) -> Result<(), ServiceError> {
        let kind = event["kind"].as_str().unwrap_or_default().to_owned();
        let new = NewEvent {
            id: new_id(),
            kind,
            subject: subject.to_owned(),
            happened_at,
            recorded_at: self.now(),
            recorded_by: by.to_owned(),
            doc: Document::of(&EventDoc { note, event })?,
            base,
            standing: EventStanding::Applied,
            reason: None,
            copied: true,
        };
        session.append_event(&new).await?;
        Ok(())
    }
}
