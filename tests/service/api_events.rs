//! Events through the API: told once, twice, late, in any order, by whom they may be.

use crate::common::app::{self, Caller, calendar};
use crate::common::happenings::{event, id, in_order, known, office, told, week, with};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use tackfree::domain::time::Minute;
use tackfree::dto::{EventBody, PlanningFile};
use tackfree::service::apply_event;

const LINDEN: &str = "linden-4-floors";

fn started(step: &str) -> Value {
    json!({"kind": "step_started", "job": LINDEN, "step": step, "crew": "north"})
}

fn finished(step: &str) -> Value {
    json!({"kind": "step_finished", "job": LINDEN, "step": step, "crew": "north"})
}

async fn standing(office: &Caller, event: &Value) -> String {
    let event = office.get(&format!("/v1/events/{}", id(event))).await.expect(200);
    event["standing"].as_str().unwrap().to_owned()
}

#[tokio::test]
async fn an_event_is_told_once_however_often_it_is_sent() {
    let app = app::start().await;
    let office = office(&app).await;
    let phone = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let begun = event(1, "2026-03-09T07:00:10-04:00", json!({"kind": "step_started", "job": LINDEN, "step": "sand"}));
    let first = phone.post("/v1/events", &begun).await;
    let kept = first.expect(201);
    assert_eq!(first.header("location"), format!("/v1/events/{}", id(&begun)));
    assert_eq!((&kept["standing"], &kept["replayed"]), (&json!("applied"), &json!(false)));
    assert_eq!((&kept["event"]["crew"], &kept["recorded_by"]), (&json!("north"), &json!("crew north")));
    let again = phone.post("/v1/events", &begun).await.expect(200);
    assert_eq!(again, with(kept.clone(), json!({"replayed": true})));
    let other = with(begun.clone(), json!({"at": "2026-03-09T07:00:11-04:00"}));
    phone.post("/v1/events", &other).await.problem(422, "event-id-used");
    let records = office.get("/v1/jobs/linden-4-floors/records").await.expect(200);
    assert_eq!(records["items"].as_array().unwrap().len(), 1);
    assert_eq!(office.get(&format!("/v1/events/{}", id(&begun))).await.expect(200), kept);

    let south = json!({"kind": "step_finished", "job": LINDEN, "step": "sand", "crew": "south"});
    phone.post("/v1/events", &event(2, "2026-03-09T08:00:00-04:00", south)).await.problem(403, "not-your-crew");
    let held = event(3, "2026-03-09T08:00:00-04:00", json!({"kind": "job_held", "job": LINDEN}));
    phone.post("/v1/events", &held).await.problem(403, "role-needed");
    let broken = json!({"kind": "machine_broken", "equipment": "big-machine", "from": "2026-03-09T08:00:00-04:00",
                        "until": "2026-03-10T08:00:00-04:00"});
    phone.post("/v1/events", &event(4, "2026-03-09T08:00:00-04:00", broken)).await.expect(201);
}

#[tokio::test]
async fn bad_events_are_refused_and_not_kept() {
    let app = app::start().await;
    let office = office(&app).await;
    let before = told(&office, "").await.len();
    let at = "2026-03-09T08:00:00-04:00";
    let refused = async |happened: Value, code: &str, pointer: &str| {
        office.post("/v1/events", &event(1, at, happened)).await.fault(code, pointer);
    };
    refused(json!({"kind": "flood"}), "unknown-value", "/event/kind").await;
    refused(json!({"kind": "crew_added", "crew": app::crew("east")}), "unknown-value", "/event/kind").await;
    refused(json!({"kind": "step_started", "job": LINDEN, "step": "sand"}), "missing-field", "/event/crew").await;
    refused(json!({"kind": "step_started", "job": "a b", "step": "sand", "crew": "north"}), "bad-key", "/event/job")
        .await;
    refused(with(started("sand"), json!({"crew": "nobody"})), "unknown-crew", "/event/crew").await;
    let away = json!({"kind": "crew_away", "crew": "north", "from": "2026-03-10T08:00:00-04:00",
                      "until": "2026-03-10T07:00:00-04:00"});
    refused(away.clone(), "bad-absence", "/event").await;
    refused(with(away, json!({"crew": "nobody"})), "unknown-crew", "/event/crew").await;
    let short = json!({"kind": "crew_short", "crew": "north", "people": 2, "from": "2026-03-10T08:00:00-04:00",
                       "until": "2026-03-10T09:00:00-04:00"});
    refused(short, "bad-short-handed", "/event/people").await;
    refused(json!({"kind": "due_moved", "job": LINDEN, "due": "soon"}), "bad-instant", "/event/due").await;
    let grown = json!({"kind": "job_grown", "job": LINDEN, "areas": [{"name": "Hall", "area_sqft": 0}]});
    refused(grown, "out-of-range", "/event/areas/1/area_sqft").await;
    let ahead = event(2, "2027-03-09T08:00:00-04:00", started("sand"));
    office.post("/v1/events", &ahead).await.fault("in-the-future", "/at");
    office.post("/v1/events", &json!({"id": "x", "at": at, "event": {}})).await.problem(400, "bad-json");
    assert_eq!(told(&office, "").await.len(), before);
}

