//! Who does a step when, on the wire: one shape for what is planned and for what was promised.

use super::blocker::{CauseDto, Jobs, find_step};
use super::fault::{At, Faults, shown};
use super::scalar::local;
use super::step::StepKindDto;
use crate::domain::bounds::{EQUIPMENT_KINDS_MAX, EQUIPMENT_UNITS_MAX, HORIZON_DAYS_MAX};
use crate::domain::chain::StepState;
use crate::domain::fault::Fault;
use crate::domain::ids::{CrewIx, EquipmentIx, StepRef};
use crate::domain::plan::{Placement, UnitUse};
use crate::domain::situation::Situation;
use crate::domain::time::Span;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// One piece a day and a few more; a step is not divided more often than there are days.
const PIECES_MAX: usize = 4 * HORIZON_DAYS_MAX as usize;

/// An unbroken time of work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PieceDto {
    /// First minute.
    #[schema(example = "2026-03-09T07:00:00-04:00", format = DateTime)]
    pub start: String,
    /// First minute after.
    #[schema(example = "2026-03-09T15:30:00-04:00", format = DateTime)]
    pub finish: String,
}

/// A piece of gear in use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GearDto {
    /// Key of its kind.
    #[schema(example = "big-machine")]
    pub equipment: String,
    /// Its number among that kind, from 0.
    #[schema(minimum = 0, maximum = 999)]
    pub unit: i64,
}

/// Where a placed step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PlacedStateDto {
    /// Still to come.
    Planned,
    /// In hand.
    Running,
    /// Over.
    Done,
}

/// A step given to a crew at a time. Members that are not needed to read it back are there for people and programs that
/// only look; where they are given on the way in, `house`, `start` and `finish` must agree with the rest.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlacementDto {
    /// Key of the job.
    #[schema(example = "linden-4-floors")]
    pub job: String,
    /// Key of the step.
    #[schema(example = "sand-coarse")]
    pub step: String,
    /// Key of the crew.
    #[schema(example = "north")]
    pub crew: String,
    /// When they work, in order; more than one only where the step may pause. Local to the house.
    pub pieces: Vec<PieceDto>,
    /// Gear held from start to finish.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gear: Vec<GearDto>,
    /// Why it is not where it was promised, if it was promised inside the freeze time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moved_because: Option<CauseDto>,
    /// Start of the first piece.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub start: Option<String>,
    /// Finish of the last piece.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub finish: Option<String>,
    /// Where it stands; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub state: Option<PlacedStateDto>,
    /// Kind of work; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<StepKindDto>,
    /// Key of the house.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub house: Option<String>,
    /// For people; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub job_name: Option<String>,
    /// For people; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step_name: Option<String>,
    /// For people; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub house_name: Option<String>,
    /// For people; not read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew_name: Option<String>,
}

/// What was last promised.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PublishedDto {
    /// Steps begun meanwhile may still be listed; they are no promise any more.
    pub placements: Vec<PlacementDto>,
}

impl PlacementDto {
    pub(super) fn to_domain(&self, at: &At, jobs: &Jobs, houses: &[String], faults: &mut Faults) -> Option<Placement> {
        let who = "a placement";
        let job = jobs.find(&at.field("job"), &self.job, who, faults);
        let step = job.and_then(|(_, job)| find_step(&at.field("step"), job, &self.step, who, faults));
        let crew = faults.find(&at.field("crew"), &jobs.names.crews, &self.crew, who);
        let pieces = self.pieces_to_domain(at, faults);
        let units = self.units_to_domain(&at.field("gear"), jobs, faults);
        let (index, job) = job?;
        if let Some(house) = &self.house
            && houses.get(job.house.index()) != Some(house)
        {
            self.contradicts(&at.field("house"), "house", faults);
            return None;
        }
        let cause_at = at.field("moved_because");
        let cause = self.moved_because.as_ref().map(|cause| cause.to_domain(&cause_at, job, jobs, faults));
        Some(Placement {
            step: StepRef { job: index, step: step? },
            crew: CrewIx::from_index(crew?),
            pieces: pieces?,
            units: units?,
            moved_because: super::house::optional(cause)?,
        })
    }

    fn contradicts(&self, at: &At, member: &str, faults: &mut Faults) {
        let what = format!("`{member}` of step {} contradicts the rest of its placement", shown(&self.step));
        faults.push(at, Fault::new("contradiction", what, "correct it, or leave it out"));
    }

