//! Chance itself: numbers that depend on nothing but seed, run, step and try, so that a run is the same on any thread, and
//! two models meet the same luck.

use std::f64::consts::TAU;

/// The luck of one run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Luck(u64);

/// Which of a step's numbers is asked for.
const SPREAD: u64 = 1;
const VERDICT: u64 = 2;

/// The finalizer of SplitMix64 (Steele, Lea and Flood 2014).
const fn mixed(mut bits: u64) -> u64 {
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    bits ^ (bits >> 31)
}

impl Luck {
    /// Of run `run` of `seed`.
    pub const fn of(seed: u64, run: u32) -> Luck {
        Luck(mixed(mixed(seed.wrapping_add(0x9e37_79b9_7f4a_7c15)).wrapping_add(run as u64 + 1)))
    }

    const fn bits(self, step: u32, attempt: u32, purpose: u64) -> u64 {
        let place = (step as u64) << 32 | (attempt as u64) << 4 | purpose;
        mixed(mixed(self.0 ^ mixed(place.wrapping_mul(0x9e37_79b9_7f4a_7c15))))
    }

    /// Two independent standard normal numbers (Box and Muller 1958): for the work of a try, and for what dries after it.
    pub fn normals(self, step: u32, attempt: u32) -> (f64, f64) {
        let bits = self.bits(step, attempt, SPREAD);
        let radius = (-2.0 * unit(bits).ln()).sqrt();
        let angle = TAU * unit(mixed(bits.wrapping_add(0x9e37_79b9_7f4a_7c15)));
        (radius * angle.cos(), radius * angle.sin())
    }

    /// A number above 0 and at most 1, for the verdict of a check.
    pub fn verdict(self, step: u32, attempt: u32) -> f64 {
        unit(self.bits(step, attempt, VERDICT))
    }
}

/// Above 0, at most 1, in steps of 2^-53.
fn unit(bits: u64) -> f64 {
    ((bits >> 11) + 1) as f64 / (1_u64 << 53) as f64
}

/// `minutes` times a lognormal factor of median 1, to the nearest minute.
pub(super) fn stretched(minutes: i64, sigma: f64, normal: f64) -> i64 {
    (minutes as f64 * (sigma * normal).exp()).round() as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    const DRAWS: u32 = 200_000;

    /// Limits are five standard errors: mean of a standard normal 1/sqrt(n), variance sqrt(2/n), a share sqrt(p(1-p)/n).
    #[test]
    fn numbers_are_spread_as_they_should() {
        let n = f64::from(DRAWS);
        let luck = Luck::of(7, 3);
        let pairs: Vec<(f64, f64)> = (0..DRAWS).map(|step| luck.normals(step, 0)).collect();
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| pairs.iter().map(of).sum::<f64>() / n;
        assert!(mean(&|pair| pair.0).abs() < 5.0 / n.sqrt());
        assert!(mean(&|pair| pair.1).abs() < 5.0 / n.sqrt());
        assert!((mean(&|pair| pair.0 * pair.0) - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        assert!((mean(&|pair| pair.1 * pair.1) - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        assert!(mean(&|pair| pair.0 * pair.1).abs() < 5.0 / n.sqrt());
        let failed = (0..DRAWS).filter(|&run| Luck::of(7, run).verdict(5, 1) <= 0.15).count() as f64 / n;
        assert!((failed - 0.15).abs() < 5.0 * (0.15 * 0.85 / n).sqrt(), "{failed}");
    }

    /// Neighbouring runs, steps and tries know nothing of each other.
    #[test]
    fn neighbours_are_independent() {
        let n = f64::from(DRAWS);
        let pairs: [&dyn Fn(u32) -> (f64, f64); 3] = [
            &|i| (Luck::of(1, i).normals(0, 0).0, Luck::of(1, i + 1).normals(0, 0).0),
            &|i| (Luck::of(1, 0).normals(i, 0).0, Luck::of(1, 0).normals(i + 1, 0).0),
            &|i| (Luck::of(1, i).normals(9, 0).0, Luck::of(1, i).normals(9, 1).0),
        ];
        for (which, pair) in pairs.iter().enumerate() {
            let product: f64 = (0..DRAWS).map(pair).map(|(a, b)| a * b).sum::<f64>() / n;
            assert!(product.abs() < 5.0 / n.sqrt(), "{which}: {product}");
        }
    }

    #[test]
    fn no_spread_changes_nothing() {
        for minutes in [0, 1, 17, 172_800] {
            assert_eq!(stretched(minutes, 0.0, 3.7), minutes);
            assert_eq!(stretched(minutes, 0.0, -3.7), minutes);
        }
        assert_eq!(stretched(100, 0.1, 1.0), 111);
    }
}
