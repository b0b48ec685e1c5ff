//! Means as exact fractions. A floor of sixty areas with different numbers of readings has a common denominator beyond any
//! machine integer, so the fractions are of unbounded size.

use num_bigint::BigInt;
use num_rational::BigRational;

/// Mean of readings in hundredths of a percent, as sum and count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Mean {
    sum_centi: i64,
    count: i64,
}

impl Mean {
    pub(super) fn of(readings_centi: impl Iterator<Item = i32>) -> Option<Mean> {
        let (sum_centi, count) = readings_centi.fold((0, 0), |(sum, count), centi| (sum + i64::from(centi), count + 1));
        (count > 0).then_some(Mean { sum_centi, count })
    }

    /// Hundredths of a percent.
    pub(super) fn exact(self) -> BigRational {
        BigRational::new(self.sum_centi.into(), self.count.into())
    }
}

/// Mean of the means there are, weighted by area, hundredths of a percent.
pub(super) fn weighted(areas: impl Iterator<Item = (u32, Option<Mean>)>) -> Option<BigRational> {
    let (mut sum, mut sqft) = (whole(0), 0_i64);
    for (area_sqft, mean) in areas {
        let Some(mean) = mean else { continue };
        sum += mean.exact() * whole(i64::from(area_sqft));
        sqft += i64::from(area_sqft);
    }
    (sqft > 0).then(|| sum / whole(sqft))
}

pub(super) fn whole(value: i64) -> BigRational {
    BigRational::from_integer(BigInt::from(value))
}

/// Whether a difference is no larger than `most_centi` either way.
pub(super) fn within(off: &BigRational, most_centi: i32) -> bool {
    let most = whole(i64::from(most_centi));
    -&most <= *off && *off <= most
}

/// Hundredths to the nearest tenths, halves away from nothing. What the input's bounds allow fits.
pub(super) fn deci(centi: &BigRational) -> i32 {
    nearest(&(centi / whole(10)))
}

/// The nearest whole number, halves away from nothing. What the input's bounds allow fits.
pub(super) fn nearest(value: &BigRational) -> i32 {
    i32::try_from(value.round().to_integer()).unwrap_or(i32::MAX)
}
