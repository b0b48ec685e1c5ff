//! Who may do what, and what becomes of a request that comes late or twice: every operation of the OpenAPI document with
//! every case that can befall it, asked of the running application. `docs/who-may.md` is the table of what came of it;
//! `TACKFREE_BLESS=1` writes it anew. An operation without a good request here fails the test.

use crate::common::app::{self, Answer, App, Caller, OPERATOR, small_office};
use crate::common::receiver::Receiver;
use reqwest::Method;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::time::Duration;
use tackfree::worker::{Deliver, Outcome, Task as _};

const TABLE: &str = "docs/who-may.md";
/// Asks the network, and there is none here: what it does when it comes twice is in `forecast_fetch`.
const NOT_TWICE: &[&str] = &["POST /v1/regions/{key}/forecast/fetch"];
/// Change something, take neither If-Match nor Idempotency-Key, and are the same done once or twice: events carry an
/// identifier of their own, what is taken back stays taken back, and the others only compute.
const SAME_TWICE: &[&str] = &[
    "POST /v1/events",
    "DELETE /v1/feeds/{id}",
    "DELETE /v1/tokens/{id}",
    "POST /v1/jobs/{key}/treatment-plan",
    "POST /v1/promises",
    "POST /v1/what-ifs",
];

struct Operation {
    method: Method,
    path: String,
    roles: Vec<String>,
    conditional: bool,
    keyed: bool,
    has_body: bool,
}

fn operations() -> Vec<Operation> {
    let document = serde_json::to_value(tackfree::api::openapi()).unwrap();
    let mut all = Vec::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let takes = |name: &str| {
                let parameters = operation["parameters"].as_array();
                parameters.is_some_and(|all| all.iter().any(|parameter| parameter["name"] == name))
            };
            let roles = operation["x-roles"].as_array().cloned().unwrap_or_default();
            all.push(Operation {
                method: Method::from_bytes(method.to_uppercase().as_bytes()).unwrap(),
                path: path.clone(),
                roles: roles.iter().map(|role| role.as_str().unwrap().to_owned()).collect(),
                conditional: takes("If-Match"),
                keyed: takes("Idempotency-Key"),
                has_body: operation.get("requestBody").is_some(),
            });
        }
    }
    all
}

impl Operation {
    fn name(&self) -> String {
        format!("{} {}", self.method, self.path)
    }
}

/// What is sent.
#[derive(Clone)]
struct Good {
    path: String,
    body: Option<Value>,
    /// Comma-separated values instead.
    table: Option<&'static str>,
}

