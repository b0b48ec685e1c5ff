//! The office's board: the same work seen by crew and by house, as promised and as it happened; waits as plans keep
//! them; and what it costs to ask again.

use crate::common::app::{self, App, Caller, house, job, small_office};
use chrono::{DateTime, TimeDelta};
use flate2::read::GzDecoder;
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use tackfree::domain::time::Minute;

/// Three houses with the same work, all promised.
async fn busy_office(app: &App) -> Caller {
    let office = small_office(app).await;
    for key in ["elm-2", "oak-7"] {
        office.post("/v1/houses", &house(key)).await.expect(201);
        office.post("/v1/jobs", &job(&format!("{key}-floors"), key)).await.expect(201);
    }
    office.publish().await;
    office
}

/// The demo's invented company as of a Monday morning, through the API, planned and published.
async fn demo_office(app: &App) -> Caller {
    let now = Minute::floor_from(app::monday());
    let company = tackfree::demo::document(now, None).unwrap();
    let body = json!({"name": "Harrow Falls", "settings": company["settings"]});
    let founded = app.caller(app::OPERATOR).post("/v1/companies", &body).await.expect(201);
    let office = app.caller(founded["token"]["secret"].as_str().unwrap());
    for list in ["regions", "crews", "equipment", "houses", "jobs"] {
        for document in company[list].as_array().unwrap() {
            let mut document = document.clone();
            document.as_object_mut().unwrap().remove("air_readings");
            office.post(&format!("/v1/{list}"), &document).await.expect(201);
        }
    }
    office.publish().await;
    office
}

fn minute(text: &Value) -> i64 {
    DateTime::parse_from_rfc3339(text.as_str().unwrap()).unwrap().timestamp() / 60
}

fn at(list: &Value, index: &Value) -> Value {
    list[index.as_u64().unwrap() as usize].clone()
}

/// Job, step, crew, start, finish.
type Piece = (String, String, String, i64, i64);

/// Every piece on the board that touches the days from `from` until `until`.
fn pieces(board: &Value, of: impl Fn(&Value) -> bool) -> BTreeSet<Piece> {
    let (from, until) = (board["days"][0]["start"].as_i64().unwrap(), board["until"].as_i64().unwrap());
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let mut out = BTreeSet::new();
    for step in board["steps"].as_array().unwrap().iter().filter(|step| of(step)) {
        for piece in step["pieces"].as_array().into_iter().flatten() {
            let (start, finish) = (piece[0].as_i64().unwrap(), piece[1].as_i64().unwrap());
            if start < until && finish > from {
                let (job, crew) = (at(&board["jobs"], &step["job"]), at(&board["crews"], &step["crew"]));
                out.insert((text(&job["key"]), text(&step["key"]), text(&crew["key"]), start, finish));
            }
        }
    }
    out
}

fn week_pieces(week: &Value) -> BTreeSet<Piece> {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let works = week["works"].as_array().unwrap().iter();
    let piece = |work: &Value| {
        let (start, finish) = (minute(&work["start"]), minute(&work["finish"]));
        (text(&work["job"]), text(&work["step"]), text(&work["crew"]), start, finish)
    };
    works.map(piece).collect()
}

