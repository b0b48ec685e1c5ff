//! A server that is told to end under load: whatever was sent over a connection is answered in full, new connections are
//! answered or refused, and what was acknowledged is there. `TACKFREE_CRASH_ROUNDS=500` does it fifty times.

use crate::common::crash::office::found;
use crate::common::crash::outside::Outside;
use crate::common::crash::stage::Stage;
use crate::common::crash::wire::{Fate, Wire};
use chrono::{Duration as Span, Utc};
use rustix::process::Signal;
use serde_json::json;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};
use tokio::time::{sleep, timeout};
use uuid::Uuid;

/// Longer than a server may take to end.
const SOON: Duration = Duration::from_secs(30);

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn told_to_end_under_load_the_server_answers_whatever_was_sent() {
    let mut stage = Stage::set().await;
    let founded = found(&stage.http, &stage.program.base(), None).await;
    let rounds =
        std::env::var("TACKFREE_CRASH_ROUNDS").map_or(2, |rounds| (rounds.parse::<u64>().unwrap() / 10).max(2));
    let mut ends = Vec::new();
    let mut fates: BTreeMap<String, usize> = BTreeMap::new();
    let mut acknowledged = Vec::new();
    for round in 0..rounds {
        let mut clients = tokio::task::JoinSet::new();
        for number in 0..12_u128 {
            let (address, token, now) = (stage.program.address(), founded.token.clone(), founded.now);
            clients.spawn(async move {
                // Half of them keep their connections, one rests between requests.
                let mut wire = Wire::new(address, number % 2 == 0);
                let (mut fates, mut acknowledged) = (Vec::new(), Vec::new());
                for turn in 0.. {
                    let id = Uuid::from_u128(u128::from(round) << 100 | number << 80 | turn << 64 | 8 << 60);
                    let (method, path, body) = match (number % 6, turn % 8) {
                        (0 | 1, _) | (_, 2) => ("POST", "/v1/events", {
                            let due = (now + Span::hours(700 + (turn % 100) as i64)).to_rfc3339();
                            let told = json!({"kind": "due_moved", "job": format!("job-{}", number % 8), "due": due});
                            json!({"id": id, "at": Utc::now().to_rfc3339(), "event": told}).to_string()
                        }),
                        (2, 0) => ("POST", "/v1/plans", json!({"move_budget": 50}).to_string()),
                        (3, _) => ("GET", "/healthz", String::new()),
                        _ => ("GET", "/v1/plans/published", String::new()),
                    };
                    let fate = wire.send(method, path, &token, &body).await;
                    if path == "/v1/events" && matches!(fate, Fate::Answered { status: 200..=299, .. }) {
                        acknowledged.push(id);
                    }
                    let over = !matches!(fate, Fate::Answered { .. });
                    fates.push(fate);
                    if over {
                        break;
                    }
                    if number == 4 {
                        sleep(Duration::from_millis(300)).await;
                    }
                }
                (fates, acknowledged)
            });
        }
        sleep(Duration::from_millis(1_200)).await;
        stage.program.signal(Signal::TERM);
        let begin = Instant::now();
        let ended = timeout(SOON, stage.program.ended()).await.expect("it ends");
        ends.push(begin.elapsed().as_millis());
        assert!(ended.success(), "{ended}");
        while let Some(done) = clients.join_next().await {
            let (of_client, events) = done.unwrap();
            acknowledged.extend(events);
            for fate in of_client {
                let word = match fate {
                    Fate::Answered { status, .. } => format!("answered {status}"),
                    other => format!("{other:?}"),
                };
                *fates.entry(word).or_default() += 1;
            }
        }
        stage.start_server().await;
    }
    println!("{fates:?}; ended after {ends:?} ms; {}", stage.told_readiness());
    let outside = Outside::new(&stage.base, &founded.token);
    let there = outside.list("/v1/events?kind=due_moved&limit=200").await;
    let there: Vec<&str> = there.iter().map(|event| event["id"].as_str().unwrap()).collect();
    for id in &acknowledged {
        assert_eq!(there.iter().filter(|there| **there == id.to_string()).count(), 1, "{id} was acknowledged");
    }
    assert!(acknowledged.len() > 10, "{fates:?}");
    let dropped: Vec<_> =
        fates.keys().filter(|word| word.starts_with("Dropped") || word.contains("answered 500")).collect();
    assert!(dropped.is_empty(), "sent, and not answered: {fates:?}");
    stage.assert_ready_in_time();
}
