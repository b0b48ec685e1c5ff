//! A job's chain: steps of work, and the waits between them. A `Chain` exists only if it hangs together: no cycle, no
//! maximum below its minimum, every lapse has its extra step, every dwell is one crew's unbroken run.

mod check;

use super::climate::{Film, Gate};
use super::fault::Fault;
use super::ids::{AreaIx, CrewIx, EquipmentIx, SkillSet, StepIx, WaitIx};
use super::text::{Key, Name};
use super::time::Minute;
use chrono::NaiveDate;

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
    /// One of two parts rolled in sections: how long they take depends on how many roll.
    ByApplicators {
        /// One person does both parts, at least 1.
        one_minutes: i64,
        /// Two or more come, at least 1.
        two_minutes: i64,
    },
}

impl Work {
    /// Minutes for a crew of `head_count` people.
    fn minutes(self, head_count: u32) -> i64 {
        match self {
            Work::Fixed { minutes } => minutes,
            Work::Shared { person_minutes, people_max } => {
                let people = i64::from(head_count.min(people_max).max(1));
                (person_minutes + people - 1) / people
            }
            Work::ByApplicators { one_minutes, two_minutes } => {
                if head_count >= 2 {
                    two_minutes
                } else {
                    one_minutes
                }
            }
        }
    }

    /// The same kind of work, of which `people` have `minutes` left.
    fn left(self, minutes: i64, people: u32) -> Work {
        match self {
            Work::Fixed { .. } => Work::Fixed { minutes },
            Work::Shared { people_max, .. } => {
                Work::Shared { person_minutes: minutes * i64::from(people.min(people_max).max(1)), people_max }
            }
            Work::ByApplicators { one_minutes, two_minutes } => {
                let scaled = |whole: i64, of: i64| ((minutes * whole + of - 1) / of).max(1);
                if people >= 2 {
                    Work::ByApplicators { one_minutes: scaled(one_minutes, two_minutes), two_minutes: minutes }
                } else {
                    Work::ByApplicators { one_minutes: minutes, two_minutes: scaled(two_minutes, one_minutes) }
                }
            }
        }
    }
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
    /// The crew left a dividable step before its end. What is left must still be done, by whichever crew.
    Paused {
        /// What is left, in minutes of that crew at full strength, set-up not included; at least 1.
        remaining_minutes: i64,
        /// How many people that crew has at full strength, at least 1.
        people: u32,
    },
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
    /// Of a failed attempt: when the next is worth its way, as far as the readings tell; never before the pause.
    pub retry_not_before: Option<Minute>,
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
    /// Starts on this calendar day in the house's zone.
    pub day: Option<NaiveDate>,
}

/// Where a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepState {
    /// Still to be planned; for a check that failed or a step that was left, no earlier than `not_before`.
    Open {
        /// From the last failed or paused attempt, if any.
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
    /// Minutes of work for a crew of `head_count` people, set-up included: of what is left, where the step was paused.
    pub fn duration_minutes(&self, head_count: u32) -> i64 {
        self.set_up_minutes + self.left().map_or_else(|| self.work.minutes(head_count), |left| left.minutes(head_count))
    }

    /// What the last pause left of the work, unless the step has been done or has failed since.
    fn left(&self) -> Option<Work> {
        let over = |attempt: &&Attempt| attempt.outcome != Outcome::Running;
        match self.attempts.iter().rfind(over)?.outcome {
            Outcome::Paused { remaining_minutes, people } => Some(self.work.left(remaining_minutes, people)),
            Outcome::Running | Outcome::Done | Outcome::Failed => None,
        }
    }

    /// Whether attempt `number` (from 0) was done again on what was done already: a floor wetted anew, because the first
    /// part of a treatment had dried before the second.
    pub fn is_re_wet(&self, number: usize) -> bool {
        let before = number.checked_sub(1).and_then(|before| self.attempts.get(before));
        before.is_some_and(|before| before.outcome == Outcome::Done)
    }

    /// Where the step stands, from its last attempt.
    pub fn state(&self) -> StepState {
        match self.attempts.last() {
            None => StepState::Open { not_before: None },
            Some(last) => match last.outcome {
                Outcome::Running => StepState::Running(*last),
                Outcome::Done => StepState::Done(*last),
                Outcome::Paused { .. } => StepState::Open { not_before: Some(last.finish) },
                Outcome::Failed => {
                    let rested = last.finish.plus(self.recheck_after_minutes.unwrap_or(0));
                    StepState::Open {
                        not_before: Some(last.retry_not_before.map_or(rested, |retry| retry.max(rested))),
                    }
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
        check::counts(&steps, &waits)?;
        steps.iter().try_for_each(check::step)?;
        check::unique(&steps)?;
        waits.iter().try_for_each(|wait| check::wait(&steps, wait))?;
        check::pairs(&steps, &waits)?;
        check::lapses(&steps, &waits)?;
        check::dwells(&steps, &waits)?;
        check::wetted_again(&steps, &waits)?;
        let order = check::topological_order(&steps, &waits)?;
        Ok(Chain { steps, waits, order })
    }

    /// The steps, addressed by `StepIx`.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// The same chain without the pins of `steps`.
    #[must_use]
    pub fn without_pins(mut self, steps: impl Iterator<Item = StepIx>) -> Chain {
        steps.for_each(|step| self.steps[step.index()].pin = Pin::default());
        self
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
