//! A crew's day as it is shown.

use super::super::treatment::TreatmentPlanView;
use crate::dto::{
    CautionDto, FilmDto, GearDto, ItemNeedDto, LoadListDto, LocationDto, MeterKindDto, ProductNeedDto, SpeciesShiftDto,
    StepKindDto,
};
use crate::store::RecordOutcome;
use chrono::NaiveDate;
use serde::Serialize;
use utoipa::ToSchema;

/// How a step stands, by what was reported of it last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepStandingDto {
    /// Nobody has reported anything.
    Open,
    /// Begun.
    Running,
    /// Left before its end.
    Paused,
    /// A check that did not pass.
    Failed,
    /// Done; for a check: passed.
    Done,
}

impl StepStandingDto {
    pub(super) fn of(outcome: Option<RecordOutcome>) -> StepStandingDto {
        match outcome {
            None => StepStandingDto::Open,
            Some(RecordOutcome::Running) => StepStandingDto::Running,
            Some(RecordOutcome::Paused) => StepStandingDto::Paused,
            Some(RecordOutcome::Failed) => StepStandingDto::Failed,
            Some(RecordOutcome::Done) => StepStandingDto::Done,
        }
    }
}

/// An area to read.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AreaToReadDto {
    /// Its name.
    #[schema(example = "Living room")]
    pub area: String,
    /// Floor, square feet.
    pub area_sqft: i64,
    /// Wood, if known.
    pub species: Option<String>,
    /// Readings to take, at least.
    pub needed: usize,
}

/// What a check asks for: with the readings in its areas it is the question of `POST /v1/calculations/meter-check`.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CheckSheetDto {
    /// Which meter.
    pub meter: MeterKindDto,
    /// Readings on 1,000 sq ft, at least.
    pub needed_per_1000_sqft: i64,
    /// How far an area's mean may lie from the floor's, points.
    pub points_max: f64,
    /// In the order of the house.
    pub areas: Vec<AreaToReadDto>,
    /// What the company adds to readings by species.
    pub species_shifts: Vec<SpeciesShiftDto>,
}

/// The time between part A and part B at each point of a floor.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct DwellDto {
    /// Key of the step with part A.
    pub step_a: String,
    /// Key of the step with part B.
    pub step_b: String,
    /// No sooner than that after part A.
    pub min_minutes: i64,
    /// No later; left out where nobody has said.
    pub max_minutes: Option<i64>,
}

/// One piece of a crew's promised work.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CrewWorkDto {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// Key of the step.
    pub step: String,
    /// For people.
    pub step_name: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// Street and town.
    pub address: Option<String>,
    /// Where it is.
    pub location: Option<LocationDto>,
    /// First minute, local to the house.
    pub start: String,
    /// First minute after.
    pub finish: String,
    /// Which piece of the step, from 1.
    pub piece: i32,
    /// How the step stands.
    pub standing: StepStandingDto,
    /// Start of the last try that was reported.
    pub started_at: Option<String>,
    /// End of the last try that was reported.
    pub finished_at: Option<String>,
    /// Whether it may be left before its end.
    pub dividable: bool,
    /// Names of steps that come before it and are not reported done.
    pub follows_open: Vec<String>,
    /// For the people who do it.
    pub notes: Option<String>,
    /// Liquids to bring.
    pub products: Vec<ProductNeedDto>,
    /// Everything else to bring that is no booked gear.
    pub items: Vec<ItemNeedDto>,
    /// Units that the plan has booked.
    pub gear: Vec<GearDto>,
    /// What to beware of, the gravest first.
    pub cautions: Vec<CautionDto>,
    /// Of a check with a meter.
    pub check: Option<CheckSheetDto>,
    /// How a check stands that has been tried, a line each.
    pub tried: Vec<String>,
    /// Of either part of a treatment.
    pub dwell: Option<DwellDto>,
    /// Of the first part of a treatment that is rolled in sections.
    pub sections: Option<TreatmentPlanView>,
}

/// The works of one day.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CrewWorksDto {
    /// Which.
    pub date: NaiveDate,
    /// By start.
    pub works: Vec<CrewWorkDto>,
    /// What to take along.
    pub load: LoadListDto,
}

/// A wait that runs in a house where the crew has work.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct RunningWaitDto {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub house_name: String,
    /// Name of the step that is done.
    pub after: String,
    /// Name of the step that waits.
    pub before: String,
    /// Key of the step that waits.
    pub before_step: String,
    /// What dries.
    pub film: Option<FilmDto>,
    /// Nobody enters before its end.
    pub keep_off: bool,
    /// End of the step that is done.
    pub from: String,
    /// First minute for the next step: label time, stretched by the air that is expected in the house.
    pub ready_at: String,
    /// The next step begins no later, if there is such a limit.
    pub latest_at: Option<String>,
}

/// What a crew does on a day, and what it has to know for it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CrewDayDto {
    /// Key of the crew.
    pub crew: String,
    /// For people.
    pub crew_name: String,
    /// Whose days: the crew's.
    #[schema(example = "America/New_York")]
    pub time_zone: String,
    /// The instant of asking.
    pub now: String,
    /// Number of the plan that is promised.
    pub plan: Option<i64>,
    /// The day.
    pub day: CrewWorksDto,
    /// Promised for the two days before, and nobody has said how it ended.
    pub unreported: Vec<CrewWorkDto>,
    /// The next day with promised work, within a week.
    pub next_day: Option<CrewWorksDto>,
    /// By end.
    pub waits: Vec<RunningWaitDto>,
}
