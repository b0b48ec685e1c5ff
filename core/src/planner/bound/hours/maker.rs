//! Which starts a house's steps can have, and which go with which.

use super::super::exact_tails::ExactTails;
use super::super::goods::UNIT;
use super::super::prices::takes;
use super::super::{Known, Load, differing_modes, earliest_after, job_cost, order, ordinary_extra};
use super::{Finish, Form, House, Kind, Problem, Start, Step};
use crate::planner::hours::workable;
use crate::planner::model::{Anchor, Arc, Model, NONE};
use crate::planner::score::Weights;
use crate::planner::spans::{NEVER, T};
use crate::planner::state::Place;

/// The earliest times in a slot.
struct Begin {
    start: T,
    finish: T,
}

pub(super) struct Maker<'m> {
    model: &'m Model,
    fixed: &'m [Option<Place>],
    weights: &'m Weights,
    alone: &'m [(T, T)],
    tails: ExactTails<'m>,
    /// By activity.
    takes: Vec<Vec<(usize, i64)>>,
    /// So many of the goods are crews.
    crew_goods: usize,
    slot: T,
    end: T,
    /// By activity: its number among all, predecessors first.
    rank: Vec<u32>,
    /// By place: how many jobs it has.
    jobs_at: Vec<u32>,
    /// Whether everything has a place.
    all_somewhere: bool,
    /// Starts of days, where they are the same for all crews.
    days: Option<&'m [T]>,
}

