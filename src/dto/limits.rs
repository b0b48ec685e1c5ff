//! Bounds that no single member shows: a plan's cost must stay inside its integer whatever the planner does.

use crate::domain::fault::Fault;
use crate::domain::situation::Situation;
use crate::domain::time::Minute;

/// Sums and differences of costs, and eight of them together, must fit.
const COST_MAX: i128 = (i64::MAX / 16) as i128;

/// Refuses coefficients and weights that could make a plan's cost overflow. Counts every part of `docs/cost.md` at the
/// worst that the input allows.
pub(super) fn cost_fits(situation: &Situation) -> Result<(), Fault> {
    let cost = &situation.settings.cost;
    let jobs = &situation.jobs;
    let fixed = jobs.iter().flat_map(|job| job.chain.steps()).filter_map(|step| step.fixed());
    let last = fixed.map(|attempt| attempt.finish).max().unwrap_or(situation.now).max(situation.horizon().end());
    let wide = |minutes: i64| i128::from(minutes.max(0));
    let until_last = |from: Minute| wide(last.since(from));

    let steps: i128 = jobs.iter().map(|job| job.chain.steps().len() as i128).sum();
    let worst_job = |job: &crate::domain::situation::Job| {
        let late = job.due.map_or(0, until_last) * wide(cost.late_minute);
        let finish = until_last(job.release) * wide(cost.finish_minute);
        i128::from(job.weight) * (late + finish)
    };
    let of_jobs: i128 = jobs.iter().map(worst_job).sum();
    let earliest = situation.published.iter().map(|placement| placement.start()).min().unwrap_or(situation.now);
    let latest = situation.published.iter().map(|placement| placement.start()).max().unwrap_or(last).max(last);
    let moved = wide(latest.since(earliest.min(situation.now))) * wide(cost.moved_minute);
    let promise = 4 * (wide(cost.moved_step) + moved + wide(cost.changed_crew));
    // Half the equator by the slowest, most winding road, there and back, for every step.
    let travel = &situation.settings.travel;
    let road = 20_100 * i128::from(travel.detour_percent) * 60 / 100 / i128::from(travel.speed_kmh.max(1));
    let way = situation.known_ways.values().copied().max().map_or(0, wide).max(wide(travel.fixed_minutes) + road);
    let of_steps = wide(cost.unplaced_step)
        + promise
        + 2 * way * wide(cost.travel_minute)
        + until_last(situation.now) * wide(cost.overtime_minute)
        + wide(cost.hand_over);
    if of_jobs + steps * of_steps <= COST_MAX {
        return Ok(());
    }
    Err(Fault::new(
        "cost-too-large",
        "with these coefficients and weights the cost of a plan may leave its 64 bits",
        "divide all coefficients by the same number, or lower the jobs' weights; correct releases and dues of other \
         centuries",
    ))
}
