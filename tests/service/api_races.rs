//! Sixteen clients at once: of those who change one version one wins, nobody sees a failure of the server, and nothing
//! happens twice.

use crate::common::app::{self, Answer, Caller, equipment, small_office};
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::BTreeMap;

const CLIENTS: usize = 16;

/// The same request from all clients at once; how often each status came back.
async fn at_once(request: impl AsyncFn(usize) -> Answer) -> BTreeMap<u16, usize> {
    let answers = futures_util::future::join_all((0..CLIENTS).map(|client| request(client))).await;
    let mut count = BTreeMap::new();
    for answer in answers {
        assert!(answer.status.as_u16() < 500, "{}", answer.text);
        *count.entry(answer.status.as_u16()).or_default() += 1;
    }
    assert_eq!(count.values().sum::<usize>(), CLIENTS);
    count
}

fn send<'a>(
    office: &'a Caller,
    method: Method,
    path: &'a str,
    headers: &'a [(&'a str, &'a str)],
    body: &'a Value,
) -> impl Future<Output = Answer> + 'a {
    let body = (!body.is_null()).then_some(body);
    office.send(method, path, headers, body)
}

#[tokio::test]
async fn one_of_many_changes_a_job() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let path = "/v1/jobs/linden-4-floors";
    let etag = office.get(path).await.etag().to_owned();
    let count = at_once(async |client| {
        let body = json!({"name": format!("Client {client}")});
        send(&office, Method::PATCH, path, &[("If-Match", &etag)], &body).await
    })
    .await;
    assert_eq!(count, BTreeMap::from([(200, 1), (412, CLIENTS - 1)]));
    assert_eq!(office.get(path).await.etag(), "\"2\"");
}

#[tokio::test]
async fn one_of_many_publishes_a_draft() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let draft = office.post("/v1/plans", &json!({"move_budget": 50})).await;
    let path = format!("{}/publication", draft.header("location"));
    let etag = draft.etag().to_owned();
    let count = at_once(async |_| send(&office, Method::POST, &path, &[("If-Match", &etag)], &Value::Null).await).await;
    assert_eq!(count.get(&200), Some(&1), "{count:?}");
    let plans = office.get("/v1/plans").await.expect(200);
    assert_eq!(plans["items"].as_array().unwrap().iter().filter(|plan| plan["status"] == "published").count(), 1);
}

#[tokio::test]
async fn many_drafts_are_published_one_after_the_other() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut drafts = Vec::new();
    for seed in 0..CLIENTS {
        let draft = office.post("/v1/plans", &json!({"move_budget": 10, "seed": seed})).await;
        drafts.push(format!("{}/publication", draft.header("location")));
    }
    let count =
        at_once(async |client| send(&office, Method::POST, &drafts[client], &[("If-Match", "*")], &Value::Null).await)
            .await;
    assert!(count.get(&200).is_some_and(|winners| *winners >= 1), "{count:?}");
    assert!(count.keys().all(|status| matches!(status, 200 | 409)), "{count:?}");
    let plans = office.get("/v1/plans?limit=50").await.expect(200);
    let with = |status: &str| plans["items"].as_array().unwrap().iter().filter(|plan| plan["status"] == status).count();
    assert_eq!((with("published"), with("superseded")), (1, count[&200] - 1));
}

#[tokio::test]
async fn one_of_many_reports_a_step_done() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let path = "/v1/jobs/linden-4-floors/records";
    let body = json!({
        "step": "sand", "crew": "north", "outcome": "done", "started_at": "2026-03-09T04:00:00-04:00",
        "finished_at": "2026-03-09T05:00:00-04:00"
    });
    let count = at_once(async |_| send(&office, Method::POST, path, &[], &body).await).await;
    assert_eq!(count, BTreeMap::from([(201, 1), (409, CLIENTS - 1)]));
    assert_eq!(office.get(path).await.expect(200)["items"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn a_request_that_comes_many_times_at_once_is_done_once() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let body = json!({"move_budget": 10});
    let key = [("Idempotency-Key", "plan-once")];
    let count = at_once(async |_| send(&office, Method::POST, "/v1/plans", &key, &body).await).await;
    assert!(count.get(&201).is_some_and(|done| *done >= 1), "{count:?}");
    assert!(count.keys().all(|status| matches!(status, 201 | 409)), "{count:?}");
    assert_eq!(office.get("/v1/plans").await.expect(200)["items"].as_array().unwrap().len(), 1);
    let replayed = send(&office, Method::POST, "/v1/plans", &key, &body).await;
    assert_eq!((replayed.status.as_u16(), replayed.header("idempotency-replayed")), (201, "true"));
}

#[tokio::test]
async fn one_of_many_gets_a_key_and_one_puts_it_away() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let body = equipment("edger");
    let count = at_once(async |_| send(&office, Method::POST, "/v1/equipment", &[], &body).await).await;
    assert_eq!(count, BTreeMap::from([(201, 1), (409, CLIENTS - 1)]));
    let count = at_once(async |_| {
        send(&office, Method::DELETE, "/v1/equipment/edger", &[("If-Match", "\"1\"")], &Value::Null).await
    })
    .await;
    assert_eq!(count, BTreeMap::from([(204, 1), (404, CLIENTS - 1)]));
}

#[tokio::test]
async fn founding_at_once_with_one_key_founds_once() {
    let app = app::start().await;
    let operator = app.caller(app::OPERATOR);
    let body = json!({"name": "Harrow Falls Floors", "settings": {"time_zone": "America/New_York"}});
    let key = [("Idempotency-Key", "found-once")];
    let count = at_once(async |_| send(&operator, Method::POST, "/v1/companies", &key, &body).await).await;
    assert!(count.keys().all(|status| matches!(status, 201 | 409)), "{count:?}");
    let companies = crate::common::postgres::text(&app.test.owner, "SELECT count(*)::text FROM company").await;
    assert_eq!(companies, "1");
}
