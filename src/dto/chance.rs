//! What a simulation of a plan says, on the wire and in words: the chance that each house makes its date, when it will be
//! finished, and what drives it. Not read back.

use super::blocker::StepRefDto;
use super::job::JobDto;
use super::meter::OnFailDto;
use super::scalar::local;
use crate::chance::{ChanceModel, Chances, Driver, JobChance, Overrun, TreatAgain};
use crate::domain::chain::Chain;
use crate::domain::ids::{JobIx, StepIx, StepRef, WaitIx};
use crate::domain::situation::{Job, Situation};
use crate::domain::time::Minute;
use serde::Serialize;
use utoipa::ToSchema;

/// Drivers told of one job: the first few carry it, the rest are noise.
const DRIVERS_MAX: usize = 5;

/// What was left to chance, and how much.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ChanceModelDto {
    /// Standard deviation of the logarithm of the factor (median 1) on dry times.
    #[schema(example = 0.2)]
    pub dry_sigma: f64,
    /// As `dry_sigma`, on the minutes of work.
    #[schema(example = 0.15)]
    pub work_sigma: f64,
    /// Share of tries of a check that fail, percent.
    #[schema(example = 15.0)]
    pub failed_check_percent: f64,
}

/// The answer for a company.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ChancesDto {
    /// How often the plan was carried out.
    pub runs: u32,
    /// Of the luck: the same plan, instant, runs and seed give the same answer.
    pub seed: u64,
    /// What was left to chance.
    pub model: ChanceModelDto,
    /// Houses with a date, by key.
    pub houses: Vec<HouseChanceDto>,
    /// All open jobs.
    pub jobs: Vec<JobChanceDto>,
}

/// The answer for a house.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct HouseChanceDto {
    /// Key of the house.
    #[schema(example = "linden-4")]
    pub house: String,
    /// For people.
    pub house_name: String,
    /// Runs in which all its jobs with a date make it, percent; left out while one of them is not wholly planned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub in_time_percent: Option<f64>,
}

/// The answer for a job. Instants are local to the house.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct JobChanceDto {
    /// Key of the job.
    #[schema(example = "linden-4-floors")]
    pub job: String,
    /// For people.
    pub job_name: String,
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// When it should be finished.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub due: Option<String>,
    /// When the plan has it finished; left out while the plan does not hold all its steps.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub planned_finish: Option<String>,
    /// Steps that the plan does not hold; while there are any, nothing else is known.
    pub unplaced_steps: u32,
    /// Runs that finish by `due`, percent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub in_time_percent: Option<f64>,
    /// Finished by then in 50 of 100 runs; left out: not within two months after the plan's horizon.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub finish_percent_50: Option<String>,
    /// As `finish_percent_50`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub finish_percent_80: Option<String>,
    /// As `finish_percent_50`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub finish_percent_95: Option<String>,
    /// What is to be added to the planned finish for a date that is kept in 90 of 100 runs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub buffer_minutes: Option<i64>,
    /// The same in calendar days of the house.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub buffer_days: Option<i64>,
    /// Runs that finish after `due`, or where there is none, after the planned finish, percent.
    pub late_percent: f64,
    /// Runs that are not finished within two months after the plan's horizon, percent.
    pub unfinished_percent: f64,
    /// What makes it late, most frequent first.
    pub drivers: Vec<DriverDto>,
    /// Waits that took longer than they may.
    pub overruns: Vec<OverrunDto>,
}

/// What kind of thing holds a job up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DriverKindDto {
    /// A step takes longer than planned.
    Step,
    /// A wait takes longer than its label says in that air.
    Wait,
    /// A check fails.
    Check,
    /// A crew comes late from another job.
    Crew,
    /// Gear comes late from another job.
    Equipment,
}

/// Something on the path that makes a job late.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DriverDto {
    /// What kind of thing.
    pub kind: DriverKindDto,
    /// Late runs in which it is on the path, percent of the late ones.
    pub percent: f64,
    /// The step or the check; of a wait the step before it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<StepRefDto>,
    /// Of a wait: key of the step after it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Key of the crew.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Key of the equipment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equipment: Option<String>,
    /// A sentence for people, but for its full stop.
    pub what: String,
}

/// A wait that took longer than it may.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct OverrunDto {
    /// Key of the step before the wait.
    pub from: String,
    /// Key of the step after it.
    pub to: String,
    /// Whether that is forbidden, so that the floor may be spoilt; otherwise the wait's extra step was done.
    pub forbidden: bool,
    /// Of all runs.
    pub percent: f64,
    /// A sentence for people, but for its full stop.
    pub what: String,
}

/// To a tenth.
fn percent(part: u32, whole: u32) -> f64 {
    (f64::from(part) * 1_000.0 / f64::from(whole.max(1))).round() / 10.0
}

fn rounded(value: f64, places: i32) -> f64 {
    let unit = 10_f64.powi(places);
    (value * unit).round() / unit
}

impl ChancesDto {
    /// By keys and names of the situation that was simulated.
    pub fn from_domain(situation: &Situation, chances: &Chances) -> ChancesDto {
        let model = &chances.model;
        let house = |chance: &crate::chance::HouseChance| {
            let house = &situation.houses[chance.house.index()];
            HouseChanceDto {
                house: house.key.to_string(),
                house_name: house.name.to_string(),
                in_time_percent: chance.in_time_runs.map(|runs| percent(runs, chances.runs)),
            }
        };
        ChancesDto {
            runs: chances.runs,
            seed: chances.seed,
            model: ChanceModelDto::of(model),
            houses: chances.houses.iter().map(house).collect(),
            jobs: chances.jobs.iter().map(|job| JobChanceDto::of(situation, job, chances.runs)).collect(),
        }
    }
}

