//! Bad plans for the rules about houses, gear, air, history, order and the plan as a whole (6 to 11).

use super::{Case, case, day, in_parlour, mon, one_step, spoilt, two_steps, with_jobs};
use crate::common::world::*;
use tackfree::domain::chain::{Outcome, Pin, Step, Wait};
use tackfree::domain::climate::{Gate, HouseAir};
use tackfree::domain::ids::{CrewIx, EquipmentIx, RegionIx, StepIx};
use tackfree::domain::plan::{Blocker, Cause, Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;

pub fn house_cases() -> Vec<Case> {
    let open_late = || {
        let mut situation = one_step(step("sand", 60));
        situation.houses[0].access = hours(0..7, &[("9:00", "18:00")]);
        situation
    };
    let closed_until_nine = || {
        let mut situation = one_step(step("sand", 60));
        situation.houses[0].closures = vec![span(mon("0:00"), mon("8:30")), span(mon("8:00"), mon("9:00"))];
        situation
    };
    let one_room = || with_jobs(vec![(vec![step("sand", 60)], vec![]), (vec![step("edge", 60)], vec![])]);
    let wet = || {
        let keep_off = Wait { keep_off: true, ..lag(0, 1, 120) };
        let coat = vec![step("coat", 60), step("walk-through", 60)];
        with_jobs(vec![(coat, vec![keep_off]), (vec![step("edge", 60)], vec![])])
    };
    let wet_run = || {
        let mut situation = wet();
        let treat = vec![step("treat-a", 60), step("treat-b", 60), step("seal", 60)];
        let keep_off = Wait { keep_off: true, ..lag(0, 2, 10) };
        situation.jobs[0] = job("job-0", 0, treat, vec![dwell(0, 1, 10, 80), keep_off]);
        situation.crews[0].calendar = hours(0..5, &[("8:00", "17:00")]);
        situation.jobs.truncate(1);
        situation
    };
    vec![
        case("house-closed", open_late(), |s, good| vec![place(s, (0, 0), 0, mon(if good { "9:00" } else { "8:59" }))]),
        case("house-closed", closed_until_nine(), |s, good| {
            vec![place(s, (0, 0), 0, mon(if good { "9:00" } else { "8:59" }))]
        }),
        case("area-shared", one_room(), |s, good| {
            let second = mon(if good { "9:00" } else { "8:59" });
            vec![place(s, (0, 0), 0, mon("8:00")), place(s, (1, 0), 1, second)]
        }),
        case("keep-off", wet(), |s, good| {
            let edge = place(s, (1, 0), 1, mon(if good { "11:00" } else { "10:59" }));
            vec![place(s, (0, 0), 0, mon("8:00")), place(s, (0, 1), 0, mon("13:00")), edge]
        }),
        // The second part of a run is no exception to the first one's wet floor.
        case("keep-off", wet_run(), |s, good| {
            let second = place(s, (0, 1), 0, mon(if good { "9:10" } else { "9:09" }));
            vec![place(s, (0, 0), 0, mon("8:00")), second, place(s, (0, 2), 0, mon("11:00"))]
        }),
    ]
}

/// Two jobs in two houses with that step; there are two of everything, and one of the kind is broken from ten to noon.
fn broken(kind: usize, step: Step) -> Situation {
    let mut situation = with_jobs(vec![(vec![step.clone()], vec![]), (vec![step], vec![])]);
    situation.jobs[1].house.0 = 1;
    situation.equipment[kind].units = 2;
    situation.equipment[kind].outages = vec![(span(mon("10:00"), mon("12:00")), 1)];
    situation
}

fn edger(text: &str) -> Step {
    Step { equipment: vec![(EquipmentIx(1), 1)], ..step(text, 60) }
}

/// An hour each with an edger each, from a minute past nine or ten and from `second` on.
fn in_two_crews(s: &Situation, second: &str) -> Vec<Placement> {
    let from = if second.starts_with('9') { "9:01" } else { "10:00" };
    let first = with_units(place(s, (0, 0), 0, mon(from)), &[(1, 0)]);
    vec![first, with_units(place(s, (1, 0), 1, mon(second)), &[(1, 1)])]
}

pub fn gear_cases() -> Vec<Case> {
    let drum = |text: &str| Step { equipment: vec![(EquipmentIx(0), 1)], ..step(text, 60) };
    let two_edgers = Step { equipment: vec![(EquipmentIx(1), 2)], ..step("edge", 60) };
    let two_houses = move || {
        let mut situation = with_jobs(vec![(vec![drum("sand")], vec![]), (vec![drum("sand")], vec![])]);
        situation.jobs[1].house.0 = 1;
        situation
    };
    let second_at = |good: &'static str, bad: &'static str| {
        move |s: &Situation, is_good: bool| {
            let second = place(s, (1, 0), 1, mon(if is_good { good } else { bad }));
            vec![with_units(place(s, (0, 0), 0, mon("8:00")), &[(0, 0)]), with_units(second, &[(0, 0)])]
        }
    };
    vec![
        case("wrong-units", one_step(drum("sand")), |s, good| {
            vec![with_units(place(s, (0, 0), 0, mon("8:00")), if good { &[(0, 0)] } else { &[] })]
        }),
        case("wrong-units", one_step(drum("sand")), |s, good| {
            let units: &[(u16, u32)] = if good { &[(0, 0)] } else { &[(0, 0), (1, 1)] };
            vec![with_units(place(s, (0, 0), 0, mon("8:00")), units)]
        }),
        // Two edgers are two different ones.
        case("wrong-units", one_step(two_edgers), |s, good| {
            let units: &[(u16, u32)] = if good { &[(1, 0), (1, 1)] } else { &[(1, 0), (1, 0)] };
            vec![with_units(place(s, (0, 0), 0, mon("8:00")), units)]
        }),
        // Nor is one listed twice where one is needed.
        case("wrong-units", one_step(drum("sand")), |s, good| {
            let units: &[(u16, u32)] = if good { &[(0, 0)] } else { &[(0, 0), (0, 0)] };
            vec![with_units(place(s, (0, 0), 0, mon("8:00")), units)]
        }),
        case("unit-doubled", two_houses(), second_at("9:30", "8:30")),
        case("unit-too-fast", two_houses(), second_at("9:30", "9:29")),
        // Of two drums the one with the higher number is broken from ten on.
        case("unit-out", broken(0, drum("sand")), |s, good| {
            let unit = if good { (0, 0) } else { (0, 1) };
            vec![with_units(place(s, (0, 0), 0, mon("9:30")), &[unit])]
        }),
        case("unit-out", broken(0, drum("sand")), |s, good| {
            vec![with_units(place(s, (0, 0), 0, mon(if good { "9:00" } else { "9:01" })), &[(0, 1)])]
        }),
        // Of edgers, which ride along, it is their number that counts, not which.
        case("too-few-left", broken(1, edger("edge")), |s, good| in_two_crews(s, if good { "9:00" } else { "9:01" })),
        case("too-few-left", broken(1, edger("edge")), |s, good| in_two_crews(s, if good { "11:00" } else { "10:59" })),
    ]
}

pub fn climate_cases() -> Vec<Case> {
    let gate = Gate {
        temp_min_centi_c: 1_000,
        temp_max_centi_c: 3_000,
        rh_min_centi_percent: 2_000,
        rh_max_centi_percent: 8_000,
        dew_point_margin_min_centi_c: 300,
        hold_after_minutes: 60,
    };
    let cold_from_noon = || {
        let mut situation = one_step(Step { gate: Some(gate), ..step("coat", 60) });
        situation.regions = vec![weather(mon("0:00"), 48, |hour| (if hour < 12 { 2_000 } else { 500 }, 5_000))];
        situation.houses[0].region = Some(RegionIx(0));
        situation.houses[0].air = HouseAir::Open { heated_to_centi_c: None };
        situation
    };
    vec![case("gate-shut", cold_from_noon(), |s, good| {
        vec![place(s, (0, 0), 0, mon(if good { "10:00" } else { "10:01" }))]
    })]
}

pub fn history_cases() -> Vec<Case> {
    let tried = |outcome| {
        let attempts = vec![attempt(0, mon("5:00"), mon("9:00"), outcome)];
        one_step(Step { attempts, ..step("sand", 60) })
    };
    let pinned = |pin| one_step(Step { pin, ..step("sand", 60) });
    let promised = || {
        let mut situation = one_step(step("sand", 60));
        situation.published = vec![place(&situation, (0, 0), 0, mon("9:00"))];
        situation
    };
    let nine = |s: &Situation| vec![place(s, (0, 0), 0, mon("9:00"))];
    vec![
        spoilt(
            "history-moved",
            tried(Outcome::Running),
            |_| vec![],
            |plan| plan.placements[0].pieces = vec![span(mon("5:00"), mon("8:59"))],
        ),
        spoilt("history-moved", tried(Outcome::Done), |_| vec![], |plan| plan.placements[0].crew = CrewIx(1)),
        spoilt(
            "history-holds-gear",
            tried(Outcome::Done),
            |_| vec![],
            |plan| plan.placements[0] = with_units(plan.placements[0].clone(), &[(0, 0)]),
        ),
        case("pin-broken", pinned(Pin { start: Some(mon("9:00")), ..Pin::default() }), |s, good| {
            vec![place(s, (0, 0), 0, mon(if good { "9:00" } else { "9:01" }))]
        }),
        case("pin-broken", pinned(Pin { crew: Some(CrewIx(1)), ..Pin::default() }), |s, good| {
            vec![place(s, (0, 0), u32::from(good), mon("9:00"))]
        }),
        case("pin-broken", pinned(Pin { day: Some(new_york().date(day(1, "12:00"))), ..Pin::default() }), |s, good| {
            vec![place(s, (0, 0), 0, day(i64::from(good), "9:00"))]
        }),
        case("frozen-moved", promised(), |s, good| vec![place(s, (0, 0), 0, mon(if good { "9:00" } else { "9:01" }))]),
        spoilt("false-cause", promised(), nine, |plan| {
            plan.placements[0].pieces = vec![span(mon("10:00"), mon("11:00"))];
            plan.placements[0].moved_because = Some(Cause::CrewAway);
        }),
        spoilt("cause-without-move", promised(), nine, |plan| {
            plan.placements[0].moved_because = Some(Cause::CrewAway);
        }),
    ]
}

/// With 20 minutes to go. Reports may be a little ahead.
fn left_at_nine() -> Step {
    let outcome = Outcome::Paused { remaining_minutes: 20, people: 2 };
    let attempts = vec![attempt(0, mon("5:00"), mon("9:00"), outcome)];
    Step { attempts, dividable: true, ..step("sand", 60) }
}

pub fn order_cases() -> Vec<Case> {
    let nine_or_earlier =
        |s: &Situation, good: bool| vec![place(s, (0, 0), 0, mon(if good { "9:00" } else { "8:59" }))];
    let late_now = || Situation { now: mon("9:00"), ..one_step(step("sand", 60)) };
    let released = || {
        let mut situation = one_step(step("sand", 60));
        situation.jobs[0].release = mon("9:00");
        situation
    };
    let pin = Pin { not_before: Some(mon("9:00")), ..Pin::default() };
    let failed = |finish: Minute| Step {
        recheck_after_minutes: Some(120),
        attempts: vec![attempt(0, finish.plus(-30), finish, Outcome::Failed)],
        ..step("check", 60)
    };
    let failed_with_seal_done = || {
        let seal = Step { attempts: vec![attempt(0, mon("3:00"), mon("4:00"), Outcome::Done)], ..step("seal", 60) };
        let chain = vec![failed(mon("5:00")), seal, in_parlour(step("coat", 60))];
        with_jobs(vec![(chain, vec![lag(0, 1, 0), lag(1, 2, 0)])])
    };
    let failed_before_seal = || two_steps(failed(mon("5:00")), step("seal", 60), lag(0, 1, 0));
    vec![
        case("before-now", late_now(), nine_or_earlier),
        case("before-release", released(), nine_or_earlier),
        case("before-pin", one_step(Step { pin, ..step("sand", 60) }), nine_or_earlier),
        case("before-recheck", one_step(failed(mon("7:00"))), nine_or_earlier),
        case("before-recheck", one_step(left_at_nine()), |_, good| {
            let start = if good { "9:00" } else { "8:59" };
            vec![place_pieces((0, 0), 0, &[(mon(start), mon(start).plus(20))])]
        }),
        case(
            "before-predecessor",
            two_steps(step("sand", 60), in_parlour(step("edge", 60)), lag(0, 1, 0)),
            |s, good| {
                let edge = place(s, (0, 1), 1, mon(if good { "9:00" } else { "8:59" }));
                vec![place(s, (0, 0), 0, mon("8:00")), edge]
            },
        ),
        case("predecessor-missing", two_steps(step("sand", 60), step("edge", 60), lag(0, 1, 0)), |s, good| {
            if good { vec![] } else { vec![place(s, (0, 1), 0, mon("8:00"))] }
        }),
        case("after-failed-check", failed_with_seal_done(), |s, good| {
            let coat = place(s, (0, 2), 0, mon("13:00"));
            if good { vec![place(s, (0, 0), 0, mon("8:00")), coat] } else { vec![coat] }
        }),
        // A direct follower of a check that is not tried again: one code, and not a missing predecessor besides.
        case("after-failed-check", failed_before_seal(), |s, good| {
            let seal = place(s, (0, 1), 0, mon("13:00"));
            if good { vec![place(s, (0, 0), 0, mon("8:00")), seal] } else { vec![seal] }
        }),
        case("after-failed-check", failed_with_seal_done(), |s, good| {
            let coat = place(s, (0, 2), 1, mon(if good { "9:00" } else { "8:00" }));
            vec![place(s, (0, 0), 0, mon("8:00")), coat]
        }),
    ]
}

pub fn whole_cases() -> Vec<Case> {
    let two = || with_jobs(vec![(vec![step("sand", 60), in_parlour(step("edge", 60))], vec![])]);
    let placed = |s: &Situation| vec![place(s, (0, 0), 0, mon("8:00")), place(s, (0, 1), 0, mon("9:00"))];
    let half = |s: &Situation| vec![place(s, (0, 0), 0, mon("8:00"))];
    let begun = || {
        let attempts = vec![attempt(0, mon("5:00"), mon("9:00"), Outcome::Running)];
        one_step(Step { attempts, ..step("sand", 60) })
    };
    let lapsing = || {
        let abrade = Step { only_on_lapse: true, ..step("abrade", 30) };
        let wait = Wait { max: lapses(240, 2), ..lag(0, 1, 0) };
        with_jobs(vec![(vec![step("seal", 60), step("coat", 60), abrade], vec![wait])])
    };
    vec![
        spoilt("placed-twice", two(), placed, |plan| plan.placements.insert(0, plan.placements[0].clone())),
        spoilt("listed-twice", two(), half, |plan| plan.unplaced.push(unplaced((0, 1)))),
        spoilt("missing", two(), half, |plan| plan.unplaced.clear()),
        spoilt("missing", begun(), |_| vec![], |plan| plan.placements.clear()),
        spoilt("listed-and-placed", two(), placed, |plan| plan.unplaced.push(unplaced((0, 1)))),
        spoilt("listed-needlessly", lapsing(), placed_both, |plan| plan.unplaced.push(unplaced((0, 2)))),
        spoilt("unknown-step", two(), placed, |plan| {
            plan.placements.push(place_pieces((7, 0), 0, &[(mon("8:00"), mon("9:00"))]));
        }),
        spoilt("unknown-step", two(), placed, |plan| plan.unplaced.push(unplaced((0, 9)))),
        spoilt("unsorted", two(), placed, |plan| plan.placements.swap(0, 1)),
        spoilt("unsorted", two(), |_| vec![], |plan| plan.unplaced.swap(0, 1)),
        spoilt("bad-index", two(), placed, |plan| plan.placements[0].crew = CrewIx(2)),
        spoilt("bad-index", two(), placed, |plan| {
            plan.placements[0] = with_units(plan.placements[0].clone(), &[(1, 2)]);
        }),
        spoilt("bad-index", two(), placed, |plan| {
            plan.placements[0] = with_units(plan.placements[0].clone(), &[(2, 0)]);
        }),
        spoilt("bad-index", two(), placed, |plan| {
            plan.placements[0].moved_because = Some(Cause::CrewBusyWith(step_ref(0, 2)));
        }),
        spoilt("bad-index", two(), half, |plan| {
            plan.unplaced[0].blocker = Blocker::PredecessorUnplaced(StepIx(2));
        }),
    ]
}

fn placed_both(s: &Situation) -> Vec<Placement> {
    vec![place(s, (0, 0), 0, mon("8:00")), place(s, (0, 1), 0, mon("9:00"))]
}

pub fn claim_cases() -> Vec<Case> {
    let made = |code, spoil: fn(&mut Plan)| {
        let situation = one_step(step("sand", 60));
        let good = plan(&situation, vec![place(&situation, (0, 0), 0, mon("9:00"))]);
        let mut bad = good.clone();
        spoil(&mut bad);
        Case { code, situation, good, bad }
    };
    vec![
        made("plan-for-another-instant", |plan| plan.now = plan.now.plus(1)),
        made("cost-wrong", |plan| plan.cost.finish += 1),
        made("lower-bound-above-cost", |plan| plan.lower_bound = plan.cost.total() + 1),
    ]
}
