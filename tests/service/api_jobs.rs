//! Jobs: a method applied to a house, changed by hand; and what happened, reported in order.

use crate::common::app::{self, Caller, equipment, house, job, monday, small_office};
use reqwest::Method;
use serde_json::{Value, json};

const RECORDS: &str = "/v1/jobs/linden-4-floors/records";

async fn office_with_gear(app: &app::App) -> Caller {
    let office = small_office(app).await;
    for key in ["edger", "buffer", "moisture-meter"] {
        office.post("/v1/equipment", &equipment(key)).await.expect(201);
    }
    office
}

fn by_method(key: &str, method: &str) -> Value {
    json!({
        "key": key, "name": "By method", "house": "linden-4", "method": method,
        "release": "2026-03-09T00:00:00-04:00", "weight": 3,
        "overrides": [{"step": "coat", "person_minutes": 77, "areas": ["Hall"]}],
        "wait_overrides": [{"from": "clean", "to": "screen", "min_minutes": 15}],
        "pins": [{"step": "walk-through", "not_before": "2026-03-20T08:00:00-04:00"}]
    })
}

fn step<'a>(job: &'a Value, key: &str) -> &'a Value {
    job["steps"].as_array().unwrap().iter().find(|step| step["key"] == key).unwrap()
}

#[tokio::test]
async fn a_job_has_its_own_copy_of_the_method() {
    let app = app::start().await;
    let office = office_with_gear(&app).await;
    let made = office.post("/v1/jobs", &by_method("screened", "screen-and-recoat")).await;
    let body = made.expect(201);
    assert_eq!((body["copied_from"].as_str(), body["status"].as_str()), (Some("screen-and-recoat"), Some("open")));
    assert_eq!((&step(&body, "coat")["person_minutes"], &step(&body, "coat")["areas"]), (&json!(77), &json!(["Hall"])));
    assert!(step(&body, "coat").get("sqft_per_person_hour").is_none());
    let wait = body["waits"].as_array().unwrap().iter().find(|wait| wait["to"] == "screen").unwrap();
    assert_eq!(wait["min_minutes"], 15);
    assert!(body.get("overrides").is_none() && body.get("method").is_none());
    let shown = office.get("/v1/jobs/screened").await;
    assert_eq!((shown.expect(200), shown.etag()), (body, made.etag()));
    let listed = office.get("/v1/jobs?house=linden-4&status=open&limit=1").await;
    assert_eq!(listed.expect(200)["items"][0]["key"], "linden-4-floors");
    assert!(listed.header("link").contains("status=open"));
}

#[tokio::test]
async fn a_job_is_changed_member_by_member() {
    let app = app::start().await;
    let office = office_with_gear(&app).await;
    let path = "/v1/jobs/linden-4-floors";
    let before = office.get(path).await;
    let change = json!({"name": "Renamed", "due": null, "pins": [{"step": "coat", "crew": "south"}]});
    office.send(Method::PATCH, path, &[], Some(&change)).await.problem(428, "precondition-required");
    let changed = office.send(Method::PATCH, path, &[("If-Match", before.etag())], Some(&change)).await;
    let body = changed.expect(200);
    assert_eq!((body["name"].as_str(), body.get("due")), (Some("Renamed"), None));
    assert_eq!(body["steps"], before.json()["steps"]);
    office.send(Method::PATCH, path, &[("If-Match", before.etag())], Some(&change)).await.problem(412, "stale");
    // A pinned crew is in use.
    office.delete("/v1/crews/south").await.problem(409, "in-use");

    // What is read can be sent back, and changes nothing but the version.
    let all = office.patch(path, &body).await;
    assert_eq!(all.expect(200), body);
    let fresh = office.patch(path, &json!({"method": "screen-and-recoat", "pins": []})).await.expect(200);
    assert_eq!(
        (fresh["copied_from"].as_str(), fresh["steps"][1]["key"].as_str()),
        (Some("screen-and-recoat"), Some("clean"))
    );

    for (change, code, pointer) in [
        (json!({"key": "other"}), "key-is-fixed", "/key"),
        (json!({"status": "asleep"}), "unknown-value", "/status"),
        (json!({"house": "nowhere"}), "unknown-house", "/house"),
        (json!({"weight": 5_000}), "out-of-range", "/weight"),
        (json!({"colour": "red"}), "unknown-field", "/colour"),
        (json!({"pins": [{"step": "nap"}]}), "unknown-step", "/pins/0/step"),
    ] {
        office.patch(path, &change).await.fault(code, pointer);
    }
    let history = json!({"history": [{"step": "clean", "crew": "north", "outcome": "running", "started_at": "2026-03-09T05:00:00Z"}]});
    office.patch(path, &history).await.fault("history-by-records", "/history");
    let held = office.patch(path, &json!({"status": "on_hold", "weight": 2})).await.expect(200);
    assert_eq!((held["status"].as_str(), held["weight"].as_i64()), (Some("on_hold"), Some(2)));
    assert_eq!(office.post("/v1/plans", &json!({})).await.expect(201)["placements"], json!([]));
}

