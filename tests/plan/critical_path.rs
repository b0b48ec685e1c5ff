//! Where the time until a job is finished goes: by hand for each reason, and on generated companies that the reasons follow
//! each other without a gap and are true of the plan.

use crate::common::generate::{Size, company, troubled};
use crate::common::world::{
    at, attempt, crew, dwell, hours, job, lag, lapses, new_york, place, plan, situation, span, step, weather,
    with_units,
};
use tackfree::domain::calendar::Calendar;
use tackfree::domain::chain::{Outcome, Step};
use tackfree::domain::climate::{Gate, HouseAir};
use tackfree::domain::ids::{EquipmentIx, RegionIx};
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::{Job, Situation};
use tackfree::domain::time::Minute;
use tackfree::planner::critical_path::{JobPath, Reason, critical_paths};
use tackfree::planner::{Request, plan as plan_with};

/// 2 March 2026 is a Monday.
fn monday(clock: &str) -> Minute {
    at(new_york(), &format!("2026-03-02 {clock}"))
}

fn tuesday(clock: &str) -> Minute {
    at(new_york(), &format!("2026-03-03 {clock}"))
}

/// The path of one job, a line each: step, reason, from and until in hours after Monday 08:00.
fn told(situation: &Situation, plan: &Plan, job: usize) -> Vec<String> {
    let paths = critical_paths(situation, plan);
    let path = paths.iter().find(|path| path.job.index() == job).unwrap();
    let hours = |at: Minute| at.since(monday("08:00")) as f64 / 60.0;
    let line = |stretch: &tackfree::planner::critical_path::Stretch| {
        let step = &situation.jobs[job].chain.step(stretch.step.step).key;
        format!("{step} {:?} {}-{}", stretch.reason, hours(stretch.span.start()), hours(stretch.span.end()))
    };
    path.stretches.iter().map(line).collect()
}

/// A plan of these placements, which keeps every rule.
fn clean(situation: &Situation, placements: Vec<Placement>) -> Plan {
    let plan = plan(situation, placements);
    let report = tackfree::audit::audit(situation, &plan);
    assert!(report.is_clean(), "{:?}", report.violations);
    plan
}

/// Elm and Oak, a job of one step in each.
fn two_houses(first: Step, second: Step) -> Situation {
    let mut world = situation(monday("08:00"));
    world.jobs = vec![job("elm", 0, vec![first], Vec::new()), job("oak", 1, vec![second], Vec::new())];
    world
}

#[test]
fn a_house_waits_for_the_only_crew() {
    let mut world = two_houses(step("sand", 180), step("sand", 60));
    world.crews.truncate(1);
    let plan =
        clean(&world, vec![place(&world, (0, 0), 0, monday("08:00")), place(&world, (1, 0), 0, monday("13:00"))]);
    assert_eq!(told(&world, &plan, 0), ["sand Work(CrewIx(0)) 0-3"]);
    // Free at eleven, there at half past: an hour's work would reach into the noon break.
    assert_eq!(told(&world, &plan, 1), ["sand Crew(CrewIx(0)) 0-5", "sand Work(CrewIx(0)) 5-6"]);
}

#[test]
fn a_house_waits_for_the_only_sander_and_for_one_that_is_out_of_use() {
    let drum = |minutes| Step { equipment: vec![(EquipmentIx(0), 1)], ..step("sand", minutes) };
    let mut world = two_houses(drum(180), drum(60));
    let placements = |second: Minute| {
        let one = |(job, crew, at)| with_units(place(&world, (job, 0), crew, at), &[(0, 0)]);
        vec![one((0, 0, monday("08:00"))), one((1, 1, second))]
    };
    let plan = clean(&world, placements(monday("13:00")));
    assert_eq!(told(&world, &plan, 1), ["sand Gear(EquipmentIx(0)) 0-5", "sand Work(CrewIx(1)) 5-6"]);
    let wednesday = at(new_york(), "2026-03-04 08:00");
    let moved = placements(wednesday);
    world.equipment[0].outages = vec![(span(monday("12:00"), tuesday("18:00")), 1)];
    let plan = clean(&world, moved);
    assert_eq!(told(&world, &plan, 1), ["sand Gear(EquipmentIx(0)) 0-48", "sand Work(CrewIx(1)) 48-49"]);
}

#[test]
fn a_floor_dries_overnight_and_then_nobody_is_at_work_yet() {
    let mut world = situation(monday("08:00"));
    let mut dry = lag(0, 1, 12 * 60);
    dry.overnight = true;
    world.jobs = vec![job("elm", 0, vec![step("coat", 60), step("buff", 60)], vec![dry])];
    let plan =
        clean(&world, vec![place(&world, (0, 0), 0, monday("08:00")), place(&world, (0, 1), 0, tuesday("08:00"))]);
    let expected = ["coat Work(CrewIx(0)) 0-1", "buff Floor 1-16", "buff Hours 16-24", "buff Work(CrewIx(0)) 24-25"];
    assert_eq!(told(&world, &plan, 0), expected);
}

