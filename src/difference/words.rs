//! The sentences: first the root, then how it reached the step, link by link.

use super::chain::Link;
use super::root::{Root, run_of};
use super::{Line, StepChange, Visit, promise_of};
use crate::domain::ids::{CrewIx, EquipmentIx, HouseIx, StepRef};
use crate::domain::plan::{Blocker, Cause, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span};
use crate::domain::zone::Zone;

/// Links told at each end of a long way; what lies between is counted.
const LINKS_AT_EACH_END: usize = 2;

struct Words<'a> {
    situation: &'a Situation,
    plan: &'a Plan,
}

/// The whole of it.
pub(super) fn sentence(situation: &Situation, plan: &Plan, step: StepRef, links: &[Link], root: Root) -> String {
    let words = Words { situation, plan };
    let mut out = words.root(root);
    let left_out = links.len().saturating_sub(2 * LINKS_AT_EACH_END);
    for (number, link) in links.iter().rev().enumerate() {
        let told = number < LINKS_AT_EACH_END || number >= LINKS_AT_EACH_END + left_out;
        if told {
            out.push_str(if number == 0 { ", so " } else { ", and so " });
            // The step itself when it is about nobody else.
            let target = link.cause.other_step(link.step).unwrap_or(link.step);
            out.push_str(&words.link(link, number == 0 && named(root) == Some(target)));
        } else if number == LINKS_AT_EACH_END {
            out.push_str(&format!(", and so on over {left_out} more"));
        }
    }
    if links.is_empty() && !speaks_of_it(root, step) {
        out.push_str(&format!(", so {} cannot stay", words.step(step)));
    }
    out.push('.');
    let first = out.chars().next().map(|first| first.to_uppercase().collect::<String>());
    first.map_or(out.clone(), |first| first + &out[out.chars().next().map_or(0, char::len_utf8)..])
}

/// The step that a root's own words name.
fn named(root: Root) -> Option<StepRef> {
    match root {
        Root::FailedCheck(step)
        | Root::Paused(step)
        | Root::Happened(step)
        | Root::NotBefore(step)
        | Root::Pinned(step)
        | Root::StartPassed(step)
        | Root::NewStep(step)
        | Root::Stays(step)
        | Root::ByChoice(step)
        | Root::GaveWay(step, _) => Some(step),
        Root::Released(_)
        | Root::CrewAway(..)
        | Root::CrewUnable(..)
        | Root::HouseClosed(..)
        | Root::Weather(_)
        | Root::EquipmentShort(..)
        | Root::NotReady(_)
        | Root::LeftOut(_)
        | Root::NotNeeded(_) => None,
    }
}

/// Whether the root's own words say what becomes of the step.
fn speaks_of_it(root: Root, step: StepRef) -> bool {
    match root {
        Root::ByChoice(_) | Root::GaveWay(..) | Root::NewStep(_) | Root::NotNeeded(_) | Root::LeftOut(_) => true,
        Root::FailedCheck(about)
        | Root::Paused(about)
        | Root::NotBefore(about)
        | Root::Pinned(about)
        | Root::StartPassed(about) => about == step,
        Root::Happened(_)
        | Root::Released(_)
        | Root::CrewAway(..)
        | Root::CrewUnable(..)
        | Root::HouseClosed(..)
        | Root::Weather(_)
        | Root::EquipmentShort(..)
        | Root::NotReady(_)
        | Root::Stays(_) => false,
    }
}

