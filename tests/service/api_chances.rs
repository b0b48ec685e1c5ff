//! Chances of dates over HTTP: of the promise and of a draft, as the days go by, and by the company's own experience.

use crate::common::app::{self, Caller, monday, small_office};
use reqwest::Method;
use serde_json::{Value, json};

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

async fn record(office: &Caller, body: &Value) {
    office.post("/v1/jobs/linden-4-floors/records", body).await.expect(201);
}

#[tokio::test]
async fn an_office_asks_for_the_chances_of_its_promise() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.get("/v1/chances").await.problem(404, "not-found");
    let draft = office.publish().await;
    let answer = office.get("/v1/chances?runs=400").await.expect(200);
    assert_eq!((&answer["plan"], &answer["number"]), (&draft["id"], &draft["number"]));
    assert_eq!((answer["runs"].as_i64(), answer["seed"].as_i64()), (Some(400), Some(1)));
    let of_job = &answer["jobs"][0];
    assert_eq!((of_job["job"].as_str(), of_job["house"].as_str()), (Some("linden-4-floors"), Some("linden-4")));
    assert_eq!(of_job["unplaced_steps"], 0);
    // Two weeks of slack.
    assert_eq!(number(&of_job["in_time_percent"]), 100.0);
    assert_eq!(number(&answer["houses"][0]["in_time_percent"]), 100.0);
    let quantiles = ["planned_finish", "finish_percent_50", "finish_percent_80", "finish_percent_95"];
    let quantiles: Vec<&str> = quantiles.iter().map(|name| of_job[*name].as_str().unwrap()).collect();
    assert!(quantiles[1..].is_sorted() && quantiles[3] > quantiles[0], "{quantiles:?}");
    assert!(of_job["due"].as_str() == Some("2026-03-27T17:00:00-04:00"), "{of_job}");

    // The same question, the same answer; another seed, another.
    assert_eq!(office.get("/v1/chances?runs=400&plan=published&seed=1").await.expect(200), answer);
    let by_id = format!("/v1/chances?runs=400&plan={}", draft["id"].as_str().unwrap());
    assert_eq!(office.get(&by_id).await.expect(200), answer);
    assert_ne!(office.get("/v1/chances?runs=400&seed=2").await.expect(200)["jobs"], answer["jobs"]);

    // A date that leaves no room is made in fewer runs, and the reply says what drives it.
    let mut job = office.get("/v1/jobs/linden-4-floors").await.expect(200);
    let planned = of_job["planned_finish"].clone();
    job["due"] = planned;
    let patch = json!({"due": job["due"]});
    office.patch("/v1/jobs/linden-4-floors", &patch).await.expect(200);
    let tight = office.get("/v1/chances?runs=400").await.expect(200);
    let of_job = &tight["jobs"][0];
    assert!((1.0..99.0).contains(&number(&of_job["in_time_percent"])), "{of_job}");
    let drivers = of_job["drivers"].as_array().unwrap();
    assert!(!drivers.is_empty() && drivers.iter().all(|driver| driver["what"].as_str().is_some()), "{of_job}");
    assert!(of_job["buffer_minutes"].as_i64().unwrap() > 0);
}

#[tokio::test]
async fn who_may_ask_and_what_is_refused() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let viewer = office.token(&json!({"name": "Owner", "role": "viewer"})).await;
    viewer.get("/v1/chances?runs=10").await.expect(200);
    let crew = office.token(&json!({"name": "North", "role": "crew", "crew": "north"})).await;
    crew.get("/v1/chances?runs=10").await.problem(403, "role-needed");
    for query in ["runs=0", "runs=10001", "runs=many", "seed=-1", "plan=published&more=1"] {
        office.get(&format!("/v1/chances?{query}")).await.problem(400, "bad-query");
    }
    for plan in ["nonsense", "01890000-0000-7000-8000-000000000000"] {
        office.get(&format!("/v1/chances?plan={plan}")).await.problem(404, "not-found");
    }
    let draft = office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
    let path = format!("/v1/plans/{}", draft["id"].as_str().unwrap());
    office.send(Method::POST, &format!("{path}/rejection"), &[("If-Match", "*")], None).await.expect(200);
    let rejected = office.get(&format!("/v1/chances?plan={}", draft["id"].as_str().unwrap())).await;
    assert_eq!(rejected.problem(409, "plan-outdated")["errors"][0]["code"], "plan-rejected");
}

