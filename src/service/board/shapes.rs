//! The board on the wire. It holds thousands of instants, so they are whole minutes since 1970-01-01T00:00Z, and crews,
//! houses, jobs and steps are named by their place in the lists beside; whatever is as usual is left out.

use crate::dto::{FilmDto, PinDto, StepKindDto};
use crate::service::bottlenecks::TimeSpent;
use chrono::NaiveDate;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// From a minute until another: `[start, first minute after]`.
pub type BoardSpan = [i64; 2];

fn is_false(value: &bool) -> bool {
    !value
}

/// A calendar day of the office.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardDay {
    /// The date.
    pub date: NaiveDate,
    /// Its first minute.
    pub start: i64,
}

/// The plan that is shown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardPlan {
    /// Identifier.
    pub id: Uuid,
    /// Counts from 1 in the company.
    pub number: i64,
    /// Whether it is a draft and not the promise.
    pub draft: bool,
    /// Since when it is the promise.
    pub published_at: Option<i64>,
}

/// People who move together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardCrew {
    /// Key.
    pub key: String,
    /// For people.
    pub name: String,
    /// How many they are.
    pub people: u32,
    /// Ordinary working time, absences taken out.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub works: Vec<BoardSpan>,
    /// Working time that is paid as overtime, absences taken out.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub overtime: Vec<BoardSpan>,
    /// Away although they would work.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub away: Vec<BoardSpan>,
    /// Fewer people than usual: from, until, how many.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub short: Vec<[i64; 3]>,
}

/// A place with floors.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardHouse {
    /// Key.
    pub key: String,
    /// For people.
    pub name: String,
    /// Street and town.
    pub address: Option<String>,
    /// Its wall clock.
    pub time_zone: String,
    /// Which of the regions.
    pub region: Option<usize>,
    /// Nobody may enter although its access hours say so.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub closed: Vec<BoardSpan>,
    /// Its air is outside what a finish or treatment still to come needs.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub shut: Vec<BoardSpan>,
}

/// A method applied to a house.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardJob {
    /// Key.
    pub key: String,
    /// For people.
    pub name: String,
    /// Which of the houses.
    pub house: usize,
    /// Left out of plans for now; then none of its steps is shown.
    #[serde(skip_serializing_if = "is_false")]
    pub on_hold: bool,
    /// When it should be finished.
    pub due: Option<i64>,
    /// When it is, as planned; nothing: not all of it has a place.
    pub finish: Option<i64>,
    /// Minutes that this is after due.
    pub late_minutes: i64,
    /// For `If-Match`.
    pub version: i64,
}

/// Where a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BoardStateDto {
    /// Has no place in the plan.
    Unplanned,
    /// Still to come.
    Planned,
    /// In hand.
    Running,
    /// Over.
    Done,
}

/// A try that did not end the step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardTry {
    /// Which of the crews.
    pub crew: usize,
    /// When it began.
    pub start: i64,
    /// When it ended.
    pub finish: i64,
    /// A check that did not pass; otherwise the crew left before the end.
    pub failed: bool,
}

/// Why a step has no place, and what would help.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardUnplaced {
    /// A sentence.
    pub what: String,
    /// What would help.
    pub cure: String,
}

/// One act of work.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BoardStep {
    /// Which of the jobs.
    pub job: usize,
    /// Key in the job's chain.
    pub key: String,
    /// For people.
    pub name: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// Where it stands.
    pub state: BoardStateDto,
    /// Which of the crews.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crew: Option<usize>,
    /// When they work, in order; more than one only where the step may pause.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Vec<i64>>)]
    pub pieces: Vec<BoardSpan>,
    /// Nobody has reported it: it is taken to have gone as promised.
    #[serde(skip_serializing_if = "is_false")]
    pub presumed: bool,
    /// Only there because a window lapses.
    #[serde(skip_serializing_if = "is_false")]
    pub extra: bool,
    /// What the dispatcher fixed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pin: Option<PinDto>,
    /// Why it had to move from its promise, if it was promised inside the freeze time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub moved_because: Option<String>,
    /// Tries before, oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tries: Vec<BoardTry>,
    /// Where it has no place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unplaced: Option<BoardUnplaced>,
}

/// What a wait is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BoardWaitKind {
    /// Between the two parts of a treatment: the crew stays.
    Dwell,
    /// Something dries, as fast as the air lets it.
    Drying,
    /// A time by the clock.
    Pause,
    /// Nothing has to pass, but the next step may not come too late.
    Window,
}

/// The time between two steps of a chain, and when the later one may start.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardWait {
    /// The earlier of the steps.
    pub from: usize,
    /// The later one.
    pub to: usize,
    /// What it is there for.
    pub kind: BoardWaitKind,
    /// From when it counts: the earlier step's finish, of a dwell its start.
    pub start: i64,
    /// The earliest start of the later step; nothing: it never gets ready as far as can be seen.
    pub ready: Option<i64>,
    /// The latest start of the later step.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latest: Option<i64>,
    /// When the later step starts as planned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end: Option<i64>,
    /// After the latest an extra step comes between; without it no plan is ever that late.
    #[serde(skip_serializing_if = "is_false")]
    pub lapses: bool,
    /// Nobody enters until it is ready.
    #[serde(skip_serializing_if = "is_false")]
    pub keep_off: bool,
    /// A night must lie between.
    #[serde(skip_serializing_if = "is_false")]
    pub overnight: bool,
    /// What dries.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub film: Option<FilmDto>,
}

