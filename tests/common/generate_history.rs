//! What has happened before `now`, such that it hangs together: crews were at one thing at a time, steps followed their
//! waits, gear in use is there. And what the dispatcher pinned.

use super::Draw;
use tackfree::domain::chain::{Attempt, Chain, Outcome, Pin, Step, WaitKind};
use tackfree::domain::ids::{CrewIx, StepIx};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;

/// Lets about `percent` of the houses be begun. The second job of a house is not.
pub fn happen(draw: &mut Draw, situation: &mut Situation, percent: usize) {
    // Each crew's past is filled backwards from now.
    let mut free_before = vec![situation.now; situation.crews.len()];
    let mut units: Vec<u32> = situation.equipment.iter().map(|kind| kind.units).collect();
    let mut seen = vec![false; situation.houses.len()];
    for job in 0..situation.jobs.len() {
        let house = situation.jobs[job].house.index();
        if std::mem::replace(&mut seen[house], true) || !draw.chance(percent) {
            continue;
        }
        let crew = draw.below(situation.crews.len());
        let past = past(draw, situation, job, crew, free_before[crew], &units);
        let Some((steps, begins)) = past else { continue };
        free_before[crew] = begins.plus(-120);
        for (kind, needed) in steps.iter().filter(|step| is_running(step)).flat_map(|step| step.equipment.iter()) {
            units[kind.index()] -= needed;
        }
        let waits = situation.jobs[job].chain.waits().to_vec();
        situation.jobs[job].chain = Chain::new(steps, waits).unwrap();
    }
}

fn is_running(step: &Step) -> bool {
    step.attempts.last().is_some_and(|last| last.outcome == Outcome::Running)
}

/// The steps of a job with the first few of them done by one crew, the last perhaps running or failed, and when it all
/// began. `None` when the crew cannot do them.
fn past(
    draw: &mut Draw,
    situation: &Situation,
    job: usize,
    crew: usize,
    before: Minute,
    units: &[u32],
) -> Option<(Vec<Step>, Minute)> {
    let chain = &situation.jobs[job].chain;
    let people = &situation.crews[crew];
    let able = |step: &&StepIx| {
        let step = chain.step(**step);
        people.skills.covers(step.skills) && people.head_count >= step.head_count_min
    };
    let ordinary: Vec<StepIx> = chain.order().iter().copied().filter(|&s| !chain.step(s).only_on_lapse).collect();
    let count = 1 + draw.below(ordinary.iter().take_while(able).count().checked_sub(1)?.clamp(1, 9));
    let mut done: Vec<StepIx> = ordinary.iter().take_while(able).take(count).copied().collect();
    let mut runs = before == situation.now && draw.chance(50) && gear_is_free(chain.step(*done.last()?), units);
    let mut dwells = chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell);
    let torn = dwells.rfind(|wait| done.contains(&wait.from) && !done.contains(&wait.to));
    if let Some(wait) = torn {
        // Between the two parts there is only time for the first to be in hand; otherwise the second was done as well.
        runs = before == situation.now && *done.last()? == wait.from && gear_is_free(chain.step(wait.from), units);
        if !runs && !able(&&wait.to) {
            return None;
        }
        if !runs {
            done.push(wait.to);
        }
    }
    let times = times(chain, &done, people.head_count);
    let (last, (last_start, _)) = (*done.last()?, *times.last()?);
    let end = times.iter().map(|time| time.1).max()?;
    // Long enough for the steps before it to have ended, as the first part of a dwell may outlast the second's start.
    let others_end = times[..times.len() - 1].iter().map(|time| time.1).max().unwrap_or(0);
    let (least, longest) = ((others_end - last_start).max(1), chain.step(last).duration_minutes(people.head_count) - 1);
    let most = torn.map_or(longest, |wait| wait.min_minutes.min(longest));
    runs = runs && least <= most;
    // Minutes to add to the times, which begin at 0.
    let shift = match runs {
        true => situation.now.plus(-draw.between(least, most) - last_start).0,
        false if torn.is_some_and(|wait| wait.from == last) => return None,
        false => before.plus(-draw.between(0, 1_440) - end).0,
    };
    let mut steps = chain.steps().to_vec();
    let failed = !runs && chain.step(last).recheck_after_minutes.is_some() && draw.chance(50);
    for (&step, &(start, finish)) in done.iter().zip(&times) {
        let outcome = match (step == last, runs, failed) {
            (true, true, _) => Outcome::Running,
            (true, false, true) => Outcome::Failed,
            _ => Outcome::Done,
        };
        let (start, finish) = (Minute(start + shift), Minute(finish + shift));
        // A third of what failed has a pause of its own beyond the step's, a third one within it.
        let retry_not_before = (outcome == Outcome::Failed).then(|| finish.plus(start.0.rem_euclid(3) * 1_000));
        steps[step.index()].attempts =
            vec![Attempt { crew: CrewIx::from_index(crew), start, finish, outcome, retry_not_before }];
    }
    Some((steps, Minute(shift)))
}

fn gear_is_free(step: &Step, units: &[u32]) -> bool {
    step.equipment.iter().all(|(kind, needed)| units[kind.index()] >= *needed)
}

/// Start and finish of each of `done`, from 0, one after the other with generous waits; the two parts of a dwell as the
/// dwell asks.
fn times(chain: &Chain, done: &[StepIx], head_count: u32) -> Vec<(i64, i64)> {
    let mut times: Vec<(i64, i64)> = Vec::new();
    for &step in done {
        let minutes = chain.step(step).duration_minutes(head_count);
        let mut start = times.iter().map(|time| time.1).max().unwrap_or(0);
        for wait in chain.waits().iter().filter(|wait| wait.to == step) {
            let Some(before) = done.iter().position(|&one| one == wait.from).and_then(|at| times.get(at)) else {
                continue;
            };
            match wait.kind {
                WaitKind::Lag => {
                    start = start.max(before.1 + 2 * wait.min_minutes + if wait.overnight { 1_440 } else { 0 })
                }
                // The second part is as long as the first, so finishes are as far apart as starts.
                WaitKind::Dwell => start = before.0 + wait.min_minutes,
            }
        }
        times.push((start, start + minutes));
    }
    times
}

/// Pins about `percent` of the open steps: to a crew, not before a time, or (rarely) to a start.
pub fn pin(draw: &mut Draw, situation: &mut Situation, percent: usize) {
    let now = situation.now;
    for job in 0..situation.jobs.len() {
        let chain = &situation.jobs[job].chain;
        let mut steps = chain.steps().to_vec();
        for step in steps.iter_mut().filter(|step| step.fixed().is_none() && !step.only_on_lapse) {
            if !draw.chance(percent) {
                continue;
            }
            let able: Vec<usize> = (0..situation.crews.len())
                .filter(|&crew| situation.crews[crew].skills.covers(step.skills))
                .filter(|&crew| situation.crews[crew].head_count >= step.head_count_min)
                .collect();
            step.pin = match draw.below(8) {
                0..4 => Pin { not_before: Some(now.plus(draw.between(0, 5 * 1_440))), ..Pin::default() },
                4..7 if !able.is_empty() => Pin { crew: Some(CrewIx::from_index(draw.pick(&able))), ..Pin::default() },
                _ => Pin { start: Some(now.plus(60 * draw.between(1, 96))), ..Pin::default() },
            };
        }
        situation.jobs[job].chain = Chain::new(steps, chain.waits().to_vec()).unwrap();
    }
}
