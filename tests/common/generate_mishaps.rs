//! What goes wrong on the floor: crews short of people, broken gear, closed houses, steps that were left, floors that
//! were wetted again; and steps pinned to a day. Everything passes the domain's constructors.

use super::Draw;
use tackfree::domain::chain::{Attempt, Chain, Outcome, Pin, Step, WaitKind};
use tackfree::domain::ids::{CrewIx, JobIx, StepIx};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::{Minute, Span};

/// A spell that begins in the last day or in the next week.
fn spell(draw: &mut Draw, now: Minute) -> Span {
    let start = now.plus(draw.between(-1_440, 7 * 1_440));
    Span::new(start, start.plus(draw.between(30, 3 * 1_440))).unwrap()
}

/// A crew has fewer people for a time.
pub fn short_of_people(draw: &mut Draw, situation: &mut Situation) {
    let crew = draw.below(situation.crews.len());
    let now = situation.now;
    let own = &mut situation.crews[crew];
    if own.head_count > 1 {
        own.short_handed.push((spell(draw, now), draw.between(1, i64::from(own.head_count) - 1) as u32));
    }
}

/// Units of a kind of gear are out of use for a time.
pub fn broken(draw: &mut Draw, situation: &mut Situation) {
    if situation.equipment.is_empty() {
        return;
    }
    let kind = draw.below(situation.equipment.len());
    let now = situation.now;
    let own = &mut situation.equipment[kind];
    own.outages.push((spell(draw, now), draw.between(1, i64::from(own.units)) as u32));
}

/// Nobody may enter a house for a time.
pub fn closed(draw: &mut Draw, situation: &mut Situation) {
    let house = draw.below(situation.houses.len());
    let closure = spell(draw, situation.now);
    situation.houses[house].closures.push(closure);
}

/// Open steps, first drawn first, until `change` has changed one.
fn change_one(
    draw: &mut Draw,
    situation: &mut Situation,
    change: impl Fn(&mut Draw, &Situation, JobIx, StepIx) -> Option<Step>,
) {
    let mut open: Vec<_> = situation
        .steps()
        .filter(|step| situation.jobs[step.job.index()].chain.step(step.step).fixed().is_none())
        .collect();
    while !open.is_empty() {
        let at = open.swap_remove(draw.below(open.len()));
        let Some(changed) = change(draw, situation, at.job, at.step) else { continue };
        let chain = &situation.jobs[at.job.index()].chain;
        let mut steps = chain.steps().to_vec();
        steps[at.step.index()] = changed;
        let waits = chain.waits().to_vec();
        situation.jobs[at.job.index()].chain = Chain::new(steps, waits).unwrap();
        return;
    }
}

/// The crew left a step whose predecessors are done.
pub fn left(draw: &mut Draw, situation: &mut Situation) {
    change_one(draw, situation, |draw, situation, job, step| {
        let chain = &situation.jobs[job.index()].chain;
        let own = chain.step(step);
        let mut before = chain.waits().iter().filter(|wait| wait.to == step).map(|wait| chain.step(wait.from));
        let ended = before.try_fold(situation.now.plus(-3 * 1_440), |latest, step| {
            let last = step.fixed().filter(|attempt| attempt.outcome == Outcome::Done)?;
            Some(latest.max(last.finish))
        });
        let able = situation
            .crews
            .iter()
            .position(|crew| crew.skills.covers(own.skills) && crew.head_count >= own.head_count_min);
        let earliest = own.attempts.last().map(|last| last.finish).max(ended);
        let (Some(crew), Some(earliest)) = (able, earliest.filter(|_| ended.is_some())) else { return None };
        if !own.dividable || own.only_on_lapse || situation.now.since(earliest) < 60 {
            return None;
        }
        let finish = situation.now.plus(-draw.between(0, 30));
        let people = situation.crews[crew].head_count;
        let remaining_minutes = draw.between(1, own.duration_minutes(people));
        let attempt = Attempt {
            crew: CrewIx::from_index(crew),
            start: finish.plus(-draw.between(1, 30)),
            finish,
            outcome: Outcome::Paused { remaining_minutes, people },
            retry_not_before: None,
        };
        let mut own = own.clone();
        own.attempts.push(attempt);
        Some(own)
    });
}

/// The first part of a treatment in hand had been done before, and had dried.
pub fn wetted_again(_: &mut Draw, situation: &mut Situation) {
    for job in &mut situation.jobs {
        let chain = &job.chain;
        let mut steps = chain.steps().to_vec();
        for wait in chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell) {
            let again = chain.step(wait.from).fixed().filter(|_| chain.step(wait.to).fixed().is_none());
            if let Some(again) = again.filter(|_| steps[wait.from.index()].attempts.len() == 1) {
                let (start, finish) = (again.start.plus(-120), again.start.plus(-60));
                steps[wait.from.index()].attempts.insert(0, Attempt { start, finish, outcome: Outcome::Done, ..again });
            }
        }
        job.chain = Chain::new(steps, chain.waits().to_vec()).unwrap();
    }
}

/// A step is to start on one of the next days.
pub fn pinned_to_a_day(draw: &mut Draw, situation: &mut Situation) {
    change_one(draw, situation, |draw, situation, job, step| {
        let own = situation.jobs[job.index()].chain.step(step);
        if own.only_on_lapse || own.pin != Pin::default() {
            return None;
        }
        let zone = situation.houses[situation.jobs[job.index()].house.index()].zone;
        let day = Some(zone.date(situation.now.plus(draw.between(0, 6 * 1_440))));
        let mut own = own.clone();
        own.pin.day = day;
        Some(own)
    });
}

/// All of it.
pub fn trouble(draw: &mut Draw, situation: &mut Situation) {
    type Mishap = fn(&mut Draw, &mut Situation);
    let mishaps: [(Mishap, usize); 6] =
        [(short_of_people, 4), (broken, 3), (closed, 2), (left, 2), (wetted_again, 1), (pinned_to_a_day, 3)];
    for (mishap, times) in mishaps {
        for _ in 0..times {
            if draw.chance(50) {
                mishap(draw, situation);
            }
        }
    }
}
