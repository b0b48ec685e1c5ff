//! Causes for breaking a promise inside the freeze time: each kind once true and once not, and the ways to cheat.

use crate::common::world;
use crate::common::world::*;
use tackfree::audit::{Violation, audit};
use tackfree::domain::chain::{Outcome, Pin, Step, Wait};
use tackfree::domain::climate::{Gate, HouseAir};
use tackfree::domain::ids::{AreaIx, CrewIx, EquipmentIx, RegionIx, SkillSet, StepIx};
use tackfree::domain::plan::{Cause, Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;

/// On Monday 2026-03-02 in New York.
fn mon(clock_text: &str) -> Minute {
    at(new_york(), "2026-03-02 00:00").plus(i64::from(clock(clock_text)))
}

/// Six on Monday; one step in Elm, promised to Ann at nine.
fn promised() -> Situation {
    let mut situation = situation(mon("6:00"));
    situation.jobs = vec![job("main", 0, vec![step("sand", 60)], vec![])];
    situation.published = vec![place(&situation, (0, 0), 0, mon("9:00"))];
    situation
}

/// As `promised`, with another job of one step.
fn promised_beside(house: u32, other: Step) -> Situation {
    let mut situation = promised();
    situation.jobs.push(job("other", house, vec![other], vec![]));
    situation
}

fn moved(placement: Placement, cause: Cause) -> Placement {
    Placement { moved_because: Some(cause), ..placement }
}

/// The first step moved to a time for a cause, and other placements.
fn moved_to(situation: &Situation, start: Minute, cause: Cause, others: Vec<Placement>) -> Plan {
    let first = moved(place(situation, (0, 0), 0, start), cause);
    plan(situation, [vec![first], others].concat())
}

fn codes(situation: &Situation, plan: &Plan) -> Vec<&'static str> {
    audit(situation, plan).violations.iter().map(Violation::code).collect()
}

fn assert_true(situation: &Situation, plan: &Plan) {
    assert_eq!(codes(situation, plan), [""; 0]);
}

fn assert_false(situation: &Situation, plan: &Plan) {
    assert_eq!(codes(situation, plan), ["false-cause"]);
}

/// The causes that the input alone proves.
#[test]
fn causes_from_the_input() {
    let all = CAUSES_OF_THE_INPUT;
    for cause in all {
        let (calm, cure) = (promised(), mon("14:00"));
        assert_false(&calm, &moved_to(&calm, cure, cause, vec![]));
        let upset = upset_by(cause);
        assert_true(&upset, &moved_to(&upset, cure, cause, vec![]));
        for other in all.into_iter().filter(|&other| other != cause) {
            assert_false(&upset, &moved_to(&upset, cure, other, vec![]));
        }
    }
}

/// The promised situation, changed so that `cause` is true and 14:00 is still possible.
fn upset_by(cause: Cause) -> Situation {
    let mut situation = promised();
    let change = |situation: &mut Situation, change: &dyn Fn(&mut Step)| {
        let mut step = step("sand", 60);
        change(&mut step);
        situation.jobs[0] = job("main", 0, vec![step], vec![]);
    };
    match cause {
        Cause::StartPassed => situation.now = mon("9:01"),
        Cause::NotYet => situation.jobs[0].release = mon("9:01"),
        Cause::Pinned => change(&mut situation, &|step| step.pin.start = Some(mon("14:00"))),
        Cause::CrewAway => situation.crews[0].absences = vec![span(mon("9:59"), mon("11:00"))],
        Cause::CrewUnable => change(&mut situation, &|step| step.work = world::step("sand", 61).work),
        Cause::HouseClosed => situation.houses[0].access = hours(0..7, &[("10:00", "18:00")]),
        Cause::Weather => {
            let gate = Gate {
                temp_min_centi_c: 1_000,
                temp_max_centi_c: 3_000,
                rh_min_centi_percent: 1_000,
                rh_max_centi_percent: 8_000,
                dew_point_margin_min_centi_c: 0,
                hold_after_minutes: 0,
            };
            change(&mut situation, &|step| step.gate = Some(gate));
            situation.regions = vec![weather(mon("0:00"), 48, |hour| (if hour < 12 { 500 } else { 2_000 }, 5_000))];
            situation.houses[0].region = Some(RegionIx(0));
            situation.houses[0].air = HouseAir::Open { heated_to_centi_c: None };
        }
        Cause::EquipmentShort => {
            // Edger no. 3 was promised, and there are two; the step itself can do with the kind it has.
            situation.published[0] = with_units(situation.published[0].clone(), &[(1, 2)]);
            change(&mut situation, &|step| step.equipment = vec![(EquipmentIx(1), 0)]);
        }
        Cause::WaitsFor(_)
        | Cause::TooLateAfter(_)
        | Cause::CrewBusyWith(_)
        | Cause::AreaTakenBy(_)
        | Cause::GearTakenBy(_) => unreachable!("these need other steps"),
    }
    situation
}

