//! The climate gate of a step: the air in which its label allows the work, and that must last for a while after it.
//! Gates say yes or no, hour by hour; how fast a film dries in allowed air is in `ready`.

use crate::domain::climate::{Air, Gate};
use crate::domain::time::{HOUR, Minute, Span};
use crate::trade::climate::{AirOverTime, by_hour, hour_of, hours_to_cover, hours_to_look_at};

/// Longest time that a gate may ask its air to last after the work: 30 days, past any label's cure time.
pub const HOLD_AFTER_MAX_MINUTES: i64 = 30 * 24 * 60;
impl Gate {
    /// Whether the gate is open in this air.
    pub fn admits(&self, air: Air) -> bool {
        (self.temp_min_centi_c..=self.temp_max_centi_c).contains(&air.temp_centi_c)
            && (self.rh_min_centi_percent..=self.rh_max_centi_percent).contains(&air.rh_centi_percent)
            // Saturated air may compute to a hair below its own dew point; a margin of 0 must not refuse it.
            && (self.dew_point_margin_min_centi_c <= 0
                || air.dew_point_margin_centi_c() >= self.dew_point_margin_min_centi_c)
    }
}

/// The longest possible spans within `[from, until)` in which the air satisfies the gate, in order and never touching.
///
/// Work `[s, f)` is allowed if `[s, f + hold_after_minutes)` lies inside one of them. A span cut off at `until` may in
/// truth last longer, so ask for the hold time too. At most [`crate::trade::climate::TABLE_HOURS_MAX`] hours are looked
/// at, and past them nothing is allowed. Unknown air is let through.
pub fn allowed_spans(climate: &impl AirOverTime, gate: &Gate, from: Minute, until: Minute) -> Vec<Span> {
    let count = hours_to_cover(from, until);
    let (looked_at, period) = hours_to_look_at(climate, from, count);
    let airs = climate.hours_covering(from, until).map(|(_, air)| air).take(looked_at as usize);
    let admitted = by_hour(airs, |air| air.is_none_or(|air| gate.admits(air)));
    let first = hour_of(from);
    let mut spans = Vec::new();
    let mut open_since: Option<Minute> = None;
    for index in 0..count as usize {
        let open = match period {
            Some(period) if index >= admitted.len() => {
                let repeated = admitted.len() - period;
                if admitted[repeated..].iter().all(|open| *open == admitted[admitted.len() - 1]) {
                    // Nothing changes any more.
                    break;
                }
                admitted[repeated + (index - repeated) % period]
            }
            _ => admitted[index],
        };
        let hour = first.plus(index as i64 * HOUR);
        if open {
            open_since = open_since.or(Some(hour.max(from)));
        } else if let Some(start) = open_since.take() {
            spans.extend(Span::new(start, hour));
        }
    }
    let covered_until = if count > 0 { until.min(first.plus(count * HOUR)) } else { from };
    spans.extend(open_since.and_then(|start| Span::new(start, covered_until)));
    spans
}

/// A gate's answers for one house, ready for many questions.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct GateTable {
    spans: Vec<Span>,
    hold_after_minutes: i64,
}

impl GateTable {
    /// For work that starts at or after `from` and ends at or before `until`; the hold time after `until` is looked at
    /// as well. Any other work is refused.
    pub fn new(climate: &impl AirOverTime, gate: &Gate, from: Minute, until: Minute) -> GateTable {
        let hold_after_minutes = gate.hold_after_minutes.clamp(0, HOLD_AFTER_MAX_MINUTES);
        let held_until = Minute(until.0.saturating_add(hold_after_minutes));
        let mut spans = if from < until { allowed_spans(climate, gate, from, held_until) } else { Vec::new() };
        // Too short for even a minute of work.
        spans.retain(|span| span.minutes() > hold_after_minutes);
        GateTable { spans, hold_after_minutes }
    }

    /// The spans in which work may lie whole, without its hold time: each ends that much before the air changes.
    pub fn work_spans(&self) -> impl Iterator<Item = Span> + '_ {
        self.spans.iter().filter_map(|span| Span::new(span.start(), span.end().plus(-self.hold_after_minutes)))
    }

    /// Whether the work and its hold time lie inside one allowed span. O(log n).
    pub fn allows(&self, work: Span) -> bool {
        self.earliest_start(work.start(), work.minutes()) == Some(work.start())
    }

    /// The first minute, not before `not_before`, at which work of `work_minutes` (at least 1 is assumed) may start.
    /// O(log n) and a step for each span after it that is too short.
    pub fn earliest_start(&self, not_before: Minute, work_minutes: i64) -> Option<Minute> {
        let needed = work_minutes.max(1).saturating_add(self.hold_after_minutes);
        let first = self.spans.partition_point(|span| span.end() <= not_before);
        self.spans[first..].iter().find_map(|span| {
            let start = span.start().max(not_before);
            (span.end().since(start) >= needed).then_some(start)
        })
    }
}

#[cfg(test)]
#[path = "gate_tests.rs"]
mod tests;
