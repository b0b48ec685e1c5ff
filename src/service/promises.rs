//! "When could you do it?": a job that is not there yet, fitted in. First so that nothing promised moves; then sooner, with
//! what that costs and whom it touches. Nothing is stored.

use super::compare::{Changes, Work, changes};
use super::what_ifs::{FileNames, World, planned, promised, situation};
use super::{HouseFinish, Service, ServiceError, StepChange, apply_event, error, wire};
use crate::audit::audit;
use crate::domain::bounds::WEIGHT_MAX;
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use crate::dto::{
    Event, FaultDto, HappeningDto, HouseAdded, HouseDto, JobAdded, JobDto, Located, PinDto, PlacementDto, PlanCostDto,
    PlanDto, PlanningFile, UnplacedDto, assemble, plan_to_dto,
};
use crate::planner::{Basis, Request};
use crate::store::CompanyId;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use utoipa::ToSchema;
use uuid::Uuid;

/// How much more than otherwise the finish of the job that is asked about counts in the search for a sooner one: a day
/// sooner is worth moving a few promises, an hour is not.
const SOONER_WEIGHT: i64 = 50;

/// The job that is asked about.
#[derive(Debug, Clone, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PromiseBody {
    /// As for `POST /v1/jobs`.
    pub job: JobDto,
    /// Its house, if that is new: as for `POST /v1/houses`.
    #[serde(default)]
    pub house: Option<HouseDto>,
    /// Seed of the search.
    #[serde(default = "one")]
    #[schema(default = 1)]
    pub seed: u64,
    /// Moves each search may make.
    #[serde(default = "usual")]
    #[schema(default = 3000, maximum = 100_000)]
    pub move_budget: u64,
}

fn one() -> u64 {
    1
}

fn usual() -> u64 {
    Request::new().move_budget
}

/// When a job can be done, and what that costs.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Offer {
    /// When its last step ends, local to the house; `None`: it cannot be planned wholly.
    pub finish: Option<String>,
    /// Its steps: who does what when.
    pub steps: Vec<PlacementDto>,
    /// Of its steps, those that have no place, and why.
    pub unplaced: Vec<UnplacedDto>,
    /// Promised steps that move, in time order of keys.
    pub moved: Vec<StepChange>,
    /// Promised steps that have no place any more.
    pub dropped: Vec<StepChange>,
    /// Other houses that are finished at another time than promised.
    pub houses: Vec<HouseFinish>,
    /// Keys of the crews that would hear of it.
    pub crews_touched: Vec<String>,
    /// Keys of the houses whose promises move.
    pub houses_touched: Vec<String>,
    /// Of the whole plan.
    pub cost: PlanCostDto,
}

/// What can be promised for a job.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PromiseView {
    /// Key of the job.
    pub job: String,
    /// Of a plan of everything else.
    pub cost_without: PlanCostDto,
    /// The earliest finish that breaks no promise: everything promised stays exactly where it is.
    pub firm: Offer,
    /// A sooner one, which moves promises; `None`: none was found.
    pub sooner: Option<Offer>,
    /// What is worth knowing about the job.
    pub warnings: Vec<FaultDto>,
}

impl Service {
    /// When a job that is not there yet could be finished. Nothing is written.
    ///
    /// # Errors
    /// `Invalid` for the job or its house, `CannotPlan`, `PlanningBusy`; `PlanRejected` is a defect of this program.
    pub async fn offers(&self, company: CompanyId, body: PromiseBody) -> Result<PromiseView, ServiceError> {
        self.asked(company, move |world| Asked::new(world, body)?.answered()).await
    }
}

/// A question with its worlds.
struct Asked {
    world: World,
    body: PromiseBody,
    /// With the job.
    file: PlanningFile,
    warnings: Vec<Located>,
}

impl Asked {
    fn new(world: World, body: PromiseBody) -> Result<Asked, ServiceError> {
        let mut file = world.file.clone();
        if let Some(house) = &body.house {
            apply(&mut file, HouseAdded { house: house.clone() }.into(), world.now)?;
        }
        apply(&mut file, JobAdded { job: body.job.clone() }.into(), world.now)?;
        let place = file.jobs.len() - 1;
        let parsed = assemble(&file).map_err(|faults| refused(&faults, place, file.houses.len()))?;
        Ok(Asked { world, body, file, warnings: parsed.warnings })
    }