/// The same causes from spells: somebody leaves in the middle of it, the house is closed all the same, gear breaks, and
/// the dispatcher says another day.
#[test]
fn causes_from_what_goes_wrong_on_the_floor() {
    let all = [Cause::CrewAway, Cause::CrewUnable, Cause::HouseClosed, Cause::EquipmentShort, Cause::Pinned];
    let heavy = || Step { head_count_min: 2, equipment: vec![(EquipmentIx(1), 1)], ..step("sand", 60) };
    let calm = || {
        let mut situation = promised();
        situation.jobs[0] = job("main", 0, vec![heavy()], vec![]);
        situation.published[0] = with_units(situation.published[0].clone(), &[(1, 1)]);
        situation
    };
    let tomorrow = mon("14:00").plus(1_440);
    let spell = span(mon("9:59"), mon("11:00"));
    let upset = |cause: Cause| {
        let mut situation = calm();
        match cause {
            Cause::CrewAway => situation.crews[0].absences = vec![spell],
            Cause::CrewUnable => situation.crews[0].short_handed = vec![(spell, 1)],
            Cause::HouseClosed => situation.houses[0].closures = vec![spell],
            Cause::EquipmentShort => situation.equipment[1].outages = vec![(spell, 1)],
            _ => {
                let day = Some(new_york().date(tomorrow));
                let pinned = Step { pin: Pin { day, ..Pin::default() }, ..heavy() };
                situation.jobs[0] = job("main", 0, vec![pinned], vec![]);
            }
        }
        situation
    };
    let moved = |situation: &Situation, cause: Cause| {
        let to = with_units(place(situation, (0, 0), 0, tomorrow), &[(1, 0)]);
        plan(situation, vec![moved(to, cause)])
    };
    for cause in all {
        assert_false(&calm(), &moved(&calm(), cause));
        for told in all {
            let situation = upset(cause);
            let plan = moved(&situation, told);
            if told == cause { assert_true(&situation, &plan) } else { assert_false(&situation, &plan) }
        }
    }
}

#[test]
fn a_crew_that_lost_a_skill_or_a_person_is_unable() {
    let mut situation = promised();
    situation.jobs[0] = job("main", 0, vec![Step { skills: SkillSet::default().with(0), ..step("sand", 60) }], vec![]);
    situation.crews[1].skills = SkillSet::default().with(0);
    let to_ben = moved(place(&situation, (0, 0), 1, mon("9:00")), Cause::CrewUnable);
    assert_true(&situation, &plan(&situation, vec![to_ben.clone()]));
    situation.crews[0].skills = SkillSet::default().with(0);
    assert_false(&situation, &plan(&situation, vec![to_ben]));
}

/// Sand, then seal, promised at eight and ten; sanding started late or grew longer.
fn chain(wait: Wait, sand_minutes: i64, sand_state: Option<Minute>) -> Situation {
    let mut situation = situation(mon("6:00"));
    let attempts = sand_state.map(|start| attempt(0, start, start.plus(sand_minutes), Outcome::Running));
    let sand = Step { attempts: attempts.into_iter().collect(), ..step("sand", sand_minutes) };
    situation.jobs = vec![job("main", 0, vec![sand, step("seal", 60)], vec![wait])];
    situation.published = vec![place(&situation, (0, 1), 0, mon("10:00"))];
    situation
}

