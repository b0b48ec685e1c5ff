//! What good documents mean.

use super::*;
use crate::domain::chain::{OnExceed, Outcome, WaitKind, Work};
use crate::domain::ids::SkillSet;
use crate::domain::situation::Situation;
use serde_json::json;

fn instant(text: &str) -> crate::domain::time::Minute {
    super::super::scalar::instant(text).unwrap()
}

fn step<'a>(situation: &'a Situation, job: usize, key: &str) -> &'a crate::domain::chain::Step {
    let chain = &situation.jobs[job].chain;
    chain.step(chain.find(key).unwrap())
}

#[test]
fn the_example_is_read_without_warnings() {
    let Parsed { situation, warnings } = accepted(|_| ());
    assert_eq!(warnings, []);
    let skills: Vec<&str> = situation.skills.iter().map(|skill| skill.as_str()).collect();
    assert_eq!(skills, ["sanding", "treatment", "readings", "finishing"]);
    assert_eq!(situation.crews[0].skills, SkillSet(0b0111));
    assert_eq!(situation.jobs[0].chain.steps().len(), 17);
    assert_eq!(situation.jobs[0].weight, 2);
    assert_eq!(situation.known_ways.values().collect::<Vec<_>>(), [&22]);
    assert_eq!(situation.published.len(), 1);
    assert_eq!(situation.houses[0].access.exceptions().len(), 2);
    assert_eq!(situation.houses[0].zone, situation.settings.zone);
}

#[test]
fn rates_are_resolved_over_the_areas_of_a_step() {
    let Parsed { situation, .. } = accepted(|_| ());
    // 530 sq ft at 108 an hour are 294.4 person-minutes.
    assert_eq!(step(&situation, 0, "sand-coarse").work, Work::Shared { person_minutes: 295, people_max: 50 });
    // The living room alone: 420 sq ft at 900 an hour.
    assert_eq!(step(&situation, 0, "coat-3").work, Work::Shared { person_minutes: 28, people_max: 2 });
    assert_eq!(step(&situation, 0, "coat-3").areas.len(), 1);
    // The override's person-minutes replace the method's rate and keep its limit of people.
    assert_eq!(step(&situation, 0, "readings").work, Work::Shared { person_minutes: 25, people_max: 1 });
    assert_eq!(step(&situation, 1, "hand-over").work, Work::Fixed { minutes: 30 });
}

#[test]
fn overrides_leave_take_away_and_replace() {
    let Parsed { situation, .. } = accepted(|file| {
        file["jobs"][0]["overrides"] = json!([
            { "step": "coat-1", "gate": null, "skills": [], "equipment": { "buffer": 1 }, "people_max": 1 },
            { "step": "readings", "recheck_after_minutes": null, "minutes": 30 },
        ]);
        file["jobs"][0]["wait_overrides"] = json!([
            { "from": "coat-1", "to": "coat-2", "film": null, "keep_off": false },
        ]);
    });
    let coat = step(&situation, 0, "coat-1");
    assert_eq!((coat.gate, coat.skills, coat.equipment.len()), (None, SkillSet(0), 1));
    assert_eq!(coat.set_up_minutes, 20);
    assert!(step(&situation, 0, "coat-2").gate.is_some());
    let readings = step(&situation, 0, "readings");
    assert_eq!((readings.recheck_after_minutes, readings.work), (None, Work::Fixed { minutes: 30 }));
    let chain = &situation.jobs[0].chain;
    let from = chain.find("coat-1").unwrap();
    let wait = chain.waits().iter().find(|wait| wait.from == from).unwrap();
    assert_eq!((wait.film, wait.keep_off, wait.min_minutes), (None, false, 180));
    assert!(matches!(wait.max.unwrap().on_exceed, OnExceed::Lapse(extra) if extra == chain.find("abrade-2").unwrap()));
    assert!(chain.waits().iter().any(|wait| wait.kind == WaitKind::Dwell && wait.min_minutes == 10));
}

#[test]
fn reports_become_whole_minutes_that_do_not_overlap() {
    let tried = |from: &str, to: &str, outcome: &str| json!({ "step": "readings", "crew": "north", "started_at": from, "finished_at": to, "outcome": outcome });
    let Parsed { situation, .. } = accepted(|file| {
        file["jobs"][0]["history"] = json!([
            tried("2026-03-09T12:00:59-04:00", "2026-03-09T12:30:10-04:00", "failed"),
            tried("2026-03-09T12:30:20-04:00", "2026-03-09T12:30:20-04:00", "done"),
        ]);
    });
    let attempts = &step(&situation, 0, "readings").attempts;
    let minutes: Vec<i64> = attempts.iter().flat_map(|attempt| [attempt.start, attempt.finish]).map(|m| m.0).collect();
    let noon = instant("2026-03-09T12:00:00-04:00").0;
    assert_eq!(minutes, [noon, noon + 31, noon + 31, noon + 32]);
    assert_eq!(attempts[1].outcome, Outcome::Done);
}

