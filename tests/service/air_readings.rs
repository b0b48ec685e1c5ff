//! Air measured in a house: reported, listed, and heeded by plans, the audit and the customer's calendar.

use crate::common::app::{self, App, Caller, small_office};
use serde_json::{Value, json};

const PATH: &str = "/v1/houses/linden-4/air-readings";

fn reading(at: &str, temp_c: f64, rh_percent: f64) -> Value {
    json!({"at": at, "temp_c": temp_c, "rh_percent": rh_percent})
}

async fn crew_of(office: &Caller) -> Caller {
    office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await
}

#[tokio::test]
async fn crews_and_office_report_and_everybody_looks() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let crew = crew_of(&office).await;
    let first = crew.post(PATH, &reading("2026-03-09T05:30:00-04:00", 14.0, 71.234)).await;
    let kept = first.expect(201);
    assert_eq!(first.header("location"), PATH);
    assert_eq!(
        [&kept["at"], &kept["temp_c"], &kept["rh_percent"], &kept["recorded_by"]],
        [&json!("2026-03-09T05:30:00-04:00"), &json!(14.0), &json!(71.23), &json!("crew north")]
    );
    // It is Monday, 06:00.
    let now = office.post(PATH, &json!({"temp_c": 15, "rh_percent": 70, "note": "heater on"})).await.expect(201);
    assert_eq!((now["at"].as_str(), now["recorded_by"].as_str()), (Some("2026-03-09T06:00:00-04:00"), Some("office")));
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    let page = viewer.get(&format!("{PATH}?limit=1")).await;
    assert_eq!(page.expect(200)["items"], json!([now]));
    let next = page.header("link").trim_start_matches('<').split('>').next().unwrap().to_owned();
    let page = viewer.get(&next).await;
    assert_eq!(page.expect(200)["items"], json!([kept]));
    assert!(page.headers.get("link").is_none());
    viewer.post(PATH, &reading("2026-03-09T05:30:00-04:00", 14.0, 71.0)).await.problem(403, "role-needed");
}

#[tokio::test]
async fn what_cannot_have_been_measured_is_refused() {
    let app = app::start().await;
    let office = small_office(&app).await;
    for (body, code, pointer) in [
        (reading("2026-03-09T06:01:00-04:00", 14.0, 70.0), "future-reading", "/at"),
        (reading("2026-03-09T05:00:30-04:00", 14.0, 70.0), "seconds-in-instant", "/at"),
        (reading("at noon", 14.0, 70.0), "bad-instant", "/at"),
        (reading("2026-03-09T05:00:00-04:00", 72.0, 70.0), "out-of-range", "/temp_c"),
        (reading("2026-03-09T05:00:00-04:00", 14.0, 101.0), "out-of-range", "/rh_percent"),
        (json!({"temp_c": 14, "rh_percent": 70, "note": "x".repeat(2_001)}), "long-note", "/note"),
    ] {
        office.post(PATH, &body).await.fault(code, pointer);
    }
    let other = "/v1/houses/elm-12/air-readings";
    office.post(other, &reading("2026-03-09T05:00:00-04:00", 14.0, 70.0)).await.problem(404, "not-found");
    let mut house = office.get("/v1/houses/linden-4").await.expect(200);
    house["air_readings"] = json!([reading("2026-03-09T05:00:00-04:00", 14.0, 70.0)]);
    office.put("/v1/houses/linden-4", &house).await.fault("readings-elsewhere", "/air_readings");
    assert_eq!(office.get(PATH).await.expect(200)["items"], json!([]));
}

async fn listed(office: &Caller) -> Value {
    office.get("/v1/planning-file").await.expect(200)["houses"][0]["air_readings"].clone()
}

