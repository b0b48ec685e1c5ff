//! What would make an impossible treatment possible: each cure changes one thing, as little as it must.

use super::fit::limit;
use super::{Applicators, DWELL_SECONDS_MAX, EvenOut, Limit, RATE_CENTI_MAX, Treatment};
use std::fmt;

/// One change that makes a plan possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cure {
    /// Somebody follows with B.
    TwoApplicators,
    /// Roll A at least so fast, hundredths of a square foot a minute.
    RateAAtLeast(i64),
    /// Roll B at least so fast.
    RateBAtLeast(i64),
    /// Change to the roller of B in at most so many seconds.
    ChangeOverAtMost(i64),
    /// Even A out in at most so many seconds a section.
    EvenOutAtMost(i64),
    /// A dwell that may last so many seconds, if the label allows it.
    DwellMaxAtLeast(i64),
}

impl Cure {
    /// The treatment with the change made.
    pub fn applied_to(self, treatment: &Treatment) -> Treatment {
        let mut cured = treatment.clone();
        match self {
            Cure::TwoApplicators => cured.applicators = Applicators::Two,
            Cure::RateAAtLeast(centi) => cured.a.sqft_per_minute_centi = centi,
            Cure::RateBAtLeast(centi) => cured.b.sqft_per_minute_centi = centi,
            Cure::ChangeOverAtMost(seconds) => cured.b.change_over_seconds = seconds,
            Cure::EvenOutAtMost(seconds) => cured.a.even_out = EvenOut::Seconds(seconds),
            Cure::DwellMaxAtLeast(seconds) => cured.window.max_seconds = seconds,
        }
        cured
    }
}

impl fmt::Display for Cure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let rate = |centi: &i64| format!("{}.{:02} sq ft/min", centi / 100, centi % 100);
        match self {
            Cure::TwoApplicators => f.write_str("two applicators"),
            Cure::RateAAtLeast(centi) => write!(f, "roll part A at {} or faster", rate(centi)),
            Cure::RateBAtLeast(centi) => write!(f, "roll part B at {} or faster", rate(centi)),
            Cure::ChangeOverAtMost(seconds) => write!(f, "change to the roller of part B within {seconds} s"),
            Cure::EvenOutAtMost(seconds) => write!(f, "even out part A within {seconds} s a section"),
            Cure::DwellMaxAtLeast(seconds) => write!(f, "a dwell of up to {seconds} s, if the label allows it"),
        }
    }
}

/// Every cure that helps by itself, in the order in which a crew would think of them.
pub(super) fn cures(treatment: &Treatment) -> Vec<Cure> {
    let sqft = treatment.smallest_sqft();
    let bare = Treatment { rooms: Vec::new(), ..treatment.clone() };
    let hinders = |cure: Cure| limit(&cure.applied_to(&bare), sqft);
    let helps = |cure: &Cure| hinders(*cure) == Limit::None;
    let (a, b) = (treatment.a.sqft_per_minute_centi, treatment.b.sqft_per_minute_centi);
    // A rate is too low or too high: the lowest that is not too low, if it is not too high.
    let too_low = |cure: Cure, other: i64, own: i64| match hinders(cure) {
        Limit::FirstPoint | Limit::LastPoint => true,
        Limit::Rates => own < other,
        Limit::None => false,
    };
    let faster_b = turn(b, RATE_CENTI_MAX, |rate| !too_low(Cure::RateBAtLeast(rate), a, rate));
    let faster_a = turn(a, RATE_CENTI_MAX, |rate| !too_low(Cure::RateAAtLeast(rate), b, rate));
    let change = turn(treatment.b.change_over_seconds, 0, |seconds| helps(&Cure::ChangeOverAtMost(seconds)));
    let even_out = turn(treatment.a.even_out_seconds(sqft), 0, |seconds| helps(&Cure::EvenOutAtMost(seconds)));
    let longest = treatment.window.max_seconds;
    let longer = turn(longest, DWELL_SECONDS_MAX, |seconds| helps(&Cure::DwellMaxAtLeast(seconds)));
    let two = (treatment.applicators == Applicators::One).then_some(Cure::TwoApplicators);
    [
        two,
        faster_b.map(Cure::RateBAtLeast),
        faster_a.map(Cure::RateAAtLeast),
        change.map(Cure::ChangeOverAtMost),
        even_out.map(Cure::EvenOutAtMost),
        longer.map(Cure::DwellMaxAtLeast),
    ]
    .into_iter()
    .flatten()
    .filter(helps)
    .collect()
}

/// The value nearest to `bad`, on the way to `end`, from which on `good` holds; by halving.
fn turn(mut bad: i64, end: i64, good: impl Fn(i64) -> bool) -> Option<i64> {
    if bad == end || !good(end) {
        return None;
    }
    let mut found = end;
    while (found - bad).abs() > 1 {
        let middle = (found + bad) / 2;
        *(if good(middle) { &mut found } else { &mut bad }) = middle;
    }
    Some(found)
}
