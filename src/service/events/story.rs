//! A job's history told anew: all reports there are, in the order in which they happened. A report that comes late changes
//! what those after it mean, so they are taken in again behind it; nothing that was heeded may fall out by that.

use super::super::ServiceError;
use super::super::check_verdict::Decided;
use super::super::records::{RecordBody, RecordDoc, Reporter};
use super::super::report_rules::Site;
use super::super::snapshot;
use super::super::taken::{Before, Teller};
use super::settled::heard_of;
use crate::dto::Heard;
use crate::store::{JobStatus, NewRecord, RecordOutcome, RecordRow};
use chrono::{DateTime, SecondsFormat, Utc};
use std::collections::BTreeMap;
use uuid::Uuid;

/// A report, from wherever it is known.
#[derive(Debug)]
pub(super) struct Telling {
    /// Its event, where it waits or is new; `None`: a record that is heeded.
    pub(super) event: Option<Uuid>,
    /// When it happened.
    pub(super) at: DateTime<Utc>,
    pub(super) reporter: Reporter,
    pub(super) teller: Teller,
    pub(super) body: RecordBody,
    /// Whether its event is stored: it waits.
    pub(super) kept: bool,
    /// How it was decided when it was first told.
    decided: Option<RecordRow>,
}

impl Telling {
    /// Of an event.
    pub(super) fn new(event: Uuid, at: DateTime<Utc>, reporter: Reporter, teller: Teller, body: RecordBody) -> Telling {
        Telling { event: Some(event), at, reporter, teller, body, kept: false, decided: None }
    }

    /// Of a record. `before`: the one before it on its step.
    fn of_record(record: &RecordRow, before: Option<&RecordRow>, site: &Site) -> Result<Telling, ServiceError> {
        let text = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::AutoSi, true);
        let doc: RecordDoc = record.doc.parse()?;
        let went_on = before
            .is_some_and(|before| before.outcome == RecordOutcome::Running && before.started_at == record.started_at);
        let by_office = record.recorded_by == "office";
        Ok(Telling {
            event: None,
            at: record.finished_at.unwrap_or(record.started_at),
            reporter: Reporter { crew_id: (!by_office).then_some(record.crew_id) },
            teller: Teller { at: record.recorded_at, by: record.recorded_by.clone() },
            body: RecordBody {
                step: record.step_key.clone(),
                crew: site.bench.crew_keys.get(&record.crew_id).cloned(),
                outcome: Some(snapshot::outcome(record.outcome)),
                started_at: (!went_on).then(|| text(record.started_at)),
                finished_at: record.finished_at.map(text),
                expected_finish_at: record.expected_finish_at.filter(|_| doc.expected_by_crew).map(text),
                remaining_minutes: doc.remaining_minutes,
                re_wet: doc.re_wet,
                readings: doc.readings,
                note: doc.note,
                seen: None,
            },
            kept: false,
            decided: Some(record.clone()),
        })
    }

    /// Whether a record says the same.
    pub(super) fn is_told_by(&self, record: &RecordRow, site: &Site) -> bool {
        let crew = self.body.crew.as_deref().and_then(|key| site.bench.crew_id(key));
        let minute = |at: DateTime<Utc>| at.timestamp().div_euclid(60);
        let readings = || record.doc.parse::<RecordDoc>().map_or(true, |doc| doc.readings == self.body.readings);
        let said = self.body.outcome.map(snapshot::stored_outcome);
        let over = record.outcome != RecordOutcome::Running;
        record.step_key == self.body.step
            && crew.is_none_or(|crew| crew == record.crew_id)
            && (said == Some(record.outcome) || said.is_none() && over)
            && minute(record.finished_at.unwrap_or(record.started_at)) == minute(self.at)
            && readings()
    }
}

/// What a story has come to.
pub(super) struct Story {
    /// The job as it is by then.
    pub(super) site: Site,
    /// Which telling became which record, in the order of taking.
    pub(super) taken: Vec<(usize, NewRecord)>,
    /// Why the others did not: too early, or against what is known; `Err` for what is wrong in itself.
    pub(super) left: BTreeMap<usize, Result<Heard, ServiceError>>,
}

