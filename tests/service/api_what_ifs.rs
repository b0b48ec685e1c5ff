//! Questions through the API: what would be otherwise, and when one more job could be finished. Nothing of it is kept.

use crate::common::app::{self, App, Caller, house, job, small_office};
use crate::common::happenings::with;
use serde_json::{Value, json};
use std::collections::BTreeSet;

const CREW_OFF: &str = "2026-03-10";

/// Three houses with the same work, all promised; one machine of which there are two.
async fn busy_office(app: &App) -> Caller {
    let office = small_office(app).await;
    for key in ["elm-2", "oak-7"] {
        office.post("/v1/houses", &house(key)).await.expect(201);
        office.post("/v1/jobs", &job(&format!("{key}-floors"), key)).await.expect(201);
    }
    office.publish().await;
    office
}

fn what_if(changes: &[Value]) -> Value {
    let changes: Vec<Value> = changes.iter().map(|event| json!({"event": event})).collect();
    json!({"changes": changes, "move_budget": 200})
}

fn keys(list: &Value) -> BTreeSet<String> {
    list.as_array().unwrap().iter().map(|change| change["job"].as_str().unwrap().to_owned()).collect()
}

/// Everything that could have been written.
async fn state(office: &Caller) -> (Value, Value, Value) {
    let events = office.get("/v1/events?limit=200").await.expect(200);
    let plans = office.get("/v1/plans").await.expect(200);
    (office.get("/v1/planning-file").await.expect(200), plans, events)
}

#[tokio::test]
async fn a_crew_that_is_off_moves_its_work_and_nothing_is_kept() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let before = state(&office).await;
    let nothing = office.post("/v1/what-ifs", &what_if(&[])).await.expect(200);
    assert_eq!((&nothing["moved"], &nothing["houses"]), (&json!([]), &json!([])), "{nothing}");
    assert_eq!(nothing["cost_before"], nothing["cost_after"]);

    let off = json!({"kind": "crew_away", "crew": "north", "from": "2026-03-09T06:00:00-04:00",
                     "until": "2026-03-14T00:00:00-04:00"});
    let answer = office.post("/v1/what-ifs", &what_if(std::slice::from_ref(&off))).await.expect(200);
    let moved = answer["moved"].as_array().unwrap();
    assert!(!moved.is_empty(), "{answer}");
    for change in moved {
        assert!(change["before"]["crew"] == "north" || change["after"]["crew"] == "south", "{change}");
        let away = change["after"]["start"].as_str().unwrap() < "2026-03-14";
        assert!(change["after"]["crew"] == "south" || !away, "{change}");
        assert!(change["step_name"].is_string() && change["house_name"].is_string());
    }
    assert!(answer["crews_touched"].as_array().unwrap().contains(&json!("north")));
    assert!(!answer["houses"].as_array().unwrap().is_empty());
    let broken = |answer: &Value, when: &str| answer[when]["broken"].as_i64().unwrap();
    assert!(broken(&answer, "cost_after") > broken(&answer, "cost_before"), "{answer}");
    // Asked again, the same is answered; by a viewer, too.
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    assert_eq!(viewer.post("/v1/what-ifs", &what_if(&[off])).await.expect(200), answer);
    let crew = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    crew.post("/v1/what-ifs", &what_if(&[])).await.problem(403, "role-needed");
    assert_eq!(state(&office).await, before);
}

