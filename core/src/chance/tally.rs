//! What came of all runs: shares, quantiles, and what is to blame. Everything is counted in whole runs and minutes, so
//! that the order of counting does not matter.

use super::ChanceModel;
use super::course::{Course, NONE};
use super::hours::NEVER;
use super::run::Run;
use super::trace::{Driver, trace};
use crate::domain::ids::{HouseIx, JobIx, WaitIx};
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use std::collections::BTreeMap;

/// The answer for a company.
#[derive(Debug, Clone, PartialEq)]
pub struct Chances {
    /// What was left to chance.
    pub model: ChanceModel,
    /// How often the plan was carried out.
    pub runs: u32,
    /// Of the luck.
    pub seed: u64,
    /// By job, all of them.
    pub jobs: Vec<JobChance>,
    /// Houses of which some job has a date, in order.
    pub houses: Vec<HouseChance>,
}

/// The answer for a job. Shares are runs of [`Chances::runs`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobChance {
    /// Which.
    pub job: JobIx,
    /// Ordinary steps that the plan leaves out; while there are any, nothing else is known.
    pub unplaced_steps: u32,
    /// When the plan has it finished.
    pub planned_finish: Option<Minute>,
    /// Runs that finish at or before the due date, if there is one.
    pub in_time_runs: Option<u32>,
    /// Finished by then in 50, 80, 90 and 95 of 100 runs; `None`: not within the time that is followed.
    pub finish_percent_50: Option<Minute>,
    /// See `finish_percent_50`.
    pub finish_percent_80: Option<Minute>,
    /// See `finish_percent_50`.
    pub finish_percent_90: Option<Minute>,
    /// See `finish_percent_50`.
    pub finish_percent_95: Option<Minute>,
    /// What is to be added to the planned finish for a date kept in 90 of 100 runs, minutes; never negative.
    pub buffer_minutes: Option<i64>,
    /// Runs that finish after the due date, or where there is none, after the planned finish.
    pub late_runs: u32,
    /// Runs not finished within the time that is followed; late ones too.
    pub unfinished_runs: u32,
    /// What is on the path that made it late, with the number of late runs in which it is; most frequent first.
    pub drivers: Vec<(Driver, u32)>,
    /// Waits whose maximum was exceeded, in the order of the chain.
    pub overruns: Vec<Overrun>,
}

/// A wait that took longer than it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Overrun {
    /// Which.
    pub wait: WaitIx,
    /// Whether that is forbidden; otherwise the extra step was done.
    pub forbidden: bool,
    /// In how many runs.
    pub runs: u32,
}

/// The answer for a house.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HouseChance {
    /// Which.
    pub house: HouseIx,
    /// Runs in which all its jobs that have a date make it; `None` while one of them is not wholly planned.
    pub in_time_runs: Option<u32>,
}

/// What is asked of each run about a job.
struct Goal {
    job: JobIx,
    due: Option<i64>,
    planned_finish: i64,
}

/// Counts of some runs.
pub(super) struct Tally<'c> {
    course: &'c Course,
    unplaced: Vec<u32>,
    goals: Vec<Goal>,
    /// By run, the finishes of all goals.
    finishes: Vec<i64>,
    drivers: Vec<BTreeMap<Driver, u32>>,
    overruns: BTreeMap<(JobIx, WaitIx, bool), u32>,
    path: Vec<Driver>,
    counted: Vec<(JobIx, WaitIx, bool)>,
}

