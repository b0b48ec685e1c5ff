//! Each part of the cost against numbers worked out by hand from `docs/cost.md`.

use crate::common::world::*;
use tackfree::audit::audit;
use tackfree::domain::calendar::{Calendar, Pay};
use tackfree::domain::chain::{Outcome, Step, Wait};
use tackfree::domain::ids::AreaIx;
use tackfree::domain::plan::{Cause, Cost, Placement};
use tackfree::domain::resources::Location;
use tackfree::domain::situation::{CostWeights, Situation};
use tackfree::domain::time::Minute;

/// Days after Monday 2026-03-02 in New York.
fn day(after_monday: i64, clock_text: &str) -> Minute {
    at(new_york(), "2026-03-02 00:00").plus(after_monday * 1440 + i64::from(clock(clock_text)))
}

fn mon(clock_text: &str) -> Minute {
    day(0, clock_text)
}

/// All coefficients of parts that a test is not about are nothing.
fn free() -> CostWeights {
    CostWeights {
        unplaced_step: 0,
        late_minute: 0,
        finish_minute: 0,
        moved_step: 0,
        moved_minute: 0,
        changed_crew: 0,
        travel_minute: 0,
        overtime_minute: 0,
        hand_over: 0,
    }
}

/// Monday at six; one job of the given steps in Elm, that follow each other at once.
fn chain(steps: Vec<Step>, cost: CostWeights) -> Situation {
    let mut situation = situation(mon("6:00"));
    let waits = (1..steps.len() as u16).map(|to| lag(to - 1, to, 0)).collect();
    situation.jobs = vec![job("main", 0, steps, waits)];
    situation.jobs[0].release = situation.now;
    situation.settings.cost = cost;
    situation
}

fn counted(situation: &Situation, placements: Vec<Placement>) -> Cost {
    let plan = plan(situation, placements);
    let report = audit(situation, &plan);
    assert!(report.is_clean(), "{:?}", report.violations);
    report.cost
}

#[test]
fn unplaced_counts_ordinary_steps() {
    let situation = chain(vec![step("a", 60), step("b", 60)], CostWeights { unplaced_step: 7, ..free() });
    assert_eq!(counted(&situation, vec![]), Cost { unplaced: 14, ..Cost::default() });
    assert_eq!(counted(&situation, vec![place(&situation, (0, 0), 0, mon("8:00"))]).unplaced, 7);
}

/// Finished at 10:30 on Monday: 270 minutes after release, 90 after due.
#[test]
fn lateness_and_finish_are_weighted() {
    let weights = CostWeights { late_minute: 10, finish_minute: 1, ..free() };
    let mut situation = chain(vec![step("a", 60), step("b", 60)], weights);
    situation.jobs[0].weight = 3;
    situation.jobs[0].due = Some(mon("9:00"));
    let placed = vec![place(&situation, (0, 0), 0, mon("8:00")), place(&situation, (0, 1), 0, mon("9:30"))];
    let expected = Cost { lateness: 10 * 3 * 90, finish: 3 * 270, ..Cost::default() };
    assert_eq!(counted(&situation, placed.clone()), expected);
    situation.jobs[0].due = Some(mon("10:30"));
    assert_eq!(counted(&situation, placed.clone()).lateness, 0);
    situation.jobs[0].due = None;
    assert_eq!(counted(&situation, placed[..1].to_vec()), Cost::default(), "a job in part has no finish");
}

/// An extra step that comes last in time is part of the job's finish.
#[test]
fn the_finish_counts_whatever_is_placed() {
    let mut situation = chain(vec![step("a", 60)], CostWeights { finish_minute: 1, ..free() });
    let done = Step { attempts: vec![attempt(0, mon("1:00"), mon("2:00"), Outcome::Done)], ..step("seal", 60) };
    let running = attempt(1, mon("5:00"), mon("9:00"), Outcome::Running);
    let abrade = Step { only_on_lapse: true, attempts: vec![running], ..step("abrade", 60) };
    let coat = Step { attempts: vec![attempt(0, mon("2:30"), mon("3:00"), Outcome::Done)], ..step("coat", 60) };
    let wait = Wait { max: lapses(240, 2), ..lag(0, 1, 0) };
    situation.jobs[0].chain = tackfree::domain::chain::Chain::new(vec![done, coat, abrade], vec![wait]).unwrap();
    assert_eq!(counted(&situation, vec![]).finish, 180);
}

