//! Bad settings, houses, crews, gear, regions, and documents that are no planning file at all.

use super::*;
use crate::trade::climate::HourlyClimate;
use serde_json::json;

const CREW: &str = "/crews/0";

#[test]
fn duplicate_keys() {
    for (list, cure) in [("crews", "own key"), ("houses", "own key"), ("equipment", "own key"), ("jobs", "own key")] {
        let faults = faults_after(|file| {
            let again = file[list][0].clone();
            file[list].as_array_mut().unwrap().push(again);
        });
        let last = example()[list].as_array().unwrap().len();
        let told = faults.iter().find(|located| located.fault.code == "duplicate-key").unwrap();
        assert_eq!(told.pointer, format!("/{list}/{last}/key"));
        assert!(told.fault.cure.contains(cure));
    }
    let again = |file: &mut Value| file["houses"][0]["areas"][1]["name"] = json!(" Living room ");
    refused(again, "/houses/0/areas/1/name", "duplicate-key", "own key");
}

#[test]
fn zones_that_do_not_exist() {
    let zone = |file: &mut Value| file["settings"]["time_zone"] = json!("America/Emerald_City");
    refused(zone, "/settings/time_zone", "unknown-zone", "IANA");
    let zone = |file: &mut Value| file["settings"]["time_zone"] = json!("America/New_Yrok");
    refused(zone, "/settings/time_zone", "unknown-zone", "did you mean America/New_York?");
    let zone = |file: &mut Value| file["houses"][1]["time_zone"] = json!("Harrow Falls");
    refused(zone, "/houses/1/time_zone", "unknown-zone", "IANA");
}

#[test]
fn hours_that_are_none_or_nonsense() {
    let closed = |file: &mut Value| file["houses"][1]["access"] = json!({ "week": [] });
    refused(closed, "/houses/1/access", "house-never-open", "at least one window");
    let idle = |file: &mut Value| {
        file["crews"][1]["calendar"] = json!({ "week": [], "exceptions": [{ "date": "2026-05-01" }] })
    };
    refused(idle, "/crews/1/calendar", "crew-never-works", "at least one window");
    let from =
        |text: &'static str| move |file: &mut Value| file["crews"][0]["calendar"]["week"][0]["from"] = json!(text);
    let place = format!("{CREW}/calendar/week/0/from");
    refused(from("7:00"), &place, "bad-time-of-day", "07:30");
    refused(from("24:30"), &place, "bad-time-of-day", "24:00");
    refused(from("15:30"), &format!("{CREW}/calendar/week/0"), "bad-hours", "split a night shift");
    let days = |file: &mut Value| file["crews"][0]["calendar"]["week"][0]["days"] = json!([]);
    refused(days, &format!("{CREW}/calendar/week/0/days"), "no-days", "days");
    let overlap = |file: &mut Value| {
        file["crews"][0]["calendar"]["week"][1]["days"] = json!(["friday"]);
    };
    refused(overlap, &format!("{CREW}/calendar"), "overlapping-hours", "join");
}

#[test]
fn exceptions_that_are_nonsense() {
    let exception = |entry: Value| move |file: &mut Value| file["crews"][0]["calendar"]["exceptions"][0] = entry;
    let place = format!("{CREW}/calendar/exceptions/0");
    refused(exception(json!({ "date": "2026-02-30" })), &format!("{place}/date"), "bad-date", "2026-03-09");
    refused(exception(json!({ "from": "2026-02-03" })), &place, "bad-dates", "until");
    refused(exception(json!({ "from": "2026-02-03", "until": "2026-02-03" })), &place, "bad-dates", "not included");
    refused(exception(json!({ "from": "1970-01-01", "until": "2199-12-31" })), &place, "bad-dates", "400");
    let twice = |file: &mut Value| {
        file["crews"][0]["calendar"]["exceptions"] =
            json!([{ "date": "2026-03-24" }, { "from": "2026-03-23", "until": "2026-03-25" }]);
    };
    refused(twice, &format!("{CREW}/calendar/exceptions/1"), "duplicate-date", "once");
}

