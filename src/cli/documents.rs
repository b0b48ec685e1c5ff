//! A plan beside the documents it was made from: what the situation leaves out because planning does not heed it, such
//! as products and the age of a house.

use crate::domain::plan::{Placement, Plan};
use crate::domain::situation::Situation;
use crate::dto::{FilmDto, GearDto, HouseDto, JobDto, LoadWork, PlanningFile, StepDto, built_in_method};

/// Jobs with chains of their own, and houses, by the situation's indices.
#[derive(Debug)]
pub struct Documents {
    jobs: Vec<JobDto>,
    houses: Vec<HouseDto>,
}

/// A plan with the gear of each placement as documents name it.
#[derive(Debug)]
pub struct Geared<'a> {
    situation: &'a Situation,
    placements: Vec<(&'a Placement, Vec<GearDto>)>,
}

impl<'a> Geared<'a> {
    /// Of a plan of this situation.
    pub fn of(situation: &'a Situation, plan: &'a Plan) -> Geared<'a> {
        let gear = |placement: &Placement| {
            let named = placement.units.iter().map(|unit| GearDto {
                equipment: situation.equipment[unit.equipment.index()].key.to_string(),
                unit: i64::from(unit.unit),
            });
            named.collect()
        };
        let placements = plan.placements.iter().map(|placement| (placement, gear(placement))).collect();
        Geared { situation, placements }
    }
}

impl Documents {
    /// Of the file that the situation was read from: its indices follow the order of the documents.
    pub fn of(file: &PlanningFile) -> Documents {
        let method = |key: &str| file.methods.iter().find(|method| method.key == key).or_else(|| built_in_method(key));
        let own = |job: &JobDto| job.clone().with_own_chain(job.method.as_deref().and_then(method));
        Documents { jobs: file.jobs.iter().map(own).collect(), houses: file.houses.clone() }
    }

    /// Every piece of work of the plan and what is known around it.
    pub fn works<'a>(&'a self, plan: &'a Geared<'a>) -> Vec<LoadWork<'a>> {
        let of = |(placement, gear): &'a (&'a Placement, Vec<GearDto>)| self.pieces(plan.situation, placement, gear);
        plan.placements.iter().filter_map(of).flatten().collect()
    }

    fn pieces<'a>(
        &'a self,
        situation: &'a Situation,
        placement: &'a Placement,
        gear: &'a [GearDto],
    ) -> Option<Vec<LoadWork<'a>>> {
        let house_ix = situation.jobs[placement.step.job.index()].house.index();
        let crew = &situation.crews[placement.crew.index()];
        let job = self.jobs.get(placement.step.job.index())?;
        let step = job.steps.as_ref()?.get(placement.step.step.index())?;
        let house = self.houses.get(house_ix)?;
        let film = film_after(job, step);
        let piece = |(number, piece): (usize, &crate::domain::time::Span)| LoadWork {
            crew: (crew.key.as_str(), crew.name.as_str(), i64::from(crew.head_count)),
            house,
            house_zone: situation.houses[house_ix].zone,
            job: &job.key,
            step,
            film,
            start: piece.start(),
            finish: piece.end(),
            piece: i32::try_from(number + 1).unwrap_or(i32::MAX),
            gear,
        };
        Some(placement.pieces.iter().enumerate().map(piece).collect())
    }
}

fn film_after(job: &JobDto, step: &StepDto) -> Option<FilmDto> {
    job.waits.iter().flatten().filter(|wait| wait.from == step.key).find_map(|wait| wait.film)
}
