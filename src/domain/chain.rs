//! A job's chain: steps of work, and the waits between them. A `Chain` exists only if it hangs together: no cycle, no
//! maximum below its minimum, every lapse has its extra step, every dwell is one crew's unbroken run.

use super::bounds::{ATTEMPTS_MAX, STEP_MINUTES_MAX, STEPS_PER_CHAIN_MAX, WAIT_MINUTES_MAX, WAITS_PER_CHAIN_MAX};
use super::climate::{Film, Gate};
use super::fault::Fault;
use super::ids::{AreaIx, CrewIx, EquipmentIx, SkillSet, StepIx, WaitIx};
use super::text::{Key, Name};
use super::time::Minute;
use std::collections::BTreeSet;

/// What kind of work a step is; decides colour, caution and words, never the planning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum StepKind {
    /// Protect, mask, carry in.
    SetUp,
    /// Big-machine sanding.
    Sand,
    /// Edges and corners.
    Edge,
    /// Vacuum and tack.
    Vacuum,
    /// Raise the grain with water.
    WaterPop,
    /// First part of a two-part treatment.
    TreatA,
    /// Second part, while the floor is still damp.
    TreatB,
    /// Readings that pass or fail.
    Check,
    /// Colour.
    Stain,
    /// Sealer.
    Seal,
    /// Screen or pad between coats.
    Abrade,
    /// A coat of finish.
    Coat,
    /// Hand-over with the customer.
    WalkThrough,
    /// Anything else a company does.
    Other,
}

/// How long a step takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Work {
    /// The same however many people come, minutes.
    Fixed {
        /// At least 1.
        minutes: i64,
    },
    /// Shared among the people used: person-minutes over people, rounded up.
    Shared {
        /// At least 1.
        person_minutes: i64,
        /// More people than this are not used, at least 1.
        people_max: u32,
    },
}

/// What happened on one try of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// Begun and not finished.
    Running,
    /// Finished; for a check: finished and passed.
    Done,
    /// A check that did not pass. The step must be done again.
    Failed,
}

/// One recorded try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Attempt {
    /// Who.
    pub crew: CrewIx,
    /// When it began.
    pub start: Minute,
    /// When it ended, or is expected to end while it runs.
    pub finish: Minute,
    /// How.
    pub outcome: Outcome,
}

/// What the dispatcher fixed by hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Pin {
    /// Only this crew.
    pub crew: Option<CrewIx>,
    /// Exactly then.
    pub start: Option<Minute>,
    /// Not earlier than this.
    pub not_before: Option<Minute>,
}

/// Where a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepState {
    /// Still to be planned; for a check that failed, no earlier than `not_before`.
    Open {
        /// From the last failed attempt, if any.
        not_before: Option<Minute>,
    },
    /// In hand: stays where it is.
    Running(Attempt),
    /// Over: stays where it happened.
    Done(Attempt),
}

/// One act of work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// Unique in the chain.
    pub key: Key,
    /// For people.
    pub name: Name,
    /// Colour, caution and words.
    pub kind: StepKind,
    /// Areas worked in: sorted, distinct, never empty.
    pub areas: Vec<AreaIx>,
    /// Skills the crew must have, all of them.
    pub skills: SkillSet,
    /// People the crew must have.
    pub head_count_min: u32,
    /// Work itself.
    pub work: Work,
    /// Added once, whoever does it, minutes.
    pub set_up_minutes: i64,
    /// May pause at the end of a working span and go on in the same crew's next one.
    pub dividable: bool,
    /// Gear held from start to finish: kind and units, sorted by kind.
    pub equipment: Vec<(EquipmentIx, u32)>,
    /// Air it needs.
    pub gate: Option<Gate>,
    /// For a check: minutes between a failed attempt's end and the next try. `None`: cannot fail.
    pub recheck_after_minutes: Option<i64>,
    /// Planned only when the wait that names it has lapsed.
    pub only_on_lapse: bool,
    /// What happened so far, oldest first.
    pub attempts: Vec<Attempt>,
    /// What the dispatcher fixed.
    pub pin: Pin,
}

impl Step {
    /// Minutes of work for a crew of `head_count` people, set-up included.
    pub fn duration_minutes(&self, head_count: u32) -> i64 {
        self.set_up_minutes
            + match self.work {
                Work::Fixed { minutes } => minutes,
                Work::Shared { person_minutes, people_max } => {
                    let people = i64::from(head_count.min(people_max).max(1));
                    (person_minutes + people - 1) / people
                }
            }
    }

    /// Where the step stands, from its last attempt.
    pub fn state(&self) -> StepState {
        match self.attempts.last() {
            None => StepState::Open { not_before: None },
            Some(last) => match last.outcome {
                Outcome::Running => StepState::Running(*last),
                Outcome::Done => StepState::Done(*last),
                Outcome::Failed => {
                    let pause = self.recheck_after_minutes.unwrap_or(0);
                    StepState::Open { not_before: Some(last.finish.plus(pause)) }
                }
            },
        }
    }

    /// The attempt that fixes the step in place, if it is running or done.
    pub fn fixed(&self) -> Option<Attempt> {
        match self.state() {
            StepState::Open { .. } => None,
            StepState::Running(attempt) | StepState::Done(attempt) => Some(attempt),
        }
    }
}

