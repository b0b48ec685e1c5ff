//! A region's normals from the file to the plan: made by the program of past weather, kept by the API, heeded past the
//! forecast's end by planner and audit alike.

use crate::common::app;
use crate::common::world::*;
use serde_json::{Value, json};
use std::process::{Command, Output};
use tackfree::audit::audit;
use tackfree::domain::chain::Wait;
use tackfree::domain::climate::{Film, HouseAir};
use tackfree::domain::ids::RegionIx;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::planner::{Basis, Request, plan};

const NEWARK: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo/weather-newark-2013.csv");

fn program(file: &std::path::Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tackfree")).arg("normals").arg(file).output().unwrap()
}

/// The program's answer to a table of its own.
fn of_table(text: &str) -> Output {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("past.csv");
    std::fs::write(&file, text).unwrap();
    program(&file)
}

fn normals() -> Value {
    let printed = program(NEWARK.as_ref());
    assert!(printed.status.success(), "{}", String::from_utf8_lossy(&printed.stderr));
    serde_json::from_slice(&printed.stdout).unwrap()
}

/// What a Newark year should say. Bounds are wide: they hold it to its sense. Means by month are near -0.5 C in January
/// and 25 C in July (National Weather Service normals for Newark; memory).
#[test]
fn a_recorded_year_makes_normals() {
    let normals = normals();
    let mean = |table: &str, month: usize| {
        let hours: Vec<f64> = normals[table][month].as_array().unwrap().iter().map(|it| it.as_f64().unwrap()).collect();
        assert_eq!(hours.len(), 24);
        hours.iter().sum::<f64>() / 24.0
    };
    assert!((-2.0..3.0).contains(&mean("temp_c", 0)) && (23.0..28.0).contains(&mean("temp_c", 6)));
    assert!(mean("vapour_pa", 6) > 3.0 * mean("vapour_pa", 0), "summer air holds more");
    let july = &normals["temp_c"][6];
    // 19:00 UTC is 15:00 there, 09:00 UTC is 05:00.
    assert!(july[19].as_f64().unwrap() > july[9].as_f64().unwrap() + 5.0, "{july}");
}

#[test]
fn past_weather_that_makes_no_normals_is_refused_with_its_cure() {
    let text = std::fs::read_to_string(NEWARK).unwrap();
    let told = |text: &str| {
        let printed = of_table(text);
        assert!(!printed.status.success() && printed.stdout.is_empty());
        String::from_utf8(printed.stderr).unwrap()
    };
    let half: Vec<&str> = text.lines().take(4_000).collect();
    let thin = told(&half.join("\n"));
    assert!(thin.contains("month 6") && thin.contains("normals-too-few-days") && thin.contains("whole year"), "{thin}");
    let columns = told(&text.replacen("temp_c", "temp_f", 1));
    assert!(columns.contains("past-weather-columns") && columns.contains("temp_c"), "{columns}");
    let value = told(&text.replacen("2013-01-01T07:00:00Z,3.9,", "2013-01-01T07:00:00Z,39.0F,", 1));
    assert!(value.contains("line 3: ") && value.contains("past-weather-value"), "{value}");
    let twice = told(&text.replacen("2013-01-01T07:00:00Z", "2013-01-01T06:00:00Z", 1));
    assert!(twice.contains("forecast-duplicate-hour"), "{twice}");
    let missing = Command::new(env!("CARGO_BIN_EXE_tackfree")).args(["normals", "/no/such/file.csv"]).output().unwrap();
    assert!(String::from_utf8_lossy(&missing.stderr).contains("unreadable-file"));
}

#[test]
fn lines_without_air_are_left_out_and_told() {
    let text = std::fs::read_to_string(NEWARK).unwrap();
    let holes = text.replacen("2013-01-01T07:00:00Z,3.9,", "2013-01-01T07:00:00Z,,", 1);
    let printed = of_table(&holes);
    assert!(printed.status.success());
    assert!(String::from_utf8_lossy(&printed.stderr).contains("1 lines have no temperature"));
    assert_ne!(serde_json::from_slice::<Value>(&printed.stdout).unwrap(), normals());
}

