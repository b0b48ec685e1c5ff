//! Small worlds in which the chance is known by formula, or in which one thing goes wrong: the simulation must say so.

use crate::common::world;
use crate::common::world::{at, at_most, dwell, job, lag, lapses, new_york, place, step, step_ref};
use tackfree::chance::{ChanceModel, Driver, JobChance, TreatAgain, simulate};
use tackfree::domain::calendar::Calendar;
use tackfree::domain::chain::{OnExceed, Step, StepKind, Wait, WaitMax};
use tackfree::domain::climate::Film;
use tackfree::domain::ids::{CrewIx, StepIx, WaitIx};
use tackfree::domain::plan::Placement;
use tackfree::domain::situation::{Job, Situation};
use tackfree::domain::time::Minute;

const RUNS: u32 = 10_000;

/// Standard normal distribution function, by Abramowitz and Stegun 7.1.26 (error below 1.5e-7).
fn phi(z: f64) -> f64 {
    let x = z.abs() / std::f64::consts::SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let poly = [1.061_405_429, -1.453_152_027, 1.421_413_741, -0.284_496_736, 0.254_829_592];
    let erf = 1.0 - poly.iter().fold(0.0, |sum, c| sum * t + c) * t * (-x * x).exp();
    f64::midpoint(1.0, if z < 0.0 { -erf } else { erf })
}

/// Monday, 8:00.
fn monday() -> Minute {
    at(new_york(), "2026-03-02 08:00")
}

/// Crews that work day and night, so that nothing but chance moves a step.
fn restless(jobs: Vec<Job>) -> Situation {
    let mut situation = Situation { jobs, ..world::situation(monday()) };
    situation.crews.iter_mut().for_each(|crew| crew.calendar = Calendar::always());
    situation
}

fn chance_of(situation: &Situation, placements: Vec<Placement>, model: &ChanceModel, runs: u32) -> Vec<JobChance> {
    let plan = world::plan(situation, placements);
    let report = tackfree::audit::audit(situation, &plan);
    assert!(report.is_clean(), "{:?}", report.violations);
    simulate(situation, &plan, model, runs, 11).jobs
}

/// Five standard errors of a share.
fn assert_share(runs: u32, of: u32, expected: f64, what: &str) {
    let share = f64::from(runs) / f64::from(of);
    let limit = 5.0 * (expected * (1.0 - expected) / f64::from(of)).sqrt() + 1e-9;
    println!("{what}: {share:.4}, expected {expected:.4} within {limit:.4}");
    assert!((share - expected).abs() <= limit, "{what}: {share} is not {expected} within {limit}");
}

fn only(dry_sigma: f64, work_sigma: f64, failed_check_rate: f64) -> ChanceModel {
    ChanceModel { dry_sigma, work_sigma, failed_check_rate, treat_again: Vec::new() }
}

fn drying(from: u16, to: u16, minutes: i64) -> Wait {
    Wait { film: Some(Film::Waterborne), ..lag(from, to, minutes) }
}

/// One wait of 600 minutes, spread 0.2: within 600 + d minutes with probability phi(ln((600.5 + d) / 600) / 0.2), the half
/// minute because minutes are whole.
#[test]
fn one_wait_follows_the_lognormal_quantiles() {
    for slack in [0, 30, 60, 120, 240] {
        let mut job = job("elm", 0, vec![step("seal", 60), step("coat", 60)], vec![drying(0, 1, 600)]);
        job.due = Some(monday().plus(60 + 600 + 60 + slack));
        let situation = restless(vec![job]);
        let places = vec![place(&situation, (0, 0), 0, monday()), place(&situation, (0, 1), 0, monday().plus(660))];
        let found = &chance_of(&situation, places, &only(0.2, 0.0, 0.0), RUNS)[0];
        let expected = phi(((600.5 + slack as f64) / 600.0).ln() / 0.2);
        assert_share(found.in_time_runs.unwrap(), RUNS, expected, &format!("{slack} minutes of slack"));
        // Of the median 600 and above only the upper half moves the coat; the 95th percent lies at 600 exp(0.2 z).
        let finish = found.finish_percent_95.unwrap().since(monday());
        let (least, most) = ((600.0 * (0.2_f64 * 1.60).exp()) as i64, (600.0 * (0.2_f64 * 1.69).exp()) as i64);
        assert!((720 - 600 + least..=720 - 600 + most).contains(&finish), "{finish}");
        if found.late_runs > 0 {
            assert_eq!(found.drivers, [(Driver::Wait(tackfree::domain::ids::JobIx(0), WaitIx(0)), found.late_runs)]);
        }
    }
}

