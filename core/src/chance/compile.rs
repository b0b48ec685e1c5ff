//! Makes a course of a situation and a plan that keeps its rules. Places that do not exist are passed over, for whether a
//! plan is sound is the audit's to say.

use super::TreatAgain;
use super::course::{Block, Course, Kind, Member, NONE, Strength, Unit, wide};
use super::hours::{Hours, first_after};
use super::lags::add_lags;
use crate::domain::chain::{Chain, Outcome, Step, WaitKind};
use crate::domain::ids::{CrewIx, EquipmentIx, HouseIx, JobIx, StepIx, StepRef};
use crate::domain::plan::{Placement, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span, joined, without};
use std::collections::BTreeMap;
use std::ops::Range;

/// What is known of each step while blocks are made.
pub(super) struct Builder<'a> {
    pub situation: &'a Situation,
    pub hours: Hours<'a>,
    pub course: Course,
    /// Number of each job's first step.
    pub first_step: Vec<u32>,
    /// By step number: its block, or `NONE`; and its member.
    pub block_of: Vec<(u32, u32)>,
    area_base: Vec<u32>,
    unit_base: Vec<u32>,
}

/// A block as it is being made.
pub(super) struct Draft<'p> {
    pub kind: Kind,
    pub crew: CrewIx,
    /// Each step with its start and finish in minutes of 1970.
    pub steps: Vec<(StepIx, i64, i64)>,
    pub minutes: i64,
    /// Placements that hold gear, by step; empty: none is held.
    pub placements: Vec<&'p Placement>,
    pub resumes: bool,
}

/// Compiles.
pub(super) fn compile(situation: &Situation, plan: &Plan, treat_again: &[TreatAgain]) -> Course {
    let mut builder = Builder::new(situation);
    let mut by_job: Vec<Vec<Option<&Placement>>> =
        situation.jobs.iter().map(|job| vec![None; job.chain.steps().len()]).collect();
    for placement in plan.placements.iter().filter(|placement| exists(situation, placement)) {
        by_job[placement.step.job.index()][placement.step.step.index()] = Some(placement);
    }
    for (job, placed) in by_job.iter().enumerate() {
        builder.add_job(JobIx::from_index(job), placed);
    }
    builder.put_in_order();
    add_lags(&mut builder, treat_again);
    let Builder { hours, mut course, .. } = builder;
    course.until = hours.until.0;
    (course.workable, course.gates) = (hours.workable, hours.gates);
    (course.drying, course.days) = (hours.drying, hours.days);
    course
}

fn exists(situation: &Situation, placement: &Placement) -> bool {
    let job = situation.jobs.get(placement.step.job.index());
    let known = |unit: &crate::domain::plan::UnitUse| {
        situation.equipment.get(unit.equipment.index()).is_some_and(|kind| unit.unit < kind.units)
    };
    job.is_some_and(|job| placement.step.step.index() < job.chain.steps().len())
        && placement.crew.index() < situation.crews.len()
        && !placement.pieces.is_empty()
        && placement.units.iter().all(known)
}

/// The earliest finish of something that may still be drying.
fn still_drying(situation: &Situation) -> Minute {
    let mut earliest = situation.now;
    for job in &situation.jobs {
        let chain = &job.chain;
        let matters = |wait: &&crate::domain::chain::Wait| wait.keep_off || chain.step(wait.to).fixed().is_none();
        for wait in chain.waits().iter().filter(matters) {
            earliest = chain.step(wait.from).fixed().map_or(earliest, |attempt| earliest.min(attempt.finish));
        }
    }
    earliest
}

