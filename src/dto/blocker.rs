//! Why a step is not in a plan, and why a promised one moved: for programs, and in a sentence with its cure for people.

use super::fault::{At, Faults, shown};
use super::names::{Names, Table};
use crate::domain::bounds::{EQUIPMENT_UNITS_MAX, HEAD_COUNT_MAX};
use crate::domain::fault::Fault;
use crate::domain::ids::{EquipmentIx, JobIx, StepIx, StepRef};
use crate::domain::plan::{Blocker, Cause};
use crate::domain::situation::{Job, Situation};
use crate::domain::text::Name;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A step of a job, by keys.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StepRefDto {
    /// Key of the job.
    #[schema(example = "linden-4-floors")]
    pub job: String,
    /// Key of the step in the job's chain.
    #[schema(example = "coat-1")]
    pub step: String,
}

/// Which rule keeps a step out of the plan. Steps are named by key and belong to the same job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
#[allow(missing_docs, reason = "as in domain::plan::Blocker")]
pub enum BlockerDto {
    NoCrewWithSkills(Vec<String>),
    TooFewPeople { needed: i64, largest: i64 },
    LongerThanAnyShift { minutes: i64, longest_minutes: i64 },
    HouseNeverOpen,
    DwellImpossible,
    TooFewUnits { equipment: String, needed: i64, units: i64 },
    ClimateNeverAllows,
    NeverDries(String),
    MaximumWaitAfter(String),
    PinImpossible,
    PredecessorUnplaced(String),
    BeyondHorizon,
}

/// Why a published step inside the freeze time could not stay. A bare key names a step of the same job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "as in domain::plan::Cause")]
pub enum CauseDto {
    StartPassed,
    NotYet,
    Pinned,
    CrewAway,
    CrewUnable,
    HouseClosed,
    Weather,
    EquipmentShort,
    WaitsFor(String),
    TooLateAfter(String),
    CrewBusyWith(StepRefDto),
    AreaTakenBy(StepRefDto),
    GearTakenBy(StepRefDto),
}

/// Jobs by index and by key, for whoever has them.
pub(super) struct Jobs<'a> {
    /// All keys.
    pub(super) names: &'a Names,
    /// By `JobIx`; `None` for a job with faults of its own.
    pub(super) get: &'a dyn Fn(usize) -> Option<&'a Job>,
}

impl<'a> Jobs<'a> {
    /// The job of this key, and its index.
    pub(super) fn find(&self, at: &At, key: &str, who: &str, faults: &mut Faults) -> Option<(JobIx, &'a Job)> {
        let index = faults.find(at, &self.names.jobs, key, who)?;
        (self.get)(index).map(|job| (JobIx::from_index(index), job))
    }
}

/// The step of this key in a job's chain.
pub(super) fn find_step(at: &At, job: &Job, key: &str, who: &str, faults: &mut Faults) -> Option<StepIx> {
    let found = job.chain.find(key);
    if found.is_none() {
        let mut table = Table::steps();
        // A fault that goes untold needs no words.
        let told = if faults.is_full() { &[] } else { job.chain.steps() };
        told.iter().for_each(|step| table.add(step.key.as_str()));
        faults.find(at, &table, key, who);
    }
    found
}

impl StepRefDto {
    pub(super) fn to_domain(&self, at: &At, jobs: &Jobs, faults: &mut Faults) -> Option<StepRef> {
        let (job, content) = jobs.find(&at.field("job"), &self.job, "a plan", faults)?;
        let step = find_step(&at.field("step"), content, &self.step, "a plan", faults)?;
        Some(StepRef { job, step })
    }

    /// By keys.
    pub(super) fn from_domain(step: StepRef, situation: &Situation) -> StepRefDto {
        let job = &situation.jobs[step.job.index()];
        StepRefDto { job: job.key.to_string(), step: job.chain.step(step.step).key.to_string() }
    }
}

impl CauseDto {
    pub(super) fn to_domain(&self, at: &At, job: &Job, jobs: &Jobs, faults: &mut Faults) -> Option<Cause> {
        let mut own = |tag: &str, key: &str| find_step(&at.field(tag), job, key, "a cause", faults);
        Some(match self {
            CauseDto::StartPassed => Cause::StartPassed,
            CauseDto::NotYet => Cause::NotYet,
            CauseDto::Pinned => Cause::Pinned,
            CauseDto::CrewAway => Cause::CrewAway,
            CauseDto::CrewUnable => Cause::CrewUnable,
            CauseDto::HouseClosed => Cause::HouseClosed,
            CauseDto::Weather => Cause::Weather,
            CauseDto::EquipmentShort => Cause::EquipmentShort,
            CauseDto::WaitsFor(step) => Cause::WaitsFor(own("waits_for", step)?),
            CauseDto::TooLateAfter(step) => Cause::TooLateAfter(own("too_late_after", step)?),
            CauseDto::CrewBusyWith(step) => {
                Cause::CrewBusyWith(step.to_domain(&at.field("crew_busy_with"), jobs, faults)?)
            }
            CauseDto::AreaTakenBy(step) => {
                Cause::AreaTakenBy(step.to_domain(&at.field("area_taken_by"), jobs, faults)?)
            }
            CauseDto::GearTakenBy(step) => {
                Cause::GearTakenBy(step.to_domain(&at.field("gear_taken_by"), jobs, faults)?)
            }
        })
    }

