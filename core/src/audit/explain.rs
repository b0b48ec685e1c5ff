//! Each violation as one sentence that a dispatcher understands: who, which step, which house, and local times.

use super::cost::total;
use super::violation::{
    Able, Claim, Climate, Gear, History, InHouse, Named, OnePlace, Order, Shift, Violation, WaitMaximum, WaitMinimum,
    Whole,
};
use super::words::{Words, local};
use crate::domain::ids::{CrewIx, StepRef};
use crate::domain::plan::Cause;
use crate::domain::situation::Situation;
use crate::domain::time::Minute;

impl Violation {
    /// One plain sentence. Times are local to the step's house.
    pub fn explain(&self, situation: &Situation) -> String {
        let words = |step: StepRef| Words { situation, step };
        match self {
            Violation::Shift(step, fault) => words(*step).shift(fault),
            Violation::OnePlace(step, fault) => words(*step).one_place(fault),
            Violation::Able(step, fault) => words(*step).able(fault),
            Violation::WaitMinimum(step, fault) => words(*step).wait_minimum(fault),
            Violation::WaitMaximum(step, fault) => words(*step).wait_maximum(fault),
            Violation::InHouse(step, fault) => words(*step).in_house(fault),
            Violation::Gear(step, fault) => words(*step).gear(fault),
            Violation::Climate(step, fault) => words(*step).climate(fault),
            Violation::History(step, fault) => words(*step).history(fault),
            Violation::Order(step, fault) => words(*step).order(fault),
            Violation::Whole(step, fault) => words(*step).whole(fault),
            Violation::Claim(fault) => claim(situation, fault),
        }
    }
}

