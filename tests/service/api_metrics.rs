//! The meters, asked of the program as people run it: what they count is what happened, who may not read them does not,
//! and nothing in them says whose it was.

use crate::common::app::{Caller, crew, furnish};
use crate::common::program::Program;
use crate::common::receiver::{Answer, Receiver};
use crate::common::store::fresh_store;
use reqwest::Method;
use serde_json::json;
use std::time::Duration;

const TOKEN: &str = "a-token-for-watchers-only";
const COMPANY: &str = "Zweifler Floors";

/// Everything that is measured.
async fn text(watcher: &Caller) -> String {
    let answer = watcher.get("/metrics").await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    assert_eq!(answer.header("content-type"), "text/plain; version=0.0.4; charset=utf-8");
    answer.text
}

/// The value of a series, if it is there.
fn value(text: &str, series: &str) -> Option<f64> {
    text.lines().find_map(|line| line.strip_prefix(series)?.strip_prefix(' ')?.parse().ok())
}

/// Until the series has at least this value.
async fn reaches(watcher: &Caller, series: &str, least: f64) -> String {
    for _ in 0..200 {
        let text = text(watcher).await;
        if value(&text, series).is_some_and(|value| value >= least) {
            return text;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("{series} does not reach {least}: {}", text(watcher).await)
}

#[tokio::test]
async fn what_happened_is_counted_and_nothing_says_whose_it_was() {
    let (test, receiver) = (fresh_store().await, Receiver::start().await);
    let settings = [("TACKFREE_METRICS_TOKEN", TOKEN), ("TACKFREE_WEBHOOK_TARGETS", "private")];
    let program = Program::serve(&test, &settings).await;
    let (office, watcher) = (program.company(COMPANY).await, program.caller(TOKEN));
    // The first try fails and the second arrives.
    receiver.will_answer(&[Answer::Status(500)]);
    office.post("/v1/webhooks", &json!({"address": receiver.address, "types": ["plan.published"]})).await.expect(201);
    furnish(&office).await;
    office.publish().await;
    let feed = office.post("/v1/feeds", &json!({"kind": "office"})).await.expect(201);
    let address = feed["address"].as_str().unwrap().to_owned();
    let calendar = program.caller("").get(&address).await;
    let known = [("if-none-match", calendar.etag())];
    assert_eq!(program.caller("").send(Method::GET, &address, &known, None).await.status, 304);
    office.get("/v1/houses/no-such-house").await.problem(404, "not-found");
    program.caller("").get("/nowhere/at-all").await.problem(404, "unknown-path");
    let secret = address.trim_start_matches("/feeds/").trim_end_matches(".ics").to_owned();

    reaches(&watcher, "tackfree_webhook_tries_total{outcome=\"again\"}", 1.0).await;
    reaches(&watcher, "tackfree_webhook_tries_total{outcome=\"done\"}", 1.0).await;
    // What changes the world is a company's turn to be repaired: one more person breaks no promise.
    let mut larger = crew("north");
    larger["head_count"] = json!(3);
    office.put("/v1/crews/north", &larger).await.expect(200);
    let text = reaches(&watcher, "tackfree_repairs_total{outcome=\"unchanged\"}", 1.0).await;

    let count = |series: &str| value(&text, series).unwrap_or_else(|| panic!("no {series} in\n{text}"));
    for (series, expected) in [
        ("tackfree_requests_total{route=\"/feeds/{secret}.ics\",method=\"GET\",status=\"200\"}", 1.0),
        ("tackfree_requests_total{route=\"/feeds/{secret}.ics\",method=\"GET\",status=\"304\"}", 1.0),
        ("tackfree_requests_total{route=\"/v1/houses/{key}\",method=\"GET\",status=\"404\"}", 1.0),
        ("tackfree_requests_total{route=\"none\",method=\"GET\",status=\"404\"}", 1.0),
        ("tackfree_requests_total{route=\"/v1/crews\",method=\"POST\",status=\"201\"}", 2.0),
        ("tackfree_request_duration_seconds_count{route=\"/v1/crews\",method=\"POST\"}", 2.0),
        ("tackfree_plannings_total{kind=\"draft\",outcome=\"made\"}", 1.0),
        ("tackfree_planning_duration_seconds_count{kind=\"draft\"}", 1.0),
        ("tackfree_webhook_try_duration_seconds_count", 2.0),
        ("tackfree_outbox_waiting", 0.0),
        ("tackfree_database_up", 1.0),
        ("tackfree_database_connections{pool=\"requests\",state=\"most\"}", 8.0),
        ("tackfree_database_connections{pool=\"work\",state=\"most\"}", 4.0),
    ] {
        assert!((count(series) - expected).abs() < 1e-9, "{series} is {} in\n{text}", count(series));
    }
    assert!(count("process_resident_memory_bytes") > 1e6 && count("process_open_fds") > 5.0, "{text}");
    assert!(count("tackfree_database_connections{pool=\"requests\",state=\"idle\"}") >= 1.0, "{text}");
    // Each is explained to whoever reads them.
    let page = include_str!("../../docs/running.md");
    for name in text.lines().filter_map(|line| line.strip_prefix("# TYPE ")?.split(' ').next()) {
        assert!(page.contains(&format!("`{name}")), "docs/running.md does not say what {name} is");
    }
    for own in [COMPANY, "Zweifler", TOKEN, office.token.as_str(), &secret, "linden-4", "no-such-house", "nowhere"] {
        assert!(!text.contains(own), "{own} is in\n{text}");
    }
}

#[tokio::test]
async fn nobody_reads_the_meters_unless_the_operator_says_who() {
    let test = fresh_store().await;
    let program = Program::serve(&test, &[]).await;
    let office = program.company(COMPANY).await;
    office.get("/metrics").await.problem(404, "unknown-path");
    drop(program);

    let settings = [("TACKFREE_METRICS_TOKEN", TOKEN), ("TACKFREE_METRICS_LISTEN", "127.0.0.1:0")];
    let program = Program::serve(&test, &settings).await;
    for token in ["", "guessed", &office.token] {
        program.caller(token).get("/metrics").await.problem(401, "unauthenticated");
    }
    text(&program.caller(TOKEN)).await;
    // The other address has the meters, and nothing else.
    let log = program.log();
    let own = log.lines().find_map(|line| line.strip_prefix("tackfree's meters are on ")).unwrap();
    let own = crate::common::app::caller(own.strip_suffix("/metrics").unwrap(), "");
    assert!(text(&own).await.contains("tackfree_build_info{version="));
    assert_eq!(own.get("/healthz").await.status, 404);
    let (ended, log) = program.stop();
    assert!(ended, "{log}");
}
