//! The weather as a strip above the days, and when the air in a house is not fit for what is still to come there.

use super::basis::World;
use super::picture::span;
use super::shapes::{BoardLimits, BoardRegion};
use crate::domain::climate::{Air, AirReading, Film, Gate, HouseAir};
use crate::domain::ids::{HouseIx, RegionIx};
use crate::domain::resources::Region;
use crate::domain::situation::Situation;
use crate::domain::time::{HOUR, Minute, Span, joined, without};
use crate::service::keep_off::DRYING_MINUTES_MAX;
use crate::trade::climate::{AirOverTime, HourlyClimate};
use crate::trade::gate::allowed_spans;
use crate::trade::house::model_of;
use crate::trade::readings::HouseClimate;
use crate::trade::ready::DryingTable;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

/// What tells the air of one house from that of another.
type Kind<'a> = (HouseAir, Option<RegionIx>, &'a [AirReading]);

/// The air of all houses.
pub(super) struct Airs {
    /// By house: which of `climates`.
    of_house: Vec<usize>,
    climates: Vec<Option<HouseClimate>>,
    /// From the first minute that anything can have become wet until nobody looks any more.
    wet: Span,
    /// By climate and film.
    tables: RefCell<BTreeMap<(usize, Film), DryingTable>>,
}

impl Airs {
    /// `worked`: from the first work on the board to the last.
    pub(super) fn of(situation: &Situation, worked: Span) -> Airs {
        let outdoors: Vec<Option<HourlyClimate>> =
            situation.regions.iter().map(|region| HourlyClimate::of_region(region).ok()).collect();
        let mut kinds: Vec<Kind<'_>> = Vec::new();
        let mut climates = Vec::new();
        let mut of_house = Vec::with_capacity(situation.houses.len());
        for house in &situation.houses {
            let kind = (house.air, house.region, house.air_readings.as_slice());
            let known = kinds.iter().position(|known| *known == kind);
            of_house.push(known.unwrap_or(kinds.len()));
            if known.is_none() {
                let outdoor = house.region.and_then(|region| outdoors[region.index()].as_ref());
                climates.push(HouseClimate::new(model_of(house.air, outdoor).map(Arc::new), &house.air_readings));
                kinds.push(kind);
            }
        }
        let wet = Span::new(worked.start(), worked.end().plus(DRYING_MINUTES_MAX)).unwrap_or(worked);
        Airs { of_house, climates, wet, tables: RefCell::default() }
    }

    /// When what became wet at `start` has dried `minutes` of its label; `None` when that is not within months.
    pub(super) fn ready_at(&self, house: HouseIx, film: Film, start: Minute, minutes: i64) -> Option<Minute> {
        let number = self.of_house[house.index()];
        let Some(climate) = &self.climates[number] else { return Some(start.plus(minutes)) };
        let mut tables = self.tables.borrow_mut();
        let make = || DryingTable::new(climate, film, self.wet.start(), self.wet.end());
        tables.entry((number, film)).or_insert_with(make).ready_at(start, minutes)
    }

    /// When the air is outside what any gated step that is still open there needs.
    pub(super) fn shut(&self, world: &World, house: HouseIx, shown: Span) -> Vec<Span> {
        let Some(climate) = &self.climates[self.of_house[house.index()]] else { return Vec::new() };
        let within = world.situation.now.max(shown.start());
        let Some(ahead) = Span::new(within, shown.end()) else { return Vec::new() };
        let mut out = Vec::new();
        for gate in gates(world, |own| own == house).into_keys() {
            let open = allowed_spans(climate, &gate.0, ahead.start(), ahead.end());
            let open: Vec<Span> = open.into_iter().filter_map(|open| open.intersection(ahead)).collect();
            out.extend(without(&[ahead], &open));
        }
        joined(out)
    }
}

/// A gate in an order, so that the same ones meet.
#[derive(Clone, Copy)]
struct Limits(Gate);

impl Limits {
    const fn parts(self) -> (i32, i32, i32, i32, i32) {
        let Gate { temp_min_centi_c, temp_max_centi_c, rh_min_centi_percent, rh_max_centi_percent, .. } = self.0;
        let margin = self.0.dew_point_margin_min_centi_c;
        (temp_min_centi_c, temp_max_centi_c, rh_min_centi_percent, rh_max_centi_percent, margin)
    }
}

impl PartialEq for Limits {
    fn eq(&self, other: &Limits) -> bool {
        self.parts() == other.parts()
    }
}

impl Eq for Limits {}

impl PartialOrd for Limits {
    fn partial_cmp(&self, other: &Limits) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Limits {
    fn cmp(&self, other: &Limits) -> std::cmp::Ordering {
        self.parts().cmp(&other.parts())
    }
}

/// Of open steps in these houses: each kind of limits, and how many steps have them.
fn gates(world: &World, wanted: impl Fn(HouseIx) -> bool) -> BTreeMap<Limits, usize> {
    let mut counted = BTreeMap::new();
    for job in world.situation.jobs.iter().filter(|job| wanted(job.house)) {
        for step in job.chain.steps().iter().filter(|step| step.fixed().is_none()) {
            if let Some(gate) = step.gate {
                *counted.entry(Limits(gate)).or_insert(0) += 1;
            }
        }
    }
    counted
}

/// Every region, over the days shown.
pub(super) fn regions(world: &World, shown: Span) -> Vec<BoardRegion> {
    let all = world.situation.regions.iter().enumerate();
    all.filter_map(|(index, region)| strip(world, RegionIx::from_index(index), region, shown)).collect()
}

fn strip(world: &World, index: RegionIx, region: &Region, shown: Span) -> Option<BoardRegion> {
    let outdoors = HourlyClimate::of_region(region).ok()?;
    let hours: Vec<(Minute, Air)> =
        outdoors.hours_covering(shown.start(), shown.end()).filter_map(|(start, air)| Some((start, air?))).collect();
    let in_region = |house: HouseIx| world.situation.houses[house.index()].region == Some(index);
    let limits = gates(world, in_region).into_iter().max_by_key(|(_, steps)| *steps);
    let spans = |is: &dyn Fn(&Gate, Air) -> bool| {
        let Some((limits, _)) = &limits else { return Vec::new() };
        let hit = hours.iter().filter(|(_, air)| is(&limits.0, *air));
        let hit = hit.filter_map(|(start, _)| Span::new(*start, start.plus(HOUR)));
        joined(hit.collect()).into_iter().map(span).collect()
    };
    Some(BoardRegion {
        key: region.key.to_string(),
        name: region.name.to_string(),
        start: hours.first()?.0.0,
        temp_deci_c: hours.iter().map(|(_, air)| (f64::from(air.temp_centi_c) / 10.0).round() as i32).collect(),
        rh_percent: hours.iter().map(|(_, air)| (f64::from(air.rh_centi_percent) / 100.0).round() as i32).collect(),
        forecast_until: outdoors.forecast_end().map(|end| end.0),
        cold: spans(&|gate, air| air.temp_centi_c < gate.temp_min_centi_c),
        damp: spans(&|gate, air| {
            air.rh_centi_percent > gate.rh_max_centi_percent
                || air.dew_point_margin_centi_c() < gate.dew_point_margin_min_centi_c
        }),
        limits: limits.map(|(limits, steps)| BoardLimits {
            temp_min_deci_c: limits.0.temp_min_centi_c / 10,
            rh_max_percent: limits.0.rh_max_centi_percent / 100,
            steps,
        }),
    })
}
