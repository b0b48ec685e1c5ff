//! A client that trusts nobody: it sends everything until it is answered, with the same key or identifier, keeps its own
//! log of what was acknowledged, and asks again later whether the answer is still the same.

use chrono::{DateTime, Duration, Utc};
use reqwest::{Client, Method};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;
use uuid::Uuid;

/// Nobody waits for an answer longer than this before asking again.
const ANSWER_WITHIN: std::time::Duration = std::time::Duration::from_secs(8);
/// And nobody goes on asking for longer than this.
const GIVEN_UP_AFTER: std::time::Duration = std::time::Duration::from_secs(90);
const PAUSE: std::time::Duration = std::time::Duration::from_millis(40);

/// What is asked for.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// It happened; the identifier is the sender's.
    Event(Uuid),
    /// A report on a job, with a note of its own.
    Record { job: String, note: String },
    /// Air measured in a house, with a note of its own.
    Air { house: String, note: String },
    /// A draft.
    Draft,
    /// That this draft is published.
    Publication(String),
}

/// A request, to be sent as often as it takes.
#[derive(Debug, Clone)]
pub struct Request {
    pub what: What,
    pub path: String,
    /// Its Idempotency-Key; an event has none.
    pub key: Option<String>,
    pub body: Value,
}

/// What came back.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    pub status: u16,
    pub body: Value,
    /// It was said before.
    pub replayed: bool,
}

/// An entry of the log: what was acknowledged, or refused for good.
#[derive(Debug, Clone)]
pub struct Told {
    pub request: Request,
    pub answer: Answer,
}

pub struct Outside {
    pub http: Client,
    pub base: String,
    pub token: String,
    pub log: Mutex<Vec<Told>>,
    /// What must never be.
    pub wrong: Mutex<Vec<String>>,
    /// Longest time from the first try to the answer.
    pub longest: Mutex<std::time::Duration>,
    /// Requests that were not answered, or not for good.
    pub unanswered: AtomicU64,
    /// Why, in a word.
    pub why: Mutex<BTreeMap<String, u64>>,
}

impl Answer {
    pub fn acknowledged(&self) -> bool {
        (200..300).contains(&self.status)
    }
}

impl Outside {
    pub fn new(base: &str, token: &str) -> Outside {
        let http = Client::builder().timeout(ANSWER_WITHIN).build().unwrap();
        Outside {
            http,
            base: base.to_owned(),
            token: token.to_owned(),
            log: Mutex::default(),
            wrong: Mutex::default(),
            longest: Mutex::default(),
            unanswered: AtomicU64::new(0),
            why: Mutex::default(),
        }
    }

    pub fn complain(&self, what: String) {
        self.wrong.lock().unwrap().push(what);
    }

    /// One try: `Err` says why there is nothing for good yet.
    pub async fn send(&self, request: &Request) -> Result<Answer, String> {
        let mut sent = self.http.request(Method::POST, format!("{}{}", self.base, request.path));
        sent = sent.bearer_auth(&self.token).header("If-Match", "*").json(&request.body);
        if let Some(key) = &request.key {
            sent = sent.header("Idempotency-Key", key);
        }
        let answer = sent.send().await.map_err(|error| format!("{:?}", kind(&error)))?;
        let status = answer.status().as_u16();
        let replayed = answer.headers().contains_key("idempotency-replayed");
        let text = answer.text().await.map_err(|error| format!("{:?}", kind(&error)))?;
        let body: Value = serde_json::from_str(&text).unwrap_or_else(|_| json!({"text": text}));
        match (status, body["code"].as_str().unwrap_or_default()) {
            (503 | 429, code) | (409, code @ "idempotency-in-progress") => Err(code.to_owned()),
            (500.., code) => {
                self.complain(format!("{status} {code} for {request:?}"));
                Err(code.to_owned())
            }
            _ => Ok(Answer { status, body, replayed }),
        }
    }

    /// Until there is an answer for good.
    pub async fn tell(&self, request: Request) -> Answer {
        let begin = Instant::now();
        let mut tries = 0;
        let answer = loop {
            tries += 1;
            match self.send(&request).await {
                Ok(answer) => break answer,
                Err(why) => {
                    self.unanswered.fetch_add(1, Ordering::Relaxed);
                    *self.why.lock().unwrap().entry(why.clone()).or_default() += 1;
                    assert!(begin.elapsed() < GIVEN_UP_AFTER, "no answer in {tries} tries, now {why}: {request:?}");
                    tokio::time::sleep(PAUSE).await;
                }
            }
        };
        let mut longest = self.longest.lock().unwrap();
        *longest = begin.elapsed().max(*longest);
        self.log.lock().unwrap().push(Told { request, answer: answer.clone() });
        answer
    }

