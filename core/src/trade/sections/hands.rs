//! Who is free when, and with which roller in hand: the smallest state that the next section depends on. Being free
//! earlier never makes anything later, which is what lets `split` drop all but the best.

use super::fit::lags;
use super::{Applicators, Part, Seconds, Treatment};

/// Seconds at which hands are free. With one applicator both are his.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Hands {
    /// Who rolls A.
    pub(super) a: i64,
    /// Who rolls B.
    pub(super) b: i64,
    /// One applicator's roller; none before the first.
    pub(super) roller: Option<Part>,
}

/// When a section's work is done.
#[derive(Debug, Clone, Copy)]
pub(super) struct Times {
    pub(super) a: Seconds,
    pub(super) b: Seconds,
}

impl Hands {
    /// Everybody free at `second`.
    pub(super) fn at(second: i64) -> Hands {
        Hands { a: second, b: second, roller: None }
    }

    /// Seconds to get the roller of `part` into the one applicator's hand.
    pub(super) fn change_seconds(&self, treatment: &Treatment, part: Part) -> i64 {
        match (treatment.applicators, self.roller) {
            (Applicators::One, Some(roller)) if roller != part => treatment.part(part).change_over_seconds,
            (Applicators::One, Some(_) | None) | (Applicators::Two, _) => 0,
        }
    }

    /// Rolls A and B on a section of `sqft` as early as may be.
    pub(super) fn roll(&mut self, treatment: &Treatment, sqft: i64) -> Times {
        let lags = lags(treatment, sqft);
        let rolling = treatment.a.roll_seconds(sqft);
        let mut from = self.a + self.change_seconds(treatment, Part::A) + treatment.a.prepare_seconds();
        if treatment.applicators == Applicators::Two {
            // A does not run ahead: B could not come in time.
            from = from.max(self.b + treatment.b.prepare_seconds() - lags.most);
        }
        let a = Seconds { from, until: from + rolling };
        self.a_done(treatment, sqft, a);
        let b = self.follow(treatment, sqft, from + lags.least);
        Times { a, b }
    }

    /// A has been rolled.
    pub(super) fn a_done(&mut self, treatment: &Treatment, sqft: i64, a: Seconds) {
        self.a = self.a.max(a.until + treatment.a.even_out_seconds(sqft));
        self.roller = Some(Part::A);
        if treatment.applicators == Applicators::One {
            self.b = self.a;
        }
    }

    /// When B could start, wanted no earlier than `from`.
    pub(super) fn b_from(&self, treatment: &Treatment, from: i64) -> i64 {
        from.max(self.b + self.change_seconds(treatment, Part::B) + treatment.b.prepare_seconds())
    }

    /// Rolls B, no earlier than `from`.
    pub(super) fn follow(&mut self, treatment: &Treatment, sqft: i64, from: i64) -> Seconds {
        let from = self.b_from(treatment, from);
        let b = Seconds { from, until: from + treatment.b.roll_seconds(sqft) };
        self.b_done(treatment, sqft, b);
        b
    }

    /// B has been rolled.
    pub(super) fn b_done(&mut self, treatment: &Treatment, sqft: i64, b: Seconds) {
        self.b = self.b.max(b.until + treatment.b.even_out_seconds(sqft));
        self.roller = Some(Part::B);
        if treatment.applicators == Applicators::One {
            self.a = self.b;
        }
    }
}
