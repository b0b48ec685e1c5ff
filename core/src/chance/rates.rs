//! How much is left to chance in one company, from counts of its own records. With few of them the defaults hold; with
//! many, the records do; in between both count by how much they know.

use super::{ChanceModel, FAILED_CHECK_RATE_MAX, SIGMA_MAX};

/// From so many tries of checks on, the company's own share weighs as much as the default: the default is taken for a beta
/// distribution that has seen so many.
pub const CHECK_TRIES_FOR_EVEN: f64 = 20.0;
/// From so many finished steps on, the company's own spread weighs as much as the default.
pub const STEPS_FOR_EVEN: f64 = 30.0;
/// Of work over planned work: outside of this a report was forgotten or made late, and tells nothing.
pub const WORK_RATIO: std::ops::RangeInclusive<f64> = 0.2..=5.0;

/// How the company's checks went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CheckCounts {
    /// Tries that are over.
    pub tries: u64,
    /// Of these, failed; at most `tries`.
    pub failed: u64,
}

/// How long the company's work took against what was planned.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WorkSpread {
    /// Finished steps of which the planned minutes are known.
    pub steps: u64,
    /// Sum of the squares of the logarithm of actual over planned minutes.
    pub sum_squares: f64,
}

/// The share of tries that fail: the mean of a beta distribution that began as the default and saw the counts.
pub fn failed_check_rate(counts: CheckCounts) -> f64 {
    let (tries, failed) = (counts.tries as f64, counts.failed.min(counts.tries) as f64);
    let seen = ChanceModel::FAILED_CHECK_RATE * CHECK_TRIES_FOR_EVEN;
    ((seen + failed) / (CHECK_TRIES_FOR_EVEN + tries)).clamp(0.0, FAILED_CHECK_RATE_MAX)
}

/// The spread of work about what was planned, from the mean square of the default and of the counts. Work that always
/// takes longer than planned counts as spread: the plan is what dates rest on.
pub fn work_sigma(spread: WorkSpread) -> f64 {
    let usual = ChanceModel::WORK_SIGMA * ChanceModel::WORK_SIGMA * STEPS_FOR_EVEN;
    let own = if spread.sum_squares.is_finite() { spread.sum_squares.max(0.0) } else { 0.0 };
    ((usual + own) / (STEPS_FOR_EVEN + spread.steps as f64)).sqrt().clamp(0.0, SIGMA_MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_records_the_defaults_hold() {
        assert!((failed_check_rate(CheckCounts::default()) - ChanceModel::FAILED_CHECK_RATE).abs() < 1e-12);
        assert!((work_sigma(WorkSpread::default()) - ChanceModel::WORK_SIGMA).abs() < 1e-12);
    }

    /// Posterior mean of a beta-binomial: (a + failed) / (a + b + tries), with a + b = 20 and a = 3.
    #[test]
    fn own_records_weigh_by_their_number() {
        let rate = |tries, failed| failed_check_rate(CheckCounts { tries, failed });
        assert!((rate(20, 9) - 12.0 / 40.0).abs() < 1e-12, "half way between 0.15 and 0.45");
        assert!((rate(2_000, 800) - 0.4).abs() < 0.003);
        assert!((rate(10, 99) - 13.0 / 30.0).abs() < 1e-12, "no more can fail than were tried");
        assert!(rate(1_000_000, 1_000_000) <= FAILED_CHECK_RATE_MAX);
    }

    #[test]
    fn own_spread_weighs_by_its_steps() {
        let sigma = |steps, own: f64| work_sigma(WorkSpread { steps, sum_squares: own * own * steps as f64 });
        assert!((sigma(3_000_000, 0.4) - 0.4).abs() < 1e-4);
        let even = (f64::midpoint(0.15 * 0.15, 0.45 * 0.45)).sqrt();
        assert!((sigma(30, 0.45) - even).abs() < 1e-12);
        assert!(work_sigma(WorkSpread { steps: 1, sum_squares: f64::INFINITY }) <= SIGMA_MAX);
    }
}