fn report(step: &str, outcome: &str) -> Value {
    json!({"step": step, "crew": "north", "outcome": outcome})
}

fn with(mut report: Value, members: Value) -> Value {
    report.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
    report
}

/// The problem's own fault.
fn order(answer: &app::Answer, code: &str) -> String {
    let problem = answer.problem(409, "out-of-order");
    assert_eq!(problem["errors"][0]["code"], code, "{problem}");
    problem["detail"].as_str().unwrap().to_owned()
}

#[tokio::test]
async fn reports_follow_each_other() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let phone = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let six = json!({"started_at": "2026-03-09T05:30:10-04:00"});

    let early = phone.post(RECORDS, &with(report("coat", "running"), six.clone())).await;
    assert!(order(&early, "predecessor-open").contains("sand"));
    phone.post(RECORDS, &report("sand", "running")).await.fault("missing-field", "/started_at");
    let begun =
        phone.post(RECORDS, &with(json!({"step": "sand", "outcome": "running"}), six.clone())).await.expect(201);
    assert_eq!((begun["crew"].as_str(), begun["number"].as_i64()), (Some("north"), Some(1)));
    assert_eq!((begun["recorded_by"].as_str(), &begun["started_at"]), (Some("crew north"), &six["started_at"]));
    order(&phone.post(RECORDS, &with(report("sand", "running"), six.clone())).await, "already-running");
    order(&phone.post(RECORDS, &with(report("coat", "running"), six.clone())).await, "predecessor-open");

    // A plan leaves what is running where it is.
    let plan = office.post("/v1/plans", &json!({})).await.expect(201);
    assert_eq!((&plan["placements"][0]["step"], &plan["placements"][0]["state"]), (&json!("sand"), &json!("running")));

    app.clock.set(monday() + chrono::Duration::minutes(60));
    let old_screen = with(report("sand", "done"), json!({"finished_at": "2026-03-09T06:40:00-04:00", "seen": 0}));
    phone.post(RECORDS, &old_screen).await.problem(409, "records-changed");
    let done =
        with(report("sand", "done"), json!({"finished_at": "2026-03-09T06:40:00-04:00", "note": "knots", "seen": 1}));
    let done = phone.post(RECORDS, &done).await.expect(201);
    assert_eq!((done["number"].as_i64(), &done["started_at"]), (Some(2), &six["started_at"]));
    order(&phone.post(RECORDS, &with(report("sand", "failed"), six.clone())).await, "already-done");

    let other = with(report("coat", "running"), json!({"crew": "south", "started_at": "2026-03-09T06:45:00-04:00"}));
    phone.post(RECORDS, &other).await.problem(403, "not-your-crew");
    office.post(RECORDS, &other).await.expect(201);
    let listed = phone.get(RECORDS).await.expect(200);
    assert_eq!(listed["items"].as_array().unwrap().len(), 3);
    assert_eq!(listed["items"][0]["recorded_by"], "office");

    let replan = office.post("/v1/plans", &json!({})).await.expect(201);
    assert_eq!(replan["placements"][0]["state"], "done");
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    let late = with(report("coat", "done"), json!({"finished_at": "2026-03-09T06:50:00-04:00"}));
    order(&office.post(RECORDS, &late).await, "job-over");
}

