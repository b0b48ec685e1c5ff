//! An event comes in: once, or again; in time, late or early.

use super::super::records::Reporter;
use super::super::{Service, ServiceError, companies, wire};
use super::floor::report_of;
use super::settled::Settled;
use super::shapes::{EventDoc, EventView, view};
use crate::domain::fault::Fault;
use crate::domain::text::Key;
use crate::dto::{CrewDto, EquipmentDto, Event, EventBody, FaultDto, HappeningDto, Heard, HouseDto};
use crate::store::{Document, EventRow, NewEvent, Noun, Session, StoreError};
use chrono::{Duration, SubsecRound};

/// How far the sender's clock may be ahead.
const AHEAD_MAX: Duration = Duration::minutes(1);

/// What an event is about.
enum About<'a> {
    Job(&'a str),
    Crew(&'a str),
    Equipment(&'a str),
    House(&'a str),
    Region(&'a str),
}

impl About<'_> {
    fn subject(&self) -> String {
        match self {
            About::Job(key) => format!("job/{key}"),
            About::Crew(key) => format!("crew/{key}"),
            About::Equipment(key) => format!("equipment/{key}"),
            About::House(key) => format!("house/{key}"),
            About::Region(key) => format!("region/{key}"),
        }
    }
}

impl Service {
    /// Takes in an event. The same event again is answered as it stands by then; one that does not follow yet, or that
    /// stands against what is known, is kept, too.
    ///
    /// # Errors
    /// `Invalid`, `NotYourCrew`, `OfficeOnly`; `EventIdUsed` when another event has the identifier.
    pub async fn tell(
        &self,
        session: &mut Session,
        reporter: &Reporter,
        body: &EventBody,
    ) -> Result<EventView, ServiceError> {
        let mut event = body.read().map_err(|faults| told_as_they_are(&faults))?;
        // As the database keeps it, so that it is the same when it is told again.
        event.at = event.at.trunc_subsecs(0);
        self.may_be_told(session, reporter, &mut event).await?;
        let about = about(&event.happening);
        let subject = about.subject();
        if let About::Job(key) = about {
            let bad = |fault| ServiceError::fault("/event/job", fault);
            Key::parse(key).map_err(bad)?;
            match session.hold_job(key).await {
                Ok(_) | Err(StoreError::NotFound { .. }) => {}
                Err(error) => return Err(error.into()),
            }
        }
        // One event of a company after the other, so that none overlooks what another changes.
        session.lock_company().await?;
        let office = companies::office_zone(&session.company_row().await?)?;
        let doc = EventDoc {
            note: event.note.clone(),
            event: serde_json::to_value(&event.happening).map_err(StoreError::BadDocument)?,
        };
        if let Some(known) = session.event(event.id).await? {
            return if is_same(&known, &event)? { view(&known, office, true) } else { Err(ServiceError::EventIdUsed) };
        }
        let settled = self.settled(session, &about, reporter, &event).await?;
        let recorded_by = match reporter.crew_id {
            Some(crew) => format!("crew {}", session.noun(Noun::Crew, crew).await?.key),
            None => "office".to_owned(),
        };
        let new = NewEvent {
            id: event.id,
            kind: event.happening.kind().to_owned(),
            subject,
            happened_at: event.at,
            recorded_at: self.now(),
            recorded_by,
            doc: Document::of(&doc)?,
            standing: settled.standing,
            reason: settled.stored_reason()?,
            copied: false,
            base: settled.base,
        };
        let row = session.append_event(&new).await?;
        if let About::Job(key) = about
            && row.standing == crate::store::EventStanding::Applied
        {
            self.story_goes_on(session, key).await?;
        }
        view(&row, office, false)
    }

    async fn settled(
        &self,
        session: &mut Session,
        about: &About<'_>,
        reporter: &Reporter,
        event: &Event,
    ) -> Result<Settled, ServiceError> {
        match about {
            About::Crew(key) => self.tell_spell::<CrewDto>(session, key, event).await,
            About::Equipment(key) => self.tell_spell::<EquipmentDto>(session, key, event).await,
            About::House(key) => self.tell_spell::<HouseDto>(session, key, event).await,
            About::Region(key) => self.tell_forecast(session, key, event).await,
            About::Job(key) => {
                let new = matches!(event.happening, HappeningDto::JobAdded(_));
                if !new && matches!(session.job_by_key(key).await, Err(StoreError::NotFound { .. })) {
                    let what = format!("there is no job {key} yet");
                    let fault = Fault::new("unknown-job", what, "tell of the job, or correct its key");
                    return Ok(Settled::of(Heard::NotYet(fault)));
                }
                match report_of(event) {
                    Some(told) => self.tell_floor(session, told, event, reporter).await,
                    None => self.tell_job(session, event).await,
                }
            }
        }
    }

    /// Whether it may be told, by this teller, now. A crew's events are about itself.
    async fn may_be_told(
        &self,
        session: &mut Session,
        reporter: &Reporter,
        event: &mut Event,
    ) -> Result<(), ServiceError> {
        if !event.happening.may_be_reported() {
            let what = format!("{} does not happen: it is only asked about", event.happening.kind());
            let fault = Fault::new("unknown-value", what, "ask at /v1/what-ifs, or change the document itself");
            return Err(ServiceError::fault("/event/kind", fault));
        }
        if event.at > self.now() + AHEAD_MAX {
            let what = format!("{} is in the future", wire::utc(event.at));
            let cure = "`at` is when it happened, or, for what is still to come, when it was known";
            return Err(ServiceError::fault("/at", Fault::new("in-the-future", what, cure)));
        }
        let Some(own) = reporter.crew_id else {
            return match own_crew(&mut event.happening) {
                Some((crew, true)) if crew.is_none() => {
                    let fault = Fault::new("missing-field", "nobody says which crew", "give the crew");
                    Err(ServiceError::fault("/event/crew", fault))
                }
                _ => Ok(()),
            };
        };
        let own = session.noun(Noun::Crew, own).await?.key;
        let allowed = crews_may_tell(&event.happening);
        let kind = event.happening.kind();
        match own_crew(&mut event.happening) {
            Some((crew, _)) => match crew {
                Some(other) if *other != own => Err(ServiceError::NotYourCrew { own, other: other.clone() }),
                _ => {
                    *crew = Some(own);
                    Ok(())
                }
            },
            None if allowed => Ok(()),
            None => Err(ServiceError::OfficeOnly(kind)),
        }
    }
}

fn told_as_they_are(faults: &[crate::dto::Located]) -> ServiceError {
    ServiceError::Invalid(faults.iter().map(FaultDto::from).collect())
}

/// Whether an event that is told again is the one that was told.
fn is_same(known: &EventRow, event: &Event) -> Result<bool, ServiceError> {
    let before = super::floor::event_of(known)?;
    Ok((before.at, &before.note, &before.happening) == (event.at, &event.note, &event.happening))
}

/// The crew that an event is about, and whether the office must name it.
fn own_crew(happening: &mut HappeningDto) -> Option<(&mut Option<String>, bool)> {
    match happening {
        HappeningDto::StepStarted(told) => Some((&mut told.crew, true)),
        HappeningDto::ReWet(told) => Some((&mut told.crew, true)),
        HappeningDto::CrewAway(told) => Some((&mut told.crew, true)),
        HappeningDto::CrewShort(told) => Some((&mut told.crew, true)),
        HappeningDto::CrewBack(told) => Some((&mut told.crew, true)),
        HappeningDto::StepPaused(told) => Some((&mut told.crew, false)),
        HappeningDto::StepFinished(told) => Some((&mut told.crew, false)),
        HappeningDto::CheckFailed(told) => Some((&mut told.crew, false)),
        HappeningDto::ReadingsTaken(told) => Some((&mut told.crew, false)),
        _ => None,
    }
}

/// What a crew sees that is not about itself: machines and doors.
fn crews_may_tell(happening: &HappeningDto) -> bool {
    matches!(
        happening,
        HappeningDto::MachineBroken(_)
            | HappeningDto::MachineMended(_)
            | HappeningDto::HouseClosed(_)
            | HappeningDto::HouseOpened(_)
    )
}

fn about(happening: &HappeningDto) -> About<'_> {
    match happening {
        HappeningDto::StepStarted(told) => About::Job(&told.job),
        HappeningDto::StepPaused(told) => About::Job(&told.job),
        HappeningDto::StepFinished(told) => About::Job(&told.job),
        HappeningDto::CheckFailed(told) => About::Job(&told.job),
        HappeningDto::ReadingsTaken(told) => About::Job(&told.job),
        HappeningDto::ReWet(told) => About::Job(&told.job),
        HappeningDto::JobAdded(told) => About::Job(&told.job.key),
        HappeningDto::JobGrown(told) => About::Job(&told.job),
        HappeningDto::JobHeld(told) => About::Job(&told.job),
        HappeningDto::JobReopened(told) => About::Job(&told.job),
        HappeningDto::JobCancelled(told) => About::Job(&told.job),
        HappeningDto::JobFinished(told) => About::Job(&told.job),
        HappeningDto::DueMoved(told) => About::Job(&told.job),
        HappeningDto::ReleaseMoved(told) => About::Job(&told.job),
        HappeningDto::CrewAway(told) => About::Crew(told.crew.as_deref().unwrap_or_default()),
        HappeningDto::CrewShort(told) => About::Crew(told.crew.as_deref().unwrap_or_default()),
        HappeningDto::CrewBack(told) => About::Crew(told.crew.as_deref().unwrap_or_default()),
        HappeningDto::MachineBroken(told) => About::Equipment(&told.equipment),
        HappeningDto::MachineMended(told) => About::Equipment(&told.equipment),
        HappeningDto::HouseClosed(told) => About::House(&told.house),
        HappeningDto::HouseOpened(told) => About::House(&told.house),
        HappeningDto::ForecastReplaced(told) => About::Region(&told.region),
        // Only asked about, and refused before.
        HappeningDto::CrewAdded(told) => About::Crew(&told.crew.key),
        HappeningDto::HoursChanged(told) => About::Crew(&told.crew),
        HappeningDto::EquipmentAdded(told) => About::Equipment(&told.equipment),
        HappeningDto::HouseAdded(told) => About::House(&told.house.key),
        HappeningDto::StepPinned(told) => About::Job(&told.job),
    }
}
