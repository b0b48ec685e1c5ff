//! Tables in, everything out: row by row, all or nothing, there and back.

use crate::common::app::{self, Answer, App, Caller, monday, small_office};
use serde_json::{Value, json};

async fn send(app: &App, office: &Caller, path: &str, table: &str, headers: &[(&str, &str)]) -> Answer {
    let request = app.http.post(format!("{}{path}", app.base)).bearer_auth(&office.token);
    let request = request.header("Content-Type", "text/csv").body(table.to_owned());
    let request = headers.iter().fold(request, |request, (name, value)| request.header(*name, *value));
    let response = request.send().await.unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    Answer { status, headers, text: response.text().await.unwrap() }
}

const HOUSES: &str = "\u{feff}Key;Name;Address;Access;Areas;Latitude deg;Longitude deg;Built year\r\n\
    elm-12;Elm Street 12;Elm Street 12, Harrow Falls;mon-fri 07:00-18:00;\"Living room: 320 red oak; Hall: 80\";40,7;-74,0;1926\r\n\
    linden-4;House linden-4;Linden Street 4, Harrow Falls;\"mon-fri 06:00-20:00\r\nsat,sun 06:00-20:00\";Living room: 300;;;\r\n";

#[tokio::test]
async fn a_table_of_houses_is_taken_in_and_told_row_by_row() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    let tried = send(&app, &office, "/v1/imports/houses?dry_run=true", HOUSES, &[]).await.expect(200);
    assert_eq!((&tried["dry_run"], &tried["added"], &tried["changed"]), (&json!(true), &json!(1), &json!(1)));
    office.get("/v1/houses/elm-12").await.problem(404, "not-found");

    let key = [("Idempotency-Key", "table-1")];
    let first = send(&app, &office, "/v1/imports/houses", HOUSES, &key).await;
    let view = first.expect(200);
    assert_eq!(view["rows"], tried["rows"]);
    assert_eq!(view["rows"][1], json!({"row": 2, "line": 3, "key": "linden-4", "outcome": "changed"}));
    let again = send(&app, &office, "/v1/imports/houses", HOUSES, &key).await;
    assert_eq!((again.header("idempotency-replayed"), &again.text), ("true", &first.text));
    let other = send(&app, &office, "/v1/imports/houses", "key\nelm-12\n", &key).await;
    assert_eq!(other.status, 422, "{}", other.text);

    let elm = office.get("/v1/houses/elm-12").await.expect(200);
    assert_eq!(elm["location"], json!({"latitude_deg": 40.7, "longitude_deg": -74.0}));
    assert_eq!(elm["areas"][0], json!({"name": "Living room", "area_sqft": 320, "species": "red oak"}));
    assert_eq!((&elm["built_year"], &elm["air"]), (&json!(1926), &json!("closed")));
    // What the table has no column for stays; a blank cell takes away.
    let linden = office.get("/v1/houses/linden-4").await.expect(200);
    assert_eq!(linden["air"], json!({"controlled": {"temp_c": 21.0, "rh_percent": 45.0}}));
    assert_eq!((linden.get("location"), &linden["areas"]), (None, &json!([{"name": "Living room", "area_sqft": 300}])));
    let same = send(&app, &office, "/v1/imports/houses", HOUSES, &[]).await.expect(200);
    assert_eq!((&same["added"], &same["changed"], &same["unchanged"]), (&json!(0), &json!(0), &json!(2)));
}

