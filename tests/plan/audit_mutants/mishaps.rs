//! What goes wrong on the floor, not heeded: work through a change of strength, with broken gear, in a closed house, before
//! the crew had left, on another day than the pinned one (rules 3, 6, 7, 9, 10).

use super::{Case, Kind, kind, one_of, shift};
use crate::common::generate::Draw;
use tackfree::domain::chain::Outcome;
use tackfree::domain::plan::{Plan, UnitUse};
use tackfree::domain::time::{Minute, Span};

pub fn kinds() -> Vec<Kind> {
    vec![
        kind("while somebody leaves", while_somebody_leaves, &["people-change", "too-few-people"]),
        kind("with a broken unit", with_a_broken_unit, &["unit-out"]),
        kind("when all units are broken", when_all_are_broken, &["too-few-left", "unit-out"]),
        kind("in a house closed all the same", in_a_closure, &["house-closed"]),
        kind("before the crew left it", before_it_was_left, &["before-recheck"]),
        kind("another day than the pinned one", another_day, &["pin-broken"]),
    ]
}

/// Ends a minute after the crew's number changes, where that makes a difference to the step.
fn while_somebody_leaves(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let mut sites = Vec::new();
    for at in case.lone() {
        let (crew, spec, placement) = (case.crew(at), case.spec(at), case.placement(at));
        let minutes = placement.finish().since(placement.start());
        for (span, _) in &crew.short_handed {
            let (before, after) = (crew.people_at(span.start().plus(-1)), crew.people_at(span.start()));
            let differs = spec.duration_minutes(before) != spec.duration_minutes(after) || after < spec.head_count_min;
            let start = span.start().plus(1 - minutes);
            if differs && minutes > 1 && case.inside(start, minutes) {
                sites.push((at, start));
            }
        }
    }
    let (at, start) = one_of(draw, &sites)?;
    Some(case.moved(at, start))
}

/// The unit with the highest number, at a time when some are out.
fn with_a_broken_unit(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let mut sites = Vec::new();
    for at in case.lone() {
        let placement = case.placement(at);
        let minutes = placement.hull().minutes();
        for (place, used) in placement.units.iter().enumerate() {
            let kind = &case.situation.equipment[used.equipment.index()];
            let last = UnitUse { unit: kind.units - 1, ..*used };
            let free = last == *used || !placement.units.contains(&last);
            let over = kind.units_over(case.situation.horizon());
            for (span, _) in over.into_iter().filter(|(_, left)| *left < kind.units && !kind.moves_with_crew && free) {
                if case.inside(span.start(), minutes) {
                    sites.push((at, place, last, span.start()));
                }
            }
        }
    }
    let (at, place, unit, start) = one_of(draw, &sites)?;
    Some(case.changed(at, |placement| {
        shift(placement, start);
        placement.units[place] = unit;
        placement.units.sort_unstable();
    }))
}

/// Where a step that needs the gear meets a time in which there is none.
fn when_all_are_broken(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let mut sites = Vec::new();
    for at in case.lone() {
        let minutes = case.placement(at).hull().minutes();
        for used in &case.placement(at).units {
            let kind = &case.situation.equipment[used.equipment.index()];
            let none = kind.units_over(case.situation.horizon()).into_iter().filter(|(_, left)| *left == 0);
            sites.extend(none.map(|(span, _)| (at, span.start())).filter(|site| case.inside(site.1, minutes)));
        }
    }
    let (at, start) = one_of(draw, &sites)?;
    Some(case.moved(at, start))
}

fn in_a_closure(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let mut sites = Vec::new();
    for at in case.lone() {
        let minutes = case.placement(at).hull().minutes();
        let begin = |span: &Span| span.start().max(case.situation.now);
        let starts = case.house(at).closures.iter().filter(|span| begin(span) < span.end()).map(begin);
        sites.extend(starts.map(|start| (at, start)).filter(|site| case.inside(site.1, minutes)));
    }
    let (at, start) = one_of(draw, &sites)?;
    Some(case.moved(at, start))
}

fn before_it_was_left(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let left = |at: usize| -> Option<Minute> {
        let last = case.spec(at).attempts.last()?;
        matches!(last.outcome, Outcome::Paused { .. }).then_some(last.finish)
    };
    let sites: Vec<usize> = case.open().into_iter().filter(|at| left(*at).is_some()).collect();
    let at = one_of(draw, &sites)?;
    Some(case.moved(at, left(at)?.plus(-1)))
}

fn another_day(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let pinned = |at: &usize| case.spec(*at).pin.day.is_some();
    let sites: Vec<usize> = case.lone().into_iter().filter(pinned).collect();
    let at = one_of(draw, &sites)?;
    let start = case.placement(at).start().plus(2 * 1_440);
    case.inside(start, case.placement(at).hull().minutes()).then(|| case.moved(at, start))
}
