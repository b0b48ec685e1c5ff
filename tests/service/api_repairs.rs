//! Repairs of the published plan: what changes the world leads to one, what changes nothing leads to none, automatic or
//! before the office, by one server at a time, and never past what happened meanwhile.

use crate::common::app::{self, App, Caller, crew, house, job, small_office};
use chrono::Duration;
use serde_json::{Value, json};
use std::time::Duration as Span;
use tackfree::service::{Repaired, Service};
use tackfree::store::{CompanyId, StoreError};
use uuid::Uuid;

/// A server's repairs without its loop.
fn service(app: &App) -> Service {
    Service::with_clock(app.test.store.clone(), app.clock.clone())
}

/// All repairs there are, and what the last one that did anything came to.
async fn repair(app: &App) -> Repaired {
    let service = service(app);
    let mut last = Repaired::Idle;
    loop {
        match service.repair_next().await.unwrap() {
            Repaired::Idle => return last,
            done => last = done,
        }
    }
}

async fn decide(office: &Caller, repairs: &str) {
    let mut company = office.get("/v1/company").await.expect(200);
    company["settings"]["repairs"] = repairs.into();
    let body = json!({"name": company["name"], "settings": company["settings"]});
    office.put("/v1/company", &body).await.expect(200);
}

/// An office with a promise: sanding from 07:00 on, and repairs as told.
async fn promised(repairs: &str) -> (App, Caller) {
    let app = app::start().await;
    let office = small_office(&app).await;
    decide(&office, repairs).await;
    office.publish().await;
    assert_eq!(repair(&app).await, Repaired::Unchanged, "a plan that was just made needs no repair");
    (app, office)
}

fn away(key: &str, from: &str, until: &str) -> Value {
    let mut document = crew(key);
    document["absences"] = json!([{"from": from, "until": until, "note": "ill"}]);
    document
}

fn sanding(plan: &Value) -> &Value {
    let placements = plan["placements"].as_array().unwrap();
    placements.iter().find(|placement| placement["step"] == "sand").unwrap()
}

async fn published(office: &Caller) -> Value {
    office.get("/v1/plans/published").await.expect(200)
}

#[tokio::test]
async fn an_ill_crew_is_planned_around_at_once() {
    let (app, office) = promised("automatic").await;
    let before = published(&office).await;
    let ill = sanding(&before)["crew"].as_str().unwrap().to_owned();
    let absent = away(&ill, "2026-03-09T06:00:00-04:00", "2026-03-12T00:00:00-04:00");
    office.put(&format!("/v1/crews/{ill}"), &absent).await.expect(200);
    let state = office.get("/v1/repairs/state").await.expect(200);
    assert_eq!((state["settled"].clone(), state["waiting"].clone()), (json!(false), json!(1)));
    assert!(matches!(repair(&app).await, Repaired::Changed(_)));
    let after = published(&office).await;
    assert_ne!(after["id"], before["id"]);
    assert_ne!(sanding(&after)["crew"], ill);
    let repairs = office.get("/v1/repairs").await.expect(200);
    let told = &repairs["items"][0];
    assert_eq!((told["outcome"].as_str(), &told["plan"]), (Some("published"), &after["id"]));
    assert_eq!(told["changes"][0]["what"], "crew");
    assert!(told["moved"].as_u64().unwrap() > 0);
    let id = told["id"].as_str().unwrap();
    assert_eq!(office.get(&format!("/v1/repairs/{id}")).await.expect(200), *told);
    let state = office.get("/v1/repairs/state?wait_seconds=5").await.expect(200);
    assert_eq!(state["settled"], true);
    assert!(state["proposal"].is_null());
}

