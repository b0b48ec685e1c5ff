//! Events on jobs as a whole, and forecasts. Of two words about the same thing the one counts that is about the later
//! moment, whichever came first.

use super::super::nouns::unknown;
use super::super::{Service, ServiceError};
use super::floor::event_of;
use super::settled::{Settled, below, in_event};
use super::shapes::EventDoc;
use crate::domain::fault::Fault;
use crate::dto::{Event, HappeningDto, Heard, JobDto, JobGrown, RegionDto};
use crate::store::{EventFilter, EventRow, EventStanding, Noun, Session, StoreError};
use serde_json::{Value, json};

/// What an event has the last word about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Matter {
    Due,
    Release,
    Status,
    Forecast,
}

impl Matter {
    fn of(kind: &str) -> Option<Matter> {
        match kind {
            "due_moved" => Some(Matter::Due),
            "release_moved" => Some(Matter::Release),
            "job_held" | "job_reopened" | "job_cancelled" | "job_finished" => Some(Matter::Status),
            "forecast_replaced" | "region_changed" => Some(Matter::Forecast),
            _ => None,
        }
    }

    /// Whether an event is a word about it.
    fn is_told_by(self, row: &EventRow) -> Result<bool, ServiceError> {
        if row.kind != "job_changed" {
            return Ok(Matter::of(&row.kind) == Some(self));
        }
        let member = match self {
            Matter::Due => "due",
            Matter::Release => "release",
            Matter::Status => "status",
            Matter::Forecast => return Ok(false),
        };
        let doc: EventDoc = row.doc.parse()?;
        Ok(doc.event["patch"].get(member).is_some())
    }
}

impl Service {
    /// Takes in an event about a job as a whole, which nobody else is changing.
    pub(super) async fn tell_job(&self, session: &mut Session, event: &Event) -> Result<Settled, ServiceError> {
        let status = |status: &str| json!({"status": status});
        let (job, patch) = match &event.happening {
            HappeningDto::JobAdded(told) => return self.tell_new_job(session, event, &told.job).await,
            HappeningDto::JobGrown(told) => return self.tell_grown(session, event, told).await,
            HappeningDto::JobHeld(told) => (&told.job, status("on_hold")),
            HappeningDto::JobReopened(told) => (&told.job, status("open")),
            HappeningDto::JobCancelled(told) => (&told.job, status("cancelled")),
            HappeningDto::JobFinished(told) => (&told.job, status("finished")),
            HappeningDto::DueMoved(told) => (&told.job, json!({"due": told.due})),
            HappeningDto::ReleaseMoved(told) => (&told.job, json!({"release": told.release})),
            _ => return Ok(Settled::of(Heard::Known)),
        };
        let row = session.job_by_key(job).await?;
        if let Some(later) = self.later_word(session, &format!("job/{job}"), event).await? {
            return Ok(later);
        }
        let before = (row.status, row.due_at, row.release_at);
        let changed = self.change_job(session, job, row.version, patch).await.map_err(|error| below(error, ""))?;
        let after = (changed.row.status, changed.row.due_at, changed.row.release_at);
        Ok(Settled::of(if before == after { Heard::Known } else { Heard::Changed }))
    }

    /// A later word about the same matter, if there is one.
    async fn later_word(
        &self,
        session: &mut Session,
        subject: &str,
        event: &Event,
    ) -> Result<Option<Settled>, ServiceError> {
        let Some(matter) = Matter::of(event.happening.kind()) else { return Ok(None) };
        let rows = session.events_about(subject, 0).await?;
        // A word that told what was known is a word all the same.
        let words = |row: &&EventRow| matches!(row.standing, EventStanding::Applied | EventStanding::Known);
        for row in rows.iter().rev().filter(words) {
            if (row.happened_at, row.id) > (event.at, event.id) && matter.is_told_by(row)? {
                let at = super::super::wire::utc(row.happened_at);
                let what = format!("{} told {} for {at}, which is later", row.recorded_by, row.kind);
                let fault = Fault::new("later-word", what, "tell it anew with a later `at` if it counts after all");
                return Ok(Some(Settled::of(Heard::Overtaken(fault))));
            }
        }
        Ok(None)
    }

    async fn tell_new_job(&self, session: &mut Session, event: &Event, job: &JobDto) -> Result<Settled, ServiceError> {
        match session.job_by_key(&job.key).await {
            Err(StoreError::NotFound { .. }) => {}
            Err(error) => return Err(error.into()),
            Ok(row) => {
                let told = session.events_about(&format!("job/{}", job.key), 0).await?;
                for row in told.iter().filter(|row| row.kind == "job_added") {
                    let same = serde_json::to_value(&event.happening).map_err(StoreError::BadDocument)?;
                    if row.doc.parse::<EventDoc>()?.event == same {
                        return Ok(Settled::of(Heard::Known));
                    }
                }
                let at = super::super::wire::utc(row.created_at);
                let what = format!("there is another job {} since {at}", job.key);
                let fault = Fault::new("key-taken", what, "give the new job a key of its own");
                return Ok(Settled::of(Heard::Against(fault)));
            }
        }
        self.add_job(session, job.clone()).await.map_err(|error| below(error, "/job"))?;
        Ok(Settled::APPLIED)
    }

