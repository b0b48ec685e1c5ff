//! Check values of the section plan, and what it must refuse.

use super::*;
use crate::trade::sections::fit::{fits, largest};

fn plain(sqft_per_minute: i64, change_over_minutes: i64) -> PartWork {
    PartWork {
        sqft_per_minute_centi: sqft_per_minute * 100,
        change_over_seconds: change_over_minutes * 60,
        shake_seconds: 0,
        pour_seconds: 0,
        even_out: EvenOut::Seconds(0),
    }
}

fn treatment(rates: (i64, i64), applicators: Applicators, rooms: &[i64]) -> Treatment {
    let room = |(index, sqft): (usize, &i64)| Room { name: format!("Room {}", index + 1), sqft: *sqft };
    Treatment {
        rooms: rooms.iter().enumerate().map(room).collect(),
        a: plain(rates.0, 2),
        b: plain(rates.1, 2),
        window: Window { min_seconds: 600, max_seconds: 900 },
        applicators,
        set_up_seconds: 0,
    }
}

fn sizes(plan: &Plan) -> Vec<i64> {
    plan.sections.iter().map(|section| section.sqft).collect()
}

/// Worked by hand from dwell(x) = s + x (1/rB - 1/rA) in 10 to 15 minutes, g = 2 minutes. One applicator, 20 and 20:
/// S/20 + 2 <= 15. 20 and 15: S/20 + 2 + S/60 <= 15. Two, s = 10, 20 and 15: 10 + S/60 <= 15.
#[test]
fn largest_sections_are_those_of_the_formula() {
    for (rates, applicators, sqft, limit) in [
        ((20, 20), Applicators::One, 260, Limit::FirstPoint),
        ((20, 15), Applicators::One, 195, Limit::LastPoint),
        ((20, 15), Applicators::Two, 300, Limit::Rates),
        ((15, 20), Applicators::Two, 300, Limit::Rates),
    ] {
        let own = treatment(rates, applicators, &[100]);
        assert_eq!(largest(&own), Largest { sqft, limit }, "{rates:?}");
        assert!(fits(&own, sqft) && !fits(&own, sqft + 1));
    }
    assert_eq!(largest(&treatment((20, 20), Applicators::Two, &[100])).limit, Limit::None);
}

/// By hand: A evened out in 60 s, B shaken and poured in 45 s: S/20 + S/60 + 1 + 2 + 0.75 <= 15, so S <= 168.75.
#[test]
fn shaking_and_evening_out_make_sections_smaller() {
    let mut own = treatment((20, 15), Applicators::One, &[100]);
    own.a.even_out = EvenOut::Seconds(60);
    (own.b.shake_seconds, own.b.pour_seconds) = (15, 30);
    assert_eq!(largest(&own).sqft, 168);
    // At 40 sq ft a minute instead: S/20 + S/60 + S/40 + 2.75 <= 15, so S <= 133.6.
    own.a.even_out = EvenOut::Rate(4_000);
    assert_eq!(largest(&own).sqft, 133);
    // B waits until A is evened out: S/15 + S/40 <= 15, so S <= 163.6.
    own.applicators = Applicators::Two;
    assert_eq!(largest(&own).sqft, 163);
}

#[test]
fn rooms_are_cut_as_little_as_can_be_and_closets_join_their_neighbours() {
    let one = |rooms: &[i64]| sizes(&plan(&treatment((20, 20), Applicators::One, rooms)).unwrap());
    assert_eq!(one(&[260]), [260]);
    assert_eq!(one(&[261]), [130, 131]);
    assert_eq!(one(&[140, 140, 140]), [140, 140, 140]);
    assert_eq!(one(&[100, 30, 120]), [250]);
    // One cut either way: the closet goes with half a room and costs no dwell of its own.
    assert_eq!(one(&[300, 20]), [160, 160]);
    // A closet between two rooms goes to either; the more even way is over first.
    assert_eq!(one(&[200, 30, 180]), [200, 210]);
    let pieces = &plan(&treatment((20, 20), Applicators::One, &[300, 20])).unwrap().sections[1].pieces;
    let whole = Piece { room: 1, from_sqft: 0, until_sqft: 20 };
    assert_eq!(pieces[..], [Piece { room: 0, from_sqft: 160, until_sqft: 300 }, whole]);
}

/// By hand: 13 minutes A, 2 to change, 13 minutes B, at 20 sq ft a minute; the dwell is 15 minutes everywhere.
#[test]
fn a_timeline_by_hand() {
    let plan = plan(&treatment((20, 20), Applicators::One, &[260])).unwrap();
    let acts: Vec<(Doing, i64, i64)> = plan.acts.iter().map(|act| (act.doing, act.span.from, act.span.until)).collect();
    assert_eq!(
        acts,
        [(Doing::Roll(Part::A), 0, 780), (Doing::ChangeOver(Part::B), 780, 900), (Doing::Roll(Part::B), 900, 1_680)]
    );
    assert_eq!(plan.sections[0].dwell_seconds(), (900, 900));
    assert_eq!((plan.total_seconds, plan.a_done_seconds, plan.crew_minutes()), (1_680, 780, 28));
}

