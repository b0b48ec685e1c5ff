//! A company whose promises do not begin while the test runs: crews, houses with a job each, a published plan, a
//! calendar, and a webhook where somebody listens.

use super::super::app;
use super::super::promise::hours;
use super::program::OPERATOR;
use chrono::{DateTime, Duration, DurationRound, Utc};
use reqwest::Client;
use serde_json::{Value, json};

pub const CREWS: usize = 4;
pub const HOUSES: usize = 8;

pub struct Founded {
    pub token: String,
    /// Path of the office's calendar.
    pub calendar: String,
    /// The plan that was published first.
    pub plan: String,
    pub now: DateTime<Utc>,
}

async fn post(http: &Client, base: &str, token: &str, path: &str, body: &Value) -> Value {
    let request = http.post(format!("{base}{path}")).bearer_auth(token).header("If-Match", "*").json(body);
    let answer = request.send().await.unwrap();
    let status = answer.status();
    let text = answer.text().await.unwrap();
    assert!(status.is_success(), "{path}: {status} {text}");
    serde_json::from_str(&text).unwrap()
}

pub async fn found(http: &Client, base: &str, receiver: Option<&str>) -> Founded {
    let now = Utc::now().duration_trunc(Duration::minutes(1)).unwrap();
    let settings = json!({"time_zone": "UTC", "repairs": "automatic", "horizon_days": 120});
    let founded = post(http, base, OPERATOR, "/v1/companies", &json!({"name": "Outlast", "settings": settings})).await;
    let token = founded["token"]["secret"].as_str().unwrap().to_owned();
    let send = async |path: &str, body: &Value| post(http, base, &token, path, body).await;
    if let Some(address) = receiver {
        send("/v1/webhooks", &json!({"address": address, "types": []})).await;
    }
    for number in 0..CREWS {
        let mut crew = app::crew(&format!("crew-{number}"));
        crew["calendar"] = hours(now);
        send("/v1/crews", &crew).await;
    }
    send("/v1/equipment", &app::equipment("big-machine")).await;
    for number in 0..HOUSES {
        let mut house = app::house(&format!("house-{number}"));
        house["access"] = hours(now);
        send("/v1/houses", &house).await;
        let mut job = app::job(&format!("job-{number}"), &format!("house-{number}"));
        job["release"] = (now - Duration::days(6)).to_rfc3339().into();
        job["due"] = (now + Duration::days(30)).to_rfc3339().into();
        send("/v1/jobs", &job).await;
    }
    let draft = send("/v1/plans", &json!({"move_budget": 20})).await;
    let plan = draft["id"].as_str().unwrap().to_owned();
    send(&format!("/v1/plans/{plan}/publication"), &json!({})).await;
    let feed = send("/v1/feeds", &json!({"kind": "office"})).await;
    let calendar = feed["address"].as_str().unwrap().to_owned();
    Founded { token, calendar, plan, now }
}
