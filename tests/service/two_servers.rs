//! Sixty-four clients tell what happened to two server processes on one database, each thing several times over and in
//! any order, while both servers repair the plan: nothing is lost, nothing doubled, no server fails, and whenever the
//! repairs have settled the promise keeps every rule.

use crate::common::app::{equipment, job};
use crate::common::promise::{self, hours};
use crate::common::store::fresh_store;
use chrono::{DateTime, Duration, DurationRound, Utc};
use reqwest::{Client, StatusCode};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use uuid::Uuid;

const CLIENTS: usize = 64;
const HOUSES: usize = 16;
const CREWS: usize = 4;
const OPERATOR: &str = "operator-for-tests";

/// A server process.
struct Server {
    process: Child,
    base: String,
}

impl Server {
    async fn start(url: &str, http: &Client) -> Server {
        // The port is free when it is taken back; nobody else asks for one by number here.
        let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let process = Command::new(env!("CARGO_BIN_EXE_tackfree"))
            .args(["serve", "--listen", &address.to_string()])
            .env("DATABASE_URL", url)
            .env("TACKFREE_OPERATOR_TOKEN", OPERATOR)
            .env("RUST_LOG", "warn")
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let server = Server { process, base: format!("http://{address}") };
        for _ in 0..400 {
            let answer = http.get(format!("{}/readyz", server.base)).send().await;
            if answer.is_ok_and(|answer| answer.status() == StatusCode::OK) {
                return server;
            }
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        }
        panic!("{} does not get ready", server.base)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let pid = rustix::process::Pid::from_child(&self.process);
        let _ = rustix::process::kill_process(pid, rustix::process::Signal::INT);
        let _ = self.process.wait();
    }
}

/// One office at any of the servers.
struct Office<'a> {
    http: &'a Client,
    bases: [String; 2],
    token: String,
}

impl Office<'_> {
    async fn send(&self, server: usize, method: &str, path: &str, body: Option<&Value>) -> (StatusCode, Value) {
        let method = method.parse().unwrap();
        let mut request = self.http.request(method, format!("{}{path}", self.bases[server % 2]));
        request = request.bearer_auth(&self.token).header("If-Match", "*");
        if let Some(body) = body {
            request = request.json(body);
        }
        let answer = request.send().await.unwrap();
        let status = answer.status();
        (status, answer.json().await.unwrap_or(Value::Null))
    }

    async fn get(&self, server: usize, path: &str) -> Value {
        let (status, body) = self.send(server, "GET", path, None).await;
        assert_eq!(status, StatusCode::OK, "{path}: {body}");
        body
    }

    async fn post(&self, path: &str, body: &Value) -> Value {
        let (status, answer) = self.send(0, "POST", path, Some(body)).await;
        assert!(status.is_success(), "{path}: {status} {answer}");
        answer
    }
}

async fn found(office: &mut Office<'_>, now: DateTime<Utc>) {
    office.token = OPERATOR.to_owned();
    let settings = json!({"time_zone": "UTC", "repairs": "automatic", "horizon_days": 120});
    let founded = office.post("/v1/companies", &json!({"name": "Two servers", "settings": settings})).await;
    office.token = founded["token"]["secret"].as_str().unwrap().to_owned();
    for number in 0..CREWS {
        let mut crew = crate::common::app::crew(&format!("crew-{number}"));
        crew["calendar"] = hours(now);
        office.post("/v1/crews", &crew).await;
    }
    office.post("/v1/equipment", &equipment("big-machine")).await;
    for number in 0..HOUSES {
        let mut house = crate::common::app::house(&format!("house-{number}"));
        house["access"] = hours(now);
        office.post("/v1/houses", &house).await;
        let mut job = job(&format!("job-{number}"), &format!("house-{number}"));
        job["release"] = (now - Duration::days(6)).to_rfc3339().into();
        job["due"] = (now + Duration::days(30)).to_rfc3339().into();
        office.post("/v1/jobs", &job).await;
    }
    let draft = office.post("/v1/plans", &json!({"move_budget": 20})).await;
    office.post(&format!("/v1/plans/{}/publication", draft["id"].as_str().unwrap()), &json!({})).await;
}

/// What happened in one house, in order: sanded, coated, a date moved, the house closed, a crew away.
fn story(house: usize, now: DateTime<Utc>) -> Vec<Value> {
    let job = format!("job-{house}");
    let crew = format!("crew-{}", house % CREWS);
    let at = |hours: i64| (now - Duration::hours(100 - hours)).to_rfc3339();
    let ahead = |days: i64| (now + Duration::days(days)).to_rfc3339();
    let step = |kind: &str, step: &str| json!({"kind": kind, "job": job, "step": step, "crew": crew});
    let told = [
        (at(1), step("step_started", "sand")),
        (at(3), step("step_finished", "sand")),
        (at(20), step("step_started", "coat")),
        (at(22), step("step_finished", "coat")),
        (at(30), json!({"kind": "due_moved", "job": job, "due": ahead(25)})),
        (
            at(31),
            json!({"kind": "house_closed", "house": format!("house-{house}"), "from": ahead(1), "until": ahead(3)}),
        ),
        (
            at(32),
            json!({"kind": "crew_away", "crew": crew, "from": ahead(4 + house as i64), "until": ahead(5 + house as i64)}),
        ),
    ];
    let event = |(number, (at, event)): (usize, (String, Value))| json!({"id": Uuid::from_u128((house * 100 + number + 1) as u128 + (9 << 76)), "at": at, "event": event});
    told.into_iter().enumerate().map(event).collect()
}

