//! How much to buy and load: square feet to volume, volume to whole containers, cover to wet film, and a mixed finish to
//! batches that are rolled before they set. Integers only. What a step uses when nobody says so is in `supplies`.

use std::ops::RangeInclusive;

/// Nanolitres in one US gallon: 231 cubic inches of 25.4 mm a side, 3.785411784 L exactly (NIST SP 811).
const NANOLITRES_PER_GALLON: i128 = 3_785_411_784;
/// Cover taken as real: putty knife to mist coat, square feet per US gallon.
pub const COVER_SQFT_PER_GAL: RangeInclusive<i64> = 10..=5_000;
/// Coats of one product in one step.
pub const COATS: RangeInclusive<i64> = 1..=20;
/// Waste on top, percent: beyond twice the need it is no waste but a mistake.
pub const WASTE_PERCENT: RangeInclusive<i64> = 0..=100;
/// Left in cans, rollers and trays when nobody says otherwise, percent: practice, no source.
pub const WASTE_DEFAULT_PERCENT: i64 = 10;
/// Sizes of containers, thousandths of a US gallon: from a small sample can to a drum.
pub const CONTAINER_MILLIGALLONS: RangeInclusive<i64> = 10..=60_000;
/// Sizes of containers of one product.
pub const CONTAINER_SIZES_MAX: usize = 10;
/// The largest floor that is counted: more than all areas of the largest house.
pub const SQFT_MAX: i64 = 20_000_000;
/// Containers sold everywhere, thousandths of a US gallon: practice, no source.
pub const CONTAINERS_DEFAULT: [i64; 2] = [1_000, 5_000];
/// Less than this is never a reason for one more container: nobody measures it, and it covers rounding.
const SPARE_MICROLITRES: i64 = 1_000;
/// Largest amount that is divided exactly, in the greatest common measure of the sizes; above it the largest size is
/// taken first. With quarts it is 5,000 gal. More would cost an office's load list of many products too much time.
const MEASURES_MAX: i64 = 20_000;
/// Wet mils times cover: 231 cubic inches over 144 square inches, in hundredths of a mil.
const CENTI_MILS_TIMES_COVER: i64 = 160_417;

/// An amount of liquid, to the microlitre.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Volume {
    microlitres: i64,
}

impl Volume {
    /// For `sqft` square feet at `cover` square feet per US gallon, `coats` times, with `waste_percent` on top. `None`
    /// when a number is outside its bounds.
    pub fn needed(sqft: i64, cover_sqft_per_gal: i64, coats: i64, waste_percent: i64) -> Option<Volume> {
        let sane = (0..=SQFT_MAX).contains(&sqft)
            && COVER_SQFT_PER_GAL.contains(&cover_sqft_per_gal)
            && COATS.contains(&coats)
            && WASTE_PERCENT.contains(&waste_percent);
        if !sane {
            return None;
        }
        let gallons_times = i128::from(sqft * coats * (100 + waste_percent));
        let divisor = i128::from(cover_sqft_per_gal) * 100 * 1_000;
        let microlitres = (gallons_times * NANOLITRES_PER_GALLON + divisor / 2) / divisor;
        i64::try_from(microlitres).ok().map(|microlitres| Volume { microlitres })
    }

    /// Whole microlitres.
    pub const fn microlitres(self) -> i64 {
        self.microlitres
    }

    /// Thousandths of a litre, to the nearest.
    pub const fn millilitres(self) -> i64 {
        (self.microlitres + 500) / 1_000
    }

    /// Hundredths of a US gallon, to the nearest.
    pub fn centigallons(self) -> i64 {
        // Fits: there are fewer hundredths of a gallon than microlitres.
        ((i128::from(self.microlitres) * 100_000 + NANOLITRES_PER_GALLON / 2) / NANOLITRES_PER_GALLON) as i64
    }

    /// Both together.
    #[must_use]
    pub const fn plus(self, other: Volume) -> Volume {
        Volume { microlitres: self.microlitres.saturating_add(other.microlitres) }
    }

    /// The share of `part` in `whole` parts, to the nearest microlitre; all of it when there are no parts.
    #[must_use]
    pub fn share(self, part: i64, whole: i64) -> Volume {
        let whole = i128::from(whole.max(1));
        let microlitres = (i128::from(self.microlitres) * i128::from(part) + whole / 2) / whole;
        Volume { microlitres: i64::try_from(microlitres).unwrap_or(i64::MAX) }
    }
}

/// Thickness of the wet film of one coat, hundredths of a mil (thousandths of an inch): 1604 / cover, an identity of
/// units. `None` outside the bounds of cover.
pub fn wet_film_centi_mils(cover_sqft_per_gal: i64) -> Option<i64> {
    let cover = cover_sqft_per_gal;
    COVER_SQFT_PER_GAL.contains(&cover).then(|| (CENTI_MILS_TIMES_COVER + cover / 2) / cover)
}

