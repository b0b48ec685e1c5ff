//! Calendars as they are asked for again and again: tags, dates, compression; what has been written once, and that every
//! change is seen at once, on every server.

use crate::common::app::{self, App, Caller, small_office};
use chrono::{DateTime, Duration, Utc};
use flate2::read::GzDecoder;
use reqwest::{Method, Response};
use serde_json::{Value, json};
use std::io::Read;

async fn address(office: &Caller, body: Value) -> (String, String) {
    let made = office.post("/v1/feeds", &body).await.expect(201);
    (made["address"].as_str().unwrap().to_owned(), made["id"].as_str().unwrap().to_owned())
}

async fn ask(app: &App, method: Method, path: &str, headers: &[(&str, &str)]) -> Response {
    let request = app.http.request(method, format!("{}{path}", app.base));
    headers.iter().fold(request, |request, (name, value)| request.header(*name, *value)).send().await.unwrap()
}

fn header<'a>(response: &'a Response, name: &str) -> &'a str {
    response.headers().get(name).unwrap_or_else(|| panic!("no {name}: {response:?}")).to_str().unwrap()
}

/// Whoever serves for real has the database's clock, which tells when something changed: ours is a minute ahead, so that
/// this is past, and on the same day of the company, since a calendar changes as a day begins too.
async fn set_clock(app: &App) {
    let date = |at: DateTime<Utc>| at.with_timezone(&chrono_tz::America::New_York).date_naive();
    while date(Utc::now()) != date(Utc::now() + Duration::minutes(2)) {
        tokio::time::sleep(Duration::seconds(1).to_std().unwrap()).await;
    }
    app.clock.set(Utc::now() + Duration::minutes(1));
}

#[tokio::test]
async fn plain_and_compressed_are_two_representations_of_one_calendar() {
    let app = app::start().await;
    let office = small_office(&app).await;
    set_clock(&app).await;
    let (feed, _) = address(&office, json!({"kind": "office"})).await;
    let plain = ask(&app, Method::GET, &feed, &[]).await;
    assert_eq!(plain.status(), 200);
    assert_eq!(header(&plain, "content-type"), "text/calendar; charset=utf-8");
    assert_eq!(header(&plain, "vary"), "accept-encoding");
    assert_eq!(header(&plain, "cache-control"), "private, no-cache");
    assert!(plain.headers().get("content-encoding").is_none());
    let (plain_tag, date) = (header(&plain, "etag").to_owned(), header(&plain, "last-modified").to_owned());
    let text = plain.text().await.unwrap();

    let packed = ask(&app, Method::GET, &feed, &[("Accept-Encoding", "gzip, deflate, br")]).await;
    assert_eq!((packed.status().as_u16(), header(&packed, "content-encoding")), (200, "gzip"));
    assert_eq!(header(&packed, "vary"), "accept-encoding");
    assert_eq!(header(&packed, "last-modified"), date);
    let packed_tag = header(&packed, "etag").to_owned();
    assert!(packed_tag.starts_with('"') && packed_tag != plain_tag, "{packed_tag} {plain_tag}");
    let bytes = packed.bytes().await.unwrap();
    let mut unpacked = String::new();
    GzDecoder::new(bytes.as_ref()).read_to_string(&mut unpacked).unwrap();
    assert_eq!(unpacked, text);

    // HEAD says the same of each, without the bytes.
    for (accepted, tag, length) in [("identity", &plain_tag, text.len()), ("gzip", &packed_tag, bytes.len())] {
        let head = ask(&app, Method::HEAD, &feed, &[("Accept-Encoding", accepted)]).await;
        assert_eq!((head.status().as_u16(), header(&head, "etag")), (200, tag.as_str()));
        assert_eq!(header(&head, "content-length"), length.to_string());
        assert_eq!(head.bytes().await.unwrap().len(), 0);
    }

    let both = format!("\"x\", {plain_tag} ,W/{packed_tag}");
    let weak = format!("W/{plain_tag}");
    for (list, accepted, known) in [
        (plain_tag.as_str(), "identity", Some(&plain_tag)),
        // Whoever has one representation has the calendar, whichever he would be given.
        (&plain_tag, "gzip", Some(&plain_tag)),
        (&packed_tag, "gzip", Some(&packed_tag)),
        (&weak, "identity", Some(&plain_tag)),
        (&both, "gzip", Some(&packed_tag)),
        (&both, "identity", Some(&plain_tag)),
        ("*", "gzip", Some(&packed_tag)),
        ("\"x\", \"y\"", "gzip", None),
        (plain_tag.trim_matches('"'), "identity", None),
    ] {
        for method in [Method::GET, Method::HEAD] {
            let headers = [("If-None-Match", list), ("Accept-Encoding", accepted)];
            let answer = ask(&app, method, &feed, &headers).await;
            assert_eq!(answer.status(), if known.is_some() { 304 } else { 200 }, "{list}");
            assert_eq!(header(&answer, "vary"), "accept-encoding", "{list}");
            if let Some(tag) = known {
                assert_eq!((header(&answer, "etag"), header(&answer, "last-modified")), (tag.as_str(), date.as_str()));
                assert!(answer.headers().get("content-encoding").is_none(), "{answer:?}");
                assert_eq!(answer.bytes().await.unwrap().len(), 0);
            }
        }
    }
}

