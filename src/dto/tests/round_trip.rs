//! What is written is read back the same, for any situation and any plan.

use super::*;
use proptest::prelude::*;

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn situations(seed: u64) {
        let situation = random::situation(seed);
        let text = write_planning_file(&situation);
        let parsed = parse_planning_file(&text).map_err(|faults| TestCaseError::fail(format!("{faults:#?}")))?;
        prop_assert_eq!(parsed.situation, situation);
    }

    #[test]
    fn plans(seed: u64) {
        let situation = random::situation(seed);
        let plan = random_plan::plan(seed, &situation);
        let text = plan_to_json(&situation, &plan);
        let parsed = parse_plan_file(&situation, &text).map_err(|faults| TestCaseError::fail(format!("{faults:#?}")))?;
        prop_assert_eq!(parsed, plan);
    }

    /// Whatever is torn out of a document, the rest is read or refused with a pointer into it; nothing panics.
    #[test]
    fn torn_documents(seed: u64, cut in 0usize..200, junk in prop_oneof![
        Just(Value::Null), Just(Value::from(-1)), Just(Value::from(1e300)), Just(Value::from(i64::MAX)),
        Just(Value::from("")), Just(Value::from("\u{0}~/")), Just(serde_json::json!([])), Just(serde_json::json!({})),
    ]) {
        let mut document = if seed.is_multiple_of(2) { example() } else {
            serde_json::from_str(&write_planning_file(&random::situation(seed))).unwrap()
        };
        let mut places = Vec::new();
        every_place(&document, String::new(), &mut places);
        let place = &places[(seed as usize).wrapping_add(cut) % places.len()];
        *document.pointer_mut(place).unwrap() = junk;
        if let Err(faults) = parse_planning_file(&document.to_string()) {
            prop_assert!(!faults.is_empty());
            for located in faults {
                let parent = located.pointer.rsplit_once('/').map_or("", |(parent, _)| parent);
                prop_assert!(document.pointer(parent).is_some(), "{} is nowhere", located);
                prop_assert!(!located.fault.code.is_empty() && !located.fault.cure.is_empty());
            }
        }
    }
}

fn every_place(value: &Value, at: String, places: &mut Vec<String>) {
    match value {
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(index, item)| every_place(item, format!("{at}/{index}"), places));
        }
        Value::Object(members) => {
            for (name, member) in members {
                every_place(member, format!("{at}/{}", fault::escaped(name)), places);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => (),
    }
    places.push(at);
}

#[test]
fn plans_are_told_to_people() {
    let situation = accepted(|_| ()).situation;
    let mut plan = random_plan::plan(7, &situation);
    plan.cost = crate::domain::plan::Cost { lateness: 300, finish: 100, ..Default::default() };
    plan.lower_bound = 300;
    let told = plan_to_dto(&situation, &plan);
    assert_eq!((told.cost.total, told.gap_percent), (Some(400), Some(25.0)));
    assert!(told.unplaced.iter().all(|left_out| left_out.what.is_some() && left_out.cure.is_some()));
    let placed = &told.placements[0];
    assert_eq!(placed.house_name.as_deref(), Some("Linden Street 4"));
    assert!(
        placed.start.as_deref().unwrap().ends_with("-05:00") || placed.start.as_deref().unwrap().ends_with("-04:00")
    );
}

#[test]
fn plan_files_that_cannot_be_read() {
    let situation = accepted(|_| ()).situation;
    let plan = random_plan::plan(7, &situation);
    let refused = |pointer: &str, value: Value, at: &str, code: &str| {
        let mut document = serde_json::to_value(plan_to_dto(&situation, &plan)).unwrap();
        *document.pointer_mut(pointer).unwrap() = value;
        let faults = parse_plan_file(&situation, &document.to_string()).unwrap_err();
        assert_eq!((faults[0].pointer.as_str(), faults[0].fault.code), (at, code), "{faults:#?}");
    };
    refused("/format", "tackfree-planning/1".into(), "/format", "unknown-format");
    refused("/placements/0/crew", "nort".into(), "/placements/0/crew", "unknown-crew");
    refused("/placements/0/house", "mill-19".into(), "/placements/0/house", "contradiction");
    refused("/cost/total", 1.into(), "/cost/total", "contradiction");
    refused("/cost/travel", (-1).into(), "/cost/travel", "out-of-range");
    refused("/unplaced/0/step", "coat-9".into(), "/unplaced/0/step", "unknown-step");
    refused("/unplaced/0/reason", "bad_luck".into(), "/unplaced/0/reason", "unknown-value");
}

/// An audit's findings are told by key, also those about a step that is not there.
#[test]
fn violations_are_told_by_key() {
    let situation = accepted(|_| ()).situation;
    let mut plan = random_plan::plan(7, &situation);
    plan.placements[0].step.step = crate::domain::ids::StepIx(999);
    let told: Vec<ViolationDto> = crate::audit::audit(&situation, &plan)
        .violations
        .iter()
        .map(|violation| ViolationDto::from_domain(violation, &situation))
        .collect();
    let unknown = told.iter().find(|violation| violation.code == "unknown-step").unwrap();
    assert_eq!((unknown.rule, &unknown.step), (11, &None));
    let missing = told.iter().find(|violation| violation.code == "missing" && violation.step.is_some()).unwrap();
    assert_eq!(
        missing.step.as_ref().map(|step| step.job.as_str()),
        missing.house.as_deref().map(|house| { if house == "linden-4" { "linden-4-floors" } else { "mill-19-patch" } })
    );
    assert!(!missing.what.is_empty());
}