#[tokio::test]
async fn by_crew_and_by_house_it_is_the_stored_plan() {
    let app = app::start().await;
    let office = demo_office(&app).await;
    let board = office.get("/v1/board?days=28").await.expect(200);
    let plan = office.get("/v1/plans/published").await.expect(200);
    assert_eq!(board["plan"]["number"], plan["number"]);
    let all = pieces(&board, |_| true);
    let planned: BTreeSet<Piece> = plan["placements"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|placed| {
            let text = |member: &str| placed[member].as_str().unwrap().to_owned();
            let piece = move |piece: &Value| {
                (text("job"), text("step"), text("crew"), minute(&piece["start"]), minute(&piece["finish"]))
            };
            placed["pieces"].as_array().unwrap().iter().map(piece)
        })
        .collect();
    let from = board["days"][0]["start"].as_i64().unwrap();
    let shown: BTreeSet<Piece> = planned.iter().filter(|piece| piece.4 > from).cloned().collect();
    assert!(shown.len() > 80, "{}", shown.len());
    assert_eq!(all, shown);

    // The same again as each crew and each house is told.
    let mut seen = [BTreeSet::new(), BTreeSet::new()];
    for (index, crew) in board["crews"].as_array().unwrap().iter().enumerate() {
        let week = office.get(&format!("/v1/crews/{}/week?days=28", crew["key"].as_str().unwrap())).await.expect(200);
        let own = pieces(&board, |step| step["crew"] == json!(index));
        assert_eq!(own, week_pieces(&week), "{crew}");
        seen[0].extend(own);
    }
    for (index, house) in board["houses"].as_array().unwrap().iter().enumerate() {
        let key = house["key"].as_str().unwrap();
        let week = office.get(&format!("/v1/houses/{key}/week?days=28")).await.expect(200);
        let own = pieces(&board, |step| at(&board["jobs"], &step["job"])["house"] == json!(index));
        assert_eq!(own, week_pieces(&week), "{house}");
        seen[1].extend(own);
    }
    assert_eq!(seen[0], all);
    assert_eq!(seen[1], all);
}

/// `docs/rules.md`, rules 4 and 5: what the planner kept is what the board says.
#[tokio::test]
async fn planned_steps_start_between_the_earliest_and_the_latest() {
    let app = app::start().await;
    let office = demo_office(&app).await;
    let board = office.get("/v1/board").await.expect(200);
    let mut kinds: BTreeMap<String, usize> = BTreeMap::new();
    let mut keep_off = 0;
    for wait in board["waits"].as_array().unwrap() {
        let (from, to) = (at(&board["steps"], &wait["from"]), at(&board["steps"], &wait["to"]));
        assert_eq!(from["job"], to["job"], "{wait}");
        *kinds.entry(wait["kind"].as_str().unwrap().to_owned()).or_default() += 1;
        keep_off += usize::from(wait["keep_off"] == true);
        let number = |member: &str| wait[member].as_i64();
        if to["state"] != "planned" || from["state"] == "done" {
            // What happened is never judged, and readings of the air since may say something else than the plan knew.
            continue;
        }
        let (ready, end) = (number("ready").unwrap(), number("end").unwrap());
        assert!(number("start").unwrap() <= ready && ready <= end, "{wait} {to}");
        match number("latest") {
            Some(latest) if wait["lapses"] != true => assert!(end <= latest, "{wait}"),
            _ => {}
        }
    }
    assert!(kinds["drying"] > 20 && kinds["dwell"] >= 3 && keep_off > 10, "{kinds:?} {keep_off}");
    let region = &board["regions"][0];
    assert_eq!(region["temp_deci_c"].as_array().unwrap().len(), 42 * 24);
    assert_eq!(region["rh_percent"].as_array().unwrap().len(), 42 * 24);
    assert!(region["limits"]["steps"].as_u64().unwrap() > 10, "{}", region["limits"]);
    // March in Newark is colder than finishes allow.
    let cold: i64 =
        region["cold"].as_array().unwrap().iter().map(|s| s[1].as_i64().unwrap() - s[0].as_i64().unwrap()).sum();
    let below = region["temp_deci_c"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|t| t.as_i64() < region["limits"]["temp_min_deci_c"].as_i64());
    let below = below.count() as i64 * 60;
    assert!(cold > 0 && (cold - below).abs() <= 60 * 42, "{cold} {below}");
}

