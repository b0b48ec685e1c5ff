//! What a crew can do: rules 1 (shift, with the house's access hours of rule 6), 2 (one place) and 3 (able).

use super::hours::{Hours, around, first_common, manned_hours};
use super::ledger::{Busy, Ledger, Stay};
use super::sweep::{Item, Meeting, meetings};
use super::violation::{Able, InHouse, OnePlace, Shift, Violation};
use crate::domain::ids::StepRef;
use crate::domain::time::Span;

pub(super) fn check(ledger: &Ledger<'_>, hours: &Hours, out: &mut Vec<Violation>) {
    for busy in ledger.busy.iter().filter(|busy| busy.open) {
        check_shift(ledger, hours, busy, out);
    }
    for group in ledger.busy.chunk_by(|a, b| a.crew == b.crew) {
        check_one_place(ledger, group, out);
    }
    for busy in ledger.busy.iter().filter(|busy| busy.open) {
        check_able(ledger, busy, out);
    }
}

fn check_shift(ledger: &Ledger<'_>, hours: &Hours, busy: &Busy, out: &mut Vec<Violation>) {
    let step = ledger.named(busy);
    let (working, access) = (hours.crew(busy.crew), hours.house(busy.house));
    let judged = [still_open(ledger, busy)];
    let pieces = if busy.is_run { &judged } else { ledger.pieces(busy) };
    let mut all_inside = true;
    for &span in pieces {
        if around(working, span).is_none() {
            out.push(Violation::Shift(step, Shift::OutsideWorkableTime { crew: busy.crew, span }));
            all_inside = false;
        }
        if around(access, span).is_none() {
            out.push(Violation::InHouse(step, InHouse::HouseClosed { house: busy.house, span }));
            all_inside = false;
        }
    }
    for stay in busy.members.iter().filter_map(|&member| ledger.stay(member)).filter(|stay| stay.open) {
        let divided = stay.pieces.len() > 1;
        if divided && !ledger.spec(stay.number).dividable {
            out.push(Violation::Shift(stay.step, Shift::NotDividable { pieces: stay.pieces.len() }));
        } else if divided && all_inside {
            check_pauses(ledger, stay, (working, access), out);
        }
    }
}

/// The part of a run that is judged. What a begun run has behind it is history; from then on the crew must stay.
fn still_open(ledger: &Ledger<'_>, busy: &Busy) -> Span {
    let stays = || busy.members.iter().filter_map(|&member| ledger.stay(member));
    let behind = stays().filter(|stay| !stay.open).map(Stay::finish).max();
    let ahead = stays().filter(|stay| stay.open).map(Stay::start).min();
    let from = match (behind, ahead) {
        (Some(behind), Some(ahead)) => behind.min(ahead),
        _ => busy.hull.start(),
    };
    Span::new(from, busy.hull.end()).unwrap_or(busy.hull)
}

/// Each piece but the last ends where a workable span ends, and the next begins where the next one begins. Workable is
/// what has the people that the step was begun with, or others with whom it takes as long.
fn check_pauses(ledger: &Ledger<'_>, stay: &Stay<'_>, hours: (&[Span], &[Span]), out: &mut Vec<Violation>) {
    let (crew, spec) = (&ledger.situation.crews[stay.crew.index()], ledger.spec(stay.number));
    let minutes = spec.duration_minutes(crew.people_at(stay.start()));
    let (working, access) = (&manned_hours(crew, spec, hours.0, minutes)[..], hours.1);
    for pair in stay.pieces.windows(2) {
        let (Some(shift), Some(open)) = (around(working, pair[0]), around(access, pair[0])) else { continue };
        let workable_end = shift.end().min(open.end());
        let next = first_common(working, access, workable_end);
        if pair[0].end() != workable_end || next.map(Span::start) != Some(pair[1].start()) {
            let pause = Shift::BadPause {
                crew: stay.crew,
                ends: pair[0].end(),
                workable_end,
                resumes: pair[1].start(),
                workable_start: next.map(Span::start),
            };
            out.push(Violation::Shift(stay.step, pause));
        }
    }
}

