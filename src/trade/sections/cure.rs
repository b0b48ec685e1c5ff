//! What would make an impossible treatment possible: each cure changes one thing, as little as it must.

use super::fit::fits;
use super::{Applicators, DWELL_SECONDS_MAX, EvenOut, RATE_CENTI_MAX, Treatment};
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
    let helps = |cure: &Cure| fits(&cure.applied_to(&bare), sqft);
    let (a, b) = (&treatment.a, &treatment.b);
    let two = Some(Cure::TwoApplicators).filter(|cure| treatment.applicators == Applicators::One && helps(cure));
    let faster_a = (a.sqft_per_minute_centi + 1..=RATE_CENTI_MAX).map(Cure::RateAAtLeast).find(helps);
    let faster_b = (b.sqft_per_minute_centi + 1..=RATE_CENTI_MAX).map(Cure::RateBAtLeast).find(helps);
    let change = (0..b.change_over_seconds).rev().map(Cure::ChangeOverAtMost).find(helps);
    let even_out = (0..a.even_out_seconds(sqft)).rev().map(Cure::EvenOutAtMost).find(helps);
    // Longer dwells only ever help, so the shortest is found by halving.
    let (mut bad, mut good) = (treatment.window.max_seconds, DWELL_SECONDS_MAX);
    while good - bad > 1 {
        let middle = (good + bad) / 2;
        *(if helps(&Cure::DwellMaxAtLeast(middle)) { &mut good } else { &mut bad }) = middle;
    }
    let longer = Some(Cure::DwellMaxAtLeast(good)).filter(helps);
    [two, faster_b, faster_a, change, even_out, longer].into_iter().flatten().collect()
}