#[tokio::test]
async fn what_happens_shows_and_what_has_not_changed_costs_nothing() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let first = office.get("/v1/board").await;
    let board = first.expect(200);
    let tag = first.etag().to_owned();
    let again = async |tag: &str| {
        office.send(reqwest::Method::GET, "/v1/board", &[("If-None-Match", tag)], None).await.status.as_u16()
    };
    assert_eq!(again(&tag).await, 304);
    let step = |board: &Value, job: &str, key: &str| {
        let own = |step: &&Value| step["key"] == key && at(&board["jobs"], &step["job"])["key"] == job;
        board["steps"].as_array().unwrap().iter().find(own).unwrap().clone()
    };
    let sand = step(&board, "elm-2-floors", "sand");
    assert_eq!((&sand["state"], &sand["pin"], &sand["tries"]), (&json!("planned"), &Value::Null, &Value::Null));

    // Nobody reports it: it goes as promised.
    let start = sand["pieces"][0][0].as_i64().unwrap();
    app.clock.set(Minute(start + 30).to_utc());
    assert_eq!(again(&tag).await, 200);
    let board = office.get("/v1/board").await.expect(200);
    let sand = step(&board, "elm-2-floors", "sand");
    assert_eq!((&sand["state"], &sand["presumed"]), (&json!("running"), &json!(true)));

    // A report says so.
    let crew = at(&board["crews"], &sand["crew"])["key"].clone();
    let body = json!({"id": "0198c0de-0000-7000-8000-000000000001", "at": Minute(start + 30).to_utc().to_rfc3339(),
        "event": {"kind": "step_started", "job": "elm-2-floors", "step": "sand", "crew": crew}});
    office.post("/v1/events", &body).await.expect(201);
    let board = office.get("/v1/board").await.expect(200);
    let sand = step(&board, "elm-2-floors", "sand");
    assert_eq!((&sand["state"], &sand["presumed"]), (&json!("running"), &Value::Null), "{sand}");
    assert_eq!(sand["pieces"][0][0], json!(start + 30));

    // Pins and holds.
    let pin = json!({"day": "2026-03-16"});
    office.put("/v1/jobs/oak-7-floors/pins/coat", &pin).await.expect(200);
    let tag = office.get("/v1/board").await.etag().to_owned();
    let hold = json!({"id": "0198c0de-0000-7000-8000-000000000002", "at": Minute(start + 31).to_utc().to_rfc3339(),
        "event": {"kind": "job_held", "job": "linden-4-floors"}});
    app.clock.set(Minute(start + 31).to_utc());
    office.post("/v1/events", &hold).await.expect(201);
    assert_eq!(again(&tag).await, 200);
    let board = office.get("/v1/board").await.expect(200);
    assert_eq!(step(&board, "oak-7-floors", "coat")["pin"]["day"], "2026-03-16");
    let held = board["jobs"].as_array().unwrap().iter().find(|job| job["key"] == "linden-4-floors").unwrap();
    assert_eq!((&held["on_hold"], &held["finish"]), (&json!(true), &Value::Null));
    assert_eq!(at(&board["houses"], &held["house"])["key"], "linden-4");
}

#[tokio::test]
async fn a_failed_check_and_a_late_house_stand_out() {
    let app = app::start().await;
    let office = demo_office(&app).await;
    let board = office.get("/v1/board").await.expect(200);
    let linden =
        |step: &&Value| at(&board["jobs"], &step["job"])["key"] == "linden-27-floors" && step["key"] == "readings";
    let readings = board["steps"].as_array().unwrap().iter().find(linden).unwrap();
    let tries = readings["tries"].as_array().unwrap();
    assert_eq!((tries.len(), &tries[0]["failed"]), (2, &json!(true)), "{readings}");
    assert_eq!(readings["state"], "planned");
    assert!(readings["pieces"][0][0].as_i64() >= tries[1]["finish"].as_i64());
    for job in board["jobs"].as_array().unwrap() {
        let (due, finish) = (job["due"].as_i64().unwrap(), job["finish"].as_i64().unwrap());
        assert_eq!(job["late_minutes"].as_i64().unwrap(), (finish - due).max(0), "{job}");
        let own = |step: &&Value| at(&board["jobs"], &step["job"])["key"] == job["key"];
        let last =
            board["steps"].as_array().unwrap().iter().filter(own).flat_map(|step| step["pieces"].as_array().unwrap());
        assert_eq!(last.map(|piece| piece[1].as_i64().unwrap()).max().unwrap(), finish);
    }
}

