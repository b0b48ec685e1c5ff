//! The search on two cores: plans that keep every rule, and the same bytes whichever thread is ahead. That lanes have the same plan
//! whenever they have compared, and know its cost, is asserted where they compare (debug builds).

use crate::common::generate::{Size, company, troubled};
use std::sync::atomic::{AtomicBool, Ordering};
use tackfree::audit::audit;
use tackfree::domain::plan::Plan;
use tackfree::domain::resources::Location;
use tackfree::domain::situation::{CostWeights, Situation};
use tackfree::planner::{Progress, Request, plan, plan_with_progress};

/// Plans while other threads take the cores by fits and starts.
fn plan_beside_others(situation: &Situation, request: Request) -> Plan {
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        for _ in 0..3 {
            scope.spawn(|| {
                while !done.load(Ordering::Relaxed) {
                    std::hint::black_box((0..20_000u64).sum::<u64>());
                    std::thread::yield_now();
                }
            });
        }
        let plan = plan(situation, request);
        done.store(true, Ordering::Relaxed);
        plan
    })
}

/// Companies with at least twenty open jobs.
fn many_houses() -> impl Iterator<Item = (u64, Situation)> {
    let size = Size { houses_max: 40, jobs_max: 50, steps_max: 400, ..Size::medium() };
    let drawn = move |seed| (seed, if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) });
    (1..200).map(drawn).filter(|(_, situation)| situation.jobs.len() >= 20)
}

fn clean_and_always_the_same(situation: &Situation, request: Request) {
    let first = plan(situation, request);
    assert!(audit(situation, &first).is_clean(), "seed {}", request.seed);
    assert_eq!(first, plan_beside_others(situation, request), "seed {}", request.seed);
}

/// Many houses: the lanes try moves of one run.
#[test]
fn many_houses_are_planned_the_same_whoever_is_ahead() {
    for (seed, situation) in many_houses().take(4) {
        clean_and_always_the_same(&situation, Request::anew().with_moves(400).with_seed(seed));
    }
}

/// Few houses and many moves: the lanes make runs of their own.
#[test]
fn few_houses_are_planned_the_same_whoever_is_ahead() {
    for seed in 1..=6 {
        let situation = if seed % 2 == 0 { company(seed, Size::tiny()) } else { troubled(seed, Size::tiny()) };
        clean_and_always_the_same(&situation, Request::anew().with_moves(3_000).with_seed(seed));
    }
}

/// What is told on the way: moves only ever more, by the calling thread's own moves to nearly the last one; nothing gets dearer.
#[test]
fn every_move_is_told_of() {
    let few = (1..=6).map(|seed| (company(seed, Size::tiny()), 2_000));
    let many = many_houses().take(1).map(|(_, situation)| (situation, 300));
    let mut searched = 0;
    for (situation, moves) in few.chain(many) {
        let mut told: Vec<Progress> = Vec::new();
        let plan = plan_with_progress(&situation, Request::anew().with_moves(moves), &mut |now| told.push(now));
        // Where nothing may move there is no search.
        let (Some(first), Some(last)) = (told.first(), told.last()) else { continue };
        searched += 1;
        assert!(told.windows(2).all(|pair| pair[0].moves <= pair[1].moves), "moves only ever more");
        assert!(last.moves <= moves && last.moves * 4 >= moves, "{} of {moves} told", last.moves);
        assert!(plan.cost.total() <= first.cost, "the search does not make it dearer");
    }
    assert!(searched >= 3, "{searched} searches");
}

/// Half of a plan is promised: what is held of it is neither moved nor set free by a search from plans of its own by chance. That
/// is asserted at the end of each search (debug builds).
#[test]
fn what_is_held_stays_held() {
    let size = Size { houses_max: 3, crews_max: 1, jobs_max: 3, steps_max: 14, horizon_days_max: 14, ..Size::tiny() };
    for seed in 1..=100u64 {
        let situation = if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) };
        let mut promised = plan(&situation, Request::anew().with_moves(0));
        let every_other = promised.placements.iter().skip((seed % 2) as usize).step_by(2).cloned().collect();
        promised.placements = every_other;
        let situation = situation.with_published(&promised);
        let again = plan(&situation, Request::new().with_moves(600).with_seed(seed));
        assert!(audit(&situation, &again).is_clean(), "seed {seed}");
    }
}

/// Every cost a planning file may have must fit its integer: the dearest minute that the limits allow, and crews that live at
/// the other end of the world.
#[test]
fn the_dearest_minutes_and_the_longest_ways_fit() {
    let Some((seed, mut situation)) = many_houses().next() else { panic!("there are companies with many houses") };
    let near = Location { latitude_e6: 40_000_000, longitude_e6: -74_000_000 };
    situation.houses.iter_mut().for_each(|house| house.location = Some(near));
    let far = Location { latitude_e6: -40_000_000, longitude_e6: 106_000_000 };
    situation.crews.iter_mut().for_each(|crew| crew.home = Some(far));
    situation.settings.travel.speed_kmh = 1;
    situation.settings.travel.detour_percent = 1000;
    let minutes = situation.horizon().minutes() + 60 * 1440;
    let weight: i64 = situation.jobs.iter().map(|job| i64::from(job.weight)).sum();
    situation.settings.cost = CostWeights {
        finish_minute: i64::MAX / 20 / minutes / weight.max(1),
        late_minute: 0,
        ..situation.settings.cost
    };
    let plan = plan(&situation, Request::anew().with_moves(100).with_seed(seed));
    assert!(audit(&situation, &plan).is_clean(), "seed {seed}");
}