    pub(super) fn from_domain(cause: Cause, of: StepRef, situation: &Situation) -> CauseDto {
        let own = |step: StepIx| situation.jobs[of.job.index()].chain.step(step).key.to_string();
        let other = |step: StepRef| StepRefDto::from_domain(step, situation);
        match cause {
            Cause::StartPassed => CauseDto::StartPassed,
            Cause::NotYet => CauseDto::NotYet,
            Cause::Pinned => CauseDto::Pinned,
            Cause::CrewAway => CauseDto::CrewAway,
            Cause::CrewUnable => CauseDto::CrewUnable,
            Cause::HouseClosed => CauseDto::HouseClosed,
            Cause::Weather => CauseDto::Weather,
            Cause::EquipmentShort => CauseDto::EquipmentShort,
            Cause::WaitsFor(step) => CauseDto::WaitsFor(own(step)),
            Cause::TooLateAfter(step) => CauseDto::TooLateAfter(own(step)),
            Cause::CrewBusyWith(step) => CauseDto::CrewBusyWith(other(step)),
            Cause::AreaTakenBy(step) => CauseDto::AreaTakenBy(other(step)),
            Cause::GearTakenBy(step) => CauseDto::GearTakenBy(other(step)),
        }
    }
}

impl BlockerDto {
    pub(super) fn to_domain(&self, at: &At, job: &Job, names: &Names, faults: &mut Faults) -> Option<Blocker> {
        match self {
            BlockerDto::NoCrewWithSkills(skills) => {
                let at = at.field("no_crew_with_skills");
                let skills: Vec<Option<Name>> =
                    skills.iter().enumerate().map(|(index, skill)| faults.name(&at.item(index), skill)).collect();
                Some(Blocker::NoCrewWithSkills(skills.into_iter().collect::<Option<_>>()?))
            }
            BlockerDto::TooFewPeople { needed, largest } => {
                let at = at.field("too_few_people");
                let people = 0..=i64::from(HEAD_COUNT_MAX);
                let needed = faults.whole(&at.field("needed"), *needed, people.clone(), "people");
                let largest = faults.whole(&at.field("largest"), *largest, people, "people");
                Some(Blocker::TooFewPeople { needed: needed? as u32, largest: largest? as u32 })
            }
            BlockerDto::LongerThanAnyShift { minutes, longest_minutes } => {
                Some(Blocker::LongerThanAnyShift { minutes: *minutes, longest_minutes: *longest_minutes })
            }
            BlockerDto::HouseNeverOpen => Some(Blocker::HouseNeverOpen),
            BlockerDto::DwellImpossible => Some(Blocker::DwellImpossible),
            BlockerDto::TooFewUnits { equipment, needed, units } => {
                let at = at.field("too_few_units");
                let kind = faults.find(&at.field("equipment"), &names.equipment, equipment, "a plan");
                let range = 0..=i64::from(EQUIPMENT_UNITS_MAX);
                let needed = faults.whole(&at.field("needed"), *needed, range.clone(), "units");
                let units = faults.whole(&at.field("units"), *units, range, "units");
                let equipment = EquipmentIx::from_index(kind?);
                Some(Blocker::TooFewUnits { equipment, needed: needed? as u32, units: units? as u32 })
            }
            BlockerDto::ClimateNeverAllows => Some(Blocker::ClimateNeverAllows),
            BlockerDto::NeverDries(step) => {
                find_step(&at.field("never_dries"), job, step, "a plan", faults).map(Blocker::NeverDries)
            }
            BlockerDto::MaximumWaitAfter(step) => {
                find_step(&at.field("maximum_wait_after"), job, step, "a plan", faults).map(Blocker::MaximumWaitAfter)
            }
            BlockerDto::PinImpossible => Some(Blocker::PinImpossible),
            BlockerDto::PredecessorUnplaced(step) => {
                let at = at.field("predecessor_unplaced");
                find_step(&at, job, step, "a plan", faults).map(Blocker::PredecessorUnplaced)
            }
            BlockerDto::BeyondHorizon => Some(Blocker::BeyondHorizon),
        }
    }

