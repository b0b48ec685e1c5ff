//! Load lists, cautions and letters of the real application: who may ask, what is counted, both forms.

use crate::common::app::{self, Answer, App, Caller, job, monday, small_office};
use reqwest::Method;
use serde_json::{Value, json};

async fn text(caller: &Caller, path: &str) -> Answer {
    let answer = caller.send(Method::GET, path, &[("Accept", "text/plain")], None).await;
    assert_eq!((answer.status.as_u16(), answer.header("content-type")), (200, "text/plain; charset=utf-8"));
    assert!(answer.text.lines().all(|line| line.chars().count() <= 96), "{}", answer.text);
    answer
}

/// The small office with a coat whose label is known, all of it for one crew.
async fn office(app: &App) -> Caller {
    let office = small_office(app).await;
    let mut steps = app::steps();
    steps[1]["products"] =
        json!([{"name": "waterborne finish", "base": "waterborne", "cover_sqft_per_gal": 500, "coats": 2}]);
    steps[1]["care"] = json!({"socks_hours": 12, "furniture_hours": 48, "full_cure_days": 7});
    let pins: Vec<Value> =
        ["sand", "coat", "hand-over"].iter().map(|step| json!({"step": step, "crew": "north"})).collect();
    let patch = json!({"steps": steps, "waits": app::waits(), "pins": pins});
    office.patch("/v1/jobs/linden-4-floors", &patch).await.expect(200);
    office
}

async fn day_of(office: &Caller, step: &str) -> String {
    let week = office.get("/v1/week?days=14").await.expect(200);
    let works = week["works"].as_array().unwrap();
    works.iter().find(|work| work["step"] == step).unwrap()["start"].as_str().unwrap()[..10].to_owned()
}

