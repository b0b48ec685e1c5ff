//! The kinds of events in one enum, and how an event of each is read.

use super::super::fault::{Located, shown};
use super::super::json::read_json;
use super::EVENT_BYTES_MAX;
use super::shapes::{
    CheckFailed, CrewAdded, CrewAway, CrewBack, CrewShort, DueMoved, EquipmentAdded, ForecastReplaced, HoursChanged,
    HouseAdded, HouseClosed, HouseOpened, JobAdded, JobCancelled, JobFinished, JobGrown, JobHeld, JobReopened,
    MachineBroken, MachineMended, ReWet, ReadingsTaken, ReleaseMoved, StepFinished, StepPaused, StepPinned,
    StepStarted,
};
use crate::domain::fault::Fault;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

/// The kinds in one enum, and how each is read with its own pointers: JSON readers lose their way in tagged enums.
macro_rules! kinds {
    ($($(#[$about:meta])* $name:ident = $word:literal, $sent:literal;)*) => {
        /// What happened.
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
        #[serde(tag = "kind")]
        pub enum HappeningDto {
            $(
                #[doc = concat!("See [`", stringify!($name), "`].")]
                #[serde(rename = $word)]
                $name(Box<$name>),
            )*
        }

        /// Every kind that there is; `true`: may be reported, `false`: only asked about.
        pub const EVENT_KINDS: &[(&str, bool)] = &[$(($word, $sent)),*];

        impl HappeningDto {
            /// Its kind, as on the wire.
            pub fn kind(&self) -> &'static str {
                match self {
                    $(HappeningDto::$name(_) => $word,)*
                }
            }

            /// Reads `members`, which do not hold `kind` any more. Pointers are into them.
            fn of_kind(kind: &str, members: &str) -> Result<HappeningDto, Vec<Located>> {
                match kind {
                    $($word => Ok(HappeningDto::$name(Box::new(read_json(members, EVENT_BYTES_MAX)?))),)*
                    _ => {
                        let known: Vec<&str> = EVENT_KINDS.iter().map(|(word, _)| *word).collect();
                        let what = format!("{} is no kind of event", shown(kind));
                        let fault = Fault::new("unknown-value", what, format!("use one of {}", known.join(", ")));
                        Err(vec![Located { pointer: "/kind".to_owned(), fault }])
                    }
                }
            }
        }

        $(
            impl From<$name> for HappeningDto {
                fn from(body: $name) -> HappeningDto {
                    HappeningDto::$name(Box::new(body))
                }
            }
        )*
    };
}

kinds! {
    StepStarted = "step_started", true;
    StepPaused = "step_paused", true;
    StepFinished = "step_finished", true;
    CheckFailed = "check_failed", true;
    ReadingsTaken = "readings_taken", true;
    ReWet = "re_wet", true;
    CrewAway = "crew_away", true;
    CrewShort = "crew_short", true;
    CrewBack = "crew_back", true;
    MachineBroken = "machine_broken", true;
    MachineMended = "machine_mended", true;
    HouseClosed = "house_closed", true;
    HouseOpened = "house_opened", true;
    ForecastReplaced = "forecast_replaced", true;
    JobAdded = "job_added", true;
    JobGrown = "job_grown", true;
    JobHeld = "job_held", true;
    JobReopened = "job_reopened", true;
    JobCancelled = "job_cancelled", true;
    JobFinished = "job_finished", true;
    DueMoved = "due_moved", true;
    ReleaseMoved = "release_moved", true;
    CrewAdded = "crew_added", false;
    EquipmentAdded = "equipment_added", false;
    HouseAdded = "house_added", false;
    StepPinned = "step_pinned", false;
    HoursChanged = "hours_changed", false;
}

impl HappeningDto {
    /// Reads a JSON object with its `kind`.
    ///
    /// # Errors
    /// Everything wrong with its shape; pointers begin at the object.
    pub fn read(value: Value) -> Result<HappeningDto, Vec<Located>> {
        let fault = |pointer: &str, code, what: &str, cure: &str| {
            vec![Located { pointer: pointer.to_owned(), fault: Fault::new(code, what, cure) }]
        };
        let Value::Object(mut members) = value else {
            return Err(fault("", "wrong-type", "what happened is no JSON object", "give an object with `kind`"));
        };
        match members.remove("kind") {
            Some(Value::String(kind)) => HappeningDto::of_kind(&kind, &Value::Object(members).to_string()),
            Some(_) => Err(fault("/kind", "wrong-type", "the kind is no text", "use one of the words documented")),
            None => Err(fault("/kind", "missing-field", "nobody says what kind it is", "add `kind`")),
        }
    }

    /// Whether it may be reported; otherwise it is only asked about.
    pub fn may_be_reported(&self) -> bool {
        EVENT_KINDS.iter().any(|(word, reported)| *word == self.kind() && *reported)
    }
}