    /// What grew later grows on it, so that the chain is the same in whichever order two such events come.
    async fn tell_grown(&self, session: &mut Session, event: &Event, told: &JobGrown) -> Result<Settled, ServiceError> {
        let stored = self.job(session, &told.job).await?;
        let mut later = Vec::new();
        for row in session.events_about(&format!("job/{}", told.job), 0).await? {
            let after = row.standing == EventStanding::Applied && (row.happened_at, row.id) > (event.at, event.id);
            if after
                && row.kind == "job_grown"
                && let HappeningDto::JobGrown(told) = event_of(&row)?.happening
            {
                later.push(told);
            }
        }
        let before = stored.view.job.clone();
        let mut job = before.clone();
        later.iter().rev().for_each(|told| job.shrink(told));
        let heard = job.grow(told).map_err(|faults| in_event(&faults))?;
        for told in &later {
            job.grow(told).map_err(|faults| in_event(&faults))?;
        }
        let grown = match heard {
            Heard::Changed => true,
            Heard::Known => false,
            Heard::NotYet(_) | Heard::Against(_) | Heard::Overtaken(_) => return Ok(Settled::of(heard)),
        };
        let house = session.noun(Noun::House, stored.row.house_id).await?;
        let mut doc: crate::dto::HouseDto = house.doc.parse()?;
        let larger = doc.grow(&told.areas).map_err(|faults| in_event(&faults))?;
        if larger {
            // Checked by itself first, so that faults are told where the sender wrote them.
            let faults = doc.check();
            if !faults.is_empty() {
                return Err(in_event(&faults));
            }
            let changed = self.put_noun(session, &house.key, house.version, &doc).await?;
            self.jobs_still_fit(session, &changed).await.map_err(|error| below(error, ""))?;
        }
        if grown && before != job {
            let patch = json!({"steps": job.steps, "waits": job.waits});
            let changed = self.change_job(session, &told.job, stored.row.version, patch).await;
            changed.map_err(|error| below(error, ""))?;
        }
        Ok(Settled::of(if grown || larger { Heard::Changed } else { Heard::Known }))
    }

    /// Takes in a forecast for a region, which nobody else is changing.
    pub(super) async fn tell_forecast(
        &self,
        session: &mut Session,
        key: &str,
        event: &Event,
    ) -> Result<Settled, ServiceError> {
        let row = match session.noun_by_key(Noun::Region, key).await {
            Err(StoreError::NotFound { what }) => {
                return Err(ServiceError::fault("/event/region", unknown(what, key)));
            }
            other => other?,
        };
        let mut region: RegionDto = row.doc.parse()?;
        let heard = region.heed(event).map_err(|faults| in_event(&faults))?;
        if let Some(later) = self.later_word(session, &format!("region/{key}"), event).await? {
            return Ok(later);
        }
        if heard == Heard::Changed {
            self.put_noun(session, key, row.version, &region).await?;
        }
        Ok(Settled::of(heard))
    }

    /// Takes in whatever has waited for what is known of a job now.
    pub(in super::super) async fn story_goes_on(&self, session: &mut Session, job: &str) -> Result<(), ServiceError> {
        let filter = EventFilter {
            subject: Some(format!("job/{job}")),
            standing: Some(EventStanding::Waiting),
            ..EventFilter::default()
        };
        loop {
            let mut rows = session.events(&filter, None, super::floor::WAITING_MAX).await?;
            rows.sort_by_key(|row| (row.happened_at, row.id));
            let mut progress = false;
            for row in rows.iter().filter(|row| is_of_office(&row.kind)) {
                // What has become wrong meanwhile goes on waiting: the office sees it.
                let Ok(settled) = self.tell_job(session, &event_of(row)?).await else { continue };
                if settled.standing != EventStanding::Waiting {
                    self.settle_event(session, row.id, &settled).await?;
                    progress = true;
                }
            }
            progress |= self.floor_goes_on(session, job).await?;
            if !progress {
                return Ok(());
            }
        }
    }

    /// Changes how an event stands.
    pub(super) async fn settle_event(
        &self,
        session: &mut Session,
        id: uuid::Uuid,
        settled: &Settled,
    ) -> Result<(), ServiceError> {
        Ok(session.settle_event(id, settled.standing, settled.stored_reason()?.as_ref()).await?)
    }
}

fn is_of_office(kind: &str) -> bool {
    Matter::of(kind).is_some() || matches!(kind, "job_added" | "job_grown")
}

/// What is sent to change a job, as its event has it: without what only shows.
pub(in super::super) fn job_patched(key: &str, patch: &Value) -> Value {
    json!({"kind": "job_changed", "job": key, "patch": patch})
}
