//! Where the time until a job is finished goes: its critical path, laid out as early as everybody else's work in the plan
//! lets it, and cut into work, the floor's own waits, closed hours, air, and waits for crews and gear. The stretches of a
//! path follow each other without a gap from now until the planned finish, so every minute has exactly one reason.

use super::bound;
use super::compile::{Compiled, GearIndex, compile};
use super::generate::lapse_deadline;
use super::hours::{laid_out_until, workable};
use super::keep;
use super::model::{Model, NONE, wide};
use super::spans::{NEVER, Spans, T};
use super::state::{LimitedGear, Place, State};
use crate::domain::ids::{CrewIx, EquipmentIx, JobIx, StepRef};
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span};

/// What a stretch of time goes into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reason {
    /// The crew works.
    Work(CrewIx),
    /// A release, a pin or the pause after a try.
    NotYet,
    /// The floor: it dries, is left overnight, dwells, or is taken by other work in the same rooms.
    Floor,
    /// No crew that can do the step is at work for long enough.
    Hours,
    /// The house is closed.
    Access,
    /// The air is not fit.
    Air,
    /// A crew that can do the step, the one that comes to do it soonest, is elsewhere.
    Crew(CrewIx),
    /// The gear is elsewhere or out of use.
    Gear(EquipmentIx),
    /// The plan has it later although it could be earlier: for shorter ways, for what is promised, or so that what follows
    /// comes in time.
    Order,
}

/// Why a step was not further yet during a span.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// The step that is worked on or waits.
    pub step: StepRef,
    /// Why.
    pub reason: Reason,
    /// When.
    pub span: Span,
}

/// The critical path of a job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobPath {
    /// Which.
    pub job: JobIx,
    /// From now until the planned finish of what is placed, without gaps.
    pub stretches: Vec<Stretch>,
}

impl JobPath {
    /// When the last step that is placed is finished.
    pub fn finish(&self) -> Option<Minute> {
        self.stretches.last().map(|stretch| stretch.span.end())
    }
}

/// The critical path of every job with work to come in the plan, in their order. Steps that can no longer be where the plan
/// has them count as left out.
pub fn critical_paths(situation: &Situation, plan: &Plan) -> Vec<JobPath> {
    paths(situation, plan, |_| true)
}

/// As [`critical_paths`], of one job.
pub fn critical_path(situation: &Situation, plan: &Plan, job: JobIx) -> Option<JobPath> {
    paths(situation, plan, |other| other == job).pop()
}

fn paths(situation: &Situation, plan: &Plan, wanted: impl Fn(JobIx) -> bool) -> Vec<JobPath> {
    let situation = situation.clone().with_published(plan);
    let compiled = compile(&situation);
    let state = keep::as_promised(&situation, &compiled);
    let mut activities = vec![Vec::new(); situation.jobs.len()];
    for activity in bound::order(&compiled.model) {
        activities[compiled.model.activities[activity as usize].job as usize].push(activity);
    }
    let mut paths = Paths { situation: &situation, compiled: &compiled, state };
    let jobs = activities.iter().enumerate().map(|(job, activities)| (JobIx::from_index(job), activities));
    jobs.filter(|(job, _)| wanted(*job)).filter_map(|(job, activities)| paths.of_job(job, activities)).collect()
}

struct Paths<'m> {
    situation: &'m Situation,
    compiled: &'m Compiled,
    state: State<'m>,
}

/// Where an activity lies on a path, and what led there.
struct Stages {
    activity: u32,
    /// The activity it waited for longest, and when that was over.
    before: Option<(u32, T)>,
    /// One after the other: until when, and why not earlier.
    waits: Vec<(T, Reason)>,
    place: Place,
}

/// What the floor and what is agreed have to do with an activity's start.
struct Floor {
    before: Option<(u32, T)>,
    waits: Vec<(T, Reason)>,
}