/// The promise is held against what is known now: what is done is done, what is late is late.
#[tokio::test]
async fn chances_follow_the_days() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let before = office.get("/v1/chances?runs=200").await.expect(200)["jobs"][0].clone();
    // Nobody came on the first two days.
    app.clock.set(monday() + chrono::Duration::days(2));
    let late = office.get("/v1/chances?runs=200").await.expect(200)["jobs"][0].clone();
    assert_eq!(late["planned_finish"], before["planned_finish"]);
    assert!(late["finish_percent_50"].as_str() > before["finish_percent_95"].as_str(), "{late}");
    assert_eq!(number(&late["late_percent"]), 0.0, "there is still time: {late}");
    // Another house is opened that no plan knows yet.
    office.post("/v1/houses", &app::house("oak-1")).await.expect(201);
    office.post("/v1/jobs", &app::job("oak-1-floors", "oak-1")).await.expect(201);
    let both = office.get("/v1/chances?runs=200").await.expect(200);
    assert_eq!(both["jobs"][1]["unplaced_steps"], 3);
    assert_eq!(both["jobs"][1]["in_time_percent"], Value::Null);
    assert_eq!(both["houses"][1]["in_time_percent"], Value::Null);
    assert_eq!(both["jobs"][0], late);
    // The first is called off: the promise does not have to be made anew for the question.
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    let rest = office.get("/v1/chances?runs=200").await.expect(200);
    assert_eq!((rest["jobs"].as_array().unwrap().len(), &rest["jobs"][0]["job"]), (1, &json!("oak-1-floors")));
}

/// Records of the company's own weigh in: a failed check, and work that took twice as long.
#[tokio::test]
async fn experience_is_counted() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let none = json!({"check_tries": 0, "checks_failed": 0, "works": 0});
    let plan = office.publish().await;
    let first = office.get("/v1/chances?runs=10").await.expect(200);
    assert_eq!(first["experience"], none);
    assert_eq!(first["model"], json!({"dry_sigma": 0.2, "work_sigma": 0.15, "failed_check_percent": 15.0}));

    let placed = |step: &str| {
        let found = plan["placements"].as_array().unwrap().iter().find(|placed| placed["step"] == step);
        found.unwrap().clone()
    };
    let sand = placed("sand");
    let at = |text: &Value| chrono::DateTime::parse_from_rfc3339(text.as_str().unwrap()).unwrap();
    let (start, finish) = (at(&sand["start"]), at(&sand["finish"]));
    let actual = start + (finish - start) * 2;
    app.clock.set(actual.to_utc());
    record(
        &office,
        &json!({"step": "sand", "crew": sand["crew"], "outcome": "done",
        "started_at": start.to_rfc3339(), "finished_at": actual.to_rfc3339()}),
    )
    .await;
    let counted = office.get("/v1/chances?runs=10").await.expect(200);
    assert_eq!(counted["experience"], json!({"check_tries": 0, "checks_failed": 0, "works": 1}));
    // (30 x 0.15^2 + ln(2)^2) / 31
    assert_eq!(number(&counted["model"]["work_sigma"]), 0.193);

    // A job with a check that fails once and passes then.
    office.post("/v1/houses", &app::house("oak-1")).await.expect(201);
    let checked = json!({"key": "oak-1-check", "name": "Check", "house": "oak-1", "waits": [],
        "release": "2026-03-09T00:00:00-04:00",
        "steps": [{"key": "check", "name": "Check", "kind": "check", "minutes": 30, "recheck_after_minutes": 60}]});
    office.post("/v1/jobs", &checked).await.expect(201);
    for (hour, outcome) in [(1, "failed"), (3, "done")] {
        let start = actual + chrono::Duration::hours(hour);
        let finish = start + chrono::Duration::minutes(30);
        app.clock.set(finish.to_utc());
        let body = json!({"step": "check", "crew": "south", "outcome": outcome,
            "started_at": start.to_rfc3339(), "finished_at": finish.to_rfc3339()});
        office.post("/v1/jobs/oak-1-check/records", &body).await.expect(201);
    }
    let counted = office.get("/v1/chances?runs=10").await.expect(200);
    assert_eq!(counted["experience"], json!({"check_tries": 2, "checks_failed": 1, "works": 1}));
    // (3 + 1) / (20 + 2)
    assert_eq!(number(&counted["model"]["failed_check_percent"]), 18.2);
    // Another company's records are nobody's business.
    let other = app.company("Elsewhere Floors").await;
    other.post("/v1/crews", &app::crew("north")).await.expect(201);
    other.publish().await;
    assert_eq!(other.get("/v1/chances").await.expect(200)["experience"], none);
}
