//! All plans of a tiny company, up to what cannot matter: every order in which its open steps can be begun, with every
//! crew and every piece of gear, and for each the earliest times that keep the order.
//!
//! Why that is all: given who is first wherever two steps could meet, every rule has the form "this starts (or finishes)
//! no earlier than something that only grows with that", maximum waits included, since a late successor only asks its
//! predecessor to finish later. So there are least times, found by raising what is too early until nothing is; any plan
//! with that order has every step at that time or later. Sums of finish times can thus not be undercut; travel, overtime
//! and hand-overs could be by waiting, so that for these the result is only as good as the plans that were seen.

use super::times::Times;
use tackfree::domain::chain::{OnExceed, StepState, Wait, WaitKind, WaitMax};
use tackfree::domain::ids::{CrewIx, HouseIx, StepIx, StepRef};
use tackfree::domain::plan::UnitUse;
use tackfree::domain::situation::Situation;

/// An open step in the order, with its crew and gear.
#[derive(Debug, Clone)]
pub struct Chosen {
    pub step: StepRef,
    pub crew: CrewIx,
    pub units: Vec<UnitUse>,
    /// Whether a lapse with its extra step already done is made use of.
    pub after_extra: bool,
}

/// Where somebody is, minutes from now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stay {
    pub start: i64,
    pub finish: i64,
}

/// Knows the company and finds least times.
pub struct Oracle<'a> {
    pub situation: &'a Situation,
    pub times: Times<'a>,
    pub reach: Reach,
}

/// Which plans are looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// All that the rules allow.
    Rules,
    /// Without those that the planner does not make out of habit: no step leaves a floor to keep off that is not dry
    /// before the horizon ends, and a step that pauses is worked on for half an hour first.
    Habits,
}

pub fn lapse(wait: &Wait) -> Option<(StepIx, i64)> {
    match wait.max {
        Some(WaitMax { minutes, on_exceed: OnExceed::Lapse(extra) }) => Some((extra, minutes)),
        _ => None,
    }
}

fn forbidden_after(wait: &Wait) -> Option<i64> {
    match wait.max {
        Some(WaitMax { minutes, on_exceed: OnExceed::Forbid }) => Some(minutes),
        _ => None,
    }
}

impl<'a> Oracle<'a> {
    pub fn new(situation: &'a Situation, reach: Reach) -> Oracle<'a> {
        Oracle { situation, times: Times::new(situation), reach }
    }

    pub fn chain(&self, step: StepRef) -> &'a tackfree::domain::chain::Chain {
        &self.situation.jobs[step.job.index()].chain
    }