#[tokio::test]
async fn one_bad_row_and_nothing_is_kept() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let table = "key,name,skills,head_count,calendar,time_zone\n\
        west,Crew West,sanding,2,mon-fri 07:00-15:30,\n\
        east,Crew East,sanding,many,mon-fri 07:00-15:30,\n\
        ..,Crew Dots,sanding,2,mon-fri 07:00-15:30,\n\
        far,Crew Far,sanding,2,mon-fri 15:30-07:00,Europe/Atlantis\n\
        west,Crew West,,3,mon-fri 07:00-15:30,\n";
    for path in ["/v1/imports/crews", "/v1/imports/crews?dry_run=true"] {
        let body = send(&app, &office, path, table, &[]).await.problem(422, "invalid-document");
        let found = |pointer: &str, code: &str| {
            let errors = body["errors"].as_array().unwrap();
            let found = errors.iter().find(|error| error["pointer"] == pointer && error["code"] == code);
            let found = found.unwrap_or_else(|| panic!("no {code} at {pointer} in {body}"));
            assert!(!found["cure"].as_str().unwrap().is_empty());
            found["detail"].as_str().unwrap().to_owned()
        };
        assert!(found("/2/head_count", "bad-number").starts_with("row 2, column head_count: \"many\""));
        found("/3/key", "bad-key");
        found("/4/time_zone", "unknown-zone");
        found("/5/skills", "missing-cell");
    }
    office.get("/v1/crews/west").await.problem(404, "not-found");
    let twice = "key,name,skills,head_count,calendar\nw,W,s,2,mon 07:00-15:30\nw,W,s,2,mon 07:00-15:30\n";
    let body = send(&app, &office, "/v1/imports/crews", twice, &[]).await;
    body.fault("duplicate-key", "/2/key");
    // A document that is good by itself and does not fit: an unknown region, areas that open jobs need.
    let region = "key,name,access,areas,region\nelm-1,Elm,mon 07:00-15:30,Hall: 80,atlantis\n";
    let refused = send(&app, &office, "/v1/imports/houses", region, &[]).await;
    assert_eq!(refused.status, 422, "{}", refused.text);
    assert!(refused.text.contains("/1/region"), "{}", refused.text);
    office.get("/v1/houses/elm-1").await.problem(404, "not-found");

    let json = office.post("/v1/imports/houses", &json!({})).await;
    json.problem(415, "unsupported-media-type");
    let viewer = office.token(&json!({"name": "wall", "role": "viewer"})).await;
    send(&app, &viewer, "/v1/imports/crews", table, &[]).await.problem(403, "role-needed");
    viewer.get("/v1/export.json").await.problem(403, "role-needed");
    let large = format!("key,name\n{}", "x,y\n".repeat(1_200_000));
    send(&app, &office, "/v1/imports/crews", &large, &[]).await.problem(413, "body-too-large");
}

/// Whatever is exported as a table of houses or crews is read again as it was, formulas and all.
#[tokio::test]
async fn tables_go_out_and_come_back() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut elm = app::house("elm-12");
    elm["name"] = json!("=HYPERLINK(\"http://x\")");
    elm["address"] = json!("'quoted', \"and\" more; é");
    elm["access"]["exceptions"] = json!([{"date": "2026-11-26", "windows": [], "note": "+closed"}]);
    elm["areas"] = json!([{"name": "A; B: C", "area_sqft": 7}]);
    elm["closures"] = json!([{"from": "2026-03-12T07:00:00-04:00", "until": "2026-03-13T00:00:00-04:00"}]);
    elm["resilient_flooring"] = json!(false);
    office.post("/v1/houses", &elm).await.expect(201);
    let mut west = app::crew("west");
    west["name"] = json!("-2+3");
    west["short_handed"] = json!([{"from": "2026-03-12T07:00:00-04:00", "until": "2026-03-13T00:00:00-04:00", "people": 1, "note": "@home"}]);
    office.post("/v1/crews", &west).await.expect(201);
    let other = app.company("Rivals").await;
    for list in ["houses", "crews"] {
        let out = office.get(&format!("/v1/export/{list}.csv")).await;
        assert_eq!((out.status.as_u16(), out.header("content-type")), (200, "text/csv; charset=utf-8; header=present"));
        assert!(out.text.starts_with('\u{feff}') && out.text.contains("\r\n"), "{}", out.text);
        let cells = out.text.lines().flat_map(|line| line.split(','));
        assert!(!cells.into_iter().any(|cell| cell.trim_start_matches('"').starts_with(['=', '@'])), "{}", out.text);
        let kept = send(&app, &office, &format!("/v1/imports/{list}"), &out.text, &[]).await.expect(200);
        assert_eq!((&kept["unchanged"], &kept["changed"]), (&json!(kept["rows"].as_array().unwrap().len()), &json!(0)));
        send(&app, &other, &format!("/v1/imports/{list}"), &out.text, &[]).await.expect(200);
        assert_eq!(other.get(&format!("/v1/{list}")).await.json(), office.get(&format!("/v1/{list}")).await.json());
    }
}

