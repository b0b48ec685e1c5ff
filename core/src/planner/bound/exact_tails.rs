//! Tails to the minute: what the bounds by prices need to know of a house alone.

use super::{differing_modes, earliest_after, ordinary_extra};
use crate::planner::hours::{gate_obstacle, workable};
use crate::planner::model::Model;
use crate::planner::spans::{NEVER, T};
use crate::planner::state::Place;
use std::collections::HashMap;

/// Starts in doubt that are looked at before a time counts as possible.
const GATE_TRIES: usize = 1_000;

/// How early a job can be finished if one of its activities begins no earlier than at some time, to the minute.
pub(super) struct ExactTails<'m> {
    pub(super) model: &'m Model,
    fixed: &'m [Option<Place>],
    alone: &'m [(T, T)],
    known: HashMap<(u32, T), (T, T)>,
    /// One mode for each way to do an activity that differs in when and how long.
    ways: HashMap<u32, Vec<u32>>,
}

impl<'m> ExactTails<'m> {
    pub(super) fn new(model: &'m Model, fixed: &'m [Option<Place>], alone: &'m [(T, T)]) -> ExactTails<'m> {
        ExactTails { model, fixed, alone, known: HashMap::new(), ways: HashMap::new() }
    }

    /// When `activity` can begin from `from` on, and the earliest finish of everything that follows it; `NEVER` where that
    /// is beyond the horizon.
    pub(super) fn of(&mut self, activity: u32, from: T) -> (T, T) {
        if let Some(known) = self.known.get(&(activity, from)) {
            return *known;
        }
        let (start, finish) = self.earliest(activity, from);
        let mut end = finish;
        if finish < NEVER {
            for arc in self.model.after(activity).filter(|arc| arc.orders()) {
                let next = arc.to as usize;
                if self.fixed[next].is_some() || ordinary_extra(self.model, self.fixed, arc.to) {
                    continue;
                }
                let ready = earliest_after(self.model, self.fixed[arc.from as usize].is_some(), arc, start, finish);
                let offset = self.offset(arc.to, arc.to_part);
                let ready = if ready >= NEVER { NEVER } else { (ready - offset).max(self.alone[next].0) };
                end = end.max(if ready >= NEVER { NEVER } else { self.of(arc.to, ready).1 });
            }
        }
        self.known.insert((activity, from), (start, end));
        (start, end)
    }

    /// The longest time from an activity's start to that of one of its steps.
    pub(super) fn offset(&self, activity: u32, part: u16) -> T {
        let modes = self.model.activities[activity as usize].modes.clone();
        modes.map(|mode| self.model.part(mode, part).offset).max().unwrap_or(0)
    }

    /// One mode for each way to do an activity that differs in when and how long.
    pub(super) fn ways_of(&mut self, activity: u32) -> &[u32] {
        let model = self.model;
        self.ways.entry(activity).or_insert_with(|| differing_modes(model, activity).collect())
    }

    pub(super) fn earliest(&mut self, activity: u32, from: T) -> (T, T) {
        let model = self.model;
        let ways = self.ways_of(activity);
        let mut found = (NEVER, NEVER);
        for &mode in ways {
            let mut t = from;
            for tried in 0.. {
                let Some((start, finish)) = workable(model, activity, mode, t, 1) else { break };
                if finish > model.end {
                    break;
                }
                match gate_obstacle(model, mode, start).filter(|_| tried < GATE_TRIES) {
                    Some(NEVER) => break,
                    Some(next) => t = next.max(start + 1),
                    None => {
                        found = (found.0.min(start), found.1.min(finish));
                        break;
                    }
                }
            }
        }
        found
    }
}
