//! What events change in single documents.

use super::super::read_json;
use super::*;
use crate::domain::zone::Zone;
use crate::dto::{CrewDto, EquipmentDto, HouseDto, JobDto};
use serde_json::json;

fn event(happened: Value) -> Event {
    let body = EventBody { id: Uuid::from_u128(7), at: "2026-03-10T08:00:30Z".to_owned(), note: None, event: happened };
    body.read().unwrap()
}

fn crew() -> CrewDto {
    let week = json!({"week": [{"days": ["monday"], "from": "07:00", "to": "16:00"}]});
    let crew = json!({"key": "north", "name": "North", "skills": [], "head_count": 3, "calendar": week});
    read_json(&crew.to_string(), 10_000).unwrap()
}

fn away(from: &str, until: &str) -> Event {
    event(json!({"kind": "crew_away", "crew": "north", "from": from, "until": until}))
}

fn back(from: &str) -> Event {
    event(json!({"kind": "crew_back", "crew": "north", "from": from}))
}

#[test]
fn spells_begin_once_and_end_where_somebody_is_back() {
    let mut north = crew();
    let mut heed = |event: &Event| north.heed(event, Zone::UTC);
    let week = away("2026-03-10T07:00:00Z", "2026-03-14T00:00:00Z");
    let early = away("2026-03-09T07:00:00Z", "2026-03-09T09:00:00Z");
    assert!(matches!(heed(&back("2026-03-10T08:00:00Z")), Ok(Heard::NotYet(fault)) if fault.code == "nothing-to-end"));
    assert_eq!(heed(&week), Ok(Heard::Changed));
    assert_eq!(heed(&early), Ok(Heard::Changed));
    // The same in another zone's words.
    assert_eq!(heed(&away("2026-03-10T03:00:00-04:00", "2026-03-14T00:00:00Z")), Ok(Heard::Known));
    let short = |people: i64| {
        event(json!({"kind": "crew_short", "crew": "north", "people": people, "from": "2026-03-11T07:00:00Z",
                     "until": "2026-03-20T00:00:00Z"}))
    };
    assert_eq!(heed(&short(1)), Ok(Heard::Changed));
    let told = heed(&short(3)).unwrap_err();
    assert_eq!((told[0].pointer.as_str(), told[0].fault.code), ("/people", "bad-short-handed"));
    assert_eq!(heed(&back("2026-03-12T09:30:00Z")), Ok(Heard::Changed));
    assert_eq!(heed(&back("2026-03-12T09:30:00Z")), Ok(Heard::Known));
    let ends: Vec<(&str, &str)> =
        north.absences.iter().map(|entry| (entry.from.as_str(), entry.until.as_str())).collect();
    assert_eq!(
        ends,
        [("2026-03-09T07:00:00Z", "2026-03-09T09:00:00Z"), ("2026-03-10T07:00:00Z", "2026-03-12T09:30:00+00:00")]
    );
    assert_eq!(north.short_handed[0].until, "2026-03-12T09:30:00+00:00");
}

#[test]
fn what_ends_where_it_begins_has_not_been() {
    let week = json!({"week": [{"days": ["monday"], "from": "07:00", "to": "16:00"}]});
    let house = json!({"key": "elm", "name": "Elm", "access": week, "areas": [{"name": "Hall", "area_sqft": 100}]});
    let mut house: HouseDto = read_json(&house.to_string(), 10_000).unwrap();
    let closed = json!({"kind": "house_closed", "house": "elm", "from": "2026-03-10T08:00:00Z",
                        "until": "2026-03-11T08:00:00Z"});
    assert_eq!(house.heed(&event(closed), Zone::UTC), Ok(Heard::Changed));
    // At the minute of the event.
    let opened = event(json!({"kind": "house_opened", "house": "elm"}));
    assert_eq!(house.heed(&opened, Zone::UTC), Ok(Heard::Changed));
    assert_eq!(house.closures, []);

    let gear = json!({"key": "edger", "name": "Edger", "units": 2});
    let mut gear: EquipmentDto = read_json(&gear.to_string(), 10_000).unwrap();
    let broken = |units: i64| {
        event(json!({"kind": "machine_broken", "equipment": "edger", "units": units, "from": "2026-03-10T07:00:00Z",
                     "until": "2026-03-11T08:00:00Z"}))
    };
    assert_eq!(gear.heed(&broken(3), Zone::UTC).unwrap_err()[0].pointer, "/units");
    assert_eq!(gear.heed(&broken(2), Zone::UTC), Ok(Heard::Changed));
    assert_eq!(
        gear.heed(&event(json!({"kind": "machine_mended", "equipment": "edger"})), Zone::UTC),
        Ok(Heard::Changed)
    );
    assert_eq!(gear.outages[0].until, "2026-03-10T08:00:00+00:00");
    assert_eq!(gear.heed(&opened, Zone::UTC).unwrap_err()[0].pointer, "/kind");
}

