//! The part of compiling that turns chains into activities and arcs: runs are found, able crews become modes
//! (`compile_modes`), waits become arcs, what happened becomes placed activities and taken time.

use super::compile::{Compiled, GearIndex, Tables};
use super::model::{Activity, DayPin, Mode, NONE, Part, Taken};
use super::near::{Asked, CREWS_ASKED, Homes, Nearest, asks_few};
use super::runs::runs;
use super::spans::{NEVER, T};
use super::state::Place;
use super::timeline::FIXED;
use crate::domain::chain::{Attempt, Chain, OnExceed, Outcome, Step, StepState, Wait, WaitKind, WaitMax};
use crate::domain::ids::{JobIx, StepIx, StepRef};
use crate::domain::plan::UnitUse;
use crate::domain::situation::Job;
use crate::domain::time::Minute;
use std::collections::BTreeMap;
use std::ops::Range;
use std::rc::Rc;

/// Fixed crew time older than this says nothing about the next way.
const LAST_WAY_MINUTES: T = 2 * 1440;

/// What is made while jobs are added.
pub(super) struct Builder<'s> {
    pub(super) tables: Tables<'s>,
    gear_index: Vec<GearIndex>,
    area_base: Vec<u32>,
    steps: Vec<Vec<StepRef>>,
    pub(super) activity_of: Vec<Vec<u32>>,
    pub(super) part_of: Vec<Vec<u16>>,
    fixed: Vec<Option<Place>>,
    running_gear: Vec<(u32, UnitUse)>,
    next_unit: Vec<u32>,
    /// When anybody works, and with how many people; where not all crews are asked.
    pub(super) anybody: Option<(u32, Rc<[u32]>)>,
    /// Who is asked for the job that is added, if not all in the order in which they are listed.
    pub(super) nearest: Option<Nearest>,
}

/// Adds all jobs and finishes the model.
pub fn add_jobs(mut tables: Tables<'_>, gear_index: Vec<GearIndex>, asked: Asked<'_>) -> Compiled {
    let situation = tables.situation;
    let homes = Homes::of(situation, asked);
    let anybody = asks_few(situation).then(|| tables.anybody());
    let mut base = 0;
    let area_base = situation.houses.iter().map(|house| {
        base += house.areas.len() as u32;
        base - house.areas.len() as u32
    });
    let kinds = situation.equipment.len();
    let steps: usize = situation.jobs.iter().map(|job| job.chain.steps().len()).sum();
    let mut builder = Builder {
        area_base: area_base.collect(),
        tables,
        gear_index,
        steps: Vec::with_capacity(steps),
        activity_of: Vec::with_capacity(situation.jobs.len()),
        part_of: Vec::with_capacity(situation.jobs.len()),
        fixed: Vec::with_capacity(steps),
        running_gear: Vec::new(),
        next_unit: vec![0; kinds],
        anybody,
        nearest: None,
    };
    // By far the longest lists, and copying them as they grow takes longer than filling them.
    let few = asks_few(situation) && homes.is_some();
    let asked_for_each = if few { CREWS_ASKED + 1 } else { situation.crews.len() };
    builder.tables.model.modes.reserve_exact(steps * asked_for_each);
    builder.tables.model.activities.reserve_exact(steps);
    for (number, content) in situation.jobs.iter().enumerate() {
        let job = JobIx::from_index(number);
        builder.nearest = homes.as_ref().map(|homes| homes.nearest(situation, &builder.tables.model, job, asked));
        builder.add_job(job, content);
    }
    let (run_of, rest_of) = builder.begun_runs();
    let Builder { mut tables, gear_index, steps, activity_of, fixed, running_gear, .. } = builder;
    tables.model.index();
    Compiled { model: tables.model, steps, activity_of, fixed, run_of, rest_of, running_gear, gear_index }
}

pub(super) fn extend<X>(list: &mut Vec<X>, more: impl IntoIterator<Item = X>) -> Range<u32> {
    let from = list.len() as u32;
    list.extend(more);
    from..list.len() as u32
}