#[test]
fn broken_promises_count_by_how_soon() {
    let weights = CostWeights { moved_step: 600, moved_minute: 2, changed_crew: 50, ..free() };
    let mut situation = chain(vec![step("a", 60)], weights);
    situation.settings.freeze_minutes = 0;
    let to =
        |situation: &Situation, crew, start| counted(situation, vec![place(situation, (0, 0), crew, start)]).broken;
    // Promised start, and how much it counts: a day after six on Monday is six on Tuesday.
    for (after, clock_text, soon) in [(0, "8:00", 4), (1, "8:00", 2), (2, "16:00", 2), (3, "8:00", 1)] {
        let promised = day(after, clock_text);
        situation.published = vec![place(&situation, (0, 0), 0, promised)];
        assert_eq!(to(&situation, 0, promised), 0);
        assert_eq!(to(&situation, 1, promised), soon * 50);
        let earlier = promised.plus(if after == 0 { 60 } else { -24 * 60 });
        assert_eq!(to(&situation, 0, earlier), soon * (600 + 2 * promised.since(earlier).abs()), "{after}");
        assert_eq!(to(&situation, 1, earlier), soon * (650 + 2 * promised.since(earlier).abs()));
        assert_eq!(counted(&situation, vec![]).broken, soon * 600);
    }
    let past = Placement { pieces: vec![span(mon("5:00"), mon("6:00"))], ..situation.published[0].clone() };
    situation.published = vec![past];
    let late = Placement { moved_because: Some(Cause::StartPassed), ..place(&situation, (0, 0), 0, mon("8:00")) };
    assert_eq!(counted(&situation, vec![late]).broken, 4 * (600 + 2 * 180));
}

/// The border between four times and twice lies at 24 hours to the minute, the next at 72.
#[test]
fn soon_has_borders_to_the_minute() {
    let mut situation = chain(vec![step("a", 60)], CostWeights { moved_step: 1, ..free() });
    situation.settings.freeze_minutes = 0;
    for (minutes, soon) in [(-5, 4), (0, 4), (1439, 4), (1440, 2), (4319, 2), (4320, 1)] {
        let start = situation.now.plus(minutes);
        situation.published = vec![place_pieces((0, 0), 0, &[(start, start.plus(60))])];
        assert_eq!(counted(&situation, vec![]).broken, soon, "{minutes}");
    }
}

/// An extra step that was promised and is no longer needed breaks no promise.
#[test]
fn an_extra_step_may_vanish() {
    let mut situation = chain(vec![step("a", 60)], CostWeights { moved_step: 600, ..free() });
    let abrade = Step { only_on_lapse: true, ..step("abrade", 60) };
    let wait = Wait { max: lapses(240, 2), ..lag(0, 1, 0) };
    situation.jobs[0] = job("main", 0, vec![step("seal", 60), step("coat", 60), abrade], vec![wait]);
    situation.published = vec![place(&situation, (0, 2), 0, mon("14:00"))];
    assert_eq!(counted(&situation, vec![]).broken, 0);
}

/// Monday: home, Elm, Oak, Elm, home. Tuesday: home, Elm, home. Elm and Oak are 20 minutes apart, home is 111.195 km
/// from both at 60 km/h without detour and 5 minutes fixed: 117.
#[test]
fn travel_goes_out_and_back_each_day() {
    let mut situation = situation(mon("6:00"));
    situation.settings.cost = CostWeights { travel_minute: 1, ..free() };
    situation.settings.travel.fixed_minutes = 5;
    situation.settings.travel.speed_kmh = 60;
    situation.settings.travel.detour_percent = 100;
    let place_at = |latitude_e6| Some(Location { latitude_e6, longitude_e6: -74_000_000 });
    situation.houses[0].location = place_at(41_000_000);
    situation.houses[1].location = place_at(41_000_000);
    situation.known_ways.insert((tackfree::domain::ids::HouseIx(0), tackfree::domain::ids::HouseIx(1)), 20);
    situation.crews[0].home = place_at(40_000_000);
    let sand = Step { dividable: true, ..step("sand", 120) };
    situation.jobs = vec![
        job("one", 0, vec![step("a", 60), step("b", 60)], vec![lag(0, 1, 0)]),
        job("two", 1, vec![step("c", 60)], vec![]),
        job("three", 0, vec![Step { areas: vec![AreaIx(1)], ..sand }], vec![]),
    ];
    let placed = vec![
        place(&situation, (0, 0), 0, mon("8:00")),
        place(&situation, (1, 0), 0, mon("9:20")),
        place(&situation, (0, 1), 0, mon("11:00")),
        // Dividable work over the night: a call on each of the two days, in the same house.
        place_pieces((2, 0), 0, &[(mon("16:00"), mon("17:00")), (day(1, "8:00"), day(1, "9:00"))]),
    ];
    assert_eq!(counted(&situation, placed.clone()).travel, 117 + 20 + 20 + 117 + 117 + 117);
    situation.crews[0].home = None;
    assert_eq!(counted(&situation, placed).travel, 20 + 20, "no home base, no way to it");
}

