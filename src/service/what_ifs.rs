//! "What if": changes applied to everything known, in memory, planned, judged by the audit, and held against what is
//! promised. Nothing is stored, no lock is taken, and no transaction is open while it is planned.

use super::compare::{Changes, Label, Labels, Work, changes};
use super::planning::{TURN_MAX, audited};
use super::snapshot::Snapshot;
use super::watch::counted;
use super::{BasisDto, Captures, HouseFinish, Service, ServiceError, StepChange, apply_event, error, wire};
use crate::domain::fault::Fault;
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{
    Event, EventBody, FaultDto, GuessDto, Located, MethodDto, PlacedStateDto, PlacementDto, PlanCostDto, PlanDto,
    PlanningFile, UnplacedDto, assemble, plan_to_dto,
};
use crate::measure::Planning;
use crate::planner::Request;
use crate::store::{CompanyId, Noun};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;
use std::time::Instant;
use utoipa::ToSchema;
use uuid::Uuid;

/// Changes of one question: more than this are another company.
pub const WHAT_IF_CHANGES_MAX: usize = 200;
/// Methods that jobs of a question may name.
const METHODS_MAX: u32 = 1_000;

/// One change to suppose.
#[derive(Debug, Clone, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhatIfChange {
    /// When it is supposed to happen; left out: now.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub at: Option<String>,
    /// What: a kind of event, or one of those that are only asked about.
    #[schema(value_type = crate::dto::HappeningDto)]
    pub event: Value,
}

/// What to suppose, and how to plan then.
#[derive(Debug, Clone, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhatIfBody {
    /// One after the other.
    #[schema(max_items = 200)]
    pub changes: Vec<WhatIfChange>,
    /// From what the plan starts.
    #[serde(default)]
    pub basis: BasisDto,
    /// Seed of the search.
    #[serde(default = "one")]
    #[schema(default = 1)]
    pub seed: u64,
    /// Moves the search may make.
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

/// What would be otherwise.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WhatIfView {
    /// The instant it was planned for, local to the office.
    pub now: String,
    /// Promised, and at another time or with another crew then.
    pub moved: Vec<StepChange>,
    /// Not promised.
    pub added: Vec<StepChange>,
    /// Promised, and not planned then.
    pub dropped: Vec<StepChange>,
    /// Houses that are finished at another time than promised.
    pub houses: Vec<HouseFinish>,
    /// Keys of the crews whose work changes.
    pub crews_touched: Vec<String>,
    /// Keys of the houses whose work changes.
    pub houses_touched: Vec<String>,
    /// Of a plan of today's world, without the changes, made in the same way.
    pub cost_before: PlanCostDto,
    /// With the changes.
    pub cost_after: PlanCostDto,
    /// Steps that no plan of today's world has a place for.
    pub unplaced_before: Vec<UnplacedDto>,
    /// Steps that have no place then, and why.
    pub unplaced: Vec<UnplacedDto>,
    /// Where it rests on weather that nobody has forecast.
    pub guesses: Vec<GuessDto>,
    /// What is worth knowing about the changed documents.
    pub warnings: Vec<FaultDto>,
}

/// A question's world: everything known, with methods, and what is promised of it.
pub(super) struct World {
    pub(super) file: PlanningFile,
    pub(super) office: Zone,
    pub(super) now: Minute,
    captures: Captures,
}

impl World {
    /// A plan that keeps every rule, of the situation in this file.
    pub(super) fn audited(
        &self,
        (file, situation): (&PlanningFile, &Situation),
        request: Request,
    ) -> Result<Plan, ServiceError> {
        self.captures.watched(Planning::Question, (file, request), || audited(situation, request))
    }
}

impl Service {
    /// Answers what would be otherwise. Nothing is written.
    ///
    /// # Errors
    /// `Invalid` for the changes, `CannotPlan`, `PlanningBusy`; `PlanRejected` is a defect of this program.
    pub async fn what_if(&self, company: CompanyId, body: WhatIfBody) -> Result<WhatIfView, ServiceError> {
        let changes = read(&body)?;
        self.asked(company, move |world| answered(&world, &changes, &body)).await
    }