impl<'m> Maker<'m> {
    pub(super) fn new((model, fixed, weights, alone): Known<'m>, loads: &[Load], (slot, end): (T, T)) -> Maker<'m> {
        let mut rank = vec![0; model.activities.len()];
        order(model).into_iter().enumerate().for_each(|(number, activity)| rank[activity as usize] = number as u32);
        let mut jobs: Vec<(u32, u32)> =
            model.activities.iter().filter(|own| own.place != NONE).map(|own| (own.place, own.job)).collect();
        jobs.sort_unstable();
        jobs.dedup();
        let mut jobs_at = vec![0; model.places.len()];
        jobs.iter().for_each(|(place, _)| jobs_at[*place as usize] += 1);
        let taken = model.crew_taken.iter().flatten().map(|taken| taken.place);
        let mut places = model.activities.iter().map(|own| own.place).chain(taken);
        let first_days = model.crews.first().map_or(NONE, |crew| crew.days);
        let same_days = first_days != NONE && model.crews.iter().all(|crew| crew.days == first_days);
        Maker {
            model,
            fixed,
            weights,
            alone,
            tails: ExactTails::new(model, fixed, alone),
            takes: takes(model, loads),
            crew_goods: loads.len() - model.capacities.len(),
            slot,
            end,
            rank,
            jobs_at,
            all_somewhere: places.all(|place| place != NONE),
            days: same_days.then(|| &model.days[first_days as usize][..]),
        }
    }

    /// A job, or what it costs at least where prices on its time say nothing.
    pub(super) fn house(&mut self, problem: &mut Problem, job: u32) -> Result<House, i64> {
        let (model, fixed) = (self.model, self.fixed);
        let mut finish = -NEVER;
        let mut open = Vec::new();
        for &activity in self.weights.activities.of(job).iter().filter(|a| !ordinary_extra(model, fixed, **a)) {
            finish = finish.max(self.alone[activity as usize].1);
            if fixed[activity as usize].is_none() {
                open.push(activity);
            }
        }
        let unplaced = self.weights.cost.unplaced_step;
        if finish >= NEVER || open.is_empty() {
            return Err(job_cost(self.weights, job, finish).min(unplaced));
        }
        open.sort_by_key(|activity| self.rank[*activity as usize]);
        let arc = |pair: &[u32]| model.after(pair[0]).find(|arc| arc.orders() && arc.to == pair[1]);
        let is_chain = open.windows(2).all(|pair| arc(pair).is_some());
        let otherwise = if self.end < model.end { job_cost(self.weights, job, self.end) } else { unplaced };
        let done = || self.weights.activities.of(job).iter().filter_map(|activity| fixed[*activity as usize]);
        let over = done().map(|place| place.finish).max().unwrap_or(-NEVER);
        let last_day = done().map(|place| self.day(place.start)).max();
        let mut one_by_one = true;
        let mut steps: Vec<Step> = Vec::new();
        let mut finishes = Vec::new();
        let mut before: (u32, Vec<Begin>) = (NONE, Vec::new());
        for (number, &activity) in open.iter().enumerate() {
            let begins = self.begins(activity);
            let mut step = self.step(problem, activity, &begins);
            if is_chain && number > 0 {
                if let Some(arc) = arc(&[before.0, activity]) {
                    self.follow(&mut step, arc, &before.1, &begins, one_by_one.then_some(over));
                    one_by_one &= self.ends(arc);
                }
            } else if is_chain {
                self.begin(&mut step, (over, last_day), &begins);
            }
            if !is_chain || number + 1 == open.len() {
                let end = |begin: &Begin| self.tails.of(activity, begin.start).1.max(finish);
                let costs = begins.iter().map(end).map(|end| job_cost(self.weights, job, end) * UNIT);
                finishes.extend(costs.enumerate().map(|(start, cost)| Finish {
                    cost,
                    step: number as u32,
                    start: start as u32,
                }));
            }
            steps.push(step);
            before = (activity, begins);
        }
        if is_chain {
            // What nothing can follow within the horizon.
            for number in (1..steps.len()).rev() {
                let followed = steps[number].starts.last().map_or(0, |start| start.ready as usize);
                steps[number - 1].starts.truncate(followed);
            }
        } else {
            finishes.sort_unstable_by_key(|finish| (finish.cost, finish.step, finish.start));
        }
        Ok(House { is_chain, steps, finishes, otherwise: otherwise.min(unplaced) * UNIT })
    }

    /// The earliest times of an activity for the slots in which it can begin.
    fn begins(&mut self, activity: u32) -> Vec<Begin> {
        let mut begins = Vec::new();
        let mut from = self.alone[activity as usize].0;
        while from < self.end {
            let (start, finish) = self.tails.earliest(activity, from);
            if start >= self.end || finish > self.model.end {
                break;
            }
            begins.push(Begin { start, finish });
            from = (start.max(0) / self.slot + 1) * self.slot;
        }
        begins
    }

    fn step(&mut self, problem: &mut Problem, activity: u32, begins: &[Begin]) -> Step {
        let model = self.model;
        let own = &model.activities[activity as usize];
        let takes = &self.takes[activity as usize];
        let lengths = differing_modes(model, activity).map(|mode| model.modes[mode as usize].length);
        let length = lengths.min().unwrap_or(0).max(1);
        let amounts = |takes: &[(usize, i64)]| takes.iter().map(|take| (take.0, take.1 / i64::from(length))).collect();
        let form = if own.dividable { self.pieces(activity, begins) } else { Form::Whole };
        let mix = problem.mix(amounts(takes));
        let work = problem.kind(Kind { mix, length, form });
        let crews = takes.iter().take_while(|take| take.0 < self.crew_goods);
        let crews = problem.mix(crews.map(|take| (take.0, 1)).collect());
        // Who goes on with what was begun is there already, and counts with it.
        let (away, visit) = if own.joins == NONE { self.ways(own.place) } else { (0, 0) };
        let way =
            (away > 0 && !own.dividable).then(|| problem.kind(Kind { mix: crews, length: away, form: Form::Way }));
        let starts = begins.iter().map(|begin| {
            let slot = (begin.start.max(0) / self.slot) as u32;
            let last = (slot as T + 1) * self.slot - 1;
            problem.asked[work][slot as usize] = true;
            way.iter().for_each(|way| problem.asked[*way][slot as usize] = true);
            Start { slot, day: self.day(last), apart: 0, other_days: 0, ready: 0 }
        });
        let starts = starts.collect();
        Step { activity, work, way, away, visit, starts }
    }

    /// Where the minutes of an activity in pieces may lie.
    fn pieces(&self, activity: u32, begins: &[Begin]) -> Form {
        let model = self.model;
        let first = begins.first().map_or(0, |begin| begin.start.max(0) / self.slot);
        let last = begins.last().map_or(0, |begin| begin.start.max(0) / self.slot);
        let until = (first..=last).map(|slot| {
            // Whoever begins later is not done sooner.
            let finish =
                |mode: u32| workable(model, activity, mode, (slot + 1) * self.slot, 1).map_or(NEVER, |done| done.1);
            let latest = differing_modes(model, activity).map(finish).max().unwrap_or(NEVER);
            (latest.min(self.end) / self.slot) as u32
        });
        Form::Pieces { first: first as usize, until: until.collect() }
    }

    /// The shortest way to a place from any other, minutes, and what it costs at least that somebody drives there and away again,
    /// in prices' units. Nothing, where others may be there already.
    fn ways(&self, place: u32) -> (T, i64) {
        let model = self.model;
        if !self.all_somewhere || self.jobs_at[place as usize] > 1 {
            return (0, 0);
        }
        let others = (0..model.places.len() as u32).filter(|other| *other != place);
        let crews = 0..model.crews.len() as u32;
        let home = crews.map(|crew| model.home_way(place, crew)).min().unwrap_or(0);
        match others.map(|other| model.way(place, other)).min() {
            // There is nowhere to come from but home.
            None => (0, 0),
            Some(way) => {
                let cost = i64::from(way.min(home)) * self.weights.cost.travel_minute * UNIT;
                (way, if self.days.is_some() { cost } else { 0 })
            }
        }
    }

    /// What a chain begins with: somebody has come for it, unless something of the job went on until just before, or on that day.
    fn begin(&self, step: &mut Step, (over, last_day): (T, Option<u32>), begins: &[Begin]) {
        for (start, begin) in step.starts.iter_mut().zip(begins) {
            start.ready = 1;
            start.apart = u32::from(over.saturating_add(step.away) <= begin.start);
            start.other_days = start.apart * u32::from(last_day.is_none_or(|day| day < self.day(begin.start)));
        }
    }

    /// Which starts of the step before go with which of this one. Everything before the two is `over` by then at the latest, or when
    /// the step before begins; `None`: perhaps not.
    fn follow(&mut self, step: &mut Step, arc: &Arc, before: &[Begin], begins: &[Begin], over: Option<T>) {
        let model = self.model;
        let (from, to) = (&model.activities[arc.from as usize], arc.to as usize);
        let offset = self.tails.offset(arc.to, arc.to_part);
        let ready = before.iter().map(|begin| match earliest_after(model, false, arc, begin.start, begin.finish) {
            NEVER.. => NEVER,
            ready => (ready - offset).max(self.alone[to].0),
        });
        let mut ready: Vec<T> = ready.collect();
        // Later starts are not ready sooner; if tables should say so, what is soonest counts.
        (1..ready.len()).rev().for_each(|at| ready[at - 1] = ready[at - 1].min(ready[at]));
        let longest =
            from.modes.clone().chain(from.anybody.clone()).map(|mode| model.modes[mode as usize].length).max();
        let longest = if from.dividable { NEVER } else { longest.unwrap_or(0) };
        let last = |begin: &Begin| (begin.start.max(0) / self.slot + 1) * self.slot - 1;
        let over = |begin: &Begin| over.map_or(NEVER, |over| last(begin).saturating_add(longest).max(over));
        let days: Vec<u32> = before.iter().map(|begin| self.day(last(begin))).collect();
        let (mut is_ready, mut apart, mut other_days) = (0, 0, 0);
        for (start, begin) in step.starts.iter_mut().zip(begins) {
            while is_ready < before.len() && ready[is_ready] <= last(begin) {
                is_ready += 1;
            }
            while apart < before.len() && over(&before[apart]).saturating_add(step.away) <= begin.start {
                apart += 1;
            }
            while other_days < before.len() && days[other_days] < self.day(begin.start) {
                other_days += 1;
            }
            start.ready = is_ready as u32;
            start.apart = apart.min(is_ready) as u32;
            start.other_days = other_days.min(apart).min(is_ready) as u32;
        }
    }

    /// Whether what an arc begins at is over when what it ends at begins.
    fn ends(&self, arc: &Arc) -> bool {
        let model = self.model;
        let is_last = |mode: u32| {
            let part = model.part(mode, arc.from_part);
            part.offset + part.length == model.modes[mode as usize].length
        };
        let from = &model.activities[arc.from as usize];
        arc.anchor == Anchor::Finish && (from.steps == 1 || from.modes.clone().all(is_last)) && arc.to_part == 0
    }

    fn day(&self, t: T) -> u32 {
        self.days.map_or(0, |days| days.partition_point(|start| *start <= t)) as u32
    }
}
