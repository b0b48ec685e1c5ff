//! Which pins to drop: held against all subsets of the pins, on small companies with many of them, and shown on a day
//! that two pins fight over.

use crate::common::generate::{Draw, Size, company, mishaps};
use crate::common::world::*;
use std::collections::BTreeSet;
use tackfree::domain::chain::{Pin, Step};
use tackfree::domain::ids::{CrewIx, StepRef};
use tackfree::domain::plan::Blocker;
use tackfree::domain::situation::Situation;
use tackfree::planner::{PinsToDrop, Request, pins_to_drop, plan};

const REQUEST: Request = Request { move_budget: 0, ..Request::new() };

/// More than that are too many to try all their subsets.
const PINS_MAX: usize = 7;

fn pinned(situation: &Situation) -> Vec<StepRef> {
    let has_pin = |step: &StepRef| {
        let own = situation.jobs[step.job.index()].chain.step(step.step);
        own.fixed().is_none() && !own.only_on_lapse && own.pin != Pin::default()
    };
    situation.steps().filter(has_pin).collect()
}

fn left_out(situation: &Situation, dropped: &[StepRef]) -> BTreeSet<StepRef> {
    plan(&situation.without_pins(dropped), REQUEST).unplaced.iter().map(|unplaced| unplaced.step).collect()
}

/// Of all subsets of the pins that suffice, the least size; 0 when none need be dropped.
fn by_brute_force(situation: &Situation, pins: &[StepRef]) -> usize {
    let never = left_out(situation, pins);
    let subsets = (0..1_usize << pins.len()).filter(|subset| {
        let dropped: Vec<StepRef> =
            pins.iter().enumerate().filter(|(at, _)| subset >> at & 1 == 1).map(|(_, pin)| *pin).collect();
        left_out(situation, &dropped).is_subset(&never)
    });
    subsets.map(|subset| subset.count_ones() as usize).min().unwrap()
}

#[test]
fn the_set_is_as_small_as_any_that_suffices() {
    let (mut sets, mut pairs, mut none) = (0, 0, 0);
    for seed in 0..160 {
        let mut situation = company(seed, Size::tiny());
        let mut draw = Draw::new(seed ^ 0x91);
        for _ in 0..4 {
            mishaps::pinned_to_a_day(&mut draw, &mut situation);
        }
        let pins = pinned(&situation);
        if pins.len() > PINS_MAX {
            continue;
        }
        let least = by_brute_force(&situation, &pins);
        match pins_to_drop(&situation, REQUEST) {
            None => {
                assert_eq!(least, 0, "company {seed}: pins are to blame");
                none += 1;
            }
            Some(PinsToDrop { steps, is_smallest }) => {
                assert!(is_smallest && steps.iter().all(|step| pins.contains(step)), "company {seed}: {steps:?}");
                assert_eq!(steps.len(), least, "company {seed}: {steps:?}");
                assert!(left_out(&situation, &steps).is_subset(&left_out(&situation, &pins)), "company {seed}");
                sets += 1;
                pairs += usize::from(steps.len() > 1);
            }
        }
    }
    println!("{sets} sets, {pairs} of more than one pin, {none} companies whose pins harm nobody");
    assert!(sets >= 20 && pairs >= 3 && none >= 20, "{sets} {pairs} {none}");
}

/// Two steps in one room at nine, and one on a Sunday.
#[test]
fn one_of_two_pins_that_fight_is_named_and_each_that_cannot_be() {
    let monday = at(new_york(), "2026-03-02 06:00");
    let nine = Pin { start: Some(monday.plus(180)), crew: Some(CrewIx(0)), ..Pin::default() };
    let mut situation = situation(monday);
    let pinned = |text: &str, pin: Pin| Step { pin, ..step(text, 60) };
    situation.jobs = vec![
        job("first", 0, vec![pinned("sand", nine)], vec![]),
        job("second", 0, vec![pinned("edge", nine)], vec![]),
        job("third", 1, vec![step("stain", 60)], vec![]),
    ];
    let fight = pins_to_drop(&situation, REQUEST).unwrap();
    assert!(fight.is_smallest && fight.steps.len() == 1 && fight.steps[0].job.0 < 2, "{fight:?}");
    let sunday = Pin { day: Some(new_york().date(monday.plus(6 * 1_440))), ..Pin::default() };
    situation.jobs[2] = job("third", 1, vec![pinned("stain", sunday)], vec![]);
    let plan = plan(&situation, REQUEST);
    let stain = plan.unplaced.iter().find(|unplaced| unplaced.step.job.0 == 2).unwrap();
    assert_eq!(stain.blocker, Blocker::PinImpossible);
    let both = pins_to_drop(&situation, REQUEST).unwrap();
    assert!(both.is_smallest && both.steps.len() == 2 && both.steps[1] == stain.step, "{both:?}");
    // Nothing is to be had by dropping pins where the house is closed throughout.
    situation.jobs.truncate(2);
    situation.houses[0].closures = vec![span(monday, monday.plus(100 * 1_440))];
    assert_eq!(pins_to_drop(&situation, REQUEST), None);
}