    /// Works something out from everything known now, off the threads that answer requests; as many at once as may be.
    pub(super) async fn asked<T: Send + 'static>(
        &self,
        company: CompanyId,
        work: impl FnOnce(World) -> Result<T, ServiceError> + Send + 'static,
    ) -> Result<T, ServiceError> {
        let turn = tokio::time::timeout(TURN_MAX, self.questions.clone().acquire_owned()).await;
        let Ok(Ok(turn)) = turn else { return Err(ServiceError::PlanningBusy) };
        let now = self.now_minute();
        let mut session = self.store.snapshot(company).await?;
        let mut file = Snapshot::load(&mut session, now).await?.file;
        for row in session.nouns(Noun::Method, None, METHODS_MAX).await? {
            file.methods.push(row.doc.parse::<MethodDto>()?);
        }
        drop(session);
        let (meters, captures) = (self.meters.clone(), self.captures.clone());
        let worked = tokio::task::spawn_blocking(move || {
            let began = Instant::now();
            let office = Zone::parse(&file.settings.time_zone).unwrap_or(Zone::UTC);
            let worked = work(World { file, office, now, captures });
            meters.planning(Planning::Question, counted(&worked), began.elapsed());
            drop(turn);
            worked
        });
        worked.await?
    }
}

/// The changes, each as the event it supposes; faults are told where the sender wrote them.
fn read(body: &WhatIfBody) -> Result<Vec<(usize, Option<Event>, WhatIfChange)>, ServiceError> {
    if body.changes.len() > WHAT_IF_CHANGES_MAX {
        let cure = format!("ask with at most {WHAT_IF_CHANGES_MAX}");
        let fault = Fault::new("too-many", format!("{} changes", body.changes.len()), cure);
        return Err(ServiceError::fault("/changes", fault));
    }
    let mut events = Vec::with_capacity(body.changes.len());
    let mut faults = Vec::new();
    for (index, change) in body.changes.iter().enumerate() {
        let at = change.at.clone().unwrap_or_else(|| "2000-01-01T00:00:00Z".to_owned());
        let envelope = EventBody { id: Uuid::nil(), at, note: None, event: change.event.clone() };
        match envelope.read() {
            Ok(event) => events.push((index, change.at.is_some().then(|| event.clone()), change.clone())),
            Err(found) => faults.extend(found.into_iter().map(|located| under(index, located))),
        }
    }
    error::refuse(faults)?;
    Ok(events)
}

fn under(index: usize, located: Located) -> Located {
    Located { pointer: format!("/changes/{index}{}", located.pointer), ..located }
}

fn answered(
    world: &World,
    changed: &[(usize, Option<Event>, WhatIfChange)],
    body: &WhatIfBody,
) -> Result<WhatIfView, ServiceError> {
    let mut file = world.file.clone();
    for (index, event, change) in changed {
        let event = match event {
            Some(event) => event.clone(),
            None => {
                let at = wire::utc(world.now.to_utc());
                let envelope = EventBody { id: Uuid::nil(), at, note: None, event: change.event.clone() };
                let told = |faults: Vec<Located>| error::told(&faults);
                envelope.read().map_err(|faults| ServiceError::Invalid(told(faults)))?
            }
        };
        apply_event(&mut file, &event, world.now).map_err(|faults| {
            let faults: Vec<Located> = faults.into_iter().map(|located| under(*index, located)).collect();
            ServiceError::Invalid(error::told(&faults))
        })?;
    }
    let request =
        Request { seed: body.seed, move_budget: body.move_budget, basis: body.basis.into(), ..Request::new() };
    let before = situation(&world.file)?;
    let plan_before = world.audited((&world.file, &before.0), request)?;
    // A changed document that does not fit the others is the asker's: he is told where it would be in the file.
    let parsed = assemble(&file).map_err(|faults| {
        let in_file = |located: Located| Located { pointer: "/changes".to_owned(), ..located };
        let faults: Vec<Located> = faults.into_iter().map(in_file).collect();
        ServiceError::Invalid(error::told(&faults))
    })?;
    let plan_after = world.audited((&file, &parsed.situation), request)?;
    let after = plan_to_dto(&parsed.situation, &plan_after);
    let PlanDto { cost: cost_before, unplaced: unplaced_before, .. } = plan_to_dto(&before.0, &plan_before);
    let names = FileNames::of(&[&world.file, &file], world.office);
    let differences = changes(&names, &promised(&world.file, &before.0), &planned(&after.placements)?);
    let Changes { moved, added, dropped, houses, crews_touched, houses_touched } = differences;
    Ok(WhatIfView {
        now: wire::local(world.office, world.now.to_utc()),
        moved,
        added,
        dropped,
        houses,
        crews_touched,
        houses_touched,
        cost_before,
        cost_after: after.cost,
        unplaced_before,
        unplaced: after.unplaced,
        guesses: after.guesses,
        warnings: error::told(&parsed.warnings),
    })
}

