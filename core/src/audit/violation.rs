//! What can be wrong with a plan, by the rules of `docs/rules.md`: one enum for each rule, each variant with a stable
//! code and the facts that explain it. The sentences are in `explain`.

use crate::domain::ids::{AreaIx, CrewIx, EquipmentIx, HouseIx, SkillSet, StepIx, StepRef};
use crate::domain::plan::{Cause, Cost};
use crate::domain::time::{Minute, Span};
use chrono::NaiveDate;

/// A broken rule, and the step that breaks it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Violation {
    /// Rule 1.
    Shift(StepRef, Shift),
    /// Rule 2.
    OnePlace(StepRef, OnePlace),
    /// Rule 3.
    Able(StepRef, Able),
    /// Rule 4.
    WaitMinimum(StepRef, WaitMinimum),
    /// Rule 5.
    WaitMaximum(StepRef, WaitMaximum),
    /// Rule 6.
    InHouse(StepRef, InHouse),
    /// Rule 7.
    Gear(StepRef, Gear),
    /// Rule 8.
    Climate(StepRef, Climate),
    /// Rule 9.
    History(StepRef, History),
    /// Rule 10.
    Order(StepRef, Order),
    /// Rule 11.
    Whole(StepRef, Whole),
    /// No rule: what the plan says about itself.
    Claim(Claim),
}

