//! A lower bound on the cost of any plan: each chain on its own, with all crews free (critical path with calendars,
//! climates and waits), the load that crews, skills and gear have to carry whatever the order, and prices on their time.
//!
//! | module | what |
//! |---|---|
//! | `mod` | chains alone, and loads |
//! | `goods` | what prices are on, and how they find their way |
//! | `prices` | by the day: each house takes the finish that is cheapest for it |
//! | `hours` | by the hour: each house's steps keep their order |
//! | `routes` | by start: crews do whole steps, and drive all ways |
//! | `exact_tails`, `tails` | when a house is finished at best once a step starts: to the minute, and sooner told |

mod exact_tails;
mod goods;
mod hours;
mod prices;
mod routes;
mod tails;

pub use tails::Tails;

use super::cores::{ACTIVITIES_FOR_BOTH, both};
use super::hours::{gate_obstacle, workable};
use super::model::{Mode, Model, NONE, wide};
use super::score::Weights;
use super::spans::{NEVER, T};
use super::state::Place;

/// The longer a plan is searched for, the longer a bound is: a round of prices by the day for so many moves.
const MOVES_A_ROUND: u64 = 20;
/// Rounds after which a bound hardly rises any more.
const ROUNDS_MAX: u64 = 400;
/// So many starts of steps are looked at for each move of the search while prices go by the hour: a fifth of its time.
const STARTS_A_MOVE: u64 = 300;

/// No plan costs less, in cost points; `alone` is from [`alone`]. The more `moves` of a search there were, the more time is spent
/// on prices, by which the bound comes nearer to `upper`, what the plan that was found costs.
pub fn lower_bound(
    model: &Model,
    fixed: &[Option<Place>],
    weights: &Weights,
    alone: &[(T, T)],
    (upper, moves): (i64, u64),
) -> i64 {
    let mut sum_alone = 0;
    let mut finishes = vec![None; weights.jobs.len()];
    for job in 0..weights.jobs.len() as u32 {
        let mut finish = -NEVER;
        for &activity in weights.activities.of(job).iter().filter(|a| !ordinary_extra(model, fixed, **a)) {
            finish = finish.max(alone[activity as usize].1);
        }
        let cost = job_cost(weights, job, finish);
        finishes[job as usize] = (finish < NEVER).then_some(finish);
        // Leaving one step of the job out is the other way to get rid of its finish.
        sum_alone += cost.min(weights.cost.unplaced_step);
    }
    let loads = loads(model, fixed);
    let by_load = loads.iter().map(|load| load_bound(model, weights, load, &finishes)).max();
    let bound = sum_alone.max(by_load.unwrap_or(0));
    // Prices go by how late the slowest may be as well; where only the nearest are asked, that is not known.
    let all_known = model.activities.iter().all(|activity| activity.anybody.is_empty());
    let rounds = (moves / MOVES_A_ROUND).min(ROUNDS_MAX);
    if rounds == 0 || !all_known {
        bound
    } else {
        let known = (model, fixed, weights, alone);
        let (by_day, prices) = prices::bound(known, &loads, (upper, rounds));
        let by_hour = hours::bound(known, &loads, &prices, (upper, moves));
        let (by_hour, hourly) = by_hour.map_or((0, None), |(bound, hourly)| (bound, Some(hourly)));
        let bound = bound.max(by_day).max(by_hour);
        let by_route = hourly.and_then(|hourly| routes::bound(known, hourly, (bound, upper), moves));
        bound.max(by_route.unwrap_or(0))
    }
}

/// What is planned: the model, what is fixed of it, what it costs, and when everything can be alone.
type Known<'m> = (&'m Model, &'m [Option<Place>], &'m Weights, &'m [(T, T)]);

/// Extra steps that are not there need never come.
fn ordinary_extra(model: &Model, fixed: &[Option<Place>], activity: u32) -> bool {
    model.activities[activity as usize].extra && fixed[activity as usize].is_none()
}

/// What a job costs at least that is finished at `finish`, cost points; `NEVER`: what one step left out costs.
pub(super) fn job_cost(weights: &Weights, job: u32, finish: T) -> i64 {
    if finish >= NEVER {
        return weights.cost.unplaced_step;
    }
    let own = &weights.jobs[job as usize];
    let late = if own.due < NEVER { i64::from((finish - own.due).max(0)) } else { 0 };
    let minutes = i64::from((finish - own.release).max(0));
    own.weight * (weights.cost.late_minute * late + weights.cost.finish_minute * minutes)
}

