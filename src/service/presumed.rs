//! What nobody has reported yet. Crews report late, and a plan that took every silent crew for one that has not begun
//! would move promises that are being kept. So a promised step goes for begun from its promised start on and for over from
//! its promised end on, unless something that is known speaks against it; when it should have been over for a while and
//! there still is no word of it, it goes for not done. Checks are never presumed to have passed.

use super::wire;
use crate::domain::time::{Minute, Span};
use crate::domain::zone::Zone;
use crate::dto::{HistoryDto, JobDto, OutcomeDto, PlanningFile, StepKindDto, WaitKindDto};
use crate::store::{BookingRow, PlanningRows};
use std::collections::BTreeMap;
use uuid::Uuid;

/// One promised step: its pieces are in order.
struct Promise<'a> {
    step: &'a str,
    crew_id: Uuid,
    crew: &'a str,
    start: Minute,
    end: Minute,
}

/// What is known of crews and houses that speaks against a presumption.
struct Known {
    /// By key of the crew.
    absences: BTreeMap<String, Vec<Span>>,
    /// By key of the house.
    closures: BTreeMap<String, Vec<Span>>,
    /// By key of the crew: starts of what was reported, and whether it still runs.
    reported: BTreeMap<String, Vec<(Minute, bool)>>,
}

/// Adds to the histories of `file`, which was made from `rows`, what goes for having happened by `now`.
pub(super) fn presume(file: &mut PlanningFile, rows: &PlanningRows, zone: Zone, now: Minute) {
    let grace = file.settings.unreported_grace_minutes;
    if grace == 0 {
        return;
    }
    let known = known(file);
    let crews: BTreeMap<Uuid, &str> = rows.crews.iter().map(|row| (row.id, row.key.as_str())).collect();
    let mut promised: BTreeMap<Uuid, Vec<Promise<'_>>> = BTreeMap::new();
    for pieces in rows.promised.chunk_by(|a, b| (a.job_id, &a.step_key) == (b.job_id, &b.step_key)) {
        if let Some(promise) = promise(pieces, &crews).filter(|promise| promise.start < now) {
            promised.entry(pieces[0].job_id).or_default().push(promise);
        }
    }
    for (job, planned) in file.jobs.iter_mut().zip(&rows.jobs) {
        let Some(mut own) = promised.remove(&planned.job.id) else { continue };
        own.sort_by_key(|promise| promise.start);
        for promise in own {
            presume_one(job, &promise, &known, (now, grace), zone);
        }
    }
}

fn promise<'a>(pieces: &'a [BookingRow], crews: &BTreeMap<Uuid, &'a str>) -> Option<Promise<'a>> {
    let (first, last) = (pieces.first()?, pieces.last()?);
    Some(Promise {
        step: &first.step_key,
        crew_id: first.crew_id,
        crew: crews.get(&first.crew_id)?,
        start: Minute::floor_from(first.start),
        end: Minute::ceil_from(last.end),
    })
    .filter(|promise| pieces.iter().all(|piece| piece.crew_id == promise.crew_id))
}

fn known(file: &PlanningFile) -> Known {
    let minute = |text: &str| wire::instant(text).ok().map(Minute::floor_from);
    let mut absences: BTreeMap<String, Vec<Span>> = BTreeMap::new();
    for crew in &file.crews {
        let spans = crew.absences.iter().filter_map(|away| Span::new(minute(&away.from)?, minute(&away.until)?));
        absences.insert(crew.key.clone(), spans.collect());
    }
    let mut closures: BTreeMap<String, Vec<Span>> = BTreeMap::new();
    for house in &file.houses {
        let spans = house.closures.iter().filter_map(|shut| Span::new(minute(&shut.from)?, minute(&shut.until)?));
        closures.insert(house.key.clone(), spans.collect());
    }
    let mut reported: BTreeMap<String, Vec<(Minute, bool)>> = BTreeMap::new();
    for entry in file.jobs.iter().flat_map(|job| &job.history) {
        if let Some(start) = minute(&entry.started_at) {
            reported.entry(entry.crew.clone()).or_default().push((start, entry.outcome == OutcomeDto::Running));
        }
    }
    Known { absences, closures, reported }
}

impl Known {
    /// Whether the crew may be in the house where it was promised to be.
    fn allows(&self, promise: &Promise<'_>, house: &str, now: Minute) -> bool {
        let until = promise.end.min(now);
        let away = self.absences.get(promise.crew).into_iter().flatten();
        let shut = self.closures.get(house).into_iter().flatten();
        let mut elsewhere = self.reported.get(promise.crew).into_iter().flatten();
        let overlaps = |span: &Span| span.start() < until && span.end() > promise.start;
        !away.chain(shut).any(overlaps)
            // Whoever has begun something else since, or is still at something, is not there.
            && !elsewhere.any(|(start, running)| *running || (*start >= promise.start && *start < until))
    }
}

fn presume_one(job: &mut JobDto, promise: &Promise<'_>, known: &Known, (now, grace): (Minute, i64), zone: Zone) {
    let steps = job.steps.as_deref().unwrap_or(&[]);
    let Some(step) = steps.iter().find(|step| step.key == promise.step && !step.only_on_lapse) else { return };
    let over = promise.end <= now && step.kind != StepKindDto::Check;
    let last = job.history.iter().rposition(|entry| entry.step == promise.step);
    let standing = last.map(|at| job.history[at].outcome);
    match (standing, last) {
        (Some(OutcomeDto::Running), Some(at)) => {
            let entry = &mut job.history[at];
            let began = wire::instant(&entry.started_at).ok().map(Minute::floor_from);
            let said = entry.expected_finish_at.is_some() || began.is_none_or(|began| began >= promise.end);
            if over && !said && now.since(promise.end) <= grace {
                entry.outcome = OutcomeDto::Done;
                entry.finished_at = Some(wire::local(zone, promise.end.to_utc()));
                entry.presumed = true;
            }
        }
        (None, _) => {
            let follows = job.waits.iter().flatten().filter(|wait| wait.to == promise.step).all(|wait| {
                let ordinary = steps.iter().any(|step| step.key == wait.from && !step.only_on_lapse);
                let before = job.history.iter().rfind(|entry| entry.step == wait.from).map(|entry| entry.outcome);
                let dwelling = wait.kind == WaitKindDto::Dwell && before == Some(OutcomeDto::Running);
                !ordinary || before == Some(OutcomeDto::Done) || dwelling
            });
            if now.since(promise.end) <= grace && follows && known.allows(promise, &job.house, now) {
                let end = wire::local(zone, promise.end.to_utc());
                job.history.push(HistoryDto {
                    step: promise.step.to_owned(),
                    crew: promise.crew.to_owned(),
                    started_at: wire::local(zone, promise.start.to_utc()),
                    finished_at: over.then(|| end.clone()),
                    outcome: if over { OutcomeDto::Done } else { OutcomeDto::Running },
                    expected_finish_at: (!over && promise.end > now).then_some(end),
                    retry_not_before_at: None,
                    remaining_minutes: None,
                    re_wet: false,
                    presumed: true,
                });
            }
        }
        // What is over is over; what failed or was broken off is begun anew only when somebody says so.
        (Some(_), _) => {}
    }
}
