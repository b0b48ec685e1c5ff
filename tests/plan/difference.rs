//! Why steps moved: on generated companies in which something went wrong every changed step gets a sentence, every way
//! from it ends, and every root and every link is true by a plain look at the input and the plan.

use crate::common::disturb::{Failure, disturb, fail, forget_begun, pass_time};
use crate::common::generate::{Draw, Size, company};
use std::collections::BTreeSet;
use tackfree::difference::{Because, CostBefore, Difference, Root, StepChange, difference};
use tackfree::domain::chain::{Outcome, Step};
use tackfree::domain::ids::{CrewIx, StepRef};
use tackfree::domain::plan::{Cause, Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::planner::{Request, plan};

/// The input and the plan, looked at plainly.
struct Look<'a> {
    situation: &'a Situation,
    plan: &'a Plan,
}

impl Look<'_> {
    fn spec(&self, step: StepRef) -> &Step {
        self.situation.jobs[step.job.index()].chain.step(step.step)
    }

    fn promise(&self, step: StepRef) -> Option<&Placement> {
        self.situation.published.iter().find(|promise| promise.step == step)
    }

    fn moved(&self, step: StepRef) -> bool {
        let Some(promise) = self.promise(step) else { return false };
        self.plan.placement(step).is_none_or(|now| now.start() != promise.start() || now.crew != promise.crew)
    }

    /// Promised hull of the step, a day wider on both sides: runs and longer work than promised are told so too.
    fn near(&self, step: StepRef, other: &Placement) -> bool {
        let promise = self.promise(step).unwrap();
        let (from, until) = (promise.start().plus(-1440), promise.finish().plus(1440));
        other.start() < until && from < other.finish()
    }

    fn root_is_true(&self, root: Root, links: &[(StepRef, Cause)]) -> bool {
        let last = |step: StepRef| self.spec(step).attempts.last().copied();
        match root {
            Root::FailedCheck(check) => last(check).is_some_and(|last| last.outcome == Outcome::Failed),
            Root::Paused(step) => last(step).is_some_and(|last| matches!(last.outcome, Outcome::Paused { .. })),
            Root::Happened(step) => self.spec(step).fixed().is_some(),
            Root::Released(job) => {
                let release = self.situation.jobs[job.index()].release;
                self.situation.published.iter().any(|promise| promise.step.job == job && promise.start() < release)
            }
            Root::NotBefore(step) => self.spec(step).pin.not_before.is_some(),
            Root::Pinned(step) => {
                let pin = self.spec(step).pin;
                pin.crew.is_some() || pin.start.is_some() || pin.day.is_some()
            }
            Root::StartPassed(step) => {
                let job = |promise: &&Placement| promise.step.job == step.job;
                self.situation.published.iter().filter(job).any(|promise| promise.start() < self.situation.now)
            }
            Root::CrewAway(crew, step) | Root::CrewUnable(crew, step) => {
                self.promise(step).is_some_and(|promise| promise.crew == crew)
            }
            Root::HouseClosed(house, step) => self.situation.house_of(step) == house && self.promise(step).is_some(),
            Root::Weather(step) => self.promise(step).is_some(),
            Root::EquipmentShort(kind, step) => self.spec(step).equipment.iter().any(|(needed, _)| *needed == kind),
            Root::NotReady(step) | Root::Stays(step) => {
                !self.moved(step) && self.promise(step).is_some() && !links.is_empty()
            }
            Root::NewStep(step) => self.promise(step).is_none() && self.plan.placement(step).is_some(),
            Root::LeftOut(step) => self.plan.unplaced.iter().any(|out| out.step == step),
            Root::NotNeeded(step) => self.spec(step).only_on_lapse && self.plan.placement(step).is_none(),
            Root::ByChoice(step) => self.moved(step),
            Root::GaveWay(step, other) => self.moved(step) && self.moved(other),
        }
    }

    /// Of whom a link speaks, and whether that can be.
    fn leads_to(&self, step: StepRef, cause: Cause) -> Option<StepRef> {
        let sibling = |before| StepRef { job: step.job, step: before };
        let placed = |other: StepRef| self.plan.placement(other);
        let (other, holds) = match cause {
            Cause::WaitsFor(before) | Cause::TooLateAfter(before) => (sibling(before), before != step.step),
            Cause::CrewBusyWith(other) => {
                let crew: CrewIx = self.promise(step)?.crew;
                (other, placed(other).is_some_and(|placed| placed.crew == crew && self.near(step, placed)))
            }
            Cause::AreaTakenBy(other) => {
                (other, self.situation.house_of(step) == self.situation.house_of(other) && placed(other).is_some())
            }
            Cause::GearTakenBy(other) => (other, placed(other).is_some_and(|placed| self.near(step, placed))),
            _ => return None,
        };
        holds.then_some(other)
    }

    fn assert_true(&self, change: &StepChange, seed: u64) {
        let Because { links, root, sentence } = &change.because;
        let told = || format!("company {seed}, {:?}: {sentence} ({links:?}, {root:?})", change.step);
        assert!(sentence.ends_with('.') && sentence.len() > 20, "{}", told());
        let mut seen = BTreeSet::new();
        let mut at = change.step;
        for link in links {
            assert_eq!(link.step, at, "{}", told());
            assert!(seen.insert(link.step), "a circle: {}", told());
            at = self.leads_to(link.step, link.cause).unwrap_or_else(|| panic!("{}", told()));
        }
        let pairs: Vec<(StepRef, Cause)> = links.iter().map(|link| (link.step, link.cause)).collect();
        assert!(self.root_is_true(*root, &pairs), "{}", told());
    }

    fn assert_whole(&self, difference: &Difference, seed: u64) {
        let moved: Vec<StepRef> =
            self.situation.published.iter().map(|promise| promise.step).filter(|step| self.moved(*step)).collect();
        let told: Vec<StepRef> =
            difference.steps.iter().filter(|change| change.before.is_some()).map(|change| change.step).collect();
        assert_eq!(moved, told, "company {seed}");
        difference.steps.iter().for_each(|change| self.assert_true(change, seed));
        for day in &difference.crew_days {
            assert_ne!(day.before, day.after, "company {seed}");
            let zone = self.situation.crews[day.crew.index()].zone;
            assert!(day.before.iter().chain(&day.after).all(|line| zone.date(line.start) == day.date));
        }
        for change in
            difference.steps.iter().filter(|change| change.before.map(|b| b.start) != change.after.map(|a| a.start))
        {
            let news = difference.customers.iter().find(|news| news.house == self.situation.house_of(change.step));
            assert!(change.before.is_none() || news.is_some_and(|news| news.visits.contains(&change.step)));
        }
        for job in &difference.jobs {
            let late = |finish: Option<Minute>| job.due.zip(finish).map_or(0, |(due, finish)| finish.since(due).max(0));
            assert_eq!(late(job.finish_after), job.late_after_minutes, "company {seed}");
        }
        assert_eq!(difference.cost.after, self.plan.cost);
        let same =
            |promise: &&Placement| self.plan.placement(promise.step).is_some_and(|now| now.pieces == promise.pieces);
        let as_long = self.situation.published.iter().filter(same).count() == self.situation.published.len();
        if difference.steps.is_empty() && as_long {
            assert_eq!(difference.cost.before, CostBefore::Counted(self.plan.cost), "company {seed}");
        }
    }
}

fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
}

#[test]
fn every_changed_step_has_a_true_reason() {
    let first = setting("TACKFREE_FIRST_SEED", 1);
    let mut ended = std::collections::BTreeMap::new();
    for seed in first..first + setting("TACKFREE_COMPANIES", 300) {
        let mut draw = Draw::new(seed ^ 0xd1ff);
        let situation = company(seed, if seed % 5 == 0 { Size::medium() } else { Size::small() });
        let first = plan(&situation, Request::new().with_seed(seed).with_moves(20));
        let failure = draw.pick(&Failure::ALL);
        let broken = match fail(&mut draw, &situation, &first, failure, 14) {
            Some((broken, _)) if seed % 2 == 0 => broken,
            _ => {
                let mut broken = situation.clone().with_published(&first);
                pass_time(&mut broken, &first, &mut draw);
                forget_begun(&mut broken);
                disturb(&mut broken, &mut draw);
                broken
            }
        };
        for request in [Request::repair(), Request::anew().with_moves(10)] {
            let made = plan(&broken, request);
            let difference = difference(&broken, &made);
            Look { situation: &broken, plan: &made }.assert_whole(&difference, seed);
            for change in &difference.steps {
                let name = format!("{:?}", change.because.root);
                *ended.entry(name.split('(').next().unwrap().to_owned()).or_insert(0) += 1;
            }
        }
    }
    println!("{ended:?}");
    assert!(ended.len() > 10, "{ended:?}");
}