/// Two applicators, 20 and 15 sq ft a minute, 600 sq ft in two rooms of 300: B needs 20 minutes a room, A 15. B is free
/// at 30 minutes and may be 10 minutes behind, so A waits 5 minutes before the second room.
#[test]
fn who_rolls_a_does_not_run_ahead() {
    let plan = plan(&treatment((20, 15), Applicators::Two, &[300, 300])).unwrap();
    let starts: Vec<(i64, i64)> = plan.sections.iter().map(|section| (section.a.from, section.b.from)).collect();
    assert_eq!(starts, [(0, 600), (1_200, 1_800)]);
    assert_eq!(plan.total_seconds, 3_000);
}

#[test]
fn what_cannot_be_is_refused_with_what_helps() {
    let mut own = treatment((20, 20), Applicators::One, &[400]);
    own.b.change_over_seconds = 900;
    let Err(Refusal::NoSection { largest_sqft, cures, .. }) = plan(&own) else { panic!("900 s of change-over") };
    assert_eq!(largest_sqft, 0);
    // 20 sq ft take 60 s: 840 s are left to change, and 960 s of dwell would do.
    assert_eq!(cures, [Cure::TwoApplicators, Cure::ChangeOverAtMost(840), Cure::DwellMaxAtLeast(960)]);
    let fault = plan(&own).unwrap_err().fault();
    assert_eq!(fault.code, "no-section");
    assert!(fault.cure.starts_with("any one of: two applicators; "), "{}", fault.cure);
    // A square foot more than so many sections of 20 sq ft.
    let mut huge = treatment((20, 20), Applicators::One, &[SECTIONS_MAX * 20 + 1]);
    huge.b.change_over_seconds = 840;
    assert_eq!(plan(&huge).unwrap_err().fault().code, "too-many-sections");
    huge.rooms[0].sqft -= 1;
    assert_eq!(plan(&huge).unwrap().sections.len() as i64, SECTIONS_MAX);
    own.rooms.clear();
    assert_eq!(plan(&own).unwrap_err().fault().code, "out-of-range");
}

/// 200 sq ft, A rolled from 0 to 10 min. B as planned would be at 12 min; at 15 min there are no more 2 minutes left to
/// change rollers, so the section is wet again: its dwell starts again.
#[test]
fn a_section_that_came_too_late_is_wet_again() {
    let own = treatment((20, 20), Applicators::One, &[200, 200]);
    let first = plan(&own).unwrap();
    let report = Report { a_from: 0, a_until: Some(600), ..Report::default() };
    let in_time = replan(&own, &first, &[report], 780).unwrap();
    assert_eq!(in_time.sections[0].b.from, 900);
    assert!(!in_time.sections[0].wet_again);
    let late = replan(&own, &first, &[report], 781).unwrap();
    let section = &late.sections[0];
    assert!(section.wet_again);
    // The roller of A is still in hand.
    assert_eq!((section.a.from, section.b.from), (781, 781 + 720));
    assert_eq!(late.sections[1].a.from, section.b.until + 120);
    assert!(lines(&own, &late, clock).iter().any(|line| line.contains("wet it with part A again")));
}

#[test]
fn reports_that_cannot_be_are_refused() {
    let own = treatment((20, 20), Applicators::One, &[200, 200]);
    let first = plan(&own).unwrap();
    let done = Report { a_from: 0, a_until: Some(600), b_from: Some(720), b_until: Some(1_320) };
    let next = Report { a_from: 1_440, ..Report::default() };
    assert!(replan(&own, &first, &[done, next], 1_500).is_ok());
    for (reports, now) in [
        (vec![done], 1_000),
        (vec![done, Report { a_from: 1_000, ..next }], 1_500),
        (vec![Report { a_until: None, ..done }], 1_500),
        (vec![Report { b_from: None, ..done }], 1_500),
        (vec![Report { a_until: Some(0), b_from: None, b_until: None, ..done }], 1_500),
        (vec![done, next, next], 1_500),
        (vec![Report { a_from: -1, ..done }], 1_500),
    ] {
        let refused = replan(&own, &first, &reports, now).unwrap_err();
        assert_eq!(refused.fault().code, "bad-report", "{reports:?}");
    }
    assert_eq!(replan(&own, &first, &[], -1).unwrap_err().fault().code, "out-of-range");
}
