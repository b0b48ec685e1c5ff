//! When the day goes wrong on the floor: a crew leaves before the end, a floor is wetted again, a crew is short of people,
//! a machine breaks, a house is closed. Each is told by the interface and heeded by the next plan.

use crate::common::app::{self, Caller, monday, small_office};
use chrono::{DateTime, Duration};
use serde_json::{Value, json};

const RECORDS: &str = "/v1/jobs/linden-4-floors/records";

fn report(step: &str, outcome: &str, members: Value) -> Value {
    let mut report = json!({"step": step, "crew": "north", "outcome": outcome});
    report.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
    report
}

fn order(answer: &app::Answer, code: &str) {
    let problem = answer.problem(409, "out-of-order");
    assert_eq!(problem["errors"][0]["code"], code, "{problem}");
}

/// The document at `path` with some members changed.
async fn change(office: &Caller, path: &str, members: Value) -> app::Answer {
    let mut document = office.get(path).await.expect(200);
    document.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
    office.put(path, &document).await
}

async fn planned(office: &Caller, step: &str) -> Value {
    let plan = office.post("/v1/plans", &json!({})).await.expect(201);
    let placed = plan["placements"].as_array().unwrap().iter().find(|placement| placement["step"] == step);
    placed.unwrap_or_else(|| panic!("{step} is not planned: {plan}")).clone()
}

fn minutes(placement: &Value) -> i64 {
    let at = |text: &Value| DateTime::parse_from_rfc3339(text.as_str().unwrap()).unwrap();
    let pieces = placement["pieces"].as_array().unwrap().iter();
    pieces.map(|piece| (at(&piece["finish"]) - at(&piece["start"])).num_minutes()).sum()
}

#[tokio::test]
async fn a_step_that_was_left_is_planned_with_what_is_left() {
    let app = app::start().await;
    let office = small_office(&app).await;
    // 400 sq ft at 100 an hour are 240 minutes for one, 120 for two.
    assert_eq!(minutes(&planned(&office, "sand").await), 120);
    let left = |minutes: i64| {
        report("sand", "paused", json!({"finished_at": "2026-03-09T05:50:00-04:00", "remaining_minutes": minutes}))
    };
    order(&office.post(RECORDS, &left(45)).await, "not-running");
    let begun = json!({"started_at": "2026-03-09T05:00:00-04:00"});
    office.post(RECORDS, &report("sand", "running", begun)).await.expect(201);
    let without = report("sand", "paused", json!({"finished_at": "2026-03-09T05:50:00-04:00"}));
    office.post(RECORDS, &without).await.fault("bad-history", "/remaining_minutes");
    office.post(RECORDS, &left(0)).await.fault("out-of-range", "/remaining_minutes");
    let paused = office.post(RECORDS, &left(45)).await.expect(201);
    assert_eq!((&paused["outcome"], &paused["remaining_minutes"]), (&json!("paused"), &json!(45)), "{paused}");
    order(&office.post(RECORDS, &left(30)).await, "not-running");
    let ahead = json!({"started_at": "2026-03-09T05:55:00-04:00"});
    order(&office.post(RECORDS, &report("coat", "running", ahead.clone())).await, "predecessor-open");
    let rest = planned(&office, "sand").await;
    assert_eq!((minutes(&rest), &rest["state"]), (45, &json!("planned")), "{rest}");
    // One person takes twice as long.
    let spell = json!([{"from": "2026-03-09T00:00:00-04:00", "until": "2026-03-30T00:00:00-04:00", "people": 1}]);
    for crew in ["north", "south"] {
        change(&office, &format!("/v1/crews/{crew}"), json!({"short_handed": spell})).await.expect(200);
    }
    assert_eq!(minutes(&planned(&office, "sand").await), 90);
    // Another crew goes on with it.
    let mut on = report("sand", "running", ahead);
    on["crew"] = json!("south");
    office.post(RECORDS, &on).await.expect(201);
    let in_hand = planned(&office, "sand").await;
    assert_eq!((&in_hand["crew"], &in_hand["state"]), (&json!("south"), &json!("running")));
    app.clock.set(monday() + Duration::minutes(180));
    let coat = json!({"started_at": "2026-03-09T06:00:00-04:00"});
    let mut done = report("sand", "done", json!({"finished_at": "2026-03-09T07:10:00-04:00"}));
    done["crew"] = json!("south");
    office.post(RECORDS, &done).await.expect(201);
    office.post(RECORDS, &report("coat", "running", coat.clone())).await.expect(201);
    let coat = report("coat", "paused", json!({"finished_at": "2026-03-09T07:10:00-04:00", "remaining_minutes": 5}));
    order(&office.post(RECORDS, &coat).await, "not-dividable");
}