impl Builder<'_> {
    fn add_job(&mut self, job: JobIx, content: &Job) {
        let count = content.chain.steps().len();
        self.activity_of.push(vec![NONE; count]);
        self.part_of.push(vec![0; count]);
        for run in runs(&content.chain) {
            let number = self.steps.len() as u32;
            for (part, step) in run.iter().enumerate() {
                self.activity_of[job.index()][step.index()] = number;
                self.part_of[job.index()][step.index()] = part as u16;
            }
            self.steps.push(run.iter().map(|&step| StepRef { job, step }).collect());
            match content.chain.step(run[0]).fixed() {
                Some(attempt) => self.add_fixed(job, content, run[0], attempt),
                None => self.add_open(job, content, &run),
            }
        }
        for wait in content.chain.waits() {
            self.add_arc(job, content, wait);
        }
        self.add_retries(job, content);
        self.close_after_fixed(job, content);
    }

    /// What follows a failed check by way of steps that happened all the same still waits for its next try.
    fn add_retries(&mut self, job: JobIx, content: &Job) {
        let chain = &content.chain;
        let failed =
            |step: &StepIx| chain.step(*step).attempts.last().is_some_and(|last| last.outcome == Outcome::Failed);
        for check in (0..chain.steps().len()).map(StepIx::from_index).filter(failed) {
            let mut reached = vec![check];
            let mut seen = 0;
            while seen < reached.len() {
                let from = reached[seen];
                for wait in chain.waits().iter().filter(|wait| wait.from == from) {
                    let extra = match wait.max {
                        Some(WaitMax { on_exceed: OnExceed::Lapse(extra), .. }) => Some(extra),
                        Some(WaitMax { on_exceed: OnExceed::Forbid, .. }) | None => None,
                    };
                    let after = |to: StepIx| plain_wait(check, to);
                    if let Some(extra) = extra.filter(|extra| seen > 0 && chain.step(*extra).fixed().is_none()) {
                        self.add_arc(job, content, &after(extra));
                    }
                    if reached.contains(&wait.to) {
                        continue;
                    }
                    if chain.step(wait.to).fixed().is_some() {
                        reached.push(wait.to);
                    } else if seen > 0 {
                        self.add_arc(job, content, &after(wait.to));
                    }
                }
                seen += 1;
            }
        }
    }

    /// See `Compiled::run_of` and `Compiled::rest_of`.
    fn begun_runs(&self) -> (Vec<u32>, Vec<u32>) {
        let count = self.steps.len();
        let (mut run_of, mut rest_of) = (vec![NONE; count], vec![NONE; count]);
        for (job, content) in self.tables.situation.jobs.iter().enumerate() {
            let activity = |step: StepIx| self.activity_of[job][step.index()];
            let dwells = content.chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell);
            // In order of the chain, so that a run's number is that of its first step.
            let mut dwells: Vec<&Wait> = dwells.collect();
            dwells.sort_by_key(|wait| content.chain.order().iter().position(|step| *step == wait.from));
            for wait in dwells {
                let (from, to) = (activity(wait.from) as usize, activity(wait.to) as usize);
                if self.fixed[from].is_none() {
                    continue;
                }
                let run = if run_of[from] == NONE { from as u32 } else { run_of[from] };
                run_of[from] = run;
                if self.fixed[to].is_some() {
                    run_of[to] = run;
                } else {
                    (0..count).filter(|other| run_of[*other] == run).for_each(|other| rest_of[other] = to as u32);
                }
            }
        }
        (run_of, rest_of)
    }

    fn areas(&mut self, content: &Job, run: &[StepIx]) -> Range<u32> {
        let base = self.area_base[content.house.index()];
        let mut areas: Vec<u32> =
            run.iter().flat_map(|s| &content.chain.step(*s).areas).map(|a| base + u32::from(a.0)).collect();
        areas.sort_unstable();
        areas.dedup();
        extend(&mut self.tables.model.area_lists, areas)
    }

    /// Cumulative and travelling needs of steps that share what they hold.
    fn needs<'c>(&mut self, steps: impl Iterator<Item = &'c Step>) -> (Range<u32>, Range<u32>) {
        let mut most: BTreeMap<usize, u32> = BTreeMap::new();
        for &(kind, units) in steps.flat_map(|step| &step.equipment) {
            let held = most.entry(kind.index()).or_default();
            *held = units.max(*held);
        }
        let (mut rides, mut travels) = (Vec::new(), Vec::new());
        for (kind, units) in most {
            match self.gear_index[kind] {
                GearIndex::Cumulative(resource) => rides.push((resource, units)),
                GearIndex::Travelling(gear) => travels.push((gear, units)),
            }
        }
        let needs = &mut self.tables.model.needs;
        (extend(needs, rides), extend(needs, travels))
    }

    fn add_fixed(&mut self, job: JobIx, content: &Job, step: StepIx, attempt: Attempt) {
        let own = content.chain.step(step);
        let number = self.steps.len() as u32 - 1;
        let start = self.tables.time(attempt.start);
        let finish = self.tables.time(attempt.finish).max(start + 1);
        let areas = self.areas(content, &[step]);
        let model = &mut self.tables.model;
        let parts = extend(&mut model.parts, [Part { offset: 0, length: finish - start }]);
        let mode = Mode { crew: NONE, calendar: NONE, hours: NONE, length: finish - start, parts, gates: 0..0 };
        let modes = extend(&mut model.modes, [mode]);
        self.fixed.push(Some(Place { start, finish, closed_until: finish, mode: modes.start }));
        model.activities.push(Activity {
            job: job.0,
            place: content.house.0,
            release: start,
            latest: start,
            modes,
            anybody: 0..0,
            areas: areas.clone(),
            needs: 0..0,
            gear: 0..0,
            dividable: false,
            extra: own.only_on_lapse,
            days: 0..0,
            pinned: false,
            steps: 1,
            joins: NONE,
            shared: 0..0,
            shared_until: start,
        });
        let end = finish;
        let taken = Taken { start, end, place: content.house.0, by: number };
        let model = &mut self.tables.model;
        if end > -LAST_WAY_MINUTES {
            model.crew_taken[attempt.crew.index()].push(taken);
        }
        for area in &model.area_lists[areas.start as usize..areas.end as usize] {
            model.area_taken[*area as usize].push(Taken { place: NONE, ..taken });
        }
        if attempt.outcome == Outcome::Running {
            self.hold(own, number, taken);
        }
    }

    /// What a running step holds stays held to its end.
    fn hold(&mut self, own: &Step, number: u32, taken: Taken) {
        for &(kind, amount) in &own.equipment {
            match self.gear_index[kind.index()] {
                GearIndex::Cumulative(resource) => {
                    self.tables.model.cumulative_taken.push((resource, amount, taken));
                }
                GearIndex::Travelling(gear) => {
                    let units = self.tables.situation.equipment[kind.index()].units.max(1);
                    for _ in 0..amount {
                        let unit = self.next_unit[kind.index()] % units;
                        self.next_unit[kind.index()] += 1;
                        self.tables.model.gear_taken.push((gear, unit, taken));
                        self.running_gear.push((number, UnitUse { equipment: kind, unit }));
                    }
                }
            }
        }
    }

    /// For a fixed step with an open one after its dwell: the earliest and latest start that the dwell and its own length
    /// leave that one with the same crew, and how many people the crew has then.
    fn rest_of_run(&self, content: &Job, step: StepIx) -> Option<(T, T, u32)> {
        let attempt = content.chain.step(step).fixed()?;
        let crew = attempt.crew.index();
        let with = |people: u32| {
            let (from, until) = self.rest_with(content, step, people)?;
            let start = self.tables.model.origin + i64::from(from.max(0));
            let there = self.tables.situation.crews[crew].people_at(Minute(start)) == people;
            Some((there, (from, until, people)))
        };
        let found: Vec<_> = self.tables.strengths(crew).iter().copied().filter_map(with).collect();
        found.iter().find(|(there, _)| *there).or(found.first()).map(|(_, rest)| *rest)
    }

    fn rest_with(&self, content: &Job, step: StepIx, people: u32) -> Option<(T, T)> {
        let attempt = content.chain.step(step).fixed()?;
        let of_step =
            |w: &&Wait| w.kind == WaitKind::Dwell && w.from == step && content.chain.step(w.to).fixed().is_none();
        let wait = content.chain.waits().iter().find(of_step)?;
        let max = wait.max.map_or(wait.min_minutes, |max| max.minutes);
        let length = content.chain.step(wait.to).duration_minutes(people);
        let earliest = attempt.start.plus(wait.min_minutes).max(attempt.finish.plus(wait.min_minutes - length));
        let latest = attempt.start.plus(max).min(attempt.finish.plus(max - length));
        let now = self.tables.situation.now;
        Some((self.tables.time(earliest.max(now)), self.tables.time(latest)))
    }

    fn add_open(&mut self, job: JobIx, content: &Job, run: &[StepIx]) {
        let chain = &content.chain;
        let mut release = self.tables.time(content.release).max(0);
        let mut latest = NEVER;
        let mut crew = None;
        let mut pinned = false;
        let mut offset_guess = 0;
        for &step in run {
            let own = chain.step(step);
            if let StepState::Open { not_before: Some(at) } = own.state() {
                release = release.max(self.tables.time(at));
            }
            release = own.pin.not_before.map_or(release, |at| release.max(self.tables.time(at) - offset_guess));
            if let Some(at) = own.pin.start {
                let at = self.tables.time(at) - offset_guess;
                release = release.max(at);
                latest = latest.min(at);
                pinned = true;
            }
            crew = own.pin.crew.or(crew);
            offset_guess += self.dwell_min(chain, step);
        }
        let before = chain.waits().iter().find(|w| w.kind == WaitKind::Dwell && w.to == run[0]).map(|w| w.from);
        let resumed = before.and_then(|step| Some((chain.step(step).fixed()?, self.rest_of_run(content, step)?)));
        if let Some((attempt, (from, until, _))) = resumed {
            // As soon as it may be, and no gap after what was begun: the crew stands on the wet floor.
            release = release.max(from);
            latest = latest.min(until).min(release.max(self.tables.time(attempt.finish)));
            crew = Some(attempt.crew);
            pinned = true;
        }
        let areas = self.areas(content, run);
        let (needs, gear) = self.needs(run.iter().map(|step| chain.step(*step)));
        let joined = before.filter(|_| resumed.is_some());
        let joins = joined.map_or(NONE, |step| FIXED | self.activity_of[job.index()][step.index()]);
        let running = resumed.filter(|(attempt, _)| attempt.outcome == Outcome::Running);
        let shared_until = running.map_or(release, |(attempt, _)| self.tables.time(attempt.finish));
        let shared = self.shared(running.and(joined).map(|step| chain.step(step)), &needs);
        let modes = self.modes(content, run, crew, resumed.map(|(attempt, (.., people))| (attempt, people)));
        let anybody = if crew.is_none() { self.anybody_s_modes(content, run) } else { 0..0 };
        let days = self.day_pins(content, run);
        self.fixed.push(None);
        self.tables.model.activities.push(Activity {
            job: job.0,
            place: content.house.0,
            release,
            latest,
            modes,
            anybody,
            areas,
            needs,
            gear,
            dividable: chain.step(run[0]).dividable,
            extra: chain.step(run[0]).only_on_lapse,
            days,
            pinned,
            steps: run.len() as u16,
            joins,
            shared,
            shared_until,
        });
    }

    /// What of `needs` a running step holds already.
    fn shared(&mut self, running: Option<&Step>, needs: &Range<u32>) -> Range<u32> {
        let Some(running) = running else { return 0..0 };
        let own = self.tables.model.needs[needs.start as usize..needs.end as usize].to_vec();
        let held = running.equipment.iter().filter_map(|&(kind, amount)| match self.gear_index[kind.index()] {
            GearIndex::Cumulative(resource) => {
                let need = own.iter().find(|need| need.0 == resource)?;
                Some((resource, amount.min(need.1)))
            }
            GearIndex::Travelling(_) => None,
        });
        let held: Vec<(u32, u32)> = held.collect();
        extend(&mut self.tables.model.needs, held)
    }

    fn dwell_min(&self, chain: &Chain, step: StepIx) -> T {
        let dwell = chain.waits().iter().find(|w| w.kind == WaitKind::Dwell && w.from == step);
        dwell.map_or(0, |wait| wait.min_minutes as T)
    }

    /// The days to which steps of `run` are pinned.
    fn day_pins(&mut self, content: &Job, run: &[StepIx]) -> Range<u32> {
        let zone = self.tables.situation.houses[content.house.index()].zone;
        let pins = run.iter().enumerate().filter_map(|(part, step)| {
            let from = zone.day_start(content.chain.step(*step).pin.day?);
            let (from, until) = (self.tables.time(from), self.tables.time(zone.next_day_start(from)));
            Some(DayPin { part: part as u16, from, until })
        });
        let pins: Vec<DayPin> = pins.collect();
        extend(&mut self.tables.model.day_pins, pins)
    }
}

/// Order alone.
fn plain_wait(from: StepIx, to: StepIx) -> Wait {
    Wait { from, to, kind: WaitKind::Lag, min_minutes: 0, film: None, overnight: false, max: None, keep_off: false }
}
