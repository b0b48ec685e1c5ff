//! Settings of the company that planning heeds.

use super::fault::{At, Faults, Located};
use super::meter::SpeciesShiftDto;
use super::scalar;
use crate::domain::bounds::{COEFFICIENT_MAX, HORIZON_DAYS_MAX};
use crate::domain::resources::TravelModel;
use crate::domain::situation::{CostWeights, Settings};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Longest freeze: a season.
pub const FREEZE_MINUTES_MAX: i64 = 90 * 1440;
/// Nobody forgets to report for longer than a day.
pub const UNREPORTED_GRACE_MINUTES_MAX: i64 = 1440;
/// Longest fixed part of a way: a day.
pub const TRAVEL_FIXED_MINUTES_MAX: i64 = 1440;
/// Fastest average on the road.
pub const SPEED_KMH_MAX: i64 = 200;
/// Longest detour: ten times the way of the crow.
pub const DETOUR_PERCENT_MAX: i64 = 1_000;

/// How long ways take.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct TravelDto {
    /// Added once to every way between two different places.
    #[schema(minimum = 0, maximum = 1440, default = 5)]
    pub fixed_minutes: i64,
    /// Average speed on the road.
    #[schema(minimum = 1, maximum = 200, default = 40)]
    pub speed_kmh: i64,
    /// Road distance over distance as the crow flies.
    #[schema(minimum = 100, maximum = 1000, default = 130)]
    pub detour_percent: i64,
}

/// What a plan is charged, in cost points.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CostDto {
    /// For each ordinary step that is not placed.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 10_000_000)]
    pub unplaced_step: i64,
    /// For each minute after due, times the job's weight.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 10)]
    pub late_minute: i64,
    /// For each minute from release to the job's finish, times the job's weight.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 1)]
    pub finish_minute: i64,
    /// For each published step whose start moves.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 600)]
    pub moved_step: i64,
    /// For each minute a published start moves.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 2)]
    pub moved_minute: i64,
    /// For each published step that changes its crew.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 600)]
    pub changed_crew: i64,
    /// For each minute on the road.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 3)]
    pub travel_minute: i64,
    /// For each minute of work outside ordinary hours.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 4)]
    pub overtime_minute: i64,
    /// For each change of crew between one step of a job and the next.
    #[schema(minimum = 0, maximum = 1_000_000_000, default = 300)]
    pub hand_over: i64,
}

/// Who decides on repairs of the published plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RepairsDto {
    /// Every repair is published as soon as it is made.
    Automatic,
    /// A repair that moves a promise is put before the office; one that only notes what happened is published.
    #[default]
    Proposed,
}

/// Settings of the company.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SettingsDto {
    /// IANA zone of the office.
    #[schema(example = "America/New_York")]
    pub time_zone: String,
    /// Published steps that start within so many minutes from now stay unless they cannot.
    #[serde(default = "freeze_minutes")]
    #[schema(minimum = 0, maximum = 129_600, default = 1440)]
    pub freeze_minutes: i64,
    /// How many calendar days a plan reaches.
    #[serde(default = "horizon_days")]
    #[schema(minimum = 1, maximum = 400, default = 60)]
    pub horizon_days: i64,
    /// How long ways take.
    #[serde(default)]
    pub travel: TravelDto,
    /// How plans are compared.
    #[serde(default)]
    pub cost: CostDto,
    /// Who decides on repairs of the published plan; planning does not heed it.
    #[serde(default)]
    pub repairs: RepairsDto,
    /// A published step that nobody has reported is taken to go as promised until it should have been over for so long;
    /// 0: never. Planning itself does not heed it: it is done where the history is put together.
    #[serde(default = "unreported_grace_minutes")]
    #[schema(minimum = 0, maximum = 1440, default = 120)]
    pub unreported_grace_minutes: i64,
    /// What is added to meter readings by species; planning does not heed it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub species_shifts: Vec<SpeciesShiftDto>,
}

fn freeze_minutes() -> i64 {
    1440
}

fn unreported_grace_minutes() -> i64 {
    120
}

fn horizon_days() -> i64 {
    60
}

impl Default for TravelDto {
    fn default() -> TravelDto {
        TravelDto::from_domain(TravelModel::default())
    }
}

impl Default for CostDto {
    fn default() -> CostDto {
        CostDto::from_domain(CostWeights::default())
    }
}

