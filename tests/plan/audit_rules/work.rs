//! Bad plans for the rules about crews and waits (1 to 5).

use super::{Case, case, day, in_parlour, mon, one_step, spoilt, two_steps, with_jobs};
use crate::common::world::*;
use tackfree::domain::chain::{Outcome, Step, Wait, Work};
use tackfree::domain::climate::{Film, HouseAir};
use tackfree::domain::ids::{RegionIx, SkillSet};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;

pub fn shift_cases() -> Vec<Case> {
    let short_horizon = || {
        let mut situation = one_step(step("sand", 60));
        situation.settings.horizon_days = 1;
        situation
    };
    let sand = || Step { dividable: true, ..step("sand", 300) };
    vec![
        spoilt(
            "bad-pieces",
            one_step(step("sand", 60)),
            |s| vec![place(s, (0, 0), 0, mon("9:00"))],
            |plan| plan.placements[0].pieces.clear(),
        ),
        case("outside-workable-time", one_step(step("sand", 60)), |s, good| {
            vec![place(s, (0, 0), 0, mon(if good { "11:00" } else { "11:01" }))]
        }),
        case("bad-pause", one_step(sand()), |_, good| {
            let second = if good { (mon("13:00"), mon("16:00")) } else { (mon("13:01"), mon("16:01")) };
            vec![place_pieces((0, 0), 0, &[(mon("10:00"), mon("12:00")), second])]
        }),
        case("bad-pause", one_step(sand()), |_, good| {
            let end = if good { "12:00" } else { "11:59" };
            let last = if good { "16:00" } else { "16:01" };
            vec![place_pieces((0, 0), 0, &[(mon("10:00"), mon(end)), (mon("13:00"), mon(last))])]
        }),
        case("not-dividable", one_step(step("sand", 120)), |s, good| match good {
            true => vec![place(s, (0, 0), 0, mon("8:00"))],
            false => vec![place_pieces((0, 0), 0, &[(mon("11:00"), mon("12:00")), (mon("13:00"), mon("14:00"))])],
        }),
        case("beyond-horizon", short_horizon(), |s, good| {
            vec![place(s, (0, 0), 0, if good { mon("9:00") } else { day(1, "9:00") })]
        }),
    ]
}

pub fn one_place_cases() -> Vec<Case> {
    let two_rooms = || with_jobs(vec![(vec![step("sand", 60)], vec![]), (vec![in_parlour(step("edge", 60))], vec![])]);
    let two_houses = || {
        let mut situation = two_rooms();
        situation.jobs[1].house.0 = 1;
        situation
    };
    let closed_at_noon = || {
        let mut situation = two_houses();
        situation.jobs[0] = job("job-0", 0, vec![Step { dividable: true, ..step("sand", 180) }], vec![]);
        situation.crews[0].calendar = hours(0..5, &[("8:00", "17:00")]);
        situation.houses[0].access = hours(0..7, &[("8:00", "12:00"), ("14:00", "18:00")]);
        situation
    };
    vec![
        case("double-booked", two_rooms(), |s, good| {
            let second = mon(if good { "9:00" } else { "8:59" });
            vec![place(s, (0, 0), 0, mon("8:00")), place(s, (1, 0), 0, second)]
        }),
        case("work-during-pause", closed_at_noon(), |s, good| {
            let sand = place_pieces((0, 0), 0, &[(mon("10:00"), mon("12:00")), (mon("14:00"), mon("15:00"))]);
            vec![sand, place(s, (1, 0), 0, mon(if good { "15:30" } else { "12:30" }))]
        }),
        case("too-little-travel", two_houses(), |s, good| {
            let second = mon(if good { "9:30" } else { "9:29" });
            vec![place(s, (0, 0), 0, mon("8:00")), place(s, (1, 0), 0, second)]
        }),
    ]
}

/// 120 person-minutes for two.
fn two_hours() -> Step {
    Step { work: Work::Shared { person_minutes: 120, people_max: 2 }, ..step("sand", 1) }
}

