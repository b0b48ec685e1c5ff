//! Plans and promises of every shape, from a seed: not good ones, only such as can be said.

use super::random::Dice;
use crate::domain::chain::Step;
use crate::domain::ids::{CrewIx, EquipmentIx, JobIx, StepIx, StepRef};
use crate::domain::plan::{Blocker, Cause, Cost, Placement, Plan, UnitUse, Unplaced};
use crate::domain::situation::Situation;
use crate::domain::time::Span;
use rand_core::RngCore;

pub(super) fn placements(
    dice: &mut Dice,
    situation: &Situation,
    wanted: impl Fn(&Step) -> bool,
    caused: bool,
) -> Vec<Placement> {
    let steps: Vec<StepRef> = situation.steps().collect();
    let mut placed = Vec::new();
    for &step in &steps {
        let content = situation.jobs[step.job.index()].chain.step(step.step);
        if !wanted(content) || dice.from(0, 3) == 0 {
            continue;
        }
        let first = dice.span();
        let later = Span::new(first.end().plus(dice.from(0, 600)), first.end().plus(700)).unwrap();
        let pieces = if dice.yes() { vec![first] } else { vec![first, later] };
        let equipment = EquipmentIx::from_index(dice.index(situation.equipment.len()));
        placed.push(Placement {
            step,
            crew: CrewIx::from_index(dice.index(situation.crews.len())),
            pieces,
            units: dice.many(0, 2, |_, unit| UnitUse { equipment, unit: unit as u32 }),
            moved_because: if caused { cause(dice, &steps) } else { None },
        });
    }
    placed
}

fn cause(dice: &mut Dice, steps: &[StepRef]) -> Option<Cause> {
    let other = steps[dice.index(steps.len())];
    Some(match dice.from(0, 13) {
        0 => Cause::StartPassed,
        1 => Cause::NotYet,
        2 => Cause::Pinned,
        3 => Cause::CrewAway,
        4 => Cause::CrewUnable,
        5 => Cause::HouseClosed,
        6 => Cause::Weather,
        7 => Cause::EquipmentShort,
        8 => Cause::WaitsFor(StepIx(0)),
        9 => Cause::TooLateAfter(StepIx(0)),
        10 => Cause::CrewBusyWith(other),
        11 => Cause::AreaTakenBy(other),
        12 => Cause::GearTakenBy(other),
        _ => return None,
    })
}

pub(super) fn plan(seed: u64, situation: &Situation) -> Plan {
    let dice = &mut Dice::new(seed ^ 0x5eed);
    let blocker = |dice: &mut Dice| match dice.from(0, 11) {
        0 => Blocker::NoCrewWithSkills(situation.skills[..2].to_vec()),
        1 => Blocker::TooFewPeople { needed: 4, largest: 2 },
        2 => Blocker::LongerThanAnyShift { minutes: 600, longest_minutes: 480 },
        3 => Blocker::HouseNeverOpen,
        4 => Blocker::TooFewUnits { equipment: EquipmentIx(0), needed: 3, units: 2 },
        5 => Blocker::ClimateNeverAllows,
        6 => Blocker::NeverDries(StepIx(0)),
        7 => Blocker::MaximumWaitAfter(StepIx(0)),
        8 => Blocker::PinImpossible,
        9 => Blocker::PredecessorUnplaced(StepIx(0)),
        10 => Blocker::DwellImpossible,
        _ => Blocker::BeyondHorizon,
    };
    let left_out = |dice: &mut Dice, job: usize| Unplaced {
        step: StepRef { job: JobIx::from_index(job), step: StepIx(0) },
        blocker: blocker(dice),
    };
    let mut points = || dice.from(0, 1_000_000_000);
    let cost = Cost {
        unplaced: points(),
        lateness: points(),
        broken: points(),
        finish: points(),
        travel: points(),
        overtime: points(),
        hand_overs: points(),
    };
    Plan {
        now: situation.now,
        seed: dice.0.next_u64(),
        move_budget: dice.0.next_u64(),
        placements: placements(dice, situation, |_| true, true),
        unplaced: (0..situation.jobs.len()).map(|job| left_out(dice, job)).collect(),
        cost,
        lower_bound: dice.from(0, 1_000_000_000),
    }
}