#[tokio::test]
async fn chances_are_those_of_the_plan_and_worked_out_once() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let chances = office.get("/v1/board/chances").await.expect(200);
    let whole = office.get("/v1/chances?runs=200&seed=1").await.expect(200);
    assert_eq!(chances["plan"], whole["number"]);
    let percent = |list: &Value| -> Vec<(Value, Value)> {
        let jobs = list["jobs"].as_array().unwrap().iter();
        jobs.map(|job| (job["job"].clone(), job["in_time_percent"].clone())).collect()
    };
    assert_eq!(percent(&chances), percent(&whole));
    // Kept while nothing changes, although the clock goes on; anew when something has.
    app.clock.set(app::monday() + TimeDelta::minutes(4));
    assert_eq!(office.get("/v1/board/chances").await.expect(200), chances);
    office.patch("/v1/jobs/elm-2-floors", &json!({"due": "2026-03-09T12:00:00-04:00"})).await.expect(200);
    let later = office.get("/v1/board/chances").await.expect(200);
    let elm = later["jobs"].as_array().unwrap().iter().find(|job| job["job"] == "elm-2-floors").unwrap();
    assert_eq!(elm["in_time_percent"], json!(0.0), "{later}");
}

#[tokio::test]
async fn a_step_says_why_not_earlier_and_who_could_do_it() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let board = office.get("/v1/board").await.expect(200);
    let coat = office.get("/v1/board/jobs/elm-2-floors/steps/coat").await.expect(200);
    assert_eq!(coat["able_crews"], json!(["north", "south"]));
    let tried = coat["earlier"].as_array().unwrap();
    assert!(!tried.is_empty(), "{coat}");
    let own = |step: &&Value| step["key"] == "coat" && at(&board["jobs"], &step["job"])["key"] == "elm-2-floors";
    let start = board["steps"].as_array().unwrap().iter().find(own).unwrap()["pieces"][0][0].as_i64().unwrap();
    let now = board["now"].as_i64().unwrap();
    assert!(tried.iter().all(|one| (now..start).contains(&one["start"].as_i64().unwrap())), "{coat}");
    let first = &tried[0];
    assert_eq!(first["start"], json!(start - 1));
    assert!(first["because"].as_array().is_some_and(|because| !because.is_empty()), "{coat}");
    // The walk-through comes a day of drying after the coat.
    let walk = office.get("/v1/board/jobs/elm-2-floors/steps/hand-over").await.expect(200);
    let told = walk["earlier"].to_string();
    assert!(told.contains("waits for Coat") || told.contains("does not work"), "{told}");
    office.get("/v1/board/jobs/elm-2-floors/steps/none").await.problem(404, "not-found");
    office.get("/v1/board/jobs/none/steps/coat").await.problem(404, "not-found");
}

#[tokio::test]
async fn drafts_are_shown_and_bad_questions_are_answered() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    let pin = json!({"day": "2026-03-18"});
    office.put("/v1/jobs/elm-2-floors/pins/sand", &pin).await.expect(200);
    let draft = office.post("/v1/plans", &json!({"move_budget": 200})).await.expect(201);
    let id = draft["id"].as_str().unwrap();
    let promised = office.get("/v1/board").await.expect(200);
    let drafted = office.get(&format!("/v1/board?draft={id}")).await.expect(200);
    assert_eq!((&promised["plan"]["draft"], &drafted["plan"]["draft"]), (&json!(false), &json!(true)));
    let planned: BTreeSet<(String, i64)> = draft["placements"]
        .as_array()
        .unwrap()
        .iter()
        .map(|placed| (format!("{}/{}", placed["job"], placed["step"]), minute(&placed["start"])))
        .collect();
    let on_board = pieces(&drafted, |_| true);
    let on_board: BTreeSet<(String, i64)> =
        on_board.into_iter().map(|(job, step, _, start, _)| (format!("{job:?}/{step:?}"), start)).collect();
    assert_eq!(on_board, planned);
    assert_ne!(pieces(&promised, |_| true), pieces(&drafted, |_| true));

    office
        .send(reqwest::Method::POST, &format!("/v1/plans/{id}/rejection"), &[("If-Match", "*")], None)
        .await
        .expect(200);
    office.get(&format!("/v1/board?draft={id}")).await.problem(409, "plan-outdated");
    for query in ["days=0", "days=63", "from=yesterday", "from=1834-01-01", "draft=nonsense", "weeks=3"] {
        let answer = office.get(&format!("/v1/board?{query}")).await;
        assert!([400, 404].contains(&answer.status.as_u16()), "{query}: {}", answer.text);
    }
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    viewer.get("/v1/board").await.expect(200);
    let crew = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    crew.get("/v1/board").await.problem(403, "role-needed");
    let other = app.company("Another").await;
    let empty = other.get("/v1/board").await.expect(200);
    assert_eq!((&empty["plan"], &empty["steps"], &empty["jobs"]), (&Value::Null, &json!([]), &json!([])));
    other.get("/v1/board/chances").await.problem(404, "not-found");
    other.get(&format!("/v1/board?draft={id}")).await.problem(404, "not-found");
}