#[tokio::test]
async fn the_office_decides_where_it_wants_to() {
    let (app, office) = promised("proposed").await;
    let before = published(&office).await;
    let ill = sanding(&before)["crew"].as_str().unwrap().to_owned();
    let path = format!("/v1/crews/{ill}");
    office.put(&path, &away(&ill, "2026-03-09T06:00:00-04:00", "2026-03-12T00:00:00-04:00")).await.expect(200);
    assert!(matches!(repair(&app).await, Repaired::Changed(_)));
    assert_eq!(published(&office).await["id"], before["id"], "nothing is promised without the office");
    let state = office.get("/v1/repairs/state").await.expect(200);
    let first = state["proposal"].as_str().unwrap().to_owned();
    let draft = office.get(&format!("/v1/plans/{first}")).await.expect(200);
    assert_eq!(draft["status"], "draft");
    // More news: the proposal gives way to a newer one.
    office.put(&path, &away(&ill, "2026-03-09T06:00:00-04:00", "2026-03-13T00:00:00-04:00")).await.expect(200);
    assert!(matches!(repair(&app).await, Repaired::Changed(_)));
    let second = office.get("/v1/repairs/state").await.expect(200)["proposal"].as_str().unwrap().to_owned();
    assert_ne!(second, first);
    assert_eq!(office.get(&format!("/v1/plans/{first}")).await.expect(200)["status"], "rejected");
    let publication = format!("/v1/plans/{second}/publication");
    office.send(reqwest::Method::POST, &publication, &[("If-Match", "*")], None).await.expect(200);
    assert_eq!(published(&office).await["id"], second);
    assert!(office.get("/v1/repairs/state").await.expect(200)["proposal"].is_null());
    // All as it was: what is promised now can stay, so nothing is proposed.
    office.put(&path, &crew(&ill)).await.expect(200);
    assert_eq!(repair(&app).await, Repaired::Unchanged);
}

#[tokio::test]
async fn a_proposal_goes_when_its_reason_has_gone() {
    let (app, office) = promised("proposed").await;
    let ill = sanding(&published(&office).await)["crew"].as_str().unwrap().to_owned();
    let path = format!("/v1/crews/{ill}");
    office.put(&path, &away(&ill, "2026-03-09T06:00:00-04:00", "2026-03-12T00:00:00-04:00")).await.expect(200);
    repair(&app).await;
    let proposal = office.get("/v1/repairs/state").await.expect(200)["proposal"].as_str().unwrap().to_owned();
    office.put(&path, &crew(&ill)).await.expect(200);
    assert_eq!(repair(&app).await, Repaired::Unchanged);
    assert!(office.get("/v1/repairs/state").await.expect(200)["proposal"].is_null());
    assert_eq!(office.get(&format!("/v1/plans/{proposal}")).await.expect(200)["status"], "rejected");
}

#[tokio::test]
async fn what_nobody_has_reported_goes_as_promised_for_a_while() {
    let (app, office) = promised("automatic").await;
    let before = published(&office).await;
    assert_eq!(sanding(&before)["start"], "2026-03-09T07:00:00-04:00");
    let touch = async || {
        // Any change will do to have the plan looked at.
        office.put("/v1/houses/linden-4", &house("linden-4")).await.expect(200);
        repair(&app).await
    };
    app.clock.set(app::monday() + Duration::minutes(100));
    assert!(matches!(touch().await, Repaired::Changed(_)), "it goes for begun");
    let after = published(&office).await;
    assert_eq!(
        (&sanding(&after)["start"], &sanding(&after)["state"]),
        (&json!("2026-03-09T07:00:00-04:00"), &json!("running"))
    );
    let file = office.get("/v1/planning-file").await.expect(200);
    assert_eq!(file["jobs"][0]["history"][0]["presumed"], true);
    assert!(
        office.get("/v1/repairs").await.expect(200)["items"].as_array().unwrap().is_empty(),
        "no promise was moved"
    );
    // The crew says that it has begun later: that counts.
    let report = json!({"step": "sand", "crew": sanding(&after)["crew"], "outcome": "running",
        "started_at": "2026-03-09T07:30:00-04:00"});
    office.post("/v1/jobs/linden-4-floors/records", &report).await.expect(201);
    repair(&app).await;
    assert_eq!(sanding(&published(&office).await)["start"], "2026-03-09T07:30:00-04:00");
}