/// The weather outdoors, hour by hour.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardRegion {
    /// Key.
    pub key: String,
    /// For people.
    pub name: String,
    /// Start of the first hour.
    pub start: i64,
    /// Tenths of a degree Celsius, hour by hour.
    pub temp_deci_c: Vec<i32>,
    /// Relative humidity in percent, hour by hour.
    pub rh_percent: Vec<i32>,
    /// First minute past the forecast: from there it is the usual air of the month, or the last day again.
    pub forecast_until: Option<i64>,
    /// What most of the finishes and treatments still to come here need; nothing: none of them needs any air.
    pub limits: Option<BoardLimits>,
    /// Colder outdoors than that.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub cold: Vec<BoardSpan>,
    /// Damper outdoors than that, or too near the dew point.
    #[schema(value_type = Vec<Vec<i64>>)]
    pub damp: Vec<BoardSpan>,
}

/// Air that a finish needs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardLimits {
    /// Tenths of a degree Celsius.
    pub temp_min_deci_c: i32,
    /// Percent.
    pub rh_max_percent: i32,
    /// Steps still to come in this region with these limits.
    pub steps: usize,
}

/// What waits for the office.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardRepairs {
    /// Changes that no repair has looked at yet.
    pub waiting: i64,
    /// A draft that a repair has proposed and nobody has decided on.
    pub proposal: Option<Uuid>,
    /// Why the last repair failed.
    pub trouble: Option<String>,
}

/// Who is where when, and every house's chain with its waits: the same data for both.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Board {
    /// Name of the company.
    pub company: String,
    /// The office's zone.
    #[schema(example = "America/New_York")]
    pub time_zone: String,
    /// The days shown.
    pub days: Vec<BoardDay>,
    /// First minute after them.
    pub until: i64,
    /// The instant of looking.
    pub now: i64,
    /// Promised steps that start earlier than this stay unless they cannot.
    pub frozen_until: i64,
    /// Which plan; nothing: none has been published.
    pub plan: Option<BoardPlan>,
    /// How repairs stand.
    pub repairs: BoardRepairs,
    /// By name.
    pub crews: Vec<BoardCrew>,
    /// With a job that is shown; by name.
    pub houses: Vec<BoardHouse>,
    /// Open ones that touch the days or have steps without a place, and those on hold; by house.
    pub jobs: Vec<BoardJob>,
    /// By job and then in the order of its chain, whole chains.
    pub steps: Vec<BoardStep>,
    /// Between those steps.
    pub waits: Vec<BoardWait>,
    /// By name.
    pub regions: Vec<BoardRegion>,
}

/// One job's chance.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BoardChance {
    /// Key of the job.
    pub job: String,
    /// In how many of a hundred runs it is finished by its date; nothing: it has none.
    pub in_time_percent: Option<f64>,
    /// Nine of ten runs are finished by then.
    pub finish_percent_95: Option<String>,
    /// What most often makes it late.
    pub driver: Option<String>,
}

/// The chances of the plan that is shown.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BoardChances {
    /// Number of the plan.
    pub plan: i64,
    /// Runs that it was simulated.
    pub runs: u32,
    /// By job.
    pub jobs: Vec<BoardChance>,
}

/// A start that was tried, and what keeps the step from it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardEarlier {
    /// The start tried.
    pub start: i64,
    /// A sentence each; none: it could, all else being as planned, and the plan costs less this way.
    pub because: Vec<String>,
}

/// All about one step.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BoardStepView {
    /// Key of the job.
    pub job: String,
    /// Key of the step.
    pub step: String,
    /// For the people who do it.
    pub notes: Option<String>,
    /// Names of the areas worked in; nothing: all of the house.
    pub areas: Option<Vec<String>>,
    /// What to bring, such as "2 × Edger".
    pub gear: Vec<String>,
    /// Keys of the crews that have the skills and the people.
    pub able_crews: Vec<String>,
    /// What it needs of the air, in words.
    pub air: Option<String>,
    /// Why it does not start earlier, latest start first; empty where it is not still to come.
    pub earlier: Vec<BoardEarlier>,
    /// How much later it may be; nothing where it has no place or is not still to come.
    pub slack: Option<BoardSlack>,
    /// How much of the time until the job's planned finish goes into what, most first.
    pub job_time: Vec<TimeSpent>,
}

/// How much later a step may be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BoardSlack {
    /// The latest start that leaves everything else where it is.
    pub in_place: i64,
    /// The latest start after which the job could still make its date, if every crew and all gear came at once; nothing when
    /// the job has no date, or cannot make it even now.
    pub for_date: Option<i64>,
}
