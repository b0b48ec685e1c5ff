//! What a check asks of its readings, what follows when it fails, and readings as they are sent. What they come to is in
//! `verdict`; planning heeds none of it.

use super::fault::{At, Faults, shown};
use super::house::HouseDto;
use super::names::Table;
use super::settings::SettingsDto;
use super::step::StepDto;
use super::wait::WaitDto;
use crate::domain::fault::Fault;
use crate::trade::meter::{self, AreaReadings, MeterKind, Rules, SpeciesShift};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use utoipa::ToSchema;

/// A reading on every square foot: nobody takes more.
pub const NEEDED_PER_1000_SQFT_MAX: i64 = 1_000;
/// Limits wider than this allow any floor.
const POINTS_MAX_CENTI: i32 = 1_000;
/// Steps that one failed check repeats: more is another job.
pub const TREAT_AGAIN_STEPS_MAX: usize = 12;
/// Larger shifts than this are a broken meter.
const SHIFT_CENTI: std::ops::RangeInclusive<i32> = -1_000..=1_000;
/// Species times two kinds of meters.
const SHIFTS_MAX: usize = 200;

/// How a meter feels the wood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum MeterKindDto {
    /// Resistance between two pins driven in.
    Pin,
    /// A field through the surface.
    Pinless,
}

impl From<MeterKindDto> for MeterKind {
    fn from(kind: MeterKindDto) -> MeterKind {
        match kind {
            MeterKindDto::Pin => MeterKind::Pin,
            MeterKindDto::Pinless => MeterKind::Pinless,
        }
    }
}

/// What a check asks of its readings: every area's mean within `points_max` of the floor's, compared unrounded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeterDto {
    /// Which meter.
    pub kind: MeterKindDto,
    /// Readings on 1,000 sq ft, at least; each area's are rounded up, and each has one.
    #[serde(default = "needed_per_1000_sqft")]
    #[schema(minimum = 1, maximum = 1000, default = 40)]
    pub needed_per_1000_sqft: i64,
    /// How far an area's mean may lie from the floor's, points of moisture; kept to the hundredth.
    #[serde(default = "points_max")]
    #[schema(minimum = 0.01, maximum = 10, default = 1.0)]
    pub points_max: f64,
    /// Key of the step whose readings tell what the floor was before it was wetted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "vacuum")]
    pub baseline_step: Option<String>,
}

/// What a check asks for when it does not say.
pub(crate) fn needed_per_1000_sqft() -> i64 {
    i64::from(meter::NEEDED_PER_1000_SQFT_FLOOR)
}

/// What a check allows when it does not say.
pub(crate) fn points_max() -> f64 {
    f64::from(meter::POINTS_MAX_CENTI) / 100.0
}

/// What follows when a check fails: `"recheck"` or `{"treat_again": ["treat-a", "treat-b"]}`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OnFailDto {
    /// The floor dries on, and is read again.
    #[default]
    Recheck,
    /// These steps, by key, are done once more before the floor is read again. They come before the check.
    TreatAgain(Vec<String>),
}

pub(super) fn is_recheck(on_fail: &OnFailDto) -> bool {
    *on_fail == OnFailDto::Recheck
}

/// One reading of a check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadingDto {
    /// Name of the area.
    #[schema(example = "Living room")]
    pub area: String,
    /// Moisture content as the meter shows it; kept to the hundredth.
    #[schema(minimum = 0, maximum = 100, example = 8.4)]
    pub mc_percent: f64,
}

/// What the company adds to readings of one kind of meter on one species, from the meter's own instructions or from
/// samples dried in an oven. None is known by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SpeciesShiftDto {
    /// Which meter.
    pub meter: MeterKindDto,
    /// As areas name it.
    #[schema(example = "red oak", min_length = 1, max_length = 120)]
    pub species: String,
    /// Points of moisture, kept to the hundredth.
    #[schema(minimum = -10, maximum = 10, example = -0.6)]
    pub points: f64,
}

/// Hundredths, nearest.
pub(super) fn centi(value: f64) -> i32 {
    (value * 100.0).round() as i32
}

impl MeterDto {
    /// Whether its numbers make sense.
    pub(crate) fn check(&self, at: &At, faults: &mut Faults) {
        let needed_at = at.field("needed_per_1000_sqft");
        faults.whole(&needed_at, self.needed_per_1000_sqft, 1..=NEEDED_PER_1000_SQFT_MAX, "readings");
        faults.parts(&at.field("points_max"), self.points_max, 100, 1..=POINTS_MAX_CENTI, "points");
    }

