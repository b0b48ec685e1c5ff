//! Where a job stands: what of its chain is done, running or promised, which wait of the floor is on, and whether the
//! promise meets the due date. From documents, reports and promises alone; how it looks is `web`'s matter.

use super::jobs::JobDoc;
use super::{JobStatusDto, ServiceError, snapshot};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{OutcomeDto, StepDto, StepKindDto, WaitDto, WaitKindDto};
use crate::store::{BookingRow, ChainRows, JobRow, RecordRow};
use std::collections::BTreeMap;
use uuid::Uuid;

/// How far a step is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepStand {
    /// Reported done; of a check: passed.
    Done,
    /// Reported begun and not finished.
    Running,
    /// Left before its end; goes on as promised.
    Paused,
    /// Promised.
    Planned,
    /// Promised for a time that is over, and nobody has reported it.
    Unreported,
    /// To be done, and no plan has a place for it.
    Unplaced,
}

/// A step of a chain.
#[derive(Debug, Clone)]
pub struct StepLine {
    /// Its document.
    pub step: StepDto,
    /// How far it is.
    pub stand: StepStand,
    /// From when until when: as reported, or else as promised. A running step's end is the one that is expected.
    pub span: Option<(Minute, Minute)>,
    /// Name of the crew.
    pub crew: Option<String>,
    /// Promised pieces, where it is not over.
    pub pieces: Vec<(Minute, Minute)>,
    /// Tries that did not pass.
    pub failed: usize,
}

/// A wait between two steps of a chain.
#[derive(Debug, Clone)]
pub struct WaitLine {
    /// Its document.
    pub wait: WaitDto,
    /// Name of the earlier step.
    pub after: String,
    /// Name of the later step.
    pub before: String,
    /// From the end of the earlier step to the start of the later one, where both are known.
    pub span: Option<(Minute, Minute)>,
    /// When the floor is ready, by what is known of the air; asked for where a single house is looked at.
    pub ready: Option<Minute>,
}

impl WaitLine {
    /// Whether the floor needs the time, not only the order.
    pub fn is_needed(&self) -> bool {
        self.wait.min_minutes > 0 || self.wait.film.is_some() || self.wait.overnight
    }
}

/// What is going on in a house.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Now {
    /// A crew is at this step (its place in the chain).
    At(usize),
    /// The floor waits: place of the wait in the list.
    Waits(usize),
    /// A check has failed (its place in the chain): the floor dries on until it is read again.
    DriesOn(usize),
    /// Ready for the next work.
    Ready,
    /// Nothing is done yet.
    NotBegun,
    /// The office holds it back, or it is over or called off.
    Rests,
    /// Every step is done.
    AllDone,
}

/// A job as it stands.
#[derive(Debug, Clone)]
pub struct JobLine {
    /// Key.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// Where it stands for the office.
    pub status: JobStatusDto,
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// Street and town.
    pub address: Option<String>,
    /// The house's wall clock.
    pub zone: Zone,
    /// Key of the method that the chain was copied from.
    pub copied_from: Option<String>,
    /// In the order of the chain. Extra steps that are not planned are left out.
    pub steps: Vec<StepLine>,
    /// Between them.
    pub waits: Vec<WaitLine>,
    /// What is going on.
    pub now: Now,
    /// Place in the chain of the next step that is promised and not begun.
    pub next: Option<usize>,
    /// When it should be finished.
    pub due: Option<Minute>,
    /// End of its last promised step; nothing while a step has no place.
    pub finish: Option<Minute>,
}

impl JobLine {
    /// Minutes by which the promise is later than due; 0 when it is not, or nothing is known.
    pub fn late_minutes(&self) -> i64 {
        self.due.zip(self.finish).map_or(0, |(due, finish)| finish.since(due).max(0))
    }

    /// Checks that failed and have not passed since.
    pub fn failed_checks(&self) -> impl Iterator<Item = &StepLine> {
        self.steps.iter().filter(|line| line.failed > 0 && line.stand != StepStand::Done)
    }

    /// Steps that no plan has a place for.
    pub fn unplaced(&self) -> impl Iterator<Item = &StepLine> {
        self.steps.iter().filter(|line| line.stand == StepStand::Unplaced)
    }