#[test]
fn instants_with_seconds_or_without_sense() {
    let now = |text: &'static str| move |file: &mut Value| file["now"] = json!(text);
    refused(now("2026-03-10T06:00:01-04:00"), "/now", "seconds-in-instant", "seconds be 00");
    refused(now("2026-03-10 06:00"), "/now", "bad-instant", "offset");
    refused(now("2926-03-10T06:00:00-04:00"), "/now", "absurd-instant", "year");
    let absence = |file: &mut Value| file["crews"][0]["absences"][0]["until"] = json!("2026-03-19T12:00:00-04:00");
    refused(absence, "/crews/0/absences/0", "bad-absence", "after it begins");
}

/// Spells in which a crew, a machine or a house is not as usual.
#[test]
fn spells_that_cannot_be() {
    let spell =
        |from: &str, until: &str, member: &str, value: i64| json!([{ "from": from, "until": until, member: value }]);
    let (early, late) = ("2026-03-11T08:00:00-04:00", "2026-03-11T12:00:00-04:00");
    let crew = |value: Value| move |file: &mut Value| file["crews"][0]["short_handed"] = value.clone();
    refused(crew(spell(early, late, "people", 0)), "/crews/0/short_handed/0/people", "bad-short-handed", "absence");
    let whole = |file: &mut Value| {
        file["crews"][0]["short_handed"] =
            json!([{ "from": early, "until": late, "people": file["crews"][0]["head_count"] }]);
    };
    refused(whole, "/crews/0/short_handed/0/people", "bad-short-handed", "head_count");
    refused(crew(spell(late, early, "people", 1)), "/crews/0/short_handed/0", "bad-short-handed", "after it begins");
    let gear = |value: Value| move |file: &mut Value| file["equipment"][0]["outages"] = value.clone();
    refused(gear(spell(early, late, "units", 0)), "/equipment/0/outages/0/units", "bad-outage", "at least 1");
    refused(gear(spell(early, late, "units", 900)), "/equipment/0/outages/0/units", "bad-outage", "than there are");
    refused(gear(spell(early, early, "units", 1)), "/equipment/0/outages/0", "bad-outage", "after it begins");
    let house = |file: &mut Value| file["houses"][0]["closures"] = json!([{ "from": late, "until": early }]);
    refused(house, "/houses/0/closures/0", "bad-closure", "after it begins");
    let many = |file: &mut Value| {
        file["houses"][0]["closures"] = json!(vec![json!({ "from": early, "until": late }); 401]);
    };
    refused(many, "/houses/0/closures", "too-many", "400");
    let pin = |file: &mut Value| file["jobs"][0]["pins"][0]["day"] = json!("2026-02-30");
    refused(pin, "/jobs/0/pins/0/day", "bad-date", "2026-03-09");
}