impl Words<'_> {
    fn step(&self, step: StepRef) -> String {
        let name = &self.situation.jobs[step.job.index()].chain.step(step.step).name;
        format!("{name} at {}", self.house(self.situation.house_of(step)))
    }

    fn sibling(&self, step: StepRef) -> String {
        self.situation.jobs[step.job.index()].chain.step(step.step).name.to_string()
    }

    fn house(&self, house: HouseIx) -> String {
        self.situation.houses[house.index()].name.to_string()
    }

    fn crew(&self, crew: CrewIx) -> String {
        self.situation.crews[crew.index()].name.to_string()
    }

    fn gear(&self, kind: EquipmentIx) -> String {
        self.situation.equipment[kind.index()].name.to_string()
    }

    /// On the wall of a step's house.
    fn at(&self, step: StepRef, at: Minute) -> String {
        local(self.situation.houses[self.situation.house_of(step).index()].zone, at)
    }

    fn promised(&self, step: StepRef) -> Option<Span> {
        promise_of(self.situation, step).map(|promise| promise.hull())
    }

    fn promised_at(&self, step: StepRef) -> String {
        self.promised(step).map_or_else(|| "its time".to_owned(), |hull| self.at(step, hull.start()))
    }

    fn times_of(&self, step: StepRef, span: Span) -> String {
        format!("from {} until {}", self.at(step, span.start()), self.at(step, span.end()))
    }

    /// Of the given spans the first that meets the promise of `step`.
    fn meeting(&self, step: StepRef, spans: impl Iterator<Item = Span>) -> Option<Span> {
        let promised = self.promised(step)?;
        let mut spans = spans;
        spans.find(|span| span.overlaps(promised))
    }

    /// One link in words; `just_named`: the sentence has just spoken of whom it leads to.
    fn link(&self, link: &Link, just_named: bool) -> String {
        let it = self.step(link.step);
        let sibling = |step| self.sibling(StepRef { job: link.step.job, step });
        let crew = promise_of(self.situation, link.step).map_or(CrewIx(0), |promise| promise.crew);
        match link.cause {
            Cause::WaitsFor(before) => format!("{it} waits for {}", sibling(before)),
            Cause::TooLateAfter(before) => format!("{it} would come too late after {}", sibling(before)),
            Cause::CrewBusyWith(_) if just_named => format!("{} is not free for {it}", self.crew(crew)),
            Cause::CrewBusyWith(other) => {
                format!("{} does {} when {it} was promised", self.crew(crew), self.step(other))
            }
            Cause::AreaTakenBy(other) => format!("the floor of {it} is taken by {}", self.sibling(other)),
            Cause::GearTakenBy(other) => format!("the gear of {it} is with {}", self.step(other)),
            Cause::StartPassed
            | Cause::NotYet
            | Cause::Pinned
            | Cause::CrewAway
            | Cause::CrewUnable
            | Cause::HouseClosed
            | Cause::Weather
            | Cause::EquipmentShort => format!("{it} cannot stay"),
        }
    }

    fn root(&self, root: Root) -> String {
        match root {
            Root::FailedCheck(check) => self.failed(check),
            Root::Paused(step) => match self.last_finish(step) {
                Some(finish) => format!("{} was left unfinished on {}", self.step(step), self.at(step, finish)),
                None => format!("{} was left unfinished", self.step(step)),
            },
            Root::Happened(step) => self.happened(step),
            Root::Released(job) => {
                let job = &self.situation.jobs[job.index()];
                let zone = self.situation.houses[job.house.index()].zone;
                format!("{} at {} may not begin before {}", job.name, self.house(job.house), local(zone, job.release))
            }
            Root::NotBefore(step) | Root::Pinned(step) => self.pinned(step),
            Root::StartPassed(step) => {
                format!("{} was to begin on {} and has not been begun", self.step(step), self.promised_at(step))
            }
            Root::CrewAway(crew, step) => self.away(crew, step),
            Root::CrewUnable(crew, step) => self.unable(crew, step),
            Root::HouseClosed(house, step) => {
                let closures = self.situation.houses[house.index()].closures.iter().copied();
                match self.meeting(step, closures) {
                    Some(span) => format!("{} is closed {}", self.house(house), self.times_of(step, span)),
                    None => format!("{} is not open on {} any more", self.house(house), self.promised_at(step)),
                }
            }
            Root::Weather(step) => {
                let house = self.house(self.situation.house_of(step));
                let name = self.sibling(step);
                format!("the air at {house} will not be fit for {name} on {}", self.promised_at(step))
            }
            Root::EquipmentShort(kind, step) => self.short(kind, step),
            Root::NotReady(step) => {
                format!("the floor is not ready so soon after {}", self.step(step))
            }
            Root::NewStep(step) => format!("{} is new in the plan", self.step(step)),
            Root::Stays(step) => {
                let finish = self.plan.placement(step).map(|placed| placed.finish());
                let until = finish.map_or(String::new(), |finish| format!(", until {}", self.at(step, finish)));
                format!("{} stays where it was promised{until}", self.step(step))
            }
            Root::LeftOut(step) => self.left_out(step),
            Root::NotNeeded(step) => format!("{} is not needed any more", self.step(step)),
            Root::ByChoice(step) => self.choice(step),
            Root::GaveWay(step, other) => {
                format!("{} gives way to {} because the plan costs less that way", self.step(step), self.step(other))
            }
        }
    }

    fn last_finish(&self, step: StepRef) -> Option<Minute> {
        let spec = self.situation.jobs[step.job.index()].chain.step(step.step);
        spec.attempts.last().map(|last| last.finish)
    }

    fn failed(&self, check: StepRef) -> String {
        let spec = self.situation.jobs[check.job.index()].chain.step(check.step);
        let Some(last) = spec.attempts.last() else { return format!("{} failed", self.step(check)) };
        let failed = format!("{} failed on {}", self.step(check), self.at(check, last.finish));
        let rested = last.finish.plus(spec.recheck_after_minutes.unwrap_or(0));
        match last.retry_not_before.filter(|retry| *retry > rested) {
            Some(retry) => format!("{failed} and is expected to pass no earlier than {}", self.at(check, retry)),
            None => format!("{failed} and is tried again no earlier than {}", self.at(check, rested)),
        }
    }

    fn happened(&self, step: StepRef) -> String {
        let fixed = self.situation.jobs[step.job.index()].chain.step(step.step).fixed();
        match fixed {
            Some(attempt) if attempt.finish > self.situation.now => {
                format!("{} is expected to take until {}", self.step(step), self.at(step, attempt.finish))
            }
            Some(attempt) => format!("{} took until {}", self.step(step), self.at(step, attempt.finish)),
            None => format!("{} has happened", self.step(step)),
        }
    }

    fn pinned(&self, step: StepRef) -> String {
        let pin = self.situation.jobs[step.job.index()].chain.step(step.step).pin;
        let mut parts = Vec::new();
        parts.extend(pin.crew.map(|crew| format!("to {}", self.crew(crew))));
        parts.extend(pin.start.map(|start| format!("to {}", self.at(step, start))));
        parts.extend(pin.day.map(|day| format!("to {}", day.format("%a %-d %b"))));
        parts.extend(pin.not_before.map(|at| format!("to no earlier than {}", self.at(step, at))));
        format!("{} is pinned {}", self.step(step), parts.join(" and "))
    }

    fn away(&self, crew: CrewIx, step: StepRef) -> String {
        let absences = self.situation.crews[crew.index()].absences.iter().copied();
        match self.meeting(step, absences) {
            Some(span) => format!("{} is away {}", self.crew(crew), self.times_of(step, span)),
            None => format!("{} does not work all the time from {} on", self.crew(crew), self.promised_at(step)),
        }
    }

    fn unable(&self, crew: CrewIx, step: StepRef) -> String {
        let own = &self.situation.crews[crew.index()];
        if let Some(span) = self.meeting(step, own.short_handed.iter().map(|(span, _)| *span)) {
            let people = own.people_at(span.start());
            let (name, all, when) = (&own.name, own.head_count, self.times_of(step, span));
            return format!("{name} has only {people} of {all} people {when}");
        }
        let run = run_of(self.situation, step);
        let what = if run.len() > 1 { "them" } else { "it" };
        let (name, it) = (&own.name, self.step(step));
        format!("{name} has not the people or skills for {it} any more, or takes another time for {what}")
    }

    fn short(&self, kind: EquipmentIx, step: StepRef) -> String {
        let stock = &self.situation.equipment[kind.index()];
        let outages = stock.outages.iter().map(|(span, _)| *span);
        match self.meeting(step, outages) {
            Some(span) => {
                let left = stock.units_throughout(span);
                let gear = self.gear(kind);
                format!("only {left} of {} {gear} can be used {}", stock.units, self.times_of(step, span))
            }
            None => format!("there are only {} {} now", stock.units, self.gear(kind)),
        }
    }

    fn left_out(&self, step: StepRef) -> String {
        let found = self.plan.unplaced.binary_search_by_key(&step, |unplaced| unplaced.step);
        let why = found.map_or("", |found| match self.plan.unplaced[found].blocker {
            Blocker::NoCrewWithSkills(_) => ": no crew has the skills",
            Blocker::TooFewPeople { .. } => ": no crew has the people",
            Blocker::LongerThanAnyShift { .. } => ": it is longer than any shift",
            Blocker::HouseNeverOpen => ": the house is never open",
            Blocker::TooFewUnits { .. } => ": there are too few units of its gear",
            Blocker::DwellImpossible => ": no crew can keep its dwell",
            Blocker::ClimateNeverAllows => ": the air is never fit for it",
            Blocker::NeverDries(_) => ": the floor before it never dries",
            Blocker::MaximumWaitAfter(_) => ": nobody is free in time after the step before",
            Blocker::PinImpossible => ": its pin cannot be kept",
            Blocker::PredecessorUnplaced(_) => ": the step before it is not in the plan",
            Blocker::BeyondHorizon => ": the plan's horizon ends before",
        });
        format!("{} finds no place in the plan{why}", self.step(step))
    }

    fn choice(&self, step: StepRef) -> String {
        let it = self.step(step);
        let finish = |plan: &dyn Fn(StepRef) -> Option<Minute>| {
            let chain = &self.situation.jobs[step.job.index()].chain;
            let steps = (0..chain.steps().len())
                .map(|index| StepRef { job: step.job, step: crate::domain::ids::StepIx::from_index(index) });
            steps.filter_map(plan).max()
        };
        let before = finish(&|one| promise_of(self.situation, one).map(|promise| promise.finish()));
        let after = finish(&|one| self.plan.placement(one).map(|placed| placed.finish()));
        match (before, after) {
            (Some(before), Some(after)) if after < before => format!(
                "{it} could have stayed, but moves so that {} is finished on {} and not on {}",
                self.house(self.situation.house_of(step)),
                self.at(step, after),
                self.at(step, before),
            ),
            _ => format!("{it} could have stayed, but moves because the plan costs less that way"),
        }
    }
}

