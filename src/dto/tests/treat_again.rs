//! How a chain grows when its check fails.

use crate::dto::{JobDto, TREAT_AGAIN_MAX};
use serde_json::{Value, json};

fn job(steps: Value, waits: Value) -> JobDto {
    serde_json::from_value(json!({
        "key": "elm", "name": "Elm", "house": "elm-2", "release": "2026-03-09T00:00:00Z", "steps": steps, "waits": waits
    }))
    .unwrap()
}

fn step(key: &str) -> Value {
    json!({"key": key, "name": key, "kind": "other", "minutes": 30})
}

fn check(named: Value) -> Value {
    json!({"key": "check", "name": "Check", "kind": "check", "minutes": 30, "recheck_after_minutes": 60,
           "on_fail": {"treat_again": named}})
}

fn waits(job: &JobDto) -> Vec<String> {
    job.waits.iter().flatten().map(|wait| format!("{}>{} {}", wait.from, wait.to, wait.min_minutes)).collect()
}

fn keys(job: &JobDto) -> Vec<&str> {
    job.steps.iter().flatten().map(|step| step.key.as_str()).collect()
}

fn grown(job: &JobDto) -> JobDto {
    let grown = job.treated_again("check").unwrap().unwrap();
    // It hangs together as any chain must.
    assert_eq!(grown.job.check(None), []);
    grown.job
}

#[test]
fn copies_stand_before_the_check_with_the_waits_of_their_originals() {
    let steps = json!([step("sand"), step("a"), step("b"), check(json!(["a", "b"])), step("seal")]);
    let chain = json!([
        {"from": "sand", "to": "a", "min_minutes": 5}, {"from": "a", "to": "b", "min_minutes": 10},
        {"from": "b", "to": "check", "min_minutes": 720, "keep_off": true}, {"from": "check", "to": "seal"}
    ]);
    let second = grown(&job(steps, chain));
    assert_eq!(keys(&second), ["sand", "a", "b", "a-2", "b-2", "check", "seal"]);
    assert_eq!(waits(&second)[4..], ["b>a-2 0", "a-2>b-2 10", "b-2>check 720"]);
    let copy = &second.steps.as_ref().unwrap()[3];
    assert_eq!((copy.name.as_str(), copy.repeats.as_deref()), ("a (2)", Some("a")));
    let third = grown(&second);
    assert_eq!(waits(&third)[7..], ["b-2>a-3 0", "a-3>b-3 10", "b-3>check 720"]);
}

/// A chain that has a step of such a name already keeps it; all copies of one time bear one number.
#[test]
fn taken_keys_are_passed_over() {
    let steps = json!([step("a"), step("b"), step("b-2"), check(json!(["a", "b"]))]);
    let chain = json!([{"from": "a", "to": "b"}, {"from": "b", "to": "b-2"}, {"from": "b-2", "to": "check"}]);
    let second = grown(&job(steps, chain));
    assert_eq!(keys(&second), ["a", "b", "b-2", "a-3", "b-3", "check"]);
    // The last of them did not lead to the check by itself: its copy has to.
    assert_eq!(waits(&second)[3..], ["b>a-3 0", "a-3>b-3 0", "b-3>check 0"]);
    assert_eq!(keys(&grown(&second)), ["a", "b", "b-2", "a-3", "b-3", "a-4", "b-4", "check"]);
}

#[test]
fn a_maximum_before_the_check_moves_and_extra_steps_are_copied() {
    let extra = json!({"key": "x", "name": "x", "kind": "abrade", "minutes": 30, "only_on_lapse": true});
    let steps = json!([step("a"), extra, step("b"), check(json!(["a", "b"]))]);
    let chain = json!([
        {"from": "a", "to": "b", "max": {"minutes": 60, "on_exceed": {"lapse": "x"}}},
        {"from": "b", "to": "check", "max": {"minutes": 900, "on_exceed": "forbid"}}
    ]);
    let second = grown(&job(steps, chain));
    assert_eq!(keys(&second), ["a", "x", "b", "a-2", "x-2", "b-2", "check"]);
    assert_eq!(waits(&second), ["a>b 0", "b>a-2 0", "a-2>b-2 0", "b-2>check 0"]);
    let third = grown(&second);
    assert_eq!(waits(&third).last().unwrap(), "b-3>check 0");
    assert_eq!(third.waits.as_ref().unwrap().iter().filter(|wait| wait.to == "check").count(), 1);
}

#[test]
fn branches_all_come_before_and_all_come_after() {
    let steps = json!([step("a"), step("b"), check(json!(["a", "b"]))]);
    let chain = json!([{"from": "a", "to": "check", "min_minutes": 1}, {"from": "b", "to": "check", "min_minutes": 2}]);
    let second = grown(&job(steps, chain));
    assert_eq!(waits(&second)[2..], ["a>a-2 0", "b>a-2 0", "a>b-2 0", "b>b-2 0", "a-2>check 1", "b-2>check 2"]);
}

#[test]
fn it_ends_somewhere() {
    let steps = json!([step("a"), check(json!(["a"]))]);
    let mut job = job(steps, json!([{"from": "a", "to": "check"}]));
    for _ in 0..TREAT_AGAIN_MAX {
        job = grown(&job);
    }
    assert_eq!(job.treated_again("check").unwrap_err().code, "treated-often-enough");
    assert_eq!(job.treated_again("a"), Ok(None));
    assert_eq!(job.treated_again("nap"), Ok(None));
    let long = "a".repeat(63);
    let steps = json!([step(&long), check(json!([long]))]);
    let job = self::job(steps, json!([{"from": long, "to": "check"}]));
    assert_eq!(job.treated_again("check").unwrap_err().code, "long-key");
}

/// Vacuuming and settling are not done again, but sanding still comes before part A, and part B still dries overnight.
#[test]
fn steps_in_between_that_are_not_repeated_leave_their_order_and_drying() {
    let steps =
        json!([step("sand"), step("vacuum"), step("a"), step("b"), step("settle"), check(json!(["sand", "a", "b"]))]);
    let chain = json!([
        {"from": "sand", "to": "vacuum", "min_minutes": 5}, {"from": "vacuum", "to": "a"},
        {"from": "a", "to": "b", "min_minutes": 10}, {"from": "b", "to": "settle", "min_minutes": 1},
        {"from": "settle", "to": "check", "min_minutes": 720, "film": "treatment", "overnight": true, "keep_off": true}
    ]);
    let second = grown(&job(steps, chain));
    assert_eq!(waits(&second)[5..], ["b>sand-2 0", "a-2>b-2 10", "sand-2>a-2 5", "b-2>check 720"]);
    let dries = second.waits.as_ref().unwrap().last().unwrap();
    assert!(dries.overnight && dries.keep_off && dries.film.is_some(), "{dries:?}");
    let third = grown(&second);
    assert_eq!(waits(&third)[9..], ["b-2>sand-3 0", "a-3>b-3 10", "sand-3>a-3 5", "b-3>check 720"]);
    assert!(third.waits.as_ref().unwrap().last().unwrap().keep_off);
}