#[test]
fn sizes_beyond_any_company() {
    let name = |file: &mut Value| file["crews"][0]["name"] = json!("n".repeat(300));
    refused(name, "/crews/0/name", "bad-name", "120");
    let key = |file: &mut Value| file["houses"][1]["key"] = json!("mill lane");
    assert_eq!(faults_after(key)[0].fault.code, "bad-key");
    let heads = |file: &mut Value| file["crews"][0]["head_count"] = json!(-1);
    refused(heads, "/crews/0/head_count", "out-of-range", "1 to 50 people");
    let floor = |file: &mut Value| file["houses"][1]["areas"][0]["area_sqft"] = json!(9_000_000_000_i64);
    refused(floor, "/houses/1/areas/0/area_sqft", "out-of-range", "200000");
    let north = |file: &mut Value| file["houses"][0]["location"]["latitude_deg"] = json!(-91.5);
    refused(north, "/houses/0/location/latitude_deg", "out-of-range", "-90 to 90");
    let warm =
        |file: &mut Value| file["houses"][0]["air"] = json!({ "controlled": { "temp_c": 70, "rh_percent": 45 } });
    refused(warm, "/houses/0/air/controlled/temp_c", "out-of-range", "-60 to 60");
    let heated = |file: &mut Value| file["houses"][0]["air"] = json!({ "open": { "heated_to_c": 61 } });
    refused(heated, "/houses/0/air/open/heated_to_c", "out-of-range", "-60 to 60");
    let humid =
        |file: &mut Value| file["houses"][0]["air"] = json!({ "controlled": { "temp_c": 20, "rh_percent": 101 } });
    refused(humid, "/houses/0/air/controlled/rh_percent", "out-of-range", "0 to 100");
    let many = |file: &mut Value| file["crews"] = json!(vec![file["crews"][0].clone(); 1_001]);
    refused(many, "/crews", "too-many", "1000");
    let note = |file: &mut Value| file["crews"][0]["absences"][0]["note"] = json!("n".repeat(2_001));
    refused(note, "/crews/0/absences/0/note", "long-note", "shorten");
    let none = |file: &mut Value| file["houses"][1]["areas"] = json!([]);
    refused(none, "/houses/1/areas", "no-areas", "at least one");
    let skills = |file: &mut Value| {
        let skill = |n: usize| format!("skill {n}");
        file["crews"][0]["skills"] = json!((0..40).map(skill).collect::<Vec<_>>());
        file["crews"][1]["skills"] = json!((40..70).map(skill).collect::<Vec<_>>());
    };
    refused(skills, "/skills", "too-many", "64");
    let horizon = |file: &mut Value| file["settings"]["horizon_days"] = json!(401);
    refused(horizon, "/settings/horizon_days", "out-of-range", "400");
}

/// Coefficients and weights within their own bounds can still make a cost that no `i64` holds.
#[test]
fn costs_that_would_overflow() {
    let costly = |file: &mut Value| {
        file["settings"]["cost"] = json!({ "late_minute": 1_000_000_000, "finish_minute": 1_000_000_000 });
        for job in file["jobs"].as_array_mut().unwrap() {
            job["weight"] = json!(1_000);
            job["release"] = json!("1970-01-02T00:00:00Z");
            job["due"] = json!("1970-01-02T00:00:00Z");
        }
    };
    refused(costly, "/settings/cost", "cost-too-large", "divide all coefficients");
}

fn with_forecast(change: impl Fn(usize, &mut Value) -> bool) -> impl Fn(&mut Value) {
    move |file: &mut Value| {
        let mut hours = Vec::new();
        for hour in 0..48 {
            let start = format!("2026-03-{:02}T{:02}:00:00Z", 10 + hour / 24, hour % 24);
            let mut entry = json!({ "start": start, "temp_c": hour as f64 / 2.0, "rh_percent": 50.0 });
            if change(hour, &mut entry) {
                hours.push(entry);
            }
        }
        file["regions"] = json!([{ "key": "coast", "name": "Coast", "forecast": { "hours": hours } }]);
        file["houses"][1]["region"] = json!("coast");
    }
}

