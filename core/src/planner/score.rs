//! The cost of a plan as the planner counts it (see `docs/cost.md`), by job and by crew, so that a change is counted by
//! what it touched; and the cost of one insertion, by which crews are chosen.

use super::model::{Model, NONE};
use super::spans::{NEVER, T};
use super::state::{Place, State};
use crate::domain::plan::Cost;
use crate::domain::situation::CostWeights;

/// What a job's times are charged.
#[derive(Debug, Clone, Copy)]
pub struct JobWeights {
    /// The job's weight.
    pub weight: i64,
    /// Its due, or `NEVER`.
    pub due: T,
    /// Its release, perhaps before the origin.
    pub release: T,
}

/// What was promised of an activity's step.
#[derive(Debug, Clone, Copy)]
pub struct Promise {
    /// Job the step belongs to.
    pub job: u32,
    /// The activity.
    pub activity: u32,
    /// Which part of it.
    pub part: u16,
    /// Published start.
    pub start: T,
    /// Published crew.
    pub crew: u32,
}

/// What the cost needs to know of steps and of what happened; see the fields of [`Weights`].
pub struct Fixed {
    /// Position in the chain of each step of each activity.
    pub steps: Vec<Vec<u16>>,
    /// By activity.
    pub crew: Vec<u32>,
    /// By crew.
    pub busy: Vec<Vec<FixedBusy>>,
}

/// When a crew was busy with what happened: a step, or the steps of a run that it did.
#[derive(Debug, Clone, Copy)]
pub struct FixedBusy {
    /// From.
    pub start: T,
    /// Until.
    pub end: T,
    /// Where.
    pub place: u32,
    /// Which run, `NONE` for a step in none.
    pub run: u32,
    /// The activity that is the open rest of the run, or `NONE`: while that is placed, the two are one busy span.
    pub rest: u32,
}

/// Everything that costs are counted by.
#[derive(Clone)]
pub struct Weights {
    /// Coefficients.
    pub cost: CostWeights,
    /// By job.
    pub jobs: Vec<JobWeights>,
    /// Sorted by job.
    pub promises: Vec<Promise>,
    first_promise: Vec<u32>,
    /// Positions in `promises` by activity.
    promises_of: super::model::Csr,
    /// Activities by job.
    pub activities: super::model::Csr,
    /// Position in the chain of each step of each activity.
    pub steps: Vec<Vec<u16>>,
    /// The crew of each fixed activity, `NONE` for open ones.
    pub fixed_crew: Vec<u32>,
    /// Busy spans of fixed steps by crew. They count for the way, not for overtime.
    pub fixed_busy: Vec<Vec<FixedBusy>>,
}

/// The parts of the cost that belong to one job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct JobCost {
    unplaced: i64,
    lateness: i64,
    finish: i64,
    broken: i64,
    hand_overs: i64,
}

/// The parts of the cost that belong to one crew.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CrewCost {
    travel: i64,
    overtime: i64,
}

impl JobCost {
    /// Sum of the parts.
    pub fn total(&self) -> i64 {
        self.unplaced + self.total_placed()
    }

    /// What it costs that crews change.
    pub fn hand_overs(&self) -> i64 {
        self.hand_overs
    }

    /// Sum of the parts, but for what is left out.
    pub fn total_placed(&self) -> i64 {
        self.lateness + self.finish + self.broken + self.hand_overs
    }
}

impl CrewCost {
    /// Sum of the parts.
    pub fn total(&self) -> i64 {
        self.travel + self.overtime
    }
}

