//! Two steps that get in each other's way: crew, area, wet floor, gear (rules 2, 6 and 7).

use super::{Case, Kind, kind, one_of, shift};
use crate::common::generate::Draw;
use tackfree::domain::chain::Outcome;
use tackfree::domain::ids::EquipmentIx;
use tackfree::domain::plan::{Plan, UnitUse};
use tackfree::domain::time::{Minute, Span};

const ONE_PLACE: &[&str] = &["double-booked", "work-during-pause", "too-little-travel"];

pub fn kinds() -> Vec<Kind> {
    vec![
        kind("two works of a crew on top of each other", on_top, &["double-booked"]),
        kind("work in a pause", in_a_pause, &["work-during-pause"]),
        kind("too close in different houses", too_close, ONE_PLACE),
        kind("two steps in one area", in_one_area, &["area-shared"]),
        kind("on a wet floor", on_a_wet_floor, &["keep-off"]),
        kind("one unit at two steps", unit_doubled, &["unit-doubled"]),
        kind("a unit faster than the road", unit_too_fast, &["unit-too-fast", "unit-doubled"]),
        kind("one unit listed twice", unit_twice, &["wrong-units"]),
        kind("a unit dropped", unit_dropped, &["wrong-units"]),
        kind("a unit too many", unit_too_many, &["wrong-units", "bad-index"]),
        kind("a unit that is not there", unit_unknown, &["bad-index"]),
        kind("gear at what is done", gear_at_done, &["history-holds-gear"]),
    ]
}

fn minutes(case: &Case<'_>, at: usize) -> i64 {
    case.placement(at).finish().since(case.placement(at).start())
}

/// Two different placements, the second of which is open, alone and may be moved, with `start` for it.
fn second_moved(
    case: &Case<'_>,
    draw: &mut Draw,
    start: impl Fn(usize, usize) -> Option<Minute>,
) -> Option<(usize, usize, Minute)> {
    let lone = case.lone();
    let pairs = case.all().into_iter().flat_map(|first| lone.iter().map(move |&second| (first, second)));
    let judged = |(first, second): (usize, usize)| {
        let start = start(first, second).filter(|_| first != second)?;
        case.inside(start, minutes(case, second)).then_some((first, second, start))
    };
    let sites: Vec<_> = pairs.filter_map(judged).collect();
    one_of(draw, &sites)
}

/// A minute inside the other's first piece that still lies ahead.
fn within(case: &Case<'_>, at: usize) -> Option<Minute> {
    let piece = case.placement(at).pieces[0];
    let start = piece.start().max(case.situation.now);
    (start < piece.end()).then_some(start)
}

fn on_top(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (first, second, start) = second_moved(case, draw, |first, _| within(case, first))?;
    let crew = case.placement(first).crew;
    Some(case.changed(second, |placement| {
        placement.crew = crew;
        shift(placement, start);
    }))
}

/// One short enough for the pause of a dividable step.
fn in_a_pause(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (first, second, start) = second_moved(case, draw, |first, second| {
        let pieces = &case.placement(first).pieces;
        let pause = pieces.windows(2).find(|pair| pair[1].start().since(pair[0].end()) >= minutes(case, second))?;
        case.spec(first).fixed().is_none().then(|| pause[0].end())
    })?;
    let crew = case.placement(first).crew;
    Some(case.changed(second, |placement| {
        placement.crew = crew;
        shift(placement, start);
    }))
}

/// A minute less than the way after the other's end, with nothing else of that crew between the two.
fn too_close(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (first, second, start) = second_moved(case, draw, |first, second| {
        let own = case.placement(first);
        let way = case.situation.way_minutes(case.job(first).house, case.job(second).house);
        let start = own.finish().plus(way - 1);
        let between = Span::new(own.finish(), start.plus(1))?;
        let others = case.plan.placements.iter().filter(|other| other.crew == own.crew && other.step != own.step);
        let alone = others
            .into_iter()
            .all(|other| !other.hull().overlaps(between) || other.step == case.placement(second).step);
        (way > 0 && alone && !case.dwells(first)).then_some(start)
    })?;
    let crew = case.placement(first).crew;
    Some(case.changed(second, |placement| {
        placement.crew = crew;
        shift(placement, start);
    }))
}

fn share_an_area(case: &Case<'_>, first: usize, second: usize) -> bool {
    let shared = || case.spec(first).areas.iter().any(|area| case.spec(second).areas.contains(area));
    case.job(first).house == case.job(second).house && shared()
}

