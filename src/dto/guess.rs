//! Where a plan rests on weather that nobody has forecast: for people, so that they trust its last days less. Counted from
//! the situation and the plan alone; not read back.

use super::scalar::{instant, local};
use crate::domain::climate::{Gate, HouseAir};
use crate::domain::ids::{HouseIx, RegionIx, StepRef};
use crate::domain::plan::{Placement, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use crate::trade::climate::HourlyClimate;
use crate::trade::house::model_of;
use crate::trade::normals::Beyond;
use crate::trade::readings::HouseClimate;
use crate::trade::ready::DryingTable;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;
use utoipa::ToSchema;

/// What is taken for the weather past a forecast's end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BeyondDto {
    /// The forecast's last day, over and over.
    LastDayRepeated,
    /// The region's usual air for the month and hour, after a day of passage.
    Normals,
}

impl BeyondDto {
    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            BeyondDto::LastDayRepeated => "the forecast's last day repeated",
            BeyondDto::Normals => "the usual air for the time of the year",
        }
    }
}

/// A region whose forecast ends before the plan does.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GuessDto {
    /// Key of the region.
    pub region: String,
    /// For people.
    pub region_name: String,
    /// Where its forecast ends.
    #[schema(example = "2026-03-16T20:00:00-04:00", format = DateTime)]
    pub from: String,
    /// What is taken for its weather from then on.
    pub beyond: BeyondDto,
    /// Waits in its houses that are over only after that.
    pub waits: usize,
    /// Steps in its houses that ask for certain air after that.
    pub steps: usize,
}

impl From<Beyond> for BeyondDto {
    fn from(beyond: Beyond) -> BeyondDto {
        match beyond {
            Beyond::LastDayRepeated => BeyondDto::LastDayRepeated,
            Beyond::Normals => BeyondDto::Normals,
        }
    }
}

impl GuessDto {
    /// A sentence for people, but for its full stop; `show` writes an instant as they read it.
    pub fn told(&self, show: impl Fn(Minute) -> String) -> String {
        let from = instant(&self.from).map_or_else(|_| self.from.clone(), show);
        let counted = |count: usize, one: &str, many: &str| match count {
            1 => format!("1 {one}"),
            count => format!("{count} {many}"),
        };
        let mut resting = Vec::new();
        if self.waits > 0 {
            resting.push(counted(self.waits, "wait", "waits"));
        }
        if self.steps > 0 {
            resting.push(counted(self.steps, "step with limits on the air", "steps with limits on the air"));
        }
        let rest = if self.waits + self.steps == 1 { "rests" } else { "rest" };
        let on = self.beyond.words();
        format!("From {from} on, {} in region {} {rest} on {on}", resting.join(" and "), self.region_name)
    }
}

/// Of every region that something in the plan rests on beyond its forecast, in the situation's order.
pub(super) fn guesses(situation: &Situation, plan: &Plan) -> Vec<GuessDto> {
    let mut skies = Skies { situation, outdoors: BTreeMap::new(), models: Vec::new() };
    let starts: BTreeMap<StepRef, Minute> =
        plan.placements.iter().map(|placement| (placement.step, placement.start())).collect();
    let mut counts: BTreeMap<RegionIx, (usize, usize)> = BTreeMap::new();
    for placement in &plan.placements {
        let house = situation.house_of(placement.step);
        let Some((region, end)) = skies.forecast_end(house) else { continue };
        let (waits, steps) = counts.entry(region).or_default();
        *waits += skies.waits_resting(placement, house, end, &starts);
        let gate = situation.jobs[placement.step.job.index()].chain.step(placement.step.step).gate;
        let reaches = |gate: &Gate| placement.finish().plus(gate.hold_after_minutes) > end;
        *steps += usize::from(gate.as_ref().is_some_and(reaches));
    }
    let resting = counts.into_iter().filter(|(_, (waits, steps))| waits + steps > 0);
    let told = resting.filter_map(|(region, (waits, steps))| {
        let outdoor = skies.outdoor(region)?;
        let named = &situation.regions[region.index()];
        Some(GuessDto {
            region: named.key.to_string(),
            region_name: named.name.to_string(),
            from: local(situation.settings.zone, outdoor.forecast_end()?),
            beyond: outdoor.beyond().into(),
            waits,
            steps,
        })
    });
    told.collect()
}

/// The air of houses, worked out once for all that are kept alike.
struct Skies<'s> {
    situation: &'s Situation,
    outdoors: BTreeMap<RegionIx, Option<Arc<HourlyClimate>>>,
    models: Vec<(RegionIx, HouseAir, Option<Arc<HourlyClimate>>)>,
}

impl Skies<'_> {
    fn outdoor(&mut self, region: RegionIx) -> Option<Arc<HourlyClimate>> {
        let situation = self.situation;
        let known = self.outdoors.entry(region);
        let of_region = || HourlyClimate::of_region(&situation.regions[region.index()]).ok().map(Arc::new);
        known.or_insert_with(of_region).clone()
    }

    /// Where guesses begin in a house; `None` where nothing is guessed.
    fn forecast_end(&mut self, house: HouseIx) -> Option<(RegionIx, Minute)> {
        let own = &self.situation.houses[house.index()];
        match own.air {
            HouseAir::Controlled(_) => None,
            HouseAir::Closed | HouseAir::Open { .. } => Some((own.region?, self.outdoor(own.region?)?.forecast_end()?)),
        }
    }

    /// Waits from this step whose floor is ready only after `end`.
    fn waits_resting(
        &mut self,
        placement: &Placement,
        house: HouseIx,
        end: Minute,
        starts: &BTreeMap<StepRef, Minute>,
    ) -> usize {
        let chain = &self.situation.jobs[placement.step.job.index()].chain;
        let wet = placement.finish();
        let mut count = 0;
        for wait in chain.waits().iter().filter(|wait| wait.from == placement.step.step) {
            let Some(film) = wait.film.filter(|_| wait.min_minutes > 0) else { continue };
            // What comes after it is placed, so the floor is ready by then; and never before its label says.
            let next = starts.get(&StepRef { step: wait.to, ..placement.step });
            if next.is_some_and(|next| *next <= end) {
                continue;
            }
            let soonest = wet.plus(wait.min_minutes);
            let mut ready =
                || DryingTable::new(&self.climate(house)?, film, wet, end.plus(1)).ready_at(wet, wait.min_minutes);
            count += usize::from(soonest > end || ready().is_none());
        }
        count
    }

    fn climate(&mut self, house: HouseIx) -> Option<HouseClimate> {
        let own = &self.situation.houses[house.index()];
        let region = own.region?;
        let known = self.models.iter().find(|(known, air, _)| *known == region && *air == own.air);
        let model = match known {
            Some((_, _, model)) => model.clone(),
            None => {
                let model = model_of(own.air, self.outdoor(region).as_deref()).map(Arc::new);
                self.models.push((region, own.air, model.clone()));
                model
            }
        };
        HouseClimate::new(model, &own.air_readings)
    }
}