impl Weights {
    /// `promises` are sorted by job here.
    pub fn new(
        cost: CostWeights,
        jobs: Vec<JobWeights>,
        mut promises: Vec<Promise>,
        model: &Model,
        fixed: Fixed,
    ) -> Weights {
        promises.sort_by_key(|promise| (promise.job, promise.start, promise.activity, promise.part));
        let first_promise =
            (0..=jobs.len() as u32).map(|job| promises.partition_point(|p| p.job < job) as u32).collect();
        let activities = super::model::Csr::group(jobs.len(), model.activities.iter().map(|activity| activity.job));
        let by_activity = promises.iter().map(|promise| promise.activity);
        let promises_of = super::model::Csr::group(model.activities.len(), by_activity);
        let Fixed { steps, crew: fixed_crew, busy: fixed_busy } = fixed;
        Weights { cost, jobs, promises, first_promise, promises_of, activities, steps, fixed_crew, fixed_busy }
    }

    /// The same with other coefficients.
    pub fn seeking(&self, cost: CostWeights) -> Weights {
        Weights { cost, ..self.clone() }
    }

    /// What was promised of an activity's steps.
    pub fn promises_of(&self, activity: u32) -> impl Iterator<Item = &Promise> {
        self.promises_of.of(activity).iter().map(|&promise| &self.promises[promise as usize])
    }

    /// What an activity at `place` breaks of what was promised of it, cost points.
    pub fn broken_at(&self, state: &State<'_>, activity: u32, place: Place) -> i64 {
        self.promises_of(activity).map(|promise| self.broken_promise(state, promise, Some(place))).sum()
    }

    /// What an activity breaks in `mode` wherever it starts; the promised start and crew left out.
    pub fn broken_at_least(&self, state: &State<'_>, activity: u32, mode: u32) -> i64 {
        let crew = state.crew_of(mode);
        let least = |promise: &Promise| {
            soon(promise) * if promise.crew == crew { self.cost.moved_step } else { self.cost.changed_crew }
        };
        self.promises_of(activity).map(least).sum()
    }

    /// Promised steps of a job that are elsewhere, or out; extra steps that are not needed any more left out.
    pub fn moved(&self, state: &State<'_>, job: u32) -> i64 {
        let model = state.model;
        let moved = |promise: &&Promise| match state.place(promise.activity) {
            None => !model.activities[promise.activity as usize].extra,
            Some(place) => {
                place.start + model.part(place.mode, promise.part).offset != promise.start
                    || state.crew_of(place.mode) != promise.crew
            }
        };
        self.promises[self.promises_of_job(job)].iter().filter(moved).count() as i64
    }

    fn promises_of_job(&self, job: u32) -> std::ops::Range<usize> {
        self.first_promise[job as usize] as usize..self.first_promise[job as usize + 1] as usize
    }

    /// Cost points a minute for finishing an activity of this job later, roughly: what its finish and its lateness cost.
    fn urgency(&self, job: u32, finish: T) -> i64 {
        let own = &self.jobs[job as usize];
        let late = if finish > own.due { self.cost.late_minute } else { 0 };
        own.weight * (self.cost.finish_minute + late)
    }

    /// What putting `activity` at `place` costs, to choose among crews: its finish, the way (a minute of it `road_minute` points
    /// more than it costs), overtime and hand-over.
    pub fn insertion(&self, state: &State<'_>, activity: u32, place: Place, worker: u32, road_minute: i64) -> i64 {
        let model = state.model;
        let own = &model.activities[activity as usize];
        let crew = state.crew_of(place.mode);
        let finish = self.insertion_at_least(own.job, place.finish);
        if crew == NONE {
            return finish;
        }
        let minute = self.cost.travel_minute + road_minute;
        let way = minute * i64::from(self.added_way(state, crew, own.place, place));
        let regular = &model.calendars[model.crews[crew as usize].regular as usize];
        let overtime = if self.cost.overtime_minute == 0 || own.dividable {
            0
        } else {
            self.cost.overtime_minute
                * i64::from(place.finish - place.start - regular.covered(place.start, place.finish))
        };
        finish + way + overtime + self.hand_over(worker, crew)
    }

    /// What it costs that `crew` goes on where `worker` was last, if anybody was.
    pub fn hand_over(&self, worker: u32, crew: u32) -> i64 {
        if worker != NONE && crew != NONE && worker != crew { self.cost.hand_over } else { 0 }
    }

