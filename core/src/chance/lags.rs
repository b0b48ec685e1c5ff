//! The part of compiling that says what waits for what: the chain's waits, extra steps, checks that are repeated, and the
//! treatment that is done again after one has failed.

use super::TreatAgain;
use super::compile::{Builder, Draft, dwell_after, has_failed};
use super::course::{Kind, Lag, Measure, NONE};
use super::hours::NEVER;
use crate::domain::chain::{OnExceed, Wait, WaitKind, WaitMax};
use crate::domain::ids::{JobIx, StepIx, StepRef, WaitIx};
use std::collections::BTreeMap;
use std::ops::Range;

/// Adds all lags and what is done in case.
pub(super) fn add_lags(builder: &mut Builder<'_>, treat_again: &[TreatAgain]) {
    let mut lags = Vec::new();
    for job in (0..builder.situation.jobs.len()).map(JobIx::from_index) {
        add_waits(builder, job, &mut lags);
        add_retries(builder, job, &mut lags);
    }
    for again in treat_again {
        add_treatment(builder, again, &mut lags);
    }
    index(builder, lags);
}

impl Builder<'_> {
    fn known(&self, job: JobIx, step: StepIx) -> Option<(u32, u32)> {
        let known = self.block_of[self.number(StepRef { job, step }) as usize];
        (known.0 != NONE).then_some(known)
    }

    fn is_planned(&self, block: u32) -> bool {
        self.course.blocks[block as usize].kind == Kind::Planned
    }

    /// A wait between two blocks.
    fn lag(&mut self, job: JobIx, number: usize, wait: &Wait, from: (u32, u32), to: (u32, u32)) -> Lag {
        let house = self.house(job);
        let forbidden = match wait.max {
            Some(WaitMax { minutes, on_exceed: OnExceed::Forbid }) => Some(minutes),
            Some(WaitMax { on_exceed: OnExceed::Lapse(_), .. }) | None => None,
        };
        Lag {
            job,
            wait: Some(WaitIx::from_index(number)),
            from: from.0,
            from_member: from.1,
            to: to.0,
            to_member: to.1,
            measure: match wait.kind {
                WaitKind::Lag => Measure::Lag,
                WaitKind::Dwell => Measure::Dwell,
            },
            min_minutes: wait.min_minutes,
            dries: wait.film.is_some(),
            drying: wait.film.and_then(|film| self.hours.drying(house, film)),
            overnight: wait.overnight.then(|| self.hours.days(house)),
            max_minutes: forbidden.unwrap_or(NEVER),
            extra: NONE,
            forbids: forbidden.is_some(),
            keep_off: wait.keep_off,
        }
    }
}

/// Order alone.
fn plain(job: JobIx, from: (u32, u32), to: (u32, u32)) -> Lag {
    Lag {
        job,
        wait: None,
        from: from.0,
        from_member: from.1,
        to: to.0,
        to_member: to.1,
        measure: Measure::Lag,
        min_minutes: 0,
        dries: false,
        drying: None,
        overnight: None,
        max_minutes: NEVER,
        extra: NONE,
        forbids: false,
        keep_off: false,
    }
}

fn add_waits(builder: &mut Builder<'_>, job: JobIx, lags: &mut Vec<Lag>) {
    let chain = &builder.situation.jobs[job.index()].chain;
    for (number, wait) in chain.waits().iter().enumerate() {
        let Some(from) = builder.known(job, wait.from) else { continue };
        let to = builder.known(job, wait.to).filter(|to| to.0 != from.0 && builder.is_planned(to.0));
        if to.is_none() && !wait.keep_off {
            continue;
        }
        let lag = builder.lag(job, number, wait, from, to.unwrap_or((NONE, NONE)));
        let lapse = match wait.max {
            Some(WaitMax { minutes, on_exceed: OnExceed::Lapse(extra) }) => Some((minutes, extra)),
            Some(WaitMax { on_exceed: OnExceed::Forbid, .. }) | None => None,
        };
        let (Some((minutes, extra)), Some(to)) = (lapse, to) else {
            lags.push(lag);
            continue;
        };
        match builder.known(job, extra) {
            Some(planned) => {
                if builder.is_planned(planned.0) {
                    lags.push(Lag { to: planned.0, to_member: planned.1, keep_off: false, ..lag.clone() });
                }
                lags.push(plain(job, planned, to));
                lags.push(lag);
            }
            None => {
                let extra = add_extra(builder, job, extra, to.0);
                lags.push(plain(job, extra, to));
                lags.push(Lag { max_minutes: minutes, extra: extra.0, ..lag });
            }
        }
    }
}

