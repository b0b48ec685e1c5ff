//! What can happen, one shape for each kind. Members that name a thing hold its key.

use super::super::calendar::CalendarDto;
use super::super::crew::CrewDto;
use super::super::history::OutcomeDto;
use super::super::house::{AreaDto, HouseDto};
use super::super::job::{JobDto, PinDto};
use super::super::meter::ReadingDto;
use super::super::region::ForecastHourDto;
use super::super::step::StepDto;
use super::super::wait::WaitDto;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A shape with a derive list that all of them share.
macro_rules! shapes {
    ($($(#[$about:meta])* $name:ident { $($(#[$of:meta])* $field:ident: $type:ty,)* })*) => {
        $(
            $(#[$about])*
            #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
            #[serde(deny_unknown_fields)]
            pub struct $name {
                $($(#[$of])* pub $field: $type,)*
            }
        )*
    };
}

shapes! {
    /// A crew has begun a step, or goes on with one that was paused. `at`: when it began.
    StepStarted {
        /// Key of the job.
        #[schema(example = "linden-4-floors")]
        job: String,
        /// Key of the step.
        #[schema(example = "sand-coarse")]
        step: String,
        /// Key of the crew; a crew's own token may leave it out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// When the crew expects to be done; left out: computed.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        expected_finish_at: Option<String>,
    }

    /// A crew has left a step before it was done. `at`: when it left.
    StepPaused {
        /// Key of the job.
        job: String,
        /// Key of the step.
        step: String,
        /// Key of the crew; left out: the one that began it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// How long the rest takes that crew.
        #[schema(minimum = 1, maximum = 120_000, example = 90)]
        remaining_minutes: i64,
        /// When it began, if that was not told before.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        started_at: Option<String>,
    }

    /// A step is done. `at`: when it was.
    StepFinished {
        /// Key of the job.
        job: String,
        /// Key of the step.
        step: String,
        /// Key of the crew; left out: the one that began it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// When it began; may be left out where that was told.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        started_at: Option<String>,
    }

    /// A check did not pass, by word of mouth. `at`: when that was seen.
    CheckFailed {
        /// Key of the job.
        job: String,
        /// Key of the check.
        step: String,
        /// Key of the crew; left out: the one that began it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// When it began; may be left out where that was told.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        started_at: Option<String>,
    }

    /// A round of readings was taken; the readings decide whether the check has passed. `at`: when the last was taken.
    ReadingsTaken {
        /// Key of the job.
        job: String,
        /// Key of the check.
        step: String,
        /// Key of the crew; left out: the one that began it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// When it began; may be left out where that was told.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        started_at: Option<String>,
        /// All of the round.
        readings: Vec<ReadingDto>,
        /// Only where the readings do not decide, or the office overrules them with a note.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        outcome: Option<OutcomeDto>,
    }

    /// Part A was too dry for part B and was rolled again. `at`: when that was done.
    ReWet {
        /// Key of the job.
        job: String,
        /// Key of the step with part A.
        #[schema(example = "treat-a")]
        step: String,
        /// Key of the crew; a crew's own token may leave it out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// When the rolling began.
        #[schema(example = "2026-03-09T09:10:00-04:00", format = DateTime)]
        started_at: String,
    }

    /// A crew is away although its calendar says it works.
    CrewAway {
        /// Key of the crew; a crew's own token may leave it out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// First minute away.
        #[schema(example = "2026-03-12T07:00:00-04:00", format = DateTime)]
        from: String,
        /// First minute back.
        #[schema(example = "2026-03-13T00:00:00-04:00", format = DateTime)]
        until: String,
    }

    /// A crew works with fewer people.
    CrewShort {
        /// Key of the crew; a crew's own token may leave it out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// First minute with fewer.
        #[schema(format = DateTime)]
        from: String,
        /// First minute with all of them.
        #[schema(format = DateTime)]
        until: String,
        /// How many are there.
        #[schema(minimum = 1, maximum = 49, example = 1)]
        people: i64,
    }

    /// A crew is back, with all its people: whatever absence or short spell holds at that minute ends there.
    CrewBack {
        /// Key of the crew; a crew's own token may leave it out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crew: Option<String>,
        /// First minute back; left out: the minute of `at`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        from: Option<String>,
    }

    /// Units of gear are out of use.
    MachineBroken {
        /// Key of the gear.
        #[schema(example = "big-machine")]
        equipment: String,
        /// How many are out.
        #[serde(default = "one")]
        #[schema(minimum = 1, maximum = 1000, default = 1)]
        units: i64,
        /// First minute out of use.
        #[schema(format = DateTime)]
        from: String,
        /// First minute in use again.
        #[schema(format = DateTime)]
        until: String,
    }

    /// Gear is in use again: whatever outage holds at that minute ends there.
    MachineMended {
        /// Key of the gear.
        equipment: String,
        /// First minute in use; left out: the minute of `at`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        from: Option<String>,
    }

    /// Nobody may enter a house although its access hours say so.
    HouseClosed {
        /// Key of the house.
        #[schema(example = "linden-4")]
        house: String,
        /// First minute closed.
        #[schema(format = DateTime)]
        from: String,
        /// First minute open.
        #[schema(format = DateTime)]
        until: String,
    }

    /// A house is open again: whatever closure holds at that minute ends there.
    HouseOpened {
        /// Key of the house.
        house: String,
        /// First minute open; left out: the minute of `at`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(format = DateTime)]
        from: Option<String>,
    }

    /// There is another forecast for a region.
    ForecastReplaced {
        /// Key of the region.
        #[schema(example = "coast")]
        region: String,
        /// All of it; 24 hours at least.
        hours: Vec<ForecastHourDto>,
    }

    /// A job has come in.
    JobAdded {
        /// As for `POST /v1/jobs`.
        job: JobDto,
    }

    /// A job is more work than was thought: more steps, more floor, or both.
    JobGrown {
        /// Key of the job.
        job: String,
        /// More steps. Each stands behind the last of those it waits for.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        steps: Vec<StepDto>,
        /// More waits: among the new steps, and between them and those that are there.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        waits: Vec<WaitDto>,
        /// Areas of the house that are larger than was thought, or new. Work that has been begun is not reckoned anew.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        areas: Vec<AreaDto>,
    }

    /// A job is left out of plans for now.
    JobHeld {
        /// Key of the job.
        job: String,
    }

    /// A job is planned again.
    JobReopened {
        /// Key of the job.
        job: String,
    }

    /// A job is called off.
    JobCancelled {
        /// Key of the job.
        job: String,
    }

    /// A job is over.
    JobFinished {
        /// Key of the job.
        job: String,
    }

    /// The customer has moved the date.
    DueMoved {
        /// Key of the job.
        job: String,
        /// When it should be finished; left out: whenever.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(example = "2026-03-30T17:00:00-04:00", format = DateTime)]
        due: Option<String>,
    }

    /// A job may begin at another time than was thought.
    ReleaseMoved {
        /// Key of the job.
        job: String,
        /// Nothing of it starts earlier.
        #[schema(example = "2026-03-12T07:00:00-04:00", format = DateTime)]
        release: String,
    }

    /// For asking "what if" only: one more crew.
    CrewAdded {
        /// As for `POST /v1/crews`.
        crew: CrewDto,
    }

    /// For asking "what if" only: more gear.
    EquipmentAdded {
        /// Key of the gear; one that is not known is new.
        #[schema(example = "big-machine")]
        equipment: String,
        /// How many more.
        #[serde(default = "one")]
        #[schema(minimum = 1, maximum = 1000, default = 1)]
        units: i64,
    }

    /// For asking "what if" only: one more house.
    HouseAdded {
        /// As for `POST /v1/houses`.
        house: HouseDto,
    }

    /// For asking "what if" only: a step is done by this crew, then, or not earlier. Takes the place of the step's pin.
    StepPinned {
        /// Key of the job.
        job: String,
        /// As in the job.
        pin: PinDto,
    }

    /// For asking "what if" only: a crew works other hours.
    HoursChanged {
        /// Key of the crew.
        crew: String,
        /// In place of its calendar.
        calendar: CalendarDto,
    }
}

fn one() -> i64 {
    1
}
