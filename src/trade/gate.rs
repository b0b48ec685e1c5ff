//! The climate gate of a step: the air in which its label allows the work, and that must last for a while after it.
//! Gates say yes or no, hour by hour; how fast a film dries in allowed air is in `ready`.

use crate::domain::time::{HOUR, Minute, Span};
use crate::trade::climate::{AIR_RH_MAX_CENTI_PERCENT, AIR_TEMP_MAX_CENTI_C, AIR_TEMP_MIN_CENTI_C, Air, HourlyClimate};

/// Longest time that a gate may ask its air to last after the work: 30 days, past any label's cure time.
pub const HOLD_AFTER_MAX_MINUTES: i64 = 30 * 24 * 60;
/// Largest dew-point margin that a gate may ask for, hundredths of a degree; air at 20 C with more is drier than 13 %.
pub const DEW_POINT_MARGIN_MAX_CENTI_C: i32 = 3000;

/// What the air must be while a step runs and for a time after. All bounds are included.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Gate {
    /// Coldest allowed air, hundredths of a degree Celsius.
    pub temp_min_centi_c: i32,
    /// Warmest allowed air, hundredths of a degree Celsius.
    pub temp_max_centi_c: i32,
    /// Driest allowed air, hundredths of a percent.
    pub rh_min_centi_percent: i32,
    /// Most humid allowed air, hundredths of a percent.
    pub rh_max_centi_percent: i32,
    /// How far above the dew point the floor must be at least, hundredths of a degree. The floor is taken to be as warm
    /// as the air, which flatters a cold slab: measure there. 0 asks for nothing that the humidity does not.
    pub dew_point_margin_min_centi_c: i32,
    /// How long after the end of the work the air must stay like that, minutes.
    pub hold_after_minutes: i64,
}

/// Why a gate makes no sense.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum GateError {
    /// No temperature satisfies it, or one of its two lies outside -60 to 60 C.
    #[error(
        "the temperatures {min_centi_c} to {max_centi_c} hundredths of a degree Celsius are no range within -60 to 60 C"
    )]
    Temperature {
        /// As given.
        min_centi_c: i32,
        /// As given.
        max_centi_c: i32,
    },
    /// No humidity satisfies it, or one of its two lies outside 0 to 100 %.
    #[error(
        "the humidities {min_centi_percent} to {max_centi_percent} hundredths of a percent are no range within 0 to 100 %"
    )]
    Humidity {
        /// As given.
        min_centi_percent: i32,
        /// As given.
        max_centi_percent: i32,
    },
    /// Less than 0 or more than [`DEW_POINT_MARGIN_MAX_CENTI_C`].
    #[error("the dew-point margin of {centi_c} hundredths of a degree is outside 0 to 30 C")]
    DewPointMargin {
        /// As given.
        centi_c: i32,
    },
    /// Less than 0 or more than [`HOLD_AFTER_MAX_MINUTES`].
    #[error("the hold time of {minutes} minutes is outside 0 to 30 days")]
    HoldAfter {
        /// As given.
        minutes: i64,
    },
}

impl GateError {
    /// Stable code for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            GateError::Temperature { .. } => "gate_temperature",
            GateError::Humidity { .. } => "gate_humidity",
            GateError::DewPointMargin { .. } => "gate_dew_point_margin",
            GateError::HoldAfter { .. } => "gate_hold_after",
        }
    }

    /// What the sender can do about it.
    pub const fn cure(&self) -> &'static str {
        match self {
            GateError::Temperature { .. } => "Give the label's lowest and highest temperature, the lower one first.",
            GateError::Humidity { .. } => "Give the label's lowest and highest relative humidity, the lower one first.",
            GateError::DewPointMargin { .. } => "Give a margin of 0 to 30 C; 3 C is usual.",
            GateError::HoldAfter { .. } => "Give a hold time of 0 minutes to 30 days after the work.",
        }
    }
}

impl Gate {
    /// Whether the gate makes sense: ranges the right way round and all values within their bounds. It may still be one
    /// that no weather satisfies, such as a large dew-point margin in humid air.
    pub fn check(&self) -> Result<(), GateError> {
        let (temp_min, temp_max) = (self.temp_min_centi_c, self.temp_max_centi_c);
        if temp_min > temp_max || temp_min < AIR_TEMP_MIN_CENTI_C || temp_max > AIR_TEMP_MAX_CENTI_C {
            return Err(GateError::Temperature { min_centi_c: temp_min, max_centi_c: temp_max });
        }
        let (rh_min, rh_max) = (self.rh_min_centi_percent, self.rh_max_centi_percent);
        if rh_min > rh_max || rh_min < 0 || rh_max > AIR_RH_MAX_CENTI_PERCENT {
            return Err(GateError::Humidity { min_centi_percent: rh_min, max_centi_percent: rh_max });
        }
        if !(0..=DEW_POINT_MARGIN_MAX_CENTI_C).contains(&self.dew_point_margin_min_centi_c) {
            return Err(GateError::DewPointMargin { centi_c: self.dew_point_margin_min_centi_c });
        }
        if !(0..=HOLD_AFTER_MAX_MINUTES).contains(&self.hold_after_minutes) {
            return Err(GateError::HoldAfter { minutes: self.hold_after_minutes });
        }
        Ok(())
    }

    /// Whether the gate is open in this air.
    pub fn admits(&self, air: Air) -> bool {
        (self.temp_min_centi_c..=self.temp_max_centi_c).contains(&air.temp_centi_c())
            && (self.rh_min_centi_percent..=self.rh_max_centi_percent).contains(&air.rh_centi_percent())
            // Saturated air may compute to a hair below its own dew point; a margin of 0 must not refuse it.
            && (self.dew_point_margin_min_centi_c <= 0
                || air.dew_point_margin_centi_c() >= self.dew_point_margin_min_centi_c)
    }
}

/// The longest possible spans within `[from, until)` in which the air satisfies the gate, in order and never touching.
///
/// Work `[s, f)` is allowed if `[s, f + hold_after_minutes)` lies inside one of them. A span cut off at `until` may in
/// truth last longer, so ask for the hold time too. At most [`crate::trade::climate::TABLE_HOURS_MAX`] hours are looked
/// at, and past them nothing is allowed.
pub fn allowed_spans(climate: &HourlyClimate, gate: &Gate, from: Minute, until: Minute) -> Vec<Span> {
    let mut spans = Vec::new();
    let mut open_since: Option<Minute> = None;
    let mut covered_until = from;
    for (hour, air) in climate.hours_covering(from, until) {
        if gate.admits(air) {
            open_since = open_since.or(Some(hour.max(from)));
        } else if let Some(start) = open_since.take() {
            spans.extend(Span::new(start, hour));
        }
        covered_until = until.min(hour.plus(HOUR));
    }
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
    pub fn new(climate: &HourlyClimate, gate: &Gate, from: Minute, until: Minute) -> GateTable {
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
