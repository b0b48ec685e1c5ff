//! The house a chain is applied to: its areas by name, and their floors.

use super::fault::shown;
use super::house::HouseDto;
use super::names::Table;
use super::step::StepDto;
use crate::domain::ids::AreaIx;
use crate::domain::resources::House;

/// Floor of each area of a house that exists only to check a method on it, square feet.
const NOMINAL_SQFT: i64 = 1_000;

/// What a chain needs to know of a house.
#[derive(Debug, Clone)]
pub(super) struct Site {
    who: String,
    areas: Table,
    sqft: Vec<i64>,
}

impl Site {
    /// As declared; `house` may have faults of its own.
    pub(super) fn of(house: &HouseDto) -> Site {
        // A house without areas is told where it is read, too.
        let mut site = if house.areas.is_empty() { Site::nominal([].iter()) } else { Site::empty() };
        site.who = format!("house {}", shown(&house.key));
        for area in &house.areas {
            site.areas.add(area.name.trim());
            // A floor out of range is told where the house is read; it must not be told again by every step.
            site.sqft.push(area.area_sqft.clamp(1, i64::from(crate::domain::bounds::AREA_SQFT_MAX)));
        }
        site
    }

    fn empty() -> Site {
        Site { who: "any house".to_string(), areas: Table::areas(), sqft: Vec::new() }
    }

    /// A house that has every area the steps name, and at least one.
    pub(super) fn nominal<'a>(areas: impl Iterator<Item = &'a String>) -> Site {
        let mut site = Site::empty();
        for area in areas {
            if site.areas.find(area.trim()).is_none() {
                site.areas.add(area.trim());
                site.sqft.push(NOMINAL_SQFT);
            }
        }
        if site.sqft.is_empty() {
            site.areas.add("floor");
            site.sqft.push(NOMINAL_SQFT);
        }
        site
    }

    /// For messages.
    pub(super) fn who(&self) -> &str {
        &self.who
    }

    /// By name.
    pub(super) fn areas(&self) -> &Table {
        &self.areas
    }

    /// Every area.
    pub(super) fn all(&self) -> Vec<AreaIx> {
        (0..self.sqft.len()).map(AreaIx::from_index).collect()
    }

    /// Floor of some areas, square feet.
    pub(super) fn sqft(&self, areas: &[AreaIx]) -> i64 {
        areas.iter().map(|area| self.sqft[area.index()]).sum()
    }
}

/// Names of areas as the wire has them; none when the step works in all of the house.
pub(super) fn area_names(areas: &[AreaIx], house: &House) -> Option<Vec<String>> {
    let every = areas.len() == house.areas.len();
    (!every).then(|| areas.iter().map(|area| house.areas[area.index()].name.to_string()).collect())
}

/// The areas that steps name.
pub(super) fn named_areas(steps: &[StepDto]) -> impl Iterator<Item = &String> {
    steps.iter().filter_map(|step| step.areas.as_ref()).flatten()
}
