//! A plan: which crew does which step of which house when, what could not be placed and why, and what it costs.

use super::ids::{CrewIx, EquipmentIx, StepIx, StepRef};
use super::text::Name;
use super::time::{Minute, Span};

/// One piece of gear in use: its kind and its number among that kind, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UnitUse {
    /// Which kind.
    pub equipment: EquipmentIx,
    /// Which one.
    pub unit: u32,
}

/// A step given to a crew at a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placement {
    /// Which step.
    pub step: StepRef,
    /// Who.
    pub crew: CrewIx,
    /// When they work: sorted, disjoint, never empty; one piece unless the step is dividable. The areas and the gear
    /// are taken from the first piece's start to the last one's end.
    pub pieces: Vec<Span>,
    /// Which gear, sorted.
    pub units: Vec<UnitUse>,
    /// Why it is not where it was published, if it was published inside the freeze time.
    pub moved_because: Option<Cause>,
}

impl Placement {
    /// First minute of work.
    pub fn start(&self) -> Minute {
        self.pieces[0].start()
    }

    /// First minute after the work.
    pub fn finish(&self) -> Minute {
        self.pieces[self.pieces.len() - 1].end()
    }

    /// From start to finish, pauses included.
    pub fn hull(&self) -> Span {
        Span::new(self.start(), self.finish()).unwrap_or_else(|| unreachable!("pieces are never empty or reversed"))
    }
}

/// Why a published step inside the freeze time could not stay. Each can be checked from the input and the plan alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// Its published start lies before now and it was not begun.
    StartPassed,
    /// Release date, pin or recheck pause now forbids the published start.
    NotYet,
    /// A pin names another crew, another start or another day.
    Pinned,
    /// The crew does not work then any more.
    CrewAway,
    /// The crew no longer has the skills or the dwell for it, or has not the people all that time, or the work has another
    /// length now.
    CrewUnable,
    /// The house is not open then any more.
    HouseClosed,
    /// The climate gate is shut then.
    Weather,
    /// Fewer units of gear, or fewer of them in use then, than the published plan used.
    EquipmentShort,
    /// The named predecessor ends, or its wait ends, later than the published start.
    WaitsFor(StepIx),
    /// The named predecessor moved or changed, and the published start is past the wait's maximum.
    TooLateAfter(StepIx),
    /// The crew is still at the named step, which is running (or the rest of a run that is), pinned, or was
    /// itself promised inside the freeze time.
    CrewBusyWith(StepRef),
    /// The area is taken or kept off by the named step, which is running (or the rest of a run that is), pinned, or was
    /// itself promised inside the freeze time.
    AreaTakenBy(StepRef),
    /// The gear is taken by the named step, which is running (or the rest of a run that is), pinned, or was
    /// itself promised inside the freeze time.
    GearTakenBy(StepRef),
}

impl Cause {
    /// Whom it names, as the cause of `step`; `None` when it is about nobody else.
    pub fn other_step(self, step: StepRef) -> Option<StepRef> {
        match self {
            Cause::StartPassed
            | Cause::NotYet
            | Cause::Pinned
            | Cause::CrewAway
            | Cause::CrewUnable
            | Cause::HouseClosed
            | Cause::Weather
            | Cause::EquipmentShort => None,
            Cause::WaitsFor(before) | Cause::TooLateAfter(before) => Some(StepRef { step: before, ..step }),
            Cause::CrewBusyWith(other) | Cause::AreaTakenBy(other) | Cause::GearTakenBy(other) => Some(other),
        }
    }
}

/// Which rule of the design keeps a step out of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Blocker {
    /// No crew has the skills; those no single crew brings together with the rest.
    NoCrewWithSkills(Vec<Name>),
    /// Crews have the skills but not the people.
    TooFewPeople {
        /// People needed.
        needed: u32,
        /// Most people that a crew with the skills has at any time within the horizon.
        largest: u32,
    },
    /// Longer than any unbroken time the able crews and the house have in common.
    LongerThanAnyShift {
        /// Of the shortest way to do it, minutes.
        minutes: i64,
        /// Longest common unbroken span within the horizon, minutes; 0 when there is none.
        longest_minutes: i64,
    },
    /// The house is never open within the horizon.
    HouseNeverOpen,
    /// More units than the company has in use at any time within the horizon.
    TooFewUnits {
        /// Which kind.
        equipment: EquipmentIx,
        /// Units needed.
        needed: u32,
        /// Most units in use at any time.
        units: u32,
    },
    /// The steps of a dwell take so different a time that no crew can keep it from first point to last.
    DwellImpossible,
    /// No time within the horizon has the air the step needs.
    ClimateNeverAllows,
    /// The wait before it never ends within the horizon: too cold or too humid to dry.
    NeverDries(StepIx),
    /// A maximum wait after the named step cannot be met by any free crew.
    MaximumWaitAfter(StepIx),
    /// The pin contradicts a rule; the rule is named by the wrapped blocker's own words.
    PinImpossible,
    /// The named predecessor is not placed.
    PredecessorUnplaced(StepIx),
    /// Everything is possible, only not before the horizon ends.
    BeyondHorizon,
}

/// A step left out of the plan, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unplaced {
    /// Which step.
    pub step: StepRef,
    /// Why.
    pub blocker: Blocker,
}

/// The cost of a plan by its parts, in cost points; `total` is their sum.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Cost {
    /// Steps left out.
    pub unplaced: i64,
    /// Weighted lateness against due.
    pub lateness: i64,
    /// Broken published commitments.
    pub broken: i64,
    /// Weighted finish times.
    pub finish: i64,
    /// Time on the road.
    pub travel: i64,
    /// Work outside ordinary hours.
    pub overtime: i64,
    /// Changes of crew within a job.
    pub hand_overs: i64,
}

impl Cost {
    /// The one number that plans are compared by.
    pub const fn total(&self) -> i64 {
        self.unplaced + self.lateness + self.broken + self.finish + self.travel + self.overtime + self.hand_overs
    }
}

/// Who does what when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// The instant it was made for.
    pub now: Minute,
    /// Seed of the search.
    pub seed: u64,
    /// Moves the search was allowed.
    pub move_budget: u64,
    /// Sorted by step: running and done steps, and those planned.
    pub placements: Vec<Placement>,
    /// Sorted by step.
    pub unplaced: Vec<Unplaced>,
    /// As the planner counted; the audit counts again.
    pub cost: Cost,
    /// No plan for this input costs less, cost points.
    pub lower_bound: i64,
}

impl Plan {
    /// The placement of `step`, if it has one.
    pub fn placement(&self, step: StepRef) -> Option<&Placement> {
        self.placements.binary_search_by_key(&step, |placement| placement.step).ok().map(|i| &self.placements[i])
    }
}
