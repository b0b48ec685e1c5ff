//! Houses, crews, equipment, methods and regions: made, listed, changed, put away; versions, pages, repeated requests.

use crate::common::app::{self, Caller, crew, equipment, house, job, small_office};
use reqwest::Method;
use serde_json::{Value, json};

fn region(key: &str) -> Value {
    let hour = |hour: u32| json!({"start": format!("2026-03-09T{hour:02}:00:00Z"), "temp_c": 9.5, "rh_percent": 60});
    json!({"key": key, "name": "Coast", "forecast": {"hours": (0..24).map(hour).collect::<Vec<_>>()}})
}

fn method(key: &str) -> Value {
    let step = json!({"key": "coat", "name": "Coat", "kind": "coat", "minutes": 60});
    json!({"key": key, "name": "One coat", "steps": [step]})
}

async fn post_twice(office: &Caller, path: &str, key: &str, body: &Value) -> (app::Answer, app::Answer) {
    let headers = [("Idempotency-Key", key)];
    let send = || office.send(Method::POST, path, &headers, Some(body));
    (send().await, send().await)
}

#[tokio::test]
async fn every_noun_is_made_shown_changed_and_put_away() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    for (list, document) in [
        ("houses", house("a-1")),
        ("crews", crew("a-1")),
        ("equipment", equipment("a-1")),
        ("methods", method("a-1")),
        ("regions", region("a-1")),
    ] {
        let (base, path) = (format!("/v1/{list}"), format!("/v1/{list}/a-1"));
        let made = office.post(&base, &document).await;
        made.expect(201);
        assert_eq!((made.header("location"), made.etag()), (path.as_str(), "\"1\""));
        office.post(&base, &document).await.problem(409, "key-taken");

        let shown = office.get(&path).await;
        let mut body = shown.expect(200);
        assert_eq!((body["key"].as_str(), shown.etag()), (Some("a-1"), "\"1\""));
        shown.header("last-modified");
        let again = office.send(Method::GET, &path, &[("If-None-Match", shown.etag())], None).await;
        assert_eq!((again.status.as_u16(), again.text.as_str()), (304, ""));

        // What is read can be sent back.
        body["name"] = json!("Changed");
        office.send(Method::PUT, &path, &[], Some(&body)).await.problem(428, "precondition-required");
        let changed = office.send(Method::PUT, &path, &[("If-Match", "\"1\"")], Some(&body)).await;
        assert_eq!((changed.expect(200)["name"].as_str(), changed.etag()), (Some("Changed"), "\"2\""));
        let stale = office.send(Method::PUT, &path, &[("If-Match", "\"1\"")], Some(&body)).await;
        stale.problem(412, "stale");
        assert_eq!(stale.etag(), "\"2\"");
        body["key"] = json!("a-2");
        office.put(&path, &body).await.fault("key-is-fixed", "/key");

        let listed = office.get(&base).await.expect(200);
        assert_eq!(listed["items"][0]["name"], "Changed");
        office.send(Method::DELETE, &path, &[("If-Match", "\"1\"")], None).await.problem(412, "stale");
        office.delete(&path).await.expect(204);
        office.get(&path).await.problem(404, "not-found");
        office.put(&path, &document).await.problem(404, "not-found");
        // The key is free again.
        office.post(&base, &document).await.expect(201);
    }
}

#[tokio::test]
async fn pages_follow_each_other_by_link() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    for number in 0..7 {
        office.post("/v1/equipment", &equipment(&format!("gear-{number}"))).await.expect(201);
    }
    let mut path = "/v1/equipment?limit=3".to_owned();
    let mut seen = Vec::new();
    let mut pages = 0;
    loop {
        let page = office.get(&path).await;
        seen.extend(page.expect(200)["items"].as_array().unwrap().iter().map(|item| item["key"].clone()));
        pages += 1;
        let Some(link) = page.headers.get("link") else { break };
        let link = link.to_str().unwrap();
        path = link.strip_prefix('<').and_then(|rest| rest.strip_suffix(">; rel=\"next\"")).unwrap().to_owned();
        assert!(path.contains("limit=3"), "{path}");
    }
    assert_eq!(pages, 3);
    assert_eq!(seen, (0..7).map(|number| json!(format!("gear-{number}"))).collect::<Vec<_>>());
    for bad in [
        "limit=0",
        "limit=201",
        "limit=x",
        "after=x",
        "after=AAAA",
        "after=cAAAAAAAAAAB",
        "offset=3",
        "limit=1&limit=2",
    ] {
        office.get(&format!("/v1/equipment?{bad}")).await.problem(400, "bad-query");
    }
}

#[tokio::test]
async fn methods_that_come_with_the_program_are_listed_last_and_not_changed() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    office.post("/v1/methods", &method("one-coat")).await.expect(201);
    let mut path = "/v1/methods?limit=2".to_owned();
    let mut seen: Vec<(String, bool)> = Vec::new();
    loop {
        let page = office.get(&path).await;
        for item in page.expect(200)["items"].as_array().unwrap() {
            seen.push((item["key"].as_str().unwrap().into(), item["built_in"].as_bool().unwrap()));
        }
        let Some(link) = page.headers.get("link") else { break };
        path = link.to_str().unwrap().trim_start_matches('<').split('>').next().unwrap().to_owned();
    }
    assert_eq!(seen[0], ("one-coat".to_owned(), false));
    assert_eq!(seen.iter().filter(|(_, built_in)| *built_in).count(), tackfree::dto::built_in_methods().len());

    let shown = office.get("/v1/methods/screen-and-recoat").await;
    let mut own = shown.expect(200);
    office.put("/v1/methods/screen-and-recoat", &own).await.problem(409, "built-in-method");
    office.delete("/v1/methods/screen-and-recoat").await.problem(409, "built-in-method");
    // Its gear must be there before it is the company's own.
    office.post("/v1/methods", &own).await.fault("unknown-equipment", "/steps/2/equipment/buffer");
    office.post("/v1/equipment", &equipment("buffer")).await.expect(201);
    own["name"] = json!("Screen and recoat, our way");
    office.post("/v1/methods", &own).await.expect(201);
    assert_eq!(office.get("/v1/methods/screen-and-recoat").await.expect(200)["name"], own["name"]);
    office.delete("/v1/equipment/buffer").await.problem(409, "in-use");
    office.delete("/v1/methods/screen-and-recoat").await.expect(204);
    assert_ne!(office.get("/v1/methods/screen-and-recoat").await.expect(200)["name"], own["name"]);
}

