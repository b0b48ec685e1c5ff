//! Calendars over publications: events that stay, move, change hands and are called off.

use crate::common::app::{self, App, Caller, job, monday, small_office};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Properties of each event by its UID.
fn events(text: &str) -> BTreeMap<String, BTreeMap<String, String>> {
    let unfolded = text.replace("\r\n ", "");
    let mut events = BTreeMap::new();
    for block in unfolded.split("BEGIN:VEVENT\r\n").skip(1) {
        let lines = block.split("END:VEVENT").next().unwrap().lines();
        let named = lines.filter_map(|line| line.split_once(':'));
        let event: BTreeMap<String, String> =
            named.map(|(name, value)| (name.split(';').next().unwrap().to_owned(), value.to_owned())).collect();
        assert!(events.insert(event["UID"].clone(), event).is_none(), "one event for each UID: {text}");
    }
    events
}

async fn address(office: &Caller, body: Value) -> String {
    office.post("/v1/feeds", &body).await.expect(201)["address"].as_str().unwrap().to_owned()
}

async fn read(app: &App, address: &str) -> String {
    let answer = app.caller("").get(address).await;
    answer.headers.get("etag").unwrap();
    assert_eq!(answer.status, 200, "{}", answer.text);
    answer.text
}

fn by_summary<'a>(events: &'a BTreeMap<String, BTreeMap<String, String>>, part: &str) -> &'a BTreeMap<String, String> {
    events.values().find(|event| event["SUMMARY"].contains(part)).unwrap_or_else(|| panic!("no {part} in {events:?}"))
}

#[tokio::test]
async fn work_that_changes_hands_is_called_off_for_one_and_new_for_the_other() {
    let app = app::start().await;
    let office = small_office(&app).await;
    for crew in ["north", "south"] {
        // One crew finds the other's calendar empty before.
        let mut document = office.get(&format!("/v1/crews/{crew}")).await.expect(200);
        document["skills"] = if crew == "north" { json!(["sanding", "finishing"]) } else { json!([]) };
        office.put(&format!("/v1/crews/{crew}"), &document).await.expect(200);
    }
    let pin = json!({"pins": [{"step": "hand-over", "crew": "north"}, {"step": "coat", "crew": "north"}]});
    office.patch("/v1/jobs/linden-4-floors", &pin).await.expect(200);
    office.publish().await;
    let north = address(&office, json!({"kind": "crew", "crew": "north"})).await;
    let south = address(&office, json!({"kind": "crew", "crew": "south"})).await;
    let all = address(&office, json!({"kind": "office"})).await;
    let customer = address(&office, json!({"kind": "customer", "house": "linden-4"})).await;
    let before = events(&read(&app, &all).await);
    assert_eq!(before.len(), 3);
    assert_eq!(events(&read(&app, &south).await).len(), 0);
    // The same promises, the same bytes, whenever asked.
    let first = read(&app, &all).await;
    app.clock.set(monday() + chrono::Duration::minutes(5));
    assert_eq!(read(&app, &all).await, first);
    let text = read(&app, &customer).await;
    assert!(!text.contains("Crew north") && !text.contains("big-machine"), "{text}");

    let pin = json!({"pins": [{"step": "hand-over", "crew": "south"}, {"step": "coat", "crew": "north"}]});
    office.patch("/v1/jobs/linden-4-floors", &pin).await.expect(200);
    office.publish().await;
    let (of_north, of_south) = (events(&read(&app, &north).await), events(&read(&app, &south).await));
    let (gone, new) = (by_summary(&of_north, "Hand-over"), by_summary(&of_south, "Hand-over"));
    assert_eq!((gone["STATUS"].as_str(), new["STATUS"].as_str()), ("CANCELLED", "CONFIRMED"));
    assert_eq!(gone["UID"], new["UID"]);
    let number = |event: &BTreeMap<String, String>| event["SEQUENCE"].parse::<u32>().unwrap();
    assert!(number(gone) > 0 && number(new) > number(gone), "{} {}", gone["SEQUENCE"], new["SEQUENCE"]);
    let after = events(&read(&app, &all).await);
    assert_eq!(after.len(), 3);
    assert_eq!(after[&new["UID"]]["STATUS"], "CONFIRMED");
    // What did not change is the same event still, revised no more than its job was.
    let without_stamps = |event: &BTreeMap<String, String>| {
        let mut event = event.clone();
        assert_eq!(event.remove("DTSTAMP"), event.remove("LAST-MODIFIED"), "one time of revision: {event:?}");
        event
    };
    let (kept, same) = (by_summary(&before, "Coat"), by_summary(&after, "Coat"));
    assert_eq!(without_stamps(kept), without_stamps(same));
}