    /// What a minute that a crew loses costs beside itself, while all of `jobs` wait for one of so many crews: each of them is
    /// finished so much later.
    pub fn lost_minute(&self, jobs: &[u32], crews: usize) -> i64 {
        let weight: i64 = jobs.iter().map(|job| self.jobs[*job as usize].weight).sum();
        weight.saturating_mul(self.cost.finish_minute) / (crews as i64).max(1)
    }

    /// What [`Weights::insertion`] counts at least for a finish, whoever does it.
    pub fn insertion_at_least(&self, job: u32, finish: T) -> i64 {
        i64::from(finish) * self.urgency(job, finish).max(1)
    }

    /// No finish later than this can cost less than `cost`.
    pub fn latest_finish_below(&self, job: u32, cost: i64) -> T {
        let due = self.jobs[job as usize].due;
        let finish = cost / self.urgency(job, due).max(1);
        // After its due date a job is dearer by the minute.
        let late = || (cost / self.urgency(job, NEVER).max(1)).max(i64::from(due));
        let finish = if finish > i64::from(due) { late() } else { finish };
        finish.clamp(i64::from(-NEVER), i64::from(NEVER)) as T
    }

    fn added_way(&self, state: &State<'_>, crew: u32, at: u32, place: Place) -> T {
        let model = state.model;
        let (before, after) = state.crew(crew).neighbours(place.start);
        let day = model.crew_day(crew, place.start);
        let home = |to: u32| model.home_way(to, crew);
        let before = before.filter(|booking| day.contains(&booking.start)).map(|booking| booking.place);
        let after = after.filter(|booking| day.contains(&booking.start)).map(|booking| booking.place);
        let to = before.map_or_else(|| home(at), |other| model.way(at, other));
        let from = after.map_or_else(|| home(at), |other| model.way(at, other));
        let without = match (before, after) {
            (Some(before), Some(after)) => model.way(before, after),
            (Some(other), None) | (None, Some(other)) => home(other),
            (None, None) => 0,
        };
        to + from - without
    }

    /// The cost of one job.
    pub fn job(&self, state: &State<'_>, job: u32) -> JobCost {
        let model = state.model;
        let own = &self.jobs[job as usize];
        let mut cost = JobCost::default();
        let mut finish = -NEVER;
        let mut out = 0;
        let mut order: Vec<(T, u16, u32)> = Vec::new();
        for &activity in self.activities.of(job) {
            match state.place(activity) {
                Some(place) => {
                    finish = finish.max(place.finish);
                    let crew = match self.fixed_crew[activity as usize] {
                        NONE => state.crew_of(place.mode),
                        fixed => fixed,
                    };
                    for (part, step) in self.steps[activity as usize].iter().enumerate() {
                        order.push((place.start + model.part(place.mode, part as u16).offset, *step, crew));
                    }
                }
                None if model.activities[activity as usize].extra => {}
                None => out += i64::from(model.activities[activity as usize].steps),
            }
        }
        cost.unplaced = out * self.cost.unplaced_step;
        if out == 0 {
            let minutes = |from: T| i64::from((finish - from).max(0));
            cost.lateness = self.cost.late_minute * own.weight * if own.due < NEVER { minutes(own.due) } else { 0 };
            cost.finish = self.cost.finish_minute * own.weight * minutes(own.release);
        }
        order.sort_unstable();
        let changes = order.windows(2).filter(|pair| pair[0].2 != pair[1].2).count();
        cost.hand_overs = changes as i64 * self.cost.hand_over;
        cost.broken = self.broken(state, job);
        cost
    }

    fn broken(&self, state: &State<'_>, job: u32) -> i64 {
        let one = |promise: &Promise| self.broken_promise(state, promise, state.place(promise.activity));
        self.promises[self.promises_of_job(job)].iter().map(one).sum()
    }