#[test]
fn a_house_is_closed_and_may_not_begin_before_its_release() {
    let mut world = two_houses(step("sand", 60), step("sand", 60));
    world.houses[0].access = hours(0..5, &[("13:00", "16:00")]);
    world.jobs[1].release = monday("09:30");
    let plan =
        clean(&world, vec![place(&world, (0, 0), 0, monday("13:00")), place(&world, (1, 0), 1, monday("09:30"))]);
    assert_eq!(told(&world, &plan, 0), ["sand Access 0-5", "sand Work(CrewIx(0)) 5-6"]);
    assert_eq!(told(&world, &plan, 1), ["sand NotYet 0-1.5", "sand Work(CrewIx(1)) 1.5-2.5"]);
}

#[test]
fn the_air_is_not_fit_until_ten() {
    let gate = Gate {
        temp_min_centi_c: 1000,
        temp_max_centi_c: 3000,
        rh_min_centi_percent: 0,
        rh_max_centi_percent: 6000,
        dew_point_margin_min_centi_c: 0,
        hold_after_minutes: 0,
    };
    let mut world = two_houses(Step { gate: Some(gate), ..step("coat", 60) }, step("sand", 60));
    world.regions = vec![weather(monday("08:00"), 48, |hour| (2000, if hour < 2 { 9000 } else { 4000 }))];
    world.houses[0].region = Some(RegionIx(0));
    world.houses[0].air = HouseAir::Open { heated_to_centi_c: None };
    let plan =
        clean(&world, vec![place(&world, (0, 0), 0, monday("10:00")), place(&world, (1, 0), 1, monday("08:00"))]);
    assert_eq!(told(&world, &plan, 0), ["coat Air 0-2", "coat Work(CrewIx(0)) 2-3"]);
}

/// What could have been earlier is laid out so; what is left until the planned finish is the plan's own choice.
#[test]
fn a_plan_that_takes_its_time_is_told_of() {
    let mut world = situation(monday("08:00"));
    world.jobs = vec![job("elm", 0, vec![step("sand", 60), step("vacuum", 60)], vec![lag(0, 1, 30)])];
    let late = vec![place(&world, (0, 0), 0, monday("09:00")), place(&world, (0, 1), 0, monday("14:00"))];
    let expected =
        ["sand Work(CrewIx(0)) 0-1", "vacuum Floor 1-1.5", "vacuum Work(CrewIx(0)) 1.5-2.5", "vacuum Order 2.5-7"];
    assert_eq!(told(&world, &clean(&world, late), 0), expected);
}

/// The extra step shows that a wait has lapsed; such a job is told of as planned.
#[test]
fn a_wait_that_lapsed_is_told_of_as_planned() {
    let mut world = situation(monday("08:00"));
    let steps = vec![step("coat", 60), step("next", 60), Step { only_on_lapse: true, ..step("abrade", 30) }];
    let mut wait = lag(0, 1, 30);
    wait.max = lapses(120, 2);
    world.jobs = vec![job("elm", 0, steps, vec![wait])];
    let placements = vec![
        place(&world, (0, 0), 0, monday("08:00")),
        place(&world, (0, 2), 0, monday("13:00")),
        place(&world, (0, 1), 0, monday("13:30")),
    ];
    let told = told(&world, &clean(&world, placements), 0);
    let expected = [
        "coat Work(CrewIx(0)) 0-1",
        "abrade Floor 1-1.5",
        "abrade Order 1.5-5",
        "abrade Work(CrewIx(0)) 5-5.5",
        "next Work(CrewIx(0)) 5.5-6.5",
    ];
    assert_eq!(told, expected);
}

/// A run of steps joined by a dwell is worked as one; what is running was begun before now; work that may pause does at night.
#[test]
fn runs_what_is_running_and_what_pauses_are_work() {
    let mut world = situation(monday("09:00"));
    let running =
        Step { attempts: vec![attempt(0, monday("08:00"), monday("10:00"), Outcome::Running)], ..step("sand", 120) };
    let long = Step { dividable: true, ..step("buff", 400) };
    let steps = vec![running, step("part-a", 30), step("part-b", 30), long];
    world.jobs = vec![job("elm", 0, steps, vec![lag(0, 1, 0), dwell(1, 2, 10, 45), lag(2, 3, 0)])];
    let made = plan_with(&world, Request::anew().with_moves(100));
    assert!(tackfree::audit::audit(&world, &made).is_clean());
    let told = told(&world, &made, 0);
    assert_eq!(told[0], "sand Work(CrewIx(0)) 1-2");
    assert!(told[1].starts_with("part-a Work(CrewIx(0)) 2-"), "{told:?}");
    let reasons = |reason: &str| told.iter().filter(|line| line.starts_with("buff") && line.contains(reason)).count();
    assert_eq!((reasons("Work"), reasons("Hours")), (3, 2), "before noon, after it, and the day after: {told:?}");
}