    pub(super) fn from_domain(blocker: &Blocker, of: StepRef, situation: &Situation) -> BlockerDto {
        let own = |step: &StepIx| situation.jobs[of.job.index()].chain.step(*step).key.to_string();
        match blocker {
            Blocker::NoCrewWithSkills(skills) => {
                BlockerDto::NoCrewWithSkills(skills.iter().map(ToString::to_string).collect())
            }
            Blocker::TooFewPeople { needed, largest } => {
                BlockerDto::TooFewPeople { needed: i64::from(*needed), largest: i64::from(*largest) }
            }
            Blocker::LongerThanAnyShift { minutes, longest_minutes } => {
                BlockerDto::LongerThanAnyShift { minutes: *minutes, longest_minutes: *longest_minutes }
            }
            Blocker::HouseNeverOpen => BlockerDto::HouseNeverOpen,
            Blocker::DwellImpossible => BlockerDto::DwellImpossible,
            Blocker::TooFewUnits { equipment, needed, units } => BlockerDto::TooFewUnits {
                equipment: situation.equipment[equipment.index()].key.to_string(),
                needed: i64::from(*needed),
                units: i64::from(*units),
            },
            Blocker::ClimateNeverAllows => BlockerDto::ClimateNeverAllows,
            Blocker::NeverDries(step) => BlockerDto::NeverDries(own(step)),
            Blocker::MaximumWaitAfter(step) => BlockerDto::MaximumWaitAfter(own(step)),
            Blocker::PinImpossible => BlockerDto::PinImpossible,
            Blocker::PredecessorUnplaced(step) => BlockerDto::PredecessorUnplaced(own(step)),
            Blocker::BeyondHorizon => BlockerDto::BeyondHorizon,
        }
    }

    /// Code, sentence and cure.
    pub fn told(&self) -> Fault {
        match self {
            BlockerDto::NoCrewWithSkills(skills) => Fault::new(
                "no-crew-with-skills",
                format!("No one crew can do it all: it needs {}", skills.join(", ")),
                "give these skills to one crew, or take them off the step",
            ),
            BlockerDto::TooFewPeople { needed, largest } => Fault::new(
                "too-few-people",
                format!("It needs {needed} people; the largest crew with the skills has {largest}"),
                "add people to a crew, or let the step do with fewer",
            ),
            BlockerDto::LongerThanAnyShift { minutes, longest_minutes } => Fault::new(
                "longer-than-any-shift",
                format!(
                    "It takes {minutes} minutes without a break; crew and house have at most {longest_minutes} in common"
                ),
                "lengthen the shift or the access hours, send more people, or split the step by areas",
            ),
            BlockerDto::HouseNeverOpen => Fault::new(
                "house-never-open",
                "The house is never open within the planning horizon",
                "give it access hours in that time",
            ),
            BlockerDto::DwellImpossible => Fault::new(
                "dwell-impossible",
                "The two works of a dwell take so different a time that no crew keeps it from the first point to the last",
                "let both be rolled at the same rate by as many people, or widen the dwell if the label allows it",
            ),
            BlockerDto::TooFewUnits { equipment, needed, units } => Fault::new(
                "too-few-units",
                format!("It needs {needed} of {}; there are {units}", shown(equipment)),
                "get more of it, or let the step do with fewer",
            ),
            BlockerDto::ClimateNeverAllows => Fault::new(
                "climate-never-allows",
                "At no time within the planning horizon has the house the air it needs",
                "heat or dry the house, or widen the limits if the label allows it",
            ),
            BlockerDto::NeverDries(step) => Fault::new(
                "never-dries",
                format!("What step {step} left wet does not dry within the planning horizon: too cold or too humid"),
                "heat or dry the house",
            ),
            BlockerDto::MaximumWaitAfter(step) => Fault::new(
                "maximum-wait-after",
                format!("No crew is free soon enough after step {step}"),
                "free an able crew at that time, or lengthen the maximum if the label allows it",
            ),
            BlockerDto::PinImpossible => Fault::new(
                "pin-impossible",
                "It is pinned to a crew or a time that the rules forbid",
                "remove or move the pin",
            ),
            BlockerDto::PredecessorUnplaced(step) => Fault::new(
                "predecessor-unplaced",
                format!("Step {step} before it has no place in the plan"),
                "cure that one first",
            ),
            BlockerDto::BeyondHorizon => Fault::new(
                "beyond-horizon",
                "There is no room for it before the planning horizon ends",
                "plan further ahead, or add crews or hours",
            ),
        }
    }
}
