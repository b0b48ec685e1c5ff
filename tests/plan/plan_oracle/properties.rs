//! What holds for plans of companies of any size, whatever the best plan is.

use super::seeds;
use crate::common::generate::{Draw, Size, company};
use crate::common::world::zone;
use chrono::{Days, NaiveDate};
use std::collections::BTreeMap;
use tackfree::domain::calendar::{Calendar, Window};
use tackfree::domain::chain::Chain;
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::{Minute, Span};
use tackfree::planner::{Basis, Request, plan};

fn size(seed: u64) -> Size {
    match seed % 20 {
        0 => Size::medium(),
        1..=7 => Size::tiny(),
        _ => Size::small(),
    }
}

/// The bound lies below the cost of poor plans and good ones, first plans and those of what was promised; the more moves,
/// the more rounds of prices there are in it.
#[test]
fn no_plan_costs_less_than_its_lower_bound() {
    for seed in seeds(2_000) {
        let situation = company(seed, size(seed));
        let request =
            Request { seed, move_budget: [0, 30, 600][seed as usize % 3], basis: Basis::Published, ..Request::new() };
        let made = plan(&situation, request);
        let cost = made.cost.total();
        assert!(made.lower_bound <= cost, "company {seed}: bound {} above the cost {cost}", made.lower_bound);
        assert!(made.lower_bound >= 0, "company {seed}: bound {}", made.lower_bound);
        if seed % 10 == 0 {
            let promised = situation.with_published(&made);
            let again = plan(&promised, Request { move_budget: 0, ..request });
            let without_promises = again.cost.total() - again.cost.broken;
            assert!(made.lower_bound <= without_promises, "company {seed} planned again");
        }
    }
}

/// The company with every clock in UTC, where all weeks are alike.
fn in_utc(mut situation: Situation) -> Situation {
    let utc = zone("UTC");
    situation.settings.zone = utc;
    situation.houses.iter_mut().for_each(|house| house.zone = utc);
    situation.crews.iter_mut().for_each(|crew| crew.zone = utc);
    situation
}

fn later_date(date: NaiveDate, weeks: u64) -> NaiveDate {
    date.checked_add_days(Days::new(7 * weeks)).unwrap()
}

fn later_calendar(calendar: &Calendar, weeks: u64) -> Calendar {
    let exceptions = calendar.exceptions().iter().map(|(date, windows)| (later_date(*date, weeks), windows.clone()));
    let exceptions: BTreeMap<NaiveDate, Vec<Window>> = exceptions.collect();
    Calendar::new(calendar.week().clone(), exceptions).unwrap()
}

fn later_span(span: Span, minutes: i64) -> Span {
    Span::new(span.start().plus(minutes), span.end().plus(minutes)).unwrap()
}

fn later_placements(placements: &[Placement], minutes: i64) -> Vec<Placement> {
    let later = |placement: &Placement| {
        let pieces = placement.pieces.iter().map(|piece| later_span(*piece, minutes)).collect();
        Placement { pieces, ..placement.clone() }
    };
    placements.iter().map(later).collect()
}

/// All instants and dates of the company so many weeks later.
fn later(situation: &Situation, weeks: u64) -> Situation {
    let minutes = weeks as i64 * 7 * 1440;
    let mut out = situation.clone();
    let put = |at: &mut Minute| *at = at.plus(minutes);
    put(&mut out.now);
    out.regions.iter_mut().flat_map(|region| &mut region.hours).for_each(|hour| put(&mut hour.start));
    out.houses.iter_mut().flat_map(|house| &mut house.air_readings).for_each(|reading| put(&mut reading.at));
    out.houses.iter_mut().for_each(|house| house.access = later_calendar(&house.access, weeks));
    for crew in &mut out.crews {
        crew.calendar = later_calendar(&crew.calendar, weeks);
        crew.absences.iter_mut().for_each(|absence| *absence = later_span(*absence, minutes));
    }
    for job in &mut out.jobs {
        put(&mut job.release);
        job.due.iter_mut().for_each(put);
        let mut steps = job.chain.steps().to_vec();
        for step in &mut steps {
            step.pin.start.iter_mut().chain(&mut step.pin.not_before).for_each(put);
            for attempt in &mut step.attempts {
                put(&mut attempt.start);
                put(&mut attempt.finish);
                attempt.retry_not_before.iter_mut().for_each(put);
            }
        }
        job.chain = Chain::new(steps, job.chain.waits().to_vec()).unwrap();
    }
    out.published = later_placements(&situation.published, minutes);
    out
}

/// Nothing in a plan depends on the date itself.
#[test]
fn a_company_weeks_later_is_planned_weeks_later() {
    for seed in seeds(300) {
        let situation = in_utc(company(seed, size(seed)));
        let weeks = Draw::new(seed).pick(&[1, 2, 9, 52, 150]);
        let request = Request { seed, move_budget: 20, basis: Basis::Anew, ..Request::new() };
        let made = plan(&situation, request);
        let minutes = weeks as i64 * 7 * 1440;
        let expected = |made: &Plan| Plan {
            now: made.now.plus(minutes),
            placements: later_placements(&made.placements, minutes),
            ..made.clone()
        };
        assert_eq!(plan(&later(&situation, weeks), request), expected(&made), "company {seed}, {weeks} weeks later");
        // And as something that was promised, a day later.
        let mut promised = situation.with_published(&made);
        promised.now = promised.now.plus(1440);
        let request = Request { basis: Basis::Published, ..request };
        let again = plan(&promised, request);
        assert_eq!(plan(&later(&promised, weeks), request), expected(&again), "company {seed}, {weeks} weeks later");
    }
}