#[tokio::test]
async fn a_crew_loads_what_its_houses_need_and_no_more() {
    let app = app::start().await;
    let office = office(&app).await;
    office.publish().await;
    let date = day_of(&office, "coat").await;
    let list = office.get(&format!("/v1/crews/north/load-list?date={date}")).await.expect(200);
    let crew = &list["crews"][0];
    let work = crew["houses"][0]["works"].as_array().unwrap().iter().find(|work| work["step"] == "coat").unwrap();
    // By hand: 400 sq ft, two coats at 500 sq ft/gal, 10 %: 1.76 gal, 6.66 L; 1604/500 = 3.21 mils.
    let product = &work["products"][0];
    assert_eq!((product["gallons"].as_f64(), product["litres"].as_f64()), (Some(1.76), Some(6.66)));
    assert_eq!((product["wet_mils"].as_f64(), product["cover_given"].as_bool()), (Some(3.21), Some(true)));
    let total = &crew["totals"]["products"][0];
    assert_eq!(total["containers"], json!([{"size_gal": 1.0, "count": 2}]));
    assert_eq!(total["left_over_gallons"].as_f64(), Some(0.24));
    let gloves = crew["totals"]["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|item| item["name"].as_str().unwrap().starts_with("Gloves"));
    assert_eq!(gloves.unwrap()["count"], 2);
    let codes: Vec<&Value> = crew["houses"][0]["cautions"].as_array().unwrap().iter().map(|c| &c["code"]).collect();
    assert!(codes.contains(&&json!("ventilation")) && !codes.contains(&&json!("oily-rags")), "{codes:?}");

    let sand = day_of(&office, "sand").await;
    let office_list = office.get(&format!("/v1/load-list?date={sand}")).await.expect(200);
    let gear = office_list["totals"]["gear"].as_array().unwrap();
    assert_eq!((gear.len(), &gear[0]["equipment"]), (1, &json!("big-machine")));
    let sheet = text(&office, &format!("/v1/crews/north/load-list?date={date}")).await;
    for part in [
        "LOAD LIST  Crew north",
        "2 x 1 gal (needs 1.76 gal = 6.66 L; 0.24 gal left over)",
        "BEWARE: ",
        "[ ]   2  Gloves",
    ] {
        assert!(sheet.text.contains(part), "{part} is missing in {}", sheet.text);
    }
    let quiet = text(&office, "/v1/load-list?date=2026-08-01").await;
    assert!(quiet.text.contains("Nothing to load"), "{}", quiet.text);
    let tag = sheet.etag().to_owned();
    let headers = [("Accept", "text/plain"), ("If-None-Match", tag.as_str())];
    let again = office.send(Method::GET, &format!("/v1/crews/north/load-list?date={date}"), &headers, None).await;
    assert_eq!(again.status, 304);
}

/// A step over two days: its abrasive is loaded once, the machine and what people wear come on both.
#[tokio::test]
async fn divided_work_loads_its_material_on_the_first_day() {
    let app = app::start().await;
    let office = office(&app).await;
    let mut steps = app::steps();
    steps[0]["sqft_per_person_hour"] = json!(16);
    office
        .patch("/v1/jobs/linden-4-floors", &json!({"steps": steps, "waits": app::waits(), "pins": []}))
        .await
        .expect(200);
    office.publish().await;
    let week = office.get("/v1/week?days=14").await.expect(200);
    let pieces: Vec<&Value> = week["works"].as_array().unwrap().iter().filter(|work| work["step"] == "sand").collect();
    assert!(pieces.len() > 1, "{pieces:?}");
    let mut seen = Vec::new();
    for piece in pieces {
        let date = &piece["start"].as_str().unwrap()[..10];
        let list = office.get(&format!("/v1/load-list?date={date}")).await.expect(200);
        let works = list["crews"][0]["houses"][0]["works"].as_array().unwrap().clone();
        let work = works.iter().find(|work| work["step"] == "sand").unwrap().clone();
        let has = |name: &str| {
            work["items"].as_array().unwrap().iter().any(|item| item["name"].as_str().unwrap().contains(name))
        };
        assert!(has("Respirator") && work["gear"].as_array().unwrap().len() == 1, "{work}");
        seen.push((has("disc"), work["goes_on"].as_bool().unwrap()));
    }
    assert_eq!(seen[0], (true, false));
    assert!(seen[1..].iter().all(|seen| *seen == (false, true)), "{seen:?}");
}

#[tokio::test]
async fn a_crew_asks_for_itself_only() {
    let app = app::start().await;
    let office = office(&app).await;
    office.publish().await;
    let north = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    for caller in [&office, &viewer] {
        caller.get("/v1/load-list").await.expect(200);
        caller.get("/v1/crews/south/load-list").await.expect(200);
    }
    north.get("/v1/crews/north/load-list?date=2026-03-09").await.expect(200);
    north.get("/v1/crews/south/load-list").await.problem(403, "not-your-crew");
    north.get("/v1/load-list").await.problem(403, "role-needed");
    office.get("/v1/crews/nobody/load-list").await.problem(404, "not-found");
    for bad in ["date=soon", "date=2026-02-30", "date=0001-01-01", "day=2026-03-09"] {
        office.get(&format!("/v1/load-list?{bad}")).await.problem(400, "bad-query");
    }
}

#[tokio::test]
async fn cautions_follow_house_and_product() {
    let app = app::start().await;
    let office = office(&app).await;
    let codes = async || {
        let told = office.get("/v1/jobs/linden-4-floors/cautions").await.expect(200);
        let codes =
            told["cautions"].as_array().unwrap().iter().map(|caution| caution["code"].as_str().unwrap().to_owned());
        codes.collect::<Vec<_>>()
    };
    assert_eq!(codes().await, ["asbestos-unknown", "lead-unknown", "dust-bags", "wood-dust", "ventilation"]);
    let mut house = office.get("/v1/houses/linden-4").await.expect(200);
    house["built_year"] = json!(1962);
    house["resilient_flooring"] = json!(true);
    office.put("/v1/houses/linden-4", &house).await.expect(200);
    assert_eq!(codes().await[..2], ["asbestos", "lead"]);
    house["built_year"] = json!(1590);
    office.put("/v1/houses/linden-4", &house).await.fault("out-of-range", "/built_year");
    let mut steps = app::steps();
    steps[1]["products"] = json!([{"name": "oil", "base": "penetrating_oil"}]);
    office.patch("/v1/jobs/linden-4-floors", &json!({"steps": steps})).await.expect(200);
    assert!(codes().await.contains(&"oily-rags".to_owned()));
    let told = text(&office, "/v1/jobs/linden-4-floors/cautions").await;
    assert!(told.text.contains("29 CFR 1926.1101") && told.text.contains("At: Coat"), "{}", told.text);
    office.get("/v1/jobs/nothing/cautions").await.problem(404, "not-found");
}

#[tokio::test]
async fn the_letter_follows_plan_and_reports() {
    let app = app::start().await;
    let office = office(&app).await;
    let path = "/v1/jobs/linden-4-floors/customer-letter";
    let before = office.get(path).await.expect(200);
    assert_eq!((&before["dates"], before["company"].as_str()), (&Value::Null, Some("Harrow Falls Floors")));
    office.publish().await;
    let planned = office.get(path).await.expect(200);
    let dates = &planned["dates"];
    assert_eq!((dates["is_done"].as_bool(), dates["is_open"].as_bool()), (Some(false), Some(false)));
    // The plan keeps people off for 1,440 label minutes, which is more than the label's 12 h for socks.
    assert_eq!(dates["socks_at"], planned["keep_offs"][0]["until"]);
    assert_eq!(dates["full_cure_earliest"], dates["full_cure_careful"]);
    let letter = text(&office, path).await;
    for part in [
        "Your floors: Floors of linden-4",
        "Please be out, pets too",
        "Rugs and mats",
        "Questions? Call Harrow Falls Floors.",
    ] {
        assert!(letter.text.contains(part), "{part} is missing in {}", letter.text);
    }
    // The coat is done earlier than promised: everything follows the report.
    app.clock.set(monday() + chrono::Duration::days(2));
    for (step, from, until) in [("sand", "09T07:00", "09T09:00"), ("coat", "09T09:00", "09T10:00")] {
        let done = json!({"step": step, "crew": "north", "outcome": "done",
            "started_at": format!("2026-03-{from}:00-04:00"), "finished_at": format!("2026-03-{until}:00-04:00")});
        office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    }
    let done = office.get(path).await.expect(200);
    assert_eq!(
        (done["dates"]["is_done"].as_bool(), &done["dates"]["coated_at"]),
        (Some(true), &json!("2026-03-09T10:00:00-04:00"))
    );
    assert_eq!(done["dates"]["full_cure_earliest"], "2026-03-16");
}

/// A coat that is done a day late dries overnight from then on: shifting Monday's midnight by the delay would let people
/// on the floor in the afternoon, or keep them off for another.
#[tokio::test]
async fn the_letter_keeps_people_off_from_when_the_coat_was_done() {
    let app = app::start().await;
    let office = office(&app).await;
    let mut job = office.get("/v1/jobs/linden-4-floors").await.expect(200);
    job["waits"][1] = json!({"from": "coat", "to": "hand-over", "min_minutes": 60, "film": "waterborne",
                             "keep_off": true, "overnight": true});
    job["steps"][1]["care"] = json!({"socks_hours": 2});
    let patch = json!({"steps": job["steps"], "waits": job["waits"], "pins": []});
    office.patch("/v1/jobs/linden-4-floors", &patch).await.expect(200);
    office.publish().await;
    app.clock.set(monday() + chrono::Duration::hours(24 + 10));
    for (step, from, until) in [("sand", "09T07:00", "09T09:00"), ("coat", "10T14:00", "10T15:00")] {
        let done = json!({"step": step, "crew": "north", "outcome": "done",
            "started_at": format!("2026-03-{from}:00-04:00"), "finished_at": format!("2026-03-{until}:00-04:00")});
        office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    }
    let letter = office.get("/v1/jobs/linden-4-floors/customer-letter").await.expect(200);
    let (from, until) = ("2026-03-10T15:00:00-04:00", "2026-03-11T00:00:00-04:00");
    assert_eq!(letter["keep_offs"][0]["from"], from, "{letter}");
    assert_eq!(letter["keep_offs"][0]["until"], until);
    assert_eq!((&letter["dates"]["coated_at"], &letter["dates"]["socks_at"]), (&json!(from), &json!(until)));
}

/// Nobody puts furniture on a floor that still gets a coat.
#[tokio::test]
async fn no_date_is_said_while_a_coat_is_not_promised() {
    let app = app::start().await;
    let office = office(&app).await;
    let path = "/v1/jobs/linden-4-floors/customer-letter";
    office.publish().await;
    let first = office.get(path).await.expect(200)["dates"]["coated_at"].clone();
    let mut steps = app::steps();
    let second = json!({"key": "coat-2", "name": "Coat 2", "kind": "coat", "minutes": 60, "skills": ["finishing"]});
    steps.as_array_mut().unwrap().insert(2, second);
    let mut waits = app::waits();
    waits[1]["to"] = json!("coat-2");
    waits.as_array_mut().unwrap().push(json!({"from": "coat-2", "to": "hand-over"}));
    office.patch("/v1/jobs/linden-4-floors", &json!({"steps": steps, "waits": waits, "pins": []})).await.expect(200);
    assert_eq!(office.get(path).await.expect(200)["dates"], Value::Null);
    office.publish().await;
    let last = office.get(path).await.expect(200)["dates"]["coated_at"].clone();
    assert!(last.as_str().unwrap() > first.as_str().unwrap(), "{last} after {first}");
}

/// Every member of products, items and care has its bound, told at its place, in a job's own steps and in overrides.
#[tokio::test]
async fn supplies_are_bounded() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let refused = async |member: &str, value: Value, code: &str, pointer: &str| {
        let mut body = job("bad", "linden-4");
        body["steps"][1][member] = value;
        office.post("/v1/jobs", &body).await.fault(code, &format!("/steps/1/{pointer}"));
    };
    let product = |member: &str, value: Value| {
        let mut product = json!({"name": "finish"});
        product[member] = value;
        json!([product])
    };
    refused("products", product("cover_sqft_per_gal", json!(9)), "out-of-range", "products/0/cover_sqft_per_gal").await;
    refused("products", product("coats", json!(21)), "out-of-range", "products/0/coats").await;
    refused("products", product("waste_percent", json!(101)), "out-of-range", "products/0/waste_percent").await;
    refused("products", product("containers_gal", json!([])), "no-containers", "products/0/containers_gal").await;
    refused("products", product("containers_gal", json!([61])), "out-of-range", "products/0/containers_gal/0").await;
    refused("products", product("name", json!("")), "bad-name", "products/0/name").await;
    refused("products", json!(vec![json!({"name": "x"}); 11]), "too-many", "products").await;
    let item = |member: &str, value: i64| json!([{"name": "pad", "used_for": "apply", member: value}]);
    refused("items", item("count", 0), "out-of-range", "items/0/count").await;
    refused("items", item("grit", 11), "out-of-range", "items/0/grit").await;
    refused("items", item("sqft_each", 0), "out-of-range", "items/0/sqft_each").await;
    let twice = json!([{"name": "pad", "used_for": "apply", "count": 1, "sqft_each": 50}]);
    refused("items", twice, "count-given-once", "items/0").await;
    refused("items", json!(vec![json!({"name": "x", "used_for": "mask"}); 41]), "too-many", "items").await;
    refused("care", json!({"socks_hours": 2161}), "out-of-range", "care/socks_hours").await;
    refused("care", json!({"full_cure_days": 0}), "out-of-range", "care/full_cure_days").await;
    let patched = json!({
        "key": "patched", "name": "Patched", "house": "linden-4", "method": "natural-waterborne",
        "release": "2026-03-09T00:00:00-04:00",
        "overrides": [{"step": "coat-2", "products": [{"name": "finish", "coats": 0}], "equipment": {}}]
    });
    office.post("/v1/jobs", &patched).await.fault("out-of-range", "/overrides/0/products/0/coats");
}