/// A run counts once: its crew stays in the house, whatever lies between its steps. What happened counts as well.
#[test]
fn a_run_is_one_call_and_history_is_travelled_too() {
    let mut situation = situation(mon("6:00"));
    situation.settings.cost = CostWeights { travel_minute: 1, ..free() };
    let done = Step { attempts: vec![attempt(0, mon("1:00"), mon("2:00"), Outcome::Done)], ..step("a", 60) };
    situation.jobs = vec![
        job("one", 0, vec![step("treat-a", 30), step("treat-b", 30)], vec![dwell(0, 1, 10, 45)]),
        job("two", 1, vec![done], vec![]),
    ];
    let placed = vec![place(&situation, (0, 0), 0, mon("8:00")), place(&situation, (0, 1), 0, mon("8:45"))];
    assert_eq!(counted(&situation, placed).travel, 30);
}

/// Regular 8 to 12 and 13 to 17, overtime 17 to 19; the dwell of a run is paid as well.
#[test]
fn overtime_is_busy_time_outside_regular_hours() {
    let mut situation = chain(vec![step("a", 150)], CostWeights { overtime_minute: 1, ..free() });
    let mut week: [Vec<_>; 7] = Default::default();
    for day in week.iter_mut().take(5) {
        *day = vec![
            window("8:00", "12:00", Pay::Regular),
            window("13:00", "17:00", Pay::Regular),
            window("17:00", "19:00", Pay::Overtime),
        ];
    }
    situation.crews[0].calendar = Calendar::new(week, Default::default()).unwrap();
    for (start, overtime) in [("14:30", 0), ("16:00", 90), ("16:30", 120)] {
        assert_eq!(counted(&situation, vec![place(&situation, (0, 0), 0, mon(start))]).overtime, overtime, "{start}");
    }
    situation.jobs[0] = job("main", 0, vec![step("treat-a", 30), step("treat-b", 30)], vec![dwell(0, 1, 10, 45)]);
    let run = vec![place(&situation, (0, 0), 0, mon("16:45")), place(&situation, (0, 1), 0, mon("17:30"))];
    assert_eq!(counted(&situation, run).overtime, 60, "from 17:00 to 18:00, the dwell included");
}

/// What happened at whatever hour is not charged as overtime, running or done; what is open beside it is.
#[test]
fn overtime_of_what_happened_is_not_charged() {
    let done = Step { attempts: vec![attempt(0, mon("1:00"), mon("2:00"), Outcome::Done)], ..step("a", 60) };
    let running = Step { attempts: vec![attempt(1, mon("5:00"), mon("7:30"), Outcome::Running)], ..step("b", 60) };
    let weights = CostWeights { overtime_minute: 1, ..free() };
    let mut situation = chain(vec![done, running, step("c", 60)], weights);
    assert_eq!(counted(&situation, vec![]).overtime, 0);
    let early = vec![window("7:00", "8:00", Pay::Overtime), window("8:00", "12:00", Pay::Regular)];
    let week: [Vec<_>; 7] = std::array::from_fn(|_| early.clone());
    situation.crews[0].calendar = Calendar::new(week, Default::default()).unwrap();
    assert_eq!(counted(&situation, vec![place(&situation, (0, 2), 0, mon("7:30"))]).overtime, 30);
}

/// Ann, Ben, Ben, Ann: two changes. What happened counts as well.
#[test]
fn hand_overs_count_changes_of_crew_in_a_job() {
    let done = Step { attempts: vec![attempt(0, mon("1:00"), mon("2:00"), Outcome::Done)], ..step("a", 60) };
    let steps = vec![done, step("b", 60), step("c", 60), step("d", 60)];
    let situation = chain(steps, CostWeights { hand_over: 120, ..free() });
    let placed = vec![
        place(&situation, (0, 1), 1, mon("8:00")),
        place(&situation, (0, 2), 1, mon("9:00")),
        place(&situation, (0, 3), 0, mon("10:00")),
    ];
    assert_eq!(counted(&situation, placed).hand_overs, 240);
}

/// The default coefficients are those that the document prints.
#[test]
fn defaults_are_the_documents() {
    let text = include_str!("../../docs/cost.md");
    let weights = CostWeights::default();
    let printed = [
        ("`unplaced_step` (10,000,000)", weights.unplaced_step, 10_000_000),
        ("`late_minute` (10)", weights.late_minute, 10),
        ("`finish_minute` (1)", weights.finish_minute, 1),
        ("`moved_step` (600)", weights.moved_step, 600),
        ("`moved_minute` (2)", weights.moved_minute, 2),
        ("`changed_crew` (600)", weights.changed_crew, 600),
        ("`travel_minute` (3)", weights.travel_minute, 3),
        ("`overtime_minute` (4)", weights.overtime_minute, 4),
        ("`hand_over` (300)", weights.hand_over, 300),
    ];
    for (words, coefficient, value) in printed {
        assert!(text.contains(words), "{words}");
        assert_eq!(coefficient, value, "{words}");
    }
}
