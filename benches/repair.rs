//! From a failed check to the calendars: `target/debug/with-postgres cargo bench --bench repair -- HOUSES CREWS FAILURES
//! SEED`. Generated companies live through their plans, one after the other; each time a check comes up it fails, up to a
//! hundred times a company. The clock runs from sending the report over HTTP to a server of its own until that server's
//! repairs have settled (repaired, audited, stored, published) and the house's calendar has been fetched from it as it is
//! then. `TACKFREE_STAGES=1` adds where the time goes, by stages of the repair and by statements (which costs some itself).

#![allow(clippy::unwrap_used, missing_docs, reason = "a panic in a measurement is a failed measurement")]

#[path = "../tests/common/generate.rs"]
mod generate;
#[path = "../tests/common/life.rs"]
mod life;
#[path = "../tests/common/postgres.rs"]
mod postgres;
#[path = "stages/mod.rs"]
mod stages;
#[path = "../tests/common/store.rs"]
mod store;
#[path = "../tests/common/world.rs"]
mod world;

use life::Life;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::net::TcpListener;
use std::time::{Duration, Instant};
use tackfree::api;
use tackfree::domain::situation::Situation;
use tackfree::dto::OutcomeDto;
use tackfree::service::{FeedBody, FeedKindDto, RoleDto, TokenBody};
use tackfree::worker::{Deliver, Kept, Prune, Repairs, Worker};

/// As the program's own.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Nothing fails so often that the checks of one house reach what is allowed.
const FAILURES_A_COMPANY: u64 = 100;

/// The office with a phone in its hand.
struct Office {
    http: reqwest::Client,
    base: String,
    token: String,
    /// Calendar addresses by house.
    feeds: BTreeMap<String, String>,
}

impl Office {
    async fn of(life: &Life) -> Office {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let service = life.service.clone();
        std::thread::spawn(move || {
            actix_web::rt::System::new().block_on(async {
                let own = service.beside(4).await.unwrap();
                let work = Worker::new(&own).with(Repairs(own.clone()));
                let worker = work.with(Deliver::new(&own)).with(Prune::new(&own, Kept::default()));
                // Its own connections: they belong to the threads that opened them.
                let answering = service.beside(8).await.unwrap();
                api::serve(answering, listener, api::Settings::default(), |_| {}, |_| {}).await.unwrap();
                worker.stop(Duration::from_secs(1)).await;
            });
        });
        let mut session = life.service.store().session(life.company).await.unwrap();
        let body = TokenBody { name: "office".into(), role: RoleDto::Office, crew: None, expires_at: None };
        let token = life.service.create_token(&mut session, &body).await.unwrap().secret.unwrap();
        session.commit().await.unwrap();
        Office { http: reqwest::Client::new(), base, token, feeds: BTreeMap::new() }
    }

    async fn feed(&mut self, life: &Life, house: &str) -> String {
        if let Some(known) = self.feeds.get(house) {
            return known.clone();
        }
        let mut session = life.service.store().session(life.company).await.unwrap();
        let body = FeedBody { kind: FeedKindDto::House, crew: None, house: Some(house.to_owned()) };
        let made = life.service.create_feed(&mut session, &body, |secret| secret.reveal().to_owned());
        let address = format!("{}/feeds/{}.ics", self.base, made.await.unwrap().address.unwrap());
        session.commit().await.unwrap();
        self.feeds.insert(house.to_owned(), address.clone());
        address
    }

    async fn get(&self, path: &str) -> Value {
        let request = self.http.get(format!("{}{path}", self.base)).bearer_auth(&self.token);
        request.send().await.unwrap().error_for_status().unwrap().json().await.unwrap()
    }

    async fn report(&self, job: &str, report: &Value) {
        let request = self.http.post(format!("{}/v1/jobs/{job}/records", self.base)).bearer_auth(&self.token);
        let key = tackfree::store::new_id().to_string();
        let answer = request.header("Idempotency-Key", key).json(report).send().await.unwrap();
        assert!(answer.status().is_success(), "{}: {}", answer.status(), answer.text().await.unwrap());
    }
}

fn quantile(sorted: &[Duration], percent: f64) -> Duration {
    sorted[((sorted.len() as f64 * percent / 100.0) as usize).min(sorted.len() - 1)]
}

fn told(what: &str, times: &mut [Duration]) {
    times.sort_unstable();
    let [p50, p90, p99] = [50.0, 90.0, 99.0].map(|percent| quantile(times, percent));
    println!("{what}: p50 {p50:.1?} p90 {p90:.1?} p99 {p99:.1?}, most {:.1?}", times[times.len() - 1]);
}

#[actix_web::main]
async fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let or = |place: usize, default: u64| numbers.get(place).copied().unwrap_or(default);
    let (houses, crews, failures, seed) = (or(0, 100), or(1, 20), or(2, 100), or(3, 1));
    let stages = std::env::var_os("TACKFREE_STAGES").map(|_| stages::Stages::listen());
    tackfree::weather::fetch::provide_tls();
    let mut times = Times::default();
    let mut companies = 0;
    for first in (0..failures).step_by(FAILURES_A_COMPANY as usize) {
        let count = FAILURES_A_COMPANY.min(failures - first);
        fail(generate::fleet(seed + companies, houses as usize, crews as usize), count, stages.as_ref(), &mut times)
            .await;
        companies += 1;
    }
    let broke = times.broke;
    println!(
        "{companies} companies of {houses} houses and {crews} crews, seeds from {seed}: {failures} failed checks, {broke} of \
         them broke a promise"
    );
    told("report answered", &mut times.reports);
    told("repairs settled", &mut times.repairs);
    told("calendar fetched", &mut times.calendars);
    if let Some(stages) = stages {
        stages.print();
    }
}

/// Each from sending the report.
#[derive(Default)]
struct Times {
    reports: Vec<Duration>,
    repairs: Vec<Duration>,
    calendars: Vec<Duration>,
    /// Failures that changed what was promised.
    broke: u64,
}

/// One company's checks fail.
async fn fail(situation: Situation, failures: u64, stages: Option<&stages::Stages>, times: &mut Times) {
    let test = store::fresh_store().await;
    let mut life = Life::begin(test.store.clone(), &situation, 500).await;
    let mut office = Office::of(&life).await;
    for _ in 0..failures {
        let check = life.reach_next_check().await;
        let job = office.get(&format!("/v1/jobs/{}", check.job)).await;
        let feed = office.feed(&life, job["house"].as_str().unwrap()).await;
        let report = json!({
            "step": check.step, "crew": check.crew, "outcome": "failed",
            "started_at": check.start.to_rfc3339(), "finished_at": check.finish.to_rfc3339(),
        });
        assert_eq!(check.report(OutcomeDto::Failed).outcome, Some(OutcomeDto::Failed));
        let newest = |page: &Value| page["items"][0]["id"].clone();
        let before = newest(&office.get("/v1/repairs?limit=1").await);
        if let Some(stages) = stages {
            stages.round();
        }
        let began = Instant::now();
        office.report(&check.job, &report).await;
        times.reports.push(began.elapsed());
        let state = office.get("/v1/repairs/state?wait_seconds=20").await;
        assert_eq!(state["settled"], true, "{state}");
        times.repairs.push(began.elapsed());
        let calendar = office.http.get(&feed).send().await.unwrap().error_for_status().unwrap();
        assert!(calendar.text().await.unwrap().ends_with("END:VCALENDAR\r\n"));
        times.calendars.push(began.elapsed());
        if let Some(stages) = stages {
            stages.rest();
        }
        times.broke += u64::from(newest(&office.get("/v1/repairs?limit=1").await) != before);
    }
}
