//! Bad methods, jobs, steps, waits, histories, pins and promises.

use super::*;
use serde_json::json;

#[test]
fn cycles() {
    let wait = |from: &'static str, to: &'static str| {
        move |file: &mut Value| {
            let waits = file["methods"][0]["waits"].as_array_mut().unwrap();
            waits.push(json!({ "from": from, "to": to }));
        }
    };
    refused(wait("hand-over", "abrade"), "/methods/0/waits", "cycle", "remove one of the waits");
    refused(wait("coat", "coat"), "/methods/0/waits/2", "cycle", "two different steps");
    refused(wait("abrade", "coat"), "/methods/0/waits", "duplicate-wait", "one wait for each pair");
}

#[test]
fn maximum_below_minimum() {
    let method = |file: &mut Value| file["methods"][0]["waits"][0]["min_minutes"] = json!(1_441);
    refused(method, "/methods/0/waits/0", "max-below-min", "raise the maximum");
    let job = |file: &mut Value| file["jobs"][0]["wait_overrides"][0]["min_minutes"] = json!(4_321);
    refused(job, "/jobs/0/wait_overrides/0", "max-below-min", "raise the maximum");
}

#[test]
fn names_that_are_not_there() {
    let house = |file: &mut Value| file["jobs"][1]["house"] = json!("mil-19");
    refused(house, "/jobs/1/house", "unknown-house", "did you mean \"mill-19\"?");
    let method = |file: &mut Value| file["jobs"][0]["method"] = json!("two-part-waterbourne");
    refused(method, "/jobs/0/method", "unknown-method", "did you mean \"two-part-waterborne\"?");
    let crew = |file: &mut Value| file["jobs"][0]["history"][1]["crew"] = json!("nord");
    refused(crew, "/jobs/0/history/1/crew", "unknown-crew", "use one of \"north\", \"south\"");
    let crew = |file: &mut Value| file["jobs"][0]["pins"][0]["crew"] = json!("sooth");
    refused(crew, "/jobs/0/pins/0/crew", "unknown-crew", "did you mean \"south\"?");
    let step = |file: &mut Value| file["jobs"][0]["pins"][0]["step"] = json!("walkthrough");
    refused(step, "/jobs/0/pins/0/step", "unknown-step", "did you mean \"walk-through\"?");
    let step = |file: &mut Value| file["jobs"][0]["overrides"][0]["step"] = json!("coat-33");
    refused(step, "/jobs/0/overrides/0/step", "unknown-step", "did you mean \"coat-3\"?");
    let step = |file: &mut Value| file["methods"][0]["waits"][1]["to"] = json!("handover");
    let faults = faults_after(step);
    assert_eq!((faults[0].pointer.as_str(), faults[0].fault.code), ("/methods/0/waits/1/to", "unknown-step"));
    let area = |file: &mut Value| file["jobs"][0]["overrides"][0]["areas"] = json!(["Living room", "Attic"]);
    refused(area, "/jobs/0/overrides/0/areas/1", "unknown-area", "use one of \"Living room\", \"Hall\"");
    let area = |file: &mut Value| file["methods"][0]["steps"][0]["areas"] = json!(["Upstiars"]);
    refused(area, "/methods/0/steps/0/areas/0", "unknown-area", "did you mean \"Upstairs\"?");
    let gear = |file: &mut Value| file["methods"][0]["steps"][0]["equipment"] = json!({ "bufer": 1 });
    refused(gear, "/methods/0/steps/0/equipment/bufer", "unknown-equipment", "did you mean \"buffer\"?");
    let wait = |file: &mut Value| file["jobs"][0]["wait_overrides"][0]["to"] = json!("coat-3");
    refused(wait, "/jobs/0/wait_overrides/0", "unknown-wait", "two steps");
    let way = |file: &mut Value| file["known_ways"][0]["to"] = json!("mill-20");
    refused(way, "/known_ways/0/to", "unknown-house", "did you mean \"mill-19\"?");
}