fn job() -> JobDto {
    let step = |key: &str| json!({"key": key, "name": key, "kind": "other", "minutes": 30});
    let job = json!({"key": "j", "name": "J", "house": "elm", "release": "2026-03-10T08:00:00Z",
                     "steps": [step("a"), step("b"), step("c")],
                     "waits": [{"from": "a", "to": "b"}, {"from": "b", "to": "c"}]});
    read_json(&job.to_string(), 10_000).unwrap()
}

fn grown(steps: Value, waits: Value) -> JobGrown {
    match event(json!({"kind": "job_grown", "job": "j", "steps": steps, "waits": waits})).happening {
        HappeningDto::JobGrown(told) => *told,
        other => panic!("{other:?}"),
    }
}

#[test]
fn new_steps_stand_behind_what_they_wait_for() {
    let step = |key: &str| json!({"key": key, "name": key, "kind": "other", "minutes": 30});
    let between = |key: &str| json!([{"from": "a", "to": key}, {"from": key, "to": "b"}]);
    let two = grown(
        json!([step("x"), step("y")]),
        json!([{"from": "a", "to": "x"}, {"from": "a", "to": "y"}, {"from": "x", "to": "b"}]),
    );
    let mut job = job();
    let before = job.clone();
    let order = |job: &JobDto| job.steps.iter().flatten().map(|step| step.key.clone()).collect::<Vec<_>>().join(" ");
    assert_eq!(job.grow(&two), Ok(Heard::Changed));
    assert_eq!(order(&job), "a x y b c");
    assert_eq!(job.grow(&two), Ok(Heard::Known));
    let other = grown(json!([{"key": "x", "name": "other", "kind": "other", "minutes": 31}]), json!([]));
    assert!(matches!(job.grow(&other), Ok(Heard::Against(fault)) if fault.code == "duplicate-key"));
    let early = grown(json!([step("z")]), json!([{"from": "w", "to": "z"}]));
    assert!(matches!(job.grow(&early), Ok(Heard::NotYet(fault)) if fault.code == "unknown-step"));
    assert_eq!(job.grow(&grown(json!([step("z")]), between("z"))), Ok(Heard::Changed));
    assert_eq!(order(&job), "a z x y b c");
    job.shrink(&grown(json!([step("z")]), between("z")));
    job.shrink(&two);
    assert_eq!(job, before);
}

fn body(event: Value) -> EventBody {
    EventBody { id: Uuid::from_u128(1), at: "2026-03-09T08:00:07-04:00".to_owned(), note: None, event }
}

#[test]
fn faults_are_told_where_they_are() {
    let place = |event: Value| {
        let faults = body(event).read().unwrap_err();
        (faults[0].pointer.clone(), faults[0].fault.code)
    };
    assert_eq!(place(json!(3)), ("/event".to_owned(), "wrong-type"));
    assert_eq!(place(json!({})), ("/event/kind".to_owned(), "missing-field"));
    assert_eq!(place(json!({"kind": "flood"})), ("/event/kind".to_owned(), "unknown-value"));
    let misspelt = json!({"kind": "step_started", "job": "a", "step": "b", "crw": "c"});
    assert_eq!(place(misspelt).1, "unknown-field");
    let deep = json!({"kind": "job_grown", "job": "a", "areas": [{"name": "Hall", "area_sqft": "big"}]});
    assert_eq!(place(deep), ("/event/areas/0/area_sqft".to_owned(), "wrong-type"));
}

#[test]
fn what_is_written_is_read_again() {
    let event = json!({"kind": "machine_broken", "equipment": "edger", "from": "a", "until": "b"});
    let read = body(event).read().unwrap();
    let written = serde_json::to_value(&read.happening).unwrap();
    assert_eq!(written["units"], 1);
    assert_eq!(HappeningDto::read(written).unwrap(), read.happening);
    assert!(read.happening.may_be_reported());
}
