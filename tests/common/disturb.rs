//! How a plan's world goes on: as planned until an instant, and then something goes wrong.

#![allow(dead_code, reason = "each test binary uses some of it")]

use super::generate::Draw;
use tackfree::domain::chain::{Attempt, Chain, Outcome, Step, StepState};
use tackfree::domain::ids::{CrewIx, JobIx, StepIx, StepRef};
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::{Minute, Span};

/// What went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Failure {
    FailedCheck,
    CrewIll,
    MachineGone,
    LateFinish,
}

impl Failure {
    pub const ALL: [Failure; 4] = [Failure::FailedCheck, Failure::CrewIll, Failure::MachineGone, Failure::LateFinish];
}

pub fn with_steps(situation: &mut Situation, job: JobIx, change: impl FnOnce(&mut Vec<Step>)) {
    let chain = &situation.jobs[job.index()].chain;
    let mut steps = chain.steps().to_vec();
    let waits = chain.waits().to_vec();
    change(&mut steps);
    situation.jobs[job.index()].chain = Chain::new(steps, waits).unwrap();
}

fn is_open(situation: &Situation, step: StepRef) -> bool {
    situation.jobs[step.job.index()].chain.step(step.step).fixed().is_none()
}

/// Promises of steps that have begun are history.
pub fn forget_begun(situation: &mut Situation) {
    let published = std::mem::take(&mut situation.published);
    situation.published = published.into_iter().filter(|promise| is_open(situation, promise.step)).collect();
}

/// The plan is published, and all goes as planned until `now`; `twist` may change what happened to a step.
pub fn go_on(
    situation: &Situation,
    plan: &Plan,
    now: Minute,
    mut twist: impl FnMut(&Placement, &Step, Attempt) -> Attempt,
) -> Situation {
    let mut situation = situation.clone().with_published(plan);
    situation.now = now;
    for placement in plan.placements.iter().filter(|placement| placement.start() < now) {
        let StepRef { job, step } = placement.step;
        if !is_open(&situation, placement.step) {
            // What runs ends when it was expected to.
            with_steps(&mut situation, job, |steps| {
                if let Some(last) = steps[step.index()].attempts.last_mut()
                    && last.outcome == Outcome::Running
                    && last.finish <= now
                {
                    last.outcome = Outcome::Done;
                }
            });
            continue;
        }
        let finish = placement.finish();
        let outcome = if finish <= now { Outcome::Done } else { Outcome::Running };
        let (crew, start) = (placement.crew, placement.start());
        let attempt = Attempt { crew, start, finish, outcome, retry_not_before: None };
        with_steps(&mut situation, job, |steps| {
            let attempt = twist(placement, &steps[step.index()], attempt);
            steps[step.index()].attempts.push(attempt);
        });
    }
    forget_begun(&mut situation);
    situation
}

/// Steps that are still to come, in the first `days` of the plan.
fn coming<'p>(situation: &Situation, plan: &'p Plan, days: i64) -> Vec<&'p Placement> {
    let until = situation.now.plus(days * 1440);
    let coming = |placement: &&Placement| is_open(situation, placement.step) && placement.finish() < until;
    plan.placements.iter().filter(coming).collect()
}

