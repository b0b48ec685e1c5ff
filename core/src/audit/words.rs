//! Names and local times for the sentences of `explain`. They are looked up with care, because a plan may name what is
//! not there.

use crate::domain::ids::{AreaIx, CrewIx, EquipmentIx, HouseIx, SkillSet, StepIx, StepRef};
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span};
use crate::domain::zone::Zone;

/// The words for one step's surroundings.
pub(super) struct Words<'a> {
    pub situation: &'a Situation,
    pub step: StepRef,
}

impl Words<'_> {
    pub fn step_name(&self, step: StepRef) -> String {
        let job = self.situation.jobs.get(step.job.index());
        let spec = job.and_then(|job| job.chain.steps().get(step.step.index()));
        match (job, spec) {
            (Some(job), Some(spec)) => format!("\"{}\" at {}", spec.name, self.house(job.house)),
            _ => format!("step {} of job {}", step.step.0, step.job.0),
        }
    }

    /// This step.
    pub fn it(&self) -> String {
        self.step_name(self.step)
    }

    /// Another step of this job, without the house.
    pub fn sibling(&self, step: StepIx) -> String {
        let job = self.situation.jobs.get(self.step.job.index());
        let spec = job.and_then(|job| job.chain.steps().get(step.index()));
        spec.map_or_else(|| format!("step {}", step.0), |spec| format!("\"{}\"", spec.name))
    }

    pub fn house(&self, house: HouseIx) -> String {
        let known = self.situation.houses.get(house.index());
        known.map_or_else(|| format!("house {}", house.0), |house| house.name.to_string())
    }

    pub fn crew(&self, crew: CrewIx) -> String {
        let known = self.situation.crews.get(crew.index());
        known.map_or_else(|| format!("crew {}", crew.0), |crew| crew.name.to_string())
    }

    pub fn kind(&self, equipment: EquipmentIx) -> String {
        let known = self.situation.equipment.get(equipment.index());
        known.map_or_else(|| format!("gear {}", equipment.0), |kind| kind.name.to_string())
    }

    pub fn unit(&self, equipment: EquipmentIx, unit: u32) -> String {
        format!("{} no. {}", self.kind(equipment), u64::from(unit) + 1)
    }

    pub fn area(&self, area: AreaIx) -> String {
        let house = self.situation.jobs.get(self.step.job.index()).map(|job| job.house);
        let house = house.and_then(|house| self.situation.houses.get(house.index()));
        let known = house.and_then(|house| house.areas.get(area.index()));
        known.map_or_else(|| format!("area {}", area.0), |area| area.name.to_string())
    }

    pub fn skills(&self, skills: SkillSet) -> String {
        let name = |position: usize| {
            self.situation.skills.get(position).map_or_else(|| format!("skill {position}"), |name| name.to_string())
        };
        skills.positions().map(name).collect::<Vec<_>>().join(", ")
    }

    fn zone(&self) -> Zone {
        let house = self.situation.jobs.get(self.step.job.index()).map(|job| job.house);
        let house = house.and_then(|house| self.situation.houses.get(house.index()));
        house.map_or(self.situation.settings.zone, |house| house.zone)
    }

    pub fn at(&self, at: Minute) -> String {
        local(self.zone(), at)
    }

    pub fn at_or_never(&self, at: Option<Minute>) -> String {
        at.map_or_else(|| "some time after the horizon".to_owned(), |at| self.at(at))
    }

    pub fn span(&self, span: Span) -> String {
        format!("{} to {}", self.at(span.start()), self.at(span.end()))
    }
}

/// Day and time on the wall.
pub(super) fn local(zone: Zone, at: Minute) -> String {
    let minute = zone.minute_of_day(at);
    format!("{} {:02}:{:02}", zone.date(at).format("%a %-d %b %Y"), minute / 60, minute % 60)
}