/// The extra step, done by the crew that stands before it.
fn add_extra(builder: &mut Builder<'_>, job: JobIx, step: StepIx, before: u32) -> (u32, u32) {
    let crew = builder.course.blocks[before as usize].crew;
    let own = builder.situation.jobs[job.index()].chain.step(step);
    let minutes = own.duration_minutes(builder.head_count(crew));
    let steps = vec![(step, 0, minutes)];
    let draft = Draft { kind: Kind::InCase, crew, steps, minutes, placements: Vec::new(), resumes: false };
    let block = builder.add(job, draft);
    builder.course.blocks[block as usize].rank = builder.course.blocks[before as usize].rank;
    (block, builder.course.blocks[block as usize].members.start)
}

/// What follows a failed check by way of steps that happened all the same still waits for its next try.
fn add_retries(builder: &Builder<'_>, job: JobIx, lags: &mut Vec<Lag>) {
    let chain = &builder.situation.jobs[job.index()].chain;
    for check in (0..chain.steps().len()).map(StepIx::from_index).filter(|step| has_failed(chain.step(*step))) {
        let Some(retry) = builder.known(job, check).filter(|retry| builder.is_planned(retry.0)) else { continue };
        let mut reached = vec![check];
        let mut seen = 0;
        while let Some(&from) = reached.get(seen) {
            for wait in chain.waits().iter().filter(|wait| wait.from == from) {
                let extra = match wait.max {
                    Some(WaitMax { on_exceed: OnExceed::Lapse(extra), .. }) => Some(extra),
                    Some(WaitMax { on_exceed: OnExceed::Forbid, .. }) | None => None,
                };
                if chain.step(wait.to).fixed().is_some() && !reached.contains(&wait.to) {
                    reached.push(wait.to);
                }
                let held = [Some(wait.to), extra].into_iter().flatten().filter(|_| seen > 0);
                let held = held.filter_map(|step| builder.known(job, step));
                lags.extend(held.filter(|to| builder.is_planned(to.0)).map(|to| plain(job, retry, to)));
            }
            seen += 1;
        }
    }
}

/// Copies of the steps that are done again, by whoever did them or is to do them, and their waits up to the check.
fn add_treatment(builder: &mut Builder<'_>, again: &TreatAgain, lags: &mut Vec<Lag>) {
    let job = again.check.job;
    let Some(content) = builder.situation.jobs.get(job.index()) else { return };
    let chain = &content.chain;
    if again.check.step.index() >= chain.steps().len() {
        return;
    }
    let check = builder.known(job, again.check.step);
    let Some(check) = check.filter(|check| builder.course.blocks[check.0 as usize].kind != Kind::Done) else { return };
    let named = |step: &StepIx| again.steps.contains(step) && builder.known(job, *step).is_some();
    let steps: Vec<StepIx> = chain.order().iter().copied().filter(named).collect();
    let mut copies: BTreeMap<StepIx, (u32, u32)> = BTreeMap::new();
    let from = builder.course.blocks.len() as u32;
    for &step in &steps {
        if copies.contains_key(&step) {
            continue;
        }
        let mut run = vec![step];
        while let Some(next) = dwell_after(chain, run[run.len() - 1]).filter(|next| steps.contains(next)) {
            run.push(next);
        }
        add_copy(builder, job, &run, check.0, &mut copies);
    }
    let until = builder.course.blocks.len() as u32;
    let first_lag = lags.len();
    for (number, wait) in chain.waits().iter().enumerate() {
        let Some(&copy) = copies.get(&wait.from) else { continue };
        let to = if wait.to == again.check.step { Some(check) } else { copies.get(&wait.to).copied() };
        let to = to.filter(|to| to.0 != copy.0);
        if to.is_some() || wait.keep_off {
            lags.push(builder.lag(job, number, wait, copy, to.unwrap_or((NONE, NONE))));
        }
    }
    for copy in from..until {
        if !lags[first_lag..].iter().any(|lag| lag.from == copy && lag.to != NONE) {
            lags.push(plain(job, (copy, builder.course.blocks[copy as usize].members.start), check));
        }
    }
    let into_check = lags[first_lag..].iter().filter(|lag| lag.to == check.0).count() as u32;
    let block = &mut builder.course.blocks[check.0 as usize];
    (block.again, block.again_lags) = (from..until, into_check);
}