/// Whole containers of one product.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Containers {
    /// Size in thousandths of a US gallon and how many, largest first; none of a size is left out.
    pub counts: Vec<(i64, i64)>,
}

impl Containers {
    /// All of them together, thousandths of a US gallon.
    pub fn milligallons(&self) -> i64 {
        self.counts.iter().map(|(size, count)| size * count).sum()
    }
}

/// The purchase that is enough and leaves the least over; of several such, the one of the fewest containers. Exact up
/// to 20,000 of the sizes' greatest common measure (5,000 gal with quarts); beyond, the largest size fills what is
/// above that. Sizes outside their bounds are passed over; `None` when no size is left.
pub fn containers(need: Volume, sizes_milligallons: &[i64]) -> Option<Containers> {
    let mut sizes: Vec<i64> =
        sizes_milligallons.iter().copied().filter(|size| CONTAINER_MILLIGALLONS.contains(size)).collect();
    sizes.sort_unstable_by(|a, b| b.cmp(a));
    sizes.dedup();
    sizes.truncate(CONTAINER_SIZES_MAX);
    let largest = *sizes.first()?;
    let measure = sizes.iter().copied().fold(0, greatest_common_measure);
    let divisor = i128::from(measure) * NANOLITRES_PER_GALLON;
    let spared = i128::from((need.microlitres - SPARE_MICROLITRES).max(0)) * 1_000_000;
    let measures = i64::try_from((spared + divisor - 1) / divisor).ok()?;
    let whole = (measures - MEASURES_MAX).max(0) / (largest / measure);
    let mut counts = fewest((measures - whole * (largest / measure)) as usize, &sizes, measure);
    counts[0] += whole;
    let counts = sizes.into_iter().zip(counts).filter(|(_, count)| *count > 0).collect();
    Some(Containers { counts })
}

/// How many of each size, by dynamic programming over measures: the first total from `need` on that can be made.
fn fewest(need: usize, sizes: &[i64], measure: i64) -> Vec<i64> {
    let steps: Vec<usize> = sizes.iter().map(|size| (size / measure) as usize).collect();
    // So many of the largest are enough.
    let end = need.div_ceil(steps[0]) * steps[0];
    // Fewest containers for each total, and which size came last.
    let mut best: Vec<Option<(u32, usize)>> = vec![None; end + 1];
    best[0] = Some((0, 0));
    for total in 1..=end {
        let one = |(which, step): (usize, &usize)| {
            let before = best[total.checked_sub(*step)?]?;
            Some((before.0 + 1, which))
        };
        best[total] = steps.iter().enumerate().filter_map(one).min();
    }
    let mut counts = vec![0; sizes.len()];
    // The last total is one.
    let mut total = (need..=end).find(|total| best[*total].is_some()).unwrap_or(0);
    while let Some((_, which)) = best[total].filter(|_| total > 0) {
        counts[which] += 1;
        total -= steps[which];
    }
    counts
}

fn greatest_common_measure(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { greatest_common_measure(b, a % b) }
}

/// A finish that is mixed of two by volume and sets in the pot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mix {
    /// Parts of the product itself.
    pub product_parts: i64,
    /// Parts of what is mixed into it.
    pub catalyst_parts: i64,
    /// How long the mixture can be used.
    pub pot_life_minutes: i64,
}

/// Parts of a mixture.
pub const MIX_PARTS: RangeInclusive<i64> = 1..=100;
/// Pot life taken as real: five minutes to two days.
pub const POT_LIFE_MINUTES: RangeInclusive<i64> = 5..=2_880;

/// A mixed finish in the two liquids it is made of, and in batches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mixed {
    /// Of the product itself.
    pub product: Volume,
    /// Of what is mixed into it.
    pub catalyst: Volume,
    /// Batches of equal size, each rolled within the pot life, for all coats together.
    pub batches: i64,
}

impl Mix {
    /// Divides what is needed. `sqft_coats`: square feet times coats. `sqft_per_minute`: how fast it is rolled. `None`
    /// when a number is outside its bounds.
    pub fn divide(self, need: Volume, sqft_coats: i64, sqft_per_minute: i64) -> Option<Mixed> {
        let sane = MIX_PARTS.contains(&self.product_parts)
            && MIX_PARTS.contains(&self.catalyst_parts)
            && POT_LIFE_MINUTES.contains(&self.pot_life_minutes)
            && (0..=SQFT_MAX * 20).contains(&sqft_coats)
            && (1..=10_000).contains(&sqft_per_minute);
        if !sane {
            return None;
        }
        let whole = self.product_parts + self.catalyst_parts;
        let catalyst = need.share(self.catalyst_parts, whole);
        let product = Volume { microlitres: need.microlitres - catalyst.microlitres };
        let within = self.pot_life_minutes * sqft_per_minute;
        Some(Mixed { product, catalyst, batches: (sqft_coats + within - 1) / within })
    }
}

#[cfg(test)]
#[path = "quantities_tests.rs"]
mod tests;
