//! What a plan costs, counted again from the input and the plan by the formulas of `docs/cost.md`.

use super::hours::{Hours, minutes_outside};
use super::ledger::{Busy, Ledger, Stay};
use crate::domain::ids::{HouseIx, JobIx, StepIx};
use crate::domain::plan::{Cost, Placement};
use crate::domain::situation::Job;
use crate::domain::time::Minute;

/// A promise that is nearer than this counts four times, minutes.
const SOON_MINUTES: i64 = 24 * 60;
/// A promise that is nearer than this counts twice, minutes.
const NEAR_MINUTES: i64 = 72 * 60;

/// `unplaced`: how many ordinary steps the plan lists. Sums saturate, so that an absurd plan has an absurd cost.
pub(super) fn count(ledger: &Ledger<'_>, hours: &Hours, unplaced: i64) -> Cost {
    let weights = &ledger.situation.settings.cost;
    let mut cost = Cost { unplaced: weights.unplaced_step.saturating_mul(unplaced), ..Cost::default() };
    for (job, content) in ledger.situation.jobs.iter().enumerate() {
        count_job(ledger, JobIx::from_index(job), content, &mut cost);
    }
    for (number, promise) in ledger.published.iter().enumerate() {
        if let Some(promise) = promise {
            cost.broken = cost.broken.saturating_add(broken(ledger, number, promise));
        }
    }
    cost.travel = weights.travel_minute.saturating_mul(travel_minutes(ledger));
    cost.overtime = weights.overtime_minute.saturating_mul(overtime_minutes(ledger, hours));
    cost
}

/// The sum of all parts, which an absurd plan may drive to the end of the range.
pub(super) fn total(cost: &Cost) -> i64 {
    let Cost { unplaced, lateness, broken, finish, travel, overtime, hand_overs } = *cost;
    [unplaced, lateness, broken, finish, travel, overtime, hand_overs].into_iter().fold(0, i64::saturating_add)
}

/// Lateness, finish and hand-overs of one job.
fn count_job(ledger: &Ledger<'_>, job: JobIx, content: &Job, cost: &mut Cost) {
    let weights = &ledger.situation.settings.cost;
    let first = ledger.number_in(job, StepIx(0));
    let numbers = first..first + content.chain.steps().len();
    let mut stays: Vec<&Stay<'_>> = numbers.clone().filter_map(|number| ledger.stay(number)).collect();
    stays.sort_by_key(|stay| (stay.start(), stay.step));
    let changes = stays.windows(2).filter(|pair| pair[0].crew != pair[1].crew).count() as i64;
    cost.hand_overs = cost.hand_overs.saturating_add(weights.hand_over.saturating_mul(changes));

    let wholly = numbers.into_iter().all(|n| ledger.spec(n).only_on_lapse || ledger.stay(n).is_some());
    let Some(finish) = stays.iter().map(|stay| stay.finish()).max().filter(|_| wholly) else { return };
    let weighted = |since: Minute| finish.0.saturating_sub(since.0).max(0).saturating_mul(i64::from(content.weight));
    let late = content.due.map_or(0, weighted);
    cost.lateness = cost.lateness.saturating_add(weights.late_minute.saturating_mul(late));
    cost.finish = cost.finish.saturating_add(weights.finish_minute.saturating_mul(weighted(content.release)));
}

fn broken(ledger: &Ledger<'_>, number: usize, promise: &Placement) -> i64 {
    let weights = &ledger.situation.settings.cost;
    let ahead = promise.start().0.saturating_sub(ledger.situation.now.0);
    let soon = match ahead {
        ..SOON_MINUTES => 4,
        SOON_MINUTES..NEAR_MINUTES => 2,
        NEAR_MINUTES.. => 1,
    };
    let points = match ledger.stay(number) {
        Some(stay) => {
            let minutes = stay.start().0.abs_diff(promise.start().0) as i64;
            let moved = weights.moved_step.saturating_add(weights.moved_minute.saturating_mul(minutes));
            let changed = if stay.crew == promise.crew { 0 } else { weights.changed_crew };
            (if minutes == 0 { 0 } else { moved }).saturating_add(changed)
        }
        None if ledger.spec(number).only_on_lapse => 0,
        None => weights.moved_step,
    };
    points.saturating_mul(soon)
}

/// Minutes on the road of all crews: for each day, from the home base through the houses and back.
fn travel_minutes(ledger: &Ledger<'_>) -> i64 {
    let situation = ledger.situation;
    let mut minutes: i64 = 0;
    for group in ledger.busy.chunk_by(|a, b| a.crew == b.crew) {
        let crew = group[0].crew;
        let zone = situation.crews[crew.index()].zone;
        let mut calls: Vec<(Minute, Minute, usize, HouseIx)> = Vec::new();
        for busy in group {
            let step = busy.members.iter().min().copied().unwrap_or_default();
            calls.extend(ledger.pieces(busy).iter().map(|piece| (piece.start(), piece.end(), step, busy.house)));
        }
        calls.sort_unstable();
        let days = calls.chunk_by(|a, b| zone.date(a.0) == zone.date(b.0));
        for day in days {
            let between: i64 = day.windows(2).map(|pair| situation.way_minutes(pair[0].3, pair[1].3)).sum();
            let out = situation.home_way_minutes(crew, day[0].3);
            let back = situation.home_way_minutes(crew, day[day.len() - 1].3);
            minutes = minutes.saturating_add(out + between + back);
        }
    }
    minutes
}

/// Minutes of open work outside the crews' ordinary hours.
fn overtime_minutes(ledger: &Ledger<'_>, hours: &Hours) -> i64 {
    let outside = |busy: &Busy| {
        let regular = hours.crew_regular(busy.crew);
        ledger.pieces(busy).iter().map(|&piece| minutes_outside(regular, piece)).sum::<i64>()
    };
    ledger.busy.iter().filter(|busy| busy.open).map(outside).sum()
}