/// The situation, or why there is none: that is the company's matter.
pub(super) fn situation(file: &PlanningFile) -> Result<(Situation, Vec<Located>), ServiceError> {
    let parsed = assemble(file).map_err(|faults| ServiceError::CannotPlan(error::told(&faults)))?;
    Ok((parsed.situation, parsed.warnings))
}

/// What is promised, with what has begun marked.
pub(super) fn promised(file: &PlanningFile, situation: &Situation) -> Vec<Work> {
    let fixed = |placed: &PlacementDto| {
        let job = situation.jobs.iter().find(|job| job.key.as_str() == placed.job)?;
        let step = job.chain.steps().iter().find(|step| step.key.as_str() == placed.step)?;
        Some(step.fixed().is_some())
    };
    let promises = file.published.iter().flat_map(|published| &published.placements);
    promises.filter_map(|placed| Some(Work { fixed: fixed(placed).unwrap_or(false), ..work(placed)? })).collect()
}

/// What is planned.
pub(super) fn planned(placements: &[PlacementDto]) -> Result<Vec<Work>, ServiceError> {
    Ok(placements.iter().filter_map(work).collect())
}

fn work(placed: &PlacementDto) -> Option<Work> {
    let pieces = placed.pieces.iter().map(|piece| {
        let (start, finish) = (wire::instant(&piece.start).ok()?, wire::instant(&piece.finish).ok()?);
        Some((start, finish))
    });
    let pieces: Vec<_> = pieces.collect::<Option<_>>()?;
    (!pieces.is_empty()).then(|| Work {
        step: (placed.job.clone(), placed.step.clone()),
        crew: placed.crew.clone(),
        pieces,
        fixed: matches!(placed.state, Some(PlacedStateDto::Running | PlacedStateDto::Done)),
        moved_because: placed.moved_because.clone(),
    })
}

/// What keys are called in planning files; the last of several counts.
pub(super) struct FileNames {
    steps: BTreeMap<(String, String), Label>,
    crews: BTreeMap<String, String>,
}

impl FileNames {
    pub(super) fn of(files: &[&PlanningFile], office: Zone) -> FileNames {
        let mut names = FileNames { steps: BTreeMap::new(), crews: BTreeMap::new() };
        for file in files {
            names.crews.extend(file.crews.iter().map(|crew| (crew.key.clone(), crew.name.clone())));
            let houses: BTreeMap<&str, _> = file.houses.iter().map(|house| (house.key.as_str(), house)).collect();
            for job in &file.jobs {
                let Some(house) = houses.get(job.house.as_str()) else { continue };
                for step in job.steps.iter().flatten() {
                    let label = Label {
                        job_name: job.name.clone(),
                        step_name: step.name.clone(),
                        kind: step.kind,
                        house: house.key.clone(),
                        house_name: house.name.clone(),
                        zone: wire::zone_or(house.time_zone.as_deref(), office),
                    };
                    names.steps.insert((job.key.clone(), step.key.clone()), label);
                }
            }
        }
        names
    }
}

impl Labels for FileNames {
    fn step(&self, step: &(String, String)) -> Option<Label> {
        self.steps.get(step).cloned()
    }

    fn crew(&self, key: &str) -> String {
        self.crews.get(key).cloned().unwrap_or_default()
    }
}