/// Day and time on the wall.
fn local(zone: Zone, at: Minute) -> String {
    let minute = zone.minute_of_day(at);
    format!("{} {:02}:{:02}", zone.date(at).format("%a %-d %b"), minute / 60, minute % 60)
}

/// One change as a dispatcher would read it: the step, where it was, where it is, and why.
pub fn change_text(situation: &Situation, change: &StepChange) -> String {
    let house = situation.house_of(change.step);
    let zone = situation.houses[house.index()].zone;
    let name = &situation.jobs[change.step.job.index()].chain.step(change.step.step).name;
    let visit = |visit: Option<Visit>, none: &str| {
        let text = |visit: Visit| format!("{}, {}", local(zone, visit.start), situation.crews[visit.crew.index()].name);
        visit.map_or_else(|| none.to_owned(), text)
    };
    format!(
        "{name} at {}: {} -> {}. {}",
        situation.houses[house.index()].name,
        visit(change.before, "not planned"),
        visit(change.after, "not in the plan"),
        change.because.sentence
    )
}

/// One line of a crew's day, on the crew's wall.
pub fn line_text(situation: &Situation, crew: CrewIx, line: &Line) -> String {
    let zone = situation.crews[crew.index()].zone;
    let clock = |at: Minute| {
        let minute = zone.minute_of_day(at);
        format!("{:02}:{:02}", minute / 60, minute % 60)
    };
    let name = &situation.jobs[line.step.job.index()].chain.step(line.step.step).name;
    let house = &situation.houses[situation.house_of(line.step).index()].name;
    format!("{} to {}  {name} at {house}", clock(line.start), clock(line.finish))
}