/// What follows when a wait's maximum is exceeded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnExceed {
    /// It never is, in any plan.
    Forbid,
    /// The named extra step must come between: after the wait's minimum, before the successor.
    Lapse(StepIx),
}

/// The latest a successor may start, counted from the predecessor's finish by the clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WaitMax {
    /// Minutes after the predecessor's finish.
    pub minutes: i64,
    /// What exceeding it means.
    pub on_exceed: OnExceed,
}

/// How a wait is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WaitKind {
    /// From the predecessor's finish to the successor's start.
    Lag,
    /// The successor follows the predecessor over the floor, point by point: minimum and maximum hold from start to
    /// start and from finish to finish. One crew does both in one unbroken working span, stays through the dwell, and
    /// does nothing else. Has a maximum that forbids; is not stretched by the climate (room conditions).
    Dwell,
}

/// The lag between two steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wait {
    /// The earlier step.
    pub from: StepIx,
    /// The later step.
    pub to: StepIx,
    /// How it is measured.
    pub kind: WaitKind,
    /// Label minutes.
    pub min_minutes: i64,
    /// What dries, if the minimum is stretched by the climate.
    pub film: Option<Film>,
    /// The successor may not start on the calendar day, in the house's zone, on which the predecessor finished.
    pub overnight: bool,
    /// The latest, if there is one.
    pub max: Option<WaitMax>,
    /// Nobody enters the predecessor's areas until the minimum is over.
    pub keep_off: bool,
}

/// Steps and waits that hang together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    steps: Vec<Step>,
    waits: Vec<Wait>,
    order: Vec<StepIx>,
}

impl Chain {
    /// Checks everything that can be checked without the rest of the world.
    pub fn new(steps: Vec<Step>, waits: Vec<Wait>) -> Result<Chain, Fault> {
        check_counts(&steps, &waits)?;
        steps.iter().try_for_each(check_step)?;
        check_unique(&steps)?;
        waits.iter().try_for_each(|wait| check_wait(&steps, wait))?;
        check_pairs(&steps, &waits)?;
        check_lapses(&steps, &waits)?;
        check_dwells(&steps, &waits)?;
        let order = topological_order(&steps, &waits)?;
        Ok(Chain { steps, waits, order })
    }

    /// The steps, addressed by `StepIx`.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// The waits, addressed by `WaitIx`.
    pub fn waits(&self) -> &[Wait] {
        &self.waits
    }

    /// Step indices, predecessors before successors; an extra step stands between the two its wait joins.
    pub fn order(&self) -> &[StepIx] {
        &self.order
    }

    /// One step.
    pub fn step(&self, step: StepIx) -> &Step {
        &self.steps[step.index()]
    }

    /// The step called `key`.
    pub fn find(&self, key: &str) -> Option<StepIx> {
        self.steps.iter().position(|step| step.key.as_str() == key).map(StepIx::from_index)
    }

    /// The wait whose lapse makes `step` necessary.
    pub fn lapse_of(&self, step: StepIx) -> Option<WaitIx> {
        let names =
            |wait: &Wait| matches!(wait.max, Some(WaitMax { on_exceed: OnExceed::Lapse(extra), .. }) if extra == step);
        self.waits.iter().position(names).map(WaitIx::from_index)
    }
}

fn check_counts(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
    if steps.is_empty() || steps.len() > STEPS_PER_CHAIN_MAX || waits.len() > WAITS_PER_CHAIN_MAX {
        return Err(Fault::new(
            "bad-chain-size",
            format!("a chain of {} steps and {} waits", steps.len(), waits.len()),
            format!("give 1 to {STEPS_PER_CHAIN_MAX} steps and at most {WAITS_PER_CHAIN_MAX} waits; split longer jobs"),
        ));
    }
    Ok(())
}

fn check_step(step: &Step) -> Result<(), Fault> {
    let key = &step.key;
    let (minutes, people_max) = match step.work {
        Work::Fixed { minutes } => (minutes, 1),
        Work::Shared { person_minutes, people_max } => (person_minutes, people_max),
    };
    let in_range = (1..=STEP_MINUTES_MAX).contains(&minutes)
        && (0..=STEP_MINUTES_MAX).contains(&step.set_up_minutes)
        && people_max >= 1
        && step.head_count_min >= 1;
    if !in_range {
        return Err(Fault::new(
            "bad-work",
            format!(
                "step {key}: {minutes} minutes of work, {} of set-up, for at most {people_max} people",
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
    check_attempts(step)
}

fn check_attempts(step: &Step) -> Result<(), Fault> {
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
        let closed = number == last || attempt.outcome == Outcome::Failed;
        if attempt.start >= attempt.finish || !ordered || !closed || (attempt.outcome == Outcome::Failed && !may_fail) {
            return Err(Fault::new(
                "bad-history",
                format!("attempt {} of step {key} does not follow from what was recorded before", number + 1),
                "attempts end after they start, follow each other, and only a failed check is tried again",
            ));
        }
    }
    Ok(())
}

fn check_unique(steps: &[Step]) -> Result<(), Fault> {
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

fn check_wait(steps: &[Step], wait: &Wait) -> Result<(), Fault> {
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

fn check_pairs(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
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

fn check_lapses(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
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

fn check_dwells(steps: &[Step], waits: &[Wait]) -> Result<(), Fault> {
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
fn topological_order(steps: &[Step], waits: &[Wait]) -> Result<Vec<StepIx>, Fault> {
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