async fn send(caller: &Caller, operation: &Operation, good: &Good, headers: &[(&str, &str)], other: bool) -> Answer {
    let bare = other && good.body.is_none() && good.table.is_none();
    let url = format!("{}{}{}", caller.base(), good.path, if bare { "?other=1" } else { "" });
    let mut request = caller.http().request(operation.method.clone(), url);
    if !caller.token.is_empty() {
        request = request.bearer_auth(&caller.token);
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    if let Some(table) = good.table {
        let table = if other { format!("{table}\n") } else { table.to_owned() };
        request = request.header("content-type", "text/csv").body(table);
    } else if let Some(body) = &good.body {
        // Another request, though it says the same.
        let text = body.to_string() + if other { " " } else { "" };
        request = request.header("content-type", "application/json").body(text);
    }
    Answer::of(request.send().await.unwrap()).await
}

/// What good requests are about.
struct Stage {
    app: App,
    office: Caller,
    plan: String,
    feed: String,
    hook: String,
    delivery: String,
    company: String,
    _receiver: Receiver,
}

fn region(key: &str) -> Value {
    let hour = |hour: u32| json!({"start": format!("2026-03-09T{hour:02}:00:00Z"), "temp_c": 9.5, "rh_percent": 60});
    json!({"key": key, "name": "Coast", "forecast": {"hours": (0..24).map(hour).collect::<Vec<_>>()}})
}

fn method(key: &str) -> Value {
    json!({"key": key, "name": "Own", "steps": app::steps(), "waits": app::waits()})
}

impl Stage {
    async fn set() -> Stage {
        let app = app::start().await;
        let office = small_office(&app).await;
        for (list, document) in [
            ("methods", method("own")),
            ("regions", region("coast")),
            ("houses", app::house("old-house")),
            ("crews", app::crew("old-crew")),
            ("equipment", app::equipment("old-machine")),
            ("methods", method("old-method")),
            ("regions", region("old-region")),
        ] {
            office.post(&format!("/v1/{list}"), &document).await.expect(201);
        }
        office.put("/v1/jobs/linden-4-floors/pins/coat", &json!({"crew": "south"})).await.expect(200);
        let receiver = Receiver::start().await;
        let hook = office.post("/v1/webhooks", &json!({"address": receiver.address, "types": []})).await.expect(201);
        office.publish().await;
        let plan = office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
        let deliver = Deliver::patient(&app.service(), Duration::from_millis(300));
        while deliver.try_once().await.unwrap() == Outcome::Worked {}
        let text = |value: &Value| value.as_str().unwrap().to_owned();
        let hook = text(&hook["id"]);
        let sent = office.get(&format!("/v1/webhooks/{hook}/deliveries")).await.expect(200);
        let feed = office.post("/v1/feeds", &json!({"kind": "house", "house": "linden-4"})).await.expect(201);
        let company = app.test.store.find_token(&office.token).await.unwrap().unwrap().company.0.to_string();
        let (plan, feed, delivery) = (text(&plan["id"]), text(&feed["id"]), text(&sent["items"][0]["id"]));
        Stage { app, office, plan, feed, hook, delivery, company, _receiver: receiver }
    }

    /// A request that is good when it is sent by whoever may; about something of its own where it makes an end of it.
    async fn good(&self, operation: &Operation) -> Good {
        let name = operation.name();
        let draft = async || {
            let draft = self.office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
            draft["id"].as_str().unwrap().to_owned()
        };
        let token = async || {
            self.office.post("/v1/tokens", &json!({"name": "x", "role": "viewer"})).await.expect(201)["id"].clone()
        };
        let mut table = None;
        let mut id = None;
        let body = match name.as_str() {
            "POST /v1/companies" => Some(json!({"name": "Else", "settings": {"time_zone": "America/New_York"}})),
            "POST /v1/companies/{id}/tokens" => {
                id = Some(self.company.clone());
                None
            }
            "PUT /v1/company" => {
                let company = self.office.get("/v1/company").await.expect(200);
                Some(json!({"name": "Renamed", "settings": company["settings"]}))
            }
            "POST /v1/houses" => Some(app::house("new")),
            "POST /v1/crews" => Some(app::crew("new")),
            "POST /v1/equipment" => Some(app::equipment("new")),
            "POST /v1/methods" => Some(method("new")),
            "POST /v1/regions" => Some(region("new")),
            "POST /v1/jobs" => Some(app::job("new", "linden-4")),
            "PUT /v1/houses/{key}" => Some(app::house("linden-4")),
            "PUT /v1/crews/{key}" => Some(app::crew("north")),
            "PUT /v1/equipment/{key}" => Some(app::equipment("big-machine")),
            "PUT /v1/methods/{key}" => Some(method("own")),
            "PUT /v1/regions/{key}" => Some(region("coast")),
            "PUT /v1/regions/{key}/forecast" => Some(region("coast")["forecast"].clone()),
            "PATCH /v1/jobs/{key}" => Some(json!({"name": "Floors"})),
            "PUT /v1/jobs/{key}/pins/{step}" => Some(json!({"crew": "north"})),
            "POST /v1/jobs/{key}/records" => Some(json!({
                "step": "sand", "crew": "north", "outcome": "running", "started_at": "2026-03-09T05:00:00-04:00"
            })),
            "POST /v1/houses/{key}/air-readings" => Some(json!({"temp_c": 20, "rh_percent": 50})),
            "POST /v1/plans" => Some(json!({"move_budget": 0})),
            "POST /v1/what-ifs" => Some(json!({"changes": [], "move_budget": 0})),
            "POST /v1/promises" => Some(json!({"job": app::job("asked", "linden-4"), "move_budget": 0})),
            "POST /v1/feeds" => Some(json!({"kind": "office"})),
            "POST /v1/tokens" => Some(json!({"name": "x", "role": "viewer"})),
            "POST /v1/webhooks" => Some(json!({"address": "http://127.0.0.1:9/in", "types": []})),
            "POST /v1/events" => Some(json!({
                "id": tackfree::store::new_id(), "at": "2026-03-09T05:00:00-04:00",
                "event": {"kind": "job_held", "job": "linden-4-floors"}
            })),
            "POST /v1/imports/houses" => {
                table = Some("key,name,access,areas\nnine,Nine,mon-fri 07:00-15:30,Hall: 80\n");
                None
            }
            "POST /v1/imports/crews" => {
                table = Some("key,name,calendar,skills,head_count\nnine,Nine,mon-fri 07:00-15:30,sanding,2\n");
                None
            }
            "POST /v1/plans/{id}/publication" | "POST /v1/plans/{id}/rejection" => {
                id = Some(draft().await);
                None
            }
            "DELETE /v1/webhooks/{id}" => {
                let body = json!({"address": "http://127.0.0.1:9/old", "types": []});
                let made = self.office.post("/v1/webhooks", &body).await.expect(201);
                id = Some(made["id"].as_str().unwrap().to_owned());
                None
            }
            "DELETE /v1/tokens/{id}" => {
                id = Some(token().await.as_str().unwrap().to_owned());
                None
            }
            _ if operation.path.starts_with("/v1/calculations/") => Some(json!({})),
            "POST /v1/jobs/{key}/treatment-plan" => Some(json!({
                "people": 1, "started_at": "2026-03-09T09:40:00Z",
                "sections": [{"a_from_at": "2026-03-09T09:52:00Z", "a_until_at": "2026-03-09T09:59:30Z"}]
            })),
            _ if operation.has_body => panic!("no good request for {name} is known: add one"),
            _ => None,
        };
        let ends = operation.method == Method::DELETE && !operation.path.contains("/pins/");
        let key = match (operation.path.split('/').nth(2).unwrap_or_default(), ends) {
            ("houses", true) => "old-house",
            ("crews", true) => "old-crew",
            ("equipment", true) => "old-machine",
            ("methods", true) => "old-method",
            ("regions", true) => "old-region",
            ("houses", false) => "linden-4",
            ("crews", false) => "north",
            ("equipment", false) => "big-machine",
            ("methods", false) => "own",
            ("regions", false) => "coast",
            _ => "linden-4-floors",
        };
        let of_path = if operation.path.contains("webhooks") {
            &self.hook
        } else if operation.path.contains("feeds") {
            &self.feed
        } else {
            &self.plan
        };
        let path = operation.path.replace("{key}", key).replace("{id}", id.as_ref().unwrap_or(of_path));
        let path = path.replace("{step}", "coat").replace("{delivery}", &self.delivery).replace("{code}", "stale");
        Good { path: path.replace("{secret}", "x"), body, table }
    }
}

/// Secrets are in the first answer only; all else is the same.
fn same_but_for_secrets(first: &Value, again: &Value, what: &str) {
    match (first, again) {
        (Value::Object(first), Value::Object(again)) => {
            for (name, value) in first {
                match again.get(name) {
                    Some(other) => same_but_for_secrets(value, other, what),
                    None => assert!(["secret", "address"].contains(&name.as_str()), "{what}: {name} is not said again"),
                }
            }
            assert!(again.keys().all(|name| first.contains_key(name)), "{what}");
        }
        _ => assert!(first == again || again.is_null(), "{what}: {first} and then {again}"),
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_operation_meets_every_case() {
    let stage = Stage::set().await;
    let office = &stage.office;
    let other = stage.app.company("Others").await;
    let crew = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    let expired = office.token(&json!({"name": "old", "role": "office", "expires_at": "2020-01-01T00:00:00Z"})).await;
    let made = office.post("/v1/tokens", &json!({"name": "lost", "role": "office"})).await.expect(201);
    office.delete(&format!("/v1/tokens/{}", made["id"].as_str().unwrap())).await.expect(204);
    let revoked = stage.app.caller(made["secret"].as_str().unwrap());
    let operator = stage.app.caller(OPERATOR);
    let mut table = String::from(HEAD);
    for operation in operations() {
        let name = operation.name();
        let good = stage.good(&operation).await;
        let mut row: Vec<String> = Vec::new();
        let mut cell = |answer: Option<&Answer>| row.push(answer.map_or("–".into(), |a| a.status.as_u16().to_string()));
        let headers = |given: &[(&'static str, &'static str)]| -> Vec<(&'static str, &'static str)> {
            let mut all = given.to_vec();
            if operation.conditional && !given.iter().any(|(name, _)| *name == "If-Match") {
                all.push(("If-Match", "*"));
            }
            all
        };
        let secured = !operation.roles.is_empty();
        for caller in [&stage.app.caller(""), &expired, &revoked] {
            let answer = send(caller, &operation, &good, &headers(&[]), false).await;
            if secured {
                answer.problem(401, "unauthenticated");
            } else {
                assert!(!matches!(answer.status.as_u16(), 401 | 403 | 500..), "{name}: {}", answer.text);
            }
            cell(secured.then_some(&answer));
        }
        // Somebody with another role, where there is one that may not.
        let may = |role: &str| operation.roles.iter().any(|own| own == role);
        let wrong = [("viewer", &viewer), ("crew", &crew), ("office", office)];
        let wrong = wrong.iter().find(|(role, _)| secured && !may(role)).map(|(_, caller)| *caller);
        let answer = match wrong {
            Some(caller) => Some(send(caller, &operation, &good, &headers(&[]), false).await),
            None => None,
        };
        if let Some(answer) = &answer {
            if may("operator") {
                answer.problem(401, "unauthenticated");
            } else {
                answer.problem(403, "role-needed");
            }
        }
        cell(answer.as_ref());
        // Of another company: what is named is not there.
        let named = operation.path.contains('{') && secured && !may("operator");
        let answer = match named {
            true => Some(send(&other, &operation, &good, &headers(&[]), false).await),
            false => None,
        };
        if let Some(answer) = &answer {
            answer.problem(404, "not-found");
        }
        cell(answer.as_ref());
        let who = if may("operator") { &operator } else { office };
        if operation.conditional {
            let missing = send(who, &operation, &good, &[], false).await;
            missing.problem(428, "precondition-required");
            cell(Some(&missing));
            let stale = send(who, &operation, &good, &[("If-Match", "\"999\"")], false).await;
            stale.problem(412, "stale");
            cell(Some(&stale));
        } else {
            cell(None);
            cell(None);
        }
        if operation.keyed && !NOT_TWICE.contains(&name.as_str()) {
            let key = tackfree::store::new_id().to_string();
            let mut with_key = headers(&[]);
            let key: &'static str = key.leak();
            with_key.push(("Idempotency-Key", key));
            let first = send(who, &operation, &good, &with_key, false).await;
            assert!(first.status.is_success(), "{name} is no good request: {} {}", first.status, first.text);
            let again = send(who, &operation, &good, &with_key, false).await;
            assert_eq!((again.status, again.header("idempotency-replayed")), (first.status, "true"), "{name}");
            if !first.text.is_empty() {
                same_but_for_secrets(&first.json(), &again.json(), &name);
            }
            cell(Some(&again));
            let changed = send(who, &operation, &good, &with_key, true).await;
            changed.problem(422, "idempotency-other-request");
            cell(Some(&changed));
        } else {
            cell(None);
            cell(None);
            let changes = operation.method != Method::GET && !operation.path.starts_with("/v1/calculations/");
            if changes && !NOT_TWICE.contains(&name.as_str()) {
                assert!(operation.conditional || SAME_TWICE.contains(&name.as_str()), "{name} may be done twice");
                // Nothing above was refused because the request is no good.
                let done = send(who, &operation, &good, &headers(&[]), false).await;
                let shown = operation.path.ends_with("/treatment-plan");
                assert!(done.status.is_success() || shown, "{name} is no good request: {}", done.text);
            }
        }
        let roles = if secured { operation.roles.join(", ") } else { "everybody".into() };
        writeln!(table, "| {name} | {roles} | {} |", row.join(" | ")).unwrap();
    }
    if std::env::var_os("TACKFREE_BLESS").is_some() {
        std::fs::write(TABLE, &table).unwrap();
    }
    let committed = std::fs::read_to_string(TABLE).unwrap_or_default();
    assert!(
        committed == table,
        "{TABLE} is not what happens: look at what changed, then write it with TACKFREE_BLESS=1"
    );
}

const HEAD: &str = "# Who may do what

Every operation of the API with every case that can befall it, as `tests/service/who_may.rs` has seen it of the running server; the figures
are HTTP statuses, a dash means that the case cannot happen there. The test fails when this table is not true any more, and when
an operation is added that it has no good request for.

- *no token*, *expired*, *revoked*: such a token, or none. *Other role*: a token of the company whose role may not. *Other
  company*: the office of another company, asking for this one's.
- *No If-Match*: a change that does not say of which version. *Stale*: of a version that is not there any more.
- *Again*: the same request with the same Idempotency-Key: answered as it was the first time, without secrets, and not done
  again. *Key for another*: the same key with another request.

| operation | who may | no token | expired | revoked | other role | other company | no If-Match | stale | again | key for another |
|---|---|---|---|---|---|---|---|---|---|---|
";
