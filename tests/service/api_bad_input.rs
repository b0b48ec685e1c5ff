//! Documents that cannot be used, each refused with a code, a place and a cure; and what is no fault and is explained all
//! the same.

use crate::common::app::{self, App, Caller, calendar, crew, equipment, house, job, small_office};
use reqwest::header;
use serde_json::{Value, json};

fn set(mut document: Value, pointer: &str, value: Value) -> Value {
    *document.pointer_mut(pointer).unwrap() = value;
    document
}

fn add(mut document: Value, name: &str, value: Value) -> Value {
    document[name] = value;
    document
}

#[tokio::test]
async fn chains_that_do_not_hold_together() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let chain = || job("bad", "linden-4");
    let cycle = json!({"from": "hand-over", "to": "sand"});
    let mut cyclic = chain();
    cyclic["waits"].as_array_mut().unwrap().push(cycle);
    for (document, code, pointer) in [
        (cyclic, "cycle", "/waits"),
        (set(chain(), "/waits/0/max/minutes", json!(0)), "max-below-min", "/waits/0"),
        (set(chain(), "/waits/0/to", json!("paint")), "unknown-step", "/waits/0/to"),
        (set(chain(), "/steps/2/key", json!("coat")), "duplicate-key", "/steps/2/key"),
        (
            set(chain(), "/steps/0/equipment", json!({"big-machin": 1})),
            "unknown-equipment",
            "/steps/0/equipment/big-machin",
        ),
        (set(chain(), "/steps/2/minutes", json!(0)), "out-of-range", "/steps/2/minutes"),
        (set(chain(), "/steps/2/minutes", json!(9_000_000)), "out-of-range", "/steps/2/minutes"),
        (set(chain(), "/steps/0/sqft_per_person_hour", json!(-3)), "out-of-range", "/steps/0/sqft_per_person_hour"),
        (set(set(chain(), "/steps", json!([])), "/waits", json!([])), "bad-chain-size", "/steps"),
        (add(chain(), "method", json!("screen-and-recoat")), "chain-given-once", ""),
        (set(chain(), "/house", json!("linden-5")), "unknown-house", "/house"),
        (set(chain(), "/release", json!("2026-03-09T00:00:30-04:00")), "seconds-in-instant", "/release"),
        (set(chain(), "/key", json!("no spaces")), "bad-key", "/key"),
        (set(chain(), "/key", json!("..")), "bad-key", "/key"),
    ] {
        // The longer maximum must be below the minimum to be refused.
        let document = if code == "max-below-min" { add_minimum(document) } else { document };
        office.post("/v1/jobs", &document).await.fault(code, pointer);
    }
    let unknown = json!({"key": "x", "name": "X", "house": "linden-4", "method": "nine-coats", "release": "2026-03-09T00:00:00Z"});
    office.post("/v1/jobs", &unknown).await.fault("unknown-method", "/method");
    assert_eq!(office.get("/v1/jobs").await.expect(200)["items"].as_array().unwrap().len(), 1);
}

fn add_minimum(mut document: Value) -> Value {
    document["waits"][0]["min_minutes"] = json!(60);
    document
}

#[tokio::test]
async fn nouns_that_make_no_sense() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    for (list, document, code, pointer) in [
        ("houses", set(house("h"), "/access", json!({"week": []})), "house-never-open", "/access"),
        ("houses", add(house("h"), "time_zone", json!("America/Gotham")), "unknown-zone", "/time_zone"),
        ("houses", add(house("h"), "time_zone", json!("x".repeat(100_000))), "unknown-zone", "/time_zone"),
        ("houses", set(house("h"), "/areas", json!([])), "no-areas", "/areas"),
        ("houses", set(house("h"), "/areas/0/area_sqft", json!(1_000_000)), "out-of-range", "/areas/0/area_sqft"),
        ("houses", set(house("h"), "/location/latitude_deg", json!(91)), "out-of-range", "/location/latitude_deg"),
        ("houses", set(house("h"), "/access", calendar("20:00", "06:00")), "bad-hours", "/access/week/0"),
        ("crews", set(crew("c"), "/calendar", json!({"week": []})), "crew-never-works", "/calendar"),
        ("crews", set(crew("c"), "/head_count", json!(0)), "out-of-range", "/head_count"),
        ("crews", add(crew("c"), "time_zone", json!("EST5")), "unknown-zone", "/time_zone"),
        ("equipment", set(equipment("e"), "/units", json!(-1)), "out-of-range", "/units"),
        ("equipment", set(equipment("e"), "/name", json!("")), "bad-name", "/name"),
    ] {
        office.post(&format!("/v1/{list}"), &document).await.fault(code, pointer);
    }
}