#[test]
fn ways_given_twice() {
    let back = |file: &mut Value| {
        let ways = file["known_ways"].as_array_mut().unwrap();
        ways.push(json!({ "from": "mill-19", "to": "linden-4", "minutes": 25 }));
    };
    refused(back, "/known_ways/1", "duplicate-way", "one way for each pair");
    let none = |file: &mut Value| file["known_ways"][0]["to"] = json!("linden-4");
    refused(none, "/known_ways/0", "duplicate-way", "different houses");
}

/// What a built-in method needs and the company lacks is told where the job names the method.
#[test]
fn gear_of_a_built_in_method() {
    let gear = |file: &mut Value| drop(file["equipment"].as_array_mut().unwrap().remove(3));
    refused(gear, "/jobs/0/method", "unknown-equipment", "declare it");
}

#[test]
fn work_given_twice_or_beyond_measure() {
    let step =
        |member: &'static str, value: Value| move |file: &mut Value| file["methods"][0]["steps"][0][member] = value;
    let place = "/methods/0/steps/0";
    refused(step("minutes", json!(60)), place, "work-given-once", "one of `minutes`");
    let rate = format!("{place}/sqft_per_person_hour");
    refused(step("sqft_per_person_hour", json!(0)), &rate, "out-of-range", "1 to 100000");
    refused(step("people_max", json!(0)), &format!("{place}/people_max"), "out-of-range", "1 to 50");
    refused(step("set_up_minutes", json!(-5)), &format!("{place}/set_up_minutes"), "out-of-range", "0 to");
    refused(step("equipment", json!({ "edger": 0 })), &format!("{place}/equipment/edger"), "out-of-range", "1 to");
    refused(step("areas", json!([])), &format!("{place}/areas"), "bad-areas", "leave `areas` out");
    let slow = |file: &mut Value| file["jobs"][0]["overrides"][0]["sqft_per_person_hour"] = json!(1);
    let huge = |file: &mut Value| {
        slow(file);
        file["houses"][0]["areas"][0]["area_sqft"] = json!(200_000);
    };
    let faults = faults_after(huge);
    assert_eq!(faults[0].pointer, "/jobs/0/overrides/0/sqft_per_person_hour", "{faults:?}");
    assert!(faults[0].fault.cure.contains("raise the rate"), "{faults:?}");
    let area = |file: &mut Value| file["jobs"][0]["overrides"][0]["areas"] = json!(["Hall", "Hall"]);
    refused(area, "/jobs/0/overrides/0", "bad-areas", "once");
}

/// A short file that names one long method in every job would ask for millions of steps.
#[test]
fn steps_of_all_jobs_together() {
    let many = |file: &mut Value| {
        let step = file["methods"][0]["steps"][0].clone();
        let step = |index: usize| {
            let mut step = step.clone();
            step["key"] = json!(format!("step-{index}"));
            step
        };
        file["methods"][0]["steps"] = json!((0..200).map(step).collect::<Vec<_>>());
        file["methods"][0]["waits"] = json!([]);
        let job = file["jobs"][1].clone();
        let job = |index: usize| {
            let mut job = job.clone();
            job["key"] = json!(format!("job-{index}"));
            job
        };
        file["jobs"] = json!((0..2_001).map(job).collect::<Vec<_>>());
        file["published"] = Value::Null;
    };
    refused(many, "/jobs", "too-many", "400000");
}

