//! Events: what happened in the field or in the office, each told once by whoever saw it. The envelope is here, the kinds
//! are in `kinds` and `shapes`, what they change in documents in `heed` and `grow`. No clock, no storing.

mod grow;
mod heed;
mod kinds;
mod shapes;
#[cfg(test)]
mod tests;

pub(crate) use grow::in_one_order;
pub use heed::{Heard, Hearing};
pub use kinds::{EVENT_KINDS, HappeningDto};
pub use shapes::{
    CheckFailed, CrewAdded, CrewAway, CrewBack, CrewShort, DueMoved, EquipmentAdded, ForecastReplaced, HoursChanged,
    HouseAdded, HouseClosed, HouseOpened, JobAdded, JobCancelled, JobFinished, JobGrown, JobHeld, JobReopened,
    MachineBroken, MachineMended, ReWet, ReadingsTaken, ReleaseMoved, StepFinished, StepPaused, StepPinned,
    StepStarted,
};

use super::fault::{At, Faults, Located};
use super::scalar;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// Largest event: a year of forecast.
pub const EVENT_BYTES_MAX: usize = 4 << 20;

/// Something that happened, as it is sent. `event` is read apart from the rest, so that a fault in it is told where it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EventBody {
    /// Made by the sender, once for each event: sent again, it is the same event.
    #[schema(example = "0195a9c6-2f3c-7d63-9f0e-6a2d1b7c9e01")]
    pub id: Uuid,
    /// When it happened; seconds count. For what lasts, when it was known.
    #[schema(example = "2026-03-09T08:00:00-04:00", format = DateTime)]
    pub at: String,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 2000)]
    pub note: Option<String>,
    /// What happened.
    #[schema(value_type = HappeningDto)]
    pub event: Value,
}

/// Something that happened, read.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// See [`EventBody::id`].
    pub id: Uuid,
    /// When it happened.
    pub at: DateTime<Utc>,
    /// For people.
    pub note: Option<String>,
    /// What happened.
    pub happening: HappeningDto,
}

impl EventBody {
    /// Reads it. What it names is not looked up.
    ///
    /// # Errors
    /// Everything wrong with its shape.
    pub fn read(&self) -> Result<Event, Vec<Located>> {
        let mut faults = Faults::default();
        let at = faults.take(&At::Root.field("at"), scalar::exact_instant(&self.at));
        faults.note(&At::Root.field("note"), self.note.as_ref());
        let mut list = faults.into_list();
        match (HappeningDto::read(self.event.clone()), at) {
            (Ok(happening), Some(at)) if list.is_empty() => {
                Ok(Event { id: self.id, at, note: self.note.clone(), happening })
            }
            (Ok(_), _) => Err(list),
            (Err(faults), _) => {
                let below = |located: Located| Located { pointer: format!("/event{}", located.pointer), ..located };
                list.extend(faults.into_iter().map(below));
                Err(list)
            }
        }
    }
}