macro_rules! faults {
    ($($(#[$doc:meta])* $name:ident { $($(#[$variant_doc:meta])* $variant:ident { $($field:ident: $type:ty),* } = $code:literal;)* })*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq)]
        #[allow(missing_docs, reason = "each variant says what its fields are; lengths of time are in minutes")]
        pub enum $name { $($(#[$variant_doc])* $variant { $($field: $type),* },)* }

        impl $name {
            /// Codes of all variants.
            pub const CODES: &'static [&'static str] = &[$($code),*];

            /// Stable, kebab-case.
            pub const fn code(&self) -> &'static str {
                match self { $($name::$variant { .. } => $code,)* }
            }
        }
    )*};
}

faults! {
    /// Ways to break rule 1.
    Shift {
        /// There are no pieces, or they are not sorted and disjoint.
        BadPieces {} = "bad-pieces";
        /// `span` is not inside one unbroken span of the crew's working time.
        OutsideWorkableTime { crew: CrewIx, span: Span } = "outside-workable-time";
        /// A pause that does not begin where workable time ends (`ends`: where it begins, `workable_end`: where it
        /// should), or does not end where the next workable time begins.
        BadPause { crew: CrewIx, ends: Minute, workable_end: Minute, resumes: Minute, workable_start: Option<Minute> } = "bad-pause";
        /// More than one piece of a step that may not pause.
        NotDividable { pieces: usize } = "not-dividable";
        /// Ends after the horizon.
        BeyondHorizon { finish: Minute, horizon_end: Minute } = "beyond-horizon";
    }
    /// Ways to break rule 2. `other` is the step that the crew was at before.
    OnePlace {
        /// Both at `at`.
        DoubleBooked { crew: CrewIx, other: StepRef, at: Minute } = "double-booked";
        /// One begins while the other pauses.
        WorkDuringPause { crew: CrewIx, other: StepRef, at: Minute } = "work-during-pause";
        /// Too few minutes between the two houses.
        TooLittleTravel { crew: CrewIx, other: StepRef, minutes: i64, needed_minutes: i64 } = "too-little-travel";
    }
    /// Ways to break rule 3.
    Able {
        /// The crew has not these skills.
        SkillMissing { crew: CrewIx, missing: SkillSet } = "skill-missing";
        /// The crew is too small, at least for a time of the work.
        TooFewPeople { crew: CrewIx, people: u32, needed: u32 } = "too-few-people";
        /// The pieces do not add up to the work.
        WrongDuration { crew: CrewIx, minutes: i64, expected_minutes: i64 } = "wrong-duration";
        /// At `at` the crew has another number of people than before, with which the work takes another time.
        PeopleChange { crew: CrewIx, people: u32, at: Minute } = "people-change";
    }
    /// Ways to break rule 4. `after` is the predecessor.
    WaitMinimum {
        /// Starts before the floor is ready; `ready` is `None` when it never is within the horizon.
        WaitTooShort { after: StepIx, start: Minute, ready: Option<Minute> } = "wait-too-short";
        /// Starts on the day on which the predecessor finished.
        SameDay { after: StepIx, start: Minute, next_day: Minute } = "same-day";
        /// From start to start, or from finish to finish, fewer minutes than the dwell takes.
        DwellTooShort { after: StepIx, minutes: i64, min_minutes: i64 } = "dwell-too-short";
    }
    /// Ways to break rule 5. `after` is the predecessor.
    WaitMaximum {
        /// Starts later than the wait ever allows.
        WaitTooLong { after: StepIx, minutes: i64, max_minutes: i64 } = "wait-too-long";
        /// From start to start, or from finish to finish, more minutes than the dwell may take.
        DwellTooLong { after: StepIx, minutes: i64, max_minutes: i64 } = "dwell-too-long";
        /// Another crew than the predecessor's.
        DwellTwoCrews { after: StepIx, crew: CrewIx, crew_before: CrewIx } = "dwell-two-crews";
        /// Starts after the wait has lapsed, and the extra step is not placed.
        LapseWithoutExtra { after: StepIx, extra: StepIx, lapsed: Minute } = "lapse-without-extra";
        /// The step is an extra one, and the wait between the two has not lapsed.
        ExtraWithoutLapse { after: StepIx, before: StepIx } = "extra-without-lapse";
        /// The step is an extra one, and does not lie between `ready` and the successor's start.
        ExtraOutOfPlace { after: StepIx, before: StepIx, ready: Option<Minute>, successor_start: Minute } = "extra-out-of-place";
    }
    /// Ways to break rule 6.
    InHouse {
        /// `span` is not inside one unbroken span of the house's access hours.
        HouseClosed { house: HouseIx, span: Span } = "house-closed";
        /// The other step is in the same area at the same time.
        AreaShared { other: StepRef, area: AreaIx, at: Minute } = "area-shared";
        /// Works where the other step's wait says keep off, until then; `None` when that never ends within the horizon.
        KeepOff { wet: StepRef, area: AreaIx, at: Minute, ready: Option<Minute> } = "keep-off";
    }
    /// Ways to break rule 7.
    Gear {
        /// Not as many distinct units of a kind as needed.
        WrongUnits { equipment: EquipmentIx, needed: u32, held: u32 } = "wrong-units";
        /// The other step has the same unit at the same time.
        UnitDoubled { equipment: EquipmentIx, unit: u32, other: StepRef, at: Minute } = "unit-doubled";
        /// The unit cannot be there in time from the other step's house.
        UnitTooFast { equipment: EquipmentIx, unit: u32, other: StepRef, minutes: i64, needed_minutes: i64 } = "unit-too-fast";
        /// The unit, which must be brought, is out of use at `at`.
        UnitOut { equipment: EquipmentIx, unit: u32, at: Minute } = "unit-out";
        /// At `at` more units are in use than are not out of use.
        TooFewLeft { equipment: EquipmentIx, in_use: u32, left: u32, at: Minute } = "too-few-left";
    }
    /// Ways to break rule 8.
    Climate {
        /// The house's air is outside the step's limits in the hour that contains `at`.
        GateShut { at: Minute } = "gate-shut";
    }
    /// Ways to break rule 9.
    History {
        /// Not where it happened.
        HistoryMoved { crew: CrewIx, span: Span } = "history-moved";
        /// Done, and still holds gear.
        HistoryHoldsGear {} = "history-holds-gear";
        /// Not the pinned crew, not the pinned start, or not on the pinned day.
        PinBroken { crew: Option<CrewIx>, start: Option<Minute>, day: Option<NaiveDate> } = "pin-broken";
        /// Moved inside the freeze time without a cause.
        FrozenMoved { promised_crew: CrewIx, promised_start: Minute } = "frozen-moved";
        /// The cause is not true.
        FalseCause { promised_crew: CrewIx, promised_start: Minute, cause: Cause } = "false-cause";
        /// A cause for a move that there was not, or that needed none.
        CauseWithoutMove {} = "cause-without-move";
    }
    /// Ways to break rule 10.
    Order {
        /// Starts in the past.
        BeforeNow { start: Minute } = "before-now";
        /// Starts before its job's release.
        BeforeRelease { start: Minute, release: Minute } = "before-release";
        /// Starts before its pin allows.
        BeforePin { start: Minute, not_before: Minute } = "before-pin";
        /// Starts before the pause after its last failed attempt is over, or before the crew left it.
        BeforeRecheck { start: Minute, not_before: Minute } = "before-recheck";
        /// Starts before a predecessor has finished.
        BeforePredecessor { after: StepIx, start: Minute, finish: Minute } = "before-predecessor";
        /// Placed without a predecessor.
        PredecessorMissing { after: StepIx } = "predecessor-missing";
        /// Placed before a new try of a failed check that it follows; `retry` is that try's finish.
        AfterFailedCheck { check: StepIx, retry: Option<Minute> } = "after-failed-check";
    }
    /// Ways to break rule 11.
    Whole {
        /// More than one placement.
        PlacedTwice {} = "placed-twice";
        /// Listed as unplaced more than once.
        ListedTwice {} = "listed-twice";
        /// Neither placed nor listed; a step that has begun must be placed.
        Missing {} = "missing";
        /// Placed and listed as unplaced.
        ListedAndPlaced {} = "listed-and-placed";
        /// Listed as unplaced, though it is an extra step.
        ListedNeedlessly {} = "listed-needlessly";
        /// There is no such step.
        UnknownStep {} = "unknown-step";
        /// Comes after a later step in the list, or its units are not sorted.
        Unsorted {} = "unsorted";
        /// Names a crew, a kind of gear, a unit or a step that is not there.
        BadIndex { what: Named } = "bad-index";
    }
    /// What a plan may say wrongly about itself.
    Claim {
        /// Made for another instant than the situation's.
        PlanForAnotherInstant { plan_now: Minute } = "plan-for-another-instant";
        /// The cost is not what is counted.
        CostWrong { claimed: Cost, counted: Cost } = "cost-wrong";
        /// The lower bound is above the cost.
        LowerBoundAboveCost { lower_bound: i64, cost: i64 } = "lower-bound-above-cost";
    }
}

/// What a placement or a blocker names that is not there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Named {
    /// By its index.
    Crew(CrewIx),
    /// By its index.
    Equipment(EquipmentIx),
    /// By its kind and number.
    Unit(EquipmentIx, u32),
    /// Another step.
    Step(StepRef),
}

impl Violation {
    /// All codes there are, by rule.
    pub const CODES: [&'static [&'static str]; 12] = [
        Claim::CODES,
        Shift::CODES,
        OnePlace::CODES,
        Able::CODES,
        WaitMinimum::CODES,
        WaitMaximum::CODES,
        InHouse::CODES,
        Gear::CODES,
        Climate::CODES,
        History::CODES,
        Order::CODES,
        Whole::CODES,
    ];

    /// Stable, kebab-case, one for each variant of each rule.
    pub const fn code(&self) -> &'static str {
        match self {
            Violation::Shift(_, fault) => fault.code(),
            Violation::OnePlace(_, fault) => fault.code(),
            Violation::Able(_, fault) => fault.code(),
            Violation::WaitMinimum(_, fault) => fault.code(),
            Violation::WaitMaximum(_, fault) => fault.code(),
            Violation::InHouse(_, fault) => fault.code(),
            Violation::Gear(_, fault) => fault.code(),
            Violation::Climate(_, fault) => fault.code(),
            Violation::History(_, fault) => fault.code(),
            Violation::Order(_, fault) => fault.code(),
            Violation::Whole(_, fault) => fault.code(),
            Violation::Claim(fault) => fault.code(),
        }
    }

    /// Number of the rule in `docs/rules.md`; 0 for what the plan says about itself.
    pub const fn rule(&self) -> u8 {
        match self {
            Violation::Claim(_) => 0,
            Violation::Shift(..) => 1,
            Violation::OnePlace(..) => 2,
            Violation::Able(..) => 3,
            Violation::WaitMinimum(..) => 4,
            Violation::WaitMaximum(..) => 5,
            Violation::InHouse(..) => 6,
            Violation::Gear(..) => 7,
            Violation::Climate(..) => 8,
            Violation::History(..) => 9,
            Violation::Order(..) => 10,
            Violation::Whole(..) => 11,
        }
    }

    /// The step that breaks the rule; it may be one that the situation does not have.
    pub const fn step(&self) -> Option<StepRef> {
        match self {
            Violation::Shift(step, _)
            | Violation::OnePlace(step, _)
            | Violation::Able(step, _)
            | Violation::WaitMinimum(step, _)
            | Violation::WaitMaximum(step, _)
            | Violation::InHouse(step, _)
            | Violation::Gear(step, _)
            | Violation::Climate(step, _)
            | Violation::History(step, _)
            | Violation::Order(step, _)
            | Violation::Whole(step, _) => Some(*step),
            Violation::Claim(_) => None,
        }
    }
}