#[tokio::test]
async fn planning_heeds_the_newest_of_a_month_one_a_minute() {
    let app = app::start().await;
    let office = small_office(&app).await;
    assert_eq!(listed(&office).await, Value::Null);
    for (at, temp) in [
        ("2026-03-09T09:00:00Z", 14.0),
        ("2026-02-07T11:00:00Z", 12.0),
        ("2026-02-07T09:59:00Z", 11.0),
        // Mistyped, and put right.
        ("2026-03-08T09:00:00Z", 41.0),
        ("2026-03-08T09:00:00Z", 14.0),
    ] {
        office.post(PATH, &reading(at, temp, 70.0)).await.expect(201);
    }
    let expected =
        [("2026-02-07T11:00:00+00:00", 12.0), ("2026-03-08T09:00:00+00:00", 14.0), ("2026-03-09T09:00:00+00:00", 14.0)];
    assert_eq!(listed(&office).await, json!(expected.map(|(at, temp)| reading(at, temp, 70.0))));
    for minute in 0..100 {
        let at = format!("2026-03-08T{:02}:{:02}:00Z", 20 + minute / 60, minute % 60);
        office.post(PATH, &reading(&at, 14.0, 70.0)).await.expect(201);
    }
    let readings = listed(&office).await;
    assert_eq!(
        (readings.as_array().unwrap().len(), readings[0]["at"].as_str()),
        (100, Some("2026-03-08T20:01:00+00:00"))
    );
}

/// None that was acknowledged is lost, and all plans heed the same one.
#[tokio::test]
async fn of_many_readings_for_one_minute_all_are_kept_and_the_last_is_heeded() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let crew = crew_of(&office).await;
    let bodies: Vec<Value> = (0..16).map(|degrees| reading("2026-03-09T09:00:00Z", f64::from(degrees), 70.0)).collect();
    let reports =
        bodies.iter().enumerate().map(|(at, body)| (if at % 2 == 0 { &office } else { &crew }).post(PATH, body));
    let told = futures_util::future::join_all(reports).await;
    let mut kept: Vec<String> = told.iter().map(|answer| answer.expect(201)["id"].to_string()).collect();
    let items = office.get(PATH).await.expect(200)["items"].clone();
    let newest_first: Vec<String> = items.as_array().unwrap().iter().map(|item| item["id"].to_string()).collect();
    kept.sort();
    kept.reverse();
    assert_eq!(newest_first, kept);
    assert_eq!(
        listed(&office).await,
        json!([reading("2026-03-09T09:00:00+00:00", items[0]["temp_c"].as_f64().unwrap(), 70.0)])
    );
}

/// A coat that is on since an hour ago, in a house that is said to be warm.
async fn coated(app: &App) -> Caller {
    let office = small_office(app).await;
    let report = |step: &str, from: &str, until: &str| json!({"step": step, "crew": "north", "outcome": "done", "started_at": from, "finished_at": until});
    for body in [
        report("sand", "2026-03-08T08:00:00-04:00", "2026-03-08T12:00:00-04:00"),
        report("coat", "2026-03-09T04:00:00-04:00", "2026-03-09T05:00:00-04:00"),
    ] {
        office.post("/v1/jobs/linden-4-floors/records", &body).await.expect(201);
    }
    office
}

async fn hand_over(office: &Caller) -> String {
    let draft = office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
    let placements = draft["placements"].as_array().unwrap();
    let step = placements.iter().find(|placement| placement["step"] == "hand-over").unwrap();
    step["start"].as_str().unwrap().to_owned()
}

/// The house is said to be held at 21 C and 45 %, in which a waterborne film dries as on its label.
#[tokio::test]
async fn a_cold_damp_reading_makes_the_plan_and_the_customer_wait() {
    let app = app::start().await;
    let office = coated(&app).await;
    let feed = office.post("/v1/feeds", &json!({"kind": "customer", "house": "linden-4"})).await.expect(201);
    office.publish().await;
    let nobody = app.caller("");
    let address = feed["address"].as_str().unwrap().to_owned();
    let warm = hand_over(&office).await;
    let told = nobody.get(&address).await.text;
    assert!(warm.starts_with("2026-03-10T07:00:00"), "{warm}");
    crew_of(&office).await.post(PATH, &reading("2026-03-09T05:00:00-04:00", 12.0, 84.0)).await.expect(201);
    let cold = hand_over(&office).await;
    assert!(cold > warm, "{cold}");
    office.publish().await;
    assert_ne!(nobody.get(&address).await.text, told);
}
