//! What readings come to, as it is shown and kept: figures to the tenth, the verdict and the warnings in words.

use crate::trade::meter::{AreaReadings, Finding, Judged, Spot, told};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What a floor comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FindingDto {
    /// Every area is within the limit.
    Passes,
    /// As above, but a lone reading is far off and wants a look before work goes on.
    PassesButLook,
    /// An area is out, or has a wet place.
    Fails,
    /// Too few readings to say.
    Incomplete,
}

impl From<Finding> for FindingDto {
    fn from(finding: Finding) -> FindingDto {
        match finding {
            Finding::Passes => FindingDto::Passes,
            Finding::PassesButLook => FindingDto::PassesButLook,
            Finding::Fails => FindingDto::Fails,
            Finding::Incomplete => FindingDto::Incomplete,
        }
    }
}

/// One area's part in a verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AreaVerdictDto {
    /// Its name.
    pub area: String,
    /// Its weight in the floor's mean.
    pub area_sqft: u32,
    /// Readings taken.
    pub taken: usize,
    /// Readings needed.
    pub needed: usize,
    /// Readings still to take.
    pub missing: usize,
    /// Mean of its readings.
    pub mean_percent: Option<f64>,
    /// Its mean less the floor's, points.
    pub off_points: Option<f64>,
    /// Whether the unrounded difference is within the limit.
    pub within: Option<bool>,
    /// More readings are far on the wet side than can be called lone.
    pub wet_place: bool,
    /// What its species adds to each reading, points.
    pub shift_points: f64,
}

/// A reading far from its area's middle. It counts in the mean all the same.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SpotDto {
    /// Name of the area.
    pub area: String,
    /// Which of the area's readings, from 1 in the order of taking.
    pub reading: usize,
    /// The reading, with its species' shift.
    pub mc_percent: f64,
    /// Middle of its area's readings.
    pub median_percent: f64,
    /// On the wet side.
    pub wet: bool,
}

/// The floor against its subfloor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SubfloorVerdictDto {
    /// Readings still to take of the subfloor.
    pub missing: usize,
    /// Mean of the subfloor.
    pub mean_percent: f64,
    /// Floor less subfloor, points.
    pub over_points: f64,
    /// Largest difference for this strip, points.
    pub points_max: f64,
    /// Whether the unrounded difference is no larger.
    pub within: bool,
}

/// What the readings of a check come to. Figures are to the tenth; whether they are within limits was decided unrounded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct VerdictDto {
    /// What it comes to.
    pub finding: FindingDto,
    /// The same in one sentence.
    #[schema(example = "passes: every area is within 1.0 points of the floor's 8.3 %")]
    pub in_words: String,
    /// Mean of area means weighted by area.
    pub floor_percent: Option<f64>,
    /// How far an area's mean may lie from it, points.
    pub points_max: f64,
    /// Readings on 1,000 sq ft, at least.
    pub needed_per_1000_sqft: u32,
    /// Area by area.
    pub areas: Vec<AreaVerdictDto>,
    /// Readings far off.
    pub spots: Vec<SpotDto>,
    /// Floor less what it was before wetting, points; where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over_baseline_points: Option<f64>,
    /// What wood comes to in the house's air; where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub emc_percent: Option<f64>,
    /// Floor less that, points.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over_emc_points: Option<f64>,
    /// Where the subfloor was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subfloor: Option<SubfloorVerdictDto>,
    /// What to look at, one sentence each.
    pub warnings: Vec<String>,
}

fn tenths(deci: i32) -> f64 {
    f64::from(deci) / 10.0
}

fn hundredths(centi: i32) -> f64 {
    f64::from(centi) / 100.0
}

impl VerdictDto {
    /// `areas` as they were judged.
    pub fn new(judged: &Judged, areas: &[AreaReadings]) -> VerdictDto {
        let words = told(judged, areas);
        let area = |(area, found): (&AreaReadings, &crate::trade::meter::AreaJudged)| AreaVerdictDto {
            area: area.name.clone(),
            area_sqft: area.area_sqft,
            taken: found.taken,
            needed: found.needed,
            missing: found.missing(),
            mean_percent: found.mean_deci.map(tenths),
            off_points: found.off_deci.map(tenths),
            within: found.within,
            wet_place: found.wet_place,
            shift_points: hundredths(area.shift_centi),
        };
        let spot = |spot: &Spot| SpotDto {
            area: areas.get(spot.area).map(|area| area.name.clone()).unwrap_or_default(),
            reading: spot.reading + 1,
            mc_percent: hundredths(spot.centi),
            median_percent: tenths(spot.median_deci),
            wet: spot.wet,
        };
        let beside = &judged.beside;
        VerdictDto {
            finding: judged.finding.into(),
            in_words: words.verdict,
            floor_percent: judged.floor_deci.map(tenths),
            points_max: hundredths(judged.rules.points_max_centi),
            needed_per_1000_sqft: judged.rules.needed_per_1000_sqft,
            areas: areas.iter().zip(&judged.areas).map(area).collect(),
            spots: judged.spots.iter().map(spot).collect(),
            over_baseline_points: beside.over_baseline_deci.map(|(over, _)| tenths(over)),
            emc_percent: beside.emc_deci.map(tenths),
            over_emc_points: beside.over_emc_deci.map(|(over, _)| tenths(over)),
            subfloor: beside.subfloor.map(|subfloor| SubfloorVerdictDto {
                missing: subfloor.missing,
                mean_percent: tenths(subfloor.mean_deci),
                over_points: tenths(subfloor.over_deci),
                points_max: hundredths(subfloor.points_max_centi),
                within: subfloor.within,
            }),
            warnings: words.warnings,
        }
    }
}