/// 295 person-minutes for two are 148, with 15 of set-up 163: 88 until the shift ends at 15:30, the rest from 07:00.
#[test]
fn a_running_step_is_expected_to_finish_in_working_time() {
    let finish = |change: &dyn Fn(&mut Value)| {
        let Parsed { situation, .. } = accepted(change);
        step(&situation, 0, "sand-coarse").attempts[0].finish
    };
    assert_eq!(finish(&|_| ()), instant("2026-03-10T08:15:00-04:00"));
    let whole = |file: &mut Value| {
        file["jobs"][0]["overrides"][0] = json!({ "step": "sand-coarse", "dividable": false });
    };
    // Not dividable: 14:02 and 163 minutes, long past at 06:00 the next day; so the next minute.
    assert_eq!(finish(&whole), instant("2026-03-10T06:01:00-04:00"));
    let said = |file: &mut Value| {
        file["jobs"][0]["history"][1]["expected_finish_at"] = json!("2026-03-10T11:00:05-04:00");
    };
    assert_eq!(finish(&said), instant("2026-03-10T11:01:00-04:00"));
    let closed = |file: &mut Value| {
        file["houses"][0]["access"]["exceptions"][0] = json!({ "date": "2026-03-10" });
        file["crews"][0]["absences"][0]["from"] = json!("2026-03-11T00:00:00-04:00");
    };
    // The house is shut on the tenth, the crew away from the eleventh to the nineteenth.
    assert_eq!(finish(&closed), instant("2026-03-20T08:15:00-04:00"));
}

#[test]
fn promises_of_steps_begun_are_no_promises() {
    let Parsed { situation, .. } = accepted(|file| {
        file["jobs"][1]["history"] = json!([{
            "step": "abrade", "crew": "south", "outcome": "running", "started_at": "2026-03-10T05:00:00-04:00",
        }]);
    });
    assert_eq!(situation.published, []);
}

#[test]
fn what_no_plan_can_place_is_a_warning() {
    let codes = |change: &dyn Fn(&mut Value)| {
        let told = |located: &Located| (located.pointer.clone(), located.fault.code);
        accepted(change).warnings.iter().map(told).collect::<Vec<_>>()
    };
    let at = |code| vec![("/jobs/1".to_string(), code)];
    let skill = |file: &mut Value| file["methods"][0]["steps"][0]["skills"] = json!(["Sanding"]);
    assert_eq!(codes(&skill), at("skill-nobody-has"));
    let together = |file: &mut Value| file["methods"][0]["steps"][0]["skills"] = json!(["treatment", "finishing"]);
    assert_eq!(codes(&together), at("no-crew-with-skills"));
    let people = |file: &mut Value| file["methods"][0]["steps"][0]["head_count_min"] = json!(4);
    assert_eq!(codes(&people), at("too-few-people"));
    let units = |file: &mut Value| file["methods"][0]["steps"][0]["equipment"] = json!({ "buffer": 2 });
    assert_eq!(codes(&units), at("too-few-units"));
    // The house is open for eight hours at a stretch, the crews work longer.
    let long = |minutes: i64| move |file: &mut Value| file["methods"][0]["steps"][2]["minutes"] = json!(minutes);
    assert_eq!(codes(&long(481)), at("longer-than-any-shift"));
    assert_eq!(codes(&long(480)), []);
    let divided = |file: &mut Value| {
        long(481)(file);
        file["methods"][0]["steps"][2]["dividable"] = json!(true);
    };
    assert_eq!(codes(&divided), []);
}

#[test]
fn a_method_of_the_company_takes_the_place_of_a_built_in_one() {
    let Parsed { situation, .. } = accepted(|file| {
        file["methods"][0]["key"] = json!("natural-waterborne");
        file["jobs"][1]["method"] = json!("natural-waterborne");
    });
    assert_eq!(situation.jobs[1].chain.steps().len(), 3);
}

/// On whatever day the demo starts, its company is read without a fault or a warning.
#[test]
fn the_demo_company() {
    let first = instant("2027-06-01T10:00:00Z");
    for day in (0..366).step_by(33) {
        let document = crate::demo::document(first.plus(day * 1_440), None).unwrap();
        let Parsed { situation, warnings } =
            parse_planning_file(&document.to_string()).unwrap_or_else(|faults| panic!("{faults:#?}"));
        assert_eq!(warnings, []);
        assert!(situation.jobs.len() >= 10 && situation.regions[0].hours.len() > 1_200);
    }
}