    /// Whether somebody should look at it: late, a failed check, no place, or work that nobody has reported.
    pub fn needs_a_look(&self) -> bool {
        self.status == JobStatusDto::OnHold
            || (self.status == JobStatusDto::Open
                && (self.late_minutes() > 0
                    || self.failed_checks().next().is_some()
                    || self.steps.iter().any(|line| matches!(line.stand, StepStand::Unplaced | StepStand::Unreported))))
    }

    /// Steps that are done.
    pub fn done(&self) -> usize {
        self.steps.iter().filter(|line| line.stand == StepStand::Done).count()
    }
}

/// What a job is worked out from.
pub(super) struct Known<'a> {
    pub(super) row: &'a JobRow,
    pub(super) chain: &'a ChainRows,
    /// By step and oldest first.
    pub(super) records: &'a [RecordRow],
    /// What is promised of it, in any order.
    pub(super) bookings: &'a [BookingRow],
    /// Names.
    pub(super) crews: &'a BTreeMap<Uuid, String>,
    /// Key, name, address and wall clock.
    pub(super) house: (&'a str, &'a str, Option<&'a str>, Zone),
    pub(super) now: Minute,
}

pub(super) fn job_line(known: &Known<'_>) -> Result<JobLine, ServiceError> {
    let (house, house_name, address, zone) = known.house;
    let document = snapshot::job_document(known.row, known.chain, house, zone)?;
    let doc: JobDoc = known.row.doc.parse()?;
    let all = document.steps.unwrap_or_default();
    let steps: Vec<StepLine> = all.into_iter().filter_map(|step| step_line(known, step)).collect();
    let waits = wait_lines(&steps, document.waits.unwrap_or_default());
    let next = next(&steps);
    let open = |line: &StepLine| line.stand != StepStand::Done;
    let placed = steps.iter().filter(|line| open(line)).all(|line| line.span.is_some());
    let finish = steps.iter().filter_map(|line| line.span).map(|(_, until)| until).max();
    Ok(JobLine {
        job: known.row.key.clone(),
        job_name: known.row.name.clone(),
        status: known.row.status.into(),
        house: house.to_owned(),
        house_name: house_name.to_owned(),
        address: address.map(str::to_owned),
        zone,
        copied_from: doc.copied_from,
        now: going_on(known.row.status.into(), (&steps, &waits), next, known.now),
        next,
        due: known.row.due_at.map(Minute::floor_from),
        finish: finish.filter(|_| placed),
        steps,
        waits,
    })
}

/// `None` for an extra step that is not planned.
fn step_line(known: &Known<'_>, step: StepDto) -> Option<StepLine> {
    let own: Vec<&RecordRow> = known.records.iter().filter(|record| record.step_key == step.key).collect();
    let mut booked: Vec<&BookingRow> = known.bookings.iter().filter(|row| row.step_key == step.key).collect();
    booked.sort_by_key(|row| row.start);
    let pieces: Vec<(Minute, Minute)> =
        booked.iter().map(|row| (Minute::floor_from(row.start), Minute::floor_from(row.end))).collect();
    let promised = pieces.first().zip(pieces.last()).map(|(first, last)| (first.0, last.1));
    let name = |id: Uuid| known.crews.get(&id).cloned();
    let booked_crew = booked.first().and_then(|row| name(row.crew_id));
    let failed = own.iter().filter(|record| snapshot::outcome(record.outcome) == OutcomeDto::Failed).count();
    let last = own.last();
    let outcome = last.map(|record| snapshot::outcome(record.outcome));
    let begun = last.map(|record| Minute::floor_from(record.started_at));
    let (stand, span, crew) = match (outcome, promised) {
        (Some(OutcomeDto::Done), _) => {
            let ended = last.and_then(|record| record.finished_at).map(Minute::floor_from);
            // A step that was left and taken up again began with its first try.
            let first = own.iter().filter(|record| snapshot::outcome(record.outcome) != OutcomeDto::Failed);
            let first = first.map(|record| Minute::floor_from(record.started_at)).min();
            (StepStand::Done, first.zip(ended), last.and_then(|record| name(record.crew_id)))
        }
        (Some(OutcomeDto::Running), _) => {
            let expected = last.and_then(|record| record.expected_finish_at).map(Minute::floor_from);
            let until = expected.or(promised.map(|(_, until)| until)).max(begun);
            (StepStand::Running, begun.zip(until), last.and_then(|record| name(record.crew_id)))
        }
        (Some(OutcomeDto::Paused), Some(span)) => (StepStand::Paused, Some(span), booked_crew),
        (_, Some(span)) if span.1 <= known.now => (StepStand::Unreported, Some(span), booked_crew),
        (_, Some(span)) => (StepStand::Planned, Some(span), booked_crew),
        (Some(OutcomeDto::Failed | OutcomeDto::Paused) | None, None) => {
            if step.only_on_lapse {
                return None;
            }
            (StepStand::Unplaced, None, None)
        }
    };
    Some(StepLine { step, stand, span, crew, pieces, failed })
}

