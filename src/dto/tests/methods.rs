//! The methods that come with the program.

use super::*;
use crate::domain::chain::{Chain, StepKind, Work};
use serde_json::json;

/// Each on a house of 800 sq ft, with a crew that can do everything.
fn applied(method: &str) -> Chain {
    let Parsed { situation, warnings } = accepted(|file| {
        file["houses"][1]["areas"] = json!([{ "name": "Upstairs", "area_sqft": 800 }]);
        let skills = json!(["sanding", "treatment", "staining", "finishing", "readings"]);
        file["crews"][1]["skills"] = skills;
        file["jobs"][1]["method"] = json!(method);
        file["published"] = Value::Null;
    });
    assert_eq!(warnings, [], "{method}");
    situation.jobs[1].chain.clone()
}

#[test]
fn each_is_good_and_said_to_be_a_default() {
    assert_eq!(built_in_methods().len(), crate::methods::DOCUMENTS.len());
    for (method, text) in built_in_methods().iter().zip(crate::methods::DOCUMENTS) {
        assert_eq!(method.check(), [], "{}", method.key);
        let read: MethodDto = read_json(text, FILE_BYTES_MAX).unwrap();
        assert_eq!(&read, method);
        let notes = method.notes.as_deref().unwrap_or_default();
        assert!(notes.contains("practice, no source") && notes.contains("label's values"), "{}", method.key);
        assert_eq!(applied(&method.key).steps().len(), method.steps.len());
        assert_eq!(built_in_method(&method.key), Some(method));
    }
    assert_eq!(built_in_method("patch"), None);
}

/// 800 sq ft of three passes with edging are about 18.4 person-hours (construction cost book): 43 sq ft an hour would be
/// 18.6.
#[test]
fn three_passes_of_sanding_are_43_square_feet_an_hour() {
    for method in ["two-part-waterborne", "natural-waterborne", "stain-oil-modified", "penetrating-oil"] {
        let chain = applied(method);
        let sanding = chain.steps().iter().filter(|step| step.kind == StepKind::Sand);
        let minutes: i64 = sanding
            .map(|step| match step.work {
                Work::Shared { person_minutes, .. } => person_minutes,
                Work::Fixed { minutes } => minutes,
                Work::ByApplicators { one_minutes, .. } => one_minutes,
            })
            .sum();
        assert!((1_104..=1_120).contains(&minutes), "{method}: {minutes} person-minutes");
    }
}

/// 800 sq ft at 20 and 15 sq ft a minute. By hand, for one: the largest section is 168 sq ft (see `trade::sections`), so
/// five of 160: each 45 s to shake and pour A, 8 min, 1 min to even out, 2 min to change, 45 s, 10 min 40 s, 1 min to
/// even out; and four times 2 min to change back: 128 min 50 s. For two, whoever rolls B waits until A is evened out:
/// S/15 + 1 <= 15, so at most 210 sq ft and four sections of 200: after 45 s and 11 min of A, four times 13 min 20 s, 1 min and 45 s, without
/// the first 45 s: 71 min 20 s.
#[test]
fn one_person_can_treat_a_floor() {
    let chain = applied("two-part-waterborne");
    let [a, b] = ["treat-a", "treat-b"].map(|key| chain.step(chain.find(key).unwrap()));
    assert_eq!((a.head_count_min, b.head_count_min), (1, 1));
    for (people, minutes) in [(1, 129), (2, 72), (4, 72)] {
        assert_eq!(10 + b.duration_minutes(people), minutes, "{people}");
        assert!((10..=15).contains(&(minutes - a.duration_minutes(people))), "{people}");
    }
}

/// Wet films are kept off, and every recoat window that lapses has its extra step.
#[test]
fn wet_floors_are_kept_off() {
    for method in built_in_methods() {
        let films = method.waits.iter().filter(|wait| wait.film.is_some());
        assert!(films.clone().count() >= 1 && films.clone().all(|wait| wait.keep_off), "{}", method.key);
        let coats = method.steps.iter().filter(|step| {
            matches!(step.kind, StepKindDto::Coat | StepKindDto::Seal | StepKindDto::Stain | StepKindDto::TreatA)
        });
        assert!(coats.clone().all(|step| step.gate.is_some() && !step.dividable), "{}", method.key);
        let last = method.waits.last().unwrap();
        assert_eq!((last.to.as_str(), last.min_minutes), ("walk-through", 1_440), "{}", method.key);
    }
}
