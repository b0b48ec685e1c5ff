//! Plans on the wire and as files.

use super::blocker::{BlockerDto, Jobs, find_step};
use super::fault::{At, Faults, Located, shown};
use super::guess::{GuessDto, guesses};
use super::json::{read_json, write_json};
use super::names::Names;
use super::placement::PlacementDto;
use super::planning_file::FILE_BYTES_MAX;
use super::scalar::local;
use crate::domain::bounds::{JOBS_MAX, STEPS_PER_CHAIN_MAX};
use crate::domain::fault::Fault;
use crate::domain::ids::StepRef;
use crate::domain::plan::{Cost, Placement, Plan, Unplaced};
use crate::domain::situation::{Job, Situation};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What a plan file says it is.
pub const PLAN_FORMAT: &str = "tackfree-plan/1";
/// Cost points of one part; the sum of all parts still fits.
const COST_PART_MAX: i64 = i64::MAX / 8;

/// A step left out of the plan, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UnplacedDto {
    /// Key of the job.
    pub job: String,
    /// Key of the step.
    pub step: String,
    /// For programs.
    pub reason: BlockerDto,
    /// Stable, for programs that need no details; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "beyond-horizon")]
    pub code: Option<String>,
    /// A sentence for people; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub what: Option<String>,
    /// What would help; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cure: Option<String>,
    /// For people; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub job_name: Option<String>,
    /// For people; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step_name: Option<String>,
}

/// The cost of a plan by its parts, in cost points.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlanCostDto {
    /// Steps left out.
    pub unplaced: i64,
    /// Weighted lateness against due.
    pub lateness: i64,
    /// Weighted finish times.
    pub finish: i64,
    /// Broken promises.
    pub broken: i64,
    /// Time on the road.
    pub travel: i64,
    /// Work outside ordinary hours.
    pub overtime: i64,
    /// Changes of crew within a job.
    pub hand_overs: i64,
    /// Their sum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub total: Option<i64>,
}

impl From<Cost> for PlanCostDto {
    fn from(cost: Cost) -> PlanCostDto {
        PlanCostDto {
            unplaced: cost.unplaced,
            lateness: cost.lateness,
            finish: cost.finish,
            broken: cost.broken,
            travel: cost.travel,
            overtime: cost.overtime,
            hand_overs: cost.hand_overs,
            total: Some(cost.total()),
        }
    }
}

/// Who does what when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlanDto {
    /// `tackfree-plan/1`.
    #[schema(example = "tackfree-plan/1")]
    pub format: String,
    /// The instant it was made for.
    #[schema(example = "2026-03-09T06:00:00-04:00", format = DateTime)]
    pub now: String,
    /// Seed of the search.
    pub seed: u64,
    /// Moves the search was allowed.
    pub move_budget: u64,
    /// By job and then by step.
    pub placements: Vec<PlacementDto>,
    /// By job and then by step.
    pub unplaced: Vec<UnplacedDto>,
    /// By parts.
    pub cost: PlanCostDto,
    /// No plan for the same input costs less.
    pub lower_bound: i64,
    /// (cost - lower bound) / cost, to the hundredth; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap_percent: Option<f64>,
    /// Where it rests on weather past the forecasts; not read back.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub guesses: Vec<GuessDto>,
}

/// The plan as it goes over the wire.
pub fn plan_to_dto(situation: &Situation, plan: &Plan) -> PlanDto {
    let total = plan.cost.total();
    let gap = if total > 0 { (total - plan.lower_bound) as f64 / total as f64 } else { 0.0 };
    let (unplaced, guesses) = plan_remarks(situation, plan);
    PlanDto {
        format: PLAN_FORMAT.to_string(),
        now: local(situation.settings.zone, plan.now),
        seed: plan.seed,
        move_budget: plan.move_budget,
        placements: plan.placements.iter().map(|placed| PlacementDto::with_names(placed, situation)).collect(),
        unplaced,
        cost: plan.cost.into(),
        lower_bound: plan.lower_bound,
        gap_percent: Some((gap * 10_000.0).round() / 100.0),
        guesses,
    }
}

/// What a plan says of the whole of it: what it leaves out and why, and where it rests on guessed weather.
pub(crate) fn plan_remarks(situation: &Situation, plan: &Plan) -> (Vec<UnplacedDto>, Vec<GuessDto>) {
    let unplaced = plan.unplaced.iter().map(|left_out| UnplacedDto::from_domain(left_out, situation)).collect();
    (unplaced, guesses(situation, plan))
}

/// A plan file.
pub fn plan_to_json(situation: &Situation, plan: &Plan) -> String {
    write_json(&plan_to_dto(situation, plan))
}

/// Reads a plan file against the situation it was made for. Only what cannot be understood is refused: whether the plan
/// keeps the rules is for the audit to say.
pub fn parse_plan_file(situation: &Situation, text: &str) -> Result<Plan, Vec<Located>> {
    plan_from_dto(situation, &read_json(text, FILE_BYTES_MAX)?)
}