fn forecast(hours: impl Iterator<Item = i64>) -> Value {
    let start = |hour: i64| app::monday() + chrono::Duration::hours(hour);
    let hour = |hour: i64| json!({"start": start(hour).to_rfc3339(), "temp_c": 8.0, "rh_percent": 70.0});
    json!({"key": "coast", "name": "Coast", "forecast": {"hours": hours.map(hour).collect::<Vec<_>>()}})
}

#[tokio::test]
async fn forecasts_with_holes() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let path = "/v1/regions";
    office
        .post(path, &forecast((0..48).filter(|hour| !(10..20).contains(hour))))
        .await
        .fault("forecast-hole", "/forecast/hours/10/start");
    office
        .post(path, &forecast([0, 1, 2].into_iter().chain(2..40)))
        .await
        .fault("forecast-order", "/forecast/hours/3/start");
    office.post(path, &forecast(0..23)).await.fault("forecast-length", "/forecast/hours");
    office.post(path, &forecast(0..9_601)).await.fault("too-many", "/forecast/hours");
    let boiling = set(forecast(0..24), "/forecast/hours/7/temp_c", json!(100));
    office.post(path, &boiling).await.fault("out-of-range", "/forecast/hours/7/temp_c");
    // A short hole is filled.
    office.post(path, &forecast((0..48).filter(|hour| !(10..16).contains(hour)))).await.expect(201);
    let brought = forecast((0..48).filter(|hour| !(10..20).contains(hour)))["forecast"].clone();
    office.put("/v1/regions/coast/forecast", &brought).await.fault("forecast-hole", "/hours/10/start");
}

async fn raw(app: &App, office: &Caller, path: &str, media: &str, body: Vec<u8>) -> app::Answer {
    let request = app.http.post(format!("{}{path}", app.base)).bearer_auth(&office.token);
    let response = request.header(header::CONTENT_TYPE, media).body(body).send().await.unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    app::Answer { status, headers, text: response.text().await.unwrap() }
}

#[tokio::test]
async fn bodies_that_are_no_documents() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let json = "application/json";
    for (body, code, pointer) in [
        ("", "bad-json", ""),
        ("{", "bad-json", ""),
        ("{\"key\": \"k\", \"name\": \"n\", \"units\": 1} {}", "bad-json", ""),
        ("[]", "wrong-type", ""),
        ("[\"key\", \"name\", 3, true]", "wrong-type", ""),
        ("7", "wrong-type", ""),
        ("{\"key\": 7}", "wrong-type", "/key"),
        ("{\"key\": \"k\"}", "missing-field", ""),
        ("{\"key\": \"k\", \"name\": \"n\", \"units\": 1, \"colour\": \"red\"}", "unknown-field", "/colour"),
        ("{\"key\": \"k\", \"key\": \"k\"}", "duplicate-field", "/key"),
        ("{\"key\": \"k\", \"name\": \"n\\u0000\", \"units\": 1}", "nul-character", ""),
        ("{\"key\": \"k\", \"name\": \"n\", \"units\": 1e400}", "bad-json", ""),
    ] {
        let problem = raw(&app, &office, "/v1/equipment", json, body.into()).await.problem(400, "bad-json");
        let fault = &problem["errors"][0];
        assert_eq!(fault["code"], code, "{body}: {problem}");
        if code != "bad-json" && code != "duplicate-field" {
            assert_eq!(fault["pointer"], pointer, "{body}: {problem}");
        }
    }
    raw(&app, &office, "/v1/equipment", json, vec![0xff, 0xfe]).await.problem(400, "bad-json");
    let deep = "[".repeat(100_000);
    raw(&app, &office, "/v1/equipment", json, format!("{{\"key\": {deep}").into()).await.problem(400, "bad-json");
    for media in ["text/plain", "application/x-www-form-urlencoded", "", "multipart/form-data; boundary=x"] {
        raw(&app, &office, "/v1/equipment", media, b"{}".to_vec()).await.problem(415, "unsupported-media-type");
    }
    raw(&app, &office, "/v1/equipment", "application/json; charset=utf-8", b"{}".to_vec())
        .await
        .problem(400, "bad-json");
}

