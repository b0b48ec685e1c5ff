//! One step where it must not be, or done by somebody or in a way that cannot be (rules 1, 3, 6, 8, 9, 10).

use super::{Case, Kind, kind, one_of, shift};
use crate::common::generate::Draw;
use crate::common::world::air_of;
use tackfree::domain::chain::{StepState, WaitKind};
use tackfree::domain::ids::{CrewIx, StepRef};
use tackfree::domain::plan::Plan;
use tackfree::domain::time::{Minute, Span};
use tackfree::trade::gate::GateTable;

pub fn kinds() -> Vec<Kind> {
    vec![
        kind("a minute earlier, where that is too early", a_minute_earlier, &[]),
        kind("a minute later, where that is too late", a_minute_later, &[]),
        kind("before the shift", before_the_shift, &["outside-workable-time"]),
        kind("in the night", when_the_crew_is_off, &["outside-workable-time"]),
        kind("in a closed hour", when_the_house_is_closed, &["house-closed"]),
        kind("before now", before_now, &["before-now"]),
        kind("before release", before_release, &["before-release"]),
        kind("before the pin allows", before_pin, &["before-pin"]),
        kind("before the recheck", before_recheck, &["before-recheck"]),
        kind("after the horizon", after_the_horizon, &["beyond-horizon"]),
        kind("by a crew without the skill", by_the_unskilled, &["skill-missing"]),
        kind("by too few people", by_too_few, &["too-few-people"]),
        kind("lengthened", lengthened, &["wrong-duration", "people-change"]),
        kind("shortened", shortened, &["wrong-duration", "people-change"]),
        kind("split, though undividable", split, &["not-dividable"]),
        kind("split in the middle of a shift", split_mid_shift, &["bad-pause"]),
        kind(
            "a pause cut short",
            pause_cut_short,
            &["bad-pieces", "outside-workable-time", "house-closed", "bad-pause"],
        ),
        kind(
            "no pieces",
            |case, draw| Some(case.changed(one_of(draw, &case.open())?, |p| p.pieces.clear())),
            &["bad-pieces"],
        ),
        kind("in the wrong air", in_the_wrong_air, &["gate-shut"]),
        kind("what happened, moved", history_moved, &["history-moved"]),
        kind("what happened, by another crew", history_by_another, &["history-moved"]),
        kind("another crew than the pinned one", pinned_crew_changed, &["pin-broken"]),
        kind("another start than the pinned one", pinned_start_changed, &["pin-broken"]),
    ]
}

/// Starts at the very beginning of what the crew, the house, the release or the present allows.
fn a_minute_earlier(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let tight = |&at: &usize| {
        let start = case.placement(at).start();
        let before = start.plus(-1);
        let plain = case.chain(at).waits().iter().filter(|wait| wait.to == case.placement(at).step.step);
        let follows = plain.filter(|wait| wait.kind == WaitKind::Lag && wait.film.is_none());
        let mut ends = follows.filter_map(|wait| {
            let from = StepRef { step: wait.from, ..case.placement(at).step };
            Some(case.plan.placement(from)?.finish().plus(wait.min_minutes))
        });
        start == case.situation.now
            || start == case.job(at).release
            || !case.works_at(case.placement(at).crew, before)
            || !case.is_open_at(case.house(at), before)
            || ends.any(|end| end == start)
    };
    let sites: Vec<usize> = case.open().into_iter().filter(tight).collect();
    let at = one_of(draw, &sites)?;
    Some(case.moved(at, case.placement(at).start().plus(-1)))
}

/// Ends at the very end of what the crew or the house allows, or right before the crew's next work in the house.
fn a_minute_later(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let tight = |&at: &usize| {
        let own = case.placement(at);
        let finish = own.finish();
        let next = |other: &usize| case.placement(*other).crew == own.crew && case.placement(*other).start() == finish;
        !case.works_at(own.crew, finish)
            || !case.is_open_at(case.house(at), finish)
            || (!case.dwells(at) && case.open().iter().any(next))
    };
    let sites: Vec<usize> = case.open().into_iter().filter(tight).collect();
    let at = one_of(draw, &sites)?;
    Some(case.moved(at, case.placement(at).start().plus(1)))
}