/// As [`parse_plan_file`], from the wire shape.
pub fn plan_from_dto(situation: &Situation, plan: &PlanDto) -> Result<Plan, Vec<Located>> {
    let names = Names::of(situation);
    let get = |index: usize| situation.jobs.get(index);
    let mut faults = Faults::default();
    let read = plan.to_domain(&Jobs { names: &names, get: &get }, &mut faults);
    let faults = faults.into_list();
    match read {
        Some(plan) if faults.is_empty() => Ok(plan),
        _ => Err(faults),
    }
}

impl PlanDto {
    fn to_domain(&self, jobs: &Jobs, faults: &mut Faults) -> Option<Plan> {
        let at = At::Root;
        check_format(&at.field("format"), &self.format, PLAN_FORMAT, faults)?;
        let now = faults.instant(&at.field("now"), &self.now);
        let (placed_at, left_at) = (at.field("placements"), at.field("unplaced"));
        let steps_max = JOBS_MAX * STEPS_PER_CHAIN_MAX;
        let counted = faults.count(&placed_at, self.placements.len(), steps_max, "placements")
            & faults.count(&left_at, self.unplaced.len(), steps_max, "unplaced steps");
        if !counted {
            return None;
        }
        let houses = jobs.names.houses.keys();
        let placements = self.placements.iter().enumerate();
        let placements: Vec<Option<Placement>> =
            placements.map(|(index, placed)| placed.to_domain(&placed_at.item(index), jobs, houses, faults)).collect();
        let unplaced = self.unplaced.iter().enumerate();
        let unplaced: Vec<Option<Unplaced>> =
            unplaced.map(|(index, left_out)| left_out.to_domain(&left_at.item(index), jobs, faults)).collect();
        let cost = self.cost.to_domain(&at.field("cost"), faults);
        let points = 0..=COST_PART_MAX;
        let lower_bound = faults.whole(&at.field("lower_bound"), self.lower_bound, points, "cost points");
        Some(Plan {
            now: now?,
            seed: self.seed,
            move_budget: self.move_budget,
            placements: placements.into_iter().collect::<Option<_>>()?,
            unplaced: unplaced.into_iter().collect::<Option<_>>()?,
            cost: cost?,
            lower_bound: lower_bound?,
        })
    }
}

/// Refuses a document that says it is something else.
pub(super) fn check_format(at: &At, given: &str, expected: &str, faults: &mut Faults) -> Option<()> {
    if given != expected {
        let what = format!("the document says it is {}", shown(given));
        faults.push(at, Fault::new("unknown-format", what, format!("this program reads {expected:?}")));
    }
    (given == expected).then_some(())
}

impl PlanCostDto {
    fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Cost> {
        let mut part =
            |name: &str, points: i64| faults.whole(&at.field(name), points, 0..=COST_PART_MAX, "cost points");
        let unplaced = part("unplaced", self.unplaced);
        let lateness = part("lateness", self.lateness);
        let broken = part("broken", self.broken);
        let finish = part("finish", self.finish);
        let travel = part("travel", self.travel);
        let overtime = part("overtime", self.overtime);
        let hand_overs = part("hand_overs", self.hand_overs);
        let cost = Cost {
            unplaced: unplaced?,
            lateness: lateness?,
            broken: broken?,
            finish: finish?,
            travel: travel?,
            overtime: overtime?,
            hand_overs: hand_overs?,
        };
        if let Some(total) = self.total
            && total != cost.total()
        {
            let what = format!("the parts of the cost add up to {}, not to {total}", cost.total());
            faults.push(&at.field("total"), Fault::new("contradiction", what, "correct it, or leave it out"));
        }
        Some(cost)
    }
}

impl UnplacedDto {
    fn to_domain(&self, at: &At, jobs: &Jobs, faults: &mut Faults) -> Option<Unplaced> {
        let who = "a plan";
        let (index, job): (_, &Job) = jobs.find(&at.field("job"), &self.job, who, faults)?;
        let step = find_step(&at.field("step"), job, &self.step, who, faults);
        let blocker = self.reason.to_domain(&at.field("reason"), job, jobs.names, faults);
        Some(Unplaced { step: StepRef { job: index, step: step? }, blocker: blocker? })
    }

    /// With sentence and cure.
    pub fn from_domain(left_out: &Unplaced, situation: &Situation) -> UnplacedDto {
        let job = &situation.jobs[left_out.step.job.index()];
        let step = job.chain.step(left_out.step.step);
        let reason = BlockerDto::from_domain(&left_out.blocker, left_out.step, situation);
        let told = reason.told();
        UnplacedDto {
            job: job.key.to_string(),
            step: step.key.to_string(),
            reason,
            code: Some(told.code.to_string()),
            what: Some(told.what),
            cure: Some(told.cure),
            job_name: Some(job.name.to_string()),
            step_name: Some(step.name.to_string()),
        }
    }
}
