//! The real application on a port of its own and a database of its own, and clients that speak to it.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

use super::store::{TestStore, fresh_store};
use actix_web::dev::ServerHandle;
use chrono::{DateTime, Utc};
use reqwest::{Client, Method, Response, StatusCode};
use serde_json::{Value, json};
use sqlx::postgres::PgConnectOptions;
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;
use tackfree::api::{RequestLimits, Settings, serve};
use tackfree::browser;
use tackfree::service::clock::SetClock;
use tackfree::service::{Service, Stop};
use tackfree::store::{POOL_SIZE_DEFAULT, Store};
use tackfree::weather::fetch::{Source, provide_tls};
use tackfree::webhook::Targets;
use tackfree::worker::Worker;

pub const OPERATOR: &str = "operator-for-tests";

/// A Monday, 06:00 in New York.
pub fn monday() -> DateTime<Utc> {
    "2026-03-09T10:00:00Z".parse().unwrap()
}

/// A running application.
pub struct App {
    pub base: String,
    pub clock: Arc<SetClock>,
    pub test: TestStore,
    pub http: Client,
    /// Tells streams to end.
    pub stopping: Stop,
    handle: ServerHandle,
    thread: Option<JoinHandle<()>>,
}

/// A client with a token.
#[derive(Clone)]
pub struct Caller {
    base: String,
    http: Client,
    pub token: String,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: StatusCode,
    pub headers: reqwest::header::HeaderMap,
    pub text: String,
}

/// An operator, and as many wrong tokens as a test has use for.
pub fn settings() -> Settings {
    let unknown_a_minute = std::num::NonZeroU32::new(1_000_000).unwrap();
    let requests = RequestLimits { unknown_a_minute, ..RequestLimits::default() };
    Settings { operator_token: Some(OPERATOR.into()), workers: Some(2), requests, ..Settings::default() }
}

pub async fn start() -> App {
    start_with(settings()).await
}

pub async fn start_with(settings: Settings) -> App {
    start_behind(settings, |options| options).await
}

/// As [`start_with`], with another way to the database.
pub async fn start_behind(settings: Settings, way: impl FnOnce(PgConnectOptions) -> PgConnectOptions) -> App {
    start_whole(settings, way, None).await
}

/// With a weather service to ask.
pub async fn start_under(weather: Source) -> App {
    let settings = settings();
    start_whole(settings, |options| options, Some(weather)).await
}

async fn start_whole(
    settings: Settings,
    way: impl FnOnce(PgConnectOptions) -> PgConnectOptions,
    weather: Option<Source>,
) -> App {
    start_on(fresh_store().await, settings, way, weather).await
}

/// As [`start_with`], on a database that is there already.
async fn start_on(
    test: TestStore,
    settings: Settings,
    way: impl FnOnce(PgConnectOptions) -> PgConnectOptions,
    weather: Option<Source>,
) -> App {
    provide_tls();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let base = format!("http://{}", listener.local_addr().unwrap());
    let clock = Arc::new(SetClock::new(monday()));
    let (app, of_server) = (way(test.app.clone()), clock.clone());
    let (send, started) = mpsc::channel();
    let thread = std::thread::spawn(move || {
        actix_web::rt::System::new().block_on(async move {
            let store = Store::open(app, POOL_SIZE_DEFAULT).await.unwrap();
            let service = Service::with_clock(store, of_server).with_weather(weather);
            let service = service.with_webhook_targets(Targets::Private);
            let pages = tackfree::web::configure(service.clone(), browser::Settings::default());
            // It hears of news; tests step the tasks themselves.
            let worker = Worker::new(&service);
            let stopping = service.stopping().clone();
            let started = |handle| send.send((handle, stopping)).unwrap();
            serve(service, listener, settings, pages, started).await.unwrap();
            worker.stop(Duration::from_secs(5)).await;
        });
    });
    let (handle, stopping) = started.recv().unwrap();
    App { base, clock, test, http: Client::new(), stopping, handle, thread: Some(thread) }
}