#[test]
fn waiting_for_a_late_predecessor() {
    let cause = Cause::WaitsFor(StepIx(0));
    for (ends, is_true) in [("9:31", true), ("9:30", false)] {
        let start = mon(ends).plus(-60);
        let situation = chain(lag(0, 1, 30), 60, Some(start));
        let plan = plan(&situation, vec![moved(place(&situation, (0, 1), 0, mon("11:00")), cause)]);
        assert_eq!(codes(&situation, &plan).is_empty(), is_true, "{ends}");
    }
    let mut overnight = chain(Wait { overnight: true, ..lag(0, 1, 0) }, 60, Some(mon("5:00")));
    overnight.settings.freeze_minutes = 2 * 1440;
    let late = moved(place(&overnight, (0, 1), 0, mon("9:00").plus(1440)), cause);
    assert_true(&overnight, &plan(&overnight, vec![late]));
}

#[test]
fn too_late_after_a_predecessor_that_came_early() {
    let cause = Cause::TooLateAfter(StepIx(0));
    for (start, is_true) in [("5:00", true), ("5:30", false)] {
        let wait = Wait { max: at_most(210), ..lag(0, 1, 0) };
        let situation = chain(wait, 60, Some(mon(start)));
        let plan = plan(&situation, vec![moved(place(&situation, (0, 1), 0, mon("8:30")), cause)]);
        assert_eq!(codes(&situation, &plan).is_empty(), is_true, "{start}");
    }
}

#[test]
fn an_extra_step_that_became_necessary_holds_its_successor_back() {
    let mut situation = situation(mon("6:00"));
    let seal = Step { attempts: vec![attempt(0, mon("1:00"), mon("2:00"), Outcome::Done)], ..step("seal", 60) };
    let abrade = Step { only_on_lapse: true, ..step("abrade", 90) };
    let wait = Wait { max: lapses(240, 2), ..lag(0, 1, 60) };
    situation.jobs = vec![job("main", 0, vec![seal, step("coat", 60), abrade], vec![wait])];
    situation.published = vec![place(&situation, (0, 1), 0, mon("9:00"))];
    let cause = Cause::WaitsFor(StepIx(2));
    let plan_with = |coat: &str| {
        let coat = moved(place(&situation, (0, 1), 0, mon(coat)), cause);
        plan(&situation, vec![coat, place(&situation, (0, 2), 0, mon("8:00"))])
    };
    assert_true(&situation, &plan_with("9:30"));
    let mut short = situation.clone();
    let chain = &situation.jobs[0].chain;
    let steps = [&chain.steps()[..2], &[Step { only_on_lapse: true, ..step("abrade", 60) }]].concat();
    short.jobs = vec![job("main", 0, steps, chain.waits().to_vec())];
    let coat = moved(place(&short, (0, 1), 0, mon("9:30")), cause);
    assert_false(&short, &plan(&short, vec![coat, place(&short, (0, 2), 0, mon("8:00"))]));
}

fn pinned_at(start: Minute) -> Pin {
    Pin { start: Some(start), ..Pin::default() }
}

#[test]
fn a_crew_that_is_busy_with_what_cannot_move() {
    let cause = Cause::CrewBusyWith(step_ref(1, 0));
    // Pinned in the other house, half an hour away: it must end by 8:30 or begin at 10:30.
    for (pinned, is_true) in [("8:00", true), ("10:29", true), ("10:30", false)] {
        let situation = promised_beside(1, Step { pin: pinned_at(mon(pinned)), ..step("edge", 60) });
        let other = place(&situation, (1, 0), 0, mon(pinned));
        let plan = moved_to(&situation, mon("14:00"), cause, vec![other]);
        assert_eq!(codes(&situation, &plan).is_empty(), is_true, "{pinned}");
    }
    let free = promised_beside(1, step("edge", 60));
    let other = place(&free, (1, 0), 0, mon("8:00"));
    assert_false(&free, &moved_to(&free, mon("14:00"), cause, vec![other]));
    let running = Step { attempts: vec![attempt(0, mon("5:00"), mon("9:00"), Outcome::Running)], ..step("edge", 60) };
    let situation = promised_beside(1, running);
    assert_true(&situation, &moved_to(&situation, mon("14:00"), cause, vec![]));
}

