//! What happened is never judged; what is open must fit around it.

use crate::common::world::*;
use tackfree::audit::{Violation, audit};
use tackfree::domain::chain::{Outcome, Step, Wait};
use tackfree::domain::climate::{Gate, HouseAir};
use tackfree::domain::ids::{AreaIx, EquipmentIx, SkillSet};
use tackfree::domain::plan::Placement;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;

/// On Monday 2026-03-02 in New York.
fn mon(clock_text: &str) -> Minute {
    at(new_york(), "2026-03-02 00:00").plus(i64::from(clock(clock_text)))
}

/// The step with an attempt by a crew.
fn begun(step: Step, crew: u32, from: &str, to: &str, outcome: Outcome) -> Step {
    Step { attempts: vec![attempt(crew, mon(from), mon(to), outcome)], ..step }
}

fn done(key_text: &str, from: &str, to: &str) -> Step {
    begun(step(key_text, 60), 0, from, to, Outcome::Done)
}

/// At nine on Monday, jobs in Elm.
fn at_nine(jobs: Vec<(Vec<Step>, Vec<Wait>)>) -> Situation {
    let mut situation = situation(mon("9:00"));
    let numbered = jobs.into_iter().enumerate();
    situation.jobs = numbered.map(|(i, (steps, waits))| job(&format!("job-{i}"), 0, steps, waits)).collect();
    situation
}

fn codes(situation: &Situation, placements: Vec<Placement>) -> Vec<&'static str> {
    let plan = plan(situation, placements);
    audit(situation, &plan).violations.iter().map(Violation::code).collect()
}

/// Night work by the wrong crew, too short, in bad air, twice at once, in a closed house and against the waits.
#[test]
fn history_may_be_as_odd_as_it_was() {
    let gate = Gate {
        temp_min_centi_c: 1_000,
        temp_max_centi_c: 3_000,
        rh_min_centi_percent: 0,
        rh_max_centi_percent: 9_000,
        dew_point_margin_min_centi_c: 0,
        hold_after_minutes: 6_000,
    };
    let odd = Step { skills: SkillSet::default().with(0), head_count_min: 9, gate: Some(gate), ..step("odd", 60) };
    let waits =
        vec![Wait { overnight: true, keep_off: true, max: at_most(600), ..lag(0, 1, 600) }, dwell(1, 2, 10, 15)];
    let odd_chain = vec![
        begun(odd, 0, "1:00", "1:07", Outcome::Done),
        begun(step("early", 60), 1, "0:30", "5:00", Outcome::Done),
        begun(step("late", 60), 0, "8:00", "10:00", Outcome::Running),
    ];
    let beside = begun(step("beside", 60), 0, "8:30", "9:30", Outcome::Running);
    let mut situation = at_nine(vec![(odd_chain, waits), (vec![beside], vec![])]);
    situation.jobs[0].release = mon("12:00");
    situation.houses[0].access = hours(6..7, &[("8:00", "9:00")]);
    situation.houses[0].air =
        HouseAir::Controlled(tackfree::domain::climate::Air { temp_centi_c: 0, rh_centi_percent: 0 });
    assert_eq!(codes(&situation, vec![]), [""; 0]);
}

#[test]
fn open_work_keeps_clear_of_what_is_running() {
    let running = || begun(step("running", 60), 0, "8:00", "10:00", Outcome::Running);
    let other_room = Step { areas: vec![AreaIx(1)], ..step("open", 60) };
    let mut situation = at_nine(vec![(vec![running()], vec![]), (vec![other_room], vec![])]);
    assert_eq!(codes(&situation, vec![place(&situation, (1, 0), 0, mon("9:59"))]), ["double-booked"]);
    assert_eq!(codes(&situation, vec![place(&situation, (1, 0), 0, mon("10:00"))]), [""; 0]);
    situation.jobs[1].house.0 = 1;
    assert_eq!(codes(&situation, vec![place(&situation, (1, 0), 0, mon("10:29"))]), ["too-little-travel"]);
    let same_room = at_nine(vec![(vec![running()], vec![]), (vec![step("open", 60)], vec![])]);
    assert_eq!(codes(&same_room, vec![place(&same_room, (1, 0), 1, mon("9:59"))]), ["area-shared"]);
}

#[test]
fn a_floor_that_was_made_wet_keeps_everybody_off() {
    let keep_off = Wait { keep_off: true, ..lag(0, 1, 180) };
    let chain = vec![done("coat", "7:00", "8:00"), step("walk-through", 60)];
    let situation = at_nine(vec![(chain, vec![keep_off]), (vec![step("other", 30)], vec![])]);
    assert_eq!(codes(&situation, vec![place(&situation, (1, 0), 1, mon("10:59"))]), ["keep-off"]);
    assert_eq!(codes(&situation, vec![place(&situation, (1, 0), 1, mon("11:00"))]), [""; 0]);
}

