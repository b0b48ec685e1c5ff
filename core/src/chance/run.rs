//! One run: minute by minute in effect, block by block in fact. Whoever can begin, begins; of two who could begin in the
//! same minute, the one planned earlier. With nothing left to chance that is the plan itself.

use super::ChanceModel;
use super::course::{Block, Course, Kind, Lag, Measure, NONE, wide};
use super::draw::{Luck, stretched};
use super::fit::{fit, worked_until};
use super::gear::InUse;
use super::hours::NEVER;
use super::marks::{Arrival, Cause, Furthest, Mark};
use crate::domain::ids::StepRef;
use crate::domain::time::{Minute, Span};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Tries of one check; the last one counts as passed.
pub(super) const TRIES_MAX: u32 = 50;
/// A floor is treated again so often; after that the check is repeated alone.
pub(super) const TREATMENTS_AGAIN_MAX: u32 = 3;
/// Draws of what is done in case are not those of what was planned.
const IN_CASE: u32 = 1 << 16;

/// A block as it was done once.
#[derive(Debug, Clone, Copy)]
pub(super) struct Execution {
    pub block: u32,
    /// Whether it took longer than planned.
    pub slow: bool,
    /// Whether it began later than planned.
    pub delayed: bool,
    pub cause: Cause,
    pub by: u32,
}

/// When a block can begin, with how many people, and what it has been waiting for.
#[derive(Debug, Clone, Copy)]
struct Chance {
    start: i64,
    strength: u32,
    arrival: Arrival,
}

/// The state of a run; made once a thread, used for many.
pub(super) struct Run<'c> {
    course: &'c Course,
    model: &'c ChanceModel,
    luck: Luck,
    crews: Vec<Furthest>,
    areas: Vec<Furthest>,
    units: Vec<Furthest>,
    in_use: InUse,
    /// Lags that have not come in yet, by block.
    left: Vec<u32>,
    earliest: Vec<Arrival>,
    tries: Vec<u32>,
    /// Whether a block's turn in the plan has come.
    due: Vec<bool>,
    /// By lag: whether its extra step was called for.
    lapses: Vec<bool>,
    /// Start and finish by number of step.
    spans: Vec<(i64, i64)>,
    waiting: BinaryHeap<Reverse<(i64, u32, u32)>>,
    /// In order.
    pub executions: Vec<Execution>,
    /// Finish and last execution, by job.
    pub finishes: Vec<(i64, u32)>,
    /// Blocks not done, by job.
    pub open: Vec<u32>,
    /// Lags whose forbidden maximum was exceeded.
    pub forbidden: Vec<u32>,
    /// Lags that lapsed though the plan does not say so.
    pub lapsed: Vec<u32>,
}

const START: Arrival = Arrival { at: i64::MIN, cause: Cause::Planned, by: NONE };

