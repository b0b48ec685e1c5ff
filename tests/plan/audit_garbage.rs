//! No plan is too absurd to be judged: random garbage over valid companies is answered, explained, and never clean when
//! something in it is plainly wrong.

use crate::common::generate::{Size, company};
use crate::common::world::{self, CAUSES_OF_THE_INPUT};
use proptest::prelude::*;
use tackfree::audit::audit;
use tackfree::domain::ids::{CrewIx, EquipmentIx, JobIx, StepIx, StepRef};
use tackfree::domain::plan::{Blocker, Cause, Cost, Placement, Plan, UnitUse, Unplaced};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::{Minute, Span};

/// A step that often exists.
fn steps() -> impl Strategy<Value = StepRef> {
    let job = prop_oneof![9 => 0_u32..4, 1 => any::<u32>()];
    let step = prop_oneof![9 => 0_u16..12, 1 => any::<u16>()];
    (job, step).prop_map(|(job, step)| StepRef { job: JobIx(job), step: StepIx(step) })
}

/// Minutes from now, most of them within the horizon.
fn offsets() -> impl Strategy<Value = i64> {
    prop_oneof![8 => -3_000_i64..20_000, 1 => -2_000_000_i64..2_000_000, 1 => any::<i64>()]
}

fn pieces() -> impl Strategy<Value = Vec<(i64, i64)>> {
    let length = prop_oneof![9 => 1_i64..600, 1 => any::<i64>()];
    prop::collection::vec((offsets(), length), 0..4)
}

fn causes() -> impl Strategy<Value = Cause> {
    prop_oneof![
        prop::sample::select(CAUSES_OF_THE_INPUT.to_vec()),
        steps().prop_map(|other| Cause::WaitsFor(other.step)),
        steps().prop_map(|other| Cause::TooLateAfter(other.step)),
        steps().prop_map(Cause::CrewBusyWith),
        steps().prop_map(Cause::AreaTakenBy),
        steps().prop_map(Cause::GearTakenBy),
    ]
}

#[derive(Debug, Clone)]
struct Draft {
    step: StepRef,
    crew: u32,
    pieces: Vec<(i64, i64)>,
    units: Vec<(u16, u32)>,
    cause: Option<Cause>,
}

fn drafts() -> impl Strategy<Value = Vec<Draft>> {
    let crew = prop_oneof![9 => 0_u32..3, 1 => any::<u32>()];
    let kind = prop_oneof![9 => 0_u16..3, 1 => any::<u16>()];
    let unit = prop_oneof![9 => 0_u32..2, 1 => any::<u32>()];
    let units = prop::collection::vec((kind, unit), 0..3);
    let draft = (steps(), crew, pieces(), units, prop::option::of(causes()))
        .prop_map(|(step, crew, pieces, units, cause)| Draft { step, crew, pieces, units, cause });
    prop::collection::vec(draft, 0..40)
}

fn blockers() -> impl Strategy<Value = Blocker> {
    prop_oneof![
        Just(Blocker::BeyondHorizon),
        steps().prop_map(|other| Blocker::PredecessorUnplaced(other.step)),
        any::<u16>().prop_map(|kind| Blocker::TooFewUnits { equipment: EquipmentIx(kind), needed: 1, units: 0 }),
    ]
}

fn placement(situation: &Situation, draft: &Draft) -> Placement {
    let piece = |&(offset, length): &(i64, i64)| {
        let start = situation.now.0.saturating_add(offset);
        Span::new(Minute(start), Minute(start.saturating_add(length)))
    };
    let unit = |&(kind, unit): &(u16, u32)| UnitUse { equipment: EquipmentIx(kind), unit };
    Placement {
        step: draft.step,
        crew: CrewIx(draft.crew),
        pieces: draft.pieces.iter().filter_map(piece).collect(),
        units: draft.units.iter().map(unit).collect(),
        moved_because: draft.cause,
    }
}

/// A promise that the edge would let in: what it names is there, and it lies within some weeks.
fn promise(situation: &Situation, draft: &Draft) -> Option<Placement> {
    let job = situation.jobs.get(draft.step.job.index())?;
    let spec = job.chain.steps().get(draft.step.step.index())?;
    let crew = draft.crew as usize % situation.crews.len();
    let start = situation.now.plus(draft.pieces.first()?.0.clamp(-3_000, 20_000));
    let piece = Span::new(start, start.plus(spec.duration_minutes(situation.crews[crew].head_count)))?;
    Some(Placement {
        step: draft.step,
        crew: CrewIx::from_index(crew),
        pieces: vec![piece],
        units: Vec::new(),
        moved_because: None,
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn garbage_is_judged_and_explained(
        seed in 0_u64..1_000,
        promised in drafts(),
        placed in drafts(),
        listed in prop::collection::vec((steps(), blockers()), 0..20),
        now_offset in offsets(),
        cost in any::<[i64; 7]>(),
        lower_bound in any::<i64>(),
        sorted in any::<bool>(),
    ) {
        let mut situation = company(seed, Size::small());
        situation.published = promised.iter().filter_map(|draft| promise(&situation, draft)).collect();
        situation.published.sort_by_key(|promise| promise.step);
        situation.published.dedup_by_key(|promise| promise.step);
        let [unplaced, lateness, broken, finish, travel, overtime, hand_overs] = cost;
        let mut plan = Plan {
            now: Minute(situation.now.0.saturating_add(now_offset)),
            seed: 0,
            move_budget: 0,
            placements: placed.iter().map(|draft| placement(&situation, draft)).collect(),
            unplaced: listed.into_iter().map(|(step, blocker)| Unplaced { step, blocker }).collect(),
            cost: Cost { unplaced, lateness, broken, finish, travel, overtime, hand_overs },
            lower_bound,
        };
        if sorted {
            plan.placements.sort_by_key(|placement| placement.step);
            plan.placements.dedup_by_key(|placement| placement.step);
        }
        let report = audit(&situation, &plan);
        let strange = |step: StepRef| situation.jobs.get(step.job.index())
            .is_none_or(|job| step.step.index() >= job.chain.steps().len());
        let plainly_wrong = plan.now != situation.now
            || plan.placements.iter().any(|placement| placement.pieces.is_empty() || strange(placement.step));
        prop_assert!(!plainly_wrong || !report.is_clean());
        for violation in &report.violations {
            let sentence = violation.explain(&situation);
            prop_assert!(sentence.ends_with('.') && !sentence.contains('\n'), "{}", sentence);
        }
        prop_assert_eq!(audit(&situation, &plan), report, "the same plan, the same answer");
    }
}

/// One step placed 100,000 times, and one with 100,000 pieces: answered at once.
#[test]
fn thousands_of_copies_take_no_time() {
    let mut situation = world::situation(world::at(world::new_york(), "2026-03-02 06:00"));
    situation.jobs = vec![world::job("main", 0, vec![world::step("sand", 60)], vec![])];
    let once = world::place(&situation, (0, 0), 0, situation.now.plus(120));
    let many = world::plan(&situation, vec![once.clone(); 100_000]);
    let copies = audit(&situation, &many).violations;
    assert_eq!(copies.len(), 99_999);
    let minute = |i: i64| Span::new(situation.now.plus(2 * i), situation.now.plus(2 * i + 1));
    let crumbs = Placement { pieces: (0..20_000).filter_map(minute).collect(), ..once };
    assert!(!audit(&situation, &world::plan(&situation, vec![crumbs])).is_clean());
}