    /// For the trade's own judgement; values have been checked.
    pub fn rules(&self) -> Rules {
        Rules {
            needed_per_1000_sqft: u32::try_from(self.needed_per_1000_sqft).unwrap_or(meter::NEEDED_PER_1000_SQFT_FLOOR),
            points_max_centi: centi(self.points_max),
        }
    }
}

impl SpeciesShiftDto {
    /// Whether all make sense, and each is given once.
    pub(crate) fn check_all(shifts: &[SpeciesShiftDto], at: &At, faults: &mut Faults) {
        if !faults.count(at, shifts.len(), SHIFTS_MAX, "shifts") {
            return;
        }
        let mut seen = BTreeSet::new();
        for (index, shift) in shifts.iter().enumerate() {
            let at = at.item(index);
            faults.name(&at.field("species"), &shift.species);
            faults.parts(&at.field("points"), shift.points, 100, SHIFT_CENTI, "points");
            if !seen.insert((shift.meter, shift.species.trim().to_lowercase())) {
                let what = format!("species {} is shifted twice for one kind of meter", shown(&shift.species));
                faults.push(&at, Fault::new("duplicate-shift", what, "give one shift for each species and meter"));
            }
        }
    }
}

/// Whether the steps that a check names are there, and before it.
pub(super) fn check_named(steps: &[StepDto], waits: &[WaitDto], table: &Table, at: &At, faults: &mut Faults) -> bool {
    let mut good = true;
    for (index, step) in steps.iter().enumerate() {
        let at = at.item(index);
        let meter_at = at.field("meter");
        if let Some(named) = step.meter.as_ref().and_then(|meter| meter.baseline_step.as_ref()) {
            good &= faults.find(&meter_at.field("baseline_step"), table, named, "a check").is_some();
        }
        if let Some(named) = &step.repeats {
            good &= faults.find(&at.field("repeats"), table, named, "a step").is_some();
        }
        let OnFailDto::TreatAgain(named) = &step.on_fail else { continue };
        let on_fail_at = at.field("on_fail");
        let at = on_fail_at.field("treat_again");
        if named.is_empty() || !faults.count(&at, named.len(), TREAT_AGAIN_STEPS_MAX, "steps") {
            let what = format!("check {} names no steps to do again, or too many", shown(&step.key));
            faults.push(&at, Fault::new("bad-treat-again", what, "name the steps, or let it be \"recheck\""));
            good = false;
            continue;
        }
        let before = before(&step.key, waits);
        for (number, key) in named.iter().enumerate() {
            let at = at.item(number);
            if faults.find(&at, table, key, "a check").is_none() {
                good = false;
            } else if !before.contains(key.as_str()) || named[..number].contains(key) {
                let what = format!("step {} does not come before check {}, or is named twice", shown(key), step.key);
                faults.push(&at, Fault::new("bad-treat-again", what, "name steps that lead to the check, each once"));
                good = false;
            }
        }
    }
    good
}

/// Keys of the steps that lead to `key`.
fn before<'a>(key: &'a str, waits: &'a [WaitDto]) -> BTreeSet<&'a str> {
    let mut found = BTreeSet::new();
    let mut open = vec![key];
    while let Some(to) = open.pop() {
        for wait in waits.iter().filter(|wait| wait.to == to) {
            if found.insert(wait.from.as_str()) {
                open.push(&wait.from);
            }
        }
    }
    found
}

/// The areas of a check with their readings, in the order of the house, shifted by species. Readings of other areas are
/// left out. `kind`: none, nothing is shifted.
pub fn area_readings(
    step: &StepDto,
    house: &HouseDto,
    settings: &SettingsDto,
    readings: &[ReadingDto],
) -> Vec<AreaReadings> {
    let shifts: Vec<SpeciesShift> = settings.species_shifts.iter().map(SpeciesShift::from).collect();
    let kind = step.meter.as_ref().map(|meter| meter.kind.into());
    let covered = |name: &str| step.areas.as_ref().is_none_or(|areas| areas.iter().any(|area| area.trim() == name));
    house
        .areas
        .iter()
        .filter(|area| covered(area.name.trim()))
        .map(|area| {
            let name = area.name.trim();
            let own = readings.iter().filter(|reading| reading.area.trim() == name);
            AreaReadings {
                name: name.to_owned(),
                area_sqft: u32::try_from(area.area_sqft).unwrap_or(1),
                shown_centi: own.map(|reading| centi(reading.mc_percent)).collect(),
                shift_centi: kind.map_or(0, |kind| meter::shift_centi(&shifts, kind, area.species.as_deref())),
            }
        })
        .collect()
}

impl From<&SpeciesShiftDto> for SpeciesShift {
    fn from(shift: &SpeciesShiftDto) -> SpeciesShift {
        SpeciesShift { meter: shift.meter.into(), species: shift.species.clone(), shift_centi: centi(shift.points) }
    }
}
