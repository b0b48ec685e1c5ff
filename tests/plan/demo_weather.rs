//! A recorded year through the whole of `trade`: outdoor weather to house air to waits and gates.

use crate::common::newark::{minute, modes, newark, recorded_hours};
use tackfree::domain::climate::{Film, Gate};
use tackfree::domain::time::{HOUR, Minute, Span};
use tackfree::trade::climate::HourlyClimate;
use tackfree::trade::gate::{GateTable, allowed_spans};
use tackfree::trade::house::house_climate;
use tackfree::trade::ready::DryingTable;

const DAY: i64 = 24 * HOUR;
const OVERNIGHT_MINUTES: i64 = 12 * HOUR;

fn coat_gate() -> Gate {
    Gate {
        temp_min_centi_c: 1300,
        temp_max_centi_c: 2900,
        rh_min_centi_percent: 2000,
        rh_max_centi_percent: 7500,
        dew_point_margin_min_centi_c: 300,
        hold_after_minutes: 2 * HOUR,
    }
}

/// Overnight waits of water, one begun every hour from `first` to `last`, shortest first. A wait that has not ended 60
/// days after `last` counts as that long.
fn overnight_waits(house: &HourlyClimate, (first, last): (Minute, Minute)) -> Vec<i64> {
    let until = last.plus(60 * DAY);
    let table = DryingTable::new(house, Film::Treatment, first, until);
    let waits = (first.0..last.0).step_by(HOUR as usize).map(|start| {
        let ready = table.ready_at(Minute(start), OVERNIGHT_MINUTES).unwrap_or(until);
        ready.since(Minute(start))
    });
    let mut waits: Vec<i64> = waits.collect();
    waits.sort_unstable();
    waits
}

/// Share of the time in which the coat gate is open, percent.
fn open_percent(house: &HourlyClimate, (first, last): (Minute, Minute)) -> i64 {
    let open: i64 = allowed_spans(house, &coat_gate(), first, last).iter().map(|span| span.minutes()).sum();
    100 * open / last.since(first)
}

#[test]
fn the_recorded_year_is_whole_once_its_holes_are_filled() {
    let hours = recorded_hours();
    assert_eq!(hours.len(), 8702);
    let climate = HourlyClimate::from_hours(hours).unwrap();
    assert_eq!(climate.start(), minute("2013-01-01T06:00:00Z"));
    assert_eq!(climate.forecast_end(), Some(minute("2013-12-31T00:00:00Z")));
    // The night that clocks went back is missing from 00:00 to 04:00 UTC: filled along a line from 16.1 to 11.1 C.
    let filled: Vec<i32> =
        (-1..=5).map(|hour| climate.at(minute("2013-11-03T00:00:00Z").plus(hour * HOUR)).temp_centi_c).collect();
    assert!(filled.windows(2).all(|pair| pair[0] >= pair[1]), "{filled:?}");
    assert_eq!(filled.last(), Some(&1110));
}

#[test]
fn every_mode_film_and_hour_of_the_year_has_an_answer_that_keeps_the_promises() {
    let outdoor = newark();
    let (from, until) = (outdoor.start(), outdoor.forecast_end().unwrap().plus(90 * DAY));
    for mode in modes() {
        let house = house_climate(&outdoor, mode);
        for film in Film::ALL {
            let table = DryingTable::new(&house, film, from, until);
            let mut previous = from;
            for start in (from.0..until.0).step_by(97) {
                let ready = table.ready_at(Minute(start), OVERNIGHT_MINUTES).unwrap_or(until);
                assert!(ready >= previous, "{mode:?} {film:?}: later start, sooner ready");
                assert!(ready == until || ready.0 >= start + OVERNIGHT_MINUTES, "{mode:?} {film:?}: below the label");
                previous = ready;
            }
        }
        let gates = GateTable::new(&house, &coat_gate(), from, until);
        for work in gates.work_spans() {
            assert!(gates.allows(work));
            assert!(!gates.allows(Span::new(work.start().plus(-1), work.end()).unwrap()));
        }
        let spans = allowed_spans(&house, &coat_gate(), from, until);
        assert!(spans.windows(2).all(|pair| pair[0].end() < pair[1].start()), "{mode:?}: spans touch");
    }
}

/// What a dispatcher would expect of a Newark year. Bounds are wide: they hold the model to its sense, not to a figure.
#[test]
fn seasons_show() {
    let outdoor = newark();
    let [room, closed, open, heated] = modes().map(|mode| house_climate(&outdoor, mode));
    let january = (minute("2013-01-10T00:00:00Z"), minute("2013-02-01T00:00:00Z"));
    let july = (minute("2013-07-01T00:00:00Z"), minute("2013-08-01T00:00:00Z"));

    for season in [january, july] {
        assert_eq!(overnight_waits(&room, season).last(), Some(&OVERNIGHT_MINUTES));
        assert_eq!(open_percent(&room, season), 100);
    }
    let shortest = |house| overnight_waits(house, january)[0];
    assert!(shortest(&closed) > 30 * DAY && shortest(&open) > 5 * DAY, "no house for water without heat in January");
    assert!(overnight_waits(&heated, january).last() < Some(&DAY), "cold air, heated, is dry air");
    assert_eq!(open_percent(&closed, january), 0);

    for house in [&closed, &open] {
        let waits = overnight_waits(house, july);
        let (shortest, middle, longest) = (waits[0], waits[waits.len() / 2], waits[waits.len() - 1]);
        assert_eq!(shortest, OVERNIGHT_MINUTES);
        assert!(middle < DAY, "half of the nights are nights");
        assert!((2 * DAY..4 * DAY).contains(&longest), "a humid spell holds a floor for days: {longest}");
        assert!((20..70).contains(&open_percent(house, july)));
    }
}