#[tokio::test]
async fn what_is_in_use_is_not_put_away() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.delete("/v1/houses/linden-4").await.problem(409, "in-use");
    let problem = office.delete("/v1/equipment/big-machine").await.problem(409, "in-use");
    assert!(problem["detail"].as_str().unwrap().contains("linden-4-floors"), "{problem}");
    office.post("/v1/regions", &region("coast")).await.expect(201);
    let mut linden = office.get("/v1/houses/linden-4").await.expect(200);
    linden["region"] = json!("coast");
    office.put("/v1/houses/linden-4", &linden).await.expect(200);
    office.delete("/v1/regions/coast").await.problem(409, "in-use");
    linden["region"] = json!("cost");
    office.put("/v1/houses/linden-4", &linden).await.fault("unknown-region", "/region");
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    office.delete("/v1/houses/linden-4").await.expect(204);
    office.delete("/v1/regions/coast").await.expect(204);
}

#[tokio::test]
async fn a_house_keeps_what_its_jobs_need() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut own = job("hall-only", "linden-4");
    own["steps"][1]["areas"] = json!(["Hall"]);
    office.post("/v1/jobs", &own).await.expect(201);
    let mut linden = office.get("/v1/houses/linden-4").await.expect(200);
    linden["areas"] = json!([{"name": "Living room", "area_sqft": 300}]);
    let problem = office.put("/v1/houses/linden-4", &linden).await.fault("unknown-area", "/areas");
    assert!(problem["detail"].as_str().unwrap().contains("hall-only"), "{problem}");
    office.patch("/v1/jobs/hall-only", &json!({"status": "finished"})).await.expect(200);
    office.put("/v1/houses/linden-4", &linden).await.expect(200);
}

#[tokio::test]
async fn forecasts_are_brought_on_their_own() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    office.post("/v1/regions", &region("coast")).await.expect(201);
    let shown = office.get("/v1/regions/coast/forecast").await;
    let mut forecast = shown.expect(200);
    forecast["hours"][3]["temp_c"] = json!(-4.25);
    let path = "/v1/regions/coast/forecast";
    office.send(Method::PUT, path, &[], Some(&forecast)).await.problem(428, "precondition-required");
    let changed = office.send(Method::PUT, path, &[("If-Match", shown.etag())], Some(&forecast)).await;
    changed.expect(200);
    office.send(Method::PUT, path, &[("If-Match", shown.etag())], Some(&forecast)).await.problem(412, "stale");
    let region = office.get("/v1/regions/coast").await;
    assert_eq!((region.expect(200)["forecast"].clone(), region.etag()), (forecast, changed.etag()));
    let listed = office.get("/v1/regions").await.expect(200);
    assert_eq!(listed["items"][0]["forecast_hours"], 24);
    assert!(listed["items"][0].get("forecast").is_none());
}

#[tokio::test]
async fn a_repeated_request_is_answered_again_and_not_done_again() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let (first, second) = post_twice(&office, "/v1/crews", "k-1", &crew("north")).await;
    assert_eq!((first.status.as_u16(), second.status.as_u16()), (201, 201));
    assert_eq!(
        (&first.text, first.etag(), first.header("location")),
        (&second.text, second.etag(), second.header("location"))
    );
    assert_eq!(second.header("idempotency-replayed"), "true");
    assert!(first.headers.get("idempotency-replayed").is_none());
    office
        .send(Method::POST, "/v1/crews", &[("Idempotency-Key", "k-1")], Some(&crew("south")))
        .await
        .problem(422, "idempotency-other-request");
    office
        .send(Method::POST, "/v1/houses", &[("Idempotency-Key", "k-1")], Some(&crew("north")))
        .await
        .problem(400, "bad-json");
    // A refusal is not kept: mended, the request may use its key.
    let (refused, again) = post_twice(&office, "/v1/crews", "k-2", &crew("north")).await;
    refused.problem(409, "key-taken");
    again.problem(409, "key-taken");
    office.delete("/v1/crews/north").await.expect(204);
    let (made, replayed) = post_twice(&office, "/v1/crews", "k-2", &crew("north")).await;
    made.expect(201);
    assert_eq!(replayed.header("idempotency-replayed"), "true");
    for bad in ["", "\"\"", "x\ty"] {
        let answer = office.send(Method::POST, "/v1/crews", &[("Idempotency-Key", bad)], Some(&crew("east"))).await;
        answer.problem(400, "bad-header");
    }
    // Another token of the company has keys of its own.
    let other = office.token(&json!({"name": "second", "role": "office"})).await;
    let answer = other.send(Method::POST, "/v1/crews", &[("Idempotency-Key", "k-1")], Some(&crew("west"))).await;
    answer.expect(201);
}
