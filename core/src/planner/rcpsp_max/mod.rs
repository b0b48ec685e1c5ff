//! Published benchmark instances of resource-constrained project scheduling with minimum and maximum time lags
//! (RCPSP/max), read into the engine's own model, and an exact search for such models: of activities that have one mode,
//! cumulative resources and lags, and nothing else, the end of the last is to be as early as can be.
//!
//! | module | what |
//! |---|---|
//! | `instance` | the published text becomes a model; answers are checked against it |
//! | `bounds` | bounds of starts, and how they came about |
//! | `timetable`, `clauses` | what follows from them: by resources, and by what was learned |
//! | `order` | what to decide first |
//! | `search` | lazy clause generation |
//! | `structures` | activities tied both ways, planned on their own and joined |
//! | `improve`, `neighbourhood` | from one plan to better ones |

mod bounds;
mod clauses;
mod improve;
mod instance;
mod neighbourhood;
mod order;
mod search;
mod structures;
mod timetable;

pub use improve::{Answer, solve};
pub use instance::{Instance, InstanceError, parse};

use super::model::{Activity, Anchor, Arc, Mode, Model, NONE, wide};
use super::spans::{NEVER, T};

/// What the search knows of a model. The last activity stands for the end of all.
struct Problem {
    durations: Vec<T>,
    /// (from, to, least distance of the starts).
    lags: Vec<(u32, u32, T)>,
    capacities: Vec<u32>,
    /// (resource, amount) by activity.
    needs: Vec<Vec<(u32, u32)>>,
    /// (activity, amount) by resource.
    users: Vec<Vec<(u32, u32)>>,
    /// No start is later.
    horizon: T,
}

impl Problem {
    /// Of a model; `None` when it has what the search does not know: crews, several modes, places, calendars, steps that are
    /// joined or fixed, waits that depend on anything but the starts.
    fn of(model: &Model) -> Option<Problem> {
        let count = model.activities.len();
        let mut problem = Problem {
            durations: Vec::with_capacity(count + 1),
            lags: Vec::new(),
            capacities: model.capacities.clone(),
            needs: Vec::with_capacity(count + 1),
            users: vec![Vec::new(); model.capacities.len()],
            horizon: model.end,
        };
        let plain = |arc: &Arc| arc.dry == NONE && arc.overnight == NONE && arc.extra == NONE;
        if !model.cumulative_taken.is_empty() || !model.capacity_out.is_empty() || !model.arcs.iter().all(plain) {
            return None;
        }
        for (number, activity) in model.activities.iter().enumerate() {
            let mode = plain_mode(model, activity)?;
            problem.durations.push(mode.length);
            problem.needs.push(model.needs[wide(&activity.needs)].to_vec());
            for &(resource, amount) in &model.needs[wide(&activity.needs)] {
                problem.users[resource as usize].push((number as u32, amount));
            }
            problem.lags.push((number as u32, count as u32, mode.length));
        }
        for arc in &model.arcs {
            let from = if arc.anchor == Anchor::Start { 0 } else { problem.durations[arc.from as usize] };
            if arc.min > -NEVER {
                problem.lags.push((arc.from, arc.to, from + arc.min));
            }
            if arc.max < NEVER {
                problem.lags.push((arc.to, arc.from, -from - arc.max));
            }
        }
        problem.durations.push(0);
        problem.needs.push(Vec::new());
        Some(problem)
    }

    /// The activity that stands for the end.
    fn last(&self) -> u32 {
        self.durations.len() as u32 - 1
    }
}

/// The only mode of an activity that needs nothing but time and cumulative resources.
fn plain_mode<'m>(model: &'m Model, activity: &Activity) -> Option<&'m Mode> {
    let mode = &model.modes[activity.modes.start as usize];
    let one = activity.modes.len() == 1 && activity.steps == 1 && activity.joins == NONE && !activity.extra;
    let any_time =
        activity.release == 0 && activity.latest >= NEVER && activity.days.is_empty() && mode.gates.is_empty();
    let alone = mode.crew == NONE && activity.areas.is_empty() && activity.gear.is_empty();
    (one && any_time && alone).then_some(mode)
}

#[cfg(test)]
mod tests;