impl TravelDto {
    fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<TravelModel> {
        let fixed_at = at.field("fixed_minutes");
        let fixed = faults.whole(&fixed_at, self.fixed_minutes, 0..=TRAVEL_FIXED_MINUTES_MAX, "minutes");
        let speed = faults.whole(&at.field("speed_kmh"), self.speed_kmh, 1..=SPEED_KMH_MAX, "km/h");
        let detour =
            faults.whole(&at.field("detour_percent"), self.detour_percent, 100..=DETOUR_PERCENT_MAX, "percent");
        Some(TravelModel { fixed_minutes: fixed?, speed_kmh: speed? as u32, detour_percent: detour? as u32 })
    }

    fn from_domain(travel: TravelModel) -> TravelDto {
        TravelDto {
            fixed_minutes: travel.fixed_minutes,
            speed_kmh: i64::from(travel.speed_kmh),
            detour_percent: i64::from(travel.detour_percent),
        }
    }
}

impl CostDto {
    fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<CostWeights> {
        let mut weigh =
            |name: &str, points: i64| faults.whole(&at.field(name), points, 0..=COEFFICIENT_MAX, "cost points");
        let unplaced_step = weigh("unplaced_step", self.unplaced_step);
        let late_minute = weigh("late_minute", self.late_minute);
        let finish_minute = weigh("finish_minute", self.finish_minute);
        let moved_step = weigh("moved_step", self.moved_step);
        let moved_minute = weigh("moved_minute", self.moved_minute);
        let changed_crew = weigh("changed_crew", self.changed_crew);
        let travel_minute = weigh("travel_minute", self.travel_minute);
        let overtime_minute = weigh("overtime_minute", self.overtime_minute);
        let hand_over = weigh("hand_over", self.hand_over);
        Some(CostWeights {
            unplaced_step: unplaced_step?,
            late_minute: late_minute?,
            finish_minute: finish_minute?,
            moved_step: moved_step?,
            moved_minute: moved_minute?,
            changed_crew: changed_crew?,
            travel_minute: travel_minute?,
            overtime_minute: overtime_minute?,
            hand_over: hand_over?,
        })
    }

    fn from_domain(cost: CostWeights) -> CostDto {
        CostDto {
            unplaced_step: cost.unplaced_step,
            late_minute: cost.late_minute,
            finish_minute: cost.finish_minute,
            moved_step: cost.moved_step,
            moved_minute: cost.moved_minute,
            changed_crew: cost.changed_crew,
            travel_minute: cost.travel_minute,
            overtime_minute: cost.overtime_minute,
            hand_over: cost.hand_over,
        }
    }
}

impl SettingsDto {
    /// Everything wrong with it.
    pub fn check(&self) -> Vec<Located> {
        let mut faults = Faults::default();
        self.to_domain(&At::Root, &mut faults);
        faults.into_list()
    }

    pub(super) fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Settings> {
        let zone = faults.take(&at.field("time_zone"), scalar::zone(&self.time_zone));
        let freeze = faults.whole(&at.field("freeze_minutes"), self.freeze_minutes, 0..=FREEZE_MINUTES_MAX, "minutes");
        let horizon = faults.whole(&at.field("horizon_days"), self.horizon_days, 1..=HORIZON_DAYS_MAX, "days");
        let travel = self.travel.to_domain(&at.field("travel"), faults);
        let cost = self.cost.to_domain(&at.field("cost"), faults);
        let grace = self.unreported_grace_minutes;
        faults.whole(&at.field("unreported_grace_minutes"), grace, 0..=UNREPORTED_GRACE_MINUTES_MAX, "minutes");
        SpeciesShiftDto::check_all(&self.species_shifts, &at.field("species_shifts"), faults);
        Some(Settings { zone: zone?, freeze_minutes: freeze?, horizon_days: horizon?, travel: travel?, cost: cost? })
    }

    pub(super) fn from_domain(settings: &Settings) -> SettingsDto {
        SettingsDto {
            time_zone: settings.zone.name().to_string(),
            freeze_minutes: settings.freeze_minutes,
            horizon_days: settings.horizon_days,
            travel: TravelDto::from_domain(settings.travel),
            cost: CostDto::from_domain(settings.cost),
            repairs: RepairsDto::default(),
            unreported_grace_minutes: unreported_grace_minutes(),
            species_shifts: Vec::new(),
        }
    }
}