fn wait_lines(steps: &[StepLine], waits: Vec<WaitDto>) -> Vec<WaitLine> {
    let find = |key: &str| steps.iter().find(|line| line.step.key == key);
    let line = |wait: WaitDto| {
        let (after, before) = (find(&wait.from)?, find(&wait.to)?);
        let span = after.span.zip(before.span).map(|(a, b)| (a.1, b.0)).filter(|(start, finish)| start < finish);
        let (after, before) = (after.step.name.clone(), before.step.name.clone());
        Some(WaitLine { wait, after, before, span, ready: None })
    };
    waits.into_iter().filter_map(line).collect()
}

fn next(steps: &[StepLine]) -> Option<usize> {
    let ahead = |line: &StepLine| matches!(line.stand, StepStand::Planned | StepStand::Paused | StepStand::Unreported);
    let planned = steps.iter().enumerate().filter(|(_, line)| ahead(line));
    planned.min_by_key(|(index, line)| (line.span, *index)).map(|(index, _)| index)
}

fn going_on(status: JobStatusDto, (steps, waits): (&[StepLine], &[WaitLine]), next: Option<usize>, now: Minute) -> Now {
    if status != JobStatusDto::Open {
        return Now::Rests;
    }
    if let Some(index) = steps.iter().rposition(|line| line.stand == StepStand::Running) {
        return Now::At(index);
    }
    if steps.iter().all(|line| line.stand == StepStand::Done) {
        return Now::AllDone;
    }
    if steps.iter().all(|line| line.stand != StepStand::Done && line.failed == 0) {
        return Now::NotBegun;
    }
    if let Some(index) = next.filter(|index| steps.get(*index).is_some_and(|line| line.failed > 0)) {
        return Now::DriesOn(index);
    }
    let is_done = |key: &str| steps.iter().any(|line| line.step.key == key && line.stand == StepStand::Done);
    let due = next.and_then(|index| steps.get(index)).map(|line| line.step.key.as_str());
    let waiting = waits.iter().enumerate().filter(|(_, line)| {
        let wait = &line.wait;
        let coming = due.is_none_or(|key| key == wait.to) && !is_done(&wait.to);
        let ahead = line.span.is_none_or(|(_, finish)| finish > now);
        line.is_needed() && wait.kind != WaitKindDto::Dwell && is_done(&wait.from) && coming && ahead
    });
    match waiting.max_by_key(|(index, line)| (line.span, *index)) {
        Some((index, _)) => Now::Waits(index),
        None => Now::Ready,
    }
}

impl JobLine {
    /// Tells of one wait when its floor is ready; a house whose floor is ready does not wait for it any more.
    pub(super) fn floor_is_ready(&mut self, wait: usize, ready: Option<Minute>, now: Minute) {
        if let Some(line) = self.waits.get_mut(wait) {
            line.ready = ready;
        }
        if self.now == Now::Waits(wait) && ready.is_some_and(|ready| ready <= now) {
            self.now = Now::Ready;
        }
    }

    /// When the earlier step of a wait ended, or will.
    pub(super) fn wait_from(&self, wait: usize) -> Option<Minute> {
        let key = &self.waits.get(wait)?.wait.from;
        self.steps.iter().find(|line| line.step.key == *key)?.span.map(|(_, until)| until)
    }

    /// The step that a crew is at, or else the next one.
    pub fn current(&self) -> Option<&StepLine> {
        match self.now {
            Now::At(index) => self.steps.get(index),
            Now::Waits(_) | Now::DriesOn(_) | Now::Ready | Now::NotBegun | Now::Rests | Now::AllDone => {
                self.next.and_then(|index| self.steps.get(index))
            }
        }
    }

    /// The kind of that step.
    pub fn kind(&self) -> Option<StepKindDto> {
        self.current().map(|line| line.step.kind)
    }
}