/// As a browser asks: the bytes, unpacked.
async fn unpacked(office: &Caller, path: &str) -> String {
    let asked = office.http().get(format!("{}{path}", office.base())).bearer_auth(&office.token);
    let reply = asked.header("Accept-Encoding", "gzip").send().await.unwrap();
    assert_eq!(reply.headers()["content-encoding"], "gzip");
    assert_eq!(reply.headers()["vary"], "accept-encoding");
    let mut text = String::new();
    GzDecoder::new(reply.bytes().await.unwrap().as_ref()).read_to_string(&mut text).unwrap();
    text
}

#[tokio::test]
async fn what_is_kept_for_the_next_who_asks_is_never_stale() {
    let app = app::start().await;
    let office = busy_office(&app).await;
    for path in ["/v1/board", "/v1/plans/published"] {
        let plain = office.get(path).await;
        let again = office.get(path).await;
        assert_eq!((&plain.text, plain.etag()), (&again.text, again.etag()));
        assert_eq!(unpacked(&office, path).await, plain.text, "{path}");
        assert!(!plain.headers.contains_key("content-encoding"), "identity is not for the wire");
        let known = office.send(Method::GET, path, &[("If-None-Match", plain.etag())], None).await;
        assert_eq!((known.status.as_u16(), known.etag()), (304, plain.etag()));

        // What the document names is called otherwise.
        let name = format!("Renamed for {path}");
        let mut renamed = house("elm-2");
        renamed["name"] = json!(name);
        office.put("/v1/houses/elm-2", &renamed).await.expect(200);
        let told = office.get(path).await;
        assert!(told.text.contains(&name) && told.etag() != plain.etag(), "{path}");
        assert_eq!(unpacked(&office, path).await, told.text, "{path}");
    }
    // Another plan is promised.
    let before = office.get("/v1/plans/published").await;
    office.publish().await;
    let after = office.get("/v1/plans/published").await;
    assert_eq!(after.json()["number"].as_i64(), before.json()["number"].as_i64().map(|number| number + 1));
    // Time goes on, and nothing else.
    let board = office.get("/v1/board").await.json();
    app.clock.set(app::monday() + TimeDelta::minutes(1));
    assert_eq!(office.get("/v1/board").await.json()["now"].as_i64(), board["now"].as_i64().map(|now| now + 1));
    // Another company is told nothing of it.
    let other = small_office(&app).await;
    assert_eq!(other.get("/v1/board").await.json()["houses"].as_array().unwrap().len(), 1);
    other.get("/v1/plans/published").await.problem(404, "not-found");
}

