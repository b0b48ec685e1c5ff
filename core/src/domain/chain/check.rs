//! What makes steps and waits hang together: each step and wait by itself, then the whole. Every refusal names the step
//! or wait, and what would cure it.

use super::{OnExceed, Outcome, Step, Wait, WaitKind, WaitMax, Work};
use crate::domain::bounds::{
    ATTEMPTS_MAX, HEAD_COUNT_MAX, STEP_MINUTES_MAX, STEPS_PER_CHAIN_MAX, WAIT_MINUTES_MAX, WAITS_PER_CHAIN_MAX,
};
use crate::domain::climate::Gate;
use crate::domain::fault::Fault;
use crate::domain::ids::StepIx;
use std::collections::BTreeSet;

pub(super) fn counts(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
    if steps.is_empty() || steps.len() > STEPS_PER_CHAIN_MAX || waits.len() > WAITS_PER_CHAIN_MAX {
        return Err(Fault::new(
            "bad-chain-size",
            format!("a chain of {} steps and {} waits", steps.len(), waits.len()),
            format!("give 1 to {STEPS_PER_CHAIN_MAX} steps and at most {WAITS_PER_CHAIN_MAX} waits; split longer jobs"),
        ));
    }
    Ok(())
}

pub(super) fn step(step: &Step) -> Result<(), Fault> {
    let key = &step.key;
    let (minutes, most_minutes, people_max) = match step.work {
        Work::Fixed { minutes } => (minutes, minutes, 1),
        Work::Shared { person_minutes, people_max } => (person_minutes, person_minutes, people_max),
        Work::ByApplicators { one_minutes, two_minutes } => {
            (one_minutes.min(two_minutes), one_minutes.max(two_minutes), 2)
        }
    };
    let in_range = minutes >= 1
        && most_minutes <= STEP_MINUTES_MAX
        && (0..=STEP_MINUTES_MAX).contains(&step.set_up_minutes)
        && people_max >= 1
        && step.head_count_min >= 1;
    if !in_range {
        return Err(Fault::new(
            "bad-work",
            format!(
                "step {key}: {most_minutes} minutes of work, {} of set-up, for at most {people_max} people",
                step.set_up_minutes
            ),
            format!("give 1 to {STEP_MINUTES_MAX} minutes of work, no negative set-up, and at least one person"),
        ));
    }
    if step.areas.is_empty() || step.areas.windows(2).any(|pair| pair[0] >= pair[1]) {
        return Err(Fault::new(
            "bad-areas",
            format!("step {key} names no area, or one twice"),
            "name each area of the house that the step works in once",
        ));
    }
    if let Some(pause) = step.recheck_after_minutes
        && !(0..=WAIT_MINUTES_MAX).contains(&pause)
    {
        return Err(Fault::new(
            "bad-recheck",
            format!("step {key} would be checked again after {pause} minutes"),
            format!("give 0 to {WAIT_MINUTES_MAX} minutes"),
        ));
    }
    if step.dividable && step.gate.is_some() {
        return Err(Fault::new(
            "divided-coating",
            format!("step {key} may pause overnight and yet needs certain air"),
            "make it undividable, or drop its climate limits",
        ));
    }
    step.gate.as_ref().map_or(Ok(()), Gate::check)?;
    attempts(step)
}