/// So that it begins before the shift and reaches into it.
fn before_the_shift(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let begins = |at: usize| {
        let own = case.placement(at);
        let working = case.working(own.crew, own.start());
        let shift = working.into_iter().find(|span| span.start() <= own.start() && own.start() < span.end())?;
        let start = shift.start().plus(-1);
        (case.inside(start, 0) && own.start() != start).then_some((at, start))
    };
    let sites: Vec<(usize, Minute)> = case.open().into_iter().filter_map(begins).collect();
    let (at, start) = one_of(draw, &sites)?;
    Some(case.moved(at, start))
}

/// Some time in the weeks ahead, by the half hour, that `wanted` likes.
fn some_start(case: &Case<'_>, draw: &mut Draw, at: usize, wanted: impl Fn(Minute) -> bool) -> Option<Minute> {
    let own = case.placement(at);
    let length = own.finish().since(own.start());
    let (from, until) = (case.situation.now, case.situation.horizon().end().plus(-length));
    let tries = (0..100).map(|_| from.plus(30 * draw.between(0, (until.since(from) / 30).max(0))));
    tries.into_iter().find(|&start| case.inside(start, length) && wanted(start))
}

fn when_the_crew_is_off(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.open())?;
    let crew = case.placement(at).crew;
    let start = some_start(case, draw, at, |start| !case.works_at(crew, start))?;
    Some(case.moved(at, start))
}

fn when_the_house_is_closed(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.open())?;
    let start = some_start(case, draw, at, |start| !case.is_open_at(case.house(at), start))?;
    Some(case.moved(at, start))
}

fn before_now(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.open())?;
    let back = draw.between(1, 3 * 1440);
    Some(case.moved(at, case.situation.now.plus(-back)))
}

/// To a minute before what `least` asks for, if that is not in the past.
fn a_minute_before(case: &Case<'_>, draw: &mut Draw, least: impl Fn(usize) -> Option<Minute>) -> Option<Plan> {
    let early = |at: usize| {
        let start = least(at)?.plus(-1);
        case.inside(start, 0).then_some((at, start))
    };
    let sites: Vec<(usize, Minute)> = case.open().into_iter().filter_map(early).collect();
    let (at, start) = one_of(draw, &sites)?;
    Some(case.moved(at, start))
}

fn before_release(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    a_minute_before(case, draw, |at| Some(case.job(at).release))
}

fn before_pin(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    a_minute_before(case, draw, |at| case.spec(at).pin.not_before)
}

fn before_recheck(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    a_minute_before(case, draw, |at| match case.spec(at).state() {
        StepState::Open { not_before } => not_before,
        StepState::Running(_) | StepState::Done(_) => None,
    })
}

fn after_the_horizon(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.open())?;
    let own = case.placement(at);
    let length = own.finish().since(own.start());
    Some(case.moved(at, case.situation.horizon().end().plus(1 - length)))
}

/// Given to a crew that `unfit` says cannot do it.
fn given_to(case: &Case<'_>, draw: &mut Draw, unfit: impl Fn(usize, usize) -> bool) -> Option<Plan> {
    let crews = 0..case.situation.crews.len();
    let pairs = case.open().into_iter().flat_map(|at| crews.clone().map(move |crew| (at, crew)));
    let sites: Vec<(usize, usize)> = pairs.filter(|&(at, crew)| unfit(at, crew)).collect();
    let (at, crew) = one_of(draw, &sites)?;
    Some(case.changed(at, |placement| placement.crew = CrewIx::from_index(crew)))
}

fn by_the_unskilled(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    given_to(case, draw, |at, crew| !case.situation.crews[crew].skills.covers(case.spec(at).skills))
}

fn by_too_few(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    given_to(case, draw, |at, crew| case.situation.crews[crew].head_count < case.spec(at).head_count_min)
}

