//! Tests of the calculation `drying`; the numbers behind it are held to their sources in `trade`.

use super::*;
use serde_json::{Value, json};

/// 48 hours from 2026-03-09T00:00Z on.
pub fn forecast(air: impl Fn(i64) -> (f64, f64)) -> Value {
    let hour = |number: i64| {
        let (temp_c, rh_percent) = air(number);
        let start = format!("2026-03-{:02}T{:02}:00:00Z", 9 + number / 24, number % 24);
        json!({"start": start, "temp_c": temp_c, "rh_percent": rh_percent})
    };
    json!({"hours": (0..48).map(hour).collect::<Vec<_>>()})
}

fn question(more: Value) -> Value {
    let mut question = json!({
        "film": "treatment", "label_minutes": 720, "start": "2026-03-09T16:00:00-04:00", "air": {"open": {}},
        "forecast": forecast(|_| (21.11, 50.0)), "time_zone": "America/New_York"
    });
    for (name, value) in more.as_object().unwrap() {
        question[name] = value.clone();
    }
    question
}

fn ask(more: Value) -> Result<DryingAnswer, Vec<Located>> {
    serde_json::from_value::<DryingQuestion>(question(more)).unwrap().answer()
}

/// Source: definition. The label's own air gives the label's time, on the wall clock asked for.
#[test]
fn label_air_gives_the_label_time() {
    let told = ask(json!({})).unwrap();
    assert_eq!(told.ready_at.as_deref(), Some("2026-03-10T04:00:00-04:00"));
    assert_eq!((told.wait_minutes, told.held_minutes, told.planned_factor_at_start), (Some(720), 0, Some(1.0)));
    assert_eq!((told.rests_on_guess, told.guessed_from.as_deref()), (false, Some("2026-03-10T20:00:00-04:00")));
    assert_eq!(told.hours, None);
    let utc = ask(json!({"time_zone": null})).unwrap();
    assert_eq!(utc.ready_at.as_deref(), Some("2026-03-10T08:00:00+00:00"));
}

/// Source: our model worked with ASHRAE's saturation pressure: 59 F and 70 % is 2.448 for water.
#[test]
fn damp_held_air_stretches_it_and_is_no_guess() {
    let told = ask(json!({"air": {"controlled": {"temp_c": 15, "rh_percent": 70}}, "forecast": null})).unwrap();
    let wait = told.wait_minutes.unwrap() as f64;
    assert!((wait - 720.0 * 2.448).abs() < 3.0, "{wait}");
    let (factor, planned) = (told.factor_at_start.unwrap(), told.planned_factor_at_start.unwrap());
    assert!((factor - 2.448).abs() < 0.003 && (factor - planned).abs() < 1e-5, "{factor} {planned}");
    assert_eq!((told.rests_on_guess, told.guessed_from, told.beyond), (false, None, None));
}

/// Too humid for an estimate from 00:00 to 06:00 UTC on the tenth: 20:00 to 02:00 in New York.
#[test]
fn held_hours_are_told_and_every_hour_if_asked() {
    let humid = forecast(|hour| (21.11, if (24..30).contains(&hour) { 95.0 } else { 50.0 }));
    let told = ask(json!({"forecast": humid, "hourly": true, "start": "2026-03-09T16:30:00-04:00"})).unwrap();
    assert_eq!((told.wait_minutes, told.held_minutes), (Some(720 + 360), 360));
    let hours = told.hours.clone().unwrap();
    assert_eq!(hours.len(), 19, "half an hour, seventeen hours, half an hour");
    assert_eq!((hours[0].start.as_str(), hours[0].done_minutes), ("2026-03-09T16:30:00-04:00", 30.0));
    assert_eq!((hours[4].planned_factor, hours[4].rh_percent, hours[4].done_minutes), (None, 95.0, 210.0));
    assert_eq!(hours.last().unwrap().done_minutes, 720.0);
    let words = DryingQuestion::words(&told);
    assert!(words.contains("ready 2026-03-10T10:30:00-04:00, after 18 h (label 12 h)"), "{words}");
    assert!(
        words.contains("6 h of it too cold, too hot or too damp") && words.lines().count() == 3 + 19 + 1,
        "{words}"
    );
}

#[test]
fn an_answer_past_the_forecast_says_what_it_is_made_of() {
    let late = json!({"start": "2026-03-10T16:00:00-04:00"});
    let told = ask(late.clone()).unwrap();
    assert_eq!(
        (told.wait_minutes, told.rests_on_guess, told.beyond),
        (Some(720), true, Some(BeyondDto::LastDayRepeated))
    );
    assert!(DryingQuestion::words(&told).contains("the forecast's last day repeated"));
    let normals = json!({"temp_c": vec![vec![15.0; 24]; 12], "vapour_pa": vec![vec![1192.0; 24]; 12]});
    let told = ask(json!({"start": "2026-03-14T16:00:00-04:00", "normals": normals})).unwrap();
    assert_eq!(told.beyond, Some(BeyondDto::Normals));
    assert!((1_755..1_770).contains(&told.wait_minutes.unwrap()), "{told:?}");
    let before = ask(json!({"start": "2026-03-08T10:00:00-04:00", "label_minutes": 60})).unwrap();
    assert!(before.rests_on_guess, "the forecast begins later");
}

#[test]
fn air_that_never_dries_is_said_to_be_so() {
    let told = ask(json!({"forecast": forecast(|_| (5.0, 50.0))})).unwrap();
    assert_eq!((told.ready_at.clone(), told.planned_factor_at_start), (None, None));
    assert_eq!(told.held_minutes, 3 * 720 + HELD_DAYS_MAX * 1440);
    let words = DryingQuestion::words(&told);
    assert!(words.contains("not ready within 60 days") && words.contains("heat or dry"), "{words}");
    let cured = ask(json!({"forecast": forecast(|_| (5.0, 50.0)), "film": "moisture_cure"})).unwrap();
    assert_eq!(cured.wait_minutes, Some(720));
}

#[test]
fn every_fault_is_told_with_its_place() {
    let places = |more: Value| -> Vec<(String, &'static str)> {
        ask(more).unwrap_err().into_iter().map(|located| (located.pointer, located.fault.code)).collect()
    };
    let one = |place: &str, code: &'static str| vec![(place.to_owned(), code)];
    assert_eq!(places(json!({"label_minutes": 0})), one("/label_minutes", "out-of-range"));
    assert_eq!(places(json!({"label_minutes": WAIT_MINUTES_MAX + 1})), one("/label_minutes", "out-of-range"));
    assert_eq!(places(json!({"start": "2026-03-09"})), one("/start", "bad-instant"));
    assert_eq!(places(json!({"time_zone": "New York"})), one("/time_zone", "unknown-zone"));
    assert_eq!(places(json!({"forecast": null})), one("/forecast", "no-forecast"));
    assert_eq!(places(json!({"forecast": {"hours": []}})), one("/forecast/hours", "forecast-length"));
    let held = json!({"controlled": {"temp_c": 70, "rh_percent": 50}});
    assert_eq!(places(json!({"air": held})), one("/air/controlled/temp_c", "out-of-range"));
    let normals = json!({"temp_c": [], "vapour_pa": vec![vec![800.0; 24]; 12]});
    assert_eq!(places(json!({"normals": normals})), one("/normals/temp_c", "normals-shape"));
    let sound = json!({"controlled": {"temp_c": 20, "rh_percent": 50}});
    assert_eq!(places(json!({"air": sound, "normals": normals})), one("/normals/temp_c", "normals-shape"));
    assert_eq!(places(json!({"label_minutes": -1, "start": "x", "forecast": null})).len(), 3);
}
