//! A crew's day by the real application: what is promised, how it stands after reports, what a check asks for, which waits
//! run; and the page that shows it.

use crate::common::app::{self, App, Caller, monday, small_office};
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};

/// The small office with a check before the coat; all of it is for crew north.
async fn office(app: &App) -> Caller {
    let office = small_office(app).await;
    let mut steps = app::steps();
    let check = json!({"key": "readings", "name": "Readings", "kind": "check", "minutes": 20,
                       "recheck_after_minutes": 240, "meter": {"kind": "pinless", "points_max": 1.5}});
    steps.as_array_mut().unwrap().insert(1, check);
    let mut waits = app::waits();
    waits[0]["to"] = json!("readings");
    waits.as_array_mut().unwrap().push(json!({"from": "readings", "to": "coat"}));
    let pins: Vec<Value> =
        ["sand", "readings", "coat", "hand-over"].iter().map(|step| json!({"step": step, "crew": "north"})).collect();
    let patch = json!({"steps": steps, "waits": waits, "pins": pins});
    office.patch("/v1/jobs/linden-4-floors", &patch).await.expect(200);
    office.publish().await;
    office
}

async fn day(caller: &Caller, date: &str) -> Value {
    caller.get(&format!("/v1/crew-days/north{date}")).await.expect(200)
}

fn all(day: &Value) -> Vec<Value> {
    let of = |works: &Value| works.as_array().cloned().unwrap_or_default();
    [of(&day["day"]["works"]), of(&day["unreported"]), of(&day["next_day"]["works"])].concat()
}

fn work<'a>(works: &'a [Value], step: &str) -> &'a Value {
    works.iter().find(|work| work["step"] == step).unwrap_or_else(|| panic!("no {step} in {works:?}"))
}

async fn tell(caller: &Caller, at: DateTime<Utc>, event: Value) {
    caller.post("/v1/events", &json!({"id": uuid::Uuid::now_v7(), "at": at, "event": event})).await.expect(201);
}

#[tokio::test]
async fn a_day_tells_what_comes_how_it_stands_and_what_it_needs() {
    let app = app::start().await;
    let office = office(&app).await;
    let shown = day(&office, "").await;
    assert_eq!((&shown["day"]["date"], &shown["time_zone"]), (&json!("2026-03-09"), &json!("America/New_York")));
    let works = all(&shown);
    let sand = work(&works, "sand");
    assert_eq!((&sand["standing"], &sand["dividable"]), (&json!("open"), &json!(true)));
    assert_eq!(sand["location"], json!({"latitude_deg": 40.7, "longitude_deg": -74.0}));
    assert_eq!(sand["gear"][0]["equipment"], "big-machine");
    assert!(sand["cautions"].as_array().unwrap().iter().any(|caution| caution["code"] == "wood-dust"), "{sand}");
    // 400 sq ft in one area or more, 40 readings on 1,000 sq ft: 16 at least.
    let check = work(&works, "readings");
    let areas = check["check"]["areas"].as_array().unwrap();
    assert!(areas.iter().map(|area| area["needed"].as_u64().unwrap()).sum::<u64>() >= 16, "{check}");
    assert_eq!((&check["check"]["points_max"], &check["follows_open"]), (&json!(1.5), &json!(["Sand"])));
    assert_eq!(shown["waits"], json!([]));

    let start = DateTime::parse_from_rfc3339(sand["start"].as_str().unwrap()).unwrap().to_utc();
    app.clock.set(start + Duration::minutes(30));
    tell(&office, start, json!({"kind": "step_started", "job": "linden-4-floors", "step": "sand", "crew": "north"}))
        .await;
    let works = all(&day(&office, "").await);
    assert_eq!(work(&works, "sand")["standing"], "running");
    let paused = json!({"kind": "step_paused", "job": "linden-4-floors", "step": "sand", "remaining_minutes": 60});
    tell(&office, start + Duration::minutes(20), paused).await;
    assert_eq!(work(&all(&day(&office, "").await), "sand")["standing"], "paused");
}

#[tokio::test]
async fn waits_run_from_what_was_reported_and_stretch_with_the_air() {
    let app = app::start().await;
    let office = office(&app).await;
    let at = |minutes: i64| monday() + Duration::minutes(minutes);
    app.clock.set(at(600));
    let done = |step: &str, from: i64, until: i64| {
        let started = at(from);
        (
            at(until),
            json!({"kind": "step_finished", "job": "linden-4-floors", "step": step, "crew": "north", "started_at": started}),
        )
    };
    for (when, event) in [done("sand", 60, 180), done("coat", 300, 420)] {
        if event["step"] == "coat" {
            let passed = json!({"kind": "check_failed", "job": "linden-4-floors", "step": "readings", "crew": "north",
                                "started_at": at(200)});
            tell(&office, at(220), passed).await;
            let note = json!({"id": uuid::Uuid::now_v7(), "at": at(290), "note": "dry enough", "event":
                {"kind": "readings_taken", "job": "linden-4-floors", "step": "readings", "crew": "north",
                 "started_at": at(270), "readings": [], "outcome": "done"}});
            office.post("/v1/events", &note).await.expect(201);
        }
        tell(&office, when, event).await;
    }
    let shown = day(&office, "").await;
    let waits = shown["waits"].as_array().unwrap();
    assert_eq!(waits.len(), 1, "{shown}");
    let wait = &waits[0];
    assert_eq!(
        (&wait["after"], &wait["before"], &wait["keep_off"]),
        (&json!("Coat"), &json!("Hand-over"), &json!(true))
    );
    assert_eq!(wait["before_step"], "hand-over");
    let ready = DateTime::parse_from_rfc3339(wait["ready_at"].as_str().unwrap()).unwrap().to_utc();
    // 1,440 minutes on the label: never sooner than that by less than the air allows (half), and it has an end.
    assert!(ready >= at(420 + 720) && ready <= at(420 + 3 * 1440), "{wait}");
    app.clock.set(ready);
    assert_eq!(day(&office, "").await["waits"], json!([]), "what is over is not shown");
}

#[tokio::test]
async fn a_crew_sees_its_own_day_only() {
    let app = app::start().await;
    let office = office(&app).await;
    let token = |crew: &str| json!({"name": "phone", "role": "crew", "crew": crew});
    let (north, south) = (office.token(&token("north")).await, office.token(&token("south")).await);
    assert_eq!(day(&north, "").await["crew"], "north");
    south.get("/v1/crew-days/north").await.problem(403, "not-your-crew");
    office.get("/v1/crew-days/nobody").await.problem(404, "not-found");
    office.get("/v1/crew-days/north?date=tomorrow").await.problem(400, "bad-query");
    office.get("/v1/crew-days/north?date=0001-01-01").await.problem(400, "bad-query");
    let later = day(&office, "?date=2026-08-01").await;
    assert_eq!((&later["day"]["works"], &later["next_day"]), (&json!([]), &Value::Null));
}