/// Work of 300 minutes, spread 0.15, and no wait at all.
#[test]
fn work_follows_the_lognormal_quantiles() {
    let mut job = job("elm", 0, vec![step("sand", 300)], vec![]);
    job.due = Some(monday().plus(330));
    let situation = restless(vec![job]);
    let places = vec![place(&situation, (0, 0), 0, monday())];
    let found = &chance_of(&situation, places, &only(0.0, 0.15, 0.0), RUNS)[0];
    assert_share(found.in_time_runs.unwrap(), RUNS, phi((330.5_f64 / 300.0).ln() / 0.15), "a tenth longer");
    assert_eq!(found.drivers, [(Driver::Step(step_ref(0, 0)), found.late_runs)]);
    let buffer = found.buffer_minutes.unwrap() as f64;
    assert!((buffer - (300.0 * (0.15_f64 * 1.2816).exp() - 300.0)).abs() < 4.0, "{buffer}");
}

/// A check of 30 minutes that fails with probability 0.3 and pauses 90: the k-th try ends at 30 + 120 (k - 1).
#[test]
fn failures_are_geometric() {
    let check = Step { kind: StepKind::Check, recheck_after_minutes: Some(90), ..step("check", 30) };
    for tries in 1..=4 {
        let mut job = job("elm", 0, vec![check.clone()], vec![]);
        job.due = Some(monday().plus(30 + 120 * (tries - 1)));
        let situation = restless(vec![job]);
        let places = vec![place(&situation, (0, 0), 0, monday())];
        let found = &chance_of(&situation, places, &only(0.0, 0.0, 0.3), RUNS)[0];
        let expected = 1.0 - 0.3_f64.powi(tries as i32);
        assert_share(found.in_time_runs.unwrap(), RUNS, expected, &format!("{tries} tries"));
        assert_eq!(found.drivers, [(Driver::Check(step_ref(0, 0)), found.late_runs)]);
    }
}

/// Treating again takes 40 minutes and dries 200; without it the check only pauses 10.
#[test]
fn a_failed_check_treats_the_floor_again_where_the_job_says_so() {
    let check = Step { kind: StepKind::Check, recheck_after_minutes: Some(10), ..step("check", 30) };
    let job = job("elm", 0, vec![step("treat", 40), check], vec![drying(0, 1, 200)]);
    let situation = restless(vec![job]);
    let places = || vec![place(&situation, (0, 0), 0, monday()), place(&situation, (0, 1), 0, monday().plus(240))];
    let again = |steps: Vec<StepIx>| ChanceModel {
        treat_again: vec![TreatAgain { check: step_ref(0, 1), steps }],
        ..only(0.0, 0.0, 0.5)
    };
    // Half pass at once, three quarters within two tries, 7 of 8 within three, 15 of 16 within four.
    let alone = &chance_of(&situation, places(), &only(0.0, 0.0, 0.5), RUNS)[0];
    let treated = &chance_of(&situation, places(), &again(vec![StepIx(0)]), RUNS)[0];
    let late = |chance: &JobChance| {
        [chance.finish_percent_80, chance.finish_percent_90].map(|at| at.unwrap().since(monday()) - 270)
    };
    assert_eq!(late(alone), [2 * 40, 3 * 40]);
    assert_eq!(late(treated), [2 * 270, 3 * 270]);
    // The fifth and later tries are repeated alone, as treating stops after the third time.
    let most = treated.finish_percent_95.unwrap().since(monday()) - 270;
    assert!([3 * 270 + 40, 3 * 270].contains(&most), "{most}");
}

/// The crew comes late from Elm, so Oak is late too, and the crew is to blame, and what held it.
#[test]
fn who_comes_late_from_another_house_is_named() {
    let mut oak = job("oak", 1, vec![step("coat", 60)], vec![]);
    oak.due = Some(monday().plus(300 + 30 + 60));
    let situation = restless(vec![job("elm", 0, vec![step("sand", 300)], vec![]), oak]);
    let places = vec![place(&situation, (0, 0), 0, monday()), place(&situation, (1, 0), 0, monday().plus(330))];
    let found = &chance_of(&situation, places, &only(0.0, 0.2, 0.0), RUNS)[1];
    let crew = found.drivers.iter().find(|(driver, _)| *driver == Driver::Crew(CrewIx(0))).unwrap();
    let sanding = found.drivers.iter().find(|(driver, _)| *driver == Driver::Step(step_ref(0, 0))).unwrap();
    // Late is who began late or coats longer; sanding is to blame whenever the crew is.
    assert_eq!(crew.1, sanding.1);
    assert!(found.late_runs > crew.1 && crew.1 > found.late_runs / 2, "{found:?}");
    let in_time = found.in_time_runs.unwrap();
    assert_eq!(in_time + found.late_runs, RUNS);
}

