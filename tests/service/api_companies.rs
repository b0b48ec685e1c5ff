//! Who founds companies, who comes in, and who no longer does.

use crate::common::app::{self, Caller, OPERATOR, crew};
use reqwest::Method;
use serde_json::{Value, json};
use tackfree::api::Settings;

fn company(name: &str) -> Value {
    json!({"name": name, "settings": {"time_zone": "America/New_York"}})
}

#[tokio::test]
async fn only_the_operator_founds_companies() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    for caller in [app.caller(""), app.caller("wrong"), office.clone()] {
        caller.post("/v1/companies", &company("X")).await.problem(401, "unauthenticated");
    }
    let operator = app.caller(OPERATOR);
    operator.get("/v1/company").await.problem(401, "unauthenticated");
    operator
        .post("/v1/companies", &json!({"name": " ", "settings": {"time_zone": "UTC"}}))
        .await
        .fault("bad-name", "/name");
    let mars = json!({"name": "X", "settings": {"time_zone": "Mars/Olympus"}});
    operator.post("/v1/companies", &mars).await.fault("unknown-zone", "/settings/time_zone");
}

#[tokio::test]
async fn without_an_operator_token_nobody_founds_companies() {
    let app = app::start_with(Settings { workers: Some(1), ..Settings::default() }).await;
    for token in ["", "x"] {
        app.caller(token).post("/v1/companies", &company("X")).await.problem(403, "operator-needed");
    }
}

#[tokio::test]
async fn founding_twice_with_one_key_founds_once() {
    let app = app::start().await;
    let operator = app.caller(OPERATOR);
    let found = |body: Value| {
        let operator = operator.clone();
        async move { operator.send(Method::POST, "/v1/companies", &[("Idempotency-Key", "f-1")], Some(&body)).await }
    };
    let first = found(company("Harrow Falls Floors")).await;
    let founded = first.expect(201);
    assert!(founded["token"]["secret"].is_string());
    let second = found(company("Harrow Falls Floors")).await;
    assert_eq!(second.header("idempotency-replayed"), "true");
    let again = second.expect(201);
    assert_eq!((&again["id"], &again["token"]["id"]), (&founded["id"], &founded["token"]["id"]));
    assert!(again["token"].get("secret").is_none(), "secrets are told once");
    found(company("Other Floors")).await.problem(422, "idempotency-other-request");

    // Whoever lost the first token asks the operator for another.
    let path = format!("/v1/companies/{}/tokens", founded["id"].as_str().unwrap());
    let token = operator.send(Method::POST, &path, &[], None).await.expect(201);
    let office = app.caller(token["secret"].as_str().unwrap());
    assert_eq!(office.get("/v1/company").await.expect(200)["id"], founded["id"]);
    let nowhere = "/v1/companies/01a21234-b77c-72db-ac68-1c0a408ffedc/tokens";
    operator.send(Method::POST, nowhere, &[], None).await.problem(404, "not-found");
}

#[tokio::test]
async fn a_company_changes_its_settings() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let shown = office.get("/v1/company").await;
    let mut body = shown.expect(200);
    body.as_object_mut().unwrap().remove("id");
    body["settings"]["freeze_minutes"] = json!(60);
    office.send(Method::PUT, "/v1/company", &[], Some(&body)).await.problem(428, "precondition-required");
    let changed = office.send(Method::PUT, "/v1/company", &[("If-Match", shown.etag())], Some(&body)).await;
    assert_eq!(changed.expect(200)["settings"]["freeze_minutes"], 60);
    office.send(Method::PUT, "/v1/company", &[("If-Match", shown.etag())], Some(&body)).await.problem(412, "stale");
    body["settings"]["horizon_days"] = json!(4_000);
    office.put("/v1/company", &body).await.fault("out-of-range", "/settings/horizon_days");
}

#[tokio::test]
async fn tokens_are_made_listed_and_taken_back() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    office.post("/v1/crews", &crew("north")).await.expect(201);
    let body = json!({"name": "phone", "role": "crew", "crew": "north", "expires_at": "2036-01-01T00:00:00Z"});
    let made = office.send(Method::POST, "/v1/tokens", &[("Idempotency-Key", "t")], Some(&body)).await.expect(201);
    let again = office.send(Method::POST, "/v1/tokens", &[("Idempotency-Key", "t")], Some(&body)).await.expect(201);
    assert_eq!(again["id"], made["id"]);
    assert!(made["secret"].is_string() && again.get("secret").is_none());
    let listed = office.get("/v1/tokens").await;
    assert_eq!(listed.expect(200)["items"].as_array().unwrap().len(), 2);
    assert!(!listed.text.contains(made["secret"].as_str().unwrap()));
    let phone: Caller = app.caller(made["secret"].as_str().unwrap());
    phone.get("/v1/crews").await.expect(200);
    for _ in 0..2 {
        office.delete(&format!("/v1/tokens/{}", made["id"].as_str().unwrap())).await.expect(204);
    }
    phone.get("/v1/crews").await.problem(401, "unauthenticated");

    let expired = json!({"name": "old", "role": "viewer", "expires_at": "2020-01-01T00:00:00Z"});
    let old = office.token(&expired).await;
    old.get("/v1/crews").await.problem(401, "unauthenticated");
    for (body, code, pointer) in [
        (json!({"name": "x", "role": "crew"}), "contradiction", "/crew"),
        (json!({"name": "x", "role": "viewer", "crew": "north"}), "contradiction", "/crew"),
        (json!({"name": "x", "role": "crew", "crew": "south"}), "unknown-crew", "/crew"),
        (json!({"name": "", "role": "viewer"}), "bad-name", "/name"),
        (json!({"name": "x", "role": "viewer", "expires_at": "soon"}), "bad-instant", "/expires_at"),
    ] {
        office.post("/v1/tokens", &body).await.fault(code, pointer);
    }
    office.post("/v1/tokens", &json!({"name": "x", "role": "boss"})).await.problem(400, "bad-json");
}

#[tokio::test]
async fn calendar_addresses_say_whose_they_are() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    office.post("/v1/crews", &crew("north")).await.expect(201);
    for (body, code, pointer) in [
        (json!({"kind": "crew"}), "contradiction", "/crew"),
        (json!({"kind": "house", "crew": "north"}), "contradiction", "/house"),
        (json!({"kind": "office", "crew": "north"}), "contradiction", "/kind"),
        (json!({"kind": "customer", "house": "none"}), "unknown-house", "/house"),
    ] {
        office.post("/v1/feeds", &body).await.fault(code, pointer);
    }
    let made = office.post("/v1/feeds", &json!({"kind": "crew", "crew": "north"})).await.expect(201);
    let listed = office.get("/v1/feeds").await;
    assert_eq!(listed.expect(200)["items"][0]["crew"], "north");
    let address = made["address"].as_str().unwrap();
    assert!(!listed.text.contains(address));
    let empty = app.caller("").get(address).await;
    assert!(empty.status == 200 && empty.text.starts_with("BEGIN:VCALENDAR\r\n") && empty.text.contains("Crew north"));
}
