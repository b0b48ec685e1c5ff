//! How much one caller may ask for, and how much the server takes on at the same time.

use crate::common::app::{self, Caller, OPERATOR};
use reqwest::StatusCode;
use serde_json::json;
use std::num::NonZeroU32;
use tackfree::api::{RequestLimits, Settings};

async fn app_with(requests: RequestLimits) -> app::App {
    let operator_token = Some(OPERATOR.into());
    app::start_with(Settings { operator_token, workers: Some(1), requests, ..Settings::default() }).await
}

fn a_minute(requests: u32) -> NonZeroU32 {
    NonZeroU32::new(requests).unwrap()
}

/// How many of so many requests in a row are answered with this status.
async fn answered(caller: &Caller, requests: usize, status: u16) -> usize {
    let mut count = 0;
    for _ in 0..requests {
        count += usize::from(caller.get("/v1/company").await.status.as_u16() == status);
    }
    count
}

#[tokio::test]
async fn a_caller_gone_wild_is_held_back_and_nobody_else() {
    let app = app_with(RequestLimits { of_caller_a_minute: a_minute(60), ..RequestLimits::default() }).await;
    let office = app.company("Harrow Falls Floors").await;
    let other = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    // A sixth of sixty at once (one was the token's), then one a second.
    assert!((9..=11).contains(&answered(&office, 20, 200).await));
    let refused = office.get("/v1/company").await;
    refused.problem(429, "too-many-requests");
    assert_eq!(refused.header("retry-after"), "1");
    assert_eq!(answered(&other, 5, 200).await, 5, "another token of the same company");
    tokio::time::sleep(std::time::Duration::from_millis(1_100)).await;
    office.get("/v1/company").await.expect(200);
}

#[tokio::test]
async fn who_guesses_at_tokens_is_held_back_and_those_who_have_one_are_not() {
    let app = app_with(RequestLimits { unknown_a_minute: a_minute(10), ..RequestLimits::default() }).await;
    let office = app.company("Harrow Falls Floors").await;
    let guesser = app.caller("tf_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA");
    assert_eq!(answered(&guesser, 10, 401).await, 10);
    let refused = guesser.get("/v1/company").await;
    refused.problem(429, "too-many-requests");
    assert!(refused.header("retry-after").parse::<u64>().unwrap() <= 7);
    office.get("/v1/company").await.expect(200);
}

/// 64 at once where 2 are taken on: whoever is not answered is told when to come again, and the server is well.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_too_much_is_refused_at_once_and_the_rest_is_answered() {
    let app = app_with(RequestLimits { under_way: 2, ..RequestLimits::default() }).await;
    let office = app.company("Harrow Falls Floors").await;
    let asked: Vec<_> = (0..64)
        .map(|_| {
            let office = office.clone();
            tokio::spawn(async move { office.get("/v1/planning-file").await })
        })
        .collect();
    let (mut done, mut refused) = (0, 0);
    for answer in asked {
        let answer = answer.await.unwrap();
        if answer.status == StatusCode::OK {
            done += 1;
        } else {
            answer.problem(503, "server-busy");
            assert_eq!(answer.header("retry-after"), "1");
            refused += 1;
        }
    }
    assert!(done >= 2 && refused > 0, "{done} answered, {refused} refused");
    app.caller("").get("/healthz").await.expect(200);
    office.get("/v1/planning-file").await.expect(200);
}
