//! Who is in which area when (rule 6; access hours are judged with the shift), who has which gear (rule 7), and the air
//! that a step needs (rule 8).

use super::air::Skies;
use super::keep_off;
use super::ledger::{Ledger, Stay};
use super::sweep::{Item, Meeting, meetings};
use super::violation::{Climate, Gear, InHouse, Violation};
use crate::domain::chain::Outcome;
use crate::domain::ids::{AreaIx, EquipmentIx, HouseIx};
use crate::domain::plan::UnitUse;
use std::collections::BTreeSet;

pub(super) fn check(ledger: &Ledger<'_>, skies: &Skies, out: &mut Vec<Violation>) {
    check_areas(ledger, out);
    keep_off::check(ledger, skies, out);
    check_gear_counts(ledger, out);
    check_gear_moves(ledger, out);
    for stay in ledger.stays().filter(|stay| stay.open) {
        if let Some(gate) = &ledger.spec(stay.number).gate
            && let Some(at) = skies.shut(stay.house, gate, stay.hull())
        {
            out.push(Violation::Climate(stay.step, Climate::GateShut { at }));
        }
    }
}

fn item_of(ledger: &Ledger<'_>, stay: &Stay<'_>) -> Item {
    Item { span: stay.hull(), run: ledger.run[stay.number], open: stay.open, id: stay.number }
}

/// Stays by area, those of one area together.
fn by_area(ledger: &Ledger<'_>) -> Vec<(HouseIx, AreaIx, usize)> {
    let areas_of = |stay: &Stay<'_>| {
        let (house, number) = (stay.house, stay.number);
        ledger.spec(number).areas.iter().map(move |&area| (house, area, number))
    };
    let mut out: Vec<_> = ledger.stays().flat_map(areas_of).collect();
    out.sort_unstable();
    out
}

fn check_areas(ledger: &Ledger<'_>, out: &mut Vec<Violation>) {
    // Two steps often share several areas; once is enough.
    let mut told = BTreeSet::new();
    for group in by_area(ledger).chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
        let stays = group.iter().filter_map(|entry| ledger.stay(entry.2));
        let mut items: Vec<Item> = stays.map(|stay| item_of(ledger, stay)).collect();
        for meeting in meetings(&mut items) {
            let Meeting::Clash { earlier, later } = meeting else { continue };
            let (Some(first), Some(second)) = (ledger.stay(earlier), ledger.stay(later)) else { continue };
            let (blamed, other) = if second.open { (second, first) } else { (first, second) };
            if told.insert((blamed.number, other.number)) {
                let shared = InHouse::AreaShared { other: other.step, area: group[0].1, at: second.start() };
                out.push(Violation::InHouse(blamed.step, shared));
            }
        }
    }
}

fn check_gear_counts(ledger: &Ledger<'_>, out: &mut Vec<Violation>) {
    for stay in ledger.stays() {
        let spec = ledger.spec(stay.number);
        let running = spec.fixed().is_some_and(|attempt| attempt.outcome == Outcome::Running);
        if !stay.open && !running {
            continue;
        }
        let distinct: BTreeSet<UnitUse> = stay.units.iter().copied().collect();
        let held = |kind: EquipmentIx| distinct.iter().filter(|unit| unit.equipment == kind).count() as u32;
        let needed = |kind: EquipmentIx| {
            let needed = spec.equipment.iter().filter(|need| need.0 == kind).map(|need| need.1).sum::<u32>();
            // Gear that was taken away under a running step cannot be held.
            if stay.open { needed } else { needed.min(ledger.situation.equipment[kind.index()].units) }
        };
        let listed = distinct.iter().map(|unit| unit.equipment);
        let kinds: BTreeSet<EquipmentIx> = spec.equipment.iter().map(|need| need.0).chain(listed).collect();
        for equipment in kinds {
            let (needed, held) = (needed(equipment), held(equipment));
            let twice = stay.units.iter().filter(|unit| unit.equipment == equipment).count() as u32 != held;
            if needed != held || twice {
                out.push(Violation::Gear(stay.step, Gear::WrongUnits { equipment, needed, held }));
            }
        }
    }
}

fn check_gear_moves(ledger: &Ledger<'_>, out: &mut Vec<Violation>) {
    // A unit listed twice by one step is one use of it.
    let mut uses: Vec<(UnitUse, usize)> =
        ledger.stays().flat_map(|stay| stay.units.iter().map(|&unit| (unit, stay.number))).collect();
    uses.sort_unstable();
    uses.dedup();
    let done = |number: usize| ledger.spec(number).fixed().is_some_and(|attempt| attempt.outcome == Outcome::Done);
    uses.retain(|(_, number)| !done(*number));
    for group in uses.chunk_by(|a, b| a.0 == b.0) {
        let UnitUse { equipment, unit } = group[0].0;
        let rides_along = ledger.situation.equipment[equipment.index()].moves_with_crew;
        let stays = group.iter().filter_map(|entry| ledger.stay(entry.1));
        let mut items: Vec<Item> = stays.map(|stay| item_of(ledger, stay)).collect();
        for meeting in meetings(&mut items) {
            let (Meeting::Clash { earlier, later } | Meeting::Next { earlier, later }) = meeting;
            let (Some(first), Some(second)) = (ledger.stay(earlier), ledger.stay(later)) else { continue };
            let (blamed, other) = if second.open { (second, first) } else { (first, second) };
            let minutes = second.start().since(first.finish());
            let needed_minutes = if rides_along { 0 } else { ledger.situation.way_minutes(first.house, second.house) };
            let fault = match meeting {
                Meeting::Clash { .. } => Gear::UnitDoubled { equipment, unit, other: other.step, at: second.start() },
                Meeting::Next { .. } if minutes < needed_minutes => {
                    Gear::UnitTooFast { equipment, unit, other: other.step, minutes, needed_minutes }
                }
                Meeting::Next { .. } => continue,
            };
            out.push(Violation::Gear(blamed.step, fault));
        }
    }
}
