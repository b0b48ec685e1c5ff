//! The audit across clock changes, midnights and zones, and its drying against the trade's own table.

use crate::common::world::*;
use proptest::prelude::*;
use tackfree::audit::{InHouse, Shift, Violation, WaitMinimum, audit};
use tackfree::domain::chain::{Step, Wait};
use tackfree::domain::climate::{Film, HouseAir};
use tackfree::domain::ids::RegionIx;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::trade::climate::HourlyClimate;
use tackfree::trade::house::house_climate;
use tackfree::trade::ready::DryingTable;

fn ny(text: &str) -> Minute {
    at(new_york(), text)
}

fn codes(situation: &Situation, plan: &tackfree::domain::plan::Plan) -> Vec<&'static str> {
    audit(situation, plan).violations.iter().map(Violation::code).collect()
}

/// Nights from 22:00 to 06:00 all week, in two windows that meet at midnight.
fn night_crew(now: Minute, minutes: i64) -> Situation {
    let mut situation = situation(now);
    situation.crews[0].calendar = hours(0..7, &[("0:00", "6:00"), ("22:00", "24:00")]);
    situation.jobs = vec![job("night", 0, vec![step("sand", minutes)], vec![])];
    situation
}

/// A night shift is seven hours long when clocks jump forward in it, and nine when they go back.
#[test]
fn night_shifts_are_as_long_as_the_night() {
    let nights = [
        ("2026-03-01 12:00", "2026-03-01 22:00", 8),
        ("2026-03-07 12:00", "2026-03-07 22:00", 7),
        ("2026-10-31 12:00", "2026-10-31 22:00", 9),
    ];
    for (now, start, hours) in nights {
        for (minutes, expected) in [(hours * 60, vec![]), (hours * 60 + 1, vec!["outside-workable-time"])] {
            let situation = night_crew(ny(now), minutes);
            let plan = plan(&situation, vec![place(&situation, (0, 0), 0, ny(start))]);
            assert_eq!(codes(&situation, &plan), expected, "{start}, {minutes} minutes");
        }
    }
}

/// A wait runs by elapsed time: Saturday 17:00 and 16 hours is Sunday 10:00 when clocks jump in the night.
#[test]
fn waits_are_elapsed_time() {
    let mut situation = situation(ny("2026-03-07 12:00"));
    situation.crews[0].calendar = hours(0..7, &[("8:00", "18:00")]);
    situation.jobs = vec![job("main", 0, vec![step("coat", 60), step("walk", 60)], vec![lag(0, 1, 16 * 60)])];
    let coat = place(&situation, (0, 0), 0, ny("2026-03-07 16:00"));
    for (start, expected) in [("2026-03-08 10:00", vec![]), ("2026-03-08 09:59", vec!["wait-too-short"])] {
        let plan = plan(&situation, vec![coat.clone(), place(&situation, (0, 1), 0, ny(start))]);
        assert_eq!(codes(&situation, &plan), expected);
    }
}

/// Overnight ends at midnight on the house's wall, 23 hours after the last one if need be.
#[test]
fn overnight_ends_at_the_houses_midnight() {
    let denver = zone("America/Denver");
    let mut situation = night_crew(ny("2026-03-07 12:00"), 60);
    situation.houses[0].zone = denver;
    let overnight = Wait { overnight: true, ..lag(0, 1, 0) };
    situation.jobs = vec![job("main", 0, vec![step("seal", 60), step("coat", 60)], vec![overnight])];
    let seal = place(&situation, (0, 0), 0, ny("2026-03-07 22:00"));
    for (start, expected) in [("2026-03-08 00:00", vec![]), ("2026-03-07 23:59", vec!["same-day"])] {
        let plan = plan(&situation, vec![seal.clone(), place(&situation, (0, 1), 0, at(denver, start))]);
        assert_eq!(codes(&situation, &plan), expected, "{start} in Denver");
    }
    // Finished exactly at midnight, a step belongs to the day that begins.
    let late = place(&situation, (0, 0), 0, at(denver, "2026-03-07 23:00"));
    let plan = plan(&situation, vec![late, place(&situation, (0, 1), 0, at(denver, "2026-03-08 01:00"))]);
    assert_eq!(codes(&situation, &plan), ["same-day"]);
}

/// A crew's calendar follows its own zone, a house's access hours the house's.
#[test]
fn calendars_follow_their_own_zones() {
    let mut situation = situation(ny("2026-03-02 06:00"));
    situation.houses[0].zone = zone("America/Los_Angeles");
    situation.houses[0].access = hours(0..7, &[("8:00", "18:00")]);
    situation.jobs = vec![job("main", 0, vec![step("sand", 60)], vec![])];
    let starting = |text: &str| plan(&situation, vec![place(&situation, (0, 0), 0, ny(text))]);
    assert!(audit(&situation, &starting("2026-03-02 11:00")).is_clean());
    let early = audit(&situation, &starting("2026-03-02 10:59")).violations;
    assert!(matches!(early[..], [Violation::InHouse(_, InHouse::HouseClosed { .. })]), "{early:?}");
    let late = audit(&situation, &starting("2026-03-02 17:00")).violations;
    assert!(matches!(late[..], [Violation::Shift(_, Shift::OutsideWorkableTime { .. })]), "{late:?}");
}