/// `group`: the busy spans of one crew.
fn check_one_place(ledger: &Ledger<'_>, group: &[Busy], out: &mut Vec<Violation>) {
    let item = |(id, busy): (usize, &Busy)| Item { span: busy.hull, run: id, open: busy.open, id };
    let mut items: Vec<Item> = group.iter().enumerate().map(item).collect();
    for meeting in meetings(&mut items) {
        match meeting {
            Meeting::Clash { earlier, later } => {
                let (earlier, later) = (&group[earlier], &group[later]);
                if !happened(ledger, earlier, later) {
                    out.push(clash(ledger, earlier, later));
                }
            }
            Meeting::Next { earlier, later } => {
                let (earlier, later) = (&group[earlier], &group[later]);
                if happened(ledger, earlier, later) {
                    continue;
                }
                let needed_minutes = ledger.situation.way_minutes(earlier.house, later.house);
                let minutes = later.hull.start().since(earlier.hull.end());
                if minutes < needed_minutes {
                    let (step, other) = name_pair(ledger, earlier, later);
                    let crew = later.crew;
                    let short = OnePlace::TooLittleTravel { crew, other, minutes, needed_minutes };
                    out.push(Violation::OnePlace(step, short));
                }
            }
        }
    }
}

/// Whether two busy spans meet in the past only: one is history, and so is the part of the other that it meets.
fn happened(ledger: &Ledger<'_>, earlier: &Busy, later: &Busy) -> bool {
    let begun = |busy: &Busy| busy.members.iter().filter_map(|&member| ledger.stay(member)).any(|stay| !stay.open);
    if earlier.open && later.open {
        return false;
    }
    let (open, other) = if later.open { (later, earlier) } else { (earlier, later) };
    let judged = still_open(ledger, open);
    begun(open) && other.hull.start() < judged.start() && !other.hull.overlaps(judged)
}

fn clash(ledger: &Ledger<'_>, earlier: &Busy, later: &Busy) -> Violation {
    let (step, other) = name_pair(ledger, earlier, later);
    let (before, after) = (ledger.pieces(earlier), ledger.pieces(later));
    let shared = after.iter().find_map(|&piece| {
        let first = before.partition_point(|span| span.end() <= piece.start());
        before.get(first).and_then(|span| span.intersection(piece))
    });
    let crew = later.crew;
    let fault = match shared {
        Some(span) => OnePlace::DoubleBooked { crew, other, at: span.start() },
        None => OnePlace::WorkDuringPause { crew, other, at: later.hull.start() },
    };
    Violation::OnePlace(step, fault)
}

/// The step to blame, an open one if there is, and the other.
fn name_pair(ledger: &Ledger<'_>, earlier: &Busy, later: &Busy) -> (StepRef, StepRef) {
    let (first, second) = (ledger.named(earlier), ledger.named(later));
    if later.open { (second, first) } else { (first, second) }
}

fn check_able(ledger: &Ledger<'_>, busy: &Busy, out: &mut Vec<Violation>) {
    let open: Vec<&Stay<'_>> =
        busy.members.iter().filter_map(|&member| ledger.stay(member)).filter(|stay| stay.open).collect();
    let start = open.iter().map(|stay| stay.start()).min();
    let end = open.iter().map(|stay| stay.finish()).max();
    let Some(hull) = start.zip(end).and_then(|(start, end)| Span::new(start, end)) else { return };
    for stay in open {
        // The crew stays together through a run; between the pieces of a divided step it may be whatever it likes.
        check_people(ledger, stay, if busy.is_run { std::slice::from_ref(&hull) } else { &stay.pieces }, out);
    }
}

fn check_people(ledger: &Ledger<'_>, stay: &Stay<'_>, at_work: &[Span], out: &mut Vec<Violation>) {
    let (spec, crew) = (ledger.spec(stay.number), &ledger.situation.crews[stay.crew.index()]);
    if !crew.skills.covers(spec.skills) {
        let missing = spec.skills.minus(crew.skills);
        out.push(Violation::Able(stay.step, Able::SkillMissing { crew: stay.crew, missing }));
    }
    let stretches: Vec<(Span, u32)> = at_work.iter().flat_map(|piece| crew.people_over(*piece)).collect();
    let fewest = stretches.iter().map(|(_, people)| *people).min().unwrap_or(crew.head_count);
    if fewest < spec.head_count_min {
        let (people, needed) = (fewest, spec.head_count_min);
        out.push(Violation::Able(stay.step, Able::TooFewPeople { crew: stay.crew, people, needed }));
    }
    let expected_minutes = stretches.first().map_or(0, |(_, people)| spec.duration_minutes(*people));
    let changed = stretches.iter().find(|(_, people)| spec.duration_minutes(*people) != expected_minutes);
    if let Some(&(from, people)) = changed {
        let change = Able::PeopleChange { crew: stay.crew, people, at: from.start() };
        out.push(Violation::Able(stay.step, change));
        return;
    }
    let minutes: i64 = stay.pieces.iter().map(|piece| piece.minutes()).sum();
    if minutes != expected_minutes {
        out.push(Violation::Able(stay.step, Able::WrongDuration { crew: stay.crew, minutes, expected_minutes }));
    }
}
