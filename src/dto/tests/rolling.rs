//! Steps that are rolled in sections.

use super::random::Dice;
use super::*;
use crate::domain::chain::Step;
use crate::trade::sections::{Applicators, EvenOut, PartWork, Refusal, Room, Treatment, Window, plan};
use serde_json::json;

/// The second job treats the two areas of its house, in the order in which its steps name them.
fn treats(file: &mut Value, rooms: [i64; 2], a: Value, b: Value) {
    let areas = json!([{ "name": "Bedroom", "area_sqft": rooms[0] }, { "name": "Hall", "area_sqft": rooms[1] }]);
    file["houses"][1]["areas"] = areas;
    let step = |key: &str, kind: &str, rolling: Value| json!({ "key": key, "name": key, "kind": kind, "areas": ["Hall", "Bedroom"], "rolling": rolling });
    let job = &mut file["jobs"][1];
    job.as_object_mut().unwrap().remove("method");
    job["steps"] = json!([step("a", "treat_a", a), step("b", "treat_b", b)]);
    let max = json!({ "minutes": 15, "on_exceed": "forbid" });
    job["waits"] = json!([{ "from": "a", "to": "b", "kind": "dwell", "min_minutes": 10, "max": max }]);
    file["published"] = Value::Null;
}

fn usual(file: &mut Value) {
    treats(file, [150, 60], json!({ "sqft_per_minute": 20 }), json!({ "sqft_per_minute": 15 }));
}

fn pair(parsed: &Parsed) -> [&Step; 2] {
    let steps = parsed.situation.jobs[1].chain.steps();
    [&steps[0], &steps[1]]
}

/// What is booked has the length of the section plan, and the dwell holds from start to start and from end to end,
/// whatever is set up and evened out.
#[test]
fn steps_are_booked_as_long_as_the_section_plan() {
    let (mut good, mut for_two) = (0, 0);
    for seed in 0..400 {
        let mut dice = Dice::new(seed);
        let mut part = || {
            let (rate, change) = (dice.from(800, 2_500), dice.from(0, 9) * 100);
            let even_out = dice.from(0, 90);
            let written = json!({
                "sqft_per_minute": rate as f64 / 100.0, "change_over_seconds": change, "even_out_seconds": even_out,
            });
            let read = PartWork {
                sqft_per_minute_centi: rate,
                change_over_seconds: change,
                shake_seconds: 15,
                pour_seconds: 30,
                even_out: EvenOut::Seconds(even_out),
            };
            (written, read)
        };
        let ((a_written, a), (b_written, b)) = (part(), part());
        let rooms = [dice.from(5, 600), dice.from(5, 600)];
        let set_up = dice.from(0, 1) * dice.from(1, 30);
        let parsed = accepted(|file| {
            treats(file, rooms, a_written, b_written);
            file["jobs"][1]["steps"][0]["set_up_minutes"] = json!(set_up);
        });
        let [first, second] = pair(&parsed);
        let treatment = Treatment {
            rooms: vec![Room { name: "Hall".into(), sqft: rooms[1] }, Room { name: "Bedroom".into(), sqft: rooms[0] }],
            a,
            b,
            window: Window { min_seconds: 600, max_seconds: 900 },
            applicators: Applicators::One,
            set_up_seconds: set_up * 60,
        };
        for people in first.head_count_min..=3 {
            let applicators = Applicators::of_people(people);
            let seconds = plan(&Treatment { applicators, ..treatment.clone() }).unwrap().total_seconds;
            let (a_minutes, b_minutes) = (first.duration_minutes(people), second.duration_minutes(people));
            assert_eq!(10 + b_minutes, (seconds + 59) / 60, "seed {seed}: {people} people");
            let lag = 10 + b_minutes - a_minutes;
            assert!((10..=15).contains(&lag), "seed {seed}: the ends are {lag} minutes apart");
            good += 1;
        }
        let alone = plan(&treatment);
        assert_eq!(alone.is_err(), first.head_count_min == 2, "seed {seed}");
        assert_eq!(first.head_count_min, second.head_count_min);
        if let Err(refusal) = alone {
            assert!(matches!(refusal, Refusal::NoSection { .. }));
            for_two += 1;
        }
    }
    assert!(good > 700 && for_two > 10, "{good} {for_two}");
}