#[test]
fn steps_that_contradict_themselves() {
    let gate = json!({ "temp_min_c": 20, "temp_max_c": 10, "rh_min_percent": 30, "rh_max_percent": 70 });
    let with =
        |member: &'static str, value: Value| move |file: &mut Value| file["jobs"][0]["overrides"][1][member] = value;
    refused(with("gate", gate), "/jobs/0/overrides/1/gate", "bad-gate", "minima");
    let kept = json!({ "temp_min_c": 10, "temp_max_c": 20, "rh_min_percent": 30, "rh_max_percent": 70 });
    let divided = |file: &mut Value| {
        with("gate", kept)(file);
        with("dividable", json!(true))(file);
    };
    refused(divided, "/jobs/0/overrides/1", "divided-coating", "undividable");
    let lapse = |file: &mut Value| file["methods"][0]["steps"][2]["only_on_lapse"] = json!(true);
    refused(lapse, "/methods/0/waits/1", "bad-lapse", "has no waits");
    let dwell = |file: &mut Value| file["methods"][0]["waits"][1]["kind"] = json!("dwell");
    refused(dwell, "/methods/0/waits/1", "bad-dwell", "forbids");
    let both = |file: &mut Value| file["jobs"][1]["steps"] = json!([]);
    refused(both, "/jobs/1", "chain-given-once", "either `method`");
    let none = |file: &mut Value| {
        let job = file["jobs"][1].as_object_mut().unwrap();
        job.remove("method");
        job.insert("steps".to_string(), json!([]));
        file["published"] = Value::Null;
    };
    refused(none, "/jobs/1/steps", "bad-chain-size", "1 to 200");
    let twice = |file: &mut Value| file["jobs"][0]["overrides"][1]["step"] = json!("coat-3");
    refused(twice, "/jobs/0/overrides/1", "duplicate-override", "one override");
}

#[test]
fn histories_that_cannot_have_been() {
    let entry = |number: usize, member: &'static str, value: Value| {
        move |file: &mut Value| file["jobs"][0]["history"][number][member] = value
    };
    let place = "/jobs/0/history";
    let early = json!("2026-03-09T07:05:09-04:00");
    refused(entry(0, "finished_at", early), &format!("{place}/0/finished_at"), "bad-history", "one of the two");
    let future = json!("2026-03-11T07:05:09-04:00");
    refused(entry(1, "started_at", future), &format!("{place}/1/started_at"), "bad-history", "date");
    let over = json!("2026-03-09T15:00:00-04:00");
    refused(entry(1, "finished_at", over), &format!("{place}/1/finished_at"), "bad-history", "be done");
    refused(entry(1, "outcome", json!("done")), &format!("{place}/1/outcome"), "bad-history", "finished_at");
    // Only a check may fail.
    refused(entry(0, "outcome", json!("failed")), place, "bad-history", "only a failed check");
    // Only what is divided is paused, and then it is known how much is left.
    let left = entry(0, "remaining_minutes", json!(30));
    refused(left, &format!("{place}/0/remaining_minutes"), "bad-history", "leave remaining_minutes out");
    let paused = entry(0, "outcome", json!("paused"));
    refused(paused, &format!("{place}/0/remaining_minutes"), "bad-history", "give remaining_minutes");
    let nothing_left = |file: &mut Value| {
        file["jobs"][0]["history"][0]["outcome"] = json!("paused");
        file["jobs"][0]["history"][0]["remaining_minutes"] = json!(0);
    };
    refused(nothing_left, &format!("{place}/0/remaining_minutes"), "out-of-range", "1 to 120000 minutes");
    let in_one_go = |file: &mut Value| {
        file["jobs"][0]["history"] = json!([{ "step": "readings", "crew": "north", "started_at": "2026-03-09T12:00:00-04:00",
            "finished_at": "2026-03-09T12:30:00-04:00", "outcome": "paused", "remaining_minutes": 5 }]);
    };
    refused(in_one_go, &format!("{place}/0/outcome"), "bad-history", "report how it ended");
    // Only what was done is wetted again, and it is said to be.
    refused(entry(0, "re_wet", json!(true)), &format!("{place}/0/re_wet"), "bad-history", "leave re_wet out");
    let done = |from: &str, to: &str, re_wet: bool| json!({ "step": "readings", "crew": "north", "started_at": from, "finished_at": to, "outcome": "done", "re_wet": re_wet });
    let twice = |re_wet: bool| {
        move |file: &mut Value| {
            file["jobs"][0]["history"] = json!([
                done("2026-03-09T12:00:00-04:00", "2026-03-09T12:30:00-04:00", false),
                done("2026-03-09T13:00:00-04:00", "2026-03-09T13:30:00-04:00", re_wet),
            ]);
        }
    };
    refused(twice(false), &format!("{place}/1/step"), "bad-history", "say re_wet");
    refused(twice(true), place, "bad-history", "only the first part of a treatment");
    let disorder = |file: &mut Value| {
        let tried = |from: &str, to: &str, outcome: &str| json!({ "step": "readings", "crew": "north", "started_at": from, "finished_at": to, "outcome": outcome });
        file["jobs"][0]["history"] = json!([
            tried("2026-03-09T12:00:00-04:00", "2026-03-09T12:30:00-04:00", "failed"),
            tried("2026-03-09T12:29:59-04:00", "2026-03-09T13:30:00-04:00", "done"),
        ]);
    };
    refused(disorder, &format!("{place}/1"), "bad-history", "oldest first");
}