impl Drop for App {
    fn drop(&mut self) {
        self.stopping.stop();
        drop(self.handle.stop(false));
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl App {
    /// Another server on the same database.
    pub async fn twin(&self) -> App {
        let TestStore { store, owner, app } = &self.test;
        let test = TestStore { store: store.clone(), owner: owner.clone(), app: app.clone() };
        let settings = settings();
        start_on(test, settings, |options| options, None).await
    }

    /// The use cases on this database and this clock, for stepping tasks.
    pub fn service(&self) -> Service {
        Service::with_clock(self.test.store.clone(), self.clock.clone()).with_webhook_targets(Targets::Private)
    }

    /// As if the server were told to stop; whether it has ended within this time.
    pub async fn ends_within(&mut self, most: Duration) -> bool {
        self.stopping.stop();
        let ended = tokio::time::timeout(most, self.handle.stop(true)).await.is_ok();
        ended && self.thread.take().is_some_and(|thread| thread.join().is_ok())
    }

    /// Somebody with this token, or with none.
    pub fn caller(&self, token: &str) -> Caller {
        Caller { base: self.base.clone(), http: self.http.clone(), token: token.into() }
    }

    /// The office of a new company.
    pub async fn company(&self, name: &str) -> Caller {
        let body = json!({"name": name, "settings": {"time_zone": "America/New_York"}});
        let answer = self.caller(OPERATOR).post("/v1/companies", &body).await.expect(201);
        self.caller(answer["token"]["secret"].as_str().unwrap())
    }
}

/// Somebody with this token, or with none, at a server that runs there.
pub fn caller(base: &str, token: &str) -> Caller {
    provide_tls();
    Caller { base: base.into(), http: Client::new(), token: token.into() }
}

impl Caller {
    pub async fn send(&self, method: Method, path: &str, headers: &[(&str, &str)], body: Option<&Value>) -> Answer {
        let mut request = self.http.request(method, format!("{}{path}", self.base));
        if !self.token.is_empty() {
            request = request.bearer_auth(&self.token);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(body) = body {
            request = request.json(body);
        }
        Answer::of(request.send().await.unwrap()).await
    }

    pub fn base(&self) -> &str {
        &self.base
    }

    pub fn http(&self) -> &Client {
        &self.http
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.send(Method::GET, path, &[], None).await
    }

    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        self.send(Method::POST, path, &[], Some(body)).await
    }

    /// Changes whatever is there.
    pub async fn put(&self, path: &str, body: &Value) -> Answer {
        self.send(Method::PUT, path, &[("If-Match", "*")], Some(body)).await
    }

    pub async fn patch(&self, path: &str, body: &Value) -> Answer {
        self.send(Method::PATCH, path, &[("If-Match", "*")], Some(body)).await
    }

    pub async fn delete(&self, path: &str) -> Answer {
        self.send(Method::DELETE, path, &[("If-Match", "*")], None).await
    }

    /// A token of the same company.
    pub async fn token(&self, body: &Value) -> Caller {
        let answer = self.post("/v1/tokens", body).await.expect(201);
        Caller { token: answer["secret"].as_str().unwrap().into(), ..self.clone() }
    }

    /// A draft of the company as it is, published.
    pub async fn publish(&self) -> Value {
        let draft = self.post("/v1/plans", &json!({"move_budget": 200})).await.expect(201);
        let id = draft["id"].as_str().unwrap();
        let path = format!("/v1/plans/{id}/publication");
        self.send(Method::POST, &path, &[("If-Match", "*")], None).await.expect(200);
        draft
    }
}

impl Answer {
    pub async fn of(mut response: Response) -> Answer {
        let (status, headers) = (response.status(), response.headers().clone());
        if headers.get("content-type").is_some_and(|kind| kind == "text/event-stream") {
            // It does not end: what it begins with is all that can be waited for.
            let begun = response.chunk().await.unwrap().unwrap_or_default();
            return Answer { status, headers, text: String::from_utf8(begun.to_vec()).unwrap() };
        }
        Answer { status, headers, text: response.text().await.unwrap() }
    }

    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|error| panic!("{error}: {}", self.text))
    }

    /// The body, if the status is this.
    pub fn expect(&self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        if self.text.is_empty() { Value::Null } else { self.json() }
    }

