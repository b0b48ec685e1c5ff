//! Where a company has so many crews that only the nearest are asked: plans keep every rule, what is promised by a crew from far
//! away stays, what only such a crew can do is done, and the bound holds.

use crate::common::generate::fleet;
use crate::common::world::{at, crew, job, new_york, situation, span, step};
use tackfree::audit::audit;
use tackfree::domain::ids::{CrewIx, HouseIx};
use tackfree::domain::resources::Location;
use tackfree::domain::situation::Situation;
use tackfree::planner::bound::alone;
use tackfree::planner::compile::{compile, compile_asking};
use tackfree::planner::near::{Asked, CREWS_ASKED};
use tackfree::planner::{Basis, Request, plan};

/// Sixty crews, more than are all asked.
fn company(seed: u64) -> Situation {
    fleet(seed, 24, 60)
}

#[test]
fn plans_keep_every_rule_and_stay_when_nothing_changes() {
    for seed in 1..=12u64 {
        let mut situation = company(seed);
        if seed % 3 == 0 {
            situation.crews.iter_mut().for_each(|crew| crew.home = None);
        }
        let request = Request::anew().with_moves(seed % 2 * 60).with_seed(seed);
        let first = plan(&situation, request);
        assert!(audit(&situation, &first).is_clean(), "seed {seed}");
        assert_eq!(first, plan(&situation, request), "seed {seed} twice");
        assert!(first.lower_bound <= first.cost.total(), "seed {seed}");
        let published = situation.with_published(&first);
        let again = plan(&published, Request { basis: Basis::Published, ..request });
        assert!(audit(&published, &again).is_clean(), "seed {seed}");
        let places = |plan: &tackfree::domain::plan::Plan| -> Vec<_> {
            plan.placements.iter().map(|one| (one.step, one.crew, one.start())).collect()
        };
        assert_eq!(places(&first), places(&again), "seed {seed} planned again");
        assert_eq!(first.unplaced, again.unplaced, "seed {seed} planned again");
    }
}

/// Fewer ways to do each step, and for bounds one that is as good as any.
#[test]
fn what_bounds_count_with_is_no_worse_than_any_crew() {
    for seed in 1..=12u64 {
        let situation = company(seed);
        let (few, all) = (compile(&situation), compile_asking(&situation, Asked::All));
        assert!(few.model.modes.len() < all.model.modes.len(), "seed {seed}");
        assert_eq!(few.steps, all.steps, "the same activities");
        let (with_few, with_all) = (alone(&few.model, &few.fixed), alone(&all.model, &all.fixed));
        for (activity, (few, all)) in with_few.iter().zip(&with_all).enumerate() {
            assert!(few.0 <= all.0 && few.1 <= all.1, "seed {seed}, activity {activity}: {few:?} and {all:?}");
        }
    }
}

/// Elm and Oak beside each other, and sixty crews that live ever farther away.
fn sixty_crews() -> Situation {
    let mut world = situation(at(new_york(), "2026-03-02 08:00"));
    let place = |north: i32| Some(Location { latitude_e6: 40_000_000 + north * 10_000, longitude_e6: -74_000_000 });
    world.houses.iter_mut().for_each(|house| house.location = place(0));
    world.crews = (0..60).map(|number| crew(&format!("crew-{number}"))).collect();
    for (number, crew) in world.crews.iter_mut().enumerate() {
        crew.home = place(number as i32);
    }
    world.jobs = vec![job("elm", 0, vec![step("sand", 120)], Vec::new())];
    world
}

#[test]
fn somebody_far_away_comes_when_the_nearest_are_all_away() {
    let mut world = sixty_crews();
    let away = span(world.now, world.now.plus(60 * 1440));
    world.crews[..59].iter_mut().for_each(|crew| crew.absences = vec![away]);
    let made = plan(&world, Request::anew().with_moves(0));
    assert_eq!(made.placements.len(), 1, "{:?}", made.unplaced);
    assert_eq!(made.placements[0].crew.index(), 59);
    assert!(audit(&world, &made).is_clean());
}

#[test]
fn a_promise_of_somebody_far_away_is_kept() {
    let world = sixty_crews();
    let mut promised = plan(&world, Request::anew().with_moves(0));
    assert!(promised.placements[0].crew.index() < CREWS_ASKED, "one of the nearest");
    promised.placements[0].crew = tackfree::domain::ids::CrewIx(59);
    let world = world.with_published(&promised);
    let again = plan(&world, Request::new().with_moves(0));
    assert_eq!(again.placements[0].crew.index(), 59);
    assert_eq!(again.placements[0].moved_because, None);
}

/// The skills of the crews that are asked, not how near they live, come first.
#[test]
fn the_only_one_who_can_is_asked() {
    let mut world = sixty_crews();
    let skill = tackfree::domain::ids::SkillSet::default().with(0);
    world.crews[57].skills = skill;
    world.jobs =
        vec![job("elm", 0, vec![tackfree::domain::chain::Step { skills: skill, ..step("sand", 120) }], Vec::new())];
    let made = plan(&world, Request::anew().with_moves(0));
    assert_eq!(made.placements.iter().map(|placed| placed.crew.index()).collect::<Vec<_>>(), [57]);
}

/// Enough houses and steps for both cores: ways, and when each step could be at best, are what they are for one house alone.
#[test]
fn what_is_worked_out_on_both_cores_is_the_same() {
    let situation = fleet(1, 450, 50);
    let whole = compile(&situation);
    let numbers = || (0..situation.houses.len()).map(HouseIx::from_index);
    for house in numbers() {
        for other in numbers() {
            let way = situation.way_minutes(house, other);
            assert_eq!(i64::from(whole.model.way(house.0, other.0)), way, "{house:?} to {other:?}");
        }
        for crew in (0..situation.crews.len()).map(CrewIx::from_index) {
            let way = situation.home_way_minutes(crew, house);
            assert_eq!(i64::from(whole.model.home_way(house.0, crew.0)), way, "{house:?} to {crew:?}");
        }
    }
    let times = alone(&whole.model, &whole.fixed);
    assert!(times.len() > 5_000);
    for jobs in [0..150, 150..300, 300..450] {
        let mut part = situation.clone();
        part.jobs = situation.jobs[jobs.clone()].to_vec();
        let part = compile(&part);
        let from = whole.model.activities.partition_point(|activity| (activity.job as usize) < jobs.start);
        let own = alone(&part.model, &part.fixed);
        assert_eq!(times[from..from + own.len()], own, "{jobs:?}");
    }
    let plan = plan(&situation, Request::anew());
    assert!(audit(&situation, &plan).is_clean());
}