#[test]
fn forecasts() {
    let parsed = accepted(with_forecast(|hour, _| !(20..26).contains(&hour)));
    let hours = &parsed.situation.regions[0].hours;
    assert_eq!(hours.len(), 48);
    assert_eq!((hours[22].start.since(hours[0].start), hours[22].air.temp_centi_c), (22 * 60, 1_100));

    // The air between is what the trade's own reading of the same hours makes it.
    let climate = HourlyClimate::from_hours([&hours[..20], &hours[26..]].concat()).unwrap();
    assert!(hours.iter().map(|hour| hour.air).eq(climate.hours().iter().copied()));

    let hours_at = "/regions/0/forecast/hours";
    refused(with_forecast(|hour, _| !(20..27).contains(&hour)), &format!("{hours_at}/20/start"), "forecast-hole", "6");
    refused(with_forecast(|hour, _| hour < 23), hours_at, "forecast-length", "24");
    let back = |hour, entry: &mut Value| {
        entry["start"] = if hour == 30 { json!("2026-03-10T00:00:00Z") } else { entry["start"].clone() };
        true
    };
    refused(with_forecast(back), &format!("{hours_at}/30/start"), "forecast-order", "sort");
    let half = |hour, entry: &mut Value| {
        entry["start"] = if hour == 3 { json!("2026-03-10T03:30:00Z") } else { entry["start"].clone() };
        true
    };
    refused(with_forecast(half), &format!("{hours_at}/3/start"), "forecast-off-hour", "UTC hour");
    let hot = |hour, entry: &mut Value| {
        entry["temp_c"] = if hour == 3 { json!(68.0) } else { entry["temp_c"].clone() };
        true
    };
    refused(with_forecast(hot), &format!("{hours_at}/3/temp_c"), "out-of-range", "Celsius");
    let region = |file: &mut Value| {
        with_forecast(|_, _| true)(file);
        file["houses"][1]["region"] = json!("coats");
    };
    refused(region, "/houses/1/region", "unknown-region", "did you mean \"coast\"?");
}

fn with_normals(change: impl Fn(&mut Value)) -> impl Fn(&mut Value) {
    move |file: &mut Value| {
        with_forecast(|_, _| true)(file);
        let normals = &mut file["regions"][0]["normals"];
        *normals = json!({ "temp_c": vec![vec![11.25; 24]; 12], "vapour_pa": vec![vec![870.4; 24]; 12] });
        change(normals);
    }
}

#[test]
fn normals() {
    let read = accepted(with_normals(|_| ())).situation.regions[0].normals.clone().unwrap();
    let hour = read.months[11][23];
    assert_eq!((hour.temp_centi_c, hour.vapour_deci_pa), (1_125, 8_704));
    assert_eq!(accepted(with_normals(|normals| *normals = Value::Null)).situation.regions[0].normals, None);

    let at = |place: &str| format!("/regions/0/normals{place}");
    refused(
        with_normals(|it| it["temp_c"] = json!(vec![vec![11.0; 24]; 11])),
        &at("/temp_c"),
        "normals-shape",
        "12 months",
    );
    refused(with_normals(|it| it["temp_c"][3] = json!([])), &at("/temp_c/3"), "normals-shape", "24 UTC hours");
    let long = with_normals(|it| it["vapour_pa"][0] = json!(vec![800.0; 25]));
    refused(long, &at("/vapour_pa/0"), "normals-shape", "tackfree normals");
    refused(with_normals(|it| it["temp_c"][3][7] = json!(60.01)), &at("/temp_c/3/7"), "out-of-range", "Celsius");
    refused(with_normals(|it| it["vapour_pa"][2][0] = json!(-0.1)), &at("/vapour_pa/2/0"), "out-of-range", "20000 Pa");
    refused(
        with_normals(|it| it["vapour_pa"][2][0] = json!(20_000.1)),
        &at("/vapour_pa/2/0"),
        "out-of-range",
        "20000 Pa",
    );
    refused(with_normals(|it| it["temp_c"][3][7] = Value::Null), &at("/temp_c/3/7"), "wrong-type", "expected type");
    refused(with_normals(|it| it["rh_percent"] = json!([])), &at("/rh_percent"), "unknown-field", "spelling");
}

