//! Why a step does not start earlier: earlier starts are tried one after the other, each as if it had been promised, and
//! the audit says what would keep it from there in the plan as it is (`audit::obstacles`).

use super::basis::World;
use super::shapes::BoardEarlier;
use super::{details, waits};
use crate::audit::obstacles;
use crate::domain::chain::WaitKind;
use crate::domain::ids::{StepIx, StepRef};
use crate::domain::plan::{Cause, Placement, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span};

/// Working days before the planned start that are tried.
const DAYS_MAX: usize = 3;
/// Sentences for one start: the first says most.
const CAUSES_MAX: usize = 3;
const DAY: i64 = 1440;

/// Starts before the planned one, the latest first: a minute before, the same day when the crew begins, and when the crew
/// begins on the days before, as far back as anything of it could have begun at all.
pub(super) fn earlier(world: &World, step: StepRef) -> Vec<BoardEarlier> {
    let own = world.situation.jobs[step.job.index()].chain.step(step.step);
    let Some(placed) = world.placement(step).filter(|_| own.fixed().is_none()) else { return Vec::new() };
    let plan = world.plan();
    let mut tried = Vec::new();
    for start in starts(world, placed) {
        let because = because(world, &plan, placed, start);
        let free = because.is_empty();
        tried.push(BoardEarlier { start: start.0, because });
        if free {
            break;
        }
    }
    tried
}

fn starts(world: &World, placed: &Placement) -> Vec<Minute> {
    let start = placed.start();
    let floor = floor(world, placed.step);
    let mut starts = vec![start.plus(-1)];
    if floor < start && floor > world.situation.now {
        // Where the floor itself would let it begin.
        starts.push(floor);
    }
    let crew = &world.situation.crews[placed.crew.index()];
    if let Some(before) = Span::new(floor.max(start.plus(-14 * DAY)).max(world.situation.now), start) {
        let spans = crew.calendar.spans(crew.zone, before);
        starts.extend(spans.iter().rev().map(|span| span.start()).take(DAYS_MAX));
    }
    starts.retain(|at| *at < start && *at >= world.situation.now);
    starts.sort_unstable();
    starts.dedup();
    starts.reverse();
    starts
}

/// When the waits before the step, its release and its last try let it start.
fn floor(world: &World, step: StepRef) -> Minute {
    let job = &world.situation.jobs[step.job.index()];
    let lags = job.chain.waits().iter().filter(|wait| wait.to == step.step && wait.kind == WaitKind::Lag);
    let ready = lags.filter_map(|wait| {
        let before = world.placement(StepRef { job: step.job, step: wait.from })?;
        waits::ready(world, job.house, wait, before.finish())
    });
    ready.fold(job.release.max(world.situation.now), Minute::max)
}

/// Sentences that say what keeps the step from `start`.
fn because(world: &World, plan: &Plan, placed: &Placement, start: Minute) -> Vec<String> {
    let by = start.since(placed.start());
    let run = run_of(world, placed.step);
    let mut published: Vec<Placement> = Vec::new();
    for member in run {
        let Some(planned) = world.placement(member) else { continue };
        let pieces = if planned.pieces.len() > 1 {
            let minutes = planned.pieces.iter().map(|piece| piece.minutes()).sum();
            let end = start.plus(minutes);
            Span::new(start, end).into_iter().collect()
        } else {
            let moved = |piece: &Span| Span::new(piece.start().plus(by), piece.end().plus(by));
            planned.pieces.iter().filter_map(moved).collect()
        };
        published.push(Placement { pieces, ..planned.clone() });
    }
    published.sort_by_key(|one| one.step);
    let supposed = Situation { published, ..world.situation.clone() };
    let found = obstacles(&supposed, plan).into_iter().find(|(step, _)| *step == placed.step);
    let causes = found.map(|(_, causes)| causes).unwrap_or_default();
    // That the plan has it elsewhere than supposed is no news.
    let causes = causes.into_iter().filter(|cause| *cause != Cause::StartPassed);
    let mut told = Vec::new();
    for cause in causes {
        let sentence = details::keeps(world, placed, cause, start);
        if !told.contains(&sentence) {
            told.push(sentence);
        }
    }
    told.truncate(CAUSES_MAX);
    told
}

/// Steps that dwells join with this one, itself included.
fn run_of(world: &World, step: StepRef) -> Vec<StepRef> {
    let chain = &world.situation.jobs[step.job.index()].chain;
    let mut run: Vec<StepIx> = vec![step.step];
    let mut next = 0;
    while let Some(&member) = run.get(next) {
        for wait in chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell) {
            for (one, other) in [(wait.from, wait.to), (wait.to, wait.from)] {
                if one == member && !run.contains(&other) {
                    run.push(other);
                }
            }
        }
        next += 1;
    }
    run.into_iter().map(|member| StepRef { job: step.job, step: member }).collect()
}