/// Ann, two people, are one from ten to noon.
fn short_from_ten(step: Step) -> Situation {
    let mut situation = one_step(step);
    situation.crews[0].short_handed = vec![(span(mon("10:00"), mon("12:00")), 1)];
    situation
}

/// Ann left with 30 minutes to go; Ben is alone.
fn paused() -> Situation {
    let outcome = Outcome::Paused { remaining_minutes: 30, people: 2 };
    let attempts = vec![attempt(0, mon("5:00"), mon("5:30"), outcome)];
    let mut situation = one_step(Step { attempts, dividable: true, ..two_hours() });
    situation.crews[1].head_count = 1;
    situation
}

pub fn able_cases() -> Vec<Case> {
    let skilled = || {
        let mut situation = one_step(Step { skills: SkillSet::default().with(1), ..step("coat", 60) });
        situation.crews[0].skills = SkillSet::default().with(0).with(1);
        situation.crews[1].skills = SkillSet::default().with(0);
        situation
    };
    let heavy = || {
        let mut situation = one_step(Step { head_count_min: 2, ..step("carry", 60) });
        situation.crews[1].head_count = 1;
        situation
    };
    let shared = Work::Shared { person_minutes: 181, people_max: 3 };
    let by_crew = |s: &Situation, good: bool| vec![place(s, (0, 0), if good { 0 } else { 1 }, mon("8:00"))];
    vec![
        case("skill-missing", skilled(), by_crew),
        case("too-few-people", heavy(), by_crew),
        case("wrong-duration", one_step(Step { work: shared, ..step("sand", 1) }), |_, good| {
            vec![place_pieces((0, 0), 0, &[(mon("8:00"), mon(if good { "9:31" } else { "9:30" }))])]
        }),
        // One of two leaves at ten: alone it takes twice as long, and what takes two is not done.
        case("people-change", short_from_ten(two_hours()), |_, good| {
            let start = if good { "9:00" } else { "9:01" };
            vec![place_pieces((0, 0), 0, &[(mon(start), mon(start).plus(60))])]
        }),
        case("wrong-duration", short_from_ten(two_hours()), |_, good| {
            vec![place_pieces((0, 0), 0, &[(mon("10:00"), mon(if good { "12:00" } else { "11:00" }))])]
        }),
        case("too-few-people", short_from_ten(Step { head_count_min: 2, ..step("carry", 60) }), |s, good| {
            vec![place(s, (0, 0), 0, mon(if good { "9:00" } else { "10:00" }))]
        }),
        // The length is the same with one or two: nobody minds.
        case("too-few-people", short_from_ten(Step { head_count_min: 2, ..step("carry", 60) }), |s, good| {
            let fits = place_pieces((0, 0), 0, &[(mon("9:00"), mon("10:00"))]);
            if good { vec![fits] } else { vec![place(s, (0, 0), 0, mon("9:01"))] }
        }),
        case("wrong-duration", short_from_ten(step("read", 60)), |_, good| {
            vec![place_pieces((0, 0), 0, &[(mon("9:30"), mon(if good { "10:30" } else { "10:29" }))])]
        }),
        // A divided step rests while there are too few people for its length, and the crew goes on when there are enough.
        case("bad-pause", short_from_ten(Step { dividable: true, ..two_hours() }), |_, good| {
            let second = if good { (mon("13:00"), mon("13:30")) } else { (mon("13:30"), mon("14:00")) };
            vec![place_pieces((0, 0), 0, &[(mon("9:30"), mon("10:00")), second])]
        }),
        // What is left of a paused step: 30 minutes of two people are 60 of one.
        case("wrong-duration", paused(), |_, good| {
            vec![place_pieces((0, 0), 1, &[(mon("8:00"), mon(if good { "9:00" } else { "8:30" }))])]
        }),
    ]
}

