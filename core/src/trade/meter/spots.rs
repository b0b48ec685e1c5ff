//! Readings far off. A reading is far off when it is farther from its area's median than two points and than three scaled
//! median absolute deviations of that area (1.4826 MAD estimates the standard deviation of normal noise: Rousseeuw and
//! Croux, 1993, from memory; two points and three deviations: our choice, no source). It stays in the mean, so that nobody
//! can make a floor pass by calling its wet end an error, and it is named.
//!
//! One such reading may be a nail under a pinless meter, a gap, a hot pipe: the floor passes if its means do, and somebody
//! looks. When at least two readings and more than one in twenty of an area are far off on the wet side, they are a wet
//! place, and the area fails: its mean has averaged a puddle away (our choice, no source).

use super::AreaReadings;

/// Far off begins here at the earliest, hundredths of a point.
const FAR_CENTI: i64 = 200;
/// Three scaled median absolute deviations: 3 x 1.4826, in ten-thousandths.
const THREE_SCALED_E4: i64 = 44_478;
/// With fewer readings an area has no middle to be far from.
const READINGS_MIN: usize = 3;
/// A wet place has at least so many readings,
const WET_READINGS_MIN: usize = 2;
/// and more than one in so many of its area's.
const WET_ONE_IN: usize = 20;

/// A reading far from its area's median.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spot {
    /// Index of the area.
    pub area: usize,
    /// Index among the area's readings.
    pub reading: usize,
    /// The reading with its species' shift, hundredths of a percent.
    pub centi: i32,
    /// Median of its area, to the tenth of a percent.
    pub median_deci: i32,
    /// On the wet side.
    pub wet: bool,
}

/// Twice the median: whole for whole readings.
fn median_doubled(mut values: Vec<i64>) -> i64 {
    values.sort_unstable();
    let middle = values.len() / 2;
    match values.len() % 2 {
        _ if values.is_empty() => 0,
        0 => values[middle - 1] + values[middle],
        _ => 2 * values[middle],
    }
}

pub(super) fn far_off(areas: &[AreaReadings]) -> Vec<Spot> {
    let mut spots = Vec::new();
    for (number, area) in areas.iter().enumerate().filter(|(_, area)| area.shown_centi.len() >= READINGS_MIN) {
        let readings: Vec<i64> = area.corrected_centi().map(i64::from).collect();
        let median = median_doubled(readings.clone());
        let doubled: Vec<i64> = readings.iter().map(|reading| (2 * reading - median).abs()).collect();
        // In quarters of a hundredth from here on.
        let spread = median_doubled(doubled.clone());
        for (index, off) in doubled.iter().map(|doubled| 2 * doubled).enumerate() {
            if off > 4 * FAR_CENTI && off * 10_000 > THREE_SCALED_E4 * spread {
                let median_deci = (median as f64 / 20.0).round() as i32;
                let wet = 2 * readings[index] > median;
                spots.push(Spot { area: number, reading: index, centi: readings[index] as i32, median_deci, wet });
            }
        }
    }
    spots
}

pub(super) fn wet_place(spots: &[Spot], area: usize, taken: usize) -> bool {
    let wet = spots.iter().filter(|spot| spot.area == area && spot.wet).count();
    wet >= WET_READINGS_MIN && wet * WET_ONE_IN > taken
}
