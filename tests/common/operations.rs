//! Every operation of the OpenAPI document, and a request for each that is good when it is sent by whoever may.

#![allow(dead_code, reason = "no test program needs everything here")]

use super::app::{self, Answer, App, Caller, small_office};
use super::receiver::Receiver;
use reqwest::Method;
use serde_json::{Value, json};
use std::time::Duration;
use tackfree::worker::{Deliver, Outcome, Task as _};

/// What the document says of an operation.
pub struct Operation {
    pub id: String,
    pub method: Method,
    pub path: String,
    pub roles: Vec<String>,
    pub conditional: bool,
    pub keyed: bool,
    pub has_body: bool,
}

/// All of them.
pub fn operations() -> Vec<Operation> {
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
                id: operation["operationId"].as_str().unwrap().to_owned(),
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
    /// Method and address.
    pub fn name(&self) -> String {
        format!("{} {}", self.method, self.path)
    }
}

/// What is sent.
#[derive(Clone)]
pub struct Good {
    pub path: String,
    pub body: Option<Value>,
    /// Comma-separated values instead.
    pub table: Option<&'static str>,
}

pub async fn send(
    caller: &Caller,
    operation: &Operation,
    good: &Good,
    headers: &[(&str, &str)],
    other: bool,
) -> Answer {
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
pub struct Stage {
    pub app: App,
    pub office: Caller,
    plan: String,
    feed: String,
    hook: String,
    delivery: String,
    pub company: String,
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
    pub async fn set() -> Stage {
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
    pub async fn good(&self, operation: &Operation) -> Good {
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