#[test]
fn an_area_taken_or_kept_off_by_what_cannot_move() {
    let cause = Cause::AreaTakenBy(step_ref(1, 0));
    let pinned = |area, at| Step { areas: vec![AreaIx(area)], pin: pinned_at(mon(at)), ..step("edge", 60) };
    for (area, pinned_at, is_true) in [(0, "9:30", true), (1, "9:30", false), (0, "10:30", false)] {
        let situation = promised_beside(0, pinned(area, pinned_at));
        let other = place(&situation, (1, 0), 1, mon(pinned_at));
        let plan = moved_to(&situation, mon("14:00"), cause, vec![other]);
        assert_eq!(codes(&situation, &plan).is_empty(), is_true, "{area} {pinned_at}");
    }
    let mut wet = promised_beside(0, step("coat", 60));
    let coat = Step { attempts: vec![attempt(1, mon("4:00"), mon("5:00"), Outcome::Done)], ..step("coat", 60) };
    let keep_off = |minutes| Wait { keep_off: true, ..lag(0, 1, minutes) };
    for (minutes, is_true) in [(241, true), (240, false)] {
        wet.jobs[1] = job("other", 0, vec![coat.clone(), step("walk", 30)], vec![keep_off(minutes)]);
        let plan = moved_to(&wet, mon("14:00"), cause, vec![]);
        assert_eq!(codes(&wet, &plan).is_empty(), is_true, "{minutes}");
    }
}

#[test]
fn gear_taken_by_what_cannot_move() {
    let cause = Cause::GearTakenBy(step_ref(1, 0));
    // One drum sander, which must be brought over half an hour; two edgers, of which one is free.
    for (kind, pinned, is_true) in [(0, "7:31", true), (0, "10:29", true), (0, "10:30", false), (1, "9:00", false)] {
        let with_gear = |text: &str| Step { equipment: vec![(EquipmentIx(kind), 1)], ..step(text, 60) };
        let mut situation = promised_beside(1, Step { pin: pinned_at(mon(pinned)), ..with_gear("edge") });
        situation.jobs[0] = job("main", 0, vec![with_gear("sand")], vec![]);
        situation.crews[1].calendar = hours(0..5, &[("6:00", "17:00")]);
        let mut other = with_units(place(&situation, (1, 0), 1, mon(pinned)), &[(kind, 0)]);
        other.crew = CrewIx(1);
        let first = moved(with_units(place(&situation, (0, 0), 0, mon("14:00")), &[(kind, 0)]), cause);
        let plan = plan(&situation, vec![first, other]);
        assert_eq!(codes(&situation, &plan).is_empty(), is_true, "{kind} {pinned}");
    }
}

/// Two promised steps that swapped places and point at each other.
#[test]
fn causes_in_a_circle_are_not_true() {
    let mut situation = promised_beside(0, Step { areas: vec![AreaIx(1)], ..step("edge", 60) });
    situation.published.push(place(&situation, (1, 0), 0, mon("10:00")));
    let swapped = |cause_of_second| {
        let first = moved(place(&situation, (0, 0), 0, mon("10:00")), Cause::CrewBusyWith(step_ref(1, 0)));
        let second = moved(place(&situation, (1, 0), 0, mon("9:00")), cause_of_second);
        plan(&situation, vec![first, second])
    };
    let circle = swapped(Cause::CrewBusyWith(step_ref(0, 0)));
    assert_eq!(codes(&situation, &circle), ["false-cause"; 2]);
    // With a reason of its own for the second, the first one's is true.
    situation.jobs[1] =
        job("other", 0, vec![Step { areas: vec![AreaIx(1)], pin: pinned_at(mon("9:00")), ..step("edge", 60) }], vec![]);
    let first = moved(place(&situation, (0, 0), 0, mon("10:00")), Cause::CrewBusyWith(step_ref(1, 0)));
    let second = moved(place(&situation, (1, 0), 0, mon("9:00")), Cause::Pinned);
    assert_true(&situation, &plan(&situation, vec![first, second]));
}

