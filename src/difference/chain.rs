//! From each changed step to the root of its change. A step may have several true causes; the shortest way to a root is
//! told, found from the roots backwards, so that no way goes round in a circle. Where nothing forced anything, the way
//! ends at a step that moved because the plan costs less so.

use super::promise_of;
use super::root::{Leads, Root, has_moved, leads};
use super::words;
use crate::audit::obstacles;
use crate::domain::ids::StepRef;
use crate::domain::plan::{Blocker, Cause, Plan};
use crate::domain::situation::Situation;
use std::collections::BTreeMap;

/// Why a step is not where it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Because {
    /// From the step itself on: each with the cause that leads to the next. Empty when the root is about the step alone.
    pub links: Vec<Link>,
    /// Where it ends.
    pub root: Root,
    /// All of it in one sentence, times on the wall of each step's house.
    pub sentence: String,
}

/// A step, and what kept it from its promise: the next step of the way, or the one that the root is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Link {
    /// Which step.
    pub step: StepRef,
    /// True of it in the plan.
    pub cause: Cause,
}

/// How a step's way goes on.
#[derive(Clone, Copy)]
enum Way {
    /// The root, and the cause that leads to it if it is about another step.
    End(Option<Cause>, Root),
    /// Another moved step, by this cause.
    On(Cause, StepRef),
}

/// By step: the ways that are known.
struct Ways<'s> {
    situation: &'s Situation,
    plan: &'s Plan,
    causes: BTreeMap<StepRef, Vec<Cause>>,
    known: BTreeMap<StepRef, Way>,
}

/// For each of `changed`, why.
pub(super) fn because(situation: &Situation, plan: &Plan, changed: &[StepRef]) -> Vec<Because> {
    let mut causes: BTreeMap<StepRef, Vec<Cause>> = obstacles(situation, plan).into_iter().collect();
    for placement in &plan.placements {
        // What the plan itself names goes before; but that its time went by says less than what made it go by.
        if let Some(cause) = placement.moved_because.filter(|cause| *cause != Cause::StartPassed) {
            causes.insert(placement.step, vec![cause]);
        }
    }
    for unplaced in &plan.unplaced {
        if let Blocker::PredecessorUnplaced(before) = unplaced.blocker {
            causes.insert(unplaced.step, vec![Cause::WaitsFor(before)]);
        }
    }
    let mut ways = Ways { situation, plan, causes, known: BTreeMap::new() };
    ways.find(changed);
    changed.iter().map(|step| ways.because(*step)).collect()
}

impl Ways<'_> {
    fn find(&mut self, changed: &[StepRef]) {
        let promised: Vec<StepRef> =
            changed.iter().copied().filter(|step| promise_of(self.situation, *step).is_some()).collect();
        for step in changed {
            if let Some(root) = self.alone(*step) {
                self.known.insert(*step, Way::End(None, root));
            }
        }
        // Time that went by says less than what made it go by.
        for passed_counts in [false, true] {
            for &step in &promised {
                self.end(step, passed_counts);
            }
            self.spread(&promised);
        }
        for &step in &promised {
            if !self.known.contains_key(&step) && self.causes.get(&step).is_none_or(Vec::is_empty) {
                self.known.insert(step, Way::End(None, Root::ByChoice(step)));
            }
        }
        self.spread(&promised);
        // What is left goes round in circles: each is opened at its first step.
        for &step in &promised {
            if self.known.contains_key(&step) {
                continue;
            }
            let other = self.nexts(step).into_iter().map(|(_, other)| other).next();
            let root = other.map_or(Root::ByChoice(step), |other| Root::GaveWay(step, other));
            self.known.insert(step, Way::End(None, root));
            self.spread(&promised);
        }
    }

    /// Roots that need no cause: a step that is new, left out, or not needed any more.
    fn alone(&self, step: StepRef) -> Option<Root> {
        let placed = self.plan.placement(step).is_some();
        if promise_of(self.situation, step).is_none() {
            return Some(Root::NewStep(step));
        }
        let extra = self.situation.jobs[step.job.index()].chain.step(step.step).only_on_lapse;
        match (placed, extra) {
            (true, _) => None,
            (false, true) => Some(Root::NotNeeded(step)),
            (false, false) => (!self.causes.contains_key(&step)).then_some(Root::LeftOut(step)),
        }
    }

    /// Ends the way of a step that has a cause with an end, the first of its causes.
    fn end(&mut self, step: StepRef, passed_counts: bool) {
        if self.known.contains_key(&step) {
            return;
        }
        for &cause in self.causes.get(&step).into_iter().flatten() {
            if let Leads::To(root) = leads(self.situation, self.plan, step, cause)
                && (passed_counts || cause != Cause::StartPassed)
            {
                let about_another = matches!(
                    cause,
                    Cause::WaitsFor(_)
                        | Cause::TooLateAfter(_)
                        | Cause::CrewBusyWith(_)
                        | Cause::AreaTakenBy(_)
                        | Cause::GearTakenBy(_)
                );
                self.known.insert(step, Way::End(about_another.then_some(cause), root));
                return;
            }
        }
    }

    /// The moved steps that a step's causes lead to.
    fn nexts(&self, step: StepRef) -> Vec<(Cause, StepRef)> {
        let causes = self.causes.get(&step).into_iter().flatten();
        let next = |cause: &Cause| match leads(self.situation, self.plan, step, *cause) {
            Leads::Along(other) if has_moved(self.situation, self.plan, other) => Some((*cause, other)),
            Leads::Along(_) | Leads::To(_) => None,
        };
        causes.filter_map(next).collect()
    }

    /// Round by round, steps that lead to one whose way is known get theirs.
    fn spread(&mut self, promised: &[StepRef]) {
        loop {
            let open = promised.iter().filter(|step| !self.known.contains_key(step));
            let found = open.filter_map(|&step| {
                let on = self.nexts(step).into_iter().find(|(_, other)| self.known.contains_key(other))?;
                Some((step, Way::On(on.0, on.1)))
            });
            let found: Vec<(StepRef, Way)> = found.collect();
            if found.is_empty() {
                return;
            }
            self.known.extend(found);
        }
    }

    fn because(&self, step: StepRef) -> Because {
        let mut links = Vec::new();
        let mut at = step;
        let root = loop {
            match self.known.get(&at) {
                Some(Way::On(cause, next)) => {
                    links.push(Link { step: at, cause: *cause });
                    at = *next;
                }
                Some(Way::End(cause, root)) => {
                    links.extend(cause.map(|cause| Link { step: at, cause }));
                    break *root;
                }
                None => break Root::ByChoice(at),
            }
        };
        let sentence = words::sentence(self.situation, self.plan, step, &links, root);
        Because { links, root, sentence }
    }
}