#[tokio::test]
async fn more_gear_crews_and_houses_can_be_supposed() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let broken = json!({"kind": "machine_broken", "equipment": "big-machine", "units": 2,
                        "from": "2026-03-09T06:00:00-04:00", "until": "2026-03-12T00:00:00-04:00"});
    let without = office.post("/v1/what-ifs", &what_if(std::slice::from_ref(&broken))).await.expect(200);
    assert!(!without["moved"].as_array().unwrap().is_empty());
    let third = json!({"kind": "equipment_added", "equipment": "big-machine"});
    let with_third = office.post("/v1/what-ifs", &what_if(&[broken, third])).await.expect(200);
    let count = |answer: &Value| answer["moved"].as_array().unwrap().len();
    assert!(count(&with_third) < count(&without), "{with_third}");

    let new_house = json!({"kind": "house_added", "house": house("ash-1")});
    let new_job = json!({"kind": "job_added", "job": job("ash-1-floors", "ash-1")});
    let answer = office.post("/v1/what-ifs", &what_if(&[new_house, new_job])).await.expect(200);
    assert_eq!(keys(&answer["added"]), BTreeSet::from(["ash-1-floors".to_owned()]));
    assert_eq!(answer["unplaced"], json!([]));
    let off = |crew: &str| {
        json!({"kind": "crew_away", "crew": crew, "from": "2026-03-09T00:00:00-04:00",
               "until": "2026-04-09T00:00:00-04:00"})
    };
    let east = json!({"kind": "crew_added", "crew": app::crew("east")});
    let answer = office.post("/v1/what-ifs", &what_if(&[off("north"), off("south"), east])).await.expect(200);
    assert_eq!((answer["unplaced"].clone(), answer["dropped"].clone()), (json!([]), json!([])));
    let moved = answer["moved"].as_array().unwrap();
    assert_eq!(moved.len(), 9, "{answer}");
    assert!(moved.iter().all(|change| change["after"]["crew_name"] == "Crew east"), "{answer}");

    let later = json!({"kind": "release_moved", "job": "elm-2-floors", "release": "2026-03-12T07:00:00-04:00"});
    let answer = office.post("/v1/what-ifs", &what_if(&[later])).await.expect(200);
    assert!(keys(&answer["moved"]).contains("elm-2-floors"), "{answer}");
    for change in answer["moved"].as_array().unwrap().iter().filter(|change| change["job"] == "elm-2-floors") {
        assert!(change["after"]["start"].as_str().unwrap() >= "2026-03-12T07:00", "{change}");
    }
    let pin = json!({"kind": "step_pinned", "job": "elm-2-floors", "pin": {"step": "sand", "day": "2026-03-12"}});
    let answer = office.post("/v1/what-ifs", &what_if(&[pin])).await.expect(200);
    let sand = answer["moved"].as_array().unwrap().iter().find(|change| change["step"] == "sand").unwrap();
    assert!(sand["after"]["start"].as_str().unwrap().starts_with("2026-03-12"), "{sand}");
    let cancelled = json!({"kind": "job_cancelled", "job": "oak-7-floors"});
    let answer = office.post("/v1/what-ifs", &what_if(&[cancelled])).await.expect(200);
    assert_eq!(keys(&answer["dropped"]), BTreeSet::from(["oak-7-floors".to_owned()]));
    let hours = json!({"kind": "hours_changed", "crew": "north", "calendar": app::calendar("07:00", "20:00")});
    office.post("/v1/what-ifs", &what_if(&[hours])).await.expect(200);
}

#[tokio::test]
async fn what_cannot_be_supposed_is_told_where_it_is() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let ask = async |event: Value, code: &str, pointer: &str| {
        let changes = [json!({"kind": "job_held", "job": "elm-2-floors"}), event];
        office.post("/v1/what-ifs", &what_if(&changes)).await.fault(code, pointer);
    };
    ask(json!({"kind": "flood"}), "unknown-value", "/changes/1/event/kind").await;
    ask(json!({"kind": "job_held", "job": "elm-2-floors"}), "unknown-job", "/changes/1/event/job").await;
    ask(json!({"kind": "crew_added", "crew": app::crew("north")}), "duplicate-key", "/changes/1/event/crew/key").await;
    let nobody = json!({"kind": "crew_back", "crew": "north"});
    ask(nobody, "nothing-to-end", "/changes/1/event").await;
    let many: Vec<Value> = (0..201).map(|_| json!({"kind": "job_held", "job": "elm-2-floors"})).collect();
    office.post("/v1/what-ifs", &what_if(&many)).await.fault("too-many", "/changes");
    let greedy = with(what_if(&[]), json!({"move_budget": 100_001}));
    office.post("/v1/what-ifs", &greedy).await.fault("out-of-range", "/move_budget");
}