pub fn wait_minimum_cases() -> Vec<Case> {
    let dried = || {
        let wait = Wait { film: Some(Film::OilModified), ..lag(0, 1, 60) };
        let mut situation = two_steps(step("seal", 60), step("coat", 60), wait);
        // 2^((21.11 - 18) / 10) = 1.2405..., so 60 label minutes take 75.
        situation.regions = vec![weather(mon("0:00"), 48, |_| (1800, 4000))];
        situation.houses[0].region = Some(RegionIx(0));
        situation.houses[0].air = HouseAir::Open { heated_to_centi_c: None };
        situation
    };
    let after = |first: Minute, good: Minute, bad: Minute| {
        move |s: &Situation, is_good: bool| {
            vec![place(s, (0, 0), 0, first), place(s, (0, 1), 0, if is_good { good } else { bad })]
        }
    };
    let overnight = Wait { overnight: true, ..lag(0, 1, 0) };
    vec![
        case(
            "wait-too-short",
            two_steps(step("seal", 60), step("coat", 60), lag(0, 1, 120)),
            after(mon("8:00"), mon("11:00"), mon("10:59")),
        ),
        case("wait-too-short", dried(), after(mon("8:00"), mon("10:15"), mon("10:14"))),
        case(
            "same-day",
            two_steps(step("seal", 60), step("coat", 60), overnight),
            after(mon("8:00"), day(1, "8:00"), mon("16:00")),
        ),
        case(
            "dwell-too-short",
            two_steps(step("treat-a", 60), step("treat-b", 60), dwell(0, 1, 10, 15)),
            after(mon("8:00"), mon("8:10"), mon("8:09")),
        ),
        // Start to start fits, but the second part is so short that it ends on a wet first part.
        case(
            "dwell-too-short",
            two_steps(step("treat-a", 60), step("treat-b", 55), dwell(0, 1, 10, 15)),
            after(mon("8:00"), mon("8:15"), mon("8:14")),
        ),
    ]
}

pub fn wait_maximum_cases() -> Vec<Case> {
    let with_max = |max| two_steps(step("seal", 60), step("coat", 60), Wait { max, ..lag(0, 1, 120) });
    let lapsing = || {
        let abrade = Step { only_on_lapse: true, ..step("abrade", 30) };
        let wait = Wait { max: lapses(240, 2), ..lag(0, 1, 120) };
        with_jobs(vec![(vec![step("seal", 60), step("coat", 60), abrade], vec![wait])])
    };
    let treat = || two_steps(step("treat-a", 60), step("treat-b", 60), dwell(0, 1, 10, 15));
    let seal = |s: &Situation| place(s, (0, 0), 0, mon("8:00"));
    vec![
        case("wait-too-long", with_max(at_most(240)), |s, good| {
            vec![seal(s), place(s, (0, 1), 0, mon(if good { "13:00" } else { "13:01" }))]
        }),
        case("dwell-too-long", treat(), |s, good| {
            vec![seal(s), place(s, (0, 1), 0, mon(if good { "8:15" } else { "8:16" }))]
        }),
        case("dwell-two-crews", treat(), |s, good| {
            vec![seal(s), place(s, (0, 1), if good { 0 } else { 1 }, mon("8:12"))]
        }),
        case("lapse-without-extra", lapsing(), |s, good| {
            vec![seal(s), place(s, (0, 1), 0, mon(if good { "13:00" } else { "13:01" }))]
        }),
        case("extra-without-lapse", lapsing(), |s, good| {
            let coat = place(s, (0, 1), 0, mon(if good { "14:00" } else { "13:00" }));
            vec![seal(s), coat, place(s, (0, 2), 0, mon("11:00"))]
        }),
        case("extra-out-of-place", lapsing(), |s, good| {
            let abrade = place(s, (0, 2), 0, mon(if good { "11:00" } else { "10:59" }));
            vec![seal(s), place(s, (0, 1), 0, mon("14:00")), abrade]
        }),
        case("extra-out-of-place", lapsing(), |s, good| {
            let abrade = place(s, (0, 2), 1, mon(if good { "13:30" } else { "15:00" }));
            vec![seal(s), place(s, (0, 1), 0, mon("14:00")), abrade]
        }),
    ]
}