    fn pieces_to_domain(&self, at: &At, faults: &mut Faults) -> Option<Vec<Span>> {
        let pieces_at = at.field("pieces");
        if !faults.count(&pieces_at, self.pieces.len(), PIECES_MAX, "pieces") {
            return None;
        }
        let spans: Vec<Option<Span>> = self
            .pieces
            .iter()
            .enumerate()
            .map(|(index, piece)| {
                let at = pieces_at.item(index);
                let start = faults.instant(&at.field("start"), &piece.start);
                let finish = faults.instant(&at.field("finish"), &piece.finish);
                let span = Span::new(start?, finish?);
                if span.is_none() {
                    faults.push(&at, bad_pieces("a piece is empty or reversed"));
                }
                span
            })
            .collect();
        let spans: Vec<Span> = spans.into_iter().collect::<Option<_>>()?;
        if spans.is_empty() || spans.windows(2).any(|pair| pair[1].start() < pair[0].end()) {
            faults.push(&pieces_at, bad_pieces("the pieces are none, or overlap, or are not in order"));
            return None;
        }
        let start = faults.instant_if(&at.field("start"), self.start.as_ref())?;
        let finish = faults.instant_if(&at.field("finish"), self.finish.as_ref())?;
        let (first, last) = (spans[0].start(), spans[spans.len() - 1].end());
        for (member, given, own) in [("start", start, first), ("finish", finish, last)] {
            if given.is_some_and(|given| given != own) {
                self.contradicts(&at.field(member), member, faults);
            }
        }
        Some(spans)
    }

    fn units_to_domain(&self, at: &At, jobs: &Jobs, faults: &mut Faults) -> Option<Vec<UnitUse>> {
        let most = EQUIPMENT_KINDS_MAX * EQUIPMENT_UNITS_MAX as usize;
        if !faults.count(at, self.gear.len(), most, "pieces of gear") {
            return None;
        }
        let units: Vec<Option<UnitUse>> = self
            .gear
            .iter()
            .enumerate()
            .map(|(index, gear)| {
                let at = at.item(index);
                let kind = faults.find(&at.field("equipment"), &jobs.names.equipment, &gear.equipment, "a placement");
                let numbers = 0..=i64::from(EQUIPMENT_UNITS_MAX) - 1;
                let unit = faults.whole(&at.field("unit"), gear.unit, numbers, "as the number of a unit");
                Some(UnitUse { equipment: EquipmentIx::from_index(kind?), unit: unit? as u32 })
            })
            .collect();
        units.into_iter().collect()
    }

    /// What is needed to read it back.
    pub(super) fn plain(placement: &Placement, situation: &Situation) -> PlacementDto {
        let job = &situation.jobs[placement.step.job.index()];
        let step = job.chain.step(placement.step.step);
        let zone = situation.houses[job.house.index()].zone;
        let piece = |piece: &Span| PieceDto { start: local(zone, piece.start()), finish: local(zone, piece.end()) };
        PlacementDto {
            job: job.key.to_string(),
            step: step.key.to_string(),
            crew: situation.crews[placement.crew.index()].key.to_string(),
            pieces: placement.pieces.iter().map(piece).collect(),
            gear: gear(placement, situation),
            moved_because: cause(placement, situation),
            ..PlacementDto::default()
        }
    }

    /// With everything that people want to see beside it.
    pub fn with_names(placement: &Placement, situation: &Situation) -> PlacementDto {
        let job = &situation.jobs[placement.step.job.index()];
        let step = job.chain.step(placement.step.step);
        let house = &situation.houses[job.house.index()];
        let state = match step.state() {
            StepState::Open { .. } => PlacedStateDto::Planned,
            StepState::Running(_) => PlacedStateDto::Running,
            StepState::Done(_) => PlacedStateDto::Done,
        };
        PlacementDto {
            start: Some(local(house.zone, placement.start())),
            finish: Some(local(house.zone, placement.finish())),
            state: Some(state),
            kind: Some(step.kind.into()),
            house: Some(house.key.to_string()),
            job_name: Some(job.name.to_string()),
            step_name: Some(step.name.to_string()),
            house_name: Some(house.name.to_string()),
            crew_name: Some(situation.crews[placement.crew.index()].name.to_string()),
            ..PlacementDto::plain(placement, situation)
        }
    }
}

/// The units that a placement uses.
pub(crate) fn gear(placement: &Placement, situation: &Situation) -> Vec<GearDto> {
    let gear = |unit: &UnitUse| GearDto {
        equipment: situation.equipment[unit.equipment.index()].key.to_string(),
        unit: i64::from(unit.unit),
    };
    placement.units.iter().map(gear).collect()
}

/// Why a placement is not where it was published.
pub(crate) fn cause(placement: &Placement, situation: &Situation) -> Option<CauseDto> {
    placement.moved_because.map(|cause| CauseDto::from_domain(cause, placement.step, situation))
}

fn bad_pieces(what: &str) -> Fault {
    Fault::new("bad-pieces", what, "give at least one piece, each ending after it starts, in order")
}