impl ChanceModelDto {
    fn of(model: &ChanceModel) -> ChanceModelDto {
        ChanceModelDto {
            dry_sigma: rounded(model.dry_sigma, 3),
            work_sigma: rounded(model.work_sigma, 3),
            failed_check_percent: rounded(model.failed_check_rate * 100.0, 1),
        }
    }
}

impl JobChanceDto {
    fn of(situation: &Situation, chance: &JobChance, runs: u32) -> JobChanceDto {
        let job = &situation.jobs[chance.job.index()];
        let house = &situation.houses[job.house.index()];
        let at = |at: Option<Minute>| at.map(|at| local(house.zone, at));
        let days = || {
            let (planned, safe) = (chance.planned_finish?, chance.finish_percent_90?);
            Some((house.zone.date(safe) - house.zone.date(planned)).num_days().max(0))
        };
        let drivers = chance.drivers.iter().take(DRIVERS_MAX);
        JobChanceDto {
            job: job.key.to_string(),
            job_name: job.name.to_string(),
            house: house.key.to_string(),
            house_name: house.name.to_string(),
            due: at(job.due),
            planned_finish: at(chance.planned_finish),
            unplaced_steps: chance.unplaced_steps,
            in_time_percent: chance.in_time_runs.map(|in_time| percent(in_time, runs)),
            finish_percent_50: at(chance.finish_percent_50),
            finish_percent_80: at(chance.finish_percent_80),
            finish_percent_95: at(chance.finish_percent_95),
            buffer_minutes: chance.buffer_minutes,
            buffer_days: days(),
            late_percent: percent(chance.late_runs, runs),
            unfinished_percent: percent(chance.unfinished_runs, runs),
            drivers: drivers
                .map(|(driver, count)| DriverDto::of(situation, chance.job, *driver, percent(*count, chance.late_runs)))
                .collect(),
            overruns: chance.overruns.iter().map(|overrun| OverrunDto::of(job, overrun, runs)).collect(),
        }
    }
}

/// The two steps that a wait joins.
fn joined(chain: &Chain, wait: WaitIx) -> (StepIx, StepIx) {
    let wait = &chain.waits()[wait.index()];
    (wait.from, wait.to)
}

impl DriverDto {
    fn of(situation: &Situation, late: JobIx, driver: Driver, percent: f64) -> DriverDto {
        let empty = |kind, what| DriverDto { kind, percent, step: None, to: None, crew: None, equipment: None, what };
        let job = |job: JobIx| &situation.jobs[job.index()];
        // What lies in another job is told with its name.
        let place = |other: JobIx| if other == late { String::new() } else { format!(" in {}", job(other).name) };
        let name = |step: StepRef| job(step.job).chain.step(step.step).name.to_string();
        let told = |step: StepRef| Some(StepRefDto::from_domain(step, situation));
        match driver {
            Driver::Step(step) => {
                let what = format!("{}{} takes longer than planned", name(step), place(step.job));
                DriverDto { step: told(step), ..empty(DriverKindDto::Step, what) }
            }
            Driver::Check(step) => {
                let what = format!("{}{} fails", name(step), place(step.job));
                DriverDto { step: told(step), ..empty(DriverKindDto::Check, what) }
            }
            Driver::Wait(of, wait) => {
                let (from, to) = joined(&job(of).chain, wait);
                let (from, to) = (StepRef { job: of, step: from }, StepRef { job: of, step: to });
                let what = format!("the wait from {} to {}{} takes longer", name(from), name(to), place(of));
                let key = job(of).chain.step(to.step).key.to_string();
                DriverDto { step: told(from), to: Some(key), ..empty(DriverKindDto::Wait, what) }
            }
            Driver::Crew(crew) => {
                let crew = &situation.crews[crew.index()];
                let what = format!("{} comes late from another job", crew.name);
                DriverDto { crew: Some(crew.key.to_string()), ..empty(DriverKindDto::Crew, what) }
            }
            Driver::Equipment(kind) => {
                let kind = &situation.equipment[kind.index()];
                let what = format!("{} comes late from another job", kind.name);
                DriverDto { equipment: Some(kind.key.to_string()), ..empty(DriverKindDto::Equipment, what) }
            }
        }
    }
}

impl OverrunDto {
    fn of(job: &Job, overrun: &Overrun, runs: u32) -> OverrunDto {
        let (from, to) = joined(&job.chain, overrun.wait);
        let (from, to) = (job.chain.step(from), job.chain.step(to));
        let what = if overrun.forbidden {
            format!("{} comes later after {} than is allowed", to.name, from.name)
        } else {
            format!("the window from {} to {} lapses, and its extra step is done", from.name, to.name)
        };
        let percent = percent(overrun.runs, runs);
        OverrunDto { from: from.key.to_string(), to: to.key.to_string(), forbidden: overrun.forbidden, percent, what }
    }
}

/// Which steps are done again when a check fails, as the jobs' own chains say; `jobs` in the order of the situation. A
/// copy that was added for an earlier failure stands for the step it repeats.
pub fn treat_again(situation: &Situation, jobs: &[JobDto]) -> Vec<TreatAgain> {
    let mut all = Vec::new();
    for (number, (job, own)) in situation.jobs.iter().zip(jobs).enumerate() {
        for step in own.steps.iter().flatten() {
            let OnFailDto::TreatAgain(named) = &step.on_fail else { continue };
            let Some(check) = job.chain.find(&step.key) else { continue };
            let steps = named.iter().filter_map(|key| job.chain.find(key)).collect();
            all.push(TreatAgain { check: StepRef { job: JobIx::from_index(number), step: check }, steps });
        }
    }
    all
}