    /// The body, if it is this problem.
    pub fn problem(&self, status: u16, code: &str) -> Value {
        let body = self.expect(status);
        assert_eq!(self.headers["content-type"], "application/problem+json", "{}", self.text);
        assert_eq!(body["code"], code, "{}", self.text);
        assert_eq!(body["status"], status);
        assert_eq!(body["type"], format!("/problems/{code}"));
        for member in ["title", "detail", "cure"] {
            assert!(body[member].as_str().is_some_and(|text| !text.is_empty()), "{member}: {}", self.text);
        }
        body
    }

    /// The body, if it is a document with a fault of this code at this pointer.
    pub fn fault(&self, code: &str, pointer: &str) -> Value {
        let body = self.problem(422, "invalid-document");
        let faults = body["errors"].as_array().unwrap();
        let found = faults.iter().any(|fault| fault["code"] == code && fault["pointer"] == pointer);
        assert!(found, "no {code} at {pointer} in {}", self.text);
        assert!(faults.iter().all(|fault| !fault["cure"].as_str().unwrap().is_empty()));
        body
    }

    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).unwrap_or_else(|| panic!("no {name}: {:?}", self.headers)).to_str().unwrap()
    }

    pub fn etag(&self) -> &str {
        self.header("etag")
    }
}

/// Every day of the week.
pub fn calendar(from: &str, to: &str) -> Value {
    let days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
    json!({"week": [{"days": days, "from": from, "to": to}]})
}

pub fn house(key: &str) -> Value {
    json!({
        "key": key, "name": format!("House {key}"), "address": "Linden Street 4, Harrow Falls",
        "location": {"latitude_deg": 40.7, "longitude_deg": -74.0},
        "access": calendar("06:00", "20:00"),
        "areas": [{"name": "Living room", "area_sqft": 300}, {"name": "Hall", "area_sqft": 100}],
        "air": {"controlled": {"temp_c": 21.0, "rh_percent": 45.0}}
    })
}

pub fn crew(key: &str) -> Value {
    json!({
        "key": key, "name": format!("Crew {key}"), "skills": ["sanding", "finishing", "treatment", "readings"],
        "head_count": 2, "calendar": calendar("07:00", "16:00"),
        "home": {"latitude_deg": 40.75, "longitude_deg": -74.05}
    })
}

pub fn equipment(key: &str) -> Value {
    json!({"key": key, "name": format!("The {key}"), "units": 2})
}

/// Sand, coat, hand over.
pub fn steps() -> Value {
    json!([
        {"key": "sand", "name": "Sand", "kind": "sand", "sqft_per_person_hour": 100, "skills": ["sanding"],
         "equipment": {"big-machine": 1}, "dividable": true},
        {"key": "coat", "name": "Coat", "kind": "coat", "person_minutes": 120, "skills": ["finishing"]},
        {"key": "hand-over", "name": "Hand-over", "kind": "walk_through", "minutes": 30}
    ])
}

pub fn waits() -> Value {
    json!([
        {"from": "sand", "to": "coat", "max": {"minutes": 4320, "on_exceed": "forbid"}},
        {"from": "coat", "to": "hand-over", "min_minutes": 1440, "film": "waterborne", "keep_off": true}
    ])
}

pub fn job(key: &str, house: &str) -> Value {
    json!({
        "key": key, "name": format!("Floors of {house}"), "house": house, "steps": steps(), "waits": waits(),
        "release": "2026-03-09T00:00:00-04:00", "due": "2026-03-27T17:00:00-04:00"
    })
}

/// Two crews, a machine, a house with a job.
pub async fn small_office(app: &App) -> Caller {
    let office = app.company("Harrow Falls Floors").await;
    furnish(&office).await;
    office
}

/// Two crews, a machine, a house with a job, for a new company.
pub async fn furnish(office: &Caller) {
    for (list, documents) in [
        ("crews", vec![crew("north"), crew("south")]),
        ("equipment", vec![equipment("big-machine")]),
        ("houses", vec![house("linden-4")]),
        ("jobs", vec![job("linden-4-floors", "linden-4")]),
    ] {
        for document in documents {
            office.post(&format!("/v1/{list}"), &document).await.expect(201);
        }
    }
}