fn last_piece_by(case: &Case<'_>, draw: &mut Draw, minutes: i64) -> Option<Plan> {
    let long = |&at: &usize| {
        let own = case.placement(at);
        own.pieces[own.pieces.len() - 1].minutes() + minutes > 0
            && own.finish().plus(minutes) <= case.situation.horizon().end()
    };
    let sites: Vec<usize> = case.open().into_iter().filter(long).collect();
    let at = one_of(draw, &sites)?;
    Some(case.changed(at, |placement| {
        let last = placement.pieces.pop().unwrap();
        placement.pieces.push(Span::new(last.start(), last.end().plus(minutes)).unwrap());
    }))
}

fn lengthened(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let minutes = draw.pick(&[1, 30]);
    last_piece_by(case, draw, minutes)
}

fn shortened(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let minutes = draw.pick(&[-1, -15]);
    last_piece_by(case, draw, minutes)
}

/// Cuts the first piece in two that touch.
fn cut_in_two(case: &Case<'_>, draw: &mut Draw, dividable: bool) -> Option<Plan> {
    let fits = |&at: &usize| case.spec(at).dividable == dividable && case.placement(at).pieces[0].minutes() > 1;
    let sites: Vec<usize> = case.open().into_iter().filter(fits).collect();
    let at = one_of(draw, &sites)?;
    Some(case.changed(at, |placement| {
        let piece = placement.pieces.remove(0);
        let middle = piece.start().plus(piece.minutes() / 2);
        placement.pieces.insert(0, Span::new(middle, piece.end()).unwrap());
        placement.pieces.insert(0, Span::new(piece.start(), middle).unwrap());
    }))
}

fn split(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    cut_in_two(case, draw, false)
}

fn split_mid_shift(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    cut_in_two(case, draw, true)
}

/// The second piece a minute earlier, while nobody works.
fn pause_cut_short(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let sites: Vec<usize> = case.open().into_iter().filter(|&at| case.placement(at).pieces.len() > 1).collect();
    let at = one_of(draw, &sites)?;
    Some(case.changed(at, |placement| {
        let piece = placement.pieces[1];
        placement.pieces[1] = Span::new(piece.start().plus(-1), piece.end().plus(-1)).unwrap();
    }))
}

/// By the trade's own tables, which the audit does not use.
fn in_the_wrong_air(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let gated: Vec<usize> = case.open().into_iter().filter(|&at| case.spec(at).gate.is_some()).collect();
    let at = one_of(draw, &gated)?;
    let (house, gate) = (case.house(at), case.spec(at).gate?);
    let climate = air_of(case.situation, house)?;
    let length = case.placement(at).finish().since(case.placement(at).start());
    let start = some_start(case, draw, at, |start| {
        let work = Span::new(start, start.plus(length)).unwrap();
        !GateTable::new(&climate, &gate, work.start(), work.end()).allows(work)
    })?;
    Some(case.moved(at, start))
}

fn history_moved(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.fixed())?;
    let minutes = draw.pick(&[-60, -1, 1, 60]);
    Some(case.changed(at, |placement| shift(placement, placement.start().plus(minutes))))
}

fn history_by_another(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let at = one_of(draw, &case.fixed())?;
    another_crew(case, draw, at)
}

fn another_crew(case: &Case<'_>, draw: &mut Draw, at: usize) -> Option<Plan> {
    let others =
        (0..case.situation.crews.len()).map(CrewIx::from_index).filter(|&crew| crew != case.placement(at).crew);
    let crew = one_of(draw, &others.collect::<Vec<_>>())?;
    Some(case.changed(at, |placement| placement.crew = crew))
}

fn pinned_crew_changed(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let sites: Vec<usize> = case.open().into_iter().filter(|&at| case.spec(at).pin.crew.is_some()).collect();
    let at = one_of(draw, &sites)?;
    another_crew(case, draw, at)
}

fn pinned_start_changed(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let sites: Vec<usize> = case.open().into_iter().filter(|&at| case.spec(at).pin.start.is_some()).collect();
    let at = one_of(draw, &sites)?;
    let minutes = draw.pick(&[1, 45]);
    let later = case.placement(at).start().plus(minutes);
    case.inside(later, case.placement(at).finish().since(case.placement(at).start())).then(|| case.moved(at, later))
}
