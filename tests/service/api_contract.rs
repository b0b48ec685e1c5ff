//! The OpenAPI document against the running application: every operation with no token, with each role, and with another
//! company's token; every address with methods it does not take.

use crate::common::app::{self, App, Caller, small_office};
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::BTreeSet;

const COMMITTED: &str = "openapi/openapi.json";

fn generated() -> Value {
    serde_json::to_value(tackfree::api::openapi()).unwrap()
}

/// An operation of the document.
struct Operation {
    method: Method,
    path: String,
    roles: Vec<String>,
    has_body: bool,
    conditional: bool,
}

fn operations() -> Vec<Operation> {
    let document = generated();
    let mut all = Vec::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let text = |value: &Value| value.as_str().unwrap().to_owned();
            let parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
            all.push(Operation {
                method: Method::from_bytes(method.to_uppercase().as_bytes()).unwrap(),
                path: path.clone(),
                roles: operation["x-roles"].as_array().iter().flat_map(|roles| roles.iter()).map(text).collect(),
                has_body: operation.get("requestBody").is_some(),
                conditional: parameters.iter().any(|parameter| parameter["name"] == "If-Match"),
            });
        }
    }
    assert!(all.len() > 40, "only {} operations", all.len());
    all
}

impl Operation {
    /// With parameters that exist in `small_office`.
    fn address(&self, plan: &str) -> String {
        let key = match self.path.split('/').nth(2) {
            Some("houses") => "linden-4",
            Some("crews") => "north",
            Some("equipment") => "big-machine",
            Some("methods") => "own-method",
            Some("regions") => "coast",
            _ => "linden-4-floors",
        };
        self.path
            .replace("{key}", key)
            .replace("{id}", plan)
            .replace("{code}", "stale")
            .replace("{secret}", "x")
            .replace("{delivery}", plan)
    }

    async fn send(&self, caller: &Caller, plan: &str) -> app::Answer {
        // An absurd version: nothing is changed by those who may.
        let headers: &[(&str, &str)] = if self.conditional { &[("If-Match", "\"999\"")] } else { &[] };
        let body = json!([]);
        let body = self.has_body.then_some(&body);
        caller.send(self.method.clone(), &self.address(plan), headers, body).await
    }
}

async fn office_with_everything(app: &App) -> (Caller, String) {
    let office = small_office(app).await;
    let method = json!({"key": "own-method", "name": "Own", "steps": app::steps(), "waits": app::waits()});
    office.post("/v1/methods", &method).await.expect(201);
    office.post("/v1/regions", &region("coast")).await.expect(201);
    let draft = office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
    (office, draft["id"].as_str().unwrap().to_owned())
}

fn region(key: &str) -> Value {
    let hour = |hour: u32| json!({"start": format!("2026-03-09T{hour:02}:00:00Z"), "temp_c": 9.5, "rh_percent": 60});
    json!({"key": key, "name": "Coast", "forecast": {"hours": (0..24).map(hour).collect::<Vec<_>>()}})
}

/// `TACKFREE_BLESS=1` writes what is generated.
#[test]
fn the_committed_document_is_what_the_code_says() {
    let text = tackfree::api::openapi().to_pretty_json().unwrap() + "\n";
    if std::env::var_os("TACKFREE_BLESS").is_some() {
        std::fs::write(COMMITTED, &text).unwrap();
    }
    let committed = std::fs::read_to_string(COMMITTED).unwrap_or_default();
    assert!(committed == text, "{COMMITTED} is not what the code says: run `tackfree openapi > {COMMITTED}`");
    let printed = std::process::Command::new(env!("CARGO_BIN_EXE_tackfree")).arg("openapi").output().unwrap();
    assert!(printed.stdout == text.as_bytes(), "`tackfree openapi` prints another document");
}