impl<'c> Run<'c> {
    pub fn new(course: &'c Course, model: &'c ChanceModel, jobs: usize, crews: usize) -> Run<'c> {
        Run {
            course,
            model,
            luck: Luck::of(0, 0),
            crews: vec![Furthest::FREE; crews],
            areas: vec![Furthest::FREE; course.area_count],
            units: vec![Furthest::FREE; course.unit_kinds.len()],
            in_use: InUse::new(course),
            left: course.blocks.iter().map(|block| block.waits_for).collect(),
            earliest: vec![START; course.blocks.len()],
            tries: vec![0; course.blocks.len()],
            due: vec![false; course.blocks.len()],
            lapses: vec![false; course.lags.len()],
            spans: vec![(i64::MIN, i64::MIN); course.step_count],
            waiting: BinaryHeap::new(),
            executions: Vec::with_capacity(course.blocks.len()),
            finishes: vec![(i64::MIN, NONE); jobs],
            open: vec![0; jobs],
            forbidden: Vec::new(),
            lapsed: Vec::new(),
        }
    }

    /// When each step that was done was done, in order of job and step.
    pub fn spans(&self) -> Vec<(StepRef, Span)> {
        let course = self.course;
        let ordinary = course.blocks.iter().filter(|block| block.kind != Kind::InCase);
        let members = ordinary.flat_map(|block| &course.members[wide(&block.members)]);
        let mut spans: Vec<(StepRef, Span)> = members
            .filter_map(|member| {
                let (start, finish) = self.spans[member.number as usize];
                Some((member.step, Span::new(Minute(start), Minute(finish))?))
            })
            .collect();
        spans.sort_unstable();
        spans
    }

    fn clear(&mut self) {
        let course = self.course;
        self.crews.fill(Furthest::FREE);
        self.areas.fill(Furthest::FREE);
        self.units.fill(Furthest::FREE);
        self.in_use.clear();
        self.earliest.fill(START);
        self.tries.fill(0);
        self.due.fill(false);
        self.lapses.fill(false);
        self.spans.fill((i64::MIN, i64::MIN));
        self.finishes.fill((i64::MIN, NONE));
        self.open.fill(0);
        for (number, block) in course.blocks.iter().enumerate() {
            self.left[number] = block.waits_for;
            self.due[number] = block.kind == Kind::InCase;
            self.open[block.job.index()] += u32::from(block.kind != Kind::InCase);
        }
        self.waiting.clear();
        self.executions.clear();
        self.forbidden.clear();
        self.lapsed.clear();
    }

    /// Carries the plan out once.
    pub fn go(&mut self, luck: Luck) {
        self.luck = luck;
        self.clear();
        for &block in &self.course.happened {
            self.happen(block);
        }
        let planned = &self.course.planned;
        let mut next = 0;
        loop {
            let turn = planned.get(next).map(|&b| (self.course.blocks[b as usize].start, next as u32, b));
            let first = match (turn, self.waiting.peek()) {
                (Some(turn), Some(Reverse(waiting))) => turn <= *waiting,
                (Some(_), None) => true,
                (None, Some(_)) => false,
                (None, None) => break,
            };
            if let Some((at, _, block)) = turn.filter(|_| first) {
                next += 1;
                self.due[block as usize] = true;
                if self.left[block as usize] == 0 {
                    self.look_at(block, at);
                }
            } else if let Some(Reverse((at, _, block))) = self.waiting.pop() {
                self.look_at(block, at);
            }
        }
    }

    /// Begins a block at `at`, if that is still possible; otherwise it waits for its next chance.
    fn look_at(&mut self, block: u32, at: i64) {
        let rank = self.course.blocks[block as usize].rank;
        // Mostly it is the crew that is at work elsewhere: then nothing else need be asked.
        let free = self.crew_free(block);
        if free > at {
            self.waiting.push(Reverse((free, rank, block)));
            return;
        }
        let Some(chance) = self.chance_of(block) else { return };
        if chance.start > at {
            self.waiting.push(Reverse((chance.start, rank, block)));
        } else if !self.has_lapsed(block, chance) {
            self.begin(block, chance);
        }
    }

    /// When the crew of a block is free and there.
    fn crew_free(&self, number: u32) -> i64 {
        let block = &self.course.blocks[number as usize];
        let mark = self.crews[block.crew.index()].outside(block.run);
        mark.map_or(i64::MIN, |mark| mark.end + if block.resumes { 0 } else { self.way(mark, block) })
    }

    /// Puts a block among those that wait. When it can begin is found out when its turn comes, and again as often as
    /// somebody else was quicker.
    fn push(&mut self, number: u32) {
        let block = &self.course.blocks[number as usize];
        let at = self.earliest[number as usize].at.max(block.start).max(self.course.now);
        if at < NEVER {
            self.waiting.push(Reverse((at, block.rank, number)));
        }
    }

    /// The first minute at which a block can begin, as things stand, and what it has been waiting for.
    fn chance_of(&self, number: u32) -> Option<Chance> {
        let course = self.course;
        let block = &course.blocks[number as usize];
        let mut arrival = Arrival { at: block.start.max(course.now), ..START };
        let earliest = self.earliest[number as usize];
        arrival.or_later(earliest.at, earliest.cause, earliest.by);
        if let Some(mark) = self.crews[block.crew.index()].outside(block.run) {
            let way = if block.resumes { 0 } else { self.way(mark, block) };
            arrival.or_later(mark.end + way, Cause::Crew, mark.by);
        }
        for member in course.members(number) {
            for &area in &course.areas[wide(&member.areas)] {
                if let Some(mark) = self.areas[area as usize].outside(block.run) {
                    arrival.or_later(mark.end - member.from, mark.cause, mark.by);
                }
            }
            for &unit in &course.units[wide(&member.units)] {
                if let Some(mark) = self.units[unit as usize].outside(block.run) {
                    let way = if course.unit_kinds[unit as usize].travels { self.way(mark, block) } else { 0 };
                    arrival.or_later(mark.end + way - member.from, Cause::Gear(unit), mark.by);
                }
            }
        }
        let strengths = block.strengths.clone();
        let starts = strengths.filter_map(|strength| {
            let way = &course.strengths[strength as usize];
            Some((fit(course, &self.in_use, number, way, arrival.at)?, strength))
        });
        let (start, strength) = starts.min_by_key(|(start, _)| *start)?;
        Some(Chance { start, strength, arrival })
    }

    fn way(&self, mark: &Mark, block: &Block) -> i64 {
        self.course.way(crate::domain::ids::HouseIx(mark.house), block.house)
    }

    /// Calls for the extra step of a wait that has lapsed, if there is one.
    fn has_lapsed(&mut self, block: u32, chance: Chance) -> bool {
        let (course, start) = (self.course, chance.start);
        if self.tries[block as usize] > 0 {
            return false;
        }
        for &number in &course.limited[wide(&course.blocks[block as usize].limits)] {
            let lag = &course.lags[number as usize];
            let (_, finish) = self.spans[course.members[lag.from_member as usize].number as usize];
            let begins = start + course.members[lag.to_member as usize].from;
            if lag.extra == NONE || self.lapses[number as usize] || begins <= finish + lag.max_minutes {
                continue;
            }
            self.lapses[number as usize] = true;
            self.lapsed.push(number);
            self.earliest[lag.extra as usize] = Arrival { at: start, ..chance.arrival };
            self.left[block as usize] = 1;
            self.push(lag.extra);
            return true;
        }
        false
    }

    /// What is over or in hand.
    fn happen(&mut self, number: u32) {
        let block = &self.course.blocks[number as usize];
        let (mut finish, mut slow) = (block.finish, false);
        if let Kind::Running { left_minutes } = block.kind {
            let (normal, _) = self.luck.normals(self.course.members(number)[0].number, 0);
            let left = stretched(left_minutes, self.model.work_sigma, normal);
            if left != left_minutes {
                slow = left > left_minutes;
                let now = self.course.now;
                let strength = &self.course.strengths[block.strengths.start as usize];
                let worked = if block.dividable { worked_until(self.course, strength, now, left) } else { None };
                finish = worked.unwrap_or(now + left).max(now + 1);
            }
        }
        let member = &self.course.members(number)[0];
        self.spans[member.number as usize] = (block.start, finish);
        let done = Execution { block: number, slow, delayed: false, cause: Cause::Planned, by: NONE };
        self.finish(number, done, finish);
    }

    /// What begins now.
    fn begin(&mut self, number: u32, Chance { start, strength, arrival }: Chance) {
        let course = self.course;
        let strength = &course.strengths[strength as usize];
        let block = &course.blocks[number as usize];
        let members = course.members(number);
        let (normal, _) = self.luck.normals(members[0].number, self.attempt(number));
        let minutes = stretched(strength.minutes, self.model.work_sigma, normal).max(1);
        let finish = if block.dividable {
            worked_until(course, strength, start, minutes).unwrap_or(NEVER)
        } else {
            start + minutes
        };
        for member in members {
            let scaled = |offset: i64| start + (2 * offset * minutes + block.minutes) / (2 * block.minutes);
            let until = if members.len() == 1 { finish } else { scaled(member.until) };
            self.spans[member.number as usize] = (scaled(member.from), until);
        }
        self.hold_to_maxima(number, start);
        let slow = minutes > block.minutes;
        let delayed = self.tries[number as usize] > 0 || start > block.start;
        self.finish(number, Execution { block: number, slow, delayed, cause: arrival.cause, by: arrival.by }, finish);
    }

    fn attempt(&self, number: u32) -> u32 {
        let in_case = self.course.blocks[number as usize].kind == Kind::InCase;
        self.tries[number as usize] + if in_case { IN_CASE } else { 0 }
    }

    /// Maxima are held against the first try alone: a check is repeated as late as it must be.
    fn hold_to_maxima(&mut self, number: u32, start: i64) {
        let course = self.course;
        if self.tries[number as usize] > 0 {
            return;
        }
        for &limit in &course.limited[wide(&course.blocks[number as usize].limits)] {
            let lag = &course.lags[limit as usize];
            let (from, until) = self.spans[course.members[lag.from_member as usize].number as usize];
            let to = &course.members[lag.to_member as usize];
            let late = match lag.measure {
                Measure::Lag => start + to.from > until + lag.max_minutes,
                Measure::Dwell => {
                    start + to.from > from + lag.max_minutes || start + to.until > until + lag.max_minutes
                }
            };
            if lag.forbids && late {
                self.forbidden.push(limit);
            }
        }
    }

    /// Takes what the block held, and lets go on what waits for it; or, when it is a check that failed, itself.
    fn finish(&mut self, number: u32, done: Execution, finish: i64) {
        let course = self.course;
        let block = &course.blocks[number as usize];
        let by = self.executions.len() as u32;
        self.executions.push(done);
        let mark = Mark { end: finish, run: block.run, house: block.house.0, by, cause: Cause::Area };
        self.crews[block.crew.index()].note(mark);
        for member in course.members(number) {
            let (from, until) = self.spans[member.number as usize];
            let mark = Mark { end: until, ..mark };
            for &area in &course.areas[wide(&member.areas)] {
                self.areas[area as usize].note(mark);
            }
            for &unit in &course.units[wide(&member.units)] {
                self.units[unit as usize].note(mark);
                self.in_use.note(course, unit, (from, until));
            }
        }
        let last = &mut self.finishes[block.job.index()];
        if finish > last.0 {
            *last = (finish, by);
        }
        let attempt = self.attempt(number);
        self.tries[number as usize] += 1;
        if let Some(pause) = block.recheck_minutes
            && attempt + 1 < TRIES_MAX
            && self.luck.verdict(course.members(number)[0].number, attempt) <= self.model.failed_check_rate
        {
            return self.fail(number, finish, pause, by);
        }
        self.open[block.job.index()] -= u32::from(block.kind != Kind::InCase);
        for lag in block.lags.clone() {
            self.let_go(lag, attempt, by);
        }
    }

    fn fail(&mut self, number: u32, finish: i64, pause: i64, by: u32) {
        let block = &self.course.blocks[number as usize];
        self.earliest[number as usize] = Arrival { at: finish + pause, cause: Cause::Recheck, by };
        self.due[number as usize] = true;
        if block.again.is_empty() || self.tries[number as usize] > TREATMENTS_AGAIN_MAX {
            return self.push(number);
        }
        self.left[number as usize] = block.again_lags;
        for copy in block.again.clone() {
            self.left[copy as usize] = self.course.blocks[copy as usize].waits_for;
            self.earliest[copy as usize] = Arrival { at: finish, cause: Cause::TreatAgain, by };
        }
        for copy in block.again.clone().filter(|copy| self.course.blocks[*copy as usize].waits_for == 0) {
            self.push(copy);
        }
    }

    /// The wait of a lag begins.
    fn let_go(&mut self, number: u32, attempt: u32, by: u32) {
        let course = self.course;
        let lag = &course.lags[number as usize];
        let from = &course.members[lag.from_member as usize];
        let (start, finish) = self.spans[from.number as usize];
        let (at, cause) = match lag.measure {
            Measure::Lag => self.dry(number, lag, attempt, finish),
            Measure::Dwell => {
                let to = &course.members[lag.to_member as usize];
                let ready = (start + lag.min_minutes).max(finish + lag.min_minutes - (to.until - to.from));
                (ready, Cause::Lag { lag: number, longer: false })
            }
        };
        if lag.keep_off {
            let block = &course.blocks[lag.from as usize];
            let mark = Mark { end: at, run: block.run, house: block.house.0, by, cause };
            for &area in &course.areas[wide(&from.areas)] {
                self.areas[area as usize].note(mark);
            }
        }
        if lag.to == NONE {
            return;
        }
        let to = lag.to as usize;
        self.earliest[to].or_later(at - course.members[lag.to_member as usize].from, cause, by);
        self.left[to] -= 1;
        if self.left[to] == 0 && self.due[to] {
            self.push(lag.to);
        }
    }

    fn dry(&self, number: u32, lag: &Lag, attempt: u32, finish: i64) -> (i64, Cause) {
        let mut minutes = lag.min_minutes;
        if lag.dries {
            let step = self.course.members[lag.from_member as usize].number;
            minutes = stretched(minutes, self.model.dry_sigma, self.luck.normals(step, attempt).1);
        }
        (self.course.ready(lag, finish, minutes), Cause::Lag { lag: number, longer: minutes > lag.min_minutes })
    }
}
