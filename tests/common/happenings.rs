//! Events as senders write them, and an office with a history that has something of everything.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

use super::app::{App, Caller, house, small_office};
use serde_json::{Value, json};
use uuid::Uuid;

/// An event with an identifier that only its number decides.
pub fn event(number: u128, at: &str, happened: Value) -> Value {
    json!({"id": Uuid::from_u128(number + (7 << 76)), "at": at, "event": happened})
}

pub fn id(event: &Value) -> String {
    event["id"].as_str().unwrap().to_owned()
}

/// With members more or others.
pub fn with(mut body: Value, members: Value) -> Value {
    body.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
    body
}

/// Twelve readings of the living room and four of the hall, a little scattered about these means.
pub fn readings(living: f64, hall: f64) -> Value {
    let area = |name: &'static str, mean: f64, count: usize| {
        (0..count).map(move |index| {
            let scatter = [-0.3, 0.3, -0.1, 0.1][index % 4];
            json!({"area": name, "mc_percent": ((mean + scatter) * 100.0).round() / 100.0})
        })
    };
    area("Living room", living, 12).chain(area("Hall", hall, 4)).collect()
}

/// Vacuum, part A, part B, readings, seal in a house of its own.
pub fn treated(on_fail: Value) -> Value {
    json!({
        "key": "treated", "name": "Elm Street 2", "house": "elm-2", "release": "2026-03-01T00:00:00-05:00",
        "steps": [
            {"key": "vacuum", "name": "Vacuum", "kind": "vacuum", "minutes": 30},
            {"key": "treat-a", "name": "Treat, part A", "kind": "treat_a", "minutes": 30, "skills": ["treatment"]},
            {"key": "treat-b", "name": "Treat, part B", "kind": "treat_b", "minutes": 30, "skills": ["treatment"]},
            {"key": "readings", "name": "Readings", "kind": "check", "minutes": 30, "recheck_after_minutes": 240,
             "meter": {"kind": "pinless", "baseline_step": "vacuum"}, "on_fail": on_fail},
            {"key": "seal", "name": "Seal", "kind": "seal", "minutes": 60}
        ],
        "waits": [
            {"from": "vacuum", "to": "treat-a"},
            {"from": "treat-a", "to": "treat-b", "kind": "dwell", "min_minutes": 10,
             "max": {"minutes": 15, "on_exceed": "forbid"}},
            {"from": "treat-b", "to": "readings", "min_minutes": 720, "film": "treatment", "keep_off": true,
             "overnight": true},
            {"from": "readings", "to": "seal"}
        ]
    })
}

fn region() -> Value {
    let hour = |hour: u32| json!({"start": format!("2026-03-09T{hour:02}:00:00Z"), "temp_c": 9.5, "rh_percent": 60});
    json!({"key": "coast", "name": "Coast", "forecast": {"hours": (0..24).map(hour).collect::<Vec<_>>()}})
}

/// Two crews, a machine, a region, two houses; a job in one of them. Thursday evening.
pub async fn office(app: &App) -> Caller {
    let office = small_office(app).await;
    office.post("/v1/regions", &region()).await.expect(201);
    office.post("/v1/houses", &house("elm-2")).await.expect(201);
    app.clock.set("2026-03-12T22:00:00Z".parse().unwrap());
    office
}

const LINDEN: &str = "linden-4-floors";