impl<'a> Builder<'a> {
    fn new(situation: &'a Situation) -> Builder<'a> {
        let mut first_step = Vec::with_capacity(situation.jobs.len());
        let mut steps = 0;
        for job in &situation.jobs {
            first_step.push(steps);
            steps += job.chain.steps().len() as u32;
        }
        let bases = |sizes: &mut dyn Iterator<Item = usize>| -> (Vec<u32>, usize) {
            let mut sum = 0;
            let bases = sizes.map(|size| {
                sum += size;
                (sum - size) as u32
            });
            (bases.collect(), sum)
        };
        let (area_base, area_count) = bases(&mut situation.houses.iter().map(|house| house.areas.len()));
        let (unit_base, _) = bases(&mut situation.equipment.iter().map(|kind| kind.units as usize));
        let kinds = situation.equipment.iter().enumerate().flat_map(|(number, kind)| {
            let (equipment, travels) = (EquipmentIx::from_index(number), !kind.moves_with_crew);
            (0..kind.units).map(move |number| Unit { kind: equipment, number, travels })
        });
        let hours = Hours::new(situation, still_drying(situation));
        let units_over = situation.equipment.iter().map(|kind| match kind.outages[..] {
            [] => Vec::new(),
            _ => kind.units_over(hours.within()),
        });
        let houses = (0..situation.houses.len()).map(HouseIx::from_index);
        let ways = houses.clone().flat_map(|a| houses.clone().map(move |b| (a, b)));
        let course = Course {
            now: situation.now.0,
            step_count: steps as usize,
            area_count,
            unit_kinds: kinds.collect(),
            units_over: units_over.collect(),
            ways: ways.map(|(a, b)| situation.way_minutes(a, b)).collect(),
            house_count: situation.houses.len(),
            ..Course::default()
        };
        Builder {
            situation,
            hours,
            course,
            first_step,
            block_of: vec![(NONE, NONE); steps as usize],
            area_base,
            unit_base,
        }
    }

    pub fn number(&self, step: StepRef) -> u32 {
        self.first_step[step.job.index()] + u32::from(step.step.0)
    }

    fn add_job(&mut self, job: JobIx, placed: &[Option<&Placement>]) {
        let chain = &self.situation.jobs[job.index()].chain;
        let mut joined = vec![false; chain.steps().len()];
        for &step in chain.order() {
            if let Some(attempt) = chain.step(step).fixed() {
                self.add_fixed(job, step, attempt, placed[step.index()]);
                continue;
            }
            let Some(first) = placed[step.index()].filter(|_| !joined[step.index()]) else { continue };
            let mut run = vec![(step, first)];
            while let Some((next, placement)) = dwell_after(chain, run[run.len() - 1].0)
                .and_then(|next| Some((next, placed[next.index()]?)))
                .filter(|(next, placement)| chain.step(*next).fixed().is_none() && placement.crew == first.crew)
            {
                joined[next.index()] = true;
                run.push((next, placement));
            }
            self.add_planned(job, &run);
        }
    }

    fn add_fixed(
        &mut self,
        job: JobIx,
        step: StepIx,
        attempt: crate::domain::chain::Attempt,
        placement: Option<&Placement>,
    ) {
        let own = self.situation.jobs[job.index()].chain.step(step);
        let running = attempt.outcome == Outcome::Running;
        let now = self.situation.now;
        let left = || {
            let Some(span) = Span::new(now, attempt.finish) else { return 0 };
            let worked = if own.dividable { self.worked(job, attempt.crew, span) } else { 0 };
            if worked > 0 { worked } else { span.minutes() }
        };
        let kind = if running { Kind::Running { left_minutes: left() } } else { Kind::Done };
        let minutes = attempt.finish.since(attempt.start).max(1);
        let draft = Draft {
            kind,
            crew: attempt.crew,
            steps: vec![(step, attempt.start.0, attempt.start.0 + minutes)],
            minutes: if running { own.duration_minutes(self.head_count(attempt.crew)) } else { minutes },
            placements: placement.into_iter().filter(|_| running).collect(),
            resumes: false,
        };
        self.add(job, draft);
    }

    /// Working time of a crew in the house of a job.
    fn worked(&self, job: JobIx, crew: CrewIx, within: Span) -> i64 {
        let (house, crew) = (&self.situation.houses[self.house(job).index()], &self.situation.crews[crew.index()]);
        let away = joined(crew.absences.clone());
        let open = without(&house.access.spans(house.zone, within), &joined(house.closures.clone()));
        let working = without(&crew.calendar.spans(crew.zone, within), &away);
        without(&working, &without(&[within], &open)).iter().map(|span| span.minutes()).sum()
    }

    pub fn head_count(&self, crew: CrewIx) -> u32 {
        self.situation.crews[crew.index()].head_count
    }

    pub fn house(&self, job: JobIx) -> HouseIx {
        self.situation.jobs[job.index()].house
    }

    fn add_planned(&mut self, job: JobIx, run: &[(StepIx, &Placement)]) {
        let chain = &self.situation.jobs[job.index()].chain;
        let start = run.iter().map(|(_, placement)| placement.start()).min().unwrap_or_default();
        let finish = run.iter().map(|(_, placement)| placement.finish()).max().unwrap_or_default();
        let alone = run.len() == 1;
        let worked = || run[0].1.pieces.iter().map(|piece| piece.minutes()).sum();
        let begun = |wait: &crate::domain::chain::Wait| {
            wait.kind == WaitKind::Dwell && wait.to == run[0].0 && chain.step(wait.from).fixed().is_some()
        };
        let draft = Draft {
            kind: Kind::Planned,
            crew: run[0].1.crew,
            steps: run.iter().map(|(step, placement)| (*step, placement.start().0, placement.finish().0)).collect(),
            minutes: if alone { worked() } else { finish.since(start) },
            placements: run.iter().map(|(_, placement)| *placement).collect(),
            resumes: chain.waits().iter().any(begun),
        };
        self.add(job, draft);
    }

    /// Adds a block; its lags come later.
    pub fn add(&mut self, job: JobIx, draft: Draft<'_>) -> u32 {
        let number = self.course.blocks.len() as u32;
        let house = self.house(job);
        let chain = &self.situation.jobs[job.index()].chain;
        let start = draft.steps.iter().map(|step| step.1).min().unwrap_or_default();
        let first = self.course.members.len() as u32;
        let ordinary = draft.kind != Kind::InCase;
        for (place, &(step, from, until)) in draft.steps.iter().enumerate() {
            let own = chain.step(step);
            let reference = StepRef { job, step };
            if ordinary {
                let known = self.number(reference) as usize;
                self.block_of[known] = (number, first + place as u32);
            }
            let gate = own.gate.filter(|_| !matches!(draft.kind, Kind::Done | Kind::Running { .. }));
            let member = Member {
                step: reference,
                number: self.number(reference),
                from: from - start,
                until: until - start,
                areas: self.areas(house, own),
                units: self.units(draft.placements.get(place).copied()),
                gate: gate.and_then(|gate| Some((self.hours.gate(house, gate)?, gate.hold_after_minutes))),
            };
            self.course.members.push(member);
        }
        let members = first..self.course.members.len() as u32;
        let only = chain.step(draft.steps[0].0);
        let begins = if ordinary { start } else { i64::MIN };
        let strengths = self.strengths(job, &draft, begins);
        let out_at_times = |unit: &u32| {
            let kind = self.course.unit_kinds[*unit as usize].kind;
            !self.course.units_over[kind.index()].is_empty()
        };
        let broken_gear = self.course.members[wide(&members)]
            .iter()
            .any(|member| self.course.units[wide(&member.units)].iter().any(out_at_times));
        self.course.blocks.push(Block {
            kind: draft.kind,
            job,
            crew: draft.crew,
            house,
            run: self.run_of(job, draft.steps[0].0),
            start: begins,
            finish: draft.steps.iter().map(|step| step.2).max().unwrap_or(start),
            minutes: draft.minutes.max(1),
            dividable: only.dividable,
            resumes: draft.resumes,
            recheck_minutes: only.recheck_after_minutes.filter(|_| draft.kind != Kind::Done && ordinary),
            gated: self.course.members[first as usize..].iter().any(|member| member.gate.is_some()),
            members,
            strengths,
            broken_gear,
            lags: 0..0,
            limits: 0..0,
            again: 0..0,
            again_lags: 0,
            waits_for: 0,
            rank: 0,
        });
        number
    }

    /// With how many people a block may be done, and how long it takes then. A run is done with the strength it was planned
    /// for, and so is what is in hand.
    fn strengths(&mut self, job: JobIx, draft: &Draft<'_>, begins: i64) -> Range<u32> {
        let (house, crew) = (self.house(job), &self.situation.crews[draft.crew.index()]);
        let chain = &self.situation.jobs[job.index()].chain;
        let steps: Vec<(&Step, i64)> =
            draft.steps.iter().map(|(step, from, until)| (chain.step(*step), until - from)).collect();
        let whole = |hours: &mut Hours<'_>| vec![(draft.minutes, hours.workable(draft.crew, house))];
        let fixed = matches!(draft.kind, Kind::Done | Kind::Running { .. });
        let found = if crew.short_handed.is_empty() || fixed {
            whole(&mut self.hours)
        } else {
            let mut classes: BTreeMap<(bool, i64), Vec<Span>> = BTreeMap::new();
            for (span, people) in crew.people_over(self.hours.within()) {
                let able = steps.iter().all(|(step, _)| people >= step.head_count_min);
                let minutes = match steps[..] {
                    [(step, _)] => step.duration_minutes(people),
                    _ if steps.iter().all(|(step, planned)| step.duration_minutes(people) == *planned) => draft.minutes,
                    _ => continue,
                };
                if able {
                    classes.entry((minutes != draft.minutes, minutes)).or_default().push(span);
                }
            }
            let hours = &mut self.hours;
            classes.into_iter().map(|((_, m), spans)| (m, hours.workable_in(draft.crew, house, spans))).collect()
        };
        let from = self.course.strengths.len() as u32;
        for (minutes, workable) in found {
            let first_span = first_after(&self.hours.workable[workable as usize], 0, begins);
            self.course.strengths.push(Strength { minutes: minutes.max(1), workable, first_span });
        }
        from..self.course.strengths.len() as u32
    }

    fn areas(&mut self, house: HouseIx, step: &Step) -> Range<u32> {
        let from = self.course.areas.len() as u32;
        let base = self.area_base[house.index()];
        self.course.areas.extend(step.areas.iter().map(|area| base + u32::from(area.0)));
        from..self.course.areas.len() as u32
    }

    fn units(&mut self, placement: Option<&Placement>) -> Range<u32> {
        let from = self.course.units.len() as u32;
        for unit in placement.iter().flat_map(|placement| &placement.units) {
            self.course.units.push(self.unit_base[unit.equipment.index()] + unit.unit);
        }
        from..self.course.units.len() as u32
    }

    /// The number of the first step of a step's run.
    fn run_of(&self, job: JobIx, step: StepIx) -> u32 {
        let chain = &self.situation.jobs[job.index()].chain;
        let mut first = step;
        let before = |step: StepIx| {
            chain.waits().iter().find(|wait| wait.kind == WaitKind::Dwell && wait.to == step).map(|wait| wait.from)
        };
        while let Some(earlier) = before(first) {
            first = earlier;
        }
        self.number(StepRef { job, step: first })
    }

    /// Who is looked at when.
    fn put_in_order(&mut self) {
        let course = &mut self.course;
        let of = |wanted: &dyn Fn(&Block) -> bool, blocks: &[Block]| -> Vec<u32> {
            let mut numbers: Vec<u32> = (0..blocks.len() as u32).filter(|b| wanted(&blocks[*b as usize])).collect();
            numbers.sort_by_key(|b| (blocks[*b as usize].start, blocks[*b as usize].finish, *b));
            numbers
        };
        course.planned = of(&|block| block.kind == Kind::Planned, &course.blocks);
        course.happened = of(&|block| matches!(block.kind, Kind::Done | Kind::Running { .. }), &course.blocks);
        for (rank, block) in course.planned.iter().enumerate() {
            course.blocks[*block as usize].rank = rank as u32;
        }
    }
}

/// The step that follows `step` over the floor.
pub(super) fn dwell_after(chain: &Chain, step: StepIx) -> Option<StepIx> {
    chain.waits().iter().find(|wait| wait.kind == WaitKind::Dwell && wait.from == step).map(|wait| wait.to)
}

/// Whether the last try of a step failed and it is to be tried again.
pub(super) fn has_failed(step: &Step) -> bool {
    step.attempts.last().is_some_and(|last| last.outcome == Outcome::Failed)
}