/// A pin to the crew that was promised anyway is no reason to move: pinned steps cannot excuse each other either.
#[test]
fn causes_in_a_circle_are_not_true_for_pinned_steps() {
    let to_ann = |key_text, area| Step {
        areas: vec![AreaIx(area)],
        pin: Pin { crew: Some(CrewIx(0)), ..Pin::default() },
        ..step(key_text, 60)
    };
    let mut situation = promised();
    situation.jobs[0] = job("main", 0, vec![to_ann("sand", 0)], vec![]);
    situation.jobs.push(job("other", 0, vec![to_ann("edge", 1)], vec![]));
    situation.published.push(place(&situation, (1, 0), 0, mon("10:00")));
    let first = moved(place(&situation, (0, 0), 0, mon("10:00")), Cause::CrewBusyWith(step_ref(1, 0)));
    let second = moved(place(&situation, (1, 0), 0, mon("9:00")), Cause::CrewBusyWith(step_ref(0, 0)));
    assert_eq!(codes(&situation, &plan(&situation, vec![first.clone(), second])), ["false-cause"; 2]);
    // Where the other stays at its promise, there is nobody to blame; where it is where it must be, there is.
    let stays = place(&situation, (1, 0), 0, mon("10:00"));
    let elsewhere = moved(place(&situation, (0, 0), 0, mon("11:00")), Cause::CrewBusyWith(step_ref(1, 0)));
    assert_false(&situation, &plan(&situation, vec![elsewhere, stays]));
    let mut late = situation.clone();
    let pin = Pin { crew: Some(CrewIx(0)), start: Some(mon("9:00")), ..Pin::default() };
    late.jobs[1] = job("other", 0, vec![Step { pin, ..to_ann("edge", 1) }], vec![]);
    let pinned = moved(place(&late, (1, 0), 0, mon("9:00")), Cause::Pinned);
    assert_true(&late, &plan(&late, vec![first, pinned]));
}

/// Gear is taken by whoever has it at that time, not by whoever has some of it some time.
#[test]
fn gear_is_not_taken_by_a_step_at_another_time() {
    let with_drum = |text: &str| Step { equipment: vec![(EquipmentIx(0), 1)], ..step(text, 60) };
    let mut situation = promised_beside(1, Step { pin: pinned_at(mon("9:00")), ..with_drum("edge") });
    situation.jobs[0] = job("main", 0, vec![with_drum("sand")], vec![]);
    // A third step holds the drum as well, in the afternoon, when nobody promised anything.
    situation.jobs.push(job("third", 1, vec![Step { pin: pinned_at(mon("15:00")), ..with_drum("more") }], vec![]));
    let others = || {
        let at = |job: u32, text: &str| with_units(place(&situation, (job, 0), 1, mon(text)), &[(0, 0)]);
        vec![at(1, "9:00"), at(2, "15:00")]
    };
    for (named, is_true) in [(1, true), (2, false)] {
        let cause = Cause::GearTakenBy(step_ref(named, 0));
        let first = moved(with_units(place(&situation, (0, 0), 0, mon("10:30")), &[(0, 0)]), cause);
        let plan = plan(&situation, [vec![first], others()].concat());
        let expected: &[&str] = if is_true { &[] } else { &["false-cause"] };
        assert_eq!(codes(&situation, &plan), expected, "{named}");
    }
}

/// A run is promised and moved as one: the second part's trouble excuses the first.
#[test]
fn a_run_is_excused_as_one() {
    let mut situation = situation(mon("6:00"));
    let treat = vec![step("treat-a", 60), step("treat-b", 60)];
    situation.jobs = vec![job("main", 0, treat, vec![dwell(0, 1, 10, 15)])];
    situation.published = vec![place(&situation, (0, 0), 0, mon("9:00")), place(&situation, (0, 1), 0, mon("9:12"))];
    situation.crews[0].absences = vec![span(mon("10:11"), mon("11:00"))];
    let moved_run = |first_cause| {
        let first = moved(place(&situation, (0, 0), 0, mon("14:00")), first_cause);
        let second = moved(place(&situation, (0, 1), 0, mon("14:12")), Cause::WaitsFor(StepIx(0)));
        plan(&situation, vec![first, second])
    };
    assert_true(&situation, &moved_run(Cause::CrewAway));
    assert_false(&situation, &moved_run(Cause::HouseClosed));
}

/// Outside the freeze time nothing needs a cause, and none may be named.
#[test]
fn promises_beyond_the_freeze_time_are_free() {
    let mut situation = promised();
    situation.settings.freeze_minutes = 180;
    let free = plan(&situation, vec![place(&situation, (0, 0), 0, mon("14:00"))]);
    assert_true(&situation, &free);
    assert_eq!(codes(&situation, &moved_to(&situation, mon("14:00"), Cause::NotYet, vec![])), ["cause-without-move"]);
    situation.settings.freeze_minutes = 181;
    assert_eq!(codes(&situation, &free), ["frozen-moved"]);
}

/// A step that cannot be done any more is listed with its blocker; that needs no cause.
#[test]
fn a_promise_that_becomes_impossible_is_listed() {
    let situation = promised();
    assert_true(&situation, &plan(&situation, vec![]));
}