#[tokio::test]
async fn silence_does_not_last_for_ever() {
    let (app, office) = promised("automatic").await;
    app.clock.set(app::monday() + Duration::minutes(180 + 121));
    office.put("/v1/houses/linden-4", &house("linden-4")).await.expect(200);
    assert!(matches!(repair(&app).await, Repaired::Changed(_)));
    let after = published(&office).await;
    assert_eq!(sanding(&after)["state"], "planned");
    assert!(sanding(&after)["start"].as_str().unwrap() > "2026-03-09T11:00:00-04:00", "{}", sanding(&after)["start"]);
    assert_eq!(sanding(&after)["moved_because"], "start_passed");
}

#[tokio::test]
async fn an_ill_crew_is_not_taken_to_have_begun() {
    let (app, office) = promised("automatic").await;
    let ill = sanding(&published(&office).await)["crew"].as_str().unwrap().to_owned();
    app.clock.set(app::monday() + Duration::minutes(100));
    let absent = away(&ill, "2026-03-09T06:00:00-04:00", "2026-03-10T00:00:00-04:00");
    office.put(&format!("/v1/crews/{ill}"), &absent).await.expect(200);
    repair(&app).await;
    assert_eq!(sanding(&published(&office).await)["state"], "planned");
}

#[tokio::test]
async fn nobody_is_taken_to_have_begun_in_a_closed_house() {
    let (app, office) = promised("automatic").await;
    app.clock.set(app::monday() + Duration::minutes(100));
    let mut closed = house("linden-4");
    closed["closures"] = json!([{"from": "2026-03-09T06:30:00-04:00", "until": "2026-03-10T00:00:00-04:00"}]);
    office.put("/v1/houses/linden-4", &closed).await.expect(200);
    repair(&app).await;
    assert_eq!(sanding(&published(&office).await)["state"], "planned");
}

#[tokio::test]
async fn what_happens_during_a_repair_is_left_for_the_next() {
    let (app, office) = promised("automatic").await;
    let store = &app.test.store;
    office.put("/v1/houses/linden-4", &house("linden-4")).await.expect(200);
    let turn = store.claim_repair(Span::from_secs(60)).await.unwrap().unwrap();
    assert!(store.claim_repair(Span::from_secs(60)).await.unwrap().is_none(), "one server at a time");
    let mut session = store.snapshot(turn.company).await.unwrap();
    let seen = session.repair_changes().await.unwrap();
    drop(session);
    office.post("/v1/jobs", &job("linden-4-stairs", "linden-4")).await.expect(201);
    let mut session = store.session(turn.company).await.unwrap();
    session.finish_repair(turn, &seen).await.unwrap();
    session.commit().await.unwrap();
    let state = office.get("/v1/repairs/state").await.expect(200);
    assert_eq!((state["settled"].clone(), state["waiting"].clone()), (json!(false), json!(1)));
    assert!(matches!(repair(&app).await, Repaired::Changed(_)));
    let placed = published(&office).await;
    assert!(placed["placements"].as_array().unwrap().iter().any(|placement| placement["job"] == "linden-4-stairs"));
}

#[tokio::test]
async fn another_server_takes_over_when_one_dies() {
    let (app, office) = promised("automatic").await;
    let store = &app.test.store;
    office.put("/v1/houses/linden-4", &house("linden-4")).await.expect(200);
    let dead = store.claim_repair(Span::ZERO).await.unwrap().unwrap();
    let alive = store.claim_repair(Span::from_secs(60)).await.unwrap().expect("the lease has run out");
    assert_eq!(dead.company, alive.company);
    let mut late = store.session(dead.company).await.unwrap();
    let lost = late.finish_repair(dead, &[]).await.unwrap_err();
    assert!(matches!(lost, StoreError::LeaseLost));
}