#[tokio::test]
async fn a_cancelled_job_stays_in_calendars_as_cancelled() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.post("/v1/jobs", &job("second", "linden-4")).await.expect(201);
    office.publish().await;
    let house = address(&office, json!({"kind": "house", "house": "linden-4"})).await;
    let before = events(&read(&app, &house).await);
    assert_eq!(before.len(), 6);
    office.patch("/v1/jobs/second", &json!({"status": "cancelled"})).await.expect(200);
    office.publish().await;
    let after = events(&read(&app, &house).await);
    assert_eq!(after.keys().collect::<Vec<_>>(), before.keys().collect::<Vec<_>>());
    let cancelled: Vec<_> = after.values().filter(|event| event["STATUS"] == "CANCELLED").collect();
    assert_eq!(cancelled.len(), 3);
    for event in cancelled {
        assert_eq!((event["SEQUENCE"].as_str(), event["TRANSP"].as_str()), ("1", "TRANSPARENT"));
        assert_ne!(event["LAST-MODIFIED"], "");
    }
    let week = office.get("/v1/houses/linden-4/week?days=14").await.expect(200);
    assert!(week["works"].as_array().unwrap().iter().all(|work| work["job"] == "linden-4-floors"));
}

#[tokio::test]
async fn what_happened_stays_and_is_not_called_off() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let feed = address(&office, json!({"kind": "office"})).await;
    app.clock.set(monday() + chrono::Duration::hours(5));
    let done = json!({
        "step": "sand", "crew": "north", "outcome": "done", "started_at": "2026-03-09T07:00:00-04:00",
        "finished_at": "2026-03-09T09:00:00-04:00"
    });
    office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    office.publish().await;
    assert_eq!(by_summary(&events(&read(&app, &feed).await), "Sand")["STATUS"], "CONFIRMED");
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "finished"})).await.expect(200);
    office.publish().await;
    let after = events(&read(&app, &feed).await);
    assert_eq!(by_summary(&after, "Sand")["STATUS"], "CONFIRMED");
    assert_eq!(by_summary(&after, "Hand-over")["STATUS"], "CANCELLED");
}

#[tokio::test]
async fn the_customer_is_told_how_long_to_keep_off() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let customer = address(&office, json!({"kind": "customer", "house": "linden-4"})).await;
    let of_house = address(&office, json!({"kind": "house", "house": "linden-4"})).await;
    assert!(!read(&app, &of_house).await.contains("Keep off"));
    let good_air = events(&read(&app, &customer).await);
    let (coat, off) = (by_summary(&good_air, "Coat"), by_summary(&good_air, "Keep off"));
    assert_eq!(off["SUMMARY"], "Keep off: all floors");
    assert_eq!(off["DTSTART"], coat["DTEND"]);
    // 1,440 label minutes at 21 degrees and 45 percent, which are about what labels mean.
    assert!(off["DTEND"].starts_with("20260310T"), "{}", off["DTEND"]);

    let mut linden = office.get("/v1/houses/linden-4").await.expect(200);
    linden["air"] = json!({"controlled": {"temp_c": 12.0, "rh_percent": 80.0}});
    office.put("/v1/houses/linden-4", &linden).await.expect(200);
    let cold = events(&read(&app, &customer).await);
    let longer = &cold[&off["UID"]];
    assert!(longer["DTEND"] > off["DTEND"], "{} {}", longer["DTEND"], off["DTEND"]);
    assert!(longer["SEQUENCE"].parse::<u32>().unwrap() > off["SEQUENCE"].parse::<u32>().unwrap());

    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    office.publish().await;
    let last = events(&read(&app, &customer).await);
    let gone = &last[&off["UID"]];
    assert_eq!(gone["STATUS"], "CANCELLED");
    assert!(gone["SEQUENCE"].parse::<u32>().unwrap() > longer["SEQUENCE"].parse::<u32>().unwrap());
}

