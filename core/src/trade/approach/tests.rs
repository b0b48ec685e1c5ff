//! Predicting passes, case by case. How often they hold on simulated floors: `tests/plan/approach_coverage.rs`.

use super::*;
use crate::domain::time::HOUR;

fn round(at: i64, means: &[f64]) -> Round {
    let area = |mean: &f64| AreaRound { mean_percent: *mean, count: 60, sum_squares: 59.0 * 0.16 };
    Round { at: Minute(at), areas: means.iter().map(area).collect() }
}

/// Equal areas; one is `excess` points over the other three's common level.
fn floor_of_four(excess: f64) -> [f64; 4] {
    [9.0 + excess, 9.0, 9.0, 9.0]
}

const AREAS: [u32; 4] = [200; 4];

/// An excess of 4 points is 3 off the floor's mean; with tau 24 h it is inside after 24 ln 3 = 26.4 h.
#[test]
fn exact_rounds_give_the_hour_back() {
    let rounds: Vec<Round> = (0..5)
        .map(|number| f64::from(number) * 5.0)
        .map(|hours| round((hours * 60.0) as i64, &floor_of_four(4.0 * (-hours / 24.0).exp())))
        .collect();
    let Prediction::Passes { early, median, late, stuck_percent } = predict(&AREAS, &rounds, 1.0) else { panic!() };
    let late = late.unwrap();
    assert!((median.0 - 1_582).abs() < 60, "{median:?}");
    assert!(early < median && median < late && late.since(early) < 10 * HOUR, "{early:?} {late:?}");
    assert_eq!(stuck_percent, 0);
}

#[test]
fn more_readings_narrow_the_interval() {
    let rounds = |count: usize| -> Vec<Round> {
        [(0, 4.0), (720, 2.6)]
            .map(|(at, excess)| {
                let mut round = round(at, &floor_of_four(excess));
                round.areas.iter_mut().for_each(|area| {
                    (area.count, area.sum_squares) = (count, (count - 1) as f64 * 0.16);
                });
                round
            })
            .to_vec()
    };
    let width = |count| match predict(&AREAS, &rounds(count), 1.0) {
        Prediction::Passes { early, late: Some(late), .. } => late.since(early),
        other => panic!("{other:?}"),
    };
    assert!(width(100) < width(10), "{} {}", width(100), width(10));
}

#[test]
fn a_floor_that_stays_or_gets_wetter_shows_no_sign() {
    for later in [4.0, 4.4] {
        let rounds = [0.0, 0.5, 1.0]
            .map(|share: f64| round((share * 2_880.0) as i64, &floor_of_four(4.0 + (later - 4.0) * share)));
        let Prediction::NoSign { stuck_percent } = predict(&AREAS, &rounds, 1.0) else { panic!("{later}") };
        assert!(stuck_percent > 80, "{stuck_percent}");
    }
}

/// Only differences count: a floor that takes up water evenly between the rounds is predicted the same.
#[test]
fn the_common_level_does_not_matter() {
    let with = |level: f64| {
        let second = floor_of_four(2.5).map(|mean| mean + level);
        predict(&AREAS, &[round(0, &floor_of_four(4.0)), round(900, &second)], 1.0)
    };
    assert_eq!(with(0.0), with(3.0));
}

#[test]
fn one_round_or_one_area_is_too_little() {
    let (a, b) = (round(0, &floor_of_four(4.0)), round(900, &floor_of_four(2.0)));
    assert_eq!(predict(&AREAS, std::slice::from_ref(&a), 1.0), Prediction::TooLittle);
    assert_eq!(predict(&AREAS, &[a.clone(), a.clone()], 1.0), Prediction::TooLittle);
    assert_eq!(predict(&[200], &[round(0, &[9.0]), round(900, &[9.0])], 1.0), Prediction::TooLittle);
    assert_eq!(predict(&AREAS, &[a.clone(), round(900, &[9.0, 9.0])], 1.0), Prediction::TooLittle);
    assert!(matches!(predict(&AREAS, &[a, b], 1.0), Prediction::Passes { .. }));
}

/// Of two equal areas both are as far off; counting both would make the middle later than either tells.
#[test]
fn of_two_areas_only_one_is_counted() {
    let rounds = [(0, 3.0), (720, 2.0)].map(|(at, excess)| round(at, &[9.0 + excess, 9.0]));
    let halves = predict(&[200, 200], &rounds, 1.0);
    let Prediction::Passes { median, .. } = halves else { panic!("{halves:?}") };
    // 1.5 off at first, 1.0 after twelve hours.
    assert!((median.0 - 720).abs() < 90, "{median:?}");
}

#[test]
fn absurd_rounds_are_answered_all_the_same() {
    let far = [round(0, &floor_of_four(90.0)), round(60 * 24 * 400, &floor_of_four(80.0))];
    predict(&AREAS, &far, 1.0);
    let same = [round(0, &floor_of_four(0.0)), round(1, &floor_of_four(0.0))];
    assert!(matches!(predict(&AREAS, &same, 1.0), Prediction::Passes { .. }));
    predict(&[1, 200_000, 1, 1], &far, 0.01);
}