pub(super) fn attempts(step: &Step) -> Result<(), Fault> {
    let key = &step.key;
    if step.attempts.len() > ATTEMPTS_MAX {
        return Err(Fault::new(
            "too-many-attempts",
            format!("step {key} was tried {} times", step.attempts.len()),
            format!("a step takes at most {ATTEMPTS_MAX} attempts; put the job on hold and find the cause"),
        ));
    }
    let last = step.attempts.len().saturating_sub(1);
    for (number, attempt) in step.attempts.iter().enumerate() {
        let may_fail = step.recheck_after_minutes.is_some();
        let ordered = number == 0 || step.attempts[number - 1].finish <= attempt.start;
        let (possible, closed) = match attempt.outcome {
            Outcome::Running => (true, number == last),
            // What is done is done again only where it is wetted anew: see `wetted_again`.
            Outcome::Done => (true, true),
            Outcome::Failed => (may_fail, true),
            Outcome::Paused { remaining_minutes, people } => {
                let left = (1..=STEP_MINUTES_MAX).contains(&remaining_minutes);
                (step.dividable && left && (1..=HEAD_COUNT_MAX).contains(&people), true)
            }
        };
        let retried = attempt.retry_not_before.is_none_or(|retry| {
            attempt.outcome == Outcome::Failed && (0..=WAIT_MINUTES_MAX).contains(&retry.since(attempt.finish))
        });
        if !retried {
            return Err(Fault::new(
                "bad-retry",
                format!("attempt {} of step {key} says absurdly when to try again", number + 1),
                format!("only a failed attempt has a next one, at most {WAIT_MINUTES_MAX} minutes after its end"),
            ));
        }
        if attempt.start >= attempt.finish || !ordered || !closed || !possible {
            return Err(Fault::new(
                "bad-history",
                format!("attempt {} of step {key} does not follow from what was recorded before", number + 1),
                "attempts end after they start and follow each other; only a failed check is tried again, or what was paused",
            ));
        }
    }
    Ok(())
}

/// Only the first part of a dwell is done again after it was done: the floor had dried before the second.
pub(super) fn wetted_again(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
    let first_part = |step: usize| waits.iter().any(|w| w.kind == WaitKind::Dwell && w.from.index() == step);
    let again = |step: &Step| (1..step.attempts.len()).any(|number| step.is_re_wet(number));
    match steps.iter().enumerate().find(|(number, step)| again(step) && !first_part(*number)) {
        None => Ok(()),
        Some((_, step)) => Err(Fault::new(
            "bad-history",
            format!("step {} was done again after it was done", step.key),
            "keep what is done; only the first part of a treatment is wetted again before the second",
        )),
    }
}

pub(super) fn unique(steps: &[Step]) -> Result<(), Fault> {
    let mut seen = BTreeSet::new();
    match steps.iter().find(|step| !seen.insert(&step.key)) {
        None => Ok(()),
        Some(twice) => Err(Fault::new(
            "duplicate-step",
            format!("two steps are called {}", twice.key),
            "give each step of a chain its own key",
        )),
    }
}

fn named(steps: &[Step], wait: &Wait) -> String {
    format!("the wait from {} to {}", steps[wait.from.index()].key, steps[wait.to.index()].key)
}

pub(super) fn wait(steps: &[Step], wait: &Wait) -> Result<(), Fault> {
    if wait.from.index() >= steps.len() || wait.to.index() >= steps.len() {
        return Err(Fault::new(
            "dangling-wait",
            "a wait joins a step that is not in the chain",
            "name steps of this chain",
        ));
    }
    let name = named(steps, wait);
    let longest = wait.max.map_or(wait.min_minutes, |max| max.minutes);
    if wait.min_minutes < 0 || wait.min_minutes > WAIT_MINUTES_MAX || longest > WAIT_MINUTES_MAX {
        return Err(Fault::new(
            "bad-wait",
            format!("{name} takes {} to {longest} minutes", wait.min_minutes),
            format!("waits take 0 to {WAIT_MINUTES_MAX} minutes"),
        ));
    }
    if longest < wait.min_minutes {
        return Err(Fault::new(
            "max-below-min",
            format!("{name} has a maximum of {longest} minutes below its minimum of {}", wait.min_minutes),
            "raise the maximum or lower the minimum",
        ));
    }
    if wait.from == wait.to {
        return Err(Fault::new("cycle", format!("{name} joins a step to itself"), "join two different steps"));
    }
    Ok(())
}

pub(super) fn pairs(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
    let mut seen = BTreeSet::new();
    match waits.iter().find(|wait| !seen.insert((wait.from, wait.to))) {
        None => Ok(()),
        Some(twice) => Err(Fault::new(
            "duplicate-wait",
            format!("{} is given twice", named(steps, twice)),
            "give one wait for each pair of steps",
        )),
    }
}

