//! A plan as it will be carried out: blocks of work, what each waits for, and what it takes. Compiled once, run many
//! times; how it is compiled is in `compile`.

use super::hours::NEVER;
use crate::domain::ids::{CrewIx, EquipmentIx, HouseIx, JobIx, StepRef, WaitIx};
use crate::domain::time::Span;
use crate::trade::ready::DryingTable;
use std::ops::Range;

/// "None" for indices kept as `u32`.
pub(super) const NONE: u32 = u32::MAX;

/// How a block comes to be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Over; only what it holds back matters.
    Done,
    /// In hand: its end is drawn.
    Running {
        /// Minutes of work from now to its expected finish.
        left_minutes: i64,
    },
    /// Planned.
    Planned,
    /// Not planned: done when something makes it necessary.
    InCase,
}

/// What one crew does in one go: a step, or the open steps of a run.
#[derive(Debug, Clone)]
pub(super) struct Block {
    pub kind: Kind,
    pub job: JobIx,
    pub crew: CrewIx,
    pub house: HouseIx,
    /// Blocks of one run never hold each other up.
    pub run: u32,
    /// Minutes of 1970; of a block in case: the beginning of time.
    pub start: i64,
    /// As planned, or as it happened.
    pub finish: i64,
    /// Work, minutes; of a run its whole hull.
    pub minutes: i64,
    pub dividable: bool,
    /// The rest of a run that was begun: its crew is there.
    pub resumes: bool,
    /// For a check: pause before the next try.
    pub recheck_minutes: Option<i64>,
    /// Into `Course::members`.
    pub members: Range<u32>,
    /// Into `Course::strengths`: how its crew may do it, as planned first.
    pub strengths: Range<u32>,
    /// Whether any member has a gate.
    pub gated: bool,
    /// Whether any member needs gear of a kind that is out of use at times.
    pub broken_gear: bool,
    /// Into `Course::lags`: what waits for it.
    pub lags: Range<u32>,
    /// Into `Course::limited`: lags into it that have a maximum.
    pub limits: Range<u32>,
    /// For a check: blocks in case that are done when it fails.
    pub again: Range<u32>,
    /// How many lags come from those into the check.
    pub again_lags: u32,
    /// How many lags come in before it may be done.
    pub waits_for: u32,
    /// Among blocks that could begin in the same minute, lower comes first.
    pub rank: u32,
}

/// The crew with so many people that the work takes so long, and when it has them in that house.
#[derive(Debug, Clone)]
pub(super) struct Strength {
    pub minutes: i64,
    /// Into `Course::workable`; and the first span that ends after the block's planned start.
    pub workable: u32,
    pub first_span: usize,
}

/// One step of a block.
#[derive(Debug, Clone)]
pub(super) struct Member {
    pub step: StepRef,
    /// Its number among all steps.
    pub number: u32,
    /// Start and finish, minutes after the block's start, as planned.
    pub from: i64,
    pub until: i64,
    /// Into `Course::areas`.
    pub areas: Range<u32>,
    /// Into `Course::units`.
    pub units: Range<u32>,
    /// Into `Course::gates`, and how long it holds after.
    pub gate: Option<(u32, i64)>,
}

/// How the start of the later step hangs on the earlier one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Measure {
    /// From finish to start.
    Lag,
    /// From start to start and from finish to finish.
    Dwell,
}

/// A wait between two blocks, or after one that keeps its areas closed.
#[derive(Debug, Clone)]
pub(super) struct Lag {
    pub job: JobIx,
    /// `None`: order alone.
    pub wait: Option<WaitIx>,
    pub from: u32,
    /// Into `Course::members`.
    pub from_member: u32,
    /// `NONE`: keeps off only.
    pub to: u32,
    pub to_member: u32,
    pub measure: Measure,
    pub min_minutes: i64,
    /// Whether its minimum is drawn.
    pub dries: bool,
    /// Into `Course::drying`.
    pub drying: Option<u32>,
    /// Into `Course::days`.
    pub overnight: Option<u32>,
    pub max_minutes: i64,
    /// The block that exceeding the maximum makes necessary; `NONE` when it is forbidden, or planned already.
    pub extra: u32,
    pub forbids: bool,
    pub keep_off: bool,
}

/// Who of a unit of gear.
#[derive(Debug, Clone, Copy)]
pub(super) struct Unit {
    pub kind: EquipmentIx,
    /// Its number among its kind.
    pub number: u32,
    /// Must be brought from house to house.
    pub travels: bool,
}

/// The whole of it.
#[derive(Debug, Default)]
pub(super) struct Course {
    pub now: i64,
    pub until: i64,
    pub blocks: Vec<Block>,
    pub members: Vec<Member>,
    pub strengths: Vec<Strength>,
    pub areas: Vec<u32>,
    pub units: Vec<u32>,
    pub lags: Vec<Lag>,
    /// Numbers of lags.
    pub limited: Vec<u32>,
    /// Blocks of what happened, by start.
    pub happened: Vec<u32>,
    /// Planned blocks, by start: `rank` is the place here.
    pub planned: Vec<u32>,
    /// By number of step: job, for the results.
    pub step_count: usize,
    pub area_count: usize,
    /// By unit of gear.
    pub unit_kinds: Vec<Unit>,
    /// By kind of gear: how many units are in use when; empty for kinds of which none is ever out.
    pub units_over: Vec<Vec<(Span, u32)>>,
    /// Minutes between houses, row by row.
    pub ways: Vec<i64>,
    pub house_count: usize,
    pub workable: Vec<Vec<Span>>,
    pub gates: Vec<Vec<Span>>,
    pub drying: Vec<DryingTable>,
    pub days: Vec<Vec<i64>>,
}

impl Course {
    /// Minutes on the road between two houses.
    #[inline]
    pub fn way(&self, a: HouseIx, b: HouseIx) -> i64 {
        self.ways[a.index() * self.house_count + b.index()]
    }

    /// When `lag` is over that began to dry at `finish` and takes `min_minutes` by the label; `NEVER` when it is not.
    #[inline]
    pub fn ready(&self, lag: &Lag, finish: i64, min_minutes: i64) -> i64 {
        let dry = match lag.drying {
            None => finish + min_minutes,
            Some(table) => {
                let at = crate::domain::time::Minute(finish);
                self.drying[table as usize].ready_at(at, min_minutes).map_or(NEVER, |ready| ready.0)
            }
        };
        let Some(days) = lag.overnight else { return dry };
        let days = &self.days[days as usize];
        dry.max(days.get(days.partition_point(|&start| start <= finish)).copied().unwrap_or(NEVER))
    }

    pub fn members(&self, block: u32) -> &[Member] {
        let members = &self.blocks[block as usize].members;
        &self.members[members.start as usize..members.end as usize]
    }
}

/// A range of `u32` as slice bounds.
pub(super) fn wide(range: &Range<u32>) -> Range<usize> {
    range.start as usize..range.end as usize
}
