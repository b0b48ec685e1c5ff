//! Pins a step at a time, and the fewest to drop when not all can be kept.

use crate::common::app::{self, Caller, crew, small_office};
use reqwest::Method;
use serde_json::{Value, json};

const PINS: &str = "/v1/jobs/linden-4-floors/pins";

async fn placed(office: &Caller, step: &str) -> Value {
    let draft = office.post("/v1/plans", &json!({"move_budget": 20})).await.expect(201);
    let placements = draft["placements"].as_array().unwrap();
    placements.iter().find(|placement| placement["step"] == step).cloned().unwrap_or(Value::Null)
}

#[tokio::test]
async fn a_step_is_pinned_to_a_crew_a_day_or_not_before_and_freed_again() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let sand = format!("{PINS}/sand");
    let free = placed(&office, "sand").await;
    let other = if free["crew"] == "north" { "south" } else { "north" };
    let pins = office.put(&sand, &json!({"crew": other})).await.expect(200);
    assert_eq!(pins["items"], json!([{"step": "sand", "crew": other}]));
    assert_eq!(placed(&office, "sand").await["crew"], other);
    // In place of what was fixed before, not added to it.
    office.put(&sand, &json!({"day": "2026-03-12"})).await.expect(200);
    let on_a_day = placed(&office, "sand").await;
    assert!(on_a_day["start"].as_str().unwrap().starts_with("2026-03-12T"), "{on_a_day}");
    office.put(&sand, &json!({"not_before": "2026-03-11T12:00:00-04:00"})).await.expect(200);
    assert_eq!(placed(&office, "sand").await["start"], "2026-03-11T12:00:00-04:00");
    office.put(&format!("{PINS}/coat"), &json!({"crew": other})).await.expect(200);
    let pins = office.delete(&sand).await.expect(200);
    assert_eq!(pins["items"], json!([{"step": "coat", "crew": other}]));
    assert_eq!(office.get(PINS).await.expect(200), pins);
    assert_eq!(placed(&office, "sand").await["start"], free["start"]);
    office.delete(&sand).await.problem(404, "not-found");
}

#[tokio::test]
async fn a_pin_that_means_nothing_is_refused_where_it_is() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let sand = format!("{PINS}/sand");
    office.put(&sand, &json!({})).await.fault("empty-pin", "");
    office.put(&sand, &json!({"crew": "nobody"})).await.fault("unknown-crew", "/crew");
    office.put(&sand, &json!({"start": "soon"})).await.fault("bad-instant", "/start");
    office.put(&format!("{PINS}/polish"), &json!({"crew": "north"})).await.problem(422, "invalid-document");
    office.put("/v1/jobs/elm-9/pins/sand", &json!({"crew": "north"})).await.problem(404, "not-found");
    let none = office.send(Method::PUT, &sand, &[], Some(&json!({"crew": "north"}))).await;
    none.problem(428, "precondition-required");
    let etag = office.get(PINS).await.etag().to_owned();
    office.send(Method::PUT, &sand, &[("If-Match", &etag)], Some(&json!({"crew": "north"}))).await.expect(200);
    let stale = office.send(Method::PUT, &sand, &[("If-Match", &etag)], Some(&json!({"crew": "south"}))).await;
    stale.problem(412, "stale");
}

/// The coat must follow the sanding within three days: one of two pins has to go, and any third one may stay.
#[tokio::test]
async fn the_fewest_pins_to_drop_are_named() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.put(&format!("{PINS}/sand"), &json!({"day": "2026-03-10"})).await.expect(200);
    office.put(&format!("{PINS}/hand-over"), &json!({"crew": "south"})).await.expect(200);
    let kept = office.get("/v1/pins/conflict").await.expect(200);
    assert_eq!((&kept["kept"], &kept["drop"]), (&json!(true), &json!([])));
    office.put(&format!("{PINS}/coat"), &json!({"day": "2026-03-20"})).await.expect(200);
    let conflict = office.get("/v1/pins/conflict").await.expect(200);
    assert_eq!((&conflict["kept"], &conflict["smallest"]), (&json!(false), &json!(true)));
    let drop = conflict["drop"].as_array().unwrap();
    assert_eq!(drop.len(), 1, "{conflict}");
    let step = drop[0]["pin"]["step"].as_str().unwrap();
    assert!(matches!(step, "sand" | "coat"), "{conflict}");
    assert_eq!((drop[0]["job"].as_str(), &conflict["unplaced_without"]), (Some("linden-4-floors"), &json!(0)));
    assert!(conflict["unplaced_with"].as_u64().unwrap() > 0);
    office.delete(&format!("{PINS}/{step}")).await.expect(200);
    assert_eq!(office.get("/v1/pins/conflict").await.expect(200)["kept"], true);
    // A crew that is there for nothing else: its pin is not to blame.
    office.post("/v1/crews", &crew("east")).await.expect(201);
    assert_eq!(office.get("/v1/pins/conflict").await.expect(200)["kept"], true);
}
