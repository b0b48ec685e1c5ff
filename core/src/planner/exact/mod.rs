//! The cheapest plan of a few steps, and often the proof that none is cheaper: branch and bound over all plans in the order of
//! their starts, depth first. A step goes on after what its crew did last, as soon as it can, or as soon as it can on a later
//! day: to wait longer within a day spares nobody a way. What cannot get cheaper than the best plan known is left: each house for
//! itself by its tails, all together by the load of crews and gear; and what is behind another beginning with the same
//! steps done in every respect (the cutset rule: Demeulemeester and Herroelen, "A branch-and-bound procedure for the multiple
//! resource-constrained project scheduling problem", Management Science 38, 1992; cited from memory).
//!
//! Where not all plans are of that kind (waits that may lapse, pauses, overtime that waiting would spare), what is found is
//! still a plan, but proves nothing.
//!
//! | module | what |
//! |---|---|
//! | `mod` | which problems are few enough and plain enough, and what may be called a proof |
//! | `branch` | the tree of plans |
//! | `load` | what crews and gear can carry, house after house |

mod branch;
mod load;
#[cfg(test)]
mod tests;

use super::generate::Generator;
use super::model::{Model, NONE, wide};
use super::score::Weights;
use super::state::{Place, State};
use branch::Branch;

/// More activities are too many.
const ACTIVITIES_MAX: usize = 36;

/// Puts the cheapest plan found within so many `nodes` into `state`, where that is cheaper than what is there. What any plan costs
/// at least by `weights`, where that is what this one costs.
pub fn finish(weights: &Weights, state: &mut State<'_>, generator: &mut Generator, nodes: u64) -> Option<i64> {
    let model = state.model;
    let open = few_and_free(weights, state, generator)?;
    let cost = weights.total(state).total();
    let every_plan = stands_for_all(weights, model, &open) && cost <= weights.cost.unplaced_step;
    let extras = (0..model.activities.len() as u32).filter(|activity| model.activities[*activity as usize].extra);
    let may_move: Vec<u32> = open.iter().copied().chain(extras).filter(|activity| !state.is_fixed(*activity)).collect();
    let take = |activity: u32| Some((activity, state.take(activity)?));
    let was: Vec<(u32, Place)> = may_move.into_iter().filter_map(take).collect();
    let mut branch = Branch::new(weights, state, &open, (cost, nodes));
    branch.go(state, 0, 0);
    let proved = every_plan && branch.saw_all();
    for (activity, place) in branch.cheaper().unwrap_or(was) {
        generator.put(state, activity, place);
    }
    proved.then(|| weights.total(state).total())
}

/// The open activities, where they are few and nothing but rules and each other keeps them from any place.
fn few_and_free(weights: &Weights, state: &State<'_>, generator: &Generator) -> Option<Vec<u32>> {
    let model = state.model;
    let open = |activity: &u32| !state.is_fixed(*activity) && !model.activities[*activity as usize].extra;
    let open: Vec<u32> = (0..model.activities.len() as u32).filter(open).take(ACTIVITIES_MAX + 1).collect();
    let free = |activity: &u32| {
        let own = &model.activities[*activity as usize];
        let alone = own.gear.is_empty() && own.joins == NONE && !own.pinned && own.days.is_empty();
        alone && state.place(*activity).is_some() && !generator.held[*activity as usize]
    };
    let plain = weights.promises.is_empty() && !generator.regular_first;
    let begun = model.crew_taken.iter().flatten().all(|taken| taken.start <= 0);
    // Where extra steps stood their gear would not be known to be free.
    let rides = model.activities.iter().all(|own| !own.extra || own.gear.is_empty());
    let few = (1..=ACTIVITIES_MAX).contains(&open.len());
    (few && plain && begun && rides && open.iter().all(free)).then_some(open)
}

/// Whether the plans that are looked at stand for all: none left out can be cheaper.
fn stands_for_all(weights: &Weights, model: &Model, open: &[u32]) -> bool {
    let chain = |activity: &u32| {
        let own = &model.activities[*activity as usize];
        let plain = own.anybody.is_empty() && !own.dividable;
        let single = model.before(*activity).count() <= 1 && model.after(*activity).count() <= 1;
        let mut arcs = model.before(*activity).chain(model.after(*activity));
        plain && single && arcs.all(|arc| arc.orders() && arc.extra == NONE)
    };
    let in_hours = |crew: &super::model::Crew| {
        let regular = &model.calendars[crew.regular as usize];
        let mut hours = model.calendars[crew.calendar as usize].as_slice().iter();
        hours.all(|&(from, until)| regular.covered(from, until) == until - from)
    };
    let no_overtime = weights.cost.overtime_minute == 0 || model.crews.iter().all(in_hours);
    no_overtime && open.iter().all(chain) && a_house_each(model, open) && ways_home_are_shortest(model, open)
}

/// Whether no two jobs are in one house, where one could be in the other's way.
fn a_house_each(model: &Model, open: &[u32]) -> bool {
    let mut of_jobs: Vec<(u32, u32)> =
        open.iter().map(|activity| &model.activities[*activity as usize]).map(|own| (own.place, own.job)).collect();
    of_jobs.sort_unstable();
    of_jobs.dedup();
    of_jobs.windows(2).all(|pair| pair[0].0 != pair[1].0)
}

/// Whether from no place of `open`, and from none where a crew was, the way home is longer than over another of these: then a
/// further visit makes no crew's ways shorter.
fn ways_home_are_shortest(model: &Model, open: &[u32]) -> bool {
    let mut places: Vec<u32> = open.iter().map(|activity| model.activities[*activity as usize].place).collect();
    places.extend(model.crew_taken.iter().flatten().map(|taken| taken.place));
    places.sort_unstable();
    places.dedup();
    let over = |a: u32, b: u32, crew: u32| model.way(a, b) + model.home_way(b, crew);
    let crews = 0..model.crews.len() as u32;
    let from = |a: u32, crew: u32| places.iter().all(|&b| model.home_way(a, crew) <= over(a, b, crew));
    places.iter().all(|&a| crews.clone().all(|crew| from(a, crew)))
}

/// Amount of a cumulative resource that an activity holds.
fn amount(model: &Model, activity: u32, resource: usize) -> u32 {
    let needs = &model.needs[wide(&model.activities[activity as usize].needs)];
    needs.iter().find(|need| need.0 as usize == resource).map_or(0, |need| need.1)
}
