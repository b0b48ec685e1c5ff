//! How large one section may be: part B starts `s` seconds after part A at the same point, rolls at its own rate, and
//! the dwell at both ends must be in the window. With one applicator `s` is never shorter than rolling A, evening it
//! out, changing rollers, shaking and pouring B.

use super::{Applicators, SECTIONS_MAX, Treatment};
use crate::domain::bounds::{AREA_SQFT_MAX, AREAS_PER_HOUSE_MAX};

/// A section is never larger than the largest house.
const SQFT_MAX: i64 = AREA_SQFT_MAX as i64 * AREAS_PER_HOUSE_MAX as i64;

/// What keeps a section from being larger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// Nothing: it may be as large as the floor.
    None,
    /// Until A is rolled and B is ready, the first point has waited as long as it may.
    FirstPoint,
    /// B is slower than A: when B comes to the last point, it has waited as long as it may.
    LastPoint,
    /// The two rates differ so much that the dwell runs through its whole window from one end to the other.
    Rates,
}

/// The largest section.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Largest {
    /// Square feet; of no meaning with `Limit::None`.
    pub sqft: i64,
    /// Why.
    pub limit: Limit,
}

/// Least and most seconds from the start of A to the start of B in a section.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Lags {
    pub(super) least: i64,
    pub(super) most: i64,
}

/// What must be over after A's start before B can start, seconds; 0 when B may follow while A is still rolled.
fn ready_seconds(treatment: &Treatment, sqft: i64) -> i64 {
    let rolled = treatment.a.roll_seconds(sqft) + treatment.a.even_out_seconds(sqft);
    match treatment.applicators {
        Applicators::One => rolled + treatment.b.change_over_seconds + treatment.b.prepare_seconds(),
        // Nobody rolls B where A is still to be evened out.
        Applicators::Two if treatment.a.even_out_seconds(sqft) > 0 => rolled,
        Applicators::Two => 0,
    }
}

/// Of a section that fits; otherwise `least` may be above `most`.
pub(super) fn lags(treatment: &Treatment, sqft: i64) -> Lags {
    let (min, max) = (treatment.window.min_seconds, treatment.window.max_seconds);
    let gained = treatment.a.roll_seconds(sqft) - treatment.b.roll_seconds(sqft);
    let least = min.max(min + gained).max(ready_seconds(treatment, sqft));
    Lags { least, most: max.min(max + gained) }
}

/// What keeps a section of `sqft` from keeping its dwell. Once it is something, it stays so for larger sections.
pub(super) fn limit(treatment: &Treatment, sqft: i64) -> Limit {
    let (a, b) = (treatment.a.sqft_per_minute_centi, treatment.b.sqft_per_minute_centi);
    let (min, max) = (treatment.window.min_seconds, treatment.window.max_seconds);
    let ready = ready_seconds(treatment, sqft);
    let gained = treatment.a.roll_seconds(sqft) - treatment.b.roll_seconds(sqft);
    if ready > max {
        return Limit::FirstPoint;
    }
    if ready - gained > max {
        return Limit::LastPoint;
    }
    // In real seconds, not in rounded ones: those come and go from one square foot to the next.
    let runs_through = i128::from(sqft) * 6_000 * i128::from((a - b).abs());
    if runs_through > i128::from(max - min) * i128::from(a) * i128::from(b) {
        return Limit::Rates;
    }
    Limit::None
}

/// Whether a section of `sqft` keeps its dwell.
pub(super) fn fits(treatment: &Treatment, sqft: i64) -> bool {
    limit(treatment, sqft) == Limit::None
}

/// The largest section, and what keeps it from being larger.
pub fn largest(treatment: &Treatment) -> Largest {
    if fits(treatment, SQFT_MAX) {
        return Largest { sqft: SQFT_MAX, limit: Limit::None };
    }
    // Nothing of no size has to be rolled; `good` fits or is 0, `bad` does not fit.
    let (mut good, mut bad) = (0, SQFT_MAX);
    while bad - good > 1 {
        let middle = (good + bad) / 2;
        *(if fits(treatment, middle) { &mut good } else { &mut bad }) = middle;
    }
    Largest { sqft: good, limit: limit(treatment, bad) }
}

/// Sections that a floor of `sqft` falls into at least.
pub(super) fn fewest(largest: &Largest, sqft: i64) -> i64 {
    (sqft + largest.sqft - 1) / largest.sqft.max(1)
}

const _: () = assert!(SECTIONS_MAX > 0 && SQFT_MAX < i64::MAX / 6_000);