#[test]
fn promises_that_cannot_be_read() {
    let promise =
        |member: &'static str, value: Value| move |file: &mut Value| file["published"]["placements"][0][member] = value;
    let place = "/published/placements/0";
    refused(promise("job", json!("mill-19-pach")), &format!("{place}/job"), "unknown-job", "\"mill-19-patch\"");
    refused(promise("step", json!("abraid")), &format!("{place}/step"), "unknown-step", "\"abrade\"");
    refused(promise("pieces", json!([])), &format!("{place}/pieces"), "bad-pieces", "at least one");
    let reversed = json!([
        { "start": "2026-03-12T08:00:00-04:00", "finish": "2026-03-12T09:00:00-04:00" },
        { "start": "2026-03-11T08:00:00-04:00", "finish": "2026-03-11T09:00:00-04:00" },
    ]);
    refused(promise("pieces", reversed), &format!("{place}/pieces"), "bad-pieces", "in order");
    let finish = json!("2026-03-11T09:00:00-04:00");
    refused(promise("finish", finish), &format!("{place}/finish"), "contradiction", "leave it out");
    refused(promise("house", json!("linden-4")), &format!("{place}/house"), "contradiction", "leave it out");
    let gear = json!([{ "equipment": "edger", "unit": 1_000 }]);
    refused(promise("gear", gear), &format!("{place}/gear/0/unit"), "out-of-range", "0 to 999");
    let twice = |file: &mut Value| {
        let again = file["published"]["placements"][0].clone();
        file["published"]["placements"].as_array_mut().unwrap().push(again);
    };
    refused(twice, "/published/placements/1", "duplicate-placement", "later");
}

/// Documents are checked one by one at their own routes, too.
#[test]
fn documents_on_their_own() {
    let mut file: PlanningFile = serde_json::from_value(example()).unwrap();
    assert_eq!(file.settings.check(), []);
    assert!(file.crews.iter().all(|crew| crew.check().is_empty()));
    assert!(file.houses.iter().all(|house| house.check().is_empty()));
    assert!(file.equipment.iter().all(|kind| kind.check().is_empty()));
    assert!(file.methods.iter().all(|method| method.check().is_empty()));
    assert_eq!(file.jobs[0].check(None), []);
    assert_eq!(file.jobs[1].check(Some(&file.methods[0])), []);
    assert_eq!(file.jobs[1].check(None), []);

    file.houses[0].region = Some("not known here".to_string());
    assert_eq!(file.houses[0].check(), []);
    file.houses[0].areas[1].area_sqft = 0;
    assert_eq!(file.houses[0].check()[0].pointer, "/areas/1/area_sqft");
    file.jobs[0].weight = 1_001;
    assert_eq!(file.jobs[0].check(None)[0].pointer, "/weight");
    file.jobs[1].due = Some("soon".to_string());
    assert_eq!(file.jobs[1].check(None)[0].pointer, "/due");
    file.methods[0].waits[0].from = "hand-over".to_string();
    file.methods[0].waits[0].to = "abrade".to_string();
    file.methods[0].waits[1].from = "abrade".to_string();
    assert_eq!(file.methods[0].check()[0].fault.code, "cycle");
}
