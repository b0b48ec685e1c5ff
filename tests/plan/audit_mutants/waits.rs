//! Steps that do not keep the waits between them (rules 4, 5 and 10).

use super::{Case, Kind, kind, one_of, shift};
use crate::common::generate::Draw;
use tackfree::domain::chain::{OnExceed, Outcome, Wait, WaitKind, WaitMax};
use tackfree::domain::ids::{CrewIx, StepIx, StepRef};
use tackfree::domain::plan::{Blocker, Placement, Plan, Unplaced};
use tackfree::domain::time::{Minute, Span};

pub fn kinds() -> Vec<Kind> {
    vec![
        kind("predecessor and successor swapped", swapped, &["before-predecessor"]),
        kind("before the predecessor has finished", before_predecessor, &["before-predecessor"]),
        kind("before it is ready", before_ready, &["wait-too-short"]),
        kind("on the same day", same_day, &["same-day"]),
        kind("after the forbidden maximum", after_maximum, &["wait-too-long"]),
        kind("dwell too short", dwell_too_short, &["dwell-too-short"]),
        kind("dwell too long", dwell_too_long, &["dwell-too-long"]),
        kind("dwell by two crews", dwell_by_two, &["dwell-two-crews"]),
        kind("lapsed without the extra step", lapsed_without_extra, &["lapse-without-extra"]),
        kind("extra step too late", extra_too_late, &["extra-out-of-place"]),
        kind("extra step though not lapsed", needless_extra, &["extra-without-lapse"]),
        kind("predecessor left out", predecessor_left_out, &["predecessor-missing"]),
        kind("failed check left out", failed_check_left_out, &["after-failed-check"]),
    ]
}

/// A wait between two placed steps, the later one open.
#[derive(Clone, Copy)]
struct Joint {
    wait: Wait,
    from: usize,
    to: usize,
}

fn position(case: &Case<'_>, step: StepRef) -> Option<usize> {
    case.plan.placements.binary_search_by_key(&step, |placement| placement.step).ok()
}

fn joints(case: &Case<'_>, kind: WaitKind) -> Vec<Joint> {
    let mut out = Vec::new();
    for to in case.open() {
        let own = case.placement(to).step;
        for wait in case.chain(to).waits().iter().filter(|wait| wait.to == own.step && wait.kind == kind) {
            let from = position(case, StepRef { step: wait.from, ..own });
            out.extend(from.map(|from| Joint { wait: *wait, from, to }));
        }
    }
    out
}

/// A joint that fits, with the later step moved to a start that can be judged.
fn successor_to(
    case: &Case<'_>,
    draw: &mut Draw,
    kind: WaitKind,
    start: impl Fn(&Joint) -> Option<Minute>,
) -> Option<Plan> {
    let minutes = |at: usize| case.placement(at).finish().since(case.placement(at).start());
    let judged = |joint: Joint| {
        let start = start(&joint)?;
        case.inside(start, minutes(joint.to)).then_some((joint.to, start))
    };
    let sites: Vec<(usize, Minute)> = joints(case, kind).into_iter().filter_map(judged).collect();
    let (at, start) = one_of(draw, &sites)?;
    Some(case.moved(at, start))
}

fn swapped(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let lone = case.lone();
    let minutes = |at: usize| case.placement(at).finish().since(case.placement(at).start());
    let both = |joint: &Joint| {
        let fits = case.inside(case.placement(joint.to).start(), minutes(joint.from));
        lone.contains(&joint.from) && lone.contains(&joint.to) && fits
    };
    let sites: Vec<Joint> = joints(case, WaitKind::Lag).into_iter().filter(both).collect();
    let joint = one_of(draw, &sites)?;
    let (first, second) = (case.placement(joint.from).start(), case.placement(joint.to).start());
    let mut plan = case.moved(joint.from, second);
    shift(&mut plan.placements[joint.to], first);
    Some(plan)
}

fn before_predecessor(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    successor_to(case, draw, WaitKind::Lag, |joint| Some(case.placement(joint.from).finish().plus(-1)))
}

/// Air only ever makes a wait longer than the label says.
fn before_ready(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    successor_to(case, draw, WaitKind::Lag, |joint| {
        let minutes = joint.wait.min_minutes;
        (minutes > 0).then(|| case.placement(joint.from).finish().plus(minutes - 1))
    })
}

fn same_day(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    successor_to(case, draw, WaitKind::Lag, |joint| {
        let finish = case.placement(joint.from).finish();
        let last = case.house(joint.to).zone.next_day_start(finish).plus(-1);
        (joint.wait.overnight && last >= finish).then_some(last)
    })
}