#[test]
fn operations_have_distinct_names_and_say_who_may() {
    let document = generated();
    let mut names = BTreeSet::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            assert!(names.insert(operation["operationId"].to_string()), "{method} {path}");
            let secured = operation["security"].as_array().is_some_and(|list| !list.is_empty());
            assert_eq!(secured, operation["x-roles"].is_array(), "{method} {path} says who may");
            assert!(operation["tags"].as_array().is_some_and(|tags| tags.len() == 1), "{method} {path}");
        }
    }
    assert_eq!(document["openapi"], "3.1.0");
}

#[tokio::test]
async fn nothing_is_done_without_a_token() {
    let app = app::start().await;
    for operation in operations().iter().filter(|operation| !operation.roles.is_empty()) {
        for token in ["", "tf_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", "nonsense"] {
            let answer = operation.send(&app.caller(token), "x").await;
            answer.problem(401, "unauthenticated");
            assert!(answer.header("www-authenticate").starts_with("Bearer realm="));
        }
    }
}

#[tokio::test]
async fn each_role_does_what_the_document_says_and_no_more() {
    let app = app::start().await;
    let (office, plan) = office_with_everything(&app).await;
    let crew = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    for (role, caller) in [("office", office), ("crew", crew), ("viewer", viewer)] {
        for operation in operations() {
            let named = format!("{role}: {} {}", operation.method, operation.path);
            if operation.roles == ["operator"] {
                operation.send(&caller, &plan).await.problem(401, "unauthenticated");
                continue;
            }
            let answer = operation.send(&caller, &plan).await;
            if operation.roles.is_empty() || operation.roles.iter().any(|allowed| allowed == role) {
                assert!(!matches!(answer.status.as_u16(), 401 | 403 | 500..), "{named}: {}", answer.text);
            } else {
                let problem = answer.problem(403, "role-needed");
                assert!(problem["detail"].as_str().unwrap().contains("office"), "{named}: {}", answer.text);
            }
        }
    }
}

/// Phones ask again and again: what they have already is not sent again, and the document says so.
#[tokio::test]
async fn whoever_has_it_already_is_told_so() {
    let app = app::start().await;
    let (office, plan) = office_with_everything(&app).await;
    let document = generated();
    let looks = |operation: &&Operation| {
        // A stream has no state to compare, and exports are written while they are read.
        let stream = operation.path == "/v1/stream" || operation.path.starts_with("/v1/export");
        operation.method == Method::GET && !stream && operation.roles.iter().any(|role| role == "office")
    };
    for operation in operations().iter().filter(looks) {
        let answer = operation.send(&office, &plan).await;
        if answer.status == 404 {
            continue;
        }
        let etag = answer.etag().to_owned();
        let address = operation.address(&plan);
        let again = office.send(Method::GET, &address, &[("If-None-Match", &etag)], None).await;
        assert_eq!((again.status.as_u16(), again.text.as_str(), again.etag()), (304, "", etag.as_str()), "{address}");
        let told = &document["paths"][&operation.path]["get"]["responses"];
        assert!(told.get("304").is_some(), "{} does not say so: {told}", operation.path);
    }
}

#[tokio::test]
async fn what_is_asked_about_must_be_there_and_the_document_says_so() {
    let app = app::start().await;
    let office = small_office(&app).await;
    // Events may come before their job: a key that nothing can have is all that is refused.
    for (path, query) in [("/v1/jobs", "house=nowhere"), ("/v1/events", "job=")] {
        office.get(&format!("{path}?{query}")).await.problem(404, "not-found");
        assert!(generated()["paths"][path]["get"]["responses"]["404"].is_object(), "{path}");
    }
}