/// Many at once are answered one after the other, all alike.
#[tokio::test]
async fn many_ask_at_once() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let off = json!({"kind": "crew_away", "crew": "south", "from": format!("{CREW_OFF}T06:00:00-04:00"),
                     "until": "2026-03-11T00:00:00-04:00"});
    let body = with(what_if(&[off]), json!({"move_budget": 20}));
    let answers = futures_util::future::join_all((0..16).map(|_| office.post("/v1/what-ifs", &body))).await;
    let first = answers[0].expect(200);
    for answer in &answers {
        assert_eq!(answer.expect(200), first);
    }
}

fn asked(job: Value) -> Value {
    json!({"job": job, "move_budget": 300})
}

#[tokio::test]
async fn a_promise_breaks_none_and_a_sooner_one_says_what_it_costs() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let before = state(&office).await;
    let new = with(job("ash-1-floors", "ash-1"), json!({"due": null, "weight": 1}));
    let new = {
        let mut new = new;
        new.as_object_mut().unwrap().remove("due");
        new
    };
    office.post("/v1/promises", &asked(new.clone())).await.fault("unknown-house", "/job/house");
    let body = with(asked(new.clone()), json!({"house": house("ash-1")}));
    let answer = office.post("/v1/promises", &body).await.expect(200);
    let firm = &answer["firm"];
    assert_eq!((&firm["moved"], &firm["dropped"], &firm["houses"]), (&json!([]), &json!([]), &json!([])), "{answer}");
    assert_eq!(firm["unplaced"], json!([]));
    let steps = firm["steps"].as_array().unwrap();
    assert_eq!(steps.len(), 3);
    let finish = steps.iter().map(|step| step["finish"].as_str().unwrap()).max().unwrap();
    assert_eq!(firm["finish"], finish);
    assert_eq!(state(&office).await, before);

    // What was offered can be kept: planned with everything else, nothing promised moves.
    office.post("/v1/houses", &house("ash-1")).await.expect(201);
    office.post("/v1/jobs", &new).await.expect(201);
    let draft = office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
    let comparison = office.get(&format!("/v1/plans/{}/comparison", draft["id"].as_str().unwrap())).await.expect(200);
    assert_eq!(comparison["moved"], json!([]), "{comparison}");
}

/// When the crews are busy for weeks, a sooner finish moves somebody, and says whom.
#[tokio::test]
async fn a_sooner_finish_moves_somebody() {
    let app = app::start().await;
    let office = small_office(&app).await;
    for number in 0..8 {
        let key = format!("lane-{number}");
        office.post("/v1/houses", &house(&key)).await.expect(201);
        let long = with(job(&format!("{key}-floors"), &key), json!({"due": "2026-05-29T17:00:00-04:00"}));
        office.post("/v1/jobs", &long).await.expect(201);
    }
    let slow = json!([{"key": "sand", "name": "Sand", "kind": "sand", "minutes": 480, "skills": ["sanding"]},
                      {"key": "coat", "name": "Coat", "kind": "coat", "minutes": 240, "skills": ["finishing"]}]);
    for number in 0..8 {
        let patch = json!({"steps": slow, "waits": [{"from": "sand", "to": "coat"}]});
        office.patch(&format!("/v1/jobs/lane-{number}-floors"), &patch).await.expect(200);
    }
    office.publish().await;
    office.post("/v1/houses", &house("ash-1")).await.expect(201);
    let urgent = json!({"key": "ash-1-floors", "name": "Ash", "house": "ash-1", "weight": 20, "steps": slow,
                        "waits": [{"from": "sand", "to": "coat"}], "release": "2026-03-09T00:00:00-04:00"});
    let answer = office.post("/v1/promises", &with(asked(urgent), json!({"move_budget": 1500}))).await.expect(200);
    let (firm, sooner) = (&answer["firm"], &answer["sooner"]);
    assert_eq!(firm["moved"], json!([]), "{answer}");
    assert!(sooner["finish"].as_str().unwrap() < firm["finish"].as_str().unwrap(), "{answer}");
    assert!(!sooner["moved"].as_array().unwrap().is_empty());
    assert!(!sooner["crews_touched"].as_array().unwrap().is_empty());
    assert!(!sooner["houses_touched"].as_array().unwrap().is_empty());
    let broken = |offer: &Value| offer["cost"]["broken"].as_i64().unwrap();
    assert!(broken(sooner) > broken(firm), "{answer}");
    let crew = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    crew.post("/v1/promises", &json!({})).await.problem(403, "role-needed");
}
