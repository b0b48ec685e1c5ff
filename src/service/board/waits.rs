//! Waits between the steps of a chain: from when, until when at least, until when at most. The same rule as that of
//! plans (`docs/rules.md`, rules 4 and 5), in the air that is expected now.

use super::basis::World;
use super::picture::Picture;
use super::shapes::{BoardWait, BoardWaitKind};
use crate::domain::chain::{OnExceed, Wait, WaitKind};
use crate::domain::ids::{HouseIx, StepRef};
use crate::domain::time::Minute;

/// Of all jobs that are shown, by the later step's place in its chain. What only says an order is no wait.
pub(super) fn waits(world: &World, picture: &Picture) -> Vec<BoardWait> {
    let mut out = Vec::new();
    for &job in &picture.shown_jobs {
        let own = &world.situation.jobs[job.index()];
        for wait in own.chain.waits() {
            let (from, to) = (StepRef { job, step: wait.from }, StepRef { job, step: wait.to });
            let numbers = (picture.numbers.get(&from), picture.numbers.get(&to));
            let (Some(&from_number), Some(&to_number)) = numbers else { continue };
            let says_more = wait.min_minutes > 0 || wait.overnight || wait.max.is_some();
            let Some(placed) = world.placement(from).filter(|_| says_more) else { continue };
            let start = match wait.kind {
                WaitKind::Dwell => placed.start(),
                WaitKind::Lag => placed.finish(),
            };
            out.push(BoardWait {
                from: from_number,
                to: to_number,
                kind: kind(wait),
                start: start.0,
                ready: ready(world, own.house, wait, start).map(|ready| ready.0),
                latest: wait.max.map(|max| start.plus(max.minutes).0),
                end: world.placement(to).map(|next| next.start().0),
                lapses: wait.max.is_some_and(|max| matches!(max.on_exceed, OnExceed::Lapse(_))),
                keep_off: wait.keep_off,
                overnight: wait.overnight,
                film: wait.film.map(Into::into),
            });
        }
    }
    out
}

const fn kind(wait: &Wait) -> BoardWaitKind {
    match (wait.kind, wait.film.is_some(), wait.min_minutes > 0 || wait.overnight) {
        (WaitKind::Dwell, _, _) => BoardWaitKind::Dwell,
        (WaitKind::Lag, true, _) => BoardWaitKind::Drying,
        (WaitKind::Lag, false, true) => BoardWaitKind::Pause,
        (WaitKind::Lag, false, false) => BoardWaitKind::Window,
    }
}

/// The earliest start of the later step.
pub(super) fn ready(world: &World, house: HouseIx, wait: &Wait, start: Minute) -> Option<Minute> {
    let dry = match wait.film {
        Some(film) if wait.kind == WaitKind::Lag => world.airs.ready_at(house, film, start, wait.min_minutes)?,
        _ => start.plus(wait.min_minutes),
    };
    let zone = world.situation.houses[house.index()].zone;
    Some(if wait.overnight { dry.max(zone.next_day_start(start)) } else { dry })
}