#[tokio::test]
async fn what_comes_too_early_waits_and_then_happens_by_itself() {
    let app = app::start().await;
    let office = office(&app).await;
    let coat = event(1, "2026-03-09T13:00:00-04:00", started("coat"));
    let waiting = office.post("/v1/events", &coat).await.expect(202);
    assert_eq!((&waiting["standing"], &waiting["reason"]["code"]), (&json!("waiting"), &json!("predecessor-open")));
    assert!(waiting["reason"]["what"].as_str().unwrap().contains("sand"), "{waiting}");
    // Nobody has told since when.
    let sand = event(2, "2026-03-09T12:00:00-04:00", finished("sand"));
    office.post("/v1/events", &sand).await.expect(202);
    assert_eq!(told(&office, "&standing=waiting").await.len(), 2);
    let begun = event(3, "2026-03-09T08:00:00-04:00", started("sand"));
    office.post("/v1/events", &begun).await.expect(201);
    for event in [&coat, &sand, &begun] {
        assert_eq!(standing(&office, event).await, "applied");
    }
    assert_eq!(office.post("/v1/events", &coat).await.expect(200)["standing"], "applied");
    // A record that comes the old way lets what waits go on as well.
    let hand_over = event(4, "2026-03-11T08:00:00-04:00", started("hand-over"));
    office.post("/v1/events", &hand_over).await.expect(202);
    let done = json!({"step": "coat", "outcome": "done", "finished_at": "2026-03-09T15:00:00-04:00"});
    office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    assert_eq!(standing(&office, &hand_over).await, "applied");
}

#[tokio::test]
async fn what_is_known_is_known_and_what_cannot_be_so_is_kept_to_be_looked_at() {
    let app = app::start().await;
    let office = office(&app).await;
    office.post("/v1/events", &event(1, "2026-03-09T08:00:00-04:00", started("sand"))).await.expect(201);
    office.post("/v1/events", &event(2, "2026-03-09T12:00:00-04:00", finished("sand"))).await.expect(201);
    let before = known(&office).await;
    let twice = event(3, "2026-03-09T12:00:20-04:00", finished("sand"));
    assert_eq!(office.post("/v1/events", &twice).await.expect(201)["standing"], "known");
    for (number, at) in [(4, "2026-03-09T11:00:00-04:00"), (5, "2026-03-09T14:00:00-04:00")] {
        let other = event(number, at, finished("sand"));
        let answer = office.post("/v1/events", &other).await;
        let problem = answer.problem(409, "event-contradicts");
        assert!(problem["detail"].as_str().unwrap().contains("office told"), "{problem}");
        assert_eq!(answer.header("location"), format!("/v1/events/{}", id(&other)));
        assert_eq!(standing(&office, &other).await, "contradicts");
        office.post("/v1/events", &other).await.problem(409, "event-contradicts");
    }
    assert_eq!(told(&office, "&standing=contradicts").await.len(), 2);
    // A break that nobody knows how it ended.
    let paused = with(finished("sand"), json!({"kind": "step_paused", "remaining_minutes": 30}));
    let paused = event(6, "2026-03-09T09:00:00-04:00", paused);
    let waiting = office.post("/v1/events", &paused).await.expect(202);
    assert_eq!(waiting["reason"]["code"], "in-between-missing", "{waiting}");
    assert_eq!(known(&office).await, before);
    office.post("/v1/events", &event(7, "2026-03-09T10:00:00-04:00", started("sand"))).await.expect(201);
    assert_eq!(standing(&office, &paused).await, "applied");
    let tries = known(&office).await["jobs"][0]["history"].clone();
    let tries: Vec<(&Value, &Value)> =
        tries.as_array().unwrap().iter().map(|t| (&t["outcome"], &t["started_at"])).collect();
    let at = |text: &str| json!(text);
    assert_eq!(
        tries,
        [(&at("paused"), &at("2026-03-09T08:00:00-04:00")), (&at("done"), &at("2026-03-09T10:00:00-04:00"))]
    );
}

