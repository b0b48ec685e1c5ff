//! Gear that is out of use (rule 7): of what must be brought, no unit that is out; of what rides along, no more units at
//! once than are left. What happened is not judged, but what is running counts.

use super::ledger::{Ledger, Stay};
use super::violation::{Gear, Violation};
use crate::domain::chain::Outcome;
use crate::domain::ids::EquipmentIx;
use crate::domain::resources::Equipment;
use crate::domain::time::{Minute, Span};
use std::collections::{BTreeMap, BTreeSet};

pub(super) fn check(ledger: &Ledger<'_>, out: &mut Vec<Violation>) {
    for (index, kind) in ledger.situation.equipment.iter().enumerate().filter(|(_, kind)| !kind.outages.is_empty()) {
        let equipment = EquipmentIx::from_index(index);
        if kind.moves_with_crew {
            check_amounts(ledger, equipment, kind, out);
        } else {
            check_units(ledger, equipment, kind, out);
        }
    }
}

/// The distinct units of a kind that a step is given.
fn units_of(stay: &Stay<'_>, equipment: EquipmentIx) -> BTreeSet<u32> {
    stay.units.iter().filter(|unit| unit.equipment == equipment).map(|unit| unit.unit).collect()
}

/// Those with the highest numbers are out.
fn check_units(ledger: &Ledger<'_>, equipment: EquipmentIx, kind: &Equipment, out: &mut Vec<Violation>) {
    for stay in ledger.stays().filter(|stay| stay.open) {
        let over = kind.units_over(stay.hull());
        for unit in units_of(stay, equipment) {
            if let Some((span, _)) = over.iter().find(|(_, left)| unit >= *left) {
                out.push(Violation::Gear(stay.step, Gear::UnitOut { equipment, unit, at: span.start() }));
            }
        }
    }
}

/// What begins, ends or changes at one instant: ends before starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    Ends(usize),
    Starts(usize),
    Left(u32),
}

fn check_amounts(ledger: &Ledger<'_>, equipment: EquipmentIx, kind: &Equipment, out: &mut Vec<Violation>) {
    let running =
        |stay: &Stay<'_>| ledger.spec(stay.number).fixed().is_some_and(|attempt| attempt.outcome == Outcome::Running);
    let holders = ledger.stays().filter(|stay| stay.open || running(stay));
    let held: BTreeMap<usize, BTreeSet<u32>> =
        holders.map(|stay| (stay.number, units_of(stay, equipment))).filter(|(_, units)| !units.is_empty()).collect();
    let stays = || held.keys().filter_map(|&number| ledger.stay(number));
    let start = stays().map(Stay::start).min();
    let end = stays().map(Stay::finish).max();
    let Some(hull) = start.zip(end).and_then(|(start, end)| Span::new(start, end)) else { return };
    let mut events: Vec<(Minute, Event)> =
        kind.units_over(hull).into_iter().map(|(span, left)| (span.start(), Event::Left(left))).collect();
    for stay in stays() {
        events.extend([(stay.start(), Event::Starts(stay.number)), (stay.finish(), Event::Ends(stay.number))]);
    }
    events.sort_unstable();
    let mut left = kind.units;
    let mut in_use: BTreeMap<u32, usize> = BTreeMap::new();
    let mut at_work: BTreeSet<(Minute, usize)> = BTreeSet::new();
    let mut told = BTreeSet::new();
    for group in events.chunk_by(|a, b| a.0 == b.0) {
        let at = group[0].0;
        for &(_, event) in group {
            match event {
                Event::Left(units) => left = units,
                Event::Starts(number) => {
                    held[&number].iter().for_each(|unit| *in_use.entry(*unit).or_default() += 1);
                    at_work.insert((at, number));
                }
                Event::Ends(number) => {
                    for unit in &held[&number] {
                        let uses = in_use.entry(*unit).or_default();
                        *uses -= 1;
                        if *uses == 0 {
                            in_use.remove(unit);
                        }
                    }
                    at_work.retain(|(_, other)| *other != number);
                }
            }
        }
        if in_use.len() as u32 <= left {
            continue;
        }
        let open = |&&(_, number): &&(Minute, usize)| ledger.stay(number).is_some_and(|stay| stay.open);
        if let Some(&(_, number)) = at_work.iter().rev().find(open).filter(|(_, number)| told.insert(*number)) {
            let fault = Gear::TooFewLeft { equipment, in_use: in_use.len() as u32, left, at };
            out.push(Violation::Gear(ledger.step_ref(number), fault));
        }
    }
}
