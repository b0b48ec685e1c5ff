//! Every rule of the audit: for each code a clean plan, and one that differs in one thing and has exactly that code.

mod whole;
mod work;
use crate::common::world::*;
use std::collections::BTreeSet;
use tackfree::audit::{Violation, audit};
use tackfree::domain::chain::{Step, Wait};
use tackfree::domain::ids::AreaIx;
use tackfree::domain::plan::{Blocker, Placement, Plan, Unplaced};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;

/// A clean plan, and a bad one that has exactly `code`.
struct Case {
    code: &'static str,
    situation: Situation,
    good: Plan,
    bad: Plan,
}

/// Monday 2026-03-02 in New York, a week without clock changes.
fn mon(clock_text: &str) -> Minute {
    day(0, clock_text)
}

fn day(after_monday: i64, clock_text: &str) -> Minute {
    at(new_york(), "2026-03-02 00:00").plus(after_monday * 1440 + i64::from(clock(clock_text)))
}

/// At six on Monday, with one job in Elm for each list of steps and waits.
fn with_jobs(jobs: Vec<(Vec<Step>, Vec<Wait>)>) -> Situation {
    let mut situation = situation(mon("6:00"));
    let numbered = jobs.into_iter().enumerate();
    situation.jobs = numbered.map(|(i, (steps, waits))| job(&format!("job-{i}"), 0, steps, waits)).collect();
    situation
}

fn one_step(step: Step) -> Situation {
    with_jobs(vec![(vec![step], vec![])])
}

fn two_steps(first: Step, second: Step, wait: Wait) -> Situation {
    with_jobs(vec![(vec![first, second], vec![wait])])
}

fn in_parlour(step: Step) -> Step {
    Step { areas: vec![AreaIx(1)], ..step }
}

/// Both plans made of placements.
fn case(code: &'static str, situation: Situation, place_all: impl Fn(&Situation, bool) -> Vec<Placement>) -> Case {
    let good = plan(&situation, place_all(&situation, true));
    let bad = plan(&situation, place_all(&situation, false));
    Case { code, situation, good, bad }
}

/// A bad plan that is spoilt as a whole.
fn spoilt(
    code: &'static str,
    situation: Situation,
    good: impl Fn(&Situation) -> Vec<Placement>,
    spoil: impl Fn(&mut Plan),
) -> Case {
    let good = plan(&situation, good(&situation));
    let mut bad = good.clone();
    spoil(&mut bad);
    let bad = priced(&situation, bad);
    Case { code, situation, good, bad }
}

fn cases() -> Vec<Case> {
    let all = [
        work::shift_cases(),
        work::one_place_cases(),
        work::able_cases(),
        work::wait_minimum_cases(),
        work::wait_maximum_cases(),
        whole::house_cases(),
        whole::gear_cases(),
        whole::climate_cases(),
        whole::history_cases(),
        whole::order_cases(),
        whole::whole_cases(),
        whole::claim_cases(),
    ];
    all.into_iter().flatten().collect()
}

fn codes(situation: &Situation, plan: &Plan) -> Vec<&'static str> {
    audit(situation, plan).violations.iter().map(Violation::code).collect()
}

#[test]
fn each_bad_plan_breaks_its_rule_and_no_other() {
    for (number, case) in cases().into_iter().enumerate() {
        assert_eq!(codes(&case.situation, &case.good), [""; 0], "clean twin of case {number}, {}", case.code);
        assert_eq!(codes(&case.situation, &case.bad), [case.code], "case {number}");
    }
}

#[test]
fn every_code_has_a_bad_plan() {
    let tested: BTreeSet<&str> = cases().iter().map(|case| case.code).collect();
    let all: Vec<&str> = Violation::CODES.iter().copied().flatten().copied().collect();
    assert_eq!(tested, all.iter().copied().collect(), "left: tested, right: all codes");
    assert_eq!(all.len(), tested.len(), "two variants share a code");
}

#[test]
fn every_violation_is_told_in_a_sentence_with_its_rule() {
    for case in cases() {
        for violation in audit(&case.situation, &case.bad).violations {
            let sentence = violation.explain(&case.situation);
            assert!(sentence.ends_with('.') && sentence.len() > 30, "{sentence}");
            assert_eq!(violation.rule() == 0, violation.step().is_none());
            let names_a_place = ["Elm", "Oak", "job 7", "The plan"].iter().any(|word| sentence.contains(word));
            assert!(names_a_place || case.code == "unknown-step", "{sentence}");
        }
    }
}

#[test]
fn a_sentence_names_people_houses_and_local_times() {
    let case = work::one_place_cases().into_iter().find(|case| case.code == "too-little-travel").unwrap();
    let violations = audit(&case.situation, &case.bad).violations;
    let sentence = violations[0].explain(&case.situation);
    assert_eq!(sentence, "Ann has 29 minutes between \"sand\" at Elm and \"edge\" at Oak, but the way takes 30.");
    let case = work::shift_cases().into_iter().find(|case| case.code == "outside-workable-time").unwrap();
    let violations = audit(&case.situation, &case.bad).violations;
    assert_eq!(
        violations[0].explain(&case.situation),
        "Ann would be at \"sand\" at Elm from Mon 2 Mar 2026 11:01 to Mon 2 Mar 2026 12:01, \
         which is not inside one working span."
    );
}

/// A long stay is found by each one that begins under it, not only by its neighbour.
#[test]
fn a_long_step_is_not_hidden_by_a_short_one() {
    let rooms = |text: &str, minutes| (vec![in_parlour(step(text, minutes))], vec![]);
    let situation = with_jobs(vec![(vec![step("long", 240)], vec![]), rooms("short", 30), rooms("late", 30)]);
    let starts = ["8:00", "8:30", "11:00"].into_iter().enumerate();
    let bad = plan(&situation, starts.map(|(job, start)| place(&situation, (job as u32, 0), 0, mon(start))).collect());
    assert_eq!(codes(&situation, &bad), ["double-booked"; 2]);
}

/// Unplaced entries that are listed by hand keep their own blocker.
#[test]
fn blockers_are_taken_as_given() {
    let situation = one_step(step("sand", 60));
    let mut listed = plan(&situation, vec![]);
    listed.unplaced = vec![Unplaced { step: step_ref(0, 0), blocker: Blocker::PinImpossible }];
    assert!(audit(&situation, &listed).is_clean());
}