/// A crew does not stand before a wet floor: what is planned next goes first, and it comes back.
#[test]
fn nobody_waits_for_a_wet_floor() {
    let elm = job("elm", 0, vec![step("seal", 60), step("coat", 60)], vec![drying(0, 1, 600)]);
    let mut oak = job("oak", 1, vec![step("sand", 60)], vec![]);
    let start = monday().plus(660 + 60 + 30);
    oak.due = Some(start.plus(60));
    let situation = restless(vec![elm, oak]);
    let places = vec![
        place(&situation, (0, 0), 0, monday()),
        place(&situation, (0, 1), 0, monday().plus(660)),
        place(&situation, (1, 0), 0, start),
    ];
    let found = &chance_of(&situation, places, &only(0.2, 0.0, 0.0), RUNS)[1];
    // Oak is late only when Elm becomes dry after its coat was planned and no later than the crew would go to Oak, 90
    // minutes after; from then on Oak goes first.
    let within = |minutes: f64| phi(((600.0 + minutes) / 600.0).ln() / 0.2);
    assert_share(found.late_runs, RUNS, within(90.5) - within(0.5), "Oak is late");
}

/// Whole work that no longer fits before the end of the shift goes to the next one.
#[test]
fn whole_work_goes_to_the_next_span() {
    let job = job("elm", 0, vec![step("seal", 60), step("coat", 240)], vec![drying(0, 1, 240)]);
    let situation = Situation { jobs: vec![job], ..world::situation(monday()) };
    // Sealed by 9:00, dry by 13:00, coated until 17:00: one minute later is tomorrow at 8:00.
    let coat = monday().plus(300);
    let places = vec![place(&situation, (0, 0), 0, monday()), place(&situation, (0, 1), 0, coat)];
    let found = &chance_of(&situation, places, &only(0.2, 0.0, 0.0), RUNS)[0];
    assert_share(found.late_runs, RUNS, 1.0 - phi((240.5_f64 / 240.0).ln() / 0.2), "a minute too wet");
    assert_eq!(found.finish_percent_80, Some(monday().plus(1440 + 240)));
}

/// A recoat window that lapses makes its extra step necessary, by the crew that stands there.
#[test]
fn a_lapse_adds_the_extra_step() {
    let extra = Step { only_on_lapse: true, ..step("abrade", 45) };
    let wait = Wait { max: lapses(700, 2), ..lag(1, 3, 0) };
    let steps = vec![step("other", 600), step("seal", 30), extra, step("coat", 60)];
    let job = job("elm", 0, steps, vec![lag(0, 3, 0), wait]);
    let mut situation = restless(vec![job]);
    situation.crews[1].skills = situation.crews[0].skills;
    // Sealing ends at 30, so the coat must begin by 730; it is planned for 600, when the other work, in another area, ends.
    let mut steps = situation.jobs[0].chain.steps().to_vec();
    steps[0].areas = vec![tackfree::domain::ids::AreaIx(1)];
    situation.jobs[0].chain =
        tackfree::domain::chain::Chain::new(steps, situation.jobs[0].chain.waits().to_vec()).unwrap();
    let places = vec![
        place(&situation, (0, 0), 0, monday()),
        place(&situation, (0, 1), 1, monday()),
        place(&situation, (0, 3), 0, monday().plus(600)),
    ];
    let model = only(0.0, 0.2, 0.0);
    let found = &chance_of(&situation, places, &model, RUNS)[0];
    let [overrun] = found.overruns[..] else { panic!("{found:?}") };
    assert_eq!((overrun.wait, overrun.forbidden), (WaitIx(1), false));
    // Late by more than 100 minutes and what sealing takes more than 30: sealing's spread is 6 minutes, so well between.
    let more = |limit: f64| 1.0 - phi((limit / 600.0).ln() / 0.2);
    assert_share(overrun.runs, RUNS, more(730.5), "lapsed");
    assert!(matches!(situation.jobs[0].chain.waits()[1].max, Some(WaitMax { on_exceed: OnExceed::Lapse(_), .. })));
}

