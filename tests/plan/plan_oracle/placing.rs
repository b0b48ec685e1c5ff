//! One step at a time: where it can be begun, when it then ends, and the plan that comes of it.

use super::oracle::{Chosen, Oracle, Reach, Stay};
use tackfree::audit::audit;
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::time::Span;

/// See [`Reach::Habits`].
const FIRST_PIECE_MINUTES_MIN: i64 = 30;

impl Oracle<'_> {
    /// The pieces of a step begun at `start`; `None` when it cannot be begun then.
    pub fn pieces(&mut self, chosen: &Chosen, start: i64) -> Option<Vec<(i64, i64)>> {
        let house = self.situation.house_of(chosen.step);
        let spec = self.spec(chosen.step);
        let mut left = self.minutes(chosen);
        let mut pieces = Vec::new();
        let mut at = start;
        loop {
            let until = self.times.workable_until(chosen.crew, house, at)?.min(at + left);
            pieces.push((at, until));
            left -= until - at;
            if left == 0 {
                break;
            }
            if !spec.dividable {
                return None;
            }
            at = self.times.next_workable(chosen.crew, house, until)?;
        }
        let short = pieces.len() > 1 && pieces[0].1 - pieces[0].0 < FIRST_PIECE_MINUTES_MIN;
        if short && self.reach == Reach::Habits {
            return None;
        }
        let finish = pieces[pieces.len() - 1].1;
        let fits = finish <= self.times.end() && self.times.air_allows(chosen.step, spec.gate.as_ref(), start, finish);
        fits.then_some(pieces)
    }

    /// The first stay that begins at or after `from`.
    pub fn first_stay(&mut self, chosen: &Chosen, from: i64) -> Option<Stay> {
        let house = self.situation.house_of(chosen.step);
        let mut at = from;
        loop {
            at = self.times.next_workable(chosen.crew, house, at)?;
            if let Some(pieces) = self.pieces(chosen, at) {
                return Some(Stay { start: at, finish: pieces[pieces.len() - 1].1 });
            }
            at += 1;
        }
    }

    /// The first stay that ends at or after `finish` and begins at or after `from`.
    pub fn first_ending(&mut self, chosen: &Chosen, from: i64, finish: i64) -> Option<Stay> {
        let mut stay = self.first_stay(chosen, from)?;
        // A later start never ends earlier; minute by minute is slow, halving is not.
        let (mut low, mut high) = (stay.start, self.times.end());
        if stay.finish >= finish {
            return Some(stay);
        }
        while high - low > 1 {
            let middle = (low + high) / 2;
            match self.first_stay(chosen, middle) {
                Some(found) if found.finish < finish => low = middle,
                Some(found) => (high, stay) = (middle, found),
                None => high = middle,
            }
        }
        (stay.finish >= finish).then_some(stay)
    }

    /// The plan with these times, priced by the audit, without a lower bound.
    pub fn plan(&mut self, order: &[Chosen], stays: &[Stay]) -> Plan {
        let now = self.situation.now;
        let mut placements = Vec::new();
        for (chosen, stay) in order.iter().zip(stays) {
            let pieces = self.pieces(chosen, stay.start).unwrap();
            let pieces = pieces.into_iter().map(|(from, until)| Span::new(now.plus(from), now.plus(until)).unwrap());
            let (step, crew, units) = (chosen.step, chosen.crew, chosen.units.clone());
            placements.push(Placement { step, crew, pieces: pieces.collect(), units, moved_because: None });
        }
        for (step, units) in self.running_units() {
            let fixed = self.spec(step).fixed().unwrap();
            let pieces = vec![Span::new(fixed.start, fixed.finish).unwrap()];
            placements.push(Placement { step, crew: fixed.crew, pieces, units, moved_because: None });
        }
        let plan = crate::common::world::plan(self.situation, placements);
        let report = audit(self.situation, &plan);
        assert!(report.is_clean(), "the oracle's own plan breaks rules: {:?}\n{order:#?}", report.violations);
        plan
    }
}