/// An absence inside a piece breaks the shift, and the pause of a step that may pause begins where it does.
#[test]
fn absences_cut_working_time() {
    let mut situation = situation(ny("2026-03-02 06:00"));
    situation.jobs = vec![job("main", 0, vec![Step { dividable: true, ..step("sand", 180) }], vec![])];
    let nine_to_ten = span(ny("2026-03-02 09:00"), ny("2026-03-02 10:00"));
    situation.crews[0].absences = vec![nine_to_ten];
    let eight = ny("2026-03-02 08:00");
    let through = plan(&situation, vec![place(&situation, (0, 0), 0, eight)]);
    assert_eq!(codes(&situation, &through), ["outside-workable-time"]);
    let pieces = [(eight, nine_to_ten.start()), (nine_to_ten.end(), ny("2026-03-02 12:00"))];
    let around = plan(&situation, vec![place_pieces((0, 0), 0, &pieces)]);
    assert_eq!(codes(&situation, &around), [""; 0]);
}

fn drying(temp_rh: &[(i32, i32)], air: HouseAir, film: Film, label_minutes: i64) -> Situation {
    let mut situation = situation(ny("2026-03-06 06:00"));
    situation.crews[0].calendar = hours(0..7, &[("0:00", "24:00")]);
    let wait = Wait { film: Some(film), ..lag(0, 1, label_minutes) };
    situation.jobs = vec![job("main", 0, vec![step("coat", 60), step("walk", 1)], vec![wait])];
    situation.houses[0].air = air;
    situation.houses[0].region = Some(RegionIx(0));
    let count = temp_rh.len() as i64;
    situation.regions = vec![weather(situation.now, count, |hour| temp_rh[hour as usize])];
    situation
}

/// In saturated air a coat never dries, and the audit says so.
#[test]
fn what_never_dries_is_never_ready() {
    let humid = [(2_000, 9_900); 24];
    let situation = drying(&humid, HouseAir::Open { heated_to_centi_c: None }, Film::Waterborne, 60);
    let walk = place(&situation, (0, 1), 0, ny("2026-03-30 06:00"));
    let plan = plan(&situation, vec![place(&situation, (0, 0), 0, situation.now), walk]);
    let found = audit(&situation, &plan).violations;
    let never =
        |found: &Violation| matches!(found, Violation::WaitMinimum(_, WaitMinimum::WaitTooShort { ready: None, .. }));
    assert!(found.len() == 1 && never(&found[0]), "{found:?}");
    assert!(found[0].explain(&situation).contains("after the horizon"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Two ways of adding up the same minutes: the audit's walk and the trade's table agree on the minute.
    #[test]
    fn drying_agrees_with_the_trades_table(
        temp_rh in prop::collection::vec((800..2_600, 3_000..8_800), 24..96),
        heated in prop::option::of(1_500..2_300),
        film in prop::sample::select(Film::ALL.to_vec()),
        label_minutes in 0_i64..2_000,
        starts_after in 0_i64..600,
        normal in prop::option::of((800..2_600, 3_000..25_000)),
    ) {
        let air = HouseAir::Open { heated_to_centi_c: heated };
        let mut situation = drying(&temp_rh, air, film, label_minutes);
        situation.regions[0].normals = normal.map(|(temp, vapour)| usual(temp, vapour));
        let start = situation.now.plus(starts_after);
        let climate = HourlyClimate::of_region(&situation.regions[0]).unwrap();
        let house = house_climate(&climate, air);
        let horizon = situation.horizon();
        let table = DryingTable::new(&house, film, horizon.start(), horizon.end());
        let coat = place(&situation, (0, 0), 0, start);
        let starting = |walk: Minute| {
            codes(&situation, &plan(&situation, vec![coat.clone(), place(&situation, (0, 1), 0, walk)]))
        };
        match table.ready_at(coat.finish(), label_minutes) {
            Some(ready) if ready.plus(1) <= horizon.end() => {
                prop_assert_eq!(starting(ready), [""; 0]);
                if label_minutes > 0 {
                    prop_assert_eq!(starting(ready.plus(-1)), ["wait-too-short"]);
                }
            }
            _ => prop_assert_eq!(starting(horizon.end().plus(-1)), ["wait-too-short"]),
        }
    }
}

/// As many houses as that, each with a crew of its own that coats it and walks through it at the same time.
fn houses_walked_while_coated(count: u32) -> (Situation, tackfree::domain::plan::Plan) {
    let mut situation = situation(ny("2026-03-09 06:00"));
    let (one_house, one_crew) = (situation.houses[0].clone(), situation.crews[0].clone());
    situation.houses = vec![one_house; count as usize];
    situation.crews = vec![one_crew; count as usize];
    let own = |house| job("main", house, vec![step("coat", 60), step("walk", 60)], vec![lag(0, 1, 600)]);
    situation.jobs = (0..count).map(own).collect();
    let start = ny("2026-03-09 10:00");
    let places = (0..count).flat_map(|own| [(own, 0), (own, 1)]);
    let places = places.map(|step| place(&situation, step, step.0, start));
    let plan = plan(&situation, places.collect());
    (situation, plan)
}

/// From 5,000 placements on two threads share the work; what crews do wrong and what houses suffer is all there, once for each, and
/// in the same order.
#[test]
fn thousands_of_placements_are_judged_as_two_are() {
    let few = houses_walked_while_coated(1);
    let found = codes(&few.0, &few.1);
    assert_eq!(found, ["double-booked", "area-shared", "before-predecessor"], "of the crew, and of the house");
    let many = houses_walked_while_coated(2_600);
    let mut expected: Vec<&str> = found.iter().flat_map(|code| std::iter::repeat_n(*code, 2_600)).collect();
    let judged = audit(&many.0, &many.1);
    assert!(judged.violations.is_sorted_by_key(Violation::rule));
    let mut all: Vec<&str> = judged.violations.iter().map(Violation::code).collect();
    all.sort_unstable();
    expected.sort_unstable();
    assert_eq!(all, expected);
    assert_eq!(judged.cost.total(), 2_600 * audit(&few.0, &few.1).cost.total());
}
