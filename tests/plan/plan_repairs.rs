//! The world moves on: time passes, steps get done late, a crew falls ill, a check fails, somebody pins a step. The plan
//! made from what was published is clean again, names a true cause for each broken promise inside the freeze time (the
//! audit sees to that), and leaves alone what need not move.

use crate::common::disturb::{Failure, disturb, fail, forget_begun, go_on, pass_time};
use crate::common::generate::{Draw, Size, company, mishaps, troubled};
use crate::common::world::{at, crew, house, job, lag, new_york, step, window};
use tackfree::audit::audit;
use tackfree::domain::calendar::{Calendar, Pay};
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::{CostWeights, Settings, Situation};
use tackfree::planner::{Basis, Emphasis, Request, alternatives, plan};

fn assert_clean(situation: &Situation, plan: &Plan, seed: u64) {
    let report = audit(situation, plan);
    if !report.is_clean() && std::env::var("DBG").is_ok() {
        for v in &report.violations {
            let Some(step) = v.step() else { continue };
            println!("now {:?} freeze {}", situation.now, situation.settings.freeze_minutes);
            println!("own {:#?}", situation.jobs[step.job.index()].chain.step(step.step));
            println!("promise {:?}", situation.published.iter().find(|p| p.step == step));
            println!("placed {:?}", plan.placement(step));
            println!(
                "crew {:?}",
                plan.placement(step).map(|p| {
                    let c = &situation.crews[p.crew.index()];
                    (c.head_count, &c.short_handed, &c.absences)
                })
            );
            let house = situation.house_of(step);
            println!("closures {:?}", situation.houses[house.index()].closures);
            for p in plan.placements.iter().filter(|p| situation.house_of(p.step) == house) {
                let s = situation.jobs[p.step.job.index()].chain.step(p.step.step);
                println!(
                    "{:?} {} areas {:?} {:?} pin {:?} promised {:?} attempts {:?} because {:?}",
                    p,
                    s.name,
                    s.areas,
                    s.dividable,
                    s.pin,
                    situation.published.iter().find(|q| q.step == p.step).map(|q| q.pieces.clone()),
                    s.attempts,
                    p.moved_because
                );
            }
        }
    }
    if !report.is_clean() {
        let told: Vec<String> =
            report.violations.iter().map(|v| format!("{} {}: {v:?}", v.code(), v.explain(situation))).collect();
        panic!("the repaired plan of company {seed} breaks rules:\n{}", told.join("\n"));
    }
}

fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
}

fn seeds(otherwise: u64) -> std::ops::Range<u64> {
    let first = setting("TACKFREE_FIRST_SEED", 1);
    first..first + setting("TACKFREE_COMPANIES", otherwise)
}

fn without_causes(plan: &Plan) -> Vec<Placement> {
    plan.placements.iter().cloned().map(|placement| Placement { moved_because: None, ..placement }).collect()
}

/// Promised steps that are elsewhere, or out.
fn moved(situation: &Situation, made: &Plan) -> usize {
    let stands = |promise: &&Placement| {
        made.placement(promise.step).is_some_and(|p| p.start() == promise.start() && p.crew == promise.crew)
    };
    situation.published.len() - situation.published.iter().filter(stands).count()
}

#[test]
fn repaired_plans_are_clean_and_touch_little() {
    let mut count = 0;
    let mut promised = 0;
    for seed in seeds(300) {
        let mut draw = Draw::new(seed ^ 0x5eed);
        let size = if seed % 10 == 0 { Size::medium() } else { Size::small() };
        let mut situation = if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) };
        for day in 0..3 {
            let basis = draw.pick(&[Basis::Anew, Basis::Published, Basis::Repair, Basis::Repair]);
            let balanced = draw.chance(60);
            let emphasis = draw.pick(&[Emphasis::FewestChanges, Emphasis::EarliestFinish, Emphasis::NoOvertime]);
            let emphasis = if balanced { Emphasis::Balanced } else { emphasis };
            let request = Request { seed, move_budget: 20, basis, emphasis };
            let made = plan(&situation, request);
            assert_clean(&situation, &made, seed);
            if day > 0 && basis != Basis::Anew && emphasis != Emphasis::EarliestFinish {
                promised += situation.published.len();
                count += moved(&situation, &made);
            }
            situation = situation.with_published(&made);
            pass_time(&mut situation, &made, &mut draw);
            forget_begun(&mut situation);
            disturb(&mut situation, &mut draw);
            if seed % 2 == 1 {
                mishaps::trouble(&mut draw, &mut situation);
            }
        }
    }
    assert!(promised > 100, "{promised}");
    assert!(count * 2 < promised, "{count} of {promised} promises moved");
    println!("{count} of {promised} promises moved");
}

