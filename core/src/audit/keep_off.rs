//! Wet floors: nobody works in an area from the finish of a step with a keep-off wait until that wait is ready (rule 6).

use super::air::Skies;
use super::ledger::{Ledger, Stay};
use super::sweep::{Furthest, Mark};
use super::violation::{InHouse, Violation};
use crate::domain::chain::Wait;
use crate::domain::ids::{AreaIx, HouseIx, JobIx, StepIx};
use crate::domain::time::{Minute, Span};
use std::collections::BTreeSet;

/// A floor that must not be walked on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wet {
    /// Dense number of the step that made it wet.
    pub number: usize,
    pub span: Span,
    /// `None` when it never dries within the horizon; the span then ends where looking ahead does.
    pub ready: Option<Minute>,
}

/// The wet time that one wait makes after the stay that it follows.
pub(super) fn wet(ledger: &Ledger<'_>, skies: &Skies, stay: &Stay<'_>, wait: &Wait) -> Option<Wet> {
    if !wait.keep_off {
        return None;
    }
    let ready = skies.ready(ledger.situation, stay, wait);
    let span = Span::new(stay.finish(), ready.unwrap_or(skies.until()))?;
    Some(Wet { number: stay.number, span, ready })
}

/// At one area: a wet floor, or work on it. Wet floors sort before work that begins at the same minute.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Event {
    house: HouseIx,
    area: AreaIx,
    start: Minute,
    is_work: bool,
    /// Position in the list of wet floors, or dense number of the step that works.
    id: usize,
}

pub(super) fn check(ledger: &Ledger<'_>, skies: &Skies, out: &mut Vec<Violation>) {
    let wets = all_wet(ledger, skies);
    // A run may overlap itself in an area, so what its own wet floor forbids is asked apart.
    for wet in wets.iter().filter(|wet| ledger.in_run[wet.number]) {
        check_own_run(ledger, wet, out);
    }
    let mut told = BTreeSet::new();
    for group in events(ledger, &wets).chunk_by(|a, b| (a.house, a.area) == (b.house, b.area)) {
        let (mut any, mut open) = (Furthest::default(), Furthest::default());
        for event in group {
            if event.is_work {
                let Some(stay) = ledger.stay(event.id) else { continue };
                let wettest = if stay.open { &any } else { &open };
                let mark = wettest.outside(ledger.run[event.id]).filter(|mark| mark.end > event.start);
                if let Some(mark) = mark
                    && told.insert((event.id, wets[mark.id].number))
                {
                    out.push(walked_on(ledger, &wets[mark.id], stay, event.area, event.start));
                }
            } else {
                let wet = &wets[event.id];
                let wet_open = ledger.stay(wet.number).is_some_and(|stay| stay.open);
                let mark = Mark { end: wet.span.end(), run: ledger.run[wet.number], open: wet_open, id: event.id };
                any.note(mark);
                if wet_open {
                    open.note(mark);
                }
            }
        }
    }
}

fn all_wet(ledger: &Ledger<'_>, skies: &Skies) -> Vec<Wet> {
    let mut wets = Vec::new();
    for (job, content) in ledger.situation.jobs.iter().enumerate() {
        for wait in content.chain.waits().iter().filter(|wait| wait.keep_off) {
            let number = ledger.number_in(JobIx::from_index(job), wait.from);
            wets.extend(ledger.stay(number).and_then(|stay| wet(ledger, skies, stay, wait)));
        }
    }
    wets
}

fn events(ledger: &Ledger<'_>, wets: &[Wet]) -> Vec<Event> {
    let mut events = Vec::new();
    let mut add = |number: usize, start: Minute, is_work: bool, id: usize| {
        let house = ledger.situation.house_of(ledger.step_ref(number));
        let areas = ledger.spec(number).areas.iter();
        events.extend(areas.map(|&area| Event { house, area, start, is_work, id }));
    };
    for (id, wet) in wets.iter().enumerate() {
        add(wet.number, wet.span.start(), false, id);
    }
    for stay in ledger.stays() {
        stay.pieces.iter().for_each(|piece| add(stay.number, piece.start(), true, stay.number));
    }
    events.sort_unstable();
    events
}

fn check_own_run(ledger: &Ledger<'_>, wet: &Wet, out: &mut Vec<Violation>) {
    let job = ledger.step_ref(wet.number).job;
    let areas = &ledger.spec(wet.number).areas;
    let first = ledger.number_in(job, StepIx(0));
    for number in first..first + ledger.chain(wet.number).steps().len() {
        let Some(stay) = ledger.stay(number) else { continue };
        let same_run = number != wet.number && ledger.run[number] == ledger.run[wet.number];
        let judged = stay.open || ledger.stay(wet.number).is_some_and(|wet| wet.open);
        let Some(area) = ledger.spec(number).areas.iter().find(|area| areas.contains(area)) else { continue };
        let on_it = stay.pieces.iter().find_map(|piece| piece.intersection(wet.span));
        if let Some(on_it) = on_it.filter(|_| same_run && judged) {
            out.push(walked_on(ledger, wet, stay, *area, on_it.start()));
        }
    }
}

/// Blames the open one of the two.
fn walked_on(ledger: &Ledger<'_>, wet: &Wet, stay: &Stay<'_>, area: AreaIx, at: Minute) -> Violation {
    let keep_off = InHouse::KeepOff { wet: ledger.step_ref(wet.number), area, at, ready: wet.ready };
    Violation::InHouse(stay.step, keep_off)
}