#[tokio::test]
async fn a_repair_that_fails_says_why_and_rests() {
    let (app, office) = promised("automatic").await;
    office.put("/v1/houses/linden-4", &house("linden-4")).await.expect(200);
    let store = &app.test.store;
    let turn = store.claim_repair(Span::from_secs(60)).await.unwrap().unwrap();
    let mut session = store.session(turn.company).await.unwrap();
    session.fail_repair(turn, "the documents do not fit together", Span::from_secs(600)).await.unwrap();
    session.commit().await.unwrap();
    let state = office.get("/v1/repairs/state").await.expect(200);
    assert_eq!((state["failures"].clone(), state["settled"].clone()), (json!(1), json!(false)));
    assert_eq!(state["trouble"], "the documents do not fit together");
    assert_eq!(repair(&app).await, Repaired::Idle, "it rests");
    office.get("/v1/repairs/state?wait_seconds=31").await.problem(400, "bad-query");
    office.get(&format!("/v1/repairs/{}", Uuid::nil())).await.problem(404, "not-found");
    let nobody = CompanyId(Uuid::new_v4());
    assert!(service(&app).repair_state(nobody, Span::ZERO).await.is_err());
}

#[tokio::test]
async fn a_company_without_a_promise_needs_no_repair() {
    let app = app::start().await;
    let office = small_office(&app).await;
    assert_eq!(office.get("/v1/repairs/state").await.expect(200)["settled"], false);
    assert_eq!(repair(&app).await, Repaired::Unchanged);
    assert_eq!(office.get("/v1/repairs/state").await.expect(200)["settled"], true);
    assert!(office.get("/v1/plans").await.expect(200)["items"].as_array().unwrap().is_empty());
}

#[tokio::test]
async fn a_repair_says_why_and_whom_to_tell_and_there_are_other_ways() {
    let (app, office) = promised("proposed").await;
    office.post("/v1/alternatives", &json!({})).await.expect(201);
    let ill = sanding(&published(&office).await)["crew"].as_str().unwrap().to_owned();
    let absent = away(&ill, "2026-03-09T06:00:00-04:00", "2026-03-12T00:00:00-04:00");
    office.put(&format!("/v1/crews/{ill}"), &absent).await.expect(200);
    repair(&app).await;
    let told = office.get("/v1/repairs").await.expect(200)["items"][0].clone();
    let steps = told["difference"]["steps"].as_array().unwrap();
    let sand = steps.iter().find(|step| step["step"] == "sand").unwrap();
    assert_eq!(sand["before"]["crew"], ill);
    assert_ne!(sand["after"]["crew"], ill);
    assert!(sand["because"].as_str().unwrap().contains(" is away from "), "{}", sand["because"]);
    let days = told["difference"]["crew_days"].as_array().unwrap();
    assert!(days.iter().any(|day| day["crew"] == ill && day["after"].as_array().unwrap().is_empty()), "{days:?}");
    assert!(told["difference"]["cost_before"].is_null(), "what is promised cannot be kept");
    // The same of the draft, asked for.
    let path = format!("/v1/plans/{}/difference", told["plan"].as_str().unwrap());
    assert_eq!(office.get(&path).await.expect(200)["steps"], told["difference"]["steps"]);
    let others = office.post("/v1/alternatives", &json!({})).await.expect(201);
    let others = others["items"].as_array().unwrap();
    assert!(!others.is_empty());
    for other in others {
        let draft = office.get(&format!("/v1/plans/{}", other["plan"].as_str().unwrap())).await.expect(200);
        assert_eq!(draft["status"], "draft");
        assert!(!other["difference"]["steps"].as_array().unwrap().is_empty());
    }
    let plan = others[0]["plan"].as_str().unwrap();
    let publication = format!("/v1/plans/{plan}/publication");
    office.send(reqwest::Method::POST, &publication, &[("If-Match", "*")], None).await.expect(200);
    office.get(&format!("/v1/plans/{}/difference", Uuid::nil())).await.problem(404, "not-found");
}
