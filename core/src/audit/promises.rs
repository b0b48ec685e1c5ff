//! Promises inside the freeze time (rule 9): they are kept, or a cause is named. Whether a named cause is true is asked
//! of `cause`; that causes do not prop each other up in a circle is checked here.

use super::air::Skies;
use super::cause::Judge;
use super::ledger::{Ledger, Stay, lapse};
use super::violation::{History, Violation};
use crate::domain::chain::Wait;
use crate::domain::plan::{Cause, Placement};

pub(super) fn check(ledger: &Ledger<'_>, skies: &Skies, out: &mut Vec<Violation>) {
    let mut judge = None;
    let mut in_circle = None;
    for stay in ledger.stays().filter(|stay| stay.open) {
        let must_stay = must_stay(ledger, stay) && ledger.has_moved(stay.number);
        let promise = ledger.published[stay.number].filter(|_| must_stay);
        match (promise, stay.cause) {
            (None, None) => {}
            (None, Some(_)) => out.push(Violation::History(stay.step, History::CauseWithoutMove {})),
            (Some(promise), None) => {
                let (promised_crew, promised_start) = (promise.crew, promise.start());
                out.push(Violation::History(stay.step, History::FrozenMoved { promised_crew, promised_start }));
            }
            (Some(promise), Some(cause)) => {
                let judge = judge.get_or_insert_with(|| Judge::new(ledger, skies));
                let circular = in_circle.get_or_insert_with(|| circles(ledger))[stay.number];
                if circular || !judge.is_true(stay, cause) {
                    out.push(false_cause(stay, promise, cause));
                }
            }
        }
    }
}

/// Whether a promise binds: inside the freeze time, and, for an extra step, while the step it comes before is where it
/// was promised.
fn must_stay(ledger: &Ledger<'_>, stay: &Stay<'_>) -> bool {
    let successor = || {
        let named = |wait: &&Wait| lapse(wait).is_some_and(|(extra, _)| extra == stay.step.step);
        let wait = ledger.chain(stay.number).waits().iter().find(named)?;
        Some(ledger.number_in(stay.step.job, wait.to))
    };
    let follows = |successor: usize| ledger.published[successor].is_none() || ledger.has_moved(successor);
    let extra = ledger.spec(stay.number).only_on_lapse;
    ledger.is_frozen(stay.number) && !(extra && successor().is_some_and(follows))
}

fn false_cause(stay: &Stay<'_>, promise: &Placement, cause: Cause) -> Violation {
    let (promised_crew, promised_start) = (promise.crew, promise.start());
    Violation::History(stay.step, History::FalseCause { promised_crew, promised_start, cause })
}

/// By dense number: whether following the causes from a step leads back to it. Each names at most one other step, and
/// what is fixed or was not moved needs no cause and ends the way. A pin does not: a step that its pin moved has that
/// for its cause, and one that moved for another reason needs that reason like any other.
fn circles(ledger: &Ledger<'_>) -> Vec<bool> {
    let next: Vec<Option<usize>> = (0..ledger.places.len())
        .map(|number| {
            let moved = ledger.is_frozen(number) && ledger.has_moved(number);
            let stay = ledger.stay(number).filter(|stay| stay.open && moved)?;
            ledger.number(stay.cause?.other_step(stay.step)?)
        })
        .collect();
    let mut circular = vec![false; next.len()];
    // The walk in which a step was first met, counted from 1.
    let mut met = vec![0_usize; next.len()];
    for walk in 1..=next.len() {
        let mut at = Some(walk - 1);
        while let Some(number) = at.filter(|&number| met[number] == 0) {
            met[number] = walk;
            at = next[number];
        }
        let Some(first) = at.filter(|&number| met[number] == walk) else { continue };
        let mut number = first;
        while !std::mem::replace(&mut circular[number], true) {
            number = next[number].unwrap_or(first);
        }
    }
    circular
}