fn add_copy(
    builder: &mut Builder<'_>,
    job: JobIx,
    run: &[StepIx],
    check: u32,
    copies: &mut BTreeMap<StepIx, (u32, u32)>,
) {
    let chain = &builder.situation.jobs[job.index()].chain;
    let Some(first) = builder.known(job, run[0]) else { return };
    let crew = builder.course.blocks[first.0 as usize].crew;
    let when = |step: StepIx| {
        let (block, member) = builder.known(job, step).unwrap_or(first);
        let start = builder.course.blocks[block as usize].start;
        let member = &builder.course.members[member as usize];
        (step, start + member.from, start + member.until)
    };
    let (steps, minutes) = if let [step] = *run {
        let minutes = chain.step(step).duration_minutes(builder.head_count(crew));
        (vec![(step, 0, minutes)], minutes)
    } else {
        let steps: Vec<(StepIx, i64, i64)> = run.iter().map(|step| when(*step)).collect();
        let from = steps.iter().map(|step| step.1).min().unwrap_or_default();
        let until = steps.iter().map(|step| step.2).max().unwrap_or_default();
        (steps, until - from)
    };
    let draft = Draft { kind: Kind::InCase, crew, steps, minutes, placements: Vec::new(), resumes: false };
    let block = builder.add(job, draft);
    builder.course.blocks[block as usize].rank = builder.course.blocks[check as usize].rank;
    let first = builder.course.blocks[block as usize].members.start;
    copies.extend(run.iter().enumerate().map(|(place, step)| (*step, (block, first + place as u32))));
}

/// A range with `next`, which follows it, or begins it.
fn grown(range: &Range<u32>, next: u32) -> Range<u32> {
    if range.start == range.end { next..next + 1 } else { range.start..next + 1 }
}

/// Groups lags by where they begin and by where they end.
fn index(builder: &mut Builder<'_>, mut lags: Vec<Lag>) {
    let course = &mut builder.course;
    lags.sort_by_key(|lag| lag.from);
    let mut limited: Vec<(u32, u32)> = Vec::new();
    for (number, lag) in lags.iter().enumerate() {
        let lags = &mut course.blocks[lag.from as usize].lags;
        *lags = grown(lags, number as u32);
        let in_case = course.blocks[lag.from as usize].kind == Kind::InCase;
        if lag.to == NONE {
            continue;
        }
        let to = &mut course.blocks[lag.to as usize];
        // What is done in case holds a planned block up only when the case has come.
        to.waits_for += u32::from(!in_case || to.kind == Kind::InCase);
        if lag.max_minutes < NEVER {
            limited.push((lag.to, number as u32));
        }
    }
    limited.sort_unstable();
    for (place, (to, _)) in limited.iter().enumerate() {
        let limits = &mut course.blocks[*to as usize].limits;
        *limits = grown(limits, place as u32);
    }
    course.limited = limited.into_iter().map(|(_, number)| number).collect();
    course.lags = lags;
}