#[tokio::test]
async fn bodies_of_absurd_size() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let padded = |bytes: usize| {
        let mut body = serde_json::to_vec(&equipment("big")).unwrap();
        body.resize(bytes, b' ');
        body
    };
    let json = "application/json";
    raw(&app, &office, "/v1/equipment", json, padded((1 << 20) + 1)).await.problem(413, "body-too-large");
    raw(&app, &office, "/v1/equipment", json, padded(12 << 20)).await.problem(413, "body-too-large");
    raw(&app, &office, "/v1/equipment", json, padded(1 << 20)).await.expect(201);
    raw(&app, &office, "/v1/regions", json, padded(2 << 20)).await.problem(400, "bad-json");
    raw(&app, &office, "/v1/regions", json, padded((4 << 20) + 1)).await.problem(413, "body-too-large");
    let path = format!("/v1/equipment/{}", "k".repeat(20_000));
    office.get(&path).await.problem(404, "not-found");
}

#[tokio::test]
async fn absurd_plans_and_weeks_are_not_asked_for() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    office.post("/v1/plans", &json!({"move_budget": 100_001})).await.fault("out-of-range", "/move_budget");
    office.post("/v1/plans", &json!({"move_budget": -1})).await.problem(400, "bad-json");
    office.post("/v1/plans", &json!({"seed": 18_446_744_073_709_551_615u64})).await.expect(201);
    for bad in ["from=tomorrow", "days=x", "from=2026-02-30", "until=2026-03-01"] {
        office.get(&format!("/v1/week?{bad}")).await.problem(400, "bad-query");
    }
    for (bad, code, pointer) in [
        ("days=0", "out-of-range", "/days"),
        ("days=63", "out-of-range", "/days"),
        ("from=9999-12-31", "bad-date", "/from"),
        ("from=-200000-01-01", "bad-date", "/from"),
    ] {
        let problem = office.get(&format!("/v1/week?{bad}")).await.problem(400, "bad-query");
        assert_eq!((&problem["errors"][0]["code"], &problem["errors"][0]["pointer"]), (&json!(code), &json!(pointer)));
    }
    office.get("/v1/week?days=62").await.expect(200);
}

#[tokio::test]
async fn what_no_plan_can_place_is_warned_of_and_explained() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut long = job("long", "linden-4");
    long["steps"] = json!([{"key": "marathon", "name": "Marathon", "kind": "sand", "minutes": 900}]);
    long["waits"] = json!([]);
    let made = office.post("/v1/jobs", &long).await.expect(201);
    assert_eq!(made["warnings"][0]["code"], "longer-than-any-shift");
    assert!(made["warnings"][0]["what"].as_str().unwrap().contains("marathon"));
    let mut skilled = job("skilled", "linden-4");
    skilled["steps"] =
        json!([{"key": "inlay", "name": "Inlay", "kind": "other", "minutes": 60, "skills": ["marquetry"]}]);
    skilled["waits"] = json!([]);
    let made = office.post("/v1/jobs", &skilled).await.expect(201);
    assert_eq!(made["warnings"][0]["code"], "skill-nobody-has");
    let plan = office.post("/v1/plans", &json!({})).await.expect(201);
    let unplaced = plan["unplaced"].as_array().unwrap();
    let codes: Vec<&str> = unplaced.iter().map(|step| step["code"].as_str().unwrap()).collect();
    assert_eq!(codes, ["longer-than-any-shift", "no-crew-with-skills"]);
    for step in unplaced {
        assert!(!step["what"].as_str().unwrap().is_empty() && !step["cure"].as_str().unwrap().is_empty());
    }
    assert_eq!(plan["unplaced_steps"], 2);
    assert_eq!(plan["placements"].as_array().unwrap().len(), 3);
}