#[tokio::test]
async fn the_last_word_counts_whichever_came_first() {
    let app = app::start().await;
    let office = office(&app).await;
    let due = |due: &str| json!({"kind": "due_moved", "job": LINDEN, "due": due});
    let later = event(1, "2026-03-10T08:00:00-04:00", due("2026-03-29T17:00:00-04:00"));
    let earlier = event(2, "2026-03-09T08:00:00-04:00", due("2026-03-30T17:00:00-04:00"));
    office.post("/v1/events", &later).await.expect(201);
    let overtaken = office.post("/v1/events", &earlier).await.expect(201);
    assert_eq!((&overtaken["standing"], &overtaken["reason"]["code"]), (&json!("overtaken"), &json!("later-word")));
    assert_eq!(office.get("/v1/jobs/linden-4-floors").await.expect(200)["due"], "2026-03-29T17:00:00-04:00");
    // What somebody changes by hand is a word, too.
    office.patch("/v1/jobs/linden-4-floors", &json!({"due": null})).await.expect(200);
    let late = event(3, "2026-03-11T08:00:00-04:00", due("2026-03-31T17:00:00-04:00"));
    assert_eq!(office.post("/v1/events", &late).await.expect(201)["standing"], "overtaken");
    assert!(office.get("/v1/jobs/linden-4-floors").await.expect(200)["due"].is_null());
}

#[tokio::test]
async fn the_history_is_whole() {
    let app = app::start().await;
    let office = office(&app).await;
    let record =
        json!({"step": "sand", "crew": "north", "outcome": "running", "started_at": "2026-03-09T07:00:00-04:00"});
    office.post("/v1/jobs/linden-4-floors/records", &record).await.expect(201);
    office.patch("/v1/jobs/linden-4-floors", &json!({"weight": 3})).await.expect(200);
    office.put("/v1/crews/north", &with(app::crew("north"), json!({"head_count": 3}))).await.expect(200);
    let air = json!({"temp_c": 18, "rh_percent": 50, "at": "2026-03-10T07:00:00-04:00"});
    office.post("/v1/houses/linden-4/air-readings", &air).await.expect(201);
    office.post("/v1/equipment", &app::equipment("edger")).await.expect(201);
    office.delete("/v1/equipment/edger").await.expect(204);
    let events = told(&office, "").await;
    let kinds: Vec<&str> = events.iter().map(|event| event["kind"].as_str().unwrap()).collect();
    let newest =
        ["equipment_archived", "equipment_added", "air_measured", "crew_changed", "job_changed", "step_started"];
    assert_eq!(kinds[..6], newest, "{kinds:?}");
    let numbers: Vec<i64> = events.iter().map(|event| event["number"].as_i64().unwrap()).collect();
    assert!(numbers.iter().rev().copied().eq(1..=numbers.len() as i64), "{numbers:?}");
    assert_eq!(told(&office, "&job=linden-4-floors").await.len(), 3);
    assert_eq!(told(&office, "&kind=crew_changed").await.len(), 1);
    assert_eq!(told(&office, &format!("&since={}", numbers[2])).await.len(), 2);
    let page = office.get("/v1/events?limit=2").await;
    assert_eq!(page.expect(200)["items"].as_array().unwrap().len(), 2);
    let next = page.header("link").split(['<', '>']).nth(1).unwrap().to_owned();
    assert_eq!(office.get(&next).await.expect(200)["items"][0]["number"], numbers[2]);
    office.get("/v1/events?kind=A-b").await.problem(400, "bad-query");
    office.get("/v1/events/0").await.problem(404, "not-found");
}

/// Mixes `items` by a seed (a linear congruential generator of Numerical Recipes).
fn mixed(items: &[Value], seed: u64) -> Vec<Value> {
    let mut state = seed;
    let mut left = items.to_vec();
    let mut out = Vec::with_capacity(left.len());
    while !left.is_empty() {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        out.push(left.swap_remove((state >> 33) as usize % left.len()));
    }
    out
}

/// However the events of a week come in, and however often: the same is known in the end, and each is applied once.
#[tokio::test]
async fn it_does_not_matter_in_which_order_and_how_often_events_come() {
    let app = app::start().await;
    let week = week();
    let mut expected: Option<Value> = None;
    let seeds: u64 = std::env::var("TACKFREE_ORDERS").ok().and_then(|text| text.parse().ok()).unwrap_or(6);
    for seed in 0..=seeds {
        app.clock.set(crate::common::app::monday());
        let office = office(&app).await;
        let order = match seed {
            0 => week.clone(),
            1 => week.iter().rev().cloned().collect(),
            _ => mixed(&week.iter().chain(&week).cloned().collect::<Vec<_>>(), seed),
        };
        let mut statuses: BTreeMap<u16, usize> = BTreeMap::new();
        for event in &order {
            let answer = office.post("/v1/events", event).await;
            assert!(matches!(answer.status.as_u16(), 200..=202), "seed {seed}: {event}: {}", answer.text);
            *statuses.entry(answer.status.as_u16()).or_default() += 1;
        }
        for event in told(&office, "").await {
            let overtaken = matches!(event["kind"].as_str(), Some("due_moved" | "forecast_replaced" | "job_held"));
            let open = event["kind"] == "job_reopened" && event["standing"] == "known";
            let fine = open || event["standing"] == "applied" || overtaken && event["standing"] == "overtaken";
            assert!(fine, "seed {seed}: {event}");
        }
        let file = known(&office).await;
        match &expected {
            None => expected = Some(file),
            Some(expected) => assert_eq!(&file, expected, "seed {seed}, {statuses:?}"),
        }
    }
    let expected = expected.unwrap();
    let tries = |job: usize| expected["jobs"][job]["history"].as_array().unwrap().len();
    assert_eq!((tries(0), tries(1)), (5, 9), "{expected:#}");
}