    pub fn spec(&self, step: StepRef) -> &'a tackfree::domain::chain::Step {
        self.chain(step).step(step.step)
    }

    pub fn waits_into(&self, step: StepRef) -> impl Iterator<Item = &'a Wait> + use<'a> {
        self.chain(step).waits().iter().filter(move |wait| wait.to == step.step)
    }

    fn way(&self, from: HouseIx, to: HouseIx) -> i64 {
        self.situation.way_minutes(from, to)
    }

    /// What is running or done.
    pub fn happened(&self, step: StepRef) -> Option<Stay> {
        let fixed = self.spec(step).fixed()?;
        Some(Stay { start: self.times.since_now(fixed.start), finish: self.times.since_now(fixed.finish) })
    }

    fn find(&self, order: &[Chosen], stays: &[Stay], step: StepRef) -> Option<Stay> {
        self.happened(step).or_else(|| Some(stays[order.iter().position(|chosen| chosen.step == step)?]))
    }

    /// The partner by a dwell: the first part of a second one.
    pub fn first_part(&self, step: StepRef) -> Option<(&'a Wait, StepRef)> {
        let wait = self.waits_into(step).find(|wait| wait.kind == WaitKind::Dwell)?;
        Some((wait, StepRef { step: wait.from, ..step }))
    }

    pub fn minutes(&self, chosen: &Chosen) -> i64 {
        self.spec(chosen.step).duration_minutes(self.situation.crews[chosen.crew.index()].head_count)
    }

    /// The earliest the step could start whatever the others do.
    fn earliest(&self, step: StepRef) -> i64 {
        let spec = self.spec(step);
        let recheck = match spec.state() {
            StepState::Open { not_before } => not_before,
            StepState::Running(_) | StepState::Done(_) => None,
        };
        let release = self.situation.jobs[step.job.index()].release;
        let all = [Some(release), spec.pin.not_before, recheck].into_iter().flatten();
        all.map(|at| self.times.since_now(at)).fold(0, i64::max)
    }

    /// The least times that keep the order; `None` when there are none within the horizon.
    pub fn least_times(&mut self, order: &[Chosen]) -> Option<Vec<Stay>> {
        let mut stays = Vec::new();
        for chosen in order {
            stays.push(self.first_stay(chosen, self.earliest(chosen.step))?);
        }
        loop {
            let before = stays.clone();
            for at in 0..order.len() {
                let least = self.least_start(order, &stays, at)?;
                if least > stays[at].start {
                    stays[at] = self.first_stay(&order[at], least)?;
                }
                if let Some(pinned) = self.spec(order[at].step).pin.start.map(|pin| self.times.since_now(pin)) {
                    if stays[at].start < pinned {
                        stays[at] = self.first_stay(&order[at], pinned)?;
                    }
                    if stays[at].start != pinned {
                        return None;
                    }
                }
                self.push_predecessors(order, &mut stays, at)?;
            }
            if stays == before {
                return self.all_dry(order, &stays).then_some(stays);
            }
        }
    }

    /// Whether every floor that an open step leaves wet to keep off is ready in time, where that is asked for.
    fn all_dry(&mut self, order: &[Chosen], stays: &[Stay]) -> bool {
        if self.reach == Reach::Rules {
            return true;
        }
        order.iter().zip(stays).all(|(chosen, stay)| {
            let mut waits = self.chain(chosen.step).waits().iter();
            waits.all(|wait| {
                wait.from != chosen.step.step || !wait.keep_off || self.ready(chosen.step, wait, stay.finish).is_some()
            })
        })
    }

    /// What those before it in the order, and what happened, ask of a step.
    fn least_start(&mut self, order: &[Chosen], stays: &[Stay], at: usize) -> Option<i64> {
        let own = &order[at];
        let mut least = stays[at].start;
        for wait in self.waits_into(own.step) {
            let from = self.find(order, stays, StepRef { step: wait.from, ..own.step })?;
            match wait.kind {
                WaitKind::Lag => least = least.max(self.ready(own.step, wait, from.finish)?),
                WaitKind::Dwell => least = least.max(from.start + self.dwell_range(order, at, wait)?.0),
            }
            let Some((extra, max)) = lapse(wait) else { continue };
            let extra = StepRef { step: extra, ..own.step };
            if let Some(placed) = order[..at].iter().position(|chosen| chosen.step == extra) {
                least = least.max(from.finish + max + 1).max(stays[placed].finish);
            } else if own.after_extra {
                least = least.max(self.happened(extra)?.finish);
            }
        }
        if self.spec(own.step).only_on_lapse {
            let names = |wait: &&Wait| lapse(wait).is_some_and(|(extra, _)| extra == own.step.step);
            let wait = self.chain(own.step).waits().iter().find(names)?;
            let from = self.find(order, stays, StepRef { step: wait.from, ..own.step })?;
            least = least.max(self.ready(own.step, wait, from.finish)?);
        }
        least = least.max(self.crew_free(order, stays, at)?);
        for other in self.situation.steps() {
            let earlier = order[..at].iter().any(|chosen| chosen.step == other);
            if earlier || self.happened(other).is_some() {
                least = least.max(self.area_free(own.step, other, self.find(order, stays, other)?)?);
            }
        }
        for unit in &own.units {
            least = least.max(self.unit_free(order, stays, at, *unit));
        }
        Some(least)
    }

    fn ready(&mut self, step: StepRef, wait: &Wait, finish: i64) -> Option<i64> {
        self.times.ready(self.situation.house_of(step), wait, finish)
    }

    /// Least and most minutes from the first part's start to the second's. The first may have been cut short or drawn out.
    fn dwell_range(&self, order: &[Chosen], at: usize, wait: &Wait) -> Option<(i64, i64)> {
        let (_, first) = self.first_part(order[at].step)?;
        let first_minutes = match self.happened(first) {
            Some(stay) => stay.finish - stay.start,
            None => self.minutes(&order[order.iter().position(|chosen| chosen.step == first)?]),
        };
        let longer = first_minutes - self.minutes(&order[at]);
        let max = forbidden_after(wait)?;
        let range = (wait.min_minutes.max(wait.min_minutes + longer), max.min(max + longer));
        (range.0 <= range.1).then_some(range)
    }

    /// When the crew has come from what it was at before.
    fn crew_free(&self, order: &[Chosen], stays: &[Stay], at: usize) -> Option<i64> {
        let own = &order[at];
        let house = self.situation.house_of(own.step);
        let first = self.first_part(own.step).map(|(_, first)| first);
        let same_run = |other: &Chosen| Some(other.step) == first;
        let before = (0..at).rev().find(|&before| order[before].crew == own.crew && !same_run(&order[before]));
        if first.is_some_and(|first| self.happened(first).is_some()) {
            // In the dwell there is nothing else.
            return before.is_none().then_some(0);
        }
        if let Some(before) = before {
            let mut end = stays[before].finish;
            if let Some(first) = self.first_part(order[before].step).and_then(|(_, f)| self.find(order, stays, f)) {
                end = end.max(first.finish);
            }
            return Some(end + self.way(self.situation.house_of(order[before].step), house));
        }
        let fixed = self.situation.steps().filter_map(|step| Some((self.spec(step).fixed()?, step)));
        let last = fixed.filter(|(attempt, _)| attempt.crew == own.crew).max_by_key(|(attempt, _)| attempt.finish);
        let free = last.map(|(attempt, step)| {
            self.times.since_now(attempt.finish) + self.way(self.situation.house_of(step), house)
        });
        Some(free.unwrap_or(0))
    }

    /// When a step may begin because of another one before it in the same areas, wet or at work.
    fn area_free(&mut self, step: StepRef, other: StepRef, stay: Stay) -> Option<i64> {
        let shared = self.spec(step).areas.iter().any(|area| self.spec(other).areas.contains(area));
        let same_run = [(step, other), (other, step)];
        let same_run = same_run.into_iter().any(|(a, b)| self.first_part(a).is_some_and(|(_, first)| first == b));
        if other == step || !shared || same_run || self.situation.house_of(step) != self.situation.house_of(other) {
            return Some(0);
        }
        let mut free = stay.finish;
        for wait in self.chain(other).waits().iter().filter(|wait| wait.from == other.step && wait.keep_off) {
            free = free.max(self.ready(other, wait, stay.finish)?);
        }
        Some(free)
    }

    fn unit_free(&self, order: &[Chosen], stays: &[Stay], at: usize, unit: UnitUse) -> i64 {
        let house = self.situation.house_of(order[at].step);
        let brought = !self.situation.equipment[unit.equipment.index()].moves_with_crew;
        let free = |stay: Stay, from: StepRef| {
            stay.finish + if brought { self.way(self.situation.house_of(from), house) } else { 0 }
        };
        if let Some(before) = (0..at).rev().find(|&before| order[before].units.contains(&unit)) {
            return free(stays[before], order[before].step);
        }
        let running = self.running_units().into_iter().find(|(_, units)| units.contains(&unit));
        running.and_then(|(step, _)| Some(free(self.happened(step)?, step))).unwrap_or(0)
    }

    /// The gear of what is running: the first units there are.
    pub fn running_units(&self) -> Vec<(StepRef, Vec<UnitUse>)> {
        let mut next = vec![0; self.situation.equipment.len()];
        let mut out = Vec::new();
        for step in self.situation.steps() {
            if !matches!(self.spec(step).state(), StepState::Running(_)) {
                continue;
            }
            let mut units = Vec::new();
            for &(equipment, needed) in &self.spec(step).equipment {
                for _ in 0..needed {
                    units.push(UnitUse { equipment, unit: next[equipment.index()] });
                    next[equipment.index()] += 1;
                }
            }
            out.push((step, units));
        }
        out
    }

    /// Puts predecessors later where a maximum asks for it.
    fn push_predecessors(&mut self, order: &[Chosen], stays: &mut [Stay], at: usize) -> Option<()> {
        let own = &order[at];
        for wait in self.waits_into(own.step) {
            let from = StepRef { step: wait.from, ..own.step };
            let position = order.iter().position(|chosen| chosen.step == from);
            if wait.kind == WaitKind::Dwell {
                self.push_first_part(order, stays, at, position, wait)?;
                continue;
            }
            let lapsing = lapse(wait).filter(|(extra, _)| {
                let placed = order.iter().any(|chosen| chosen.step.job == from.job && chosen.step.step == *extra);
                !placed && !own.after_extra
            });
            let max = forbidden_after(wait).or(lapsing.map(|(_, max)| max));
            let stay = self.find(order, stays, from)?;
            if let Some(max) = max.filter(|max| stays[at].start > stay.finish + max) {
                let position = position?;
                stays[position] = self.first_ending(&order[position], stay.start, stays[at].start - max)?;
            }
        }
        Some(())
    }

    /// The first part of a dwell close enough before the second, and both in one unbroken time.
    fn push_first_part(
        &mut self,
        order: &[Chosen],
        stays: &mut [Stay],
        at: usize,
        first: Option<usize>,
        wait: &Wait,
    ) -> Option<()> {
        let (_, most) = self.dwell_range(order, at, wait)?;
        let house = self.situation.house_of(order[at].step);
        let crew = order[at].crew;
        let Some(first) = first else {
            let begun = self.happened(StepRef { step: wait.from, ..order[at].step })?;
            let from = begun.finish.min(stays[at].start).max(0);
            let until = self.times.workable_until(crew, house, from);
            let inside = until.is_some_and(|until| stays[at].finish <= until);
            return (stays[at].start - begun.start <= most && inside).then_some(());
        };
        if stays[at].start > stays[first].start + most {
            stays[first] = self.first_stay(&order[first], stays[at].start - most)?;
        }
        let until = self.times.workable_until(crew, house, stays[first].start)?;
        if stays[at].finish.max(stays[first].finish) > until {
            stays[first] = self.first_stay(&order[first], until)?;
        }
        Some(())
    }
}
