//! For whom a plan is different: crews by day, jobs by their finish, customers by their visits.

use super::{CrewDay, CustomerNews, JobChange, Line, StepChange};
use crate::domain::ids::{CrewIx, HouseIx, JobIx, StepIx, StepRef};
use crate::domain::plan::{Placement, Plan};
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};

/// Finishes of the jobs that `steps` belong to.
pub(super) fn jobs(situation: &Situation, plan: &Plan, steps: &[StepChange]) -> Vec<JobChange> {
    let jobs: BTreeSet<JobIx> = steps.iter().map(|change| change.step.job).collect();
    let one = |job: JobIx| {
        let due = situation.jobs[job.index()].due;
        let of = |placed: &dyn Fn(StepRef) -> Option<Minute>| finish(situation, job, placed);
        let finish_before = of(&|step| super::promise_of(situation, step).map(Placement::finish));
        let finish_after = of(&|step| plan.placement(step).map(Placement::finish));
        let late = |finish: Option<Minute>| due.zip(finish).map_or(0, |(due, finish)| finish.since(due).max(0));
        let (late_before_minutes, late_after_minutes) = (late(finish_before), late(finish_after));
        JobChange { job, finish_before, finish_after, due, late_before_minutes, late_after_minutes }
    };
    jobs.into_iter().map(one).collect()
}

/// The latest finish of a job's steps; `None` when an ordinary one is nowhere.
fn finish(situation: &Situation, job: JobIx, placed: &dyn Fn(StepRef) -> Option<Minute>) -> Option<Minute> {
    let mut latest = None;
    for (index, spec) in situation.jobs[job.index()].chain.steps().iter().enumerate() {
        let happened = spec.fixed().map(|attempt| attempt.finish);
        let finish = happened.or_else(|| placed(StepRef { job, step: StepIx::from_index(index) }));
        if finish.is_none() && !spec.only_on_lapse {
            return None;
        }
        latest = latest.max(finish);
    }
    latest
}

/// Houses where somebody waits for other days than before.
pub(super) fn customers(situation: &Situation, steps: &[StepChange], jobs: &[JobChange]) -> Vec<CustomerNews> {
    let mut news: BTreeMap<HouseIx, CustomerNews> = BTreeMap::new();
    let at = |house: HouseIx| CustomerNews { house, visits: Vec::new(), finish_moves: false };
    for change in steps {
        // Who comes is the office's matter; when, and whether, is the customer's.
        let another_time = change.before.is_some_and(|before| change.after.is_none_or(|now| now.start != before.start));
        if another_time {
            let house = situation.house_of(change.step);
            news.entry(house).or_insert_with(|| at(house)).visits.push(change.step);
        }
    }
    for job in jobs.iter().filter(|job| job.finish_before.is_some() && job.finish_before != job.finish_after) {
        let house = situation.jobs[job.job.index()].house;
        news.entry(house).or_insert_with(|| at(house)).finish_moves = true;
    }
    news.into_values().collect()
}

/// Days of crews that do not look as published: work that has not begun.
pub(super) fn crew_days(situation: &Situation, plan: &Plan) -> Vec<CrewDay> {
    let open = |placement: &&Placement| {
        situation.jobs[placement.step.job.index()].chain.step(placement.step.step).fixed().is_none()
    };
    let mut days: BTreeMap<(CrewIx, NaiveDate), CrewDay> = BTreeMap::new();
    let mut add = |placement: &Placement, into: fn(&mut CrewDay) -> &mut Vec<Line>| {
        let crew = placement.crew;
        for piece in &placement.pieces {
            let date = situation.crews[crew.index()].zone.date(piece.start());
            let day = days.entry((crew, date)).or_insert_with(|| CrewDay {
                crew,
                date,
                before: Vec::new(),
                after: Vec::new(),
            });
            into(day).push(Line { start: piece.start(), finish: piece.end(), step: placement.step });
        }
    };
    situation.published.iter().filter(open).for_each(|placement| add(placement, |day| &mut day.before));
    plan.placements.iter().filter(open).for_each(|placement| add(placement, |day| &mut day.after));
    let mut days: Vec<CrewDay> = days.into_values().collect();
    for day in &mut days {
        day.before.sort_unstable();
        day.after.sort_unstable();
    }
    days.retain(|day| day.before != day.after);
    days
}