#[tokio::test]
async fn impossible_reports_are_told_where() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let good = with(
        report("sand", "done"),
        json!({"started_at": "2026-03-09T04:00:00-04:00", "finished_at": "2026-03-09T05:00:00-04:00"}),
    );
    for (change, code, pointer) in [
        (json!({"step": "nap"}), "unknown-step", "/step"),
        (json!({"crew": "west"}), "unknown-crew", "/crew"),
        (json!({"started_at": "yesterday"}), "bad-instant", "/started_at"),
        (json!({"started_at": "2026-03-09T05:30:00-04:00"}), "bad-history", "/finished_at"),
        (json!({"finished_at": "2026-03-09T23:00:00-04:00"}), "bad-history", "/finished_at"),
        (json!({"finished_at": null}), "bad-history", "/outcome"),
        (json!({"outcome": "running"}), "bad-history", "/finished_at"),
        (json!({"outcome": "failed"}), "bad-history", ""),
        (json!({"readings": [{"area": "Attic", "mc_percent": 8.0}]}), "unknown-area", "/readings/0/area"),
        (json!({"readings": [{"area": "Hall", "mc_percent": 800.0}]}), "out-of-range", "/readings/0/mc_percent"),
        (json!({"note": "x".repeat(2_001)}), "long-note", "/note"),
    ] {
        office.post(RECORDS, &with(good.clone(), change)).await.fault(code, pointer);
    }
    office.post("/v1/jobs/none/records", &good).await.problem(404, "not-found");
    office.post(RECORDS, &with(good.clone(), json!({"note": "a\u{0}b"}))).await.problem(400, "bad-json");
    office.post(RECORDS, &good).await.expect(201);
}

#[tokio::test]
async fn a_failed_check_holds_up_what_follows() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.post("/v1/houses", &house("elm-2")).await.expect(201);
    let mut checked = job("checked", "elm-2");
    checked["steps"] = json!([
        {"key": "readings", "name": "Readings", "kind": "check", "minutes": 30, "recheck_after_minutes": 600},
        {"key": "seal", "name": "Seal", "kind": "seal", "minutes": 60}
    ]);
    checked["waits"] = json!([{"from": "readings", "to": "seal"}]);
    office.post("/v1/jobs", &checked).await.expect(201);
    let path = "/v1/jobs/checked/records";
    let failed = json!({
        "step": "readings", "crew": "north", "outcome": "failed", "started_at": "2026-03-09T05:00:00-04:00",
        "finished_at": "2026-03-09T05:30:00-04:00",
        "readings": [{"area": "Hall", "mc_percent": 9.0}, {"area": "Living room", "mc_percent": 11.5}]
    });
    office.post(path, &failed).await.expect(201);
    let seal =
        json!({"step": "seal", "crew": "north", "outcome": "running", "started_at": "2026-03-09T05:40:00-04:00"});
    order(&office.post(path, &seal).await, "check-not-passed");
    let plan = office.post("/v1/plans", &json!({})).await.expect(201);
    let find =
        |key: &str| plan["placements"].as_array().unwrap().iter().find(|placed| placed["step"] == key).unwrap().clone();
    // Ten hours after the try that failed.
    assert_eq!(find("readings")["start"], "2026-03-09T15:30:00-04:00");
    assert!(find("seal")["start"].as_str().unwrap() > find("readings")["start"].as_str().unwrap());
    let shown = office.get(path).await.expect(200);
    assert_eq!(shown["items"][0]["readings"], failed["readings"]);
}

#[tokio::test]
async fn a_job_can_be_taken_over_half_done() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut begun = job("begun", "linden-4");
    begun["history"] = json!([
        {"step": "sand", "crew": "south", "started_at": "2026-03-06T08:00:00-05:00",
         "finished_at": "2026-03-06T12:00:00-05:00", "outcome": "done"},
        {"step": "coat", "crew": "south", "started_at": "2026-03-09T05:00:00-04:00", "outcome": "running"}
    ]);
    office.post("/v1/jobs", &begun).await.expect(201);
    let records = office.get("/v1/jobs/begun/records").await.expect(200);
    assert_eq!(records["items"].as_array().unwrap().len(), 2);
    let file = office.get("/v1/planning-file").await;
    let body = file.expect(200);
    let job = body["jobs"].as_array().unwrap().iter().find(|job| job["key"] == "begun").unwrap();
    assert_eq!(job["history"].as_array().unwrap().len(), 2);
    // What is captured is a planning file that plans the same.
    let parsed = tackfree::dto::parse_planning_file(&file.text).unwrap();
    let request = tackfree::planner::Request {
        seed: 1,
        move_budget: 50,
        basis: tackfree::planner::Basis::Published,
        ..tackfree::planner::Request::new()
    };
    let replayed = tackfree::dto::plan_to_dto(&parsed.situation, &tackfree::planner::plan(&parsed.situation, request));
    let served = office.post("/v1/plans", &json!({"move_budget": 50})).await.expect(201);
    assert_eq!(served["cost"], serde_json::to_value(replayed.cost).unwrap());
}