/// A repair where nothing broke gives back what was published, at once and after some time that went as planned.
#[test]
fn a_repair_of_a_world_that_goes_as_planned_moves_nothing() {
    for seed in seeds(200) {
        let situation = company(seed, if seed % 10 == 0 { Size::medium() } else { Size::small() });
        let first = plan(&situation, Request::repair().with_seed(seed));
        assert_clean(&situation, &first, seed);
        let published = situation.clone().with_published(&first);
        let again = plan(&published, Request::repair());
        assert_clean(&published, &again, seed);
        assert_eq!(without_causes(&first), without_causes(&again), "company {seed} repaired at once");
        let mut draw = Draw::new(seed);
        let later = situation.now.plus(draw.between(30, 10 * 1440));
        let gone_on = go_on(&situation, &first, later, |_, _, attempt| attempt);
        let made = plan(&gone_on, Request::repair());
        assert_clean(&gone_on, &made, seed);
        // With time the horizon reaches further, so that something may be placed for the first time; nothing moves.
        assert_eq!(moved(&gone_on, &made), 0, "company {seed} repaired later");
    }
}

/// Over many failures each alternative is what its name says, now and then more so than the balanced plan; and none is
/// the same as another.
#[test]
fn alternatives_are_what_they_are_named_for() {
    let (mut tried, mut fewer, mut earlier, mut less) = (0, 0, 0, 0);
    for seed in seeds(60) {
        let mut situation = company(seed, Size::medium());
        situation.settings.cost = CostWeights::default();
        let first = plan(&situation, Request::new().with_seed(seed).with_moves(60));
        let mut draw = Draw::new(seed);
        let failure = draw.pick(&Failure::ALL);
        let Some((broken, _)) = fail(&mut draw, &situation, &first, failure, 10) else { continue };
        tried += 1;
        let request = Request::repair().with_moves(60);
        let balanced = plan(&broken, request);
        let others = alternatives(&broken, request);
        assert_eq!(others, alternatives(&broken, request), "company {seed} asked twice");
        for (number, (_, one)) in others.iter().enumerate() {
            assert_clean(&broken, one, seed);
            assert!(others[..number].iter().all(|(_, other)| other.placements != one.placements), "company {seed}");
        }
        // What is the same as another is told once; the first is always there.
        let all = || others.iter().map(|(_, made)| made).chain([&balanced]);
        let of = |wanted: Emphasis| others.iter().find(|(emphasis, _)| *emphasis == wanted).map(|(_, made)| made);
        let measure = |made: &Plan| (made.cost.unplaced, moved(&broken, made));
        let least = all().map(measure).min();
        assert_eq!(of(Emphasis::FewestChanges).map(measure), least, "company {seed}");
        fewer += i64::from(least < Some(measure(&balanced)));
        if let Some(made) = of(Emphasis::EarliestFinish) {
            let measure = |made: &Plan| (made.cost.unplaced, made.cost.finish + made.cost.lateness);
            assert_eq!(all().map(measure).min(), Some(measure(made)), "company {seed}");
            earlier += i64::from(measure(made) < measure(&balanced));
        }
        if let Some(made) = of(Emphasis::NoOvertime) {
            let measure = |made: &Plan| (made.cost.unplaced, made.cost.overtime);
            assert_eq!(all().map(measure).min(), Some(measure(made)), "company {seed}");
            less += i64::from(measure(made) < measure(&balanced));
        }
    }
    println!("of {tried}: fewer moved in {fewer}, earlier in {earlier}, less overtime in {less}");
    assert!(fewer > 0 && earlier > 5 && less > 0, "of {tried}: fewer {fewer}, earlier {earlier}, less overtime {less}");
}

/// One crew with overtime in the evening: work that fits no regular hours today waits for tomorrow's when asked to, and is
/// done in overtime when there is no other time.
#[test]
fn no_overtime_where_it_can_be_placed_otherwise() {
    let mut situation = company(1, Size::small());
    situation.crews.truncate(1);
    situation.jobs.clear();
    situation.published.clear();
    let monday = at(new_york(), "2026-03-02 00:00");
    situation.now = monday.plus(8 * 60);
    situation.settings = Settings { zone: new_york(), horizon_days: 5, ..situation.settings };
    situation.settings.cost = CostWeights::default();
    situation.houses = vec![house("Elm")];
    let day = vec![window("8:00", "12:00", Pay::Regular), window("12:00", "20:00", Pay::Overtime)];
    let week = std::array::from_fn(|weekday| if weekday < 5 { day.clone() } else { Vec::new() });
    situation.crews = vec![tackfree::domain::resources::Crew {
        calendar: Calendar::new(week, Default::default()).unwrap(),
        ..crew("Ann")
    }];
    situation.jobs =
        vec![job("two", 0, vec![step("a", 180), step("b", 120), step("long", 300)], vec![lag(0, 1, 0), lag(1, 2, 0)])];
    situation.equipment.clear();
    situation.regions.clear();
    situation.known_ways.clear();
    let starts = |emphasis| {
        let made = plan(&situation, Request::new().with_moves(0).with_emphasis(emphasis));
        assert_clean(&situation, &made, 0);
        made.placements.iter().map(|placement| placement.start().since(monday)).collect::<Vec<_>>()
    };
    assert_eq!(starts(Emphasis::Balanced), [480, 660, 780]);
    // The second waits for Tuesday; the third is longer than regular hours are.
    let regular = starts(Emphasis::NoOvertime);
    assert_eq!(regular[..2], [480, 1440 + 480]);
    assert_eq!(regular.len(), 3);
}
