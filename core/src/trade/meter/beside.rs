//! What a floor is held against besides itself: its mean before it was wetted, the air of the house, and the subfloor.
//! None of them decides whether finishing goes on; each is reported, and warned of when it is far.

use super::exact::{self, whole};
use super::{AreaReadings, NEEDED_PER_1000_SQFT_SUBFLOOR, needed};
use crate::domain::climate::Air;
use crate::trade::moisture;
use num_rational::BigRational;

/// How far from the mean before wetting a floor may stay without a warning, hundredths of a point: our choice, no source.
pub const BASELINE_FAR_CENTI: i32 = 100;
/// How far from the equilibrium with its air, likewise.
pub const EMC_FAR_CENTI: i32 = 200;
/// Strip of this width and wider is held to the closer limit, hundredths of an inch.
const WIDE_STRIP_CENTI_IN: u32 = 300;
/// Floor against subfloor, hundredths of a point. Source: wood flooring association's guidelines, as reported in the trade
/// press: strip under 3 in within 4 points, 3 in and wider within 2.
const SUBFLOOR_STRIP_CENTI: i32 = 400;
/// See [`SUBFLOOR_STRIP_CENTI`].
const SUBFLOOR_WIDE_CENTI: i32 = 200;

/// What is known besides the floor's own readings.
#[derive(Debug, Clone, Default)]
pub struct Beside {
    /// Mean before wetting, hundredths of a percent.
    pub baseline_centi: Option<i32>,
    /// Air of the house.
    pub air: Option<Air>,
    /// Readings of the subfloor by area, and the floor's strip width in hundredths of an inch.
    pub subfloor: Option<(Vec<AreaReadings>, u32)>,
}

/// The floor held against them; members are `None` where nothing is known.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct BesideJudged {
    /// Floor less baseline, tenths of a point, and whether that is far.
    pub over_baseline_deci: Option<(i32, bool)>,
    /// Moisture that wood comes to in the house's air, tenths of a percent.
    pub emc_deci: Option<i32>,
    /// Floor less equilibrium, tenths of a point, and whether that is far.
    pub over_emc_deci: Option<(i32, bool)>,
    /// Against the subfloor.
    pub subfloor: Option<SubfloorJudged>,
}

/// The floor against its subfloor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SubfloorJudged {
    /// Readings still to take of it.
    pub missing: usize,
    /// Its mean weighted by area, tenths of a percent.
    pub mean_deci: i32,
    /// Floor less subfloor, tenths of a point.
    pub over_deci: i32,
    /// Largest difference, hundredths of a point.
    pub points_max_centi: i32,
    /// Whether the unrounded difference is no larger.
    pub within: bool,
}

pub(super) fn judge(beside: &Beside, floor: Option<&BigRational>) -> BesideJudged {
    let emc_percent = beside.air.and_then(|air| moisture::emc_percent_c(air.temp_c(), air.rh_percent()));
    let emc_centi = emc_percent.map(|percent| (percent * 100.0).round() as i64);
    let over = |other_centi: i64, far_centi: i32| {
        let over = floor? - whole(other_centi);
        Some((exact::deci(&over), !exact::within(&over, far_centi)))
    };
    BesideJudged {
        over_baseline_deci: beside.baseline_centi.and_then(|centi| over(i64::from(centi), BASELINE_FAR_CENTI)),
        emc_deci: emc_percent.map(|percent| (percent * 10.0).round() as i32),
        over_emc_deci: emc_centi.and_then(|centi| over(centi, EMC_FAR_CENTI)),
        subfloor: beside.subfloor.as_ref().and_then(|(areas, strip)| subfloor(areas, *strip, floor?)),
    }
}

fn subfloor(areas: &[AreaReadings], strip_centi_in: u32, floor: &BigRational) -> Option<SubfloorJudged> {
    let mean = exact::weighted(areas.iter().map(|area| (area.area_sqft, area.mean())))?;
    let over = floor - &mean;
    let points_max_centi =
        if strip_centi_in < WIDE_STRIP_CENTI_IN { SUBFLOOR_STRIP_CENTI } else { SUBFLOOR_WIDE_CENTI };
    let missing = |area: &AreaReadings| {
        needed(area.area_sqft, NEEDED_PER_1000_SQFT_SUBFLOOR).saturating_sub(area.shown_centi.len())
    };
    Some(SubfloorJudged {
        missing: areas.iter().map(missing).sum(),
        mean_deci: exact::deci(&mean),
        over_deci: exact::deci(&over),
        points_max_centi,
        within: exact::within(&over, points_max_centi),
    })
}
