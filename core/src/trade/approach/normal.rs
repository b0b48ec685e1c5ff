//! The normal distribution. Its integral by the series and continued fraction of the complementary error function would be
//! exact and slow; the rational approximation below is good to 1.5e-7, far below what a grid of drying times tells apart.

/// Error function for x >= 0. Source: Abramowitz and Stegun, *Handbook of Mathematical Functions*, 7.1.26.
fn erf(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let series = 0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429)));
    1.0 - t * series * (-x * x).exp()
}

/// Chance that a standard normal value is below `z`.
fn below(z: f64) -> f64 {
    let half = erf(z.abs() / std::f64::consts::SQRT_2) / 2.0;
    if z < 0.0 { 0.5 - half } else { 0.5 + half }
}

/// Chance that a normal value lies within `bound` either way.
pub(super) fn chance_within(mean: f64, sd: f64, bound: f64) -> f64 {
    (below((bound - mean) / sd) - below((-bound - mean) / sd)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: standard normal table (any handbook of statistics; memory).
    #[test]
    fn the_integral_is_the_tables() {
        for (z, share) in [(0.0, 0.5), (1.0, 0.841_345), (1.281_552, 0.9), (-1.959_964, 0.025), (3.0, 0.998_650)] {
            assert!((below(z) - share).abs() < 1e-6, "{z}");
        }
        assert!((chance_within(0.0, 1.0, 1.0) - 0.682_689).abs() < 1e-6);
        assert!((chance_within(2.0, 0.5, 1.0) - 0.022_750).abs() < 1e-6);
        assert_eq!(chance_within(9.0, 0.1, f64::INFINITY), 1.0);
    }
}