#[tokio::test]
async fn dates_count_where_there_is_no_tag() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let (feed, _) = address(&office, json!({"kind": "house", "house": "linden-4"})).await;
    set_clock(&app).await;
    let first = ask(&app, Method::GET, &feed, &[]).await;
    let date = header(&first, "last-modified").to_owned();
    let at = DateTime::parse_from_rfc2822(&date).unwrap();
    let asked = async |since: &str, tag: Option<&str>| {
        let mut headers = vec![("If-Modified-Since", since)];
        headers.extend(tag.map(|tag| ("If-None-Match", tag)));
        ask(&app, Method::GET, &feed, &headers).await.status().as_u16()
    };
    assert_eq!(asked(&date, None).await, 304);
    let earlier = (at - Duration::seconds(1)).format("%a, %d %b %Y %H:%M:%S GMT").to_string();
    assert_eq!(asked(&earlier, None).await, 200);
    assert_eq!(asked("next year", None).await, 200);
    assert_eq!(asked(&date, Some("\"other\"")).await, 200, "the tag counts and the date does not");

    // Every change has a second of its own, even two within one.
    let mut house = office.get("/v1/houses/linden-4").await.expect(200);
    for (name, before) in [("House of Linden", date.clone()), ("Linden House", String::new())] {
        house["name"] = json!(name);
        office.put("/v1/houses/linden-4", &house).await.expect(200);
        let answer = ask(&app, Method::GET, &feed, &[("If-Modified-Since", &before)]).await;
        assert_eq!(answer.status(), 200);
        assert_ne!(header(&answer, "last-modified"), date);
    }
}

/// Everything a calendar shows, changed through one server, read from another that has written the calendar before.
#[tokio::test]
async fn every_change_is_seen_at_once_on_every_server() {
    let app = app::start().await;
    let other = app.twin().await;
    let office = small_office(&app).await;
    office.publish().await;
    let (all, id) = address(&office, json!({"kind": "office"})).await;
    let (customer, _) = address(&office, json!({"kind": "customer", "house": "linden-4"})).await;
    let (north, _) = address(&office, json!({"kind": "crew", "crew": "north"})).await;
    let read = async |path: &str| {
        let first = ask(&other, Method::GET, path, &[]).await;
        assert_eq!(first.status(), 200);
        let text = first.text().await.unwrap();
        assert_eq!(ask(&other, Method::GET, path, &[]).await.text().await.unwrap(), text, "kept as it was");
        text
    };
    let (mut of_office, mut of_customer) = (read(&all).await, read(&customer).await);

    let change = async |path: &str, member: &str, value: Value| {
        let mut document = office.get(path).await.expect(200);
        document[member] = value;
        office.put(path, &document).await.expect(200);
    };
    change("/v1/houses/linden-4", "address", json!("Linden Street 4, rear door")).await;
    assert!(read(&all).await.contains("rear door"));
    let north_before = read(&north).await;
    change("/v1/crews/north", "name", json!("Crew of Anna")).await;
    assert!(read(&north).await.contains("X-WR-CALNAME:Crew of Anna") && !north_before.contains("Anna"));
    office.patch("/v1/jobs/linden-4-floors", &json!({"name": "Oak floors of Linden"})).await.expect(200);
    assert!(read(&all).await.contains("Oak floors of Linden"));
    let company = office.get("/v1/company").await.expect(200);
    let renamed = json!({"name": "Harrow Floors & Daughters", "settings": company["settings"]});
    office.put("/v1/company", &renamed).await.expect(200);
    assert!(read(&all).await.contains("X-WR-CALNAME:Harrow Floors & Daughters"));

    let mut differs = async |what: &str| {
        let (office_now, customer_now) = (read(&all).await, read(&customer).await);
        let differs = (office_now != of_office, customer_now != of_customer);
        (of_office, of_customer) = (office_now, customer_now);
        assert!(differs.0 || differs.1, "{what}");
        differs
    };
    differs("the names above").await;
    change("/v1/houses/linden-4", "air", json!({"controlled": {"temp_c": 15.0, "rh_percent": 70.0}})).await;
    assert!(differs("the air of a house").await.1);
    app.clock.set(app::monday() + Duration::hours(4));
    other.clock.set(app::monday() + Duration::hours(4));
    let done = json!({"step": "sand", "crew": "north", "outcome": "done",
        "started_at": "2026-03-09T07:00:00-04:00", "finished_at": "2026-03-09T08:00:00-04:00"});
    office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    differs("a report").await;
    let reading = json!({"temp_c": 9.0, "rh_percent": 88.0});
    office.post("/v1/houses/linden-4/air-readings", &reading).await.expect(201);
    assert!(differs("a reading of the air").await.1);
    office.publish().await;
    differs("a publication").await;
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    office.publish().await;
    assert_eq!(differs("a job called off").await, (true, true));

    office.delete(&format!("/v1/feeds/{id}")).await.expect(204);
    for server in [&app, &other] {
        assert_eq!(ask(server, Method::GET, &all, &[]).await.status(), 404, "an address that was taken back");
        assert_eq!(ask(server, Method::GET, &all, &[("If-None-Match", "*")]).await.status(), 404);
    }
}

/// Nothing changes but the day: what is older than calendars remember goes, and the copy of yesterday is not good any more.
#[tokio::test]
async fn a_new_day_is_a_new_calendar() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let (feed, _) = address(&office, json!({"kind": "office"})).await;
    let text = async || ask(&app, Method::GET, &feed, &[]).await.text().await.unwrap();
    let first = text().await;
    assert_eq!(first.matches("BEGIN:VEVENT").count(), 3);
    app.clock.set(app::monday() + Duration::hours(17));
    assert_eq!(text().await, first, "the same day");
    app.clock.set(app::monday() + Duration::days(61));
    let later = text().await;
    assert!(later.matches("BEGIN:VEVENT").count() < 3, "{later}");
    app.clock.set(app::monday());
    assert_eq!(text().await, first, "a clock that was put back");
}