/// What happened from Monday to Thursday, in the order in which it happened. Everything in it is so.
pub fn week() -> Vec<Value> {
    let on_floor =
        |kind: &str, job: &str, step: &str, crew: &str| json!({"kind": kind, "job": job, "step": step, "crew": crew});
    let hour = |hour: u32| json!({"start": format!("2026-03-10T{hour:02}:00:00Z"), "temp_c": 4.0, "rh_percent": 80});
    let hours: Vec<Value> = (0..24).map(hour).collect();
    let dry: Vec<Value> = hours.iter().map(|hour| with(hour.clone(), json!({"rh_percent": 40}))).collect();
    let again = json!({"treat_again": ["treat-a", "treat-b"]});
    let filler = json!([{"key": "fill", "name": "Fill gaps", "kind": "other", "minutes": 45}]);
    let stairs = json!([{"key": "stairs", "name": "Stairs", "kind": "sand", "minutes": 90}]);
    let told = [
        ("2026-03-09T06:10:00-04:00", json!({"kind": "job_added", "job": treated(again)})),
        (
            "2026-03-09T06:20:00-04:00",
            json!({"kind": "release_moved", "job": LINDEN, "release": "2026-03-09T07:00:00-04:00"}),
        ),
        (
            "2026-03-09T06:30:00-04:00",
            json!({"kind": "crew_away", "crew": "south",
            "from": "2026-03-09T07:00:00-04:00", "until": "2026-03-14T00:00:00-04:00"}),
        ),
        ("2026-03-09T07:00:10-04:00", on_floor("step_started", LINDEN, "sand", "north")),
        (
            "2026-03-09T09:00:40-04:00",
            with(on_floor("step_paused", LINDEN, "sand", "north"), json!({"remaining_minutes": 60})),
        ),
        (
            "2026-03-09T09:05:00-04:00",
            json!({"kind": "machine_broken", "equipment": "big-machine",
            "from": "2026-03-09T09:05:00-04:00", "until": "2026-03-20T07:00:00-04:00"}),
        ),
        ("2026-03-09T10:00:00-04:00", json!({"kind": "crew_back", "crew": "south"})),
        ("2026-03-09T10:05:00-04:00", json!({"kind": "machine_mended", "equipment": "big-machine"})),
        ("2026-03-09T10:10:00-04:00", on_floor("step_started", LINDEN, "sand", "south")),
        ("2026-03-09T11:20:00-04:00", on_floor("step_finished", LINDEN, "sand", "south")),
        (
            "2026-03-09T11:25:00-04:00",
            json!({"kind": "job_grown", "job": LINDEN, "steps": filler,
            "waits": [{"from": "sand", "to": "fill"}, {"from": "fill", "to": "coat"}]}),
        ),
        (
            "2026-03-09T11:26:00-04:00",
            json!({"kind": "job_grown", "job": LINDEN, "steps": stairs,
            "waits": [{"from": "sand", "to": "stairs"}, {"from": "stairs", "to": "coat"}]}),
        ),
        ("2026-03-09T11:30:00-04:00", on_floor("step_started", LINDEN, "fill", "south")),
        ("2026-03-09T12:20:00-04:00", on_floor("step_finished", LINDEN, "fill", "south")),
        (
            "2026-03-09T12:30:00-04:00",
            with(
                on_floor("readings_taken", "treated", "vacuum", "north"),
                json!({"started_at": "2026-03-09T12:00:00-04:00", "readings": readings(7.0, 7.4), "outcome": "done"}),
            ),
        ),
        ("2026-03-09T12:35:00-04:00", on_floor("step_started", "treated", "treat-a", "north")),
        ("2026-03-09T13:00:00-04:00", on_floor("step_finished", "treated", "treat-a", "north")),
        (
            "2026-03-09T13:40:00-04:00",
            with(on_floor("re_wet", "treated", "treat-a", "north"), json!({"started_at": "2026-03-09T13:20:00-04:00"})),
        ),
        ("2026-03-09T13:41:00-04:00", on_floor("step_started", "treated", "treat-b", "north")),
        ("2026-03-09T13:55:00-04:00", on_floor("step_finished", "treated", "treat-b", "north")),
        ("2026-03-09T15:00:00-04:00", json!({"kind": "due_moved", "job": LINDEN, "due": "2026-03-30T17:00:00-04:00"})),
        ("2026-03-10T06:00:00-04:00", json!({"kind": "forecast_replaced", "region": "coast", "hours": hours})),
        (
            "2026-03-10T07:30:00-04:00",
            with(
                on_floor("readings_taken", "treated", "readings", "north"),
                json!({"started_at": "2026-03-10T07:00:00-04:00", "readings": readings(9.0, 13.0)}),
            ),
        ),
        ("2026-03-10T08:00:00-04:00", json!({"kind": "due_moved", "job": LINDEN, "due": "2026-03-29T17:00:00-04:00"})),
        ("2026-03-10T08:10:00-04:00", on_floor("step_started", "treated", "treat-a-2", "north")),
        ("2026-03-10T08:40:00-04:00", on_floor("step_finished", "treated", "treat-a-2", "north")),
        (
            "2026-03-10T08:55:00-04:00",
            with(
                on_floor("step_finished", "treated", "treat-b-2", "north"),
                json!({"started_at": "2026-03-10T08:42:00-04:00"}),
            ),
        ),
        (
            "2026-03-10T09:00:00-04:00",
            json!({"kind": "house_closed", "house": "linden-4",
            "from": "2026-03-10T09:00:00-04:00", "until": "2026-03-18T00:00:00-04:00"}),
        ),
        ("2026-03-10T12:00:00-04:00", json!({"kind": "forecast_replaced", "region": "coast", "hours": dry})),
        ("2026-03-11T07:00:00-04:00", json!({"kind": "house_opened", "house": "linden-4"})),
        ("2026-03-11T07:05:00-04:00", json!({"kind": "job_held", "job": LINDEN})),
        (
            "2026-03-11T07:30:00-04:00",
            with(
                on_floor("readings_taken", "treated", "readings", "north"),
                json!({"started_at": "2026-03-11T07:00:00-04:00", "readings": readings(8.0, 8.3)}),
            ),
        ),
        ("2026-03-11T08:00:00-04:00", json!({"kind": "job_reopened", "job": LINDEN})),
        ("2026-03-11T08:10:00-04:00", on_floor("step_started", LINDEN, "stairs", "south")),
        ("2026-03-11T10:00:00-04:00", on_floor("step_finished", LINDEN, "stairs", "south")),
        ("2026-03-11T10:30:00-04:00", on_floor("step_started", LINDEN, "coat", "south")),
        ("2026-03-11T12:00:00-04:00", on_floor("step_finished", LINDEN, "coat", "south")),
        ("2026-03-11T13:00:00-04:00", on_floor("step_started", "treated", "seal", "north")),
        (
            "2026-03-12T06:00:00-04:00",
            json!({"kind": "crew_short", "crew": "north", "people": 1,
            "from": "2026-03-12T07:00:00-04:00", "until": "2026-03-16T00:00:00-04:00"}),
        ),
    ];
    told.into_iter().enumerate().map(|(number, (at, happened))| event(number as u128 + 1, at, happened)).collect()
}

/// Everything known now, with histories in one order.
pub async fn known(office: &Caller) -> Value {
    in_order(office.get("/v1/planning-file").await.expect(200))
}

/// The tries of a job by step and beginning.
pub fn in_order(mut file: Value) -> Value {
    for job in file["jobs"].as_array_mut().unwrap() {
        if let Some(history) = job.get_mut("history").and_then(Value::as_array_mut) {
            history.sort_by_key(|entry| (entry["step"].to_string(), entry["started_at"].to_string()));
        }
    }
    file
}

/// Every event of the company, newest first.
pub async fn told(office: &Caller, query: &str) -> Vec<Value> {
    office.get(&format!("/v1/events?limit=200{query}")).await.expect(200)["items"].as_array().unwrap().clone()
}