#[tokio::test]
async fn a_floor_that_dried_is_wetted_again() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let step =
        |key: &str, kind: &str| json!({"key": key, "name": key, "kind": kind, "minutes": 20, "skills": ["treatment"]});
    let chain = json!({
        "steps": [step("a", "treat_a"), step("b", "treat_b")],
        "waits": [{"from": "a", "to": "b", "kind": "dwell", "min_minutes": 10, "max": {"minutes": 15, "on_exceed": "forbid"}}],
    });
    office.patch("/v1/jobs/linden-4-floors", &chain).await.expect(200);
    app.clock.set(monday() + Duration::minutes(240));
    let done = |from: &str, until: &str, re_wet: bool| {
        let at = |clock: &str| format!("2026-03-09T{clock}:00-04:00");
        report("a", "done", json!({"started_at": at(from), "finished_at": at(until), "re_wet": re_wet}))
    };
    office.post(RECORDS, &done("07:00", "07:20", true)).await.fault("bad-history", "/re_wet");
    let first = office.post(RECORDS, &done("07:00", "07:20", false)).await.expect(201);
    assert_eq!(first["re_wet"], false);
    // At ten the window has long passed.
    let plan = office.post("/v1/plans", &json!({})).await.expect(201);
    assert_eq!(plan["unplaced"][0]["step"], "b", "{plan}");
    order(&office.post(RECORDS, &done("09:55", "10:00", false)).await, "already-done");
    let begun = json!({"started_at": "2026-03-09T09:55:00-04:00", "re_wet": true});
    let again = office.post(RECORDS, &report("a", "running", begun)).await.expect(201);
    assert_eq!((&again["re_wet"], &again["number"]), (&json!(true), &json!(2)), "{again}");
    let b = planned(&office, "b").await;
    assert_eq!(b["pieces"][0]["start"], "2026-03-09T10:05:00-04:00", "{b}");
    // Its end is reported like any other.
    let end = json!({"finished_at": "2026-03-09T10:00:30-04:00"});
    let ended = office.post(RECORDS, &report("a", "done", end)).await.expect(201);
    assert_eq!((&ended["re_wet"], &ended["started_at"]), (&json!(true), &json!("2026-03-09T09:55:00-04:00")));
    app.clock.set(monday() + Duration::minutes(270));
    let second = json!({"started_at": "2026-03-09T10:08:00-04:00", "finished_at": "2026-03-09T10:28:00-04:00"});
    office.post(RECORDS, &report("b", "done", second)).await.expect(201);
    order(&office.post(RECORDS, &done("10:29", "10:30", true)).await, "already-done");
}

#[tokio::test]
async fn broken_gear_and_closed_houses_are_heeded() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let all_monday = |units: Option<i64>| {
        let mut spell = json!({"from": "2026-03-09T00:00:00-04:00", "until": "2026-03-10T00:00:00-04:00"});
        spell.as_object_mut().unwrap().extend(units.map(|units| ("units".to_owned(), json!(units))));
        json!([spell])
    };
    let day = |placement: &Value| placement["pieces"][0]["start"].as_str().unwrap()[..10].to_owned();
    assert_eq!(day(&planned(&office, "sand").await), "2026-03-09");
    let machine = "/v1/equipment/big-machine";
    change(&office, machine, json!({"outages": all_monday(Some(3))})).await.fault("bad-outage", "/outages/0/units");
    change(&office, machine, json!({"outages": all_monday(Some(1))})).await.expect(200);
    assert_eq!(day(&planned(&office, "sand").await), "2026-03-09", "there is another");
    change(&office, machine, json!({"outages": all_monday(Some(2))})).await.expect(200);
    assert_eq!(day(&planned(&office, "sand").await), "2026-03-10");
    change(&office, machine, json!({"outages": []})).await.expect(200);
    change(&office, "/v1/houses/linden-4", json!({"closures": all_monday(None)})).await.expect(200);
    assert_eq!(day(&planned(&office, "sand").await), "2026-03-10");
    let pins = json!([{"step": "sand", "day": "2026-03-12"}]);
    office.patch("/v1/jobs/linden-4-floors", &json!({"pins": pins})).await.expect(200);
    assert_eq!(day(&planned(&office, "sand").await), "2026-03-12");
}