/// Socks, furniture and rugs: events of their own, which move with reports and weather under the same UIDs.
#[tokio::test]
async fn the_customer_is_told_what_is_allowed_when() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let customer = address(&office, json!({"kind": "customer", "house": "linden-4"})).await;
    let care = async || {
        let mut events = events(&read(&app, &customer).await);
        events.retain(|_, event| event["CATEGORIES"] == "Care");
        events
    };
    let planned = care().await;
    assert_eq!(planned.len(), 5, "{planned:?}");
    let all = events(&read(&app, &customer).await);
    let (off, socks) = (by_summary(&all, "Keep off"), by_summary(&planned, "in socks"));
    assert_eq!(socks["DTSTART"], off["DTEND"]);
    assert!(!socks.contains_key("DTEND"), "an instant: {socks:?}");
    // Practice: two days for furniture, a week to two for a waterborne film; in the air that labels mean, about so.
    let day = |event: &BTreeMap<String, String>| event["DTSTART"][..8].parse::<u32>().unwrap();
    let coated = off["DTSTART"][..8].parse::<u32>().unwrap();
    let days = ["Furniture may go back\\, at", "Furniture may go back\\, to", "floor\\, at the", "floor\\, to be"];
    assert_eq!(days.map(|part| day(by_summary(&planned, part)) - coated), [2, 4, 7, 14]);
    assert!(planned.values().all(|event| event["STATUS"] == "TENTATIVE" && event["TRANSP"] == "TRANSPARENT"));
    let of_house = address(&office, json!({"kind": "house", "house": "linden-4"})).await;
    assert!(!read(&app, &of_house).await.contains("socks"));

    let higher = |after: &BTreeMap<String, BTreeMap<String, String>>,
                  before: &BTreeMap<_, BTreeMap<String, String>>| {
        assert_eq!(after.keys().collect::<Vec<_>>(), before.keys().collect::<Vec<_>>());
        let number = |event: &BTreeMap<String, String>| event["SEQUENCE"].parse::<u32>().unwrap();
        assert!(after.iter().all(|(uid, event)| number(event) > number(&before[uid])), "{after:?} {before:?}");
    };
    let mut linden = office.get("/v1/houses/linden-4").await.expect(200);
    linden["air"] = json!({"controlled": {"temp_c": 16.0, "rh_percent": 60.0}});
    office.put("/v1/houses/linden-4", &linden).await.expect(200);
    let cool = care().await;
    higher(&cool, &planned);
    assert!(by_summary(&cool, "in socks")["DTSTART"] > socks["DTSTART"]);

    // Done in time for once: the report moves the dates without a publication.
    app.clock.set(monday() + chrono::Duration::days(1));
    for (step, from, until) in [("sand", "07:00", "08:00"), ("coat", "08:00", "09:00")] {
        let done = json!({"step": step, "crew": "north", "outcome": "done",
            "started_at": format!("2026-03-09T{from}:00-04:00"), "finished_at": format!("2026-03-09T{until}:00-04:00")});
        office.post("/v1/jobs/linden-4-floors/records", &done).await.expect(201);
    }
    let done = care().await;
    higher(&done, &cool);
    assert!(by_summary(&done, "in socks")["DTSTART"] < by_summary(&cool, "in socks")["DTSTART"]);
    assert!(by_summary(&done, "in socks")["DESCRIPTION"].starts_with("The last coat was finished"));
}

#[tokio::test]
async fn what_is_allowed_when_is_called_off_with_the_job() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let customer = address(&office, json!({"kind": "customer", "house": "linden-4"})).await;
    let before = events(&read(&app, &customer).await);
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    office.publish().await;
    let after = events(&read(&app, &customer).await);
    let gone = &after[&by_summary(&before, "in socks")["UID"]];
    assert_eq!(gone["STATUS"], "CANCELLED");
    assert!(gone["SEQUENCE"].parse::<u32>().unwrap() > by_summary(&before, "in socks")["SEQUENCE"].parse().unwrap());
}

#[tokio::test]
async fn crews_read_what_to_beware_of_in_their_calendar() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let all = address(&office, json!({"kind": "office"})).await;
    let told = events(&read(&app, &all).await);
    let sand = by_summary(&told, "Sand");
    assert!(sand["DESCRIPTION"].contains("Beware: ") && sand["DESCRIPTION"].contains("find out (lead)"), "{sand:?}");
    let customer = address(&office, json!({"kind": "customer", "house": "linden-4"})).await;
    assert!(!read(&app, &customer).await.contains("Beware"));
}

