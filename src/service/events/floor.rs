//! Events on steps: held against the records of their job, in the order in which they happened.

use super::super::records::{RecordBody, Reporter};
use super::super::report_rules::Site;
use super::super::taken::Teller;
use super::super::{Service, ServiceError, wire};
use super::settled::{Settled, below, told};
use super::shapes::EventDoc;
use super::story::{Story, Telling, same, tell_again, tellings};
use crate::domain::fault::Fault;
use crate::dto::{Event, HappeningDto, Heard, OutcomeDto};
use crate::store::{EventFilter, EventRow, EventStanding, JobStatus, NewRecord, RecordRow, Session};
use chrono::{DateTime, Utc};
use uuid::Uuid;

/// Events about one job that may wait at once.
pub(super) const WAITING_MAX: u32 = 1_000;

/// What an event says of a step, and of which job; `None` for events about something else.
pub(super) fn report_of(event: &Event) -> Option<(&str, RecordBody)> {
    let at = wire::utc(event.at);
    let body = |step: &str, crew: &Option<String>, outcome| RecordBody {
        step: step.to_owned(),
        crew: crew.clone(),
        outcome,
        started_at: None,
        finished_at: Some(at.clone()),
        expected_finish_at: None,
        remaining_minutes: None,
        re_wet: false,
        readings: Vec::new(),
        note: event.note.clone(),
        seen: None,
    };
    match &event.happening {
        HappeningDto::StepStarted(told) => Some((
            &told.job,
            RecordBody {
                started_at: Some(at.clone()),
                finished_at: None,
                expected_finish_at: told.expected_finish_at.clone(),
                ..body(&told.step, &told.crew, Some(OutcomeDto::Running))
            },
        )),
        HappeningDto::StepPaused(told) => {
            let paused = body(&told.step, &told.crew, Some(OutcomeDto::Paused));
            Some((&told.job, RecordBody { remaining_minutes: Some(told.remaining_minutes), ..paused }))
        }
        HappeningDto::StepFinished(told) => {
            let done = body(&told.step, &told.crew, Some(OutcomeDto::Done));
            Some((&told.job, RecordBody { started_at: told.started_at.clone(), ..done }))
        }
        HappeningDto::CheckFailed(told) => {
            let failed = body(&told.step, &told.crew, Some(OutcomeDto::Failed));
            Some((&told.job, RecordBody { started_at: told.started_at.clone(), ..failed }))
        }
        HappeningDto::ReadingsTaken(told) => {
            let read = body(&told.step, &told.crew, told.outcome);
            let (started_at, readings) = (told.started_at.clone(), told.readings.clone());
            Some((&told.job, RecordBody { started_at, readings, ..read }))
        }
        HappeningDto::ReWet(told) => {
            let done = body(&told.step, &told.crew, Some(OutcomeDto::Done));
            Some((&told.job, RecordBody { started_at: Some(told.started_at.clone()), re_wet: true, ..done }))
        }
        _ => None,
    }
}

impl Service {
    /// Takes in an event on a step of a job that there is and that nobody else is changing.
    pub(super) async fn tell_floor(
        &self,
        session: &mut Session,
        (job, body): (&str, RecordBody),
        event: &Event,
        reporter: &Reporter,
    ) -> Result<Settled, ServiceError> {
        let site = self.site(session, job).await?;
        let teller = Teller { at: self.now(), by: site.name_of(reporter) };
        let new = Telling::new(event.id, event.at, reporter.clone(), teller, body);
        if site.records.iter().any(|record| new.is_told_by(record, &site)) {
            return Ok(Settled::of(Heard::Known));
        }
        let over = self.over_since(session, &site).await?;
        let waiting = self.waiting_on_floor(session, &site).await?;
        let mut all = tellings(&site)?;
        all.push(new);
        let own = all.len() - 1;
        let alone = tell_again(&site, &all, over)?;
        all.extend(waiting);
        let story = tell_again(&site, &all, over)?;
        // Those that wait may wait on, if only they are in the way.
        let story = if undone(&story, &all).is_some() { alone } else { story };
        if let Some(undone) = undone(&story, &all) {
            return Ok(stands_against(&all[undone], &story.left[&undone]));
        }
        let settled = match story.left.get(&own) {
            None => Settled::APPLIED,
            Some(Ok(heard)) => with_teller(heard.clone(), &site, &all[own].body.step),
            Some(Err(_)) => return Err(fault_of(story, own)),
        };
        self.keep_story(session, &site, &story, &all, event.id).await?;
        Ok(settled)
    }

    /// Takes in what has waited for what is known now; says whether anything was.
    pub(super) async fn floor_goes_on(&self, session: &mut Session, job: &str) -> Result<bool, ServiceError> {
        let filter = EventFilter {
            subject: Some(format!("job/{job}")),
            standing: Some(EventStanding::Waiting),
            ..EventFilter::default()
        };
        if session.events(&filter, None, 1).await?.is_empty() {
            return Ok(false);
        }
        let site = self.site(session, job).await?;
        let waiting = self.waiting_on_floor(session, &site).await?;
        let Some(first) = waiting.first().and_then(|telling| telling.event) else { return Ok(false) };
        let over = self.over_since(session, &site).await?;
        let mut all = tellings(&site)?;
        all.extend(waiting);
        let story = tell_again(&site, &all, over)?;
        if undone(&story, &all).is_some() || !story.taken.iter().any(|(index, _)| all[*index].event.is_some()) {
            return Ok(false);
        }
        self.keep_story(session, &site, &story, &all, first).await?;
        Ok(true)
    }