/// A forbidden maximum that is exceeded is named.
#[test]
fn a_forbidden_maximum_is_a_named_trouble() {
    let wait = Wait { max: at_most(100), ..lag(1, 2, 0) };
    let mut steps = vec![step("other", 600), step("prime", 30), step("coat", 60)];
    steps[0].areas = vec![tackfree::domain::ids::AreaIx(1)];
    let job = job("elm", 0, steps, vec![lag(0, 2, 0), wait]);
    let situation = restless(vec![job]);
    let places = vec![
        place(&situation, (0, 0), 0, monday()),
        place(&situation, (0, 1), 1, monday().plus(520)),
        place(&situation, (0, 2), 0, monday().plus(600)),
    ];
    let found = &chance_of(&situation, places, &only(0.0, 0.2, 0.0), RUNS)[0];
    let [overrun] = found.overruns[..] else { panic!("{found:?}") };
    assert_eq!((overrun.wait, overrun.forbidden), (WaitIx(1), true));
    assert!(overrun.runs > RUNS / 10 && overrun.runs < RUNS / 2, "{overrun:?}");
}

/// The dwell of a run is the crew's own doing: it stretches with the work and is never a trouble.
#[test]
fn a_run_is_one_work() {
    let job = job("elm", 0, vec![step("treat-a", 30), step("treat-b", 30)], vec![dwell(0, 1, 10, 15)]);
    let situation = restless(vec![job]);
    let places = vec![place(&situation, (0, 0), 0, monday()), place(&situation, (0, 1), 0, monday().plus(12))];
    let found = &chance_of(&situation, places, &only(0.0, 0.2, 0.0), RUNS)[0];
    assert!(found.overruns.is_empty());
    assert_share(found.late_runs, RUNS, 1.0 - phi((42.5_f64 / 42.0).ln() / 0.2), "longer than 42 minutes");
}

/// The floor is late and the buffer is out by then: the coat waits for the buffer to come back.
#[test]
fn late_work_waits_for_broken_gear() {
    for rides in [true, false] {
        let coat = Step { equipment: vec![(tackfree::domain::ids::EquipmentIx(0), 1)], ..step("coat", 60) };
        let mut situation = restless(vec![job("elm", 0, vec![step("seal", 60), coat], vec![drying(0, 1, 600)])]);
        let back = monday().plus(2_000);
        situation.equipment = vec![world::equipment("buffer", 1, rides)];
        situation.equipment[0].outages = vec![(world::span(monday().plus(720), back), 1)];
        let coat = world::with_units(place(&situation, (0, 1), 0, monday().plus(660)), &[(0, 0)]);
        let places = vec![place(&situation, (0, 0), 0, monday()), coat];
        let found = &chance_of(&situation, places, &only(0.2, 0.0, 0.0), RUNS)[0];
        assert_share(found.late_runs, RUNS, 1.0 - phi((600.5_f64 / 600.0).ln() / 0.2), "a minute too wet");
        assert_eq!(found.finish_percent_80, Some(back.plus(60)), "rides along: {rides}");
    }
}

/// Late work meets the crew when one of its two is ill: what two do in 120 minutes takes one 240; what needs two waits.
#[test]
fn late_work_meets_a_crew_short_of_people() {
    let ill = world::span(monday().plus(780), monday().plus(3_000));
    for (needed, finish) in [(1, None), (2, Some(3_120))] {
        let coat = Step {
            work: tackfree::domain::chain::Work::Shared { person_minutes: 240, people_max: 2 },
            head_count_min: needed,
            ..step("coat", 1)
        };
        let mut situation = restless(vec![job("elm", 0, vec![step("seal", 60), coat], vec![drying(0, 1, 600)])]);
        situation.crews[0].short_handed = vec![(ill, 1)];
        let places = vec![place(&situation, (0, 0), 0, monday()), place(&situation, (0, 1), 0, monday().plus(660))];
        let found = &chance_of(&situation, places, &only(0.2, 0.0, 0.0), RUNS)[0];
        assert_share(found.late_runs, RUNS, 1.0 - phi((600.5_f64 / 600.0).ln() / 0.2), "a minute too wet");
        // Alone it begins when the floor is dry, but not before the other has left: 600 exp(0.2 z) is 710 in 80 percent.
        let expected = finish.unwrap_or(60 + 710 + 240 + 10);
        let told = found.finish_percent_80.unwrap().since(monday());
        assert!((told - expected).abs() <= 6, "{needed} needed: {told}");
    }
}

/// The house is closed from the hour on in which the coat would have ended.
#[test]
fn late_work_waits_for_a_closed_house() {
    let mut situation =
        restless(vec![job("elm", 0, vec![step("seal", 60), step("coat", 60)], vec![drying(0, 1, 600)])]);
    let open = monday().plus(5_000);
    situation.houses[0].closures = vec![world::span(monday().plus(720), open)];
    let places = vec![place(&situation, (0, 0), 0, monday()), place(&situation, (0, 1), 0, monday().plus(660))];
    let found = &chance_of(&situation, places, &only(0.2, 0.0, 0.0), RUNS)[0];
    assert_eq!(found.finish_percent_80, Some(open.plus(60)));
}