#[test]
fn running_gear_is_taken() {
    let drum = |step: Step| Step { equipment: vec![(EquipmentIx(0), 1)], ..step };
    let running = begun(drum(step("sand", 60)), 0, "8:00", "10:00", Outcome::Running);
    let mut situation = at_nine(vec![(vec![running], vec![]), (vec![drum(step("sand", 60))], vec![])]);
    situation.jobs[1].house.0 = 1;
    let held = with_units(place_pieces((0, 0), 0, &[(mon("8:00"), mon("10:00"))]), &[(0, 0)]);
    let open = |start| with_units(place(&situation, (1, 0), 1, mon(start)), &[(0, 0)]);
    assert_eq!(codes(&situation, vec![held.clone(), open("9:59")]), ["unit-doubled"]);
    assert_eq!(codes(&situation, vec![held.clone(), open("10:29")]), ["unit-too-fast"]);
    assert_eq!(codes(&situation, vec![held, open("10:30")]), [""; 0]);
    assert_eq!(codes(&situation, vec![open("10:30")]), ["wrong-units"], "a running step holds its gear");
    let mut taken_away = situation.clone();
    taken_away.equipment[0].units = 0;
    assert_eq!(codes(&taken_away, vec![]), [""; 0], "gear that is gone cannot be held");
}

/// A step that was skipped may still be done, however late; what was done after it is not undone.
#[test]
fn a_predecessor_may_come_after_its_successor_was_done() {
    let waits = vec![Wait { max: at_most(600), ..lag(0, 1, 600) }];
    let situation = at_nine(vec![(vec![step("edge", 60), done("vacuum", "7:00", "8:00")], waits)]);
    assert_eq!(codes(&situation, vec![place(&situation, (0, 0), 0, mon("9:00"))]), [""; 0]);
}

#[test]
fn lapses_that_happened_need_nothing_more() {
    let abrade = || Step { only_on_lapse: true, ..step("abrade", 30) };
    let wait = || Wait { max: lapses(60, 2), ..lag(0, 1, 30) };
    // Coated too late and without abrading: that is how it is, and abrading now is of no use.
    let coated = vec![done("seal", "1:00", "2:00"), done("coat", "5:00", "6:00"), abrade()];
    let situation = at_nine(vec![(coated, vec![wait()])]);
    assert_eq!(codes(&situation, vec![]), [""; 0]);
    assert_eq!(codes(&situation, vec![place(&situation, (0, 2), 0, mon("9:00"))]), ["extra-out-of-place"]);
    // Abraded although there was time: the coat may follow, but not before the abrading ends.
    let running = begun(abrade(), 1, "8:30", "9:30", Outcome::Running);
    let abraded = vec![done("seal", "7:30", "8:30"), step("coat", 60), running];
    let situation = at_nine(vec![(abraded, vec![wait()])]);
    let coat_at = |start| codes(&situation, vec![place(&situation, (0, 1), 0, mon(start))]);
    assert_eq!(coat_at("9:31"), [""; 0]);
    assert_eq!(coat_at("9:29"), ["area-shared"], "not lapsed, but the floor is taken");
}

/// The first part was begun before the shift; from then on its crew must stay, lunch or not.
#[test]
fn a_run_in_hand_is_judged_from_now_on() {
    let run = |first: Step, max| at_nine(vec![(vec![first, step("treat-b", 30)], vec![dwell(0, 1, 10, max)])]);
    let early = begun(step("treat-a", 30), 0, "7:40", "8:50", Outcome::Done);
    let situation = run(early, 90);
    assert_eq!(codes(&situation, vec![place(&situation, (0, 1), 0, mon("9:00"))]), [""; 0]);
    assert_eq!(codes(&situation, vec![place(&situation, (0, 1), 1, mon("9:00"))]), ["dwell-two-crews"]);
    assert_eq!(codes(&situation, vec![place(&situation, (0, 1), 0, mon("9:11"))]), ["dwell-too-long"]);
    let before_lunch = begun(step("treat-a", 30), 0, "11:00", "11:30", Outcome::Running);
    let mut noon = run(before_lunch, 150);
    noon.now = mon("11:05");
    assert_eq!(codes(&noon, vec![place(&noon, (0, 1), 0, mon("13:00"))]), ["outside-workable-time"]);
    assert_eq!(codes(&noon, vec![place(&noon, (0, 1), 0, mon("11:30"))]), [""; 0]);
    // Nothing else in the dwell: another house's step between the two parts.
    noon.jobs.push(job("between", 1, vec![step("call", 5)], vec![]));
    noon.settings.travel.fixed_minutes = 0;
    let call = place(&noon, (1, 0), 0, mon("11:32"));
    assert_eq!(codes(&noon, vec![place(&noon, (0, 1), 0, mon("11:30")), call.clone()]), ["double-booked"]);
    assert_eq!(codes(&noon, vec![call]), [""; 0]);
}

/// Only the last attempt of a check counts, and a failed one is open again.
#[test]
fn a_failed_check_is_tried_again() {
    let attempts = vec![
        attempt(0, mon("1:00"), mon("2:00"), Outcome::Failed),
        attempt(1, mon("7:00"), mon("8:30"), Outcome::Failed),
    ];
    let check = Step { recheck_after_minutes: Some(60), attempts, ..step("check", 30) };
    let situation = at_nine(vec![(vec![check], vec![])]);
    assert_eq!(codes(&situation, vec![place(&situation, (0, 0), 0, mon("9:30"))]), [""; 0]);
    assert_eq!(codes(&situation, vec![place(&situation, (0, 0), 0, mon("9:29"))]), ["before-recheck"]);
}