    async fn waiting_on_floor(&self, session: &mut Session, site: &Site) -> Result<Vec<Telling>, ServiceError> {
        let filter = EventFilter {
            subject: Some(format!("job/{}", site.row.key)),
            standing: Some(EventStanding::Waiting),
            ..EventFilter::default()
        };
        let rows = session.events(&filter, None, WAITING_MAX).await?;
        rows.iter().filter_map(|row| telling_of(row, site).transpose()).collect()
    }

    /// Since when a job is over; `None` while it is not.
    async fn over_since(&self, session: &mut Session, site: &Site) -> Result<Option<DateTime<Utc>>, ServiceError> {
        if !matches!(site.row.status, JobStatus::Cancelled | JobStatus::Finished) {
            return Ok(None);
        }
        let rows = session.events_about(&format!("job/{}", site.row.key), 0).await?;
        let ends = |row: &&EventRow| {
            row.standing == EventStanding::Applied && matches!(row.kind.as_str(), "job_cancelled" | "job_finished")
        };
        Ok(Some(rows.iter().rfind(ends).map_or(site.row.updated_at, |row| row.happened_at)))
    }

    /// Stores what is otherwise than it was.
    async fn keep_story(
        &self,
        session: &mut Session,
        site: &Site,
        story: &Story,
        all: &[Telling],
        event: Uuid,
    ) -> Result<(), ServiceError> {
        self.keep_grown(session, &story.site).await?;
        let mut steps: Vec<&str> = story.taken.iter().map(|(_, new)| new.step_key.as_str()).collect();
        steps.sort_unstable();
        steps.dedup();
        for step in steps {
            let were: Vec<&RecordRow> = site.records.iter().filter(|record| record.step_key == step).collect();
            let now: Vec<&NewRecord> =
                story.taken.iter().map(|(_, new)| new).filter(|new| new.step_key == step).collect();
            let kept = now.iter().zip(&were).take_while(|(new, was)| same(new, was)).count();
            if kept < were.len() {
                session.restate_step(site.row.id, step, event).await?;
            }
            let mut seen = i32::try_from(session.record_count(site.row.id, step).await?).unwrap_or(i32::MAX);
            for new in &now[if kept < were.len() { 0 } else { kept }..] {
                session.append_record(&NewRecord { seen, ..(*new).clone() }).await?;
                seen += 1;
            }
        }
        for (index, _) in &story.taken {
            if let Some(id) = all[*index].event.filter(|_| all[*index].kept) {
                self.settle_event(session, id, &Settled::APPLIED).await?;
            }
        }
        Ok(())
    }
}

/// A waiting event as a telling; `None` for one that is not about a step.
fn telling_of(row: &EventRow, site: &Site) -> Result<Option<Telling>, ServiceError> {
    let event = event_of(row)?;
    let Some((_, body)) = report_of(&event) else { return Ok(None) };
    // A crew that is not there any more speaks for nobody.
    let crew_id = row.recorded_by.strip_prefix("crew ").map(|key| site.bench.crew_id(key).unwrap_or_default());
    let teller = Teller { at: row.recorded_at, by: row.recorded_by.clone() };
    let mut telling = Telling::new(row.id, row.happened_at, Reporter { crew_id }, teller, body);
    telling.kept = true;
    Ok(Some(telling))
}

/// The first record that a story has no place for.
fn undone(story: &Story, all: &[Telling]) -> Option<usize> {
    story.left.keys().copied().find(|index| all[*index].event.is_none())
}

/// What an event has come to that would undo a record.
fn stands_against(undone: &Telling, why: &Result<Heard, ServiceError>) -> Settled {
    let Telling { teller, body, .. } = undone;
    let who = format!("{} told at {} of step {}", teller.by, wire::utc(teller.at), body.step);
    match why {
        Ok(Heard::NotYet(fault)) => {
            let what = format!("with this, what {who} would not follow any more: {}", fault.what);
            let cure = "tell what happened in between; it is then taken in by itself";
            Settled::of(Heard::NotYet(Fault::new("in-between-missing", what, cure)))
        }
        Ok(heard) => {
            let what = match heard {
                Heard::Against(fault) | Heard::Overtaken(fault) => fault.what.as_str(),
                Heard::NotYet(_) | Heard::Changed | Heard::Known => "it is told already",
            };
            against(format!("it cannot be so as well as what {who}: {what}"))
        }
        Err(error) => against(format!("it cannot be so as well as what {who}: {error}")),
    }
}

fn against(what: String) -> Settled {
    let cure = "find out which is so; what is known stays until somebody tells otherwise";
    Settled::of(Heard::Against(Fault::new("stands-against", what, cure)))
}

/// What stands against an event is told with who said it.
fn with_teller(heard: Heard, site: &Site, step: &str) -> Settled {
    let mut settled = Settled::of(heard);
    let said = site.last(step).map(|record| {
        let at = wire::local(site.bench.zone, record.finished_at.unwrap_or(record.started_at));
        format!("; {} told of step {step} for {at}, at {}", record.recorded_by, wire::utc(record.recorded_at))
    });
    if let (EventStanding::Contradicts, Some(reason), Some(said)) = (settled.standing, &mut settled.reason, said) {
        reason.what.push_str(&said);
    }
    settled
}

/// What is wrong with the event itself, told where its sender wrote it.
fn fault_of(mut story: Story, own: usize) -> ServiceError {
    match story.left.remove(&own) {
        Some(Err(error)) => below(error, ""),
        _ => ServiceError::Invalid(vec![told(Fault::new("stands-against", "it cannot be so", "look at the records"))]),
    }
}

/// A stored event as it was read.
pub(super) fn event_of(row: &EventRow) -> Result<Event, ServiceError> {
    let doc: EventDoc = row.doc.parse()?;
    let happening = HappeningDto::read(doc.event).map_err(|faults| super::settled::in_event(&faults))?;
    Ok(Event { id: row.id, at: row.happened_at, note: doc.note, happening })
}