    fn answered(&self) -> Result<PromiseView, ServiceError> {
        let without = situation(&self.world.file)?.0;
        let alone = self.world.audited((&self.world.file, &without), self.request(0))?;
        let PlanDto { cost, placements, .. } = plan_to_dto(&without, &alone);
        let kept = kept(&promised(&self.world.file, &without), &planned(&placements)?);
        let firm = self.firm(&kept)?;
        let sooner = self.sooner(&kept, &firm)?;
        Ok(PromiseView {
            job: self.body.job.key.clone(),
            cost_without: cost,
            firm: self.offer(&firm)?,
            sooner: sooner.map(|plan| self.offer(&plan)).transpose()?,
            warnings: error::told(&self.warnings),
        })
    }

    fn request(&self, move_budget: u64) -> Request {
        Request { seed: self.body.seed, move_budget, ..Request::new() }
    }

    /// The plan with the job in which all of `kept` stays: pinned, so that the search improves only the rest. Should the
    /// pins be in each other's way, the job is only fitted in.
    fn firm(&self, kept: &[Work]) -> Result<Plan, ServiceError> {
        let own = self.file.jobs.len() - 1;
        let mut pinned = self.weighted(i64::from(WEIGHT_MAX));
        for work in kept {
            let Some(job) = pinned.jobs[..own].iter_mut().find(|job| job.key == work.step.0) else { continue };
            job.pins.retain(|pin| pin.step != work.step.1);
            job.pins.push(pin(&work.step.1, &work.crew, wire::utc(work.pieces[0].0)));
        }
        let plan = self.planned_from(&pinned, self.request(self.body.move_budget))?;
        if self.breaks(kept, &plan)? {
            return self.planned_from(&self.file, self.request(0));
        }
        Ok(plan)
    }

    /// A plan in which the job is finished before `firm` has it, if one is found: of the two ways tried, the better bargain.
    fn sooner(&self, kept: &[Work], firm: &Plan) -> Result<Option<Plan>, ServiceError> {
        let weight = self.body.job.weight.max(1).saturating_mul(SOONER_WEIGHT).min(i64::from(WEIGHT_MAX));
        let weighted = self.weighted(weight);
        let (file, weighted) = (&weighted, situation(&weighted)?.0);
        let bargain = self.world.audited((file, &weighted), self.request(self.body.move_budget))?;
        let mut found: Option<(i64, Plan)> = None;
        for plan in [Some(bargain), self.first_of_all()?].into_iter().flatten() {
            let sooner = match (self.finish(&plan), self.finish(firm)) {
                (Some(sooner), Some(firm)) => sooner < firm,
                (Some(_), None) => true,
                (None, _) => false,
            };
            let cost = audit(&weighted, &plan).cost.total();
            if sooner && self.breaks(kept, &plan)? && found.as_ref().is_none_or(|(least, _)| cost < *least) {
                found = Some((cost, plan));
            }
        }
        Ok(found.map(|(_, plan)| plan))
    }

    /// The job as if nothing else mattered but what is frozen, and everything else repaired around it.
    fn first_of_all(&self) -> Result<Option<Plan>, ServiceError> {
        let own = self.file.jobs.len() - 1;
        let mut alone = self.weighted(i64::from(WEIGHT_MAX));
        for job in &mut alone.jobs[..own] {
            job.weight = 0;
        }
        let anew = Request { basis: Basis::Anew, ..self.request(self.body.move_budget) };
        let (file, alone) = (&alone, situation(&alone)?.0);
        let earliest = self.world.audited((file, &alone), anew)?;
        let mut pinned = self.file.clone();
        for placed in plan_to_dto(&alone, &earliest).placements {
            if placed.job == self.body.job.key
                && let (Some(job), Some(first)) = (pinned.jobs.last_mut(), placed.pieces.first())
            {
                job.pins.retain(|pin| pin.step != placed.step);
                job.pins.push(pin(&placed.step, &placed.crew, first.start.clone()));
            }
        }
        let repair = Request { basis: Basis::Repair, ..self.request(self.body.move_budget) };
        let plan = self.planned_from(&pinned, repair)?;
        // Pins that were in the way of something leave steps out.
        let whole = |plan: &Plan| plan.unplaced.len();
        Ok((whole(&plan) <= whole(&earliest)).then_some(plan))
    }

    fn planned_from(&self, file: &PlanningFile, request: Request) -> Result<Plan, ServiceError> {
        self.world.audited((file, &situation(file)?.0), request)
    }

