//! What a board is drawn from: the company as it is now, and the work of one plan of it.

use super::skies::Airs;
use crate::domain::ids::{CrewIx, JobIx, StepRef};
use crate::domain::plan::{Cost, Placement, Plan, UnitUse};
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span};
use crate::dto::{CauseDto, HouseDto, PlanningFile, UnplacedDto};
use crate::service::ServiceError;
use crate::service::planning::PlanDoc;
use crate::service::plans::{cause, same_step};
use crate::service::snapshot::{Snapshot, gear};
use crate::store::{JobFilter, JobRow, JobStatus, Noun, PlanHead, PlanRow, Session, StoreError};
use std::collections::BTreeMap;
use uuid::Uuid;

/// As read, before anything is worked out.
pub(super) struct Basis {
    snapshot: Snapshot,
    rows: Vec<PlanRow>,
    unplaced: Vec<UnplacedDto>,
}

/// The company now, with the work of the plan.
pub(super) struct World {
    pub(super) file: PlanningFile,
    pub(super) situation: Situation,
    pub(super) airs: Airs,
    /// Of the jobs, in their order.
    pub(super) versions: Vec<i64>,
    /// Sorted by step: where things happened, and where the plan has what is still to come.
    pub(super) placements: Vec<Placement>,
    /// Why promised steps had to move.
    pub(super) causes: BTreeMap<StepRef, CauseDto>,
    /// What the plan says of steps without a place, by keys of job and step.
    pub(super) unplaced: BTreeMap<(String, String), UnplacedDto>,
}

/// A job left out of plans for now, and its house.
pub(super) type Held = (JobRow, HouseDto);

/// All jobs on hold.
pub(super) async fn on_hold(session: &mut Session) -> Result<Vec<Held>, ServiceError> {
    let filter = JobFilter { status: Some(JobStatus::OnHold), ..JobFilter::default() };
    let jobs = session.jobs(filter, None, crate::domain::bounds::JOBS_MAX as u32).await?;
    let houses: Vec<Uuid> = jobs.iter().map(|job| job.house_id).collect();
    let mut known: BTreeMap<Uuid, HouseDto> = BTreeMap::new();
    for row in session.nouns_by_ids(Noun::House, &houses).await? {
        known.insert(row.id, row.doc.parse()?);
    }
    Ok(jobs.into_iter().filter_map(|job| known.get(&job.house_id).cloned().map(|house| (job, house))).collect())
}

impl Basis {
    pub(super) async fn load(
        session: &mut Session,
        head: Option<&PlanHead>,
        now: Minute,
    ) -> Result<Basis, ServiceError> {
        let (rows, unplaced) = match head {
            Some(head) => (session.plan_rows(head.id).await?, head.doc.parse::<PlanDoc>()?.unplaced),
            None => (Vec::new(), Vec::new()),
        };
        let snapshot = Snapshot::load(session, now).await?;
        Ok(Basis { snapshot, rows, unplaced })
    }

    /// What the plan says of jobs that are over, crews that are gone and steps that are no more is left out.
    pub(super) fn read(self) -> Result<World, ServiceError> {
        let Basis { snapshot, rows, unplaced } = self;
        let situation = snapshot.situation()?;
        let mut planned = BTreeMap::new();
        let mut causes = BTreeMap::new();
        for pieces in rows.chunk_by(same_step) {
            let Some(placement) = placement(&snapshot, &situation, pieces)? else { continue };
            if let Some(cause) = cause(&pieces[0])? {
                causes.insert(placement.step, cause);
            }
            planned.insert(placement.step, placement);
        }
        let placements = situation.steps().filter_map(|step| {
            let plan = planned.remove(&step);
            match situation.jobs[step.job.index()].chain.step(step.step).fixed() {
                None => plan,
                Some(attempt) => Some(Placement {
                    step,
                    crew: attempt.crew,
                    pieces: vec![Span::new(attempt.start, attempt.finish.max(attempt.start.plus(1)))?],
                    units: plan.map(|plan| plan.units).unwrap_or_default(),
                    moved_because: None,
                }),
            }
        });
        let placements: Vec<Placement> = placements.collect();
        let start = placements.iter().map(Placement::start).min().unwrap_or(situation.now);
        let end = placements.iter().map(Placement::finish).max().unwrap_or(situation.now);
        let worked = Span::new(start, end.max(start.plus(1)));
        let airs = Airs::of(&situation, worked.unwrap_or_else(|| unreachable!("the end is after the start")));
        causes.retain(|step, _| situation.jobs[step.job.index()].chain.step(step.step).fixed().is_none());
        let unplaced = unplaced.into_iter().map(|one| ((one.job.clone(), one.step.clone()), one)).collect();
        let versions = snapshot.rows.jobs.iter().map(|planned| planned.job.version).collect();
        Ok(World { file: snapshot.file, situation, airs, versions, placements, causes, unplaced })
    }
}

/// What the plan has of an open step. A step that was begun when it was planned and is open again has no place in it.
fn placement(snapshot: &Snapshot, situation: &Situation, pieces: &[PlanRow]) -> Result<Option<Placement>, StoreError> {
    let first = &pieces[0];
    let job = snapshot.rows.jobs.iter().position(|planned| planned.job.id == first.job_id);
    let crew = snapshot.rows.crews.iter().position(|row| row.id == first.crew_id);
    let (Some(job), Some(crew)) = (job, crew) else { return Ok(None) };
    let Some(step) = situation.jobs[job].chain.find(&first.step_key) else { return Ok(None) };
    let step = StepRef { job: JobIx::from_index(job), step };
    let open = situation.jobs[job].chain.step(step.step).fixed().is_none();
    if open && first.fixed {
        return Ok(None);
    }
    let spans = pieces.iter().filter_map(|row| Span::new(Minute::floor_from(row.start), Minute::floor_from(row.end)));
    let pieces: Vec<Span> = spans.collect();
    if pieces.is_empty() {
        return Ok(None);
    }
    let kinds = &situation.equipment;
    let unit = |unit: crate::dto::GearDto| {
        let kind = kinds.iter().position(|kind| kind.key.as_str() == unit.equipment)?;
        let equipment = crate::domain::ids::EquipmentIx::from_index(kind);
        Some(UnitUse { equipment, unit: u32::try_from(unit.unit).ok()? })
    };
    let units = gear(first.units.as_ref())?.into_iter().filter_map(unit).collect();
    Ok(Some(Placement { step, crew: CrewIx::from_index(crew), pieces, units, moved_because: None }))
}

impl World {
    /// Where a step is.
    pub(super) fn placement(&self, step: StepRef) -> Option<&Placement> {
        let found = self.placements.binary_search_by_key(&step, |placement| placement.step).ok()?;
        Some(&self.placements[found])
    }

    /// The work of the board as a plan; what it costs is not asked.
    pub(super) fn plan(&self) -> Plan {
        Plan {
            now: self.situation.now,
            seed: 0,
            move_budget: 0,
            placements: self.placements.clone(),
            unplaced: Vec::new(),
            cost: Cost::default(),
            lower_bound: 0,
        }
    }
}