/// Every kind: told and kept, or applied to a copy, it means the same.
#[tokio::test]
async fn told_and_supposed_mean_the_same() {
    let app = app::start().await;
    let office = office(&app).await;
    let mut kinds = std::collections::BTreeSet::new();
    let also = [
        json!({"kind": "step_finished", "job": "treated", "step": "seal"}),
        json!({"kind": "job_finished", "job": "treated"}),
        json!({"kind": "job_cancelled", "job": LINDEN}),
    ];
    let also = also.into_iter().enumerate();
    let also = also.map(|(number, happened)| event(900 + number as u128, "2026-03-12T16:00:00-04:00", happened));
    for event in week().into_iter().chain(also) {
        let kind = event["event"]["kind"].as_str().unwrap().to_owned();
        let before: PlanningFile = serde_json::from_value(known(&office).await).unwrap();
        let body: EventBody = serde_json::from_value(event.clone()).unwrap();
        let mut supposed = before.clone();
        let read = body.read().unwrap();
        let now = Minute::ceil_from("2026-03-12T22:00:00Z".parse().unwrap());
        let applied = apply_event(&mut supposed, &read, now);
        office.post("/v1/events", &event).await.expect(201);
        let after = known(&office).await;
        // What is on hold is in no planning file.
        if kind != "job_reopened" {
            applied.unwrap_or_else(|faults| panic!("{event}: {faults:?}"));
            let supposed = in_order(serde_json::to_value(&supposed).unwrap());
            assert_eq!(supposed["jobs"], after["jobs"], "{event}");
            assert_eq!(supposed, after, "{event}");
        }
        kinds.insert(kind);
    }
    let missing: Vec<&str> = tackfree::dto::EVENT_KINDS
        .iter()
        .filter(|(kind, told)| *told && !kinds.contains(*kind) && *kind != "check_failed")
        .map(|(kind, _)| *kind)
        .collect();
    assert!(missing.is_empty(), "not tried: {missing:?}");
}

#[tokio::test]
async fn events_at_once_are_all_applied() {
    const CLIENTS: u128 = 16;
    let app = app::start().await;
    let office = office(&app).await;
    let away = |number: u128| {
        let day = 10 + number;
        event(
            number + 1,
            "2026-03-10T08:00:00-04:00",
            json!({"kind": "crew_away", "crew": "north",
            "from": format!("2026-03-{day:02}T07:00:00-04:00"), "until": format!("2026-03-{day:02}T16:00:00-04:00")}),
        )
    };
    let bodies: Vec<Value> = (0..CLIENTS).map(away).collect();
    let twice = bodies.iter().chain(&bodies).map(|body| office.post("/v1/events", body));
    let answers = futures_util::future::join_all(twice).await;
    let count = |status: u16| answers.iter().filter(|answer| answer.status == status).count();
    assert_eq!((count(201), count(200)), (16, 16), "{answers:?}");
    let crew = office.get("/v1/crews/north").await.expect(200);
    assert_eq!(crew["absences"].as_array().unwrap().len(), 16);
    // Beside somebody who goes on writing the whole document.
    let puts = (0..8).map(|head_count| {
        let body = with(crew.clone(), json!({"head_count": head_count + 2, "calendar": calendar("07:00", "15:00")}));
        let office = &office;
        async move { office.put("/v1/crews/north", &body).await.status.as_u16() }
    });
    let breaks = (0..8).map(|number| {
        let short = json!({"kind": "crew_short", "crew": "south", "people": 1,
            "from": format!("2026-03-{:02}T07:00:00-04:00", 10 + number),
            "until": format!("2026-03-{:02}T12:00:00-04:00", 10 + number)});
        let body = event(100 + number, "2026-03-10T08:00:00-04:00", short);
        let office = &office;
        async move { office.post("/v1/events", &body).await.status.as_u16() }
    });
    let (puts, breaks) =
        futures_util::future::join(futures_util::future::join_all(puts), futures_util::future::join_all(breaks)).await;
    assert!(puts.iter().all(|status| *status == 200 || *status == 412), "{puts:?}");
    assert_eq!(breaks, vec![201; 8]);
}