#[tokio::test]
async fn a_region_keeps_its_normals_when_its_forecast_changes() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let forecast = |temp_c: f64| {
        let hour =
            |hour: u32| json!({"start": format!("2026-03-09T{hour:02}:00:00Z"), "temp_c": temp_c, "rh_percent": 60});
        json!({"hours": (0..24).map(hour).collect::<Vec<_>>()})
    };
    let mut region = json!({"key": "coast", "name": "Coast", "forecast": forecast(9.5), "normals": normals()});
    office.post("/v1/regions", &region).await.expect(201);
    assert_eq!(office.get("/v1/regions/coast").await.expect(200)["normals"], normals());
    office.put("/v1/regions/coast/forecast", &forecast(12.5)).await.expect(200);
    let kept = office.get("/v1/regions/coast").await.expect(200);
    assert_eq!((&kept["normals"], &kept["forecast"]["hours"][0]["temp_c"]), (&normals(), &json!(12.5)));
    let listed = office.get("/v1/regions").await.expect(200);
    assert_eq!(listed["items"][0]["has_normals"], json!(true), "{listed}");

    region["normals"]["temp_c"][4] = json!([1, 2, 3]);
    office.put("/v1/regions/coast", &region).await.fault("normals-shape", "/normals/temp_c/4");
    region.as_object_mut().unwrap().remove("normals");
    office.put("/v1/regions/coast", &region).await.expect(200);
    assert!(office.get("/v1/regions/coast").await.expect(200).get("normals").is_none());
}

/// Warm air for two days and then nothing known: repeated, the coat dries in its label's time; where the usual air is
/// cold, it does not, and the planner leaves the next step out for the same reason for which the audit refuses it.
#[test]
fn planner_and_audit_heed_the_same_normals() {
    let now = at(new_york(), "2026-03-06 06:00");
    let mut warm = situation(now);
    warm.crews[0].calendar = hours(0..7, &[("0:00", "24:00")]);
    let wait = Wait { film: Some(Film::Treatment), ..lag(0, 1, 12 * 60) };
    warm.jobs = vec![job("main", 0, vec![step("coat", 60), step("walk", 1)], vec![wait])];
    warm.jobs[0].release = now.plus(72 * 60);
    warm.houses[0].air = HouseAir::Open { heated_to_centi_c: None };
    warm.houses[0].region = Some(RegionIx(0));
    warm.regions = vec![weather(now, 48, |_| (2_100, 4_000))];
    let with = |temp, vapour| {
        let mut changed = warm.clone();
        changed.regions[0].normals = Some(usual(temp, vapour));
        changed
    };
    let planned = |situation: &Situation| {
        let made = plan(situation, Request { seed: 1, move_budget: 0, basis: Basis::Published, ..Request::new() });
        assert!(audit(situation, &made).is_clean());
        made
    };
    let wait_of = |situation: &Situation| {
        let plan = planned(situation);
        let start = |step: usize| plan.placements.iter().find(|it| it.step.step.index() == step).map(|it| it.start());
        start(1).map(|walk: Minute| walk.since(start(0).unwrap()) - 60)
    };
    assert_eq!(wait_of(&warm), Some(12 * 60));
    // 15 C and 1192 Pa is 70 %: the factor is 2.446 by the Magnus form (2.448 by ASHRAE's).
    let damp = wait_of(&with(1_500, 11_920)).unwrap();
    assert!((1_755..1_770).contains(&damp), "{damp}");
    let cold = with(500, 4_000);
    assert_eq!(wait_of(&cold), None);
    let codes: Vec<_> = audit(&cold, &planned(&warm)).violations.iter().map(|found| found.code()).collect();
    assert!(codes.contains(&"wait-too-short"), "{codes:?}");
}
