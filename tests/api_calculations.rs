//! Calculations through the API and the command line: the same question, the same answer, and every fault told.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]

mod common;

use common::app;
use serde_json::{Value, json};
use std::process::{Command, Output};

/// Asks the program itself.
fn program(name: &str, question: &Value, json: bool) -> Output {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("question.json");
    std::fs::write(&file, question.to_string()).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_tackfree"));
    command.args(["calculate", name]).arg(&file);
    if json {
        command.arg("--json");
    }
    command.output().unwrap()
}

/// The answer, which has to be the same by both ways.
async fn answer(caller: &app::Caller, name: &str, question: &Value) -> Value {
    let served = caller.post(&format!("/v1/calculations/{name}"), question).await.expect(200);
    let printed = program(name, question, true);
    assert!(printed.status.success(), "{}", String::from_utf8_lossy(&printed.stderr));
    assert_eq!(serde_json::from_slice::<Value>(&printed.stdout).unwrap(), served);
    let words = program(name, question, false);
    assert!(words.status.success() && !words.stdout.is_empty());
    served
}

#[tokio::test]
async fn air_is_worked_out_for_any_role_and_nothing_is_kept() {
    let app = app::start().await;
    let office = app::small_office(&app).await;
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    let question = json!({"temp_c": 10, "rh_percent": 85, "at_temp_c": 21.1});
    let told = answer(&viewer, "air", &question).await;
    // Source: 10 C and 85 % is 41.7 % at 21.1 C (worked with PyPI `psychrolib`).
    assert!((told["at_temp"]["rh_percent"].as_f64().unwrap() - 41.7).abs() < 0.1, "{told}");
    // Closer to its dew point than 3 C: no estimate.
    assert!(told["drying"].as_array().unwrap().iter().any(|film| film["planned_factor"].is_null()), "{told}");
}

#[tokio::test]
async fn quantities_and_customers_dates_by_both_ways() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    // By hand: 620 / 400 x 1.1 = 1.705 gal = 6.454 L; 1604/400 = 4.01 mils.
    let told = answer(&office, "quantities", &json!({"area_sqft": 620, "kind": "coat"})).await;
    let product = &told["products"][0];
    assert_eq!((product["litres"].as_f64(), product["wet_mils"].as_f64()), (Some(6.45), Some(4.01)));
    assert_eq!(told["totals"][0]["containers"], json!([{"size_gal": 1.0, "count": 2}]));
    office.post("/v1/calculations/quantities", &json!({"area_sqft": 0})).await.fault("out-of-range", "/area_sqft");
    let question =
        json!({"finish": "2026-03-07T17:00:00-05:00", "time_zone": "America/New_York", "base": "waterborne"});
    let told = answer(&office, "customer-dates", &question).await;
    // Practice: 24 h over a clock change, a week.
    assert_eq!(told["socks_at"], "2026-03-08T18:00:00-04:00");
    assert_eq!(told["full_cure_earliest"], "2026-03-14");
}

#[tokio::test]
async fn a_question_with_faults_is_refused_by_both_ways() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let question = json!({"temp_c": 400, "rh_percent": 85});
    office.post("/v1/calculations/air", &question).await.fault("out-of-range", "/temp_c");
    let printed = program("air", &question, false);
    assert!(!printed.status.success());
    let told = String::from_utf8_lossy(&printed.stderr).into_owned();
    assert!(told.contains("/temp_c") && told.contains("400"), "{told}");
    let unknown = program("dogs", &question, false);
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("air"), "the known names are told");
}