/// What holds houses up, and the way of one house to its finish: figures that add up, of the promise and of a draft.
#[tokio::test]
async fn what_holds_houses_up_is_told() {
    let app = app::start().await;
    let office = demo_office(&app).await;
    let board = office.get("/v1/board").await.expect(200);
    let found = office.get("/v1/board/bottlenecks").await.expect(200);
    let (from, until) = (found["from"].as_i64().unwrap(), found["until"].as_i64().unwrap());
    assert_eq!(from, board["now"].as_i64().unwrap(), "nothing before now");
    assert!(until - from > 6 * 1440 && until - from <= 7 * 1440, "a week from today");
    let list = |of: &Value, name: &str| of[name].as_array().unwrap().clone();
    let sum = |of: &[Value], name: &str| of.iter().map(|one| one[name].as_i64().unwrap()).sum::<i64>();
    let spent = |of: &Value, reason: &str| {
        let found = list(of, "reasons").into_iter().find(|one| one["reason"] == reason);
        found.map_or(0, |one| one["minutes"].as_i64().unwrap())
    };
    assert_eq!(sum(&list(&found, "crews"), "waited_minutes"), spent(&found, "crew"));
    assert_eq!(sum(&list(&found, "equipment"), "waited_minutes"), spent(&found, "gear"));
    assert_eq!(list(&found, "crews").len(), list(&board, "crews").len());
    assert!(list(&found, "crews").iter().all(|crew| crew["work_minutes"].as_i64() <= crew["hours_minutes"].as_i64()));
    assert!(!list(&found, "told").is_empty());

    // Cut to the same days, the ways of all jobs are the same minutes.
    let mut whole = BTreeMap::new();
    let mut jobs = 0;
    for job in list(&board, "jobs") {
        let key = job["key"].as_str().unwrap();
        let answer = office.get(&format!("/v1/board/jobs/{key}/critical-path")).await;
        if answer.status == 404 {
            continue;
        }
        let path = answer.expect(200);
        let stretches = list(&path, "stretches");
        assert_eq!(stretches[0]["start"], board["now"]);
        assert!(stretches.windows(2).all(|pair| pair[0]["end"] == pair[1]["start"]), "{path}");
        assert_eq!(stretches.last().unwrap()["end"], path["finish"]);
        if !job["finish"].is_null() {
            assert_eq!(path["finish"], job["finish"]);
        }
        let total = path["finish"].as_i64().unwrap() - from;
        assert_eq!(sum(&list(&path, "reasons"), "minutes"), total);
        jobs += 1;
        for stretch in stretches {
            let (start, end) = (stretch["start"].as_i64().unwrap(), stretch["end"].as_i64().unwrap().min(until));
            let reason = stretch["reason"].as_str().unwrap().to_owned();
            assert_eq!(stretch["crew"].is_string(), reason == "work" || reason == "crew");
            assert_eq!(stretch["equipment"].is_string(), reason == "gear");
            *whole.entry(reason).or_insert(0) += (end - start).max(0);
        }
    }
    assert_eq!(found["jobs"].as_u64().unwrap(), jobs);
    for (reason, minutes) in whole {
        assert_eq!(spent(&found, &reason), minutes, "{reason}");
    }

    // The details of a step say as much of its job, and how much later the step may be.
    let planned = list(&board, "steps").into_iter().find(|step| step["state"] == "planned").unwrap();
    let job = at(&board["jobs"], &planned["job"]);
    let (job, step) = (job["key"].as_str().unwrap(), planned["key"].as_str().unwrap());
    let view = office.get(&format!("/v1/board/jobs/{job}/steps/{step}")).await.expect(200);
    let path = office.get(&format!("/v1/board/jobs/{job}/critical-path")).await.expect(200);
    assert_eq!(view["job_time"], path["reasons"]);
    assert!(view["slack"]["in_place"].as_i64().unwrap() >= planned["pieces"][0][0].as_i64().unwrap(), "{view}");

    // Of a draft, on other days, and what cannot be asked.
    let draft = office.post("/v1/plans", &json!({"seed": 2, "move_budget": 50})).await.expect(201);
    let id = draft["id"].as_str().unwrap();
    let of_draft = office.get(&format!("/v1/board/bottlenecks?draft={id}&days=14")).await.expect(200);
    assert!(of_draft["until"].as_i64().unwrap() > until);
    let past = office.get("/v1/board/bottlenecks?from=2020-01-06").await.expect(200);
    assert_eq!((&past["jobs"], &past["told"][0]), (&json!(0), &json!("These days are past.")));
    office.get("/v1/board/jobs/nowhere/critical-path").await.problem(404, "not-found");
    office.get("/v1/board/bottlenecks?days=0").await.problem(400, "bad-query");
}