    /// Whether a request that was acknowledged gets the same answer again.
    pub async fn asked_again(&self, told: &Told) {
        let again = loop {
            match self.send(&told.request).await {
                Ok(again) => break again,
                Err(_) => tokio::time::sleep(PAUSE).await,
            }
        };
        let (mut before, mut after) = (told.answer.body.clone(), again.body.clone());
        let mut same = again.status == told.answer.status && again.replayed;
        if let What::Event(_) = told.request.what {
            // Told of as something known, and as it stands by now.
            for body in [&mut before, &mut after] {
                ["replayed", "standing", "reason"].iter().for_each(|member| body[*member] = Value::Null);
            }
            same = again.status == 200 && again.body["replayed"] == true;
        }
        if !same || before != after {
            self.complain(format!("another answer: {:?}, then {again:?} for {:?}", told.answer, told.request));
        }
    }

    pub fn told(&self) -> Vec<Told> {
        self.log.lock().unwrap().clone()
    }

    /// What must be there, whenever the server can be asked.
    pub async fn get(&self, path: &str) -> (Value, Option<String>) {
        let begin = Instant::now();
        loop {
            let asked = self.http.get(format!("{}{path}", self.base)).bearer_auth(&self.token).send().await;
            if let Ok(answer) = asked
                && answer.status() == 200
            {
                let link = answer.headers().get("link").and_then(|link| link.to_str().ok());
                let next = link.and_then(|link| link.split(['<', '>']).nth(1)).map(str::to_owned);
                if let Ok(body) = answer.json().await {
                    return (body, next);
                }
            }
            assert!(begin.elapsed() < GIVEN_UP_AFTER, "{path} cannot be read");
            tokio::time::sleep(PAUSE).await;
        }
    }

    /// All pages of a list.
    pub async fn list(&self, path: &str) -> Vec<Value> {
        let (mut items, mut next) = (Vec::new(), Some(path.to_owned()));
        while let Some(path) = next {
            let (page, link) = self.get(&path).await;
            items.extend(page["items"].as_array().unwrap().iter().cloned());
            next = link;
        }
        items
    }
}

#[derive(Debug)]
enum Trouble {
    NoConnection,
    TooLate,
    Cut,
}

fn kind(error: &reqwest::Error) -> Trouble {
    match (error.is_connect(), error.is_timeout()) {
        (true, _) => Trouble::NoConnection,
        (_, true) => Trouble::TooLate,
        _ => Trouble::Cut,
    }
}

pub fn event(id: Uuid, at: DateTime<Utc>, event: Value) -> Request {
    let body = json!({"id": id, "at": at.to_rfc3339(), "event": event});
    Request { what: What::Event(id), path: "/v1/events".into(), key: None, body }
}

pub fn draft(key: &str) -> Request {
    let body = json!({"move_budget": 0, "basis": "published"});
    Request { what: What::Draft, path: "/v1/plans".into(), key: Some(key.into()), body }
}

pub fn publication(key: &str, plan: &str) -> Request {
    let what = What::Publication(plan.to_owned());
    Request { what, path: format!("/v1/plans/{plan}/publication"), key: Some(key.into()), body: Value::Null }
}

pub fn air(key: &str, house: usize, at: DateTime<Utc>) -> Request {
    let house = format!("house-{house}");
    let body = json!({"at": at.to_rfc3339(), "temp_c": 20.0, "rh_percent": 45.0, "note": key});
    let path = format!("/v1/houses/{house}/air-readings");
    Request { what: What::Air { house, note: key.into() }, path, key: Some(key.into()), body }
}

/// The sanding of a job is begun and left again, as often as it takes: `turn` counts both. At times long past, a crew
/// for each of two jobs.
pub fn record(key: &str, job: usize, turn: usize, now: DateTime<Utc>) -> Request {
    let begun = now - Duration::days(5)
        + Duration::minutes(turn as i64 / 2 * 20 + job as i64 / super::office::CREWS as i64 * 10);
    let crew = format!("crew-{}", job % super::office::CREWS);
    let mut body = json!({"step": "sand", "crew": crew, "note": key});
    if turn.is_multiple_of(2) {
        body["outcome"] = "running".into();
        body["started_at"] = begun.to_rfc3339().into();
    } else {
        body["outcome"] = "paused".into();
        body["finished_at"] = (begun + Duration::minutes(5)).to_rfc3339().into();
        body["remaining_minutes"] = 60.into();
    }
    let job = format!("job-{job}");
    let path = format!("/v1/jobs/{job}/records");
    Request { what: What::Record { job, note: key.into() }, path, key: Some(key.into()), body }
}