/// Sentences about one step.
impl Words<'_> {
    fn shift(&self, fault: &Shift) -> String {
        let it = self.it();
        match fault {
            Shift::BadPieces {} => {
                format!("{it} is placed, but its working times are missing, overlap or go backwards.")
            }
            Shift::OutsideWorkableTime { crew, span } => {
                format!(
                    "{} would be at {it} from {}, which is not inside one working span.",
                    self.crew(*crew),
                    self.span(*span)
                )
            }
            Shift::BadPause { crew, ends, workable_end, resumes, workable_start } => format!(
                "{} leaves {it} at {} and goes on at {}, but may pause only at {} and must go on at {}.",
                self.crew(*crew),
                self.at(*ends),
                self.at(*resumes),
                self.at(*workable_end),
                self.at_or_never(*workable_start),
            ),
            Shift::NotDividable { pieces } => format!("{it} may not pause, but is cut into {pieces} pieces."),
            Shift::BeyondHorizon { finish, horizon_end } => format!(
                "{it} would finish on {}, after the plan's horizon ends on {}.",
                self.at(*finish),
                self.at(*horizon_end),
            ),
        }
    }

    fn one_place(&self, fault: &OnePlace) -> String {
        let it = self.it();
        match fault {
            OnePlace::DoubleBooked { crew, other, at } => format!(
                "{} is booked for {it} and for {} at {}.",
                self.crew(*crew),
                self.step_name(*other),
                self.at(*at),
            ),
            OnePlace::WorkDuringPause { crew, other, at } => format!(
                "{} has not finished one of {it} and {} when it begins the other at {}.",
                self.crew(*crew),
                self.step_name(*other),
                self.at(*at),
            ),
            OnePlace::TooLittleTravel { crew, other, minutes, needed_minutes } => format!(
                "{} has {minutes} minutes between {} and {it}, but the way takes {needed_minutes}.",
                self.crew(*crew),
                self.step_name(*other),
            ),
        }
    }

    fn able(&self, fault: &Able) -> String {
        let it = self.it();
        match fault {
            Able::SkillMissing { crew, missing } => {
                format!("{} is given {it} without the skills for it: {}.", self.crew(*crew), self.skills(*missing))
            }
            Able::TooFewPeople { crew, people, needed } => {
                format!("{it} takes {needed} people, but {} has {people}.", self.crew(*crew))
            }
            Able::WrongDuration { crew, minutes, expected_minutes } => {
                format!("{} is given {minutes} minutes for {it}, but needs {expected_minutes}.", self.crew(*crew))
            }
            Able::PeopleChange { crew, people, at } => format!(
                "{} is {people} people from {} on, in the middle of {it}, which then takes another time.",
                self.crew(*crew),
                self.at(*at),
            ),
        }
    }

    fn wait_minimum(&self, fault: &WaitMinimum) -> String {
        let it = self.it();
        match fault {
            WaitMinimum::WaitTooShort { after, start, ready } => format!(
                "{it} starts on {}, but the floor is not ready after {} before {}.",
                self.at(*start),
                self.sibling(*after),
                self.at_or_never(*ready),
            ),
            WaitMinimum::SameDay { after, start, next_day } => format!(
                "{it} starts on {}, but must leave {} overnight, until {} or later.",
                self.at(*start),
                self.sibling(*after),
                self.at(*next_day),
            ),
            WaitMinimum::DwellTooShort { after, minutes, min_minutes } => format!(
                "{it} follows {} after {minutes} minutes, but the dwell takes at least {min_minutes}.",
                self.sibling(*after),
            ),
        }
    }

    fn wait_maximum(&self, fault: &WaitMaximum) -> String {
        let it = self.it();
        match fault {
            WaitMaximum::WaitTooLong { after, minutes, max_minutes } => {
                format!("{it} follows {} after {minutes} minutes, but must within {max_minutes}.", self.sibling(*after))
            }
            WaitMaximum::DwellTooLong { after, minutes, max_minutes } => format!(
                "{it} follows {} after {minutes} minutes, but the dwell may take at most {max_minutes}.",
                self.sibling(*after),
            ),
            WaitMaximum::DwellTwoCrews { after, crew, crew_before } => format!(
                "{} does {it}, but {} did {} before the dwell, and one crew must do both.",
                self.crew(*crew),
                self.crew(*crew_before),
                self.sibling(*after),
            ),
            WaitMaximum::LapseWithoutExtra { after, extra, lapsed } => format!(
                "{it} starts after the time since {} ran out on {}, and {} is not planned before it.",
                self.sibling(*after),
                self.at(*lapsed),
                self.sibling(*extra),
            ),
            WaitMaximum::ExtraWithoutLapse { after, before } => format!(
                "{it} is planned, but the time between {} and {} has not run out.",
                self.sibling(*after),
                self.sibling(*before),
            ),
            WaitMaximum::ExtraOutOfPlace { after, before, ready, successor_start } => format!(
                "{it} must lie between {}, when {} is dry, and {}, when {} starts.",
                self.at_or_never(*ready),
                self.sibling(*after),
                self.at(*successor_start),
                self.sibling(*before),
            ),
        }
    }

    fn in_house(&self, fault: &InHouse) -> String {
        let it = self.it();
        match fault {
            InHouse::HouseClosed { house, span } => {
                format!("{it} is planned from {}, when nobody may work in {}.", self.span(*span), self.house(*house))
            }
            InHouse::AreaShared { other, area, at } => {
                format!("{it} and {} are both in {} at {}.", self.step_name(*other), self.area(*area), self.at(*at))
            }
            InHouse::KeepOff { wet, area, at, ready } => format!(
                "{it} works in {} at {}, where {} keeps everybody off until {}.",
                self.area(*area),
                self.at(*at),
                self.step_name(*wet),
                self.at_or_never(*ready),
            ),
        }
    }

    fn gear(&self, fault: &Gear) -> String {
        let it = self.it();
        match fault {
            Gear::WrongUnits { equipment, needed, held } => {
                format!("{it} takes {needed} of {}, but is given {held} (each counted once).", self.kind(*equipment))
            }
            Gear::UnitDoubled { equipment, unit, other, at } => format!(
                "{} is given to {it} and to {} at {}.",
                self.unit(*equipment, *unit),
                self.step_name(*other),
                self.at(*at),
            ),
            Gear::UnitOut { equipment, unit, at } => {
                format!("{it} is given {}, which is out of use at {}.", self.unit(*equipment, *unit), self.at(*at))
            }
            Gear::TooFewLeft { equipment, in_use, left, at } => format!(
                "{it} is one of the steps that take {in_use} of {} at {}, when only {left} can be used.",
                self.kind(*equipment),
                self.at(*at),
            ),
            Gear::UnitTooFast { equipment, unit, other, minutes, needed_minutes } => format!(
                "{} has {minutes} minutes to get from {} to {it}, but the way takes {needed_minutes}.",
                self.unit(*equipment, *unit),
                self.step_name(*other),
            ),
        }
    }

    fn climate(&self, fault: &Climate) -> String {
        match fault {
            Climate::GateShut { at } => format!(
                "{} needs air that the house does not have at {}, during the work or the time it must hold after.",
                self.it(),
                self.at(*at),
            ),
        }
    }

    fn history(&self, fault: &History) -> String {
        let it = self.it();
        match fault {
            History::HistoryMoved { crew, span } => {
                format!("{it} was begun by {}, {}, and the plan puts it elsewhere.", self.crew(*crew), self.span(*span))
            }
            History::HistoryHoldsGear {} => format!("{it} is done, but the plan still gives it gear."),
            History::PinBroken { crew, start, day } => {
                let by = crew.map(|crew| format!(" to {}", self.crew(crew))).unwrap_or_default();
                let on = start.map(|start| format!(" to {}", self.at(start))).unwrap_or_default();
                let during = day.map(|day| format!(" to {}", day.format("%a %-d %b %Y"))).unwrap_or_default();
                format!("{it} is pinned{by}{on}{during}, and the plan moves it.")
            }
            History::FrozenMoved { promised_crew, promised_start } => {
                format!("{} and the plan does not say why.", self.promise(*promised_crew, *promised_start))
            }
            History::FalseCause { promised_crew, promised_start, cause } => format!(
                "{} and the reason given is not true: {}.",
                self.promise(*promised_crew, *promised_start),
                self.cause(*cause),
            ),
            History::CauseWithoutMove {} => format!("{it} gives a reason for a move that there was not."),
        }
    }

    fn promise(&self, crew: CrewIx, start: Minute) -> String {
        format!("{} was promised for {} with {}, is moved on short notice,", self.it(), self.at(start), self.crew(crew))
    }

    fn cause(&self, cause: Cause) -> String {
        match cause {
            Cause::StartPassed => "its start has passed".to_owned(),
            Cause::NotYet => "it may not start yet".to_owned(),
            Cause::Pinned => "it is pinned elsewhere".to_owned(),
            Cause::CrewAway => "the crew is away".to_owned(),
            Cause::CrewUnable => "the crew cannot do it as planned".to_owned(),
            Cause::HouseClosed => "the house is closed".to_owned(),
            Cause::Weather => "the air is outside its limits".to_owned(),
            Cause::EquipmentShort => "there is less gear than planned".to_owned(),
            Cause::WaitsFor(before) => format!("it waits for {}", self.sibling(before)),
            Cause::TooLateAfter(before) => format!("it would be too late after {}", self.sibling(before)),
            Cause::CrewBusyWith(other) => format!("the crew is busy with {}", self.step_name(other)),
            Cause::AreaTakenBy(other) => format!("the area is taken by {}", self.step_name(other)),
            Cause::GearTakenBy(other) => format!("the gear is taken by {}", self.step_name(other)),
        }
    }

    fn order(&self, fault: &Order) -> String {
        let it = self.it();
        match fault {
            Order::BeforeNow { start } => format!("{it} would start on {}, which has passed.", self.at(*start)),
            Order::BeforeRelease { start, release } => {
                format!("{it} starts on {}, before its job is released on {}.", self.at(*start), self.at(*release))
            }
            Order::BeforePin { start, not_before } => {
                format!("{it} starts on {}, but is pinned to {} or later.", self.at(*start), self.at(*not_before))
            }
            Order::BeforeRecheck { start, not_before } => {
                format!("{it} is tried again on {}, but may be only from {}.", self.at(*start), self.at(*not_before))
            }
            Order::BeforePredecessor { after, start, finish } => format!(
                "{it} starts on {}, before {} has finished on {}.",
                self.at(*start),
                self.sibling(*after),
                self.at(*finish),
            ),
            Order::PredecessorMissing { after } => {
                format!("{it} is planned without {}, which comes before it.", self.sibling(*after))
            }
            Order::AfterFailedCheck { check, retry } => {
                let until = retry.map_or("is not planned".to_owned(), |at| format!("ends on {}", self.at(at)));
                format!("{it} follows the failed check {}, whose next try {until}.", self.sibling(*check))
            }
        }
    }

    fn whole(&self, fault: &Whole) -> String {
        let it = self.it();
        match fault {
            Whole::PlacedTwice {} => format!("{it} is in the plan twice."),
            Whole::ListedTwice {} => format!("{it} is twice in the list of what could not be planned."),
            Whole::Missing {} => format!("{it} is neither in the plan nor in the list of what could not be planned."),
            Whole::ListedAndPlaced {} => format!("{it} is in the plan and in the list of what could not be planned."),
            Whole::ListedNeedlessly {} => format!("{it} is only done when needed, yet listed as not planned."),
            Whole::UnknownStep {} => format!("The plan has {it}, and there is no such step."),
            Whole::Unsorted {} => format!("{it} is not where it belongs in the plan's lists, which are sorted."),
            Whole::BadIndex { what } => format!("{it} names {}, and there is none.", self.named(*what)),
        }
    }

    fn named(&self, what: Named) -> String {
        match what {
            Named::Crew(crew) => self.crew(crew),
            Named::Equipment(equipment) => self.kind(equipment),
            Named::Unit(equipment, unit) => self.unit(equipment, unit),
            Named::Step(step) => self.step_name(step),
        }
    }
}

fn claim(situation: &Situation, fault: &Claim) -> String {
    let zone = situation.settings.zone;
    match fault {
        Claim::PlanForAnotherInstant { plan_now } => {
            format!("The plan was made for {}, and it is {}.", local(zone, *plan_now), local(zone, situation.now))
        }
        Claim::CostWrong { claimed, counted } => {
            format!("The plan says that it costs {}, but it costs {}.", total(claimed), total(counted))
        }
        Claim::LowerBoundAboveCost { lower_bound, cost } => {
            format!("The plan costs {cost}, but says that no plan costs less than {lower_bound}.")
        }
    }
}