/// The whole company, made again from its own export.
#[tokio::test]
async fn a_company_is_made_again_from_its_export() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let hour = |hour: i64| {
        let start = (monday() + chrono::Duration::hours(hour)).to_rfc3339();
        json!({"start": start, "temp_c": 8.0, "rh_percent": 60.0})
    };
    let hours: Vec<Value> = (0..48).map(hour).collect();
    let region = json!({"key": "coast", "name": "Coast", "forecast": {"hours": hours}});
    office.post("/v1/regions", &region).await.expect(201);
    office.publish().await;
    app.clock.set(monday() + chrono::Duration::hours(4));
    let done = json!({"step": "sand", "crew": "north", "outcome": "done", "note": "=fine",
        "started_at": "2026-03-09T07:00:00-04:00", "finished_at": "2026-03-09T08:00:00-04:00"});
    office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    office.post("/v1/houses/linden-4/air-readings", &json!({"temp_c": 19.0, "rh_percent": 50.0})).await.expect(201);

    let out = office.get("/v1/export.json").await;
    let whole = out.expect(200);
    assert_eq!((&whole["format"], &whole["complete"]), (&json!("tackfree-company/1"), &json!(true)));
    assert_eq!(whole["company"]["name"], "Harrow Falls Floors");
    assert_eq!(whole["jobs"][0]["records"][0]["note"], "=fine");
    assert_eq!(whole["air_readings"][0]["house"], "linden-4");
    assert_eq!(whole["published"]["status"], "published");
    assert!(!whole["events"].as_array().unwrap().is_empty());

    let other = app.company("Rivals").await;
    let settings = json!({"name": "Rivals", "settings": whole["company"]["settings"]});
    other.put("/v1/company", &settings).await.expect(200);
    for list in ["regions", "equipment", "methods", "crews", "houses"] {
        for document in whole[list].as_array().unwrap() {
            other.post(&format!("/v1/{list}"), document).await.expect(201);
        }
    }
    for job in whole["jobs"].as_array().unwrap() {
        other.post("/v1/jobs", &job["document"]).await.expect(201);
    }
    let again = other.get("/v1/export.json").await.expect(200);
    for list in ["regions", "equipment", "methods", "crews", "houses"] {
        assert_eq!(again[list], whole[list], "{list}");
        assert!(list == "methods" || !whole[list].as_array().unwrap().is_empty(), "nothing of {list} was tried");
    }
    let documents =
        |whole: &Value| whole["jobs"].as_array().unwrap().iter().map(|job| job["document"].clone()).collect::<Vec<_>>();
    assert_eq!(documents(&again), documents(&whole));
    assert!(documents(&whole)[0]["history"][0]["outcome"] == "done");
}

#[tokio::test]
async fn every_table_has_a_header_and_what_there_is() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    app.clock.set(monday() + chrono::Duration::hours(4));
    let done = json!({"step": "sand", "crew": "north", "outcome": "done", "note": "=1+1",
        "started_at": "2026-03-09T07:00:00-04:00", "finished_at": "2026-03-09T08:00:00-04:00"});
    office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    office.post("/v1/houses/linden-4/air-readings", &json!({"temp_c": 19.0, "rh_percent": 50.0})).await.expect(201);
    for (table, rows, holds) in [
        ("houses", 1, "linden-4,House linden-4,\"Linden Street 4, Harrow Falls\",,40.7,-74.0,"),
        ("crews", 2, "north,Crew north,\"sanding; finishing; treatment; readings\",2,"),
        ("equipment", 1, "big-machine,The big-machine,2,yes,"),
        ("jobs", 1, "linden-4-floors,Floors of linden-4,linden-4,open,2026-03-09T00:00:00-04:00,"),
        ("steps", 3, "linden-4-floors,sand,Sand,sand,,,100"),
        ("waits", 2, "linden-4-floors,coat,hand-over,"),
        ("plan", 3, "linden-4-floors,"),
        ("history", 1, ",'=1+1,"),
        ("air-readings", 1, "linden-4,2026-03-09T10:00:00-04:00,19.0,50.0,"),
    ] {
        let out = office.get(&format!("/v1/export/{table}.csv")).await;
        assert_eq!(out.status, 200, "{}", out.text);
        assert!(out.header("content-disposition").contains(&format!("{table}.csv")));
        assert_eq!(out.text.lines().count(), rows + 1, "{table}: {}", out.text);
        assert!(out.text.contains(holds), "{table}: {}", out.text);
    }
    office.get("/v1/export/secrets.csv").await.problem(404, "not-found");
}
