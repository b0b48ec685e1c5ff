//! What a write costs more because the database notes who made it: `target/debug/with-postgres cargo bench --bench change_lines`.
//! Two servers, one of them on a database that notes nothing, are asked the same in turns, so that what else the machine does
//! strikes both alike. Prints medians of one run, in microseconds.

#![allow(clippy::unwrap_used, missing_docs, reason = "a panic in a measurement is a failed measurement")]

#[path = "../tests/common/mod.rs"]
mod common;

use common::app::{self, App, Caller, small_office};
use common::store::run;
use reqwest::Method;
use serde_json::{Value, json};
use std::time::{Duration, Instant};

const ROUNDS: usize = 1_000;

async fn note_nothing(app: &App) {
    let off = "DO $$ DECLARE t record; BEGIN
        FOR t IN SELECT tgrelid::regclass AS tenant, tgname FROM pg_trigger WHERE tgname LIKE 'line_of_%' LOOP
            EXECUTE format('ALTER TABLE %s DISABLE TRIGGER %I', t.tenant, t.tgname);
        END LOOP; END $$";
    run(&mut app.test.owner().await, off.into()).await.unwrap();
}

async fn timed(office: &Caller, method: &Method, path: &str, body: &Value) -> Duration {
    let began = Instant::now();
    let answer = office.send(method.clone(), path, &[("If-Match", "*")], Some(body)).await;
    assert!(answer.status.is_success(), "{}", answer.text);
    began.elapsed()
}

fn median(mut all: Vec<Duration>) -> f64 {
    all.sort_unstable();
    all[all.len() / 2].as_secs_f64() * 1e6
}

#[tokio::main]
async fn main() {
    let (noting, bare) = (app::start().await, app::start().await);
    note_nothing(&bare).await;
    let (noting_office, bare_office) = (small_office(&noting).await, small_office(&bare).await);
    let air = |_: usize| json!({"temp_c": 20, "rh_percent": 50});
    let crew = |_: usize| app::crew("north");
    let new_house = |number: usize| app::house(&format!("house-{number}"));
    let draft = |_: usize| json!({"move_budget": 0});
    type Body<'a> = &'a dyn Fn(usize) -> Value;
    let asked: [(&str, Method, &str, Body, usize); 4] = [
        ("report air", Method::POST, "/v1/houses/linden-4/air-readings", &air, ROUNDS),
        ("change a crew", Method::PUT, "/v1/crews/north", &crew, ROUNDS),
        ("draft a plan of one house", Method::POST, "/v1/plans", &draft, ROUNDS / 5),
        ("add a house", Method::POST, "/v1/houses", &new_house, ROUNDS),
    ];
    for (label, method, path, body, rounds) in asked {
        let (mut with, mut without) = (Vec::new(), Vec::new());
        for number in 0..rounds {
            let body = body(number);
            // Whoever goes first is warmed up by nobody.
            if number % 2 == 0 {
                with.push(timed(&noting_office, &method, path, &body).await);
                without.push(timed(&bare_office, &method, path, &body).await);
            } else {
                without.push(timed(&bare_office, &method, path, &body).await);
                with.push(timed(&noting_office, &method, path, &body).await);
            }
        }
        let (with, without) = (median(with), median(without));
        println!(
            "{label:<28} {with:>7.0} us, noting nothing {without:>7.0} us: {:+.1} %",
            (with / without - 1.0) * 100.0
        );
    }
}