/// One failure at a drawn instant of the first `days` of the plan's life; `None` when the plan has nothing that could
/// fail so. Also gives the jobs it happened to; for a crew or a machine none.
pub fn fail(
    draw: &mut Draw,
    situation: &Situation,
    plan: &Plan,
    failure: Failure,
    days: i64,
) -> Option<(Situation, Vec<JobIx>)> {
    let coming = coming(situation, plan, days);
    let as_planned = |_: &Placement, _: &Step, attempt: Attempt| attempt;
    if coming.is_empty() {
        return None;
    }
    match failure {
        Failure::FailedCheck => {
            let can_fail = |placement: &&&Placement| {
                let chain = &situation.jobs[placement.step.job.index()].chain;
                chain.step(placement.step.step).recheck_after_minutes.is_some()
            };
            let checks: Vec<&Placement> = coming.iter().filter(can_fail).copied().collect();
            let check = *checks.get(draw.below(checks.len().max(1)))?;
            let retry = check.finish().plus(draw.between(12 * 60, 4 * 1440));
            let failed = go_on(situation, plan, check.finish(), |placement, _, attempt| {
                if placement.step != check.step {
                    return attempt;
                }
                Attempt { outcome: Outcome::Failed, retry_not_before: Some(retry), ..attempt }
            });
            Some((failed, vec![check.step.job]))
        }
        Failure::CrewIll => {
            let step = draw.pick(&coming);
            let now = step.start().plus(-draw.between(60, 180)).max(situation.now);
            let mut ill = go_on(situation, plan, now, as_planned);
            ill.crews[step.crew.index()].absences.extend(Span::new(now, now.plus(1440)));
            Some((ill, Vec::new()))
        }
        Failure::MachineGone => {
            let uses_gear = |placement: &&&Placement| !placement.units.is_empty();
            let users: Vec<&Placement> = coming.iter().filter(uses_gear).copied().collect();
            let step = *users.get(draw.below(users.len().max(1)))?;
            let now = step.start().plus(-draw.between(0, 240)).max(situation.now);
            let mut short = go_on(situation, plan, now, as_planned);
            let kind = step.units[draw.below(step.units.len())].equipment;
            short.equipment[kind.index()].units = short.equipment[kind.index()].units.saturating_sub(1);
            Some((short, Vec::new()))
        }
        Failure::LateFinish => {
            let step = draw.pick(&coming);
            let late = draw.between(30, 300);
            let now = step.finish().plus(-1).max(step.start().plus(1));
            let slow = go_on(situation, plan, now, |placement, _, attempt| {
                if placement.step != step.step {
                    return attempt;
                }
                Attempt { outcome: Outcome::Running, finish: attempt.finish.plus(late), ..attempt }
            });
            Some((slow, vec![step.step.job]))
        }
    }
}

/// Time passes: what was planned to begin before the new now has begun, and mostly as planned.
pub fn pass_time(situation: &mut Situation, plan: &Plan, draw: &mut Draw) {
    let now = situation.now.plus(draw.between(30, 3 * 1440));
    situation.now = now;
    for placement in plan.placements.iter().filter(|placement| placement.start() < now) {
        let StepRef { job, step } = placement.step;
        if situation.jobs[job.index()].chain.step(step).fixed().is_some() {
            continue;
        }
        let late = if draw.chance(15) { draw.between(1, 240) } else { 0 };
        let done = placement.finish().plus(late) <= now;
        let finish = if done { placement.finish().plus(late) } else { placement.finish().plus(late).max(now.plus(1)) };
        let can_fail = situation.jobs[job.index()].chain.step(step).recheck_after_minutes.is_some();
        let outcome = match done {
            true if can_fail && draw.chance(40) => Outcome::Failed,
            true => Outcome::Done,
            false => Outcome::Running,
        };
        let attempt =
            Attempt { crew: placement.crew, start: placement.start(), finish, outcome, retry_not_before: None };
        with_steps(situation, job, |steps| steps[step.index()].attempts.push(attempt));
    }
}

/// Now and then each: a crew is away, somebody pins, a crew has one more, the air gets damper.
pub fn disturb(situation: &mut Situation, draw: &mut Draw) {
    if draw.chance(50) {
        let crew = draw.below(situation.crews.len());
        let from = situation.now.plus(draw.between(0, 1440));
        let away = Span::new(from, from.plus(draw.between(60, 2 * 1440))).unwrap();
        situation.crews[crew].absences.push(away);
    }
    if draw.chance(30) {
        let job = draw.below(situation.jobs.len());
        let step = StepIx::from_index(draw.below(situation.jobs[job].chain.steps().len()));
        let open = matches!(situation.jobs[job].chain.step(step).state(), StepState::Open { .. });
        let extra = situation.jobs[job].chain.step(step).only_on_lapse;
        if open && !extra {
            let crew = draw.chance(50).then(|| CrewIx::from_index(draw.below(situation.crews.len())));
            let start = draw.chance(50).then(|| situation.now.plus(draw.between(0, 3 * 1440)));
            with_steps(situation, JobIx::from_index(job), |steps| {
                steps[step.index()].pin.crew = crew;
                steps[step.index()].pin.start = start;
            });
        }
    }
    if draw.chance(20) {
        let crew = draw.below(situation.crews.len());
        situation.crews[crew].head_count = (situation.crews[crew].head_count + 1).min(9);
    }
    if draw.chance(20) {
        for region in &mut situation.regions {
            region
                .hours
                .iter_mut()
                .for_each(|hour| hour.air.rh_centi_percent = (hour.air.rh_centi_percent + 900).min(9_900));
        }
    }
}
