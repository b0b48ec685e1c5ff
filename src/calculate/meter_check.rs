//! A floor's meter readings, judged as a check of a job would be, and held against its subfloor besides.

use super::Calculation;
use crate::domain::bounds::{AREA_SQFT_MAX, AREAS_PER_HOUSE_MAX, MC_CENTI_PERCENT, METER_READINGS_MAX};
use crate::domain::climate::Air;
use crate::domain::fault::Fault;
use crate::dto::{
    AIR_CENTI_C, At, Faults, Located, MeterKindDto, RH_CENTI_PERCENT, SpeciesShiftDto, VerdictDto,
    needed_per_1000_sqft, points_max,
};
use crate::trade::meter::{self, AreaReadings, Beside, Rules, SpeciesShift};
use serde::Deserialize;
use std::fmt::Write;
use utoipa::ToSchema;

/// Widest board taken as real, hundredths of an inch.
const STRIP_CENTI_IN: std::ops::RangeInclusive<i32> = 1..=10_000;

/// Readings of a floor, and what is known besides.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeterCheckQuestion {
    /// Which meter; chooses the species' shift.
    #[serde(default = "pinless")]
    pub meter: MeterKindDto,
    /// Readings on 1,000 sq ft, at least: 40 for wood flooring.
    #[serde(default = "needed_per_1000_sqft")]
    #[schema(minimum = 1, maximum = 1000, default = 40)]
    pub needed_per_1000_sqft: i64,
    /// How far an area's mean may lie from the floor's, points; kept to the hundredth.
    #[serde(default = "points_max")]
    #[schema(minimum = 0.01, maximum = 10, default = 1.0)]
    pub points_max: f64,
    /// The floor, area by area.
    pub areas: Vec<AreaReadDto>,
    /// What is added to readings by species.
    #[serde(default)]
    pub species_shifts: Vec<SpeciesShiftDto>,
    /// The floor's mean before it was wetted.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 100)]
    pub baseline_percent: Option<f64>,
    /// The air of the house.
    #[serde(default)]
    pub air: Option<HouseAirRead>,
    /// Readings of the subfloor.
    #[serde(default)]
    pub subfloor: Option<SubfloorRead>,
}

/// An area and what the meter showed there, in the order of taking.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AreaReadDto {
    /// Its name, once.
    #[schema(example = "Living room", min_length = 1, max_length = 120)]
    pub area: String,
    /// Floor, square feet.
    #[schema(minimum = 1, maximum = 200_000, example = 320)]
    pub area_sqft: i64,
    /// Wood, if known.
    #[serde(default)]
    pub species: Option<String>,
    /// Percent; kept to the hundredth.
    pub readings: Vec<f64>,
}

/// Air as it was measured.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HouseAirRead {
    /// Degrees Celsius.
    #[schema(minimum = -60, maximum = 60, example = 21)]
    pub temp_c: f64,
    /// Relative humidity.
    #[schema(minimum = 0, maximum = 100, example = 45)]
    pub rh_percent: f64,
}

/// The subfloor: 20 readings on 1,000 sq ft, at least.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SubfloorRead {
    /// Width of the floor's strip: under 3 in it may be within 4 points of the subfloor, else within 2.
    #[schema(minimum = 0.01, maximum = 100, example = 2.25)]
    pub strip_width_in: f64,
    /// Area by area.
    pub areas: Vec<AreaReadDto>,
}

fn pinless() -> MeterKindDto {
    MeterKindDto::Pinless
}

impl Calculation for MeterCheckQuestion {
    type Answer = VerdictDto;

    fn answer(&self) -> Result<VerdictDto, Vec<Located>> {
        let mut faults = Faults::default();
        let asked = crate::dto::MeterDto {
            kind: self.meter,
            needed_per_1000_sqft: self.needed_per_1000_sqft,
            points_max: self.points_max,
            baseline_step: None,
        };
        asked.check(&At::Root, &mut faults);
        SpeciesShiftDto::check_all(&self.species_shifts, &At::Root.field("species_shifts"), &mut faults);
        let shifts: Vec<SpeciesShift> = self.species_shifts.iter().map(SpeciesShift::from).collect();
        let shift = |area: &AreaReadDto| meter::shift_centi(&shifts, self.meter.into(), area.species.as_deref());
        let areas = read_areas(&self.areas, &At::Root.field("areas"), &shift, &mut faults);
        let beside = self.beside(&mut faults);
        match (areas, beside) {
            (Some(areas), Some(beside)) if faults.is_empty() => Ok(judged(&areas, asked.rules(), &beside)),
            _ => Err(faults.into_list()),
        }
    }

    fn words(answer: &VerdictDto) -> String {
        let mut out = format!("{}\n", answer.in_words);
        for area in &answer.areas {
            if let (Some(mean), Some(off)) = (area.mean_percent, area.off_points) {
                let _ = writeln!(out, "{}: {mean:.1} %, {off:+.1} points ({} readings)", area.area, area.taken);
            }
        }
        if let Some(emc) = answer.emc_percent {
            let _ = writeln!(out, "wood comes to {emc:.1} % in this air");
        }
        for warning in &answer.warnings {
            let _ = writeln!(out, "look: {warning}");
        }
        out
    }
}

fn judged(areas: &[AreaReadings], rules: Rules, beside: &Beside) -> VerdictDto {
    VerdictDto::new(&meter::judge(areas, rules, beside), areas)
}