#[tokio::test]
async fn another_company_sees_nothing() {
    let app = app::start().await;
    let (_, plan) = office_with_everything(&app).await;
    let other = app.company("Others").await;
    for operation in operations().iter().filter(|operation| operation.roles.iter().any(|role| role == "office")) {
        let named = format!("{} {}", operation.method, operation.path);
        let answer = operation.send(&other, &plan).await;
        let status = answer.status.as_u16();
        match (operation.path.contains('{'), operation.has_body) {
            // What is sent is read before anybody looks for what it is about.
            (true, true) => assert!(matches!(status, 400 | 404 | 422), "{named}: {}", answer.text),
            (true, false) => drop(answer.problem(404, "not-found")),
            (false, _) if operation.method == Method::GET => {
                assert!(!answer.text.contains("linden-4"), "{named}: {}", answer.text);
            }
            (false, _) => assert!((400..500).contains(&status), "{named}: {}", answer.text),
        }
    }
    // With good bodies, too.
    let put = |path: &'static str, body: Value| {
        let other = other.clone();
        async move { other.put(path, &body).await.problem(404, "not-found") }
    };
    put("/v1/houses/linden-4", app::house("linden-4")).await;
    put("/v1/crews/north", app::crew("north")).await;
    put("/v1/equipment/big-machine", app::equipment("big-machine")).await;
    put("/v1/regions/coast", region("coast")).await;
    other.patch("/v1/jobs/linden-4-floors", &json!({"name": "Mine"})).await.problem(404, "not-found");
    let report = json!({"step": "sand", "crew": "north", "outcome": "running", "started_at": "2026-03-09T05:00:00Z"});
    other.post("/v1/jobs/linden-4-floors/records", &report).await.problem(404, "not-found");
    other.post("/v1/jobs", &app::job("theirs", "linden-4")).await.fault("unknown-house", "/house");
}

#[tokio::test]
async fn wrong_methods_and_wrong_addresses_are_told_apart() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let known: Vec<Operation> = operations();
    for operation in &known {
        let taken: BTreeSet<&Method> =
            known.iter().filter(|other| other.path == operation.path).map(|other| &other.method).collect();
        for method in [Method::GET, Method::POST, Method::PUT, Method::PATCH, Method::DELETE] {
            if taken.contains(&method) {
                continue;
            }
            let answer = office.send(method.clone(), &operation.address("x"), &[], None).await;
            answer.problem(405, "method-not-allowed");
            let allowed = answer.header("allow");
            assert!(taken.iter().all(|method| allowed.contains(method.as_str())), "{allowed}");
        }
    }
    for path in ["/v1", "/v1/", "/v1/dogs", "/v1/houses/", "/v1/houses/a/b", "/v2/houses", "/feeds/", "/feeds/x"] {
        office.get(path).await.problem(404, "unknown-path");
    }
    for path in
        ["/v1/houses/%00", "/v1/houses/%20", "/v1/houses/%C3%A4", "/v1/plans/1", "/v1/jobs/'", "/feeds/.ics.ics"]
    {
        office.get(path).await.problem(404, "not-found");
    }
}

#[tokio::test]
async fn the_server_tells_about_itself() {
    let app = app::start().await;
    let nobody = app.caller("");
    nobody.get("/healthz").await.expect(200);
    nobody.get("/readyz").await.expect(200);
    assert_eq!(nobody.get("/openapi.json").await.expect(200), generated());
    let docs = nobody.get("/docs").await;
    assert_eq!(docs.status, 200);
    assert!(docs.text.contains("swagger-ui") && !docs.text.contains("https://"), "{}", docs.text);
    let kinds = nobody.get("/problems/").await.expect(200);
    assert_eq!(kinds.as_array().unwrap().len(), tackfree::api::PROBLEMS.len());
    for kind in tackfree::api::PROBLEMS {
        let page = nobody.get(&format!("/problems/{}", kind.code)).await.expect(200);
        assert_eq!(page["title"], kind.title);
    }
    let page = nobody.send(Method::GET, "/problems/stale", &[("Accept", "text/html")], None).await;
    assert!(page.header("content-type").starts_with("text/html") && page.text.contains("<h1>"));
    for name in ["x-content-type-options", "referrer-policy", "cache-control", "x-request-id"] {
        page.header(name);
        nobody.get("/v1/houses").await.header(name);
    }
    let head = nobody.send(Method::HEAD, "/healthz", &[], None).await;
    assert_eq!((head.status.as_u16(), head.text.as_str()), (200, ""));
}