fn in_one_area(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (_, second, start) =
        second_moved(case, draw, |first, second| within(case, first).filter(|_| share_an_area(case, first, second)))?;
    Some(case.moved(second, start))
}

/// When the floor has just become wet; the label's minutes are the least it takes.
fn on_a_wet_floor(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (_, second, start) = second_moved(case, draw, |first, second| {
        let own = case.placement(first);
        let mut waits = case.chain(first).waits().iter().filter(|wait| wait.from == own.step.step && wait.keep_off);
        let wet = waits.any(|wait| wait.min_minutes > 0);
        (wet && share_an_area(case, first, second)).then(|| own.finish())
    })?;
    Some(case.moved(second, start))
}

fn unit_of(case: &Case<'_>, at: usize, kind: EquipmentIx) -> Option<UnitUse> {
    case.placement(at).units.iter().copied().find(|unit| unit.equipment == kind)
}

/// Kinds that both hold, the first as open or running.
fn common_kind(case: &Case<'_>, first: usize, second: usize) -> Option<EquipmentIx> {
    let mut kinds = case.spec(second).equipment.iter().map(|need| need.0);
    kinds.find(|&kind| unit_of(case, first, kind).is_some() && unit_of(case, second, kind).is_some())
}

/// The second with the first one's unit, at a start.
fn with_unit_of(case: &Case<'_>, first: usize, second: usize, start: Minute) -> Option<Plan> {
    let unit = unit_of(case, first, common_kind(case, first, second)?)?;
    Some(case.changed(second, |placement| {
        shift(placement, start);
        placement.units.retain(|other| other.equipment != unit.equipment);
        placement.units.push(unit);
        placement.units.sort_unstable();
    }))
}

fn unit_doubled(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (first, second, start) = second_moved(case, draw, |first, second| {
        common_kind(case, first, second)?;
        within(case, first)
    })?;
    with_unit_of(case, first, second, start)
}

fn unit_too_fast(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (first, second, start) = second_moved(case, draw, |first, second| {
        let kind = common_kind(case, first, second)?;
        let way = case.situation.way_minutes(case.job(first).house, case.job(second).house);
        let brought = !case.situation.equipment[kind.index()].moves_with_crew;
        let unit = unit_of(case, first, kind)?;
        let start = case.placement(first).finish().plus(way - 1);
        // Nobody else has it in between.
        let between = Span::new(case.placement(first).finish(), start.plus(1))?;
        let others = case.all().into_iter().filter(|&other| other != first && other != second);
        let alone = others
            .into_iter()
            .all(|other| unit_of(case, other, kind) != Some(unit) || !case.placement(other).hull().overlaps(between));
        (brought && way > 0 && alone).then_some(start)
    })?;
    with_unit_of(case, first, second, start)
}

fn holders(case: &Case<'_>) -> Vec<usize> {
    case.all().into_iter().filter(|&at| !case.placement(at).units.is_empty()).collect()
}

fn unit_twice(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &holders(case))?;
    Some(case.changed(at, |placement| placement.units.insert(0, placement.units[0])))
}

fn unit_dropped(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &holders(case))?;
    Some(case.changed(at, |placement| placement.units.truncate(placement.units.len() - 1)))
}

fn unit_too_many(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let kinds = (0..case.situation.equipment.len()).map(EquipmentIx::from_index);
    let free = |at: usize| {
        let unheld = kinds.clone().find(|&kind| case.spec(at).equipment.iter().all(|need| need.0 != kind));
        unheld.map(|kind| (at, kind))
    };
    let sites: Vec<(usize, EquipmentIx)> = case.open().into_iter().filter_map(free).collect();
    let (at, equipment) = one_of(draw, &sites)?;
    Some(case.changed(at, |placement| {
        placement.units.push(UnitUse { equipment, unit: 0 });
        placement.units.sort_unstable();
    }))
}

fn unit_unknown(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &holders(case))?;
    Some(case.changed(at, |placement| {
        let last = placement.units.last_mut().unwrap();
        last.unit = case.situation.equipment[last.equipment.index()].units;
    }))
}

fn gear_at_done(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let done = |&at: &usize| case.spec(at).fixed().is_some_and(|attempt| attempt.outcome == Outcome::Done);
    let sites: Vec<usize> =
        case.all().into_iter().filter(|at| done(at) && !case.situation.equipment.is_empty()).collect();
    let at = one_of(draw, &sites)?;
    Some(case.changed(at, |placement| placement.units.push(UnitUse { equipment: EquipmentIx(0), unit: 0 })))
}