/// Waits are told to whoever asks, as time that is free, under identifiers of their own.
#[tokio::test]
async fn waits_are_entries_that_leave_the_time_free() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let pin = json!({"pins": [{"step": "hand-over", "crew": "south"}, {"step": "coat", "crew": "north"}]});
    office.patch("/v1/jobs/linden-4-floors", &pin).await.expect(200);
    office.publish().await;
    let mut address_of = BTreeMap::new();
    for (name, body) in [
        ("office", json!({"kind": "office"})),
        ("house", json!({"kind": "house", "house": "linden-4"})),
        ("north", json!({"kind": "crew", "crew": "north"})),
        ("south", json!({"kind": "crew", "crew": "south"})),
        ("customer", json!({"kind": "customer", "house": "linden-4"})),
    ] {
        address_of.insert(name, address(&office, body).await);
    }
    let waits = async |name: &str| {
        let (plain, with) = (&address_of[name], format!("{}?waits=1&client=x", address_of[name]));
        assert!(!read(&app, plain).await.contains("Floor waits"), "{name}");
        assert_eq!(read(&app, &format!("{plain}?waits=0")).await, read(&app, plain).await);
        let all = events(&read(&app, &with).await);
        let (waits, works): (BTreeMap<_, _>, BTreeMap<_, _>) =
            all.into_iter().partition(|(_, event)| event["CATEGORIES"] == "Wait");
        (waits, works)
    };
    let (of_house, works) = waits("house").await;
    assert_eq!(of_house.len(), 1, "only the order matters between sanding and coating: {of_house:?}");
    let wait = of_house.values().next().unwrap();
    let (coat, hand_over) = (by_summary(&works, "Coat"), by_summary(&works, "Hand-over"));
    assert_eq!((&wait["DTSTART"], &wait["DTEND"]), (&coat["DTEND"], &hand_over["DTSTART"]));
    assert_eq!((wait["TRANSP"].as_str(), wait["STATUS"].as_str()), ("TRANSPARENT", "CONFIRMED"));
    assert_eq!(wait["SUMMARY"], "Floor waits after: Coat");
    assert!(wait["DESCRIPTION"].contains("At least 24 h\\, longer when it is cold or humid"), "{wait:?}");
    for name in ["office", "north", "south"] {
        let (of_others, _) = waits(name).await;
        assert_eq!(of_others.keys().collect::<Vec<_>>(), of_house.keys().collect::<Vec<_>>(), "{name}");
    }
    assert_eq!(waits("customer").await.0.len(), 0);
    let refused = app.caller("").get(&format!("{}?waits=perhaps", address_of["house"])).await;
    refused.problem(400, "bad-query");

    // Another hand on the last step: the crew that had it is told that the wait is no more its own.
    let uid = wait["UID"].clone();
    let number = |event: &BTreeMap<String, String>| event["SEQUENCE"].parse::<i64>().unwrap();
    app.clock.set(monday() + chrono::Duration::minutes(1));
    let pin = json!({"pins": [{"step": "hand-over", "crew": "north"}, {"step": "coat", "crew": "north"}]});
    office.patch("/v1/jobs/linden-4-floors", &pin).await.expect(200);
    office.publish().await;
    let (of_south, _) = waits("south").await;
    assert_eq!(of_south[&uid]["STATUS"], "CANCELLED");
    let (of_north, _) = waits("north").await;
    assert_eq!(of_north[&uid]["STATUS"], "CONFIRMED");
    assert!(number(&of_south[&uid]) > number(wait), "{} {}", of_south[&uid]["SEQUENCE"], wait["SEQUENCE"]);

    app.clock.set(monday() + chrono::Duration::minutes(2));
    office.patch("/v1/jobs/linden-4-floors", &json!({"status": "cancelled"})).await.expect(200);
    office.publish().await;
    let (gone, _) = waits("house").await;
    assert_eq!(gone[&uid]["STATUS"], "CANCELLED");
    assert!(number(&gone[&uid]) > number(&of_north[&uid]));
}

/// A reader may go by the time of the last revision alone: whatever changes what an entry says moves it.
#[tokio::test]
async fn an_entry_was_last_revised_when_anything_it_says_was() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let feed = address(&office, json!({"kind": "office"})).await;
    let mut before = read(&app, &feed).await;
    for (path, member, value) in [
        ("/v1/houses/linden-4", "address", "Linden Street 4 (rear door)"),
        ("/v1/crews/north", "name", "Crew of Anna"),
        ("/v1/crews/south", "name", "Crew of Bert"),
    ] {
        // Documents are stamped by the database, to the second here.
        tokio::time::sleep(std::time::Duration::from_millis(1_100)).await;
        let mut document = office.get(path).await.expect(200);
        document[member] = json!(value);
        office.put(path, &document).await.expect(200);
        let after = read(&app, &feed).await;
        for (uid, event) in events(&after) {
            let known = &events(&before)[&uid];
            let same = ["SUMMARY", "DESCRIPTION", "LOCATION"].iter().all(|name| known[*name] == event[*name]);
            assert!(same || known["LAST-MODIFIED"] != event["LAST-MODIFIED"], "{path}: {known:?} {event:?}");
        }
        before = after;
    }
    assert!(before.contains("rear door"));
}