/// The whole time until a job is finished, gapless and once; every minute of work and every wait for somebody is true of the plan.
#[test]
fn every_minute_until_the_finish_has_one_reason() {
    let mut seen = std::collections::HashMap::new();
    for seed in 1..=200u64 {
        let size = if seed % 5 == 0 { Size::medium() } else { Size::small() };
        let situation = if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) };
        let made = plan_with(&situation, Request::anew().with_moves(seed % 3 * 20).with_seed(seed));
        let paths = critical_paths(&situation, &made);
        for path in &paths {
            whole(&situation, &made, path, seed);
            for stretch in &path.stretches {
                *seen.entry(std::mem::discriminant(&stretch.reason)).or_insert(0) += stretch.span.minutes();
            }
        }
        let open = |job: &usize| {
            let placed = |placement: &&Placement| placement.step.job.index() == *job;
            let open = |placement: &Placement| situation.jobs[*job].chain.step(placement.step.step).fixed().is_none();
            made.placements.iter().filter(placed).any(open)
        };
        assert_eq!(paths.len(), (0..situation.jobs.len()).filter(open).count(), "seed {seed}");
        assert_eq!(paths, critical_paths(&situation, &made), "seed {seed} twice");
    }
    assert_eq!(seen.len(), 9, "every reason occurs: {seen:?}");
}

fn whole(situation: &Situation, made: &Plan, path: &JobPath, seed: u64) {
    let own = made.placements.iter().filter(|placement| placement.step.job == path.job);
    let finish = own.map(Placement::finish).max();
    let what = format!("seed {seed}, job {}: {path:?}", path.job.index());
    assert_eq!(path.stretches.first().map(|first| first.span.start()), Some(situation.now), "{what}");
    assert_eq!(path.finish(), finish, "{what}");
    assert!(path.stretches.windows(2).all(|pair| pair[0].span.end() == pair[1].span.start()), "{what}");
    for stretch in &path.stretches {
        let spec = situation.jobs[path.job.index()].chain.step(stretch.step.step);
        match stretch.reason {
            Reason::Crew(crew) => {
                let crew = &situation.crews[crew.index()];
                assert!(crew.skills.covers(spec.skills), "{what}");
            }
            Reason::Gear(kind) => {
                let house = situation.house_of(stretch.step);
                let others = made.placements.iter().filter(|one| one.step.job != path.job);
                let holds = |one: &&Placement| one.units.iter().any(|unit| unit.equipment == kind);
                let near = |one: &Placement| {
                    let way = situation.way_minutes(house, situation.house_of(one.step));
                    one.start() < stretch.span.end().plus(way) && stretch.span.start() < one.finish().plus(way)
                };
                let siblings =
                    made.placements.iter().filter(|one| one.step.job == path.job && one.step != stretch.step);
                let short = situation.equipment[kind.index()].units_throughout(stretch.span)
                    < situation.equipment[kind.index()].units;
                assert!(others.chain(siblings).filter(holds).any(near) || short, "{what}");
            }
            Reason::Work(_)
            | Reason::NotYet
            | Reason::Floor
            | Reason::Hours
            | Reason::Access
            | Reason::Air
            | Reason::Order => {}
        }
    }
}

/// Nobody waits for a crew or for gear where there is one house with one chain and no others.
#[test]
fn a_house_alone_waits_for_nobody() {
    let mut checked = 0;
    for seed in 1..=200u64 {
        let mut situation = company(seed, Size::small());
        situation.jobs.truncate(1);
        situation.houses.iter_mut().for_each(|house| house.closures.clear());
        let parallel = |job: &Job| {
            let waits = job.chain.waits();
            job.chain.steps().len() != waits.len() + 1 || waits.windows(2).any(|pair| pair[0].to != pair[1].from)
        };
        if situation.jobs.iter().any(parallel) {
            continue;
        }
        checked += 1;
        let made = plan_with(&situation, Request::anew().with_moves(50).with_seed(seed));
        for path in critical_paths(&situation, &made) {
            let waits = |reason: Reason| matches!(reason, Reason::Crew(_) | Reason::Gear(_));
            assert!(!path.stretches.iter().any(|stretch| waits(stretch.reason)), "seed {seed}: {path:?}");
        }
    }
    assert!(checked >= 20, "{checked}");
}

/// A second crew like the first, and nobody waits for a crew any more.
#[test]
fn enough_crews_and_nobody_waits_for_one() {
    let mut world = two_houses(step("sand", 180), step("sand", 60));
    world.crews = vec![crew("Ann"), crew("Ben")];
    world.houses[0].access = Calendar::always();
    let made = plan_with(&world, Request::anew().with_moves(50));
    let waits = |path: &JobPath| path.stretches.iter().any(|stretch| matches!(stretch.reason, Reason::Crew(_)));
    assert!(!critical_paths(&world, &made).iter().any(waits));
}