/// Earliest start and finish of each activity if nobody else were planned, `NEVER` when it cannot be placed.
pub fn alone(model: &Model, fixed: &[Option<Place>]) -> Vec<(T, T)> {
    let order = order(model);
    let of = |which: &dyn Fn(u32) -> bool| {
        let mut times = vec![(NEVER, NEVER); model.activities.len()];
        for activity in order.iter().copied().filter(|activity| which(*activity)) {
            let place = fixed[activity as usize].map(|place| (place.start, place.finish));
            times[activity as usize] = place.unwrap_or_else(|| alone_from(model, fixed, &times, activity, -NEVER));
        }
        times
    };
    // Activities are listed job by job.
    let half_job = model.activities.get(model.activities.len() / 2).map_or(NONE, |activity| activity.job);
    let half = model.activities.partition_point(|activity| activity.job < half_job);
    let early = |activity: u32| (activity as usize) < half;
    let apart = || model.arcs.iter().all(|arc| early(arc.from) == early(arc.to));
    if model.activities.len() < ACTIVITIES_FOR_BOTH || !apart() {
        return of(&|_| true);
    }
    let (late, mut times) = both(|| of(&|activity| !early(activity)), || of(&early));
    times[half..].copy_from_slice(&late[half..]);
    times
}

/// Earliest start and finish of an open activity, not before `from`, given the times of what comes before it.
pub(super) fn alone_from(model: &Model, fixed: &[Option<Place>], times: &[(T, T)], activity: u32, from: T) -> (T, T) {
    let own = &model.activities[activity as usize];
    let ready = model.before(activity).filter(|arc| arc.orders()).map(|arc| {
        let (start, finish) = times[arc.from as usize];
        let is_fixed = fixed[arc.from as usize].is_some();
        (earliest_after(model, is_fixed, arc, start, finish), arc.to_part)
    });
    let ready: Vec<(T, u16)> = ready.collect();
    let mut soonest = (NEVER, NEVER);
    for mode in differing_modes(model, activity) {
        let earliest = ready.iter().map(|(ready, part)| ready.saturating_sub(model.part(mode, *part).offset));
        let days = &model.day_pins[wide(&own.days)];
        let earliest = earliest.chain(days.iter().map(|pin| pin.from - model.part(mode, pin.part).offset));
        let earliest = earliest.fold(own.release.max(from), T::max);
        if earliest < NEVER
            && let Some((start, finish)) = earliest_alone(model, activity, mode, earliest)
        {
            soonest = (soonest.0.min(start), soonest.1.min(finish));
        }
    }
    soonest
}

/// Of the ways that bounds have to count with, one for each that may differ in when and how long, whoever does it.
fn differing_modes(model: &Model, activity: u32) -> impl Iterator<Item = u32> {
    let alike = |one: u32, other: u32| {
        let (one, other) = (&model.modes[one as usize], &model.modes[other as usize]);
        let hours = |mode: &Mode| if mode.hours == NONE { (true, mode.calendar) } else { (false, mode.hours) };
        let parts = |mode: &Mode| &model.parts[wide(&mode.parts)];
        let gates = |mode: &Mode| &model.gate_uses[wide(&mode.gates)];
        let same_way = one.parts == other.parts && one.gates == other.gates;
        hours(one) == hours(other) && (same_way || parts(one) == parts(other) && gates(one) == gates(other))
    };
    let modes = model.best_modes(activity);
    let first = modes.start;
    modes.filter(move |mode| !(first..*mode).any(|before| alike(before, *mode)))
}

/// When `arc` lets its successor start if its predecessor could not start or finish earlier than given. A part of a run
/// that ends before the run does is taken at its shortest, unless it `is_fixed`.
fn earliest_after(model: &Model, is_fixed: bool, arc: &super::model::Arc, start: T, finish: T) -> T {
    if start >= NEVER {
        return NEVER;
    }
    let own = &model.activities[arc.from as usize];
    let anchor = match arc.anchor {
        super::model::Anchor::Start => start,
        super::model::Anchor::Finish if own.steps == 1 || is_fixed => finish,
        super::model::Anchor::Finish => {
            let parts = model.best_modes(arc.from).map(|mode| model.part(mode, arc.from_part));
            start + parts.map(|part| part.offset + part.length).min().unwrap_or(0)
        }
    };
    model.ready(arc, anchor)
}

/// The first time an activity could have in a mode with every resource free: calendars, access and gates only.
pub(super) fn earliest_alone(model: &Model, activity: u32, mode: u32, earliest: T) -> Option<(T, T)> {
    let mut t = earliest;
    for _ in 0..100_000 {
        let (start, finish) = workable(model, activity, mode, t, 1)?;
        if finish > model.end {
            return None;
        }
        match gate_obstacle(model, mode, start) {
            None => return Some((start, finish)),
            Some(next) => t = next.max(start + 1),
        }
    }
    // Giving up on an endless flutter of gates must not raise the bound.
    Some((t, t))
}