/// The promise in today's world, if repairs are settled before and after it is read.
async fn audited(office: &Office<'_>, server: usize) -> Option<usize> {
    let before = office.get(server, "/v1/repairs/state").await;
    if before["settled"] != true {
        return None;
    }
    let file = office.get(server, "/v1/planning-file").await;
    let view = office.get(server, "/v1/plans/published").await;
    let after = office.get(server, "/v1/repairs/state").await;
    if after["settled"] != true || after["last_at"] != before["last_at"] {
        return None;
    }
    let (placements, told) = promise::audited(file, &view);
    assert!(told.is_empty(), "{told:#?}");
    Some(placements)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_lost_or_doubled_between_two_servers() {
    let test = fresh_store().await;
    let url = sqlx::ConnectOptions::to_url_lossy(&test.owner).to_string();
    tackfree::weather::fetch::provide_tls();
    let http = Client::new();
    let servers = [Server::start(&url, &http).await, Server::start(&url, &http).await];
    let bases = [servers[0].base.clone(), servers[1].base.clone()];
    let mut office = Office { http: &http, bases, token: String::new() };
    let now = Utc::now().duration_trunc(Duration::minutes(1)).unwrap();
    found(&mut office, now).await;
    let office = &office;
    // Each client tells one house's story, four clients the same one, each in an order of its own.
    let client = async |number: usize| {
        let mut events = story(number % HOUSES, now);
        let turn = number / HOUSES;
        events.rotate_left(turn * 2);
        if turn % 2 == 1 {
            events.reverse();
        }
        let mut counts: BTreeMap<u16, usize> = BTreeMap::new();
        for (place, event) in events.iter().enumerate() {
            let (status, body) = office.send(number + place, "POST", "/v1/events", Some(event)).await;
            assert!(matches!(status.as_u16(), 200..=202), "{status} {body} for {event}");
            *counts.entry(status.as_u16()).or_default() += 1;
        }
        counts
    };
    let judge = async {
        let mut clean = 0;
        for round in 0..200 {
            clean += usize::from(audited(office, round).await.is_some());
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
        clean
    };
    let (answers, clean) = tokio::join!(futures_util::future::join_all((0..CLIENTS).map(client)), judge);
    let sum = |status: u16| answers.iter().map(|counts| counts.get(&status).copied().unwrap_or(0)).sum::<usize>();
    println!("201: {}, 202: {}, 200: {}; audited {clean} times on the way", sum(201), sum(202), sum(200));
    assert_eq!(sum(201) + sum(202), HOUSES * 7, "each event is new exactly once");
    assert_eq!(sum(200), (CLIENTS - HOUSES) * 7);
    let state = office.get(0, "/v1/repairs/state?wait_seconds=30").await;
    assert_eq!((&state["settled"], &state["failures"]), (&json!(true), &json!(0)), "{state}");
    assert!(audited(office, 1).await.unwrap() > 0);
    let mut numbers = Vec::new();
    for house in 0..HOUSES {
        let told = office.get(house, &format!("/v1/events?job=job-{house}&limit=200")).await;
        for event in told["items"].as_array().unwrap() {
            assert!(matches!(event["standing"].as_str(), Some("applied" | "known")), "{event}");
            numbers.push(event["number"].as_i64().unwrap());
        }
        let of_house: Vec<&Value> = told["items"].as_array().unwrap().iter().filter(|e| e["id"].is_string()).collect();
        assert!(of_house.len() >= 5, "{told}");
    }
    numbers.sort_unstable();
    assert!(numbers.windows(2).all(|pair| pair[0] < pair[1]), "a number was given twice");
    let file = office.get(1, "/v1/planning-file").await;
    for job in file["jobs"].as_array().unwrap() {
        let done: Vec<(&str, &str)> = job["history"]
            .as_array()
            .unwrap()
            .iter()
            .map(|entry| (entry["step"].as_str().unwrap(), entry["outcome"].as_str().unwrap()))
            .collect();
        assert_eq!(done, [("coat", "done"), ("sand", "done")], "{job}");
    }
    for house in file["houses"].as_array().unwrap() {
        assert_eq!(house["closures"].as_array().unwrap().len(), 1, "{house}");
    }
    for crew in file["crews"].as_array().unwrap() {
        assert_eq!(crew["absences"].as_array().unwrap().len(), HOUSES / CREWS, "{crew}");
    }
}