/// All records of a job as tellings.
pub(super) fn tellings(site: &Site) -> Result<Vec<Telling>, ServiceError> {
    let mut told = Vec::with_capacity(site.records.len());
    for records in site.records.chunk_by(|a, b| a.step_key == b.step_key) {
        for (index, record) in records.iter().enumerate() {
            let before = index.checked_sub(1).map(|before| &records[before]);
            told.push(Telling::of_record(record, before, site)?);
        }
    }
    Ok(told)
}

/// Tells `tellings` in the order in which they happened, again and again until nothing more follows. `over`: since when
/// the job is over, if it is.
pub(super) fn tell_again(
    site: &Site,
    tellings: &[Telling],
    over: Option<DateTime<Utc>>,
) -> Result<Story, ServiceError> {
    let mut site = site.clone();
    let known = std::mem::take(&mut site.records);
    let status = site.row.status;
    let mut order: Vec<usize> = (0..tellings.len()).collect();
    order.sort_by_key(|&index| (tellings[index].at, tellings[index].event));
    let mut taken: Vec<(usize, NewRecord)> = Vec::new();
    let mut left: BTreeMap<usize, Result<Heard, ServiceError>> = BTreeMap::new();
    loop {
        let before = order.len();
        let mut still = Vec::new();
        for index in order {
            let telling = &tellings[index];
            let meanwhile = telling.decided.is_some() || over.is_some_and(|over| telling.at <= over);
            site.row.status = if meanwhile { JobStatus::Open } else { status };
            match take(&mut site, telling, &known, &taken) {
                Ok(new) => {
                    left.remove(&index);
                    taken.push((index, new));
                }
                Err(ServiceError::Store(error)) => return Err(error.into()),
                Err(error) => {
                    // What was too early once is not impossible because another has been taken in meanwhile.
                    let early = matches!(left.get(&index), Some(Ok(Heard::NotYet(_))));
                    if !early {
                        left.insert(index, heard_of(error));
                    }
                    still.push(index);
                }
            }
        }
        order = still;
        if order.len() == before {
            break;
        }
    }
    site.row.status = status;
    Ok(Story { site, taken, left })
}

fn take(
    site: &mut Site,
    telling: &Telling,
    known: &[RecordRow],
    taken: &[(usize, NewRecord)],
) -> Result<NewRecord, ServiceError> {
    let Telling { reporter, teller, body, decided, .. } = telling;
    let Some(record) = decided else { return site.take(reporter, teller, body) };
    let doc: RecordDoc = record.doc.parse()?;
    let step = &record.step_key;
    let so_far: Vec<&NewRecord> = taken.iter().map(|(_, new)| new).filter(|new| new.step_key == *step).collect();
    let were: Vec<&RecordRow> = known.iter().filter(|known| known.step_key == *step).collect();
    let unmoved = so_far.len() < were.len()
        && were[so_far.len()].id == record.id
        && so_far.iter().zip(&were).all(|(new, was)| same(new, was));
    let outcome = snapshot::outcome(record.outcome);
    let decided = Decided { verdict: doc.verdict, overruled: doc.overruled, ..Decided::of(outcome) };
    // Retries that were given with an imported history are not worked out from anything.
    let given = doc.retry_not_before.filter(|_| doc.readings.is_empty());
    let decided = Decided { retry_not_before: given, ..decided };
    site.take_again(reporter, teller, body, Some(Before { decided, unmoved }))
}

/// Whether a record told anew says what it said. What was concluded from it in words does not matter.
pub(super) fn same(new: &NewRecord, was: &RecordRow) -> bool {
    let facts = |doc: &crate::store::Document| {
        let RecordDoc { readings, note, overruled, retry_not_before, remaining_minutes, re_wet, .. } =
            doc.parse().ok()?;
        Some((readings, note, overruled, retry_not_before, remaining_minutes, re_wet))
    };
    (new.crew_id, new.outcome, new.started_at, new.finished_at, new.expected_finish_at)
        == (was.crew_id, was.outcome, was.started_at, was.finished_at, was.expected_finish_at)
        && facts(&new.doc) == facts(&was.doc)
}
