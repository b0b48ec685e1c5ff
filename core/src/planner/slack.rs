//! How much later a step may be: with everything else in the plan where it is (its free float), and so that its job can still
//! make its date (its total float, were every crew and all gear there at once).

use super::bound;
use super::compile::{Compiled, compile};
use super::generate::lapse_deadline;
use super::keep;
use super::model::NONE;
use super::spans::{NEVER, T};
use super::state::{Place, State};
use crate::domain::ids::StepRef;
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::time::Minute;

/// Until when a step may start, the steps that dwells join with it along with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slack {
    /// The latest start of its crew that leaves everything else in the plan where it is; the planned start when there is none
    /// later.
    pub in_place: Minute,
    /// The latest start after which its job could still make its date, if from then on every crew and all gear came at once:
    /// any later is too late whatever is done. Nothing when the job has no date, or cannot make it even now.
    pub for_date: Option<Minute>,
}

/// The slack of an open step that the plan has; nothing of any other, and of steps only done when a wait has lapsed.
pub fn slack(situation: &Situation, plan: &Plan, step: StepRef) -> Option<Slack> {
    let situation = situation.clone().with_published(plan);
    let compiled = compile(&situation);
    let mut state = keep::as_promised(&situation, &compiled);
    let activity = compiled.activity(step);
    if state.is_fixed(activity) || compiled.model.extra_of[activity as usize] != NONE {
        return None;
    }
    let planned = state.take(activity)?;
    let part = compiled.steps[activity as usize].iter().position(|own| *own == step)? as u16;
    let offset = compiled.model.part(planned.mode, part).offset;
    let due = situation.jobs[step.job.index()].due.map(|due| compiled.time(due));
    let for_date = due.and_then(|due| latest_for(&compiled, activity, due));
    Some(Slack {
        in_place: compiled.instant(latest_in_place(&state, activity, planned) + offset),
        for_date: for_date.map(|start| compiled.instant(start + offset)),
    })
}

/// The latest start of an activity in its planned mode that fits to all that is placed.
fn latest_in_place(state: &State<'_>, activity: u32, planned: Place) -> T {
    let model = state.model;
    let (_, latest) = state.window(activity, planned.mode);
    let latest = latest.min(lapse_deadline(state, activity)).min(model.end);
    let fits = |start: &T| {
        let place = state.fits(activity, planned.mode, *start).ok();
        let on_days = state.on_pinned_days(activity, planned.mode, *start);
        place.is_some_and(|place| on_days && in_time_for_successors(state, activity, place))
    };
    // The later it is, the later what follows may begin: by bisection to where that is too late, and back from there.
    let (mut good, mut bad) = (planned.start, latest.saturating_add(1).max(planned.start + 1));
    while bad - good > 1 {
        let middle = good + (bad - good) / 2;
        let length = planned.finish - planned.start;
        let place = Place { start: middle, finish: middle + length, closed_until: middle, mode: planned.mode };
        if in_time_for_successors(state, activity, place) { good = middle } else { bad = middle }
    }
    (planned.start + 1..=good).rev().find(fits).unwrap_or(planned.start)
}

/// Whether all that follows can stay where it is.
fn in_time_for_successors(state: &State<'_>, activity: u32, place: Place) -> bool {
    let model = state.model;
    model.after(activity).all(|arc| {
        let Some(to) = state.place(arc.to).filter(|_| arc.orders()) else { return true };
        let ready = model.ready(arc, state.anchor(arc, place));
        let extra = (arc.extra != NONE).then(|| state.place(arc.extra)).flatten();
        let reached = to.start + model.part(to.mode, arc.to_part).offset;
        ready <= reached && extra.is_none_or(|extra| ready <= extra.start)
    })
}

/// The latest start from which everything that follows could be finished by `due`, each with all it needs at once.
fn latest_for(compiled: &Compiled, activity: u32, due: T) -> Option<T> {
    let model = &compiled.model;
    let alone = bound::alone(model, &compiled.fixed);
    let mut after = vec![activity];
    let own = bound::order(model);
    let own =
        own.iter().filter(|other| model.activities[**other as usize].job == model.activities[activity as usize].job);
    for &other in own {
        let follows = model.before(other).any(|arc| arc.orders() && after.contains(&arc.from));
        let open = compiled.fixed[other as usize].is_none() && !model.activities[other as usize].extra;
        if follows && open && other != activity {
            after.push(other);
        }
    }
    let finish = |from: T| {
        let mut times = alone.clone();
        let mut finish = -NEVER;
        for &other in &after {
            let from = if other == activity { from } else { -NEVER };
            times[other as usize] = bound::alone_from(model, &compiled.fixed, &times, other, from);
            finish = finish.max(times[other as usize].1);
        }
        (finish, times[activity as usize].0)
    };
    let (mut good, mut bad) = (0, due.max(1));
    if finish(good).0 > due {
        return None;
    }
    while bad - good > 1 {
        let middle = good + (bad - good) / 2;
        if finish(middle).0 <= due { good = middle } else { bad = middle }
    }
    // Where nobody is at work it begins later than asked.
    Some(finish(good).1).filter(|start| *start < NEVER)
}