/// The areas come in the order of the step: the hall first, 60 and then 150 sq ft.
#[test]
fn overrides_change_how_a_step_is_rolled() {
    let slower = |file: &mut Value| {
        usual(file);
        let rolling = json!({ "sqft_per_minute": 10, "even_out_sqft_per_minute": 40 });
        file["jobs"][1]["overrides"] = json!([{ "step": "b", "rolling": rolling }]);
    };
    let (plain, changed) = (accepted(usual), accepted(slower));
    let minutes = |parsed: &Parsed| pair(parsed).map(|step| step.duration_minutes(1));
    assert_ne!(minutes(&plain), minutes(&changed));
    // Set by hand: what a section plan would say does not matter.
    let by_hand = |file: &mut Value| {
        usual(file);
        let minutes = json!({ "one": 40, "two": 25 });
        file["jobs"][1]["overrides"] = json!([
            { "step": "a", "minutes_by_applicators": minutes }, { "step": "b", "minutes_by_applicators": minutes },
        ]);
    };
    let parsed = accepted(by_hand);
    let [first, _] = pair(&parsed);
    assert_eq!([1, 2, 5].map(|people| first.duration_minutes(people)), [40, 25, 25]);
}

#[test]
fn what_cannot_be_rolled_is_told() {
    let after = |change: fn(&mut Value)| {
        move |file: &mut Value| {
            usual(file);
            change(&mut file["jobs"][1]);
        }
    };
    let at = |member: &str| format!("/jobs/1/steps/{member}");
    let minutes = after(|job| {
        let step = job["steps"][1].as_object_mut().unwrap();
        step.remove("rolling");
        step.insert("minutes".into(), json!(20));
    });
    refused(minutes, &at("0/rolling"), "rolling-alone", "both steps of a dwell");
    let areas = after(|job| job["steps"][1]["areas"] = json!(["Hall"]));
    refused(areas, &at("1/areas"), "rolling-areas", "the same areas");
    let set_up = after(|job| job["steps"][1]["set_up_minutes"] = json!(5));
    refused(set_up, &at("1/set_up_minutes"), "rolling-set-up", "set up in step \"a\"");
    let twice = after(|job| job["steps"][1]["minutes"] = json!(5));
    refused(twice, &at("1"), "work-given-once", "`rolling`");
    let rate = after(|job| job["steps"][0]["rolling"]["sqft_per_minute"] = json!(0));
    refused(rate, &at("0/rolling/sqft_per_minute"), "out-of-range", "square feet a minute");
    let pour = after(|job| job["steps"][0]["rolling"]["pour_seconds"] = json!(-1));
    refused(pour, &at("0/rolling/pour_seconds"), "out-of-range", "0 to 3600 seconds");
    let evened = after(|job| {
        let rolling = job["steps"][0]["rolling"].as_object_mut().unwrap();
        rolling.insert("even_out_seconds".into(), json!(30));
        rolling.insert("even_out_sqft_per_minute".into(), json!(30));
    });
    refused(evened, &at("0/rolling"), "even-out-given-once", "`even_out_seconds` or");
    // 20 sq ft at 1 sq ft a minute are 20 minutes, at 20 one: the dwell of 10 to 15 cannot hold at both ends.
    let slow = after(|job| job["steps"][1]["rolling"]["sqft_per_minute"] = json!(1));
    refused(slow, &at("0/rolling"), "no-section", "roll part B at 3.34 sq ft/min or faster");
    let by_override = after(|job| job["overrides"] = json!([{ "step": "a", "areas": ["Hall"] }]));
    refused(by_override, &at("1/areas"), "rolling-areas", "the same areas");
    let three = after(|job| {
        let mut more = job["steps"][1].clone();
        more["key"] = json!("c");
        job["steps"].as_array_mut().unwrap().push(more);
        let mut wait = job["waits"][0].clone();
        (wait["from"], wait["to"]) = (json!("b"), json!("c"));
        job["waits"].as_array_mut().unwrap().push(wait);
    });
    let faults = faults_after(three);
    assert_eq!(faults[0].fault.code, "rolling-alone", "{faults:?}");
    assert_eq!(faults.len(), 1, "{faults:?}");
}