fn after_maximum(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    successor_to(case, draw, WaitKind::Lag, |joint| match joint.wait.max {
        Some(WaitMax { minutes, on_exceed: OnExceed::Forbid }) => {
            Some(case.placement(joint.from).finish().plus(minutes + 1))
        }
        _ => None,
    })
}

fn dwell_too_short(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    successor_to(case, draw, WaitKind::Dwell, |joint| {
        Some(case.placement(joint.from).start().plus(joint.wait.min_minutes - 1))
    })
}

fn dwell_too_long(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    successor_to(case, draw, WaitKind::Dwell, |joint| {
        Some(case.placement(joint.from).start().plus(joint.wait.max?.minutes + 1))
    })
}

fn dwell_by_two(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let joint = one_of(draw, &joints(case, WaitKind::Dwell))?;
    let other =
        (0..case.situation.crews.len()).map(CrewIx::from_index).find(|&c| c != case.placement(joint.to).crew)?;
    Some(case.changed(joint.to, |placement| placement.crew = other))
}

fn lapse(wait: &Wait) -> Option<(StepIx, i64)> {
    match wait.max {
        Some(WaitMax { minutes, on_exceed: OnExceed::Lapse(extra) }) => Some((extra, minutes)),
        _ => None,
    }
}

/// The open extra steps that are placed, and where their successors are.
fn extras(case: &Case<'_>) -> Vec<(usize, usize)> {
    let lapsing = joints(case, WaitKind::Lag).into_iter().filter_map(|joint| {
        let (extra, _) = lapse(&joint.wait)?;
        let extra = position(case, StepRef { step: extra, ..case.placement(joint.to).step })?;
        Some((extra, joint.to))
    });
    lapsing.filter(|&(extra, _)| case.spec(extra).fixed().is_none()).collect()
}

fn lapsed_without_extra(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (extra, _) = one_of(draw, &extras(case))?;
    Some(case.without(extra))
}

/// Ending a minute after its successor has begun.
fn extra_too_late(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let (extra, to) = one_of(draw, &extras(case))?;
    let own = case.placement(extra);
    Some(case.moved(extra, case.placement(to).start().plus(1 - own.finish().since(own.start()))))
}

fn needless_extra(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    let unneeded = |joint: Joint| {
        let (extra, minutes) = lapse(&joint.wait)?;
        let spec = case.chain(joint.to).step(extra);
        let (from, to) = (case.placement(joint.from), case.placement(joint.to));
        let in_time = to.start().since(from.finish()) <= minutes && spec.fixed().is_none();
        let start = to.start().max(case.situation.now);
        let length = spec.duration_minutes(case.crew(joint.to).head_count);
        let placement = Placement {
            step: StepRef { step: extra, ..to.step },
            crew: to.crew,
            pieces: vec![Span::new(start, start.plus(length)).unwrap()],
            units: Vec::new(),
            moved_because: None,
        };
        (in_time && case.inside(start, length)).then_some(placement)
    };
    let sites: Vec<Placement> = joints(case, WaitKind::Lag).into_iter().filter_map(unneeded).collect();
    let placement = one_of(draw, &sites)?;
    let mut plan = case.plan.clone();
    let at = plan.placements.partition_point(|other| other.step < placement.step);
    plan.placements.insert(at, placement);
    Some(plan)
}

/// Listed instead of placed, while what follows it stays.
fn listed(case: &Case<'_>, at: usize) -> Plan {
    let mut plan = case.without(at);
    let step = case.placement(at).step;
    let place = plan.unplaced.partition_point(|entry| entry.step < step);
    plan.unplaced.insert(place, Unplaced { step, blocker: Blocker::BeyondHorizon });
    plan
}

fn has_failed(case: &Case<'_>, at: usize) -> bool {
    case.spec(at).attempts.last().is_some_and(|last| last.outcome == Outcome::Failed)
}

fn with_followers(case: &Case<'_>, draw: &mut Draw, failed: bool) -> Option<Plan> {
    let open = |joint: &Joint| case.spec(joint.from).fixed().is_none() && has_failed(case, joint.from) == failed;
    let sites: Vec<Joint> = joints(case, WaitKind::Lag).into_iter().filter(open).collect();
    Some(listed(case, one_of(draw, &sites)?.from))
}

fn predecessor_left_out(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    with_followers(case, draw, false)
}

fn failed_check_left_out(case: &Case<'_>, draw: &mut Draw) -> Option<Plan> {
    with_followers(case, draw, true)
}
