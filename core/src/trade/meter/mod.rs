//! The meter check: moisture readings over a whole floor, and whether it may be worked on. The meter overrules every model
//! of drying. Everything is decided in whole hundredths of a point and exact fractions, so that an area just one point off
//! passes and one a hair more does not, whatever the order of the readings. No prediction (see `approach`), no wire.
//!
//! - Each area's mean lies within `points_max_centi` of the mean of area means weighted by area (common practice, no
//!   source; one point after a water-borne treatment). Compared unrounded, reported to the tenth.
//! - Readings needed are counted per area, rounded up, at least one: the wood flooring trade's association asks for at
//!   least 40 on 1,000 sq ft of flooring and 20 of subfloor (as reported in the trade press). What all areas need together
//!   is then never below what the whole floor needs. One reading short, and there is no verdict.
//! - A lone reading far off is named, and does not decide: see `spots`.

mod beside;
mod exact;
mod shift;
mod spots;
mod words;

pub use beside::{Beside, BesideJudged, SubfloorJudged};
pub use shift::{SpeciesShift, shift_centi};
pub use spots::Spot;
pub use words::told;

use exact::Mean;

/// Readings on 1,000 sq ft of wood flooring, at least. Source: wood flooring association's guidelines, as reported in the
/// trade press.
pub const NEEDED_PER_1000_SQFT_FLOOR: u32 = 40;
/// Readings on 1,000 sq ft of wood subfloor, at least. Source as above.
pub const NEEDED_PER_1000_SQFT_SUBFLOOR: u32 = 20;
/// How far an area's mean may lie from the floor's, hundredths of a point. Common practice, no source.
pub const POINTS_MAX_CENTI: i32 = 100;
/// Where meters hold, hundredths of a percent: from about 5 % to fibre saturation, about 30 %. Source: ASTM D4444.
pub const METER_HOLDS_CENTI: std::ops::RangeInclusive<i32> = 500..=3_000;

/// How a meter feels the wood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum MeterKind {
    /// Resistance between two pins driven in.
    Pin,
    /// A field through the surface.
    Pinless,
}

/// What is asked of a floor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rules {
    /// Readings on 1,000 sq ft, at least.
    pub needed_per_1000_sqft: u32,
    /// How far an area's mean may lie from the floor's, hundredths of a point.
    pub points_max_centi: i32,
}

impl Default for Rules {
    fn default() -> Rules {
        Rules { needed_per_1000_sqft: NEEDED_PER_1000_SQFT_FLOOR, points_max_centi: POINTS_MAX_CENTI }
    }
}

/// One area and what the meter showed there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AreaReadings {
    /// For people.
    pub name: String,
    /// At least 1.
    pub area_sqft: u32,
    /// As the meter showed them, hundredths of a percent.
    pub shown_centi: Vec<i32>,
    /// Added to each because of the species, hundredths of a point.
    pub shift_centi: i32,
}

impl AreaReadings {
    /// Readings with the species' shift, hundredths of a percent.
    pub fn corrected_centi(&self) -> impl Iterator<Item = i32> + '_ {
        self.shown_centi.iter().map(|shown| shown + self.shift_centi)
    }

    fn mean(&self) -> Option<Mean> {
        Mean::of(self.corrected_centi())
    }
}

/// What a floor comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finding {
    /// Every area is within the limit.
    Passes,
    /// As above, but a lone reading is far off and wants a look before work goes on.
    PassesButLook,
    /// An area is out, or has a wet place.
    Fails,
    /// Too few readings to say.
    Incomplete,
}

/// One area of a judged floor, in the order of asking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AreaJudged {
    /// Readings taken.
    pub taken: usize,
    /// Readings needed.
    pub needed: usize,
    /// Mean, tenths of a percent; `None` without readings.
    pub mean_deci: Option<i32>,
    /// Mean less the floor's mean, tenths of a point.
    pub off_deci: Option<i32>,
    /// Whether the unrounded difference is within the limit; `None` without readings.
    pub within: Option<bool>,
    /// More readings are far on the wet side than can be called lone.
    pub wet_place: bool,
    /// Readings outside what meters hold for.
    pub beyond_meter: usize,
}

impl AreaJudged {
    /// Readings still to take.
    pub fn missing(&self) -> usize {
        self.needed.saturating_sub(self.taken)
    }
}

/// A judged floor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judged {
    /// What it comes to.
    pub finding: Finding,
    /// What was asked.
    pub rules: Rules,
    /// Mean of area means weighted by area, tenths of a percent; `None` without readings.
    pub floor_deci: Option<i32>,
    /// Area by area.
    pub areas: Vec<AreaJudged>,
    /// Readings far from their area's median.
    pub spots: Vec<Spot>,
    /// What the floor was held against besides itself.
    pub beside: BesideJudged,
}

/// Readings that `area_sqft` needs: rounded up, at least one.
pub fn needed(area_sqft: u32, needed_per_1000_sqft: u32) -> usize {
    let readings = (u64::from(area_sqft) * u64::from(needed_per_1000_sqft)).div_ceil(1_000);
    readings.max(1) as usize
}

/// Mean of area means weighted by area, nearest hundredth of a percent; `None` without readings.
pub fn floor_mean_centi(areas: &[AreaReadings]) -> Option<i32> {
    let means = areas.iter().map(|area| (area.area_sqft, area.mean()));
    exact::weighted(means).as_ref().map(exact::nearest)
}

/// Judges a floor. Areas without readings make it incomplete, and do not count in its mean.
pub fn judge(areas: &[AreaReadings], rules: Rules, beside: &Beside) -> Judged {
    let means: Vec<Option<Mean>> = areas.iter().map(AreaReadings::mean).collect();
    let floor = exact::weighted(areas.iter().map(|area| area.area_sqft).zip(means.iter().copied()));
    let spots = spots::far_off(areas);
    let judged: Vec<AreaJudged> = areas
        .iter()
        .zip(&means)
        .enumerate()
        .map(|(number, (area, mean))| {
            let off = mean.and_then(|mean| Some(mean.exact() - floor.as_ref()?));
            AreaJudged {
                taken: area.shown_centi.len(),
                needed: needed(area.area_sqft, rules.needed_per_1000_sqft),
                mean_deci: mean.map(|mean| exact::deci(&mean.exact())),
                off_deci: off.as_ref().map(exact::deci),
                within: off.as_ref().map(|off| exact::within(off, rules.points_max_centi)),
                wet_place: spots::wet_place(&spots, number, area.shown_centi.len()),
                beyond_meter: area.shown_centi.iter().filter(|shown| !METER_HOLDS_CENTI.contains(shown)).count(),
            }
        })
        .collect();
    let finding = if judged.is_empty() || judged.iter().any(|area| area.missing() > 0) {
        Finding::Incomplete
    } else if judged.iter().any(|area| area.within == Some(false) || area.wet_place) {
        Finding::Fails
    } else if spots.is_empty() {
        Finding::Passes
    } else {
        Finding::PassesButLook
    };
    let floor_deci = floor.as_ref().map(exact::deci);
    Judged { finding, rules, floor_deci, areas: judged, spots, beside: beside::judge(beside, floor.as_ref()) }
}

#[cfg(test)]
mod tests;
