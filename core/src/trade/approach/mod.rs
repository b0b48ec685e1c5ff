//! When a floor that has failed its meter check will pass it, from two or more failed rounds of readings. The meter
//! overrules this, always: it only says when it is worth coming back.
//!
//! Areas dry toward one another: an area's difference from the floor's mean shrinks as d(t) = d exp(-(t - t1) / tau), with
//! one tau for the floor (first-order drying below fibre saturation, common practice, no source). Measured means scatter
//! about that by what the readings' own spread says. Known beforehand, and no more:
//!
//! - tau: lognormal about 18 hours, a factor e either way at one standard deviation: what is left overnight to dry is
//!   checked the next day (our assumption, no source);
//! - the differences at the first round and the floor's level at each: nothing (flat);
//! - one failed floor in twenty does not dry at all while its air stays as it is: a leak, a wet subfloor, no exchange of air
//!   (our assumption, no source).
//!
//! The posterior is summed over a grid of tau; for each, the differences are normal and exact up to one thing: the chance
//! that all areas are inside together is taken as the product of their own, which is never too high (Sidak, 1967) and is
//! exact when one area leads. No random numbers: the same rounds always give the same answer.

mod fit;
mod normal;

use crate::domain::time::Minute;
use fit::{Data, Fit};
use normal::chance_within;

/// Rounds needed.
pub const ROUNDS_MIN: usize = 2;
/// Rounds heeded, latest first: a floor checked more often than this needs a person.
pub const ROUNDS_MAX: usize = 8;
/// Nothing is said about passing later than this after the last round: sixty days.
pub const REACH_MINUTES: i64 = 60 * 24 * 60;

const TAU_MEDIAN_MINUTES: f64 = 18.0 * 60.0;
const TAU_LOG_SD: f64 = 1.0;
/// Grid over log tau: three standard deviations either way, in steps well below what any data tell apart.
const GRID_HALF: i32 = 60;
const GRID_STEP: f64 = 3.0 * TAU_LOG_SD / GRID_HALF as f64;
/// How often a failed floor does not dry.
const STUCK_PRIOR: f64 = 0.05;
/// Grid points of less weight than this do not show in any whole minute that matters.
const WEIGHT_MIN: f64 = 1e-7;

/// What one round's readings in one area came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AreaRound {
    /// Mean of the readings, percent.
    pub mean_percent: f64,
    /// How many, at least 1.
    pub count: usize,
    /// Sum of squared differences from the mean, points squared; 0 where the single readings are not known.
    pub sum_squares: f64,
}

impl AreaRound {
    /// From single readings, hundredths of a percent; `None` without any.
    pub fn of_readings(centi: &[i32]) -> Option<AreaRound> {
        if centi.is_empty() {
            return None;
        }
        let count = centi.len();
        let mean_percent = centi.iter().map(|centi| f64::from(*centi)).sum::<f64>() / count as f64 / 100.0;
        let sum_squares = centi.iter().map(|centi| (f64::from(*centi) / 100.0 - mean_percent).powi(2)).sum();
        Some(AreaRound { mean_percent, count, sum_squares })
    }
}

/// A failed round.
#[derive(Debug, Clone, PartialEq)]
pub struct Round {
    /// When it was taken.
    pub at: Minute,
    /// In the order of the floor's areas, all of them.
    pub areas: Vec<AreaRound>,
}

/// When the floor will pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Prediction {
    /// Fewer than two rounds, or fewer than two areas.
    TooLittle,
    /// It is not drying, as far as the readings tell: more likely never than within sixty days.
    NoSign {
        /// Chance that it does not dry at all, percent.
        stuck_percent: u32,
    },
    /// An 80 % interval and its middle. Instants may lie before the last round: then it was inside by chance's measure.
    Passes {
        /// One in ten that it passes earlier.
        early: Minute,
        /// As likely earlier as later.
        median: Minute,
        /// One in ten that it passes later; `None`: more than one in ten that it does not within sixty days.
        late: Option<Minute>,
        /// Chance that it does not dry at all, percent.
        stuck_percent: u32,
    },
}