/// What has to wait for `activity`, whatever happens: extra steps need never come.
fn order_arcs(model: &Model, activity: u32) -> impl Iterator<Item = &super::model::Arc> {
    model.after(activity).filter(|arc| arc.orders() && !model.activities[arc.to as usize].extra)
}

/// Activities, predecessors first.
pub fn order(model: &Model) -> Vec<u32> {
    let count = model.activities.len();
    let mut waiting: Vec<u32> = vec![0; count];
    model.arcs.iter().filter(|arc| arc.orders()).for_each(|arc| waiting[arc.to as usize] += 1);
    let mut order: Vec<u32> = (0..count as u32).filter(|activity| waiting[*activity as usize] == 0).collect();
    let mut seen = 0;
    while seen < order.len() {
        for arc in model.after(order[seen]).filter(|arc| arc.orders()) {
            waiting[arc.to as usize] -= 1;
            if waiting[arc.to as usize] == 0 {
                order.push(arc.to);
            }
        }
        seen += 1;
    }
    order
}

/// So many different sets of crews are looked at as bottlenecks.
const GROUPS_MAX: usize = 32;

/// One bottleneck: how many of it work at the same time, and how many of its minutes each open activity takes.
pub(super) struct Load {
    /// Sorted (time, how many from then on), from 0 to the horizon's end.
    pub(super) capacity: Vec<(T, i64)>,
    /// Open activities, and the minutes of each.
    pub(super) work: Vec<(u32, i64)>,
}

/// All crews together, the crews that can do something not all can, each cumulative resource.
pub(super) fn loads(model: &Model, fixed: &[Option<Place>]) -> Vec<Load> {
    let open = |activity: &u32| fixed[*activity as usize].is_none() && !model.activities[*activity as usize].extra;
    let all: Vec<u32> = (0..model.activities.len() as u32).filter(open).collect();
    let length = |mode: u32| i64::from(model.modes[mode as usize].length);
    let shortest = |activity: u32| differing_modes(model, activity).map(length).min().unwrap_or(0);
    let work: Vec<(u32, i64)> = all.iter().map(|&activity| (activity, shortest(activity))).collect();
    let crews: Vec<u32> = (0..model.crews.len() as u32).collect();
    let mut out = vec![Load { capacity: crew_capacity(model, &crews), work: work.clone() }];
    let able = able_crews(model, &all);
    let few = |set: &&Vec<u32>| set.len() < crews.len() && !set.contains(&NONE);
    for group in able.sets.iter().filter(few).take(GROUPS_MAX) {
        let inside: Vec<bool> =
            able.sets.iter().map(|set| set.iter().all(|crew| group.binary_search(crew).is_ok())).collect();
        let inside = |set: &Option<usize>| set.is_some_and(|set| inside[set]);
        let theirs = work.iter().zip(&able.of).filter(|(_, set)| inside(set)).map(|(work, _)| *work);
        out.push(Load { capacity: crew_capacity(model, group), work: theirs.collect() });
    }
    for (resource, &capacity) in model.capacities.iter().enumerate() {
        let amount = |activity: u32| {
            let needs = &model.needs[wide(&model.activities[activity as usize].needs)];
            needs.iter().find(|need| need.0 as usize == resource).map_or(0, |need| i64::from(need.1))
        };
        let work = work.iter().map(|&(activity, minutes)| (activity, amount(activity) * minutes)).collect();
        // It is in use while somebody works with it.
        let at_work = out[0].capacity.iter().map(|&(t, crews)| (t, i64::from(capacity) * crews.min(1))).collect();
        out.push(Load { capacity: at_work, work });
    }
    out
}

/// Who can do what.
struct Able {
    /// Different sets of crews, each sorted.
    sets: Vec<Vec<u32>>,
    /// By activity asked for, into `sets`; `None` where only the nearest able crews are known.
    of: Vec<Option<usize>>,
}

fn able_crews(model: &Model, activities: &[u32]) -> Able {
    let mut able = Able { sets: Vec::new(), of: Vec::with_capacity(activities.len()) };
    let mut set: Vec<u32> = Vec::new();
    for &activity in activities {
        let own = &model.activities[activity as usize];
        if !own.anybody.is_empty() {
            able.of.push(None);
            continue;
        }
        set.clear();
        set.extend(own.modes.clone().map(|mode| model.modes[mode as usize].crew));
        // The modes of a crew stand together, one for each number of people that makes a difference.
        set.dedup();
        set.sort_unstable();
        let known = able.sets.iter().position(|known| *known == set);
        able.of.push(Some(known.unwrap_or_else(|| {
            able.sets.push(set.clone());
            able.sets.len() - 1
        })));
    }
    able
}