    /// The file with another weight of the job.
    fn weighted(&self, weight: i64) -> PlanningFile {
        let mut file = self.file.clone();
        if let Some(job) = file.jobs.last_mut() {
            job.weight = weight;
        }
        file
    }

    /// When the job is finished, if it is planned wholly.
    fn finish(&self, plan: &Plan) -> Option<Minute> {
        let own = self.file.jobs.len() - 1;
        let left_out = plan.unplaced.iter().any(|unplaced| unplaced.step.job.index() == own);
        let ends = plan.placements.iter().filter(|placed| placed.step.job.index() == own);
        ends.map(|placed| placed.finish()).max().filter(|_| !left_out)
    }

    fn breaks(&self, kept: &[Work], plan: &Plan) -> Result<bool, ServiceError> {
        let situation = situation(&self.file)?.0;
        let works = planned(&plan_to_dto(&situation, plan).placements)?;
        Ok(self::kept(kept, &works).len() < kept.len())
    }

    /// A plan as it is offered: its cost is counted with the weight that the job was given.
    fn offer(&self, plan: &Plan) -> Result<Offer, ServiceError> {
        let (situation, _): (Situation, _) = situation(&self.file)?;
        let counted = Plan { cost: audit(&situation, plan).cost, ..plan.clone() };
        let PlanDto { cost, placements, unplaced, .. } = plan_to_dto(&situation, &counted);
        let names = FileNames::of(&[&self.file], self.world.office);
        let before = promised(&self.world.file, &situation);
        let own = |key: &str| key == self.body.job.key;
        let others: Vec<Work> = planned(&placements)?.into_iter().filter(|work| !own(&work.step.0)).collect();
        // What is new for others is no promise of theirs.
        let known: BTreeSet<&(String, String)> = before.iter().map(|work| &work.step).collect();
        let others: Vec<Work> = others.iter().filter(|work| known.contains(&work.step)).cloned().collect();
        let Changes { moved, dropped, houses, crews_touched, houses_touched, .. } = changes(&names, &before, &others);
        let finish = self.finish(plan).map(|at| self.local(at));
        let steps = placements.into_iter().filter(|placed| own(&placed.job)).collect();
        let unplaced = unplaced.into_iter().filter(|left| own(&left.job)).collect();
        Ok(Offer { finish, steps, unplaced, moved, dropped, houses, crews_touched, houses_touched, cost })
    }

    fn local(&self, at: Minute) -> String {
        let house = self.file.houses.iter().find(|house| house.key == self.body.job.house);
        let zone = house.and_then(|house| house.time_zone.as_deref());
        wire::local(wire::zone_or(zone, self.world.office), at.to_utc())
    }
}

fn pin(step: &str, crew: &str, start: String) -> PinDto {
    PinDto { step: step.to_owned(), crew: Some(crew.to_owned()), start: Some(start), not_before: None, day: None }
}

/// Of what is promised and not begun, what is planned exactly there.
fn kept(promised: &[Work], planned: &[Work]) -> Vec<Work> {
    let there = |work: &&Work| {
        planned.iter().any(|other| (&other.step, &other.crew, &other.pieces) == (&work.step, &work.crew, &work.pieces))
    };
    promised.iter().filter(|work| !work.fixed).filter(there).cloned().collect()
}

fn apply(file: &mut PlanningFile, happening: HappeningDto, now: Minute) -> Result<(), ServiceError> {
    let event = Event { id: Uuid::nil(), at: now.to_utc(), note: None, happening };
    apply_event(file, &event, now).map_err(|faults| {
        let own = |located: Located| {
            let pointer = located.pointer.strip_prefix("/event").unwrap_or_default().to_owned();
            Located { pointer, ..located }
        };
        ServiceError::Invalid(error::told(&faults.into_iter().map(own).collect::<Vec<_>>()))
    })
}

/// Faults of the job and its house, told where the sender wrote them.
fn refused(faults: &[Located], job: usize, houses: usize) -> ServiceError {
    let (job, house) = (format!("/jobs/{job}"), format!("/houses/{}", houses - 1));
    let own = |located: &Located| {
        let pointer = match (located.pointer.strip_prefix(&job), located.pointer.strip_prefix(&house)) {
            (Some(rest), _) => format!("/job{rest}"),
            (None, Some(rest)) => format!("/house{rest}"),
            (None, None) => String::new(),
        };
        Located { pointer, fault: located.fault.clone() }
    };
    ServiceError::Invalid(error::told(&faults.iter().map(own).collect::<Vec<_>>()))
}