impl Paths<'_> {
    fn of_job(&mut self, job: JobIx, activities: &[u32]) -> Option<JobPath> {
        let open = |activity: &&u32| self.state.place(**activity).is_some() && !self.state.is_fixed(**activity);
        let open: Vec<u32> = activities.iter().filter(open).copied().collect();
        let planned: Vec<(u32, Vec<u32>, Place)> = open
            .iter()
            .filter_map(|activity| {
                let gear = self.state.held(*activity).to_vec();
                Some((*activity, gear, self.state.take(*activity)?))
            })
            .collect();
        let finish = planned.iter().map(|(.., place)| place.finish).max()?;
        let soonest = self.laid_out(&planned, true).filter(|stages| last(stages).place.finish <= finish);
        let stages = soonest.or_else(|| self.laid_out(&planned, false));
        for (activity, gear, place) in &planned {
            self.state.put_back(*activity, *place, gear);
        }
        let stages = stages?;
        let fixed = activities.iter().filter(|activity| self.state.is_fixed(**activity));
        let running = fixed.filter_map(|activity| Some((*activity, self.state.place(*activity)?.finish)));
        let running = running.filter(|(_, until)| *until > finish).max_by_key(|(_, until)| *until);
        let end = running.unwrap_or((last(&stages).activity, last(&stages).place.finish));
        let mut stretches = self.stretches(&stages, end);
        let last = *stretches.last()?;
        let later = Span::new(last.span.end(), self.compiled.instant(finish));
        stretches.extend(later.map(|span| Stretch { step: last.step, reason: Reason::Order, span }));
        Some(JobPath { job, stretches })
    }

    /// The stages of a job's activities, each as soon as it can be (`None` when that ends up nowhere), or where the plan has it.
    /// Nothing of it is in the state before or after.
    fn laid_out(&mut self, planned: &[(u32, Vec<u32>, Place)], soonest: bool) -> Option<Vec<Stages>> {
        let mut stages: Vec<Stages> = Vec::new();
        for (activity, gear, place) in planned {
            let found = self.stages(*activity, *place, soonest);
            if let Some(found) = found {
                let wished = if found.place == *place { gear.as_slice() } else { &[] };
                self.state.put(*activity, found.place, wished);
                stages.push(found);
            } else {
                stages.clear();
                break;
            }
        }
        for (activity, ..) in planned {
            self.state.take(*activity);
        }
        Some(stages).filter(|stages| !stages.is_empty())
    }

    fn stages(&mut self, activity: u32, planned: Place, soonest: bool) -> Option<Stages> {
        let extra = self.compiled.model.activities[activity as usize].extra;
        let deadline = lapse_deadline(&self.state, activity);
        let place = match soonest {
            // What is only done when a wait has lapsed is laid as late as it can be.
            true if extra => return None,
            true => self.first(activity, planned, deadline)?,
            false => planned,
        };
        let Floor { before, mut waits } = self.floor(activity, place);
        if !extra {
            let could = if soonest { Some(place) } else { self.first(activity, planned, deadline.max(planned.start)) };
            let could = could.filter(|could| could.finish <= place.finish).unwrap_or(place);
            for (finish, reason) in self.levels(activity, could) {
                // As much sooner as it could be finished, it could be begun.
                let until = (could.start - (could.finish - finish).max(0)).min(place.start);
                let since = waits.last().map_or(until, |wait| wait.0);
                waits.push((until.max(since), reason));
            }
        }
        waits.push((place.start, Reason::Order));
        Some(Stages { activity, before, waits, place })
    }

    /// The first time anybody has for it that does not start after `latest`; among equals the planned crew's.
    fn first(&self, activity: u32, planned: Place, latest: T) -> Option<Place> {
        let modes = self.compiled.model.activities[activity as usize].modes.clone();
        let find = |mode: u32| {
            let (earliest, window_end) = self.state.window(activity, mode);
            self.state.find(activity, mode, earliest, latest.min(window_end))
        };
        modes.filter_map(find).min_by_key(|place| (place.finish, place.mode != planned.mode, place.mode))
    }

    /// Whom it waits for longest, and until when the floor and what is agreed keep it.
    fn floor(&self, activity: u32, place: Place) -> Floor {
        let model = &self.compiled.model;
        let (earliest, _) = self.state.window(activity, place.mode);
        let earliest = earliest.clamp(0, place.start.max(0));
        let named = model.extra_of[activity as usize];
        // An extra step follows the one whose wait has lapsed; the one it is done for follows it.
        let own_arc = (named != NONE).then(|| &model.arcs[named as usize]);
        let before = model.before(activity).filter(|arc| arc.orders()).chain(own_arc);
        let waits = before.filter_map(|arc| {
            let anchor = self.state.anchor(arc, self.state.place(arc.from)?);
            let offset = if arc.to == activity { model.part(place.mode, arc.to_part).offset } else { 0 };
            Some((model.ready(arc, anchor).saturating_sub(offset), arc.from, anchor))
        });
        let extras = model.before(activity).filter(|arc| arc.extra != NONE);
        let extras = extras.filter_map(|arc| self.state.place(arc.extra).map(|place| (arc.extra, place.finish)));
        let extras = extras.map(|(extra, finish)| (finish, extra, finish));
        // Of equals the first.
        match waits.chain(extras).min_by_key(|(ready, ..)| std::cmp::Reverse(*ready)) {
            Some((ready, from, over)) => Floor {
                before: Some((from, over)),
                waits: vec![(ready.clamp(0, earliest), Reason::Floor), (earliest, Reason::NotYet)],
            },
            None => {
                let joins = model.activities[activity as usize].joins != NONE;
                let reason = if joins { Reason::Floor } else { Reason::NotYet };
                Floor { before: None, waits: vec![(earliest, reason)] }
            }
        }
    }

    /// One after the other what else keeps it, and the soonest finish when only that and what came before does.
    fn levels(&mut self, activity: u32, could: Place) -> Vec<(T, Reason)> {
        let compiled = self.compiled;
        let model = &compiled.model;
        let modes = || model.activities[activity as usize].modes.clone();
        let soonest = |finish: &dyn Fn(u32, T) -> Option<T>| {
            let finishes = modes().filter_map(|mode| finish(mode, self.state.window(activity, mode).0.max(0)));
            finishes.min().unwrap_or(could.finish)
        };
        let hours = soonest(&|mode, from| manned_until(model, activity, mode, from));
        let access = soonest(&|mode, from| Some(workable(model, activity, mode, from, 1)?.1));
        let air = soonest(&|mode, from| Some(bound::earliest_alone(model, activity, mode, from)?.1));
        let crew = CrewIx(self.state.crew_of(could.mode));
        let mut finish = |crews: bool, gear: LimitedGear| {
            (self.state.crews_unlimited, self.state.limited_gear) = (!crews, gear);
            let find = |mode: u32| {
                self.state.find(activity, mode, self.state.window(activity, mode).0, NEVER).map(|place| place.finish)
            };
            let found = modes().filter_map(find).min();
            (self.state.crews_unlimited, self.state.limited_gear) = (false, LimitedGear::All);
            found.unwrap_or(could.finish)
        };
        let rooms = finish(false, LimitedGear::Nothing);
        let by_crews = finish(true, LimitedGear::Nothing);
        let own = &model.activities[activity as usize];
        let needed = compiled.gear_index.iter().enumerate().filter_map(|(kind, index)| {
            let (needs, number, limited) = match *index {
                GearIndex::Cumulative(number) => (&own.needs, number, LimitedGear::Resource(number)),
                GearIndex::Travelling(number) => (&own.gear, number, LimitedGear::Kind(number)),
            };
            let needed = model.needs[wide(needs)].iter().any(|need| need.0 == number);
            needed.then_some((kind, limited))
        });
        let by_gear = needed.map(|(kind, limited)| (finish(false, limited), kind));
        // Who comes last was waited for; of equals the first.
        let last =
            by_gear.min_by_key(|(finish, _)| std::cmp::Reverse(*finish)).filter(|(finish, _)| *finish > by_crews);
        let last = last.map_or(Reason::Crew(crew), |(_, kind)| Reason::Gear(EquipmentIx::from_index(kind)));
        vec![
            (hours, Reason::Hours),
            (access, Reason::Access),
            (air, Reason::Air),
            (rooms, Reason::Floor),
            (could.finish, last),
        ]
    }

    /// From an activity and its finish back along whom each waited for longest.
    fn stretches(&self, stages: &[Stages], end: (u32, T)) -> Vec<Stretch> {
        let mut out = Vec::new();
        let mut at = Some(end);
        while let Some((activity, end)) = at.filter(|(_, end)| *end > 0) {
            let step = self.compiled.steps[activity as usize][0];
            let mut add = |from: T, until: T, reason: Reason| {
                let span = Span::new(self.compiled.instant(from.max(0)), self.compiled.instant(until.min(end)));
                out.extend(span.map(|span| Stretch { step, reason, span }));
            };
            let Some(own) = stages.iter().find(|own| own.activity == activity) else {
                self.running(step, end).into_iter().rev().for_each(|(from, until, reason)| add(from, until, reason));
                break;
            };
            let crew = CrewIx(self.state.crew_of(own.place.mode));
            let mut pieces = self.state.pieces(activity, own.place);
            while let Some((from, until)) = pieces.pop() {
                add(from, until, Reason::Work(crew));
                add(pieces.last().map_or(from, |before| before.1), from, Reason::Hours);
            }
            let since = own.before.map_or(0, |(_, over)| over);
            for (number, &(until, reason)) in own.waits.iter().enumerate().rev() {
                let from = number.checked_sub(1).map_or(since, |before| own.waits[before].0.max(since));
                add(from, until.max(since), reason);
            }
            at = own.before;
        }
        out.reverse();
        out
    }

    /// What is left of a step that is running, or was the last thing done, until `end`; it may pause when its crew does.
    fn running(&self, step: StepRef, end: T) -> Vec<(T, T, Reason)> {
        let own = self.situation.jobs[step.job.index()].chain.step(step.step);
        let Some(attempt) = own.fixed() else { return Vec::new() };
        let hours = &self.compiled.model.calendars[self.compiled.model.crews[attempt.crew.index()].calendar as usize];
        let mut pieces = Vec::new();
        let mut at = 0;
        while own.dividable && at < end {
            let Some((from, until)) = hours.at_or_after(at).filter(|span| span.0 < end) else { break };
            pieces.push((at, from, Reason::Hours));
            pieces.push((from.max(at), until.min(end), Reason::Work(attempt.crew)));
            at = until;
        }
        pieces.push((at, end, if own.dividable { Reason::Hours } else { Reason::Work(attempt.crew) }));
        pieces
    }
}

/// Of some stages, those of what is finished last.
fn last(stages: &[Stages]) -> &Stages {
    let last = stages.iter().max_by_key(|stages| (stages.place.finish, std::cmp::Reverse(stages.activity)));
    last.unwrap_or_else(|| unreachable!("there is at least one activity"))
}

/// The soonest finish of an activity in a mode as far as its crew's hours go, in a house that is always open.
fn manned_until(model: &Model, activity: u32, mode: u32, from: T) -> Option<T> {
    let way = &model.modes[mode as usize];
    let hours = &model.calendars[way.calendar as usize];
    let mut t = from;
    loop {
        let (opens, closes) = hours.at_or_after(t)?;
        let start = t.max(opens);
        if model.activities[activity as usize].dividable {
            return laid_out_until(hours, &Spans::always(), start, way.length);
        }
        if start + way.length <= closes {
            return Some(start + way.length);
        }
        t = closes;
    }
}