#[test]
fn documents_that_are_not_what_they_should_be() {
    let format = |file: &mut Value| file["format"] = json!("tackfree-planning/2");
    refused(format, "/format", "unknown-format", "tackfree-planning/1");
    let wrong = |file: &mut Value| file["houses"][0]["areas"][1]["area_sqft"] = json!("110");
    refused(wrong, "/houses/0/areas/1/area_sqft", "wrong-type", "expected type");
    let unknown = |file: &mut Value| file["crews"][1]["headcount"] = json!(3);
    refused(unknown, "/crews/1/headcount", "unknown-field", "spelling");
    let weekday = |file: &mut Value| file["crews"][1]["calendar"]["week"][0]["days"][2] = json!("wed");
    refused(weekday, "/crews/1/calendar/week/0/days/2", "unknown-value", "words listed");
    let missing = |file: &mut Value| drop(file["houses"][1].as_object_mut().unwrap().remove("access"));
    refused(missing, "/houses/1", "missing-field", "add it");
    let heated = |file: &mut Value| file["houses"][1]["air"] = json!({ "open": { "heated_to_c": "18" } });
    refused(heated, "/houses/1/air/open/heated_to_c", "wrong-type", "expected type");

    let text = example().to_string().replacen("\"crews\":", "\"crews\"", 1);
    let faults = parse_planning_file(&text).unwrap_err();
    assert_eq!(faults[0].fault.code, "bad-json");
    assert!(faults[0].fault.what.contains("line 1 column"), "{faults:?}");
    let trailing = parse_planning_file(&format!("{} x", example())).unwrap_err();
    assert_eq!(trailing[0].fault.code, "bad-json");
    let deep = parse_planning_file(&"[".repeat(100_000)).unwrap_err();
    assert_eq!(deep[0].fault.code, "wrong-type");
    let large = read_json::<Value>("[1, 2, 3]", 8).unwrap_err();
    assert_eq!((large[0].fault.code, large.len()), ("too-large", 1));
}

#[test]
fn equipment_given_twice_is_not_silently_the_last() {
    let text = example().to_string().replacen(
        "\"person_minutes\":60",
        "\"person_minutes\":60,\"equipment\":{\"edger\":1,\"edger\":2}",
        1,
    );
    let faults = parse_planning_file(&text).unwrap_err();
    assert_eq!((faults.len(), faults[0].fault.code), (1, "duplicate-field"), "{faults:?}");
    assert_eq!(faults[0].pointer, "/methods/0/steps/1/equipment");
}

#[test]
fn every_fault_is_told_at_once() {
    let faults = faults_after(|file| {
        file["now"] = json!("today");
        file["settings"]["time_zone"] = json!("Nowhere");
        file["crews"][0]["head_count"] = json!(0);
        file["crews"][1]["calendar"]["week"][0]["to"] = json!("25:00");
        file["houses"][0]["areas"][0]["area_sqft"] = json!(0);
        file["methods"][0]["steps"][0]["key"] = json!("a b");
        file["jobs"][0]["history"][0]["crew"] = json!("norht");
        file["jobs"][1]["house"] = json!("mill-91");
    });
    let pointers: Vec<&str> = faults.iter().map(|located| located.pointer.as_str()).collect();
    for expected in [
        "/now",
        "/settings/time_zone",
        "/crews/0/head_count",
        "/crews/1/calendar/week/0/to",
        "/houses/0/areas/0/area_sqft",
        "/methods/0/steps/0/key",
        "/jobs/0/history/0/crew",
        "/jobs/1/house",
    ] {
        assert!(pointers.contains(&expected), "{expected} is not among {pointers:#?}");
    }
}

#[test]
fn readings_of_air_that_cannot_be() {
    let reading = |at: &str| json!({ "at": at, "temp_c": 17.5, "rh_percent": 58 });
    let with = |readings: Value| move |file: &mut Value| file["houses"][0]["air_readings"] = readings;
    let now = example()["now"].as_str().unwrap().to_owned();
    accepted(with(json!([reading(&now), reading("2026-01-01T00:00:00Z")])));
    let future = with(json!([reading("2027-01-01T00:00:00Z")]));
    refused(future, "/houses/0/air_readings/0/at", "future-reading", "instant of the reading");
    let twice = with(json!([reading(&now), reading(&now)]));
    refused(twice, "/houses/0/air_readings", "duplicate-reading", "one of them");
    let many = with(json!(vec![reading(&now); 101]));
    refused(many, "/houses/0/air_readings", "too-many", "at most 100");
    let warm = with(json!([{ "at": now, "temp_c": 64, "rh_percent": 58 }]));
    refused(warm, "/houses/0/air_readings/0/temp_c", "out-of-range", "-60 to 60");
}