pub(super) fn lapses(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
    let mut extras = BTreeSet::new();
    for wait in waits {
        let touches_extra = steps[wait.from.index()].only_on_lapse || steps[wait.to.index()].only_on_lapse;
        let lapse = match wait.max {
            Some(WaitMax { on_exceed: OnExceed::Lapse(extra), .. }) => Some(extra),
            _ => None,
        };
        let good = lapse.is_none_or(|extra| {
            extra.index() < steps.len() && steps[extra.index()].only_on_lapse && extras.insert(extra)
        });
        if touches_extra || !good {
            return Err(Fault::new(
                "bad-lapse",
                format!("{} does not fit the extra step it names", named(steps, wait)),
                "an extra step is marked as only on lapse, is named by exactly one wait, and has no waits of its own",
            ));
        }
    }
    let unnamed =
        steps.iter().enumerate().find(|(i, step)| step.only_on_lapse && !extras.contains(&StepIx::from_index(*i)));
    match unnamed {
        None => Ok(()),
        Some((_, step)) => Err(Fault::new(
            "bad-lapse",
            format!("step {} is marked as only on lapse, but no wait names it", step.key),
            "let one wait's maximum name it, or make it an ordinary step",
        )),
    }
}

pub(super) fn dwells(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
    let (mut begun, mut ended) = (BTreeSet::new(), BTreeSet::new());
    for wait in waits.iter().filter(|wait| wait.kind == WaitKind::Dwell) {
        let (from, to) = (&steps[wait.from.index()], &steps[wait.to.index()]);
        let forbids = matches!(wait.max, Some(WaitMax { on_exceed: OnExceed::Forbid, .. }));
        let plain = wait.film.is_none() && !wait.overnight && !wait.keep_off;
        let whole = !from.dividable
            && !to.dividable
            && from.recheck_after_minutes.is_none()
            && to.recheck_after_minutes.is_none();
        if !forbids || !plain || !whole || !begun.insert(wait.from) || !ended.insert(wait.to) {
            return Err(Fault::new(
                "bad-dwell",
                format!("{} cannot be a dwell", named(steps, wait)),
                "a dwell forbids exceeding its maximum, is not stretched, overnight or keep-off, joins two undividable \
                 steps that are not checks, and a step has at most one dwell before and one after it",
            ));
        }
    }
    Ok(())
}

/// Kahn's algorithm, always taking the earliest-listed step that is free, so that the order is the reader's own.
pub(super) fn topological_order(steps: &[Step], waits: &[Wait]) -> Result<Vec<StepIx>, Fault> {
    let mut arcs: Vec<(StepIx, StepIx)> = waits.iter().map(|wait| (wait.from, wait.to)).collect();
    for wait in waits {
        if let Some(WaitMax { on_exceed: OnExceed::Lapse(extra), .. }) = wait.max {
            arcs.extend([(wait.from, extra), (extra, wait.to)]);
        }
    }
    let mut open = vec![0usize; steps.len()];
    arcs.iter().for_each(|(_, to)| open[to.index()] += 1);
    let mut free: BTreeSet<StepIx> =
        (0..steps.len()).map(StepIx::from_index).filter(|s| open[s.index()] == 0).collect();
    let mut order = Vec::with_capacity(steps.len());
    while let Some(next) = free.pop_first() {
        order.push(next);
        for &(_, to) in arcs.iter().filter(|(from, _)| *from == next) {
            open[to.index()] -= 1;
            if open[to.index()] == 0 {
                free.insert(to);
            }
        }
    }
    if order.len() == steps.len() {
        return Ok(order);
    }
    let stuck: Vec<&str> =
        steps.iter().zip(&open).filter(|(_, n)| **n > 0).map(|(step, _)| step.key.as_str()).collect();
    Err(Fault::new(
        "cycle",
        format!("the waits go round in a circle among the steps {}", stuck.join(", ")),
        "remove one of the waits between them",
    ))
}