fn crew_capacity(model: &Model, crews: &[u32]) -> Vec<(T, i64)> {
    let mut steps: Vec<(T, i64)> = Vec::new();
    for &crew in crews.iter().filter(|crew| **crew != NONE) {
        let calendar = &model.calendars[model.crews[crew as usize].calendar as usize];
        steps.extend(calendar.as_slice().iter().flat_map(|&(from, until)| [(from.max(0), 1), (until.max(0), -1)]));
    }
    steps.sort_unstable();
    let mut capacity: Vec<(T, i64)> = vec![(0, 0)];
    for (t, change) in steps {
        let level = capacity[capacity.len() - 1].1 + change;
        match capacity.last_mut() {
            Some(last) if last.0 == t => last.1 = level,
            _ => capacity.push((t, level)),
        }
    }
    capacity
}

/// Jobs share the bottleneck as one fluid machine; the time it needs for so much work is at least a straight line, and
/// under a straight line the order by work over weight is the best there is (Smith 1956). Lateness is counted only as
/// far as each chain alone forces it.
fn load_bound(model: &Model, weights: &Weights, load: &Load, finishes: &[Option<T>]) -> i64 {
    let mut work = vec![0i64; weights.jobs.len()];
    for &(activity, minutes) in &load.work {
        work[model.activities[activity as usize].job as usize] += minutes;
    }
    let out = finishes.iter().filter(|finish| finish.is_none()).count() as i64 * weights.cost.unplaced_step;
    let mut loaded: Vec<usize> = (0..work.len()).filter(|&job| finishes[job].is_some() && work[job] > 0).collect();
    let weight = |job: usize| weights.jobs[job].weight;
    loaded.sort_by(|&a, &b| (work[a] * weight(b)).cmp(&(work[b] * weight(a))).then(a.cmp(&b)));
    let line = minorant(&load.capacity, loaded.iter().map(|job| work[*job]).sum());
    let mut done = 0;
    let mut finish_sum = 0;
    for &job in &loaded {
        done += work[job];
        finish_sum += weight(job) * (line.at(done) - i64::from(weights.jobs[job].release));
    }
    let mut bound = weights.cost.finish_minute * finish_sum.max(0);
    for (job, own) in weights.jobs.iter().enumerate() {
        let Some(finish) = finishes[job] else { continue };
        let late = if own.due < NEVER { i64::from((finish - own.due).max(0)) } else { 0 };
        bound += own.weight * weights.cost.late_minute * late;
        if work[job] == 0 {
            bound += own.weight * weights.cost.finish_minute * i64::from((finish - own.release).max(0));
        }
    }
    // A plan that leaves a further step out costs that much at least.
    out + bound.min(weights.cost.unplaced_step)
}

/// `time >= work * slope_minutes / slope_work - intercept`.
struct Line {
    slope_minutes: i64,
    slope_work: i64,
    intercept: i64,
}

impl Line {
    fn at(&self, work: i64) -> i64 {
        work * self.slope_minutes / self.slope_work - self.intercept
    }
}

/// A line below the time at which `work` minutes can be done, for work up to `total`.
fn minorant(capacity: &[(T, i64)], total: i64) -> Line {
    // Points (work done, time) where the curve may touch a line from above: where capacity falls to nothing or rises.
    let mut done = 0;
    let mut corners = vec![(0i64, 0i64)];
    for pair in 0..capacity.len() {
        let (from, level) = capacity[pair];
        let until = capacity.get(pair + 1).map_or(i64::from(NEVER), |next| i64::from(next.0));
        corners.push((done, i64::from(from)));
        let more = level.saturating_mul(until - i64::from(from));
        if level > 0 && done + more >= total {
            corners.push((total, i64::from(from) + (total - done) / level));
            break;
        }
        done += more;
        corners.push((done, until));
    }
    // The slope of the whole; the intercept is as small as it may be, one minute more for the rounding.
    let (slope_work, slope_minutes) = corners.iter().rev().find(|(work, _)| *work > 0).copied().unwrap_or((1, 0));
    let below = corners.iter().map(|(work, time)| work * slope_minutes / slope_work + 1 - time);
    let intercept = below.max().unwrap_or(0).max(0);
    Line { slope_minutes, slope_work, intercept }
}