impl MeterCheckQuestion {
    fn beside(&self, faults: &mut Faults) -> Option<Beside> {
        let baseline_at = At::Root.field("baseline_percent");
        let baseline =
            self.baseline_percent.map(|value| faults.parts(&baseline_at, value, 100, MC_CENTI_PERCENT, "percent"));
        let air_at = At::Root.field("air");
        let air = self.air.map(|air| {
            let temp = faults.parts(&air_at.field("temp_c"), air.temp_c, 100, AIR_CENTI_C, "degrees Celsius");
            let rh = faults.parts(&air_at.field("rh_percent"), air.rh_percent, 100, RH_CENTI_PERCENT, "percent");
            Some(Air { temp_centi_c: temp?, rh_centi_percent: rh? })
        });
        let subfloor_at = At::Root.field("subfloor");
        let subfloor = self.subfloor.as_ref().map(|subfloor| {
            let strip_at = subfloor_at.field("strip_width_in");
            let strip = faults.parts(&strip_at, subfloor.strip_width_in, 100, STRIP_CENTI_IN, "inches");
            let areas = read_areas(&subfloor.areas, &subfloor_at.field("areas"), &|_| 0, faults);
            Some((areas?, strip? as u32))
        });
        // What is there and wrong has been told: it is not asked for any more.
        Some(Beside { baseline_centi: baseline.flatten(), air: air.flatten(), subfloor: subfloor.flatten() })
    }
}

/// `None` when one of them is no good.
fn read_areas(
    areas: &[AreaReadDto],
    at: &At,
    shift: &dyn Fn(&AreaReadDto) -> i32,
    faults: &mut Faults,
) -> Option<Vec<AreaReadings>> {
    let readings = areas.iter().map(|area| area.readings.len()).sum();
    if areas.is_empty() {
        faults.push(at, Fault::new("no-areas", "there are no areas", "give at least one, with its floor"));
    }
    let counted = faults.count(at, areas.len(), AREAS_PER_HOUSE_MAX, "areas")
        & faults.count(at, readings, METER_READINGS_MAX, "readings");
    if areas.is_empty() || !counted {
        return None;
    }
    let mut read = Vec::with_capacity(areas.len());
    for (index, area) in areas.iter().enumerate() {
        let at = at.item(index);
        if areas[..index].iter().any(|other| other.area.trim() == area.area.trim()) {
            let what = format!("two areas are called {:?}", area.area.trim().chars().take(64).collect::<String>());
            faults.push(&at.field("area"), Fault::new("duplicate-area", what, "put their readings together"));
        }
        let name = faults.name(&at.field("area"), &area.area);
        let sqft_at = at.field("area_sqft");
        let sqft = faults.whole(&sqft_at, area.area_sqft, 1..=i64::from(AREA_SQFT_MAX), "square feet");
        let readings_at = at.field("readings");
        let shown = area.readings.iter().enumerate().map(|(number, value)| {
            faults.parts(&readings_at.item(number), *value, 100, MC_CENTI_PERCENT, "percent of moisture")
        });
        let shown: Vec<Option<i32>> = shown.collect();
        let shown: Option<Vec<i32>> = shown.into_iter().collect();
        read.push((|| {
            Some(AreaReadings {
                name: name?.to_string(),
                area_sqft: u32::try_from(sqft?).ok()?,
                shown_centi: shown?,
                shift_centi: shift(area),
            })
        })());
    }
    read.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calculate::{CALCULATIONS, Form};

    fn ask(text: &str) -> Result<String, Vec<Located>> {
        let (_, tell) = CALCULATIONS.iter().find(|(name, _)| *name == "meter-check").unwrap();
        tell(text, Form::Words)
    }

    /// Equal areas one point either side of the floor pass; strip of 3 in is held within 2 points of its subfloor (trade
    /// press on the wood flooring association's guidelines).
    #[test]
    fn a_floor_is_judged_and_held_against_its_subfloor() {
        let told = ask(r#"{"areas": [{"area": "Hall", "area_sqft": 25, "readings": [8]},
                {"area": "Den", "area_sqft": 25, "readings": [10]}],
                "subfloor": {"strip_width_in": 3, "areas": [{"area": "Hall", "area_sqft": 50, "readings": [11.01]}]}}"#)
        .unwrap();
        assert!(told.starts_with("passes: every area is within 1.0 points of the floor's 9.0 %"), "{told}");
        assert!(told.contains("look: the floor is 2.0 points below its subfloor at 11.0 %, 2.0 allowed"), "{told}");
        assert!(told.contains("Den: 10.0 %, +1.0 points (1 readings)"), "{told}");
    }

    #[test]
    fn every_fault_is_told() {
        let faults = ask(r#"{"points_max": 0, "baseline_percent": 101, "air": {"temp_c": 21, "rh_percent": 101},
                "areas": [{"area": "Hall", "area_sqft": 0, "readings": [8, 108]},
                          {"area": " Hall", "area_sqft": 5, "readings": []}]}"#);
        let faults = faults.unwrap_err();
        let places: Vec<&str> = faults.iter().map(|located| located.pointer.as_str()).collect();
        let expected = [
            "/points_max",
            "/areas/0/area_sqft",
            "/areas/0/readings/1",
            "/areas/1/area",
            "/baseline_percent",
            "/air/rh_percent",
        ];
        assert_eq!(places, expected);
        assert_eq!(ask(r#"{"areas": []}"#).unwrap_err()[0].fault.code, "no-areas");
    }
}