/// A grid point: how fast, how likely, and the differences then.
struct Case {
    /// Minutes; infinite where nothing dries.
    tau: f64,
    weight: f64,
    fit: Fit,
}

/// Predicts from failed rounds, oldest first. `areas_sqft` weighs the areas; `points_max` is the limit, points.
/// Rounds that do not have every area are left out.
pub fn predict(areas_sqft: &[u32], rounds: &[Round], points_max: f64) -> Prediction {
    let whole = |round: &&Round| round.areas.len() == areas_sqft.len() && round.areas.iter().all(|area| area.count > 0);
    let mut rounds: Vec<&Round> = rounds.iter().filter(whole).collect();
    rounds.dedup_by(|later, earlier| later.at <= earlier.at);
    let rounds = &rounds[rounds.len().saturating_sub(ROUNDS_MAX)..];
    let (Some(first), Some(last)) = (rounds.first(), rounds.last()) else { return Prediction::TooLittle };
    if rounds.len() < ROUNDS_MIN || areas_sqft.len() < 2 {
        return Prediction::TooLittle;
    }
    let cases = posterior(&Data::new(areas_sqft, rounds));
    let reach = last.at.since(first.at) + REACH_MINUTES;
    let stuck = cases.iter().filter(|case| case.tau.is_infinite()).map(|case| case.weight).sum::<f64>();
    let stuck_percent = (stuck * 100.0).round() as u32;
    let quantile = |share: f64| first_minute(&cases, points_max, share, reach).map(|minutes| first.at.plus(minutes));
    match (quantile(0.1), quantile(0.5)) {
        (Some(early), Some(median)) => Prediction::Passes { early, median, late: quantile(0.9), stuck_percent },
        (None, _) | (_, None) => Prediction::NoSign { stuck_percent },
    }
}

/// The grid with normalized weights.
fn posterior(data: &Data) -> Vec<Case> {
    let drying = (-GRID_HALF..=GRID_HALF).map(|step| {
        let off = f64::from(step) * GRID_STEP;
        let tau = TAU_MEDIAN_MINUTES * off.exp();
        let normal =
            (-0.5 * (off / TAU_LOG_SD).powi(2)).exp() * GRID_STEP / (TAU_LOG_SD * std::f64::consts::TAU.sqrt());
        (tau, (1.0 - STUCK_PRIOR) * normal)
    });
    let cases: Vec<(f64, f64, Fit)> = drying
        .chain([(f64::INFINITY, STUCK_PRIOR)])
        .filter_map(|(tau, prior)| {
            let fit = data.fit(tau)?;
            Some((tau, prior.ln() + fit.log_evidence, fit))
        })
        .collect();
    let best = cases.iter().map(|case| case.1).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = cases.iter().map(|case| (case.1 - best).exp()).sum();
    cases
        .into_iter()
        .map(|(tau, log_weight, fit)| Case { tau, weight: (log_weight - best).exp() / total, fit })
        .filter(|case| case.weight > WEIGHT_MIN)
        .collect()
}

/// The first minute after the first round by which the floor passes with a chance of `share`, if there is one.
fn first_minute(cases: &[Case], points_max: f64, share: f64, reach: i64) -> Option<i64> {
    let passed = |minutes: i64| -> f64 {
        let inside = |case: &Case| {
            let bound = points_max * (minutes as f64 / case.tau).exp();
            case.weight * case.fit.leading().map(|(mean, sd)| chance_within(mean, sd, bound)).product::<f64>()
        };
        cases.iter().map(inside).sum()
    };
    let (mut early, mut late) = (-reach, reach);
    if passed(late) < share {
        return None;
    }
    while late - early > 1 {
        let middle = early + (late - early) / 2;
        if passed(middle) < share { early = middle } else { late = middle }
    }
    Some(late)
}

#[cfg(test)]
mod tests;
