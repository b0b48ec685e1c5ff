//! What was learned: clauses of which at least one atom has to hold. Two atoms of each are watched; nothing is looked at
//! until one of these fails (Moskewicz et al., "Chaff: engineering an efficient SAT solver", DAC 2001).

use super::super::spans::T;
use super::bounds::{Atom, Bounds, Clash, Reason, View, negative};

/// Clauses that connect no more levels than this are kept for good.
const LEVELS_KEPT: u32 = 2;

struct Clause {
    /// The first may be there because the others fail.
    atoms: Vec<Atom>,
    /// Decision levels it connected when it was learned (Audemard and Simon, "Predicting learnt clauses quality in modern
    /// SAT solvers", IJCAI 2009); the fewer the better.
    levels: u32,
    /// Holds only under the guard.
    guarded: bool,
}

/// Wakes a clause when a view is at least this.
#[derive(Clone, Copy)]
struct Watch {
    clause: u32,
    at_least: T,
    /// If this holds the clause does.
    other: Atom,
}

/// All that was learned.
pub struct Clauses {
    clauses: Vec<Clause>,
    watches: Vec<Vec<Watch>>,
}

impl Clauses {
    /// Nothing, for so many views.
    pub fn new(views: usize) -> Clauses {
        Clauses { clauses: Vec::new(), watches: vec![Vec::new(); views] }
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.clauses.len()
    }

    /// The atoms of one.
    pub fn atoms(&self, clause: u32) -> &[Atom] {
        &self.clauses[clause as usize].atoms
    }

    /// Adds a clause of two atoms or more; the first two are watched.
    pub fn add(&mut self, atoms: Vec<Atom>, levels: u32, guarded: bool) -> u32 {
        let clause = self.clauses.len() as u32;
        self.watch(clause, atoms[0], atoms[1]);
        self.watch(clause, atoms[1], atoms[0]);
        self.clauses.push(Clause { atoms, levels, guarded });
        clause
    }

    fn watch(&mut self, clause: u32, atom: Atom, other: Atom) {
        let failed = atom.not();
        self.watches[failed.view as usize].push(Watch { clause, at_least: failed.at_least, other });
    }

    /// Draws the consequences of `view` having risen.
    pub fn propagate(&mut self, bounds: &mut Bounds, view: View) -> Result<(), Clash> {
        let least = bounds.least(view);
        let mut list = std::mem::take(&mut self.watches[view as usize]);
        let mut kept = 0;
        let mut outcome = Ok(());
        let mut next = 0;
        while next < list.len() {
            let watch = list[next];
            next += 1;
            if watch.at_least > least || bounds.holds(watch.other) {
                list[kept] = watch;
                kept += 1;
                continue;
            }
            let failed = Atom { view: negative(view), at_least: 1 - watch.at_least };
            let atoms = &mut self.clauses[watch.clause as usize].atoms;
            if atoms[0] == failed {
                atoms.swap(0, 1);
            }
            let first = atoms[0];
            if !bounds.holds(first) {
                if let Some(free) = (2..atoms.len()).find(|number| !bounds.fails(atoms[*number])) {
                    atoms.swap(1, free);
                    let atom = atoms[1];
                    self.watch(watch.clause, atom, first);
                    continue;
                }
                outcome = bounds.raise(first, Reason::Clause(watch.clause)).map(|_| ());
            }
            list[kept] = Watch { other: first, ..watch };
            kept += 1;
            if outcome.is_err() {
                break;
            }
        }
        list.copy_within(next.., kept);
        list.truncate(kept + list.len() - next);
        // A clause may have found its new atom in the same view.
        let mut found = std::mem::replace(&mut self.watches[view as usize], list);
        self.watches[view as usize].append(&mut found);
        outcome
    }

    /// Forgets what is guarded (only that, or beside it the worse half of the rest). To be called when nothing is decided:
    /// then no clause is a reason that anybody asks for.
    pub fn forget(&mut self, only_guarded: bool) {
        let mut levels: Vec<u32> = self.clauses.iter().filter(|clause| !clause.guarded).map(|c| c.levels).collect();
        levels.sort_unstable();
        let most = if only_guarded { u32::MAX } else { levels.get(levels.len() / 2).copied().unwrap_or(0) };
        let most = most.max(LEVELS_KEPT);
        let mut spare = levels.iter().filter(|levels| **levels == most).count() / 2;
        let kept = std::mem::take(&mut self.clauses);
        self.watches.iter_mut().for_each(Vec::clear);
        for clause in kept {
            let fair = clause.levels < most || clause.levels <= LEVELS_KEPT || {
                let last = clause.levels == most && spare > 0;
                spare -= usize::from(last);
                last
            };
            if !clause.guarded && (only_guarded || fair) {
                self.add(clause.atoms, clause.levels, false);
            }
        }
    }
}