impl<'c> Tally<'c> {
    pub fn new(situation: &Situation, plan: &Plan, course: &'c Course) -> Tally<'c> {
        let mut unplaced = Vec::with_capacity(situation.jobs.len());
        let mut goals = Vec::new();
        let mut finishes = vec![None; situation.jobs.len()];
        let mut placed: Vec<Vec<bool>> =
            situation.jobs.iter().map(|job| vec![false; job.chain.steps().len()]).collect();
        for placement in plan.placements.iter().filter(|placement| !placement.pieces.is_empty()) {
            let job = placement.step.job.index();
            if let Some(step) = placed.get_mut(job).and_then(|steps| steps.get_mut(placement.step.step.index())) {
                *step = true;
                finishes[job] = finishes[job].max(Some(placement.finish().0));
            }
        }
        for (number, job) in situation.jobs.iter().enumerate() {
            let missing = job.chain.steps().iter().zip(&placed[number]);
            let missing = missing.filter(|(step, placed)| !**placed && !step.only_on_lapse && step.fixed().is_none());
            unplaced.push(missing.count() as u32);
            if let Some(planned_finish) = finishes[number].filter(|_| unplaced[number] == 0) {
                let job_ix = JobIx::from_index(number);
                goals.push(Goal { job: job_ix, due: job.due.map(|due| due.0), planned_finish });
            }
        }
        Tally {
            course,
            unplaced,
            goals,
            finishes: Vec::new(),
            drivers: vec![BTreeMap::new(); situation.jobs.len()],
            overruns: BTreeMap::new(),
            path: Vec::new(),
            counted: Vec::new(),
        }
    }

    /// Counts one run.
    pub fn count(&mut self, run: &Run<'_>) {
        for goal in &self.goals {
            let (finish, last) = run.finishes[goal.job.index()];
            let unfinished = run.open[goal.job.index()] > 0 || finish > self.course.until;
            self.finishes.push(if unfinished { NEVER } else { finish });
            if !unfinished && finish > goal.due.unwrap_or(goal.planned_finish) {
                trace(self.course, run, last, &mut self.path);
                for driver in &self.path {
                    *self.drivers[goal.job.index()].entry(*driver).or_default() += 1;
                }
            }
        }
        self.counted.clear();
        for (lags, forbidden) in [(&run.forbidden, true), (&run.lapsed, false)] {
            for lag in lags.iter().map(|lag| &self.course.lags[*lag as usize]) {
                self.counted.extend(lag.wait.map(|wait| (lag.job, wait, forbidden)));
            }
        }
        // A wait counts once a run, however often its floor was treated.
        self.counted.sort_unstable();
        self.counted.dedup();
        for overrun in &self.counted {
            *self.overruns.entry(*overrun).or_default() += 1;
        }
    }
}

/// Puts the counts of all runs together; at least one tally.
pub(super) fn chances(
    situation: &Situation,
    tallies: Vec<Tally<'_>>,
    (model, runs, seed): (ChanceModel, u32, u64),
) -> Chances {
    let (mut drivers, mut overruns) = (vec![BTreeMap::new(); situation.jobs.len()], BTreeMap::new());
    for tally in &tallies {
        for (of_job, more) in drivers.iter_mut().zip(&tally.drivers) {
            more.iter().for_each(|(driver, count)| *of_job.entry(*driver).or_default() += count);
        }
        tally.overruns.iter().for_each(|(overrun, count)| *overruns.entry(*overrun).or_default() += count);
    }
    let goals = &tallies[0].goals;
    let finishes: Vec<&[i64]> = tallies.iter().flat_map(|tally| tally.finishes.chunks(goals.len().max(1))).collect();
    let mut jobs: Vec<JobChance> =
        (0..situation.jobs.len()).map(|job| unknown(JobIx::from_index(job), tallies[0].unplaced[job])).collect();
    for (place, goal) in goals.iter().enumerate() {
        let mut of_job: Vec<i64> = finishes.iter().map(|run| run[place]).collect();
        of_job.sort_unstable();
        let job = &mut jobs[goal.job.index()];
        fill(job, goal, &of_job);
        job.drivers = std::mem::take(&mut drivers[goal.job.index()]).into_iter().collect();
        job.drivers.sort_by_key(|(driver, count)| (std::cmp::Reverse(*count), *driver));
    }
    for ((job, wait, forbidden), runs) in overruns {
        jobs[job.index()].overruns.push(Overrun { wait, forbidden, runs });
    }
    let houses = houses(situation, goals, &finishes);
    Chances { model, runs, seed, jobs, houses }
}

fn unknown(job: JobIx, unplaced_steps: u32) -> JobChance {
    JobChance {
        job,
        unplaced_steps,
        planned_finish: None,
        in_time_runs: None,
        finish_percent_50: None,
        finish_percent_80: None,
        finish_percent_90: None,
        finish_percent_95: None,
        buffer_minutes: None,
        late_runs: 0,
        unfinished_runs: 0,
        drivers: Vec::new(),
        overruns: Vec::new(),
    }
}

/// `finishes`: of all runs, sorted.
fn fill(job: &mut JobChance, goal: &Goal, finishes: &[i64]) {
    let by = |at: i64| finishes.partition_point(|finish| *finish <= at) as u32;
    let runs = finishes.len() as u32;
    job.planned_finish = Some(Minute(goal.planned_finish));
    job.in_time_runs = goal.due.map(by);
    job.finish_percent_50 = quantile(finishes, 50);
    job.finish_percent_80 = quantile(finishes, 80);
    job.finish_percent_90 = quantile(finishes, 90);
    job.finish_percent_95 = quantile(finishes, 95);
    job.buffer_minutes = job.finish_percent_90.map(|finish| (finish.0 - goal.planned_finish).max(0));
    job.late_runs = runs - by(goal.due.unwrap_or(goal.planned_finish));
    job.unfinished_runs = runs - by(NEVER - 1);
}

/// The smallest finish that at least `percent` of 100 runs keep.
fn quantile(sorted: &[i64], percent: usize) -> Option<Minute> {
    let place = (sorted.len() * percent).div_ceil(100).max(1) - 1;
    sorted.get(place).filter(|finish| **finish < NEVER).map(|finish| Minute(*finish))
}

fn houses(situation: &Situation, goals: &[Goal], finishes: &[&[i64]]) -> Vec<HouseChance> {
    let mut place_of = vec![NONE; situation.jobs.len()];
    goals.iter().enumerate().for_each(|(place, goal)| place_of[goal.job.index()] = place as u32);
    let mut by_house: BTreeMap<HouseIx, Vec<(u32, i64)>> = BTreeMap::new();
    for (number, job) in situation.jobs.iter().enumerate() {
        if let Some(due) = job.due {
            by_house.entry(job.house).or_default().push((place_of[number], due.0));
        }
    }
    let of_house = |(house, dates): (HouseIx, Vec<(u32, i64)>)| {
        let known = dates.iter().all(|date| date.0 != NONE);
        let in_time = |run: &&&[i64]| dates.iter().all(|&(place, due)| run[place as usize] <= due);
        let in_time_runs = known.then(|| finishes.iter().filter(in_time).count() as u32);
        HouseChance { house, in_time_runs }
    };
    by_house.into_iter().map(of_house).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantile_is_kept_by_at_least_its_share() {
        let finishes: Vec<i64> = (1..=10).collect();
        let of = |percent| quantile(&finishes, percent).map(|at| at.0);
        assert_eq!([of(50), of(80), of(90), of(95)], [Some(5), Some(8), Some(9), Some(10)]);
        assert_eq!(quantile(&[7], 50), Some(Minute(7)));
        assert_eq!(quantile(&[7, NEVER], 95), None);
    }
}
