//! Tests of `gate`: what is allowed, against a minute-by-minute reading of the rule.

use super::*;
use crate::domain::climate::OutdoorHour;
use crate::trade::climate::HourlyClimate;
use proptest::prelude::*;

const START: Minute = Minute(29_548_800);

const GATE: Gate = Gate {
    temp_min_centi_c: 1000,
    temp_max_centi_c: 2700,
    rh_min_centi_percent: 2000,
    rh_max_centi_percent: 7000,
    dew_point_margin_min_centi_c: 300,
    hold_after_minutes: 0,
};

fn air(temp_centi_c: i32, rh_centi_percent: i32) -> Air {
    Air::new(temp_centi_c, rh_centi_percent).unwrap()
}

fn climate(hours: &[(i32, i32)]) -> HourlyClimate {
    let hour = |(index, &(temp_centi_c, rh_centi_percent)): (usize, &(i32, i32))| OutdoorHour {
        start: START.plus(index as i64 * HOUR),
        air: Air { temp_centi_c, rh_centi_percent },
        rain_centi_mm: 0,
    };
    HourlyClimate::from_hours(hours.iter().enumerate().map(hour).collect()).unwrap()
}

/// A day that is fine but for hours 5 and 6 (cold) and 20 (humid).
fn mixed_day() -> HourlyClimate {
    let mut hours = [(2000, 5000); 24];
    hours[5] = (900, 5000);
    hours[6] = (900, 5000);
    hours[20] = (2000, 7100);
    climate(&hours)
}

fn span(from: i64, to: i64) -> Span {
    Span::new(START.plus(from), START.plus(to)).unwrap()
}

#[test]
fn every_bound_is_included_and_every_bound_closes_the_gate() {
    for (temp, rh) in [(1000, 5000), (2700, 5000), (2000, 2000), (2000, 7000)] {
        assert!(GATE.admits(air(temp, rh)), "{temp} {rh}");
    }
    for (temp, rh) in [(999, 5000), (2701, 5000), (2000, 1999), (2000, 7001)] {
        assert!(!GATE.admits(air(temp, rh)), "{temp} {rh}");
    }
    // 3 C above the dew point at 20 C is 82.86 % by the Magnus form.
    let humid = Gate { rh_max_centi_percent: 10_000, ..GATE };
    assert!(humid.admits(air(2000, 8270)));
    assert!(!humid.admits(air(2000, 8300)));
    let no_margin = Gate { dew_point_margin_min_centi_c: 0, ..humid };
    assert!((1000..=2700).all(|temp| no_margin.admits(air(temp, 10_000))));
}

#[test]
fn spans_are_maximal_and_cut_to_the_question() {
    let climate = mixed_day();
    let asked = |from: i64, until: i64| allowed_spans(&climate, &GATE, START.plus(from), START.plus(until));
    assert_eq!(asked(30, 1440), [span(30, 300), span(420, 1200), span(1260, 1440)]);
    // Midnight is no border, and the day is repeated past the forecast.
    assert_eq!(asked(1260, 1750), [span(1260, 1740)]);
    assert_eq!(asked(310, 350), []);
    assert_eq!(asked(40, 40), []);
    assert_eq!(asked(50, 40), []);
}

#[test]
fn the_hold_time_must_fit_as_well() {
    let gate = Gate { hold_after_minutes: 120, ..GATE };
    let table = GateTable::new(&mixed_day(), &gate, START, START.plus(1440));
    assert!(table.allows(span(0, 180)));
    assert!(!table.allows(span(0, 181)));
    assert!(!table.allows(span(179, 181)));
    assert_eq!(table.earliest_start(START, 180), Some(START));
    assert_eq!(table.earliest_start(START, 181), Some(START.plus(420)));
    assert_eq!(table.earliest_start(START.plus(900), 180), Some(START.plus(900)));
    assert_eq!(table.earliest_start(START.plus(901), 180), Some(START.plus(1260)), "a minute later it no longer fits");
    assert_eq!(table.earliest_start(START, 24 * 60), None);
    let minute_left = GateTable::new(&mixed_day(), &gate, START.plus(179), START.plus(1440));
    assert_eq!(minute_left.earliest_start(START, 1), Some(START.plus(179)), "one minute is work too");
    let work: Vec<Span> = table.work_spans().collect();
    assert_eq!(work, [span(0, 180), span(420, 1080), span(1260, 1440)]);
}

#[test]
fn work_up_to_the_end_of_the_question_is_judged_with_its_hold_time() {
    let hours: Vec<(i32, i32)> = (0..48).map(|i| (if i < 25 { 2000 } else { 500 }, 5000)).collect();
    let table = |hold_after_minutes| {
        GateTable::new(&climate(&hours), &Gate { hold_after_minutes, ..GATE }, START, START.plus(1440))
    };
    assert!(table(60).allows(span(1400, 1440)));
    assert!(!table(61).allows(span(1400, 1440)));
    assert_eq!(GateTable::new(&climate(&hours), &GATE, START, START).earliest_start(START, 1), None);
}

/// The rule, read minute by minute: `open[i]` says whether the gate is open in minute `i` after `START`.
fn allowed_by_reading(open: &[bool], gate: &Gate, work: Span) -> bool {
    let (from, to) = (work.start().since(START), work.end().since(START) + gate.hold_after_minutes);
    open[from as usize..to as usize].iter().all(|&open| open)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn the_table_is_the_rule_read_minute_by_minute(
        hours in prop::collection::vec((800..2900, 1500..9000), 24..60),
        hold_after_minutes in 0_i64..300,
        from in 0_i64..600,
        asked in prop::collection::vec((0_i64..3000, 1_i64..400), 1..8),
    ) {
        let gate = Gate { hold_after_minutes, rh_max_centi_percent: 8000, ..GATE };
        let climate = climate(&hours);
        let until = 3000 + from;
        let table = GateTable::new(&climate, &gate, START.plus(from), START.plus(until));
        let open: Vec<bool> = (0..until + 300).map(|minute| gate.admits(climate.at(START.plus(minute)))).collect();
        for (not_before, minutes) in asked {
            let allowed = |start: i64| {
                start + minutes <= until && allowed_by_reading(&open, &gate, span(start, start + minutes))
            };
            if not_before >= from {
                prop_assert_eq!(table.allows(span(not_before, not_before + minutes)), allowed(not_before));
            }
            let first = (not_before.max(from)..until).find(|&start| allowed(start));
            let answer = table.earliest_start(START.plus(not_before), minutes).map(|start| start.since(START));
            prop_assert_eq!(answer, first);
        }
    }
}