    fn broken_promise(&self, state: &State<'_>, promise: &Promise, place: Option<Place>) -> i64 {
        let model = state.model;
        let charge = match place {
            None if model.activities[promise.activity as usize].extra => 0,
            None => self.cost.moved_step,
            Some(place) => {
                let moved = (place.start + model.part(place.mode, promise.part).offset - promise.start).abs();
                let start =
                    if moved > 0 { self.cost.moved_step + self.cost.moved_minute * i64::from(moved) } else { 0 };
                start + if state.crew_of(place.mode) == promise.crew { 0 } else { self.cost.changed_crew }
            }
        };
        soon(promise) * charge
    }

    /// The cost of one crew.
    pub fn crew(&self, state: &State<'_>, crew: u32) -> CrewCost {
        let model = state.model;
        let own = &model.crews[crew as usize];
        let home = |to: u32| model.home_way(to, crew);
        let regular = &model.calendars[own.regular as usize];
        let fixed = &self.fixed_busy[crew as usize];
        let rest_is_here = |busy: &&FixedBusy| {
            busy.rest != NONE && state.place(busy.rest).is_some_and(|place| state.crew_of(place.mode) == crew)
        };
        let begun = fixed.iter().filter(|own| !rest_is_here(own));
        let mut busy: Vec<(T, T, u32)> = begun.map(|own| (own.start, own.end, own.place)).collect();
        let bookings = state.crew(crew).bookings();
        busy.reserve(bookings.len());
        let mut overtime = 0;
        for booking in bookings.iter().filter(|booking| booking.by < super::timeline::FIXED) {
            let mut add = |start: T, end: T| {
                busy.push((start, end, booking.place));
                if self.cost.overtime_minute != 0 {
                    overtime += end - start - regular.covered(start, end);
                }
            };
            if booking.whole {
                add(booking.start, booking.end);
                continue;
            }
            let Some(place) = state.place(booking.by) else { continue };
            if model.activities[booking.by as usize].joins != NONE {
                let begun = fixed.iter().filter(|begun| begun.rest == booking.by).map(|begun| begun.start).min();
                add(begun.unwrap_or(place.start), place.finish);
            } else {
                state.pieces(booking.by, place).into_iter().for_each(|(start, end)| add(start, end));
            }
        }
        if !fixed.is_empty() {
            busy.sort_by_key(|span| (span.0, span.1));
        }
        let mut travel = 0;
        let mut last: Option<(T, u32)> = None;
        for (start, _, place) in busy {
            let (today, way) = match last {
                Some((tomorrow, before)) if start < tomorrow => (Some(tomorrow), model.way(before, place)),
                Some((_, before)) => (None, home(before) + home(place)),
                None => (None, home(place)),
            };
            travel += way;
            last = Some((today.unwrap_or_else(|| model.crew_day(crew, start).end), place));
        }
        travel += last.map_or(0, |(_, place)| home(place));
        CrewCost {
            travel: self.cost.travel_minute * i64::from(travel),
            overtime: self.cost.overtime_minute * i64::from(overtime),
        }
    }

    /// The whole cost by its parts.
    pub fn total(&self, state: &State<'_>) -> Cost {
        let mut cost = Cost::default();
        for job in 0..self.jobs.len() as u32 {
            let own = self.job(state, job);
            cost.unplaced += own.unplaced;
            cost.lateness += own.lateness;
            cost.finish += own.finish;
            cost.broken += own.broken;
            cost.hand_overs += own.hand_overs;
        }
        for crew in 0..state.model.crews.len() as u32 {
            let own = self.crew(state, crew);
            cost.travel += own.travel;
            cost.overtime += own.overtime;
        }
        cost
    }
}

/// How much heavier a promise weighs because it is near.
fn soon(promise: &Promise) -> i64 {
    if promise.start < 1440 {
        4
    } else if promise.start < 4320 {
        2
    } else {
        1
    }
}
