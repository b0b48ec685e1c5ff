//! Lazy clause generation: decide, draw the consequences, and when they clash learn a clause that says why, go back to
//! where it says something new, and go on (Schutt, Feydy, Stuckey and Wallace, "Solving RCPSP/max by lazy clause
//! generation", Journal of Scheduling 16, 2013). All clauses are about bounds of starts.

use super::super::spans::T;
use super::Problem;
use super::bounds::{Atom, Bounds, Clash, Entry, Reason, View, negative, start};
use super::clauses::Clauses;
use super::order::Order;
use super::timetable::{Timetable, takers};
use std::collections::BinaryHeap;

/// Clauses are thinned out when there are so many, and so many more each time.
const CLAUSES_AT_FIRST: usize = 4_000;
const CLAUSES_MORE: usize = 500;

/// How the next decision is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Policy {
    /// Whatever can start earliest starts then, of several what has to start earliest.
    Earliest,
    /// Whatever has to start earliest starts as early as it can.
    Urgent,
    /// Whatever clashed most starts as early as it can.
    Clashing,
    /// Whatever clashed most starts when it did in the best plan, or as near to that as it can.
    ClashingAsBefore,
}

/// How a search ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// Starts of all activities.
    Found(Vec<T>),
    /// There is nothing (more) to find.
    Exhausted,
    /// As many clashes as were allowed.
    Stopped,
}

/// The search and all that it knows.
pub struct Search<'p> {
    problem: &'p Problem,
    /// Of all starts, and of the guard.
    pub bounds: Bounds,
    clauses: Clauses,
    timetable: Timetable,
    order: Order,
    lags: Vec<Vec<(View, T)>>,
    /// Hold as long as the guard does.
    guarded_lags: Vec<Vec<(View, T)>>,
    guarded: bool,
    /// Entries of the trail whose consequences were drawn.
    drawn: u32,
    clauses_max: usize,
    /// Starts to go by.
    pub wish: Vec<T>,
    /// Clashes so far.
    pub clashes: u64,
    /// Nothing can be found any more.
    exhausted: bool,
    /// Of the entry with this number: the bound that the clash needs.
    needed: Vec<Option<T>>,
}

impl<'p> Search<'p> {
    /// With all starts from 0 to the problem's horizon.
    pub fn new(problem: &'p Problem) -> Search<'p> {
        let activities = problem.durations.len();
        let views = 2 * activities + 2;
        let mut lags = vec![Vec::new(); views];
        for &(from, to, lag) in &problem.lags {
            lags[start(from) as usize].push((start(to), lag));
            lags[negative(start(to)) as usize].push((negative(start(from)), lag));
        }
        let spans = (0..activities).map(|_| (0, problem.horizon)).chain([(0, 1)]);
        let mut search = Search {
            problem,
            bounds: Bounds::new(spans),
            clauses: Clauses::new(views),
            timetable: Timetable::new(problem),
            order: Order::new(activities),
            lags,
            guarded_lags: vec![Vec::new(); views],
            guarded: false,
            drawn: 0,
            clauses_max: CLAUSES_AT_FIRST,
            wish: Vec::new(),
            clashes: 0,
            exhausted: false,
            needed: Vec::new(),
        };
        search.exhausted = search.propagate().is_err();
        search
    }

    /// The guard's atom.
    fn guard(&self) -> Atom {
        Atom::from(self.problem.durations.len() as u32, 1)
    }

    /// From now on only plans that keep `atom`; whether there can be any.
    pub fn demand(&mut self, atom: Atom) -> bool {
        self.go_back(0);
        self.exhausted |= self.raise(atom, Reason::Root).and_then(|()| self.propagate()).is_err();
        !self.exhausted
    }

    /// Lags (from, to, start to start) and a latest end that hold while [`Search::run`] is told to keep them.
    pub fn guard_lags(&mut self, lags: &[(u32, u32, T)], end: T) {
        self.go_back(0);
        self.guarded_lags.iter_mut().for_each(Vec::clear);
        for &(from, to, lag) in lags {
            self.guarded_lags[start(from) as usize].push((start(to), lag));
            self.guarded_lags[negative(start(to)) as usize].push((negative(start(from)), lag));
        }
        // From the guard's bound of 1.
        let (guard, end) = (self.guard(), Atom::until(self.problem.last(), end));
        self.guarded_lags[guard.view as usize].push((end.view, end.at_least - 1));
    }

    /// Whether there is nothing (more) to find.
    pub fn is_exhausted(&self) -> bool {
        self.exhausted
    }

    /// Fixes the start of one activity in the middle of the horizon, the one that leaves the others least room; for problems
    /// whose plans stay plans when all of them is moved. Whether there can be any.
    pub fn anchor(&mut self) -> bool {
        self.go_back(0);
        let middle = self.problem.horizon / 2;
        let activities = 0..self.problem.last();
        let room = |search: &mut Search<'p>, activity: u32| {
            search.bounds.decide();
            let fixed = [Atom::from(activity, middle), Atom::until(activity, middle)];
            let fixed = fixed.into_iter().try_for_each(|atom| search.raise(atom, Reason::Decision));
            let possible = fixed.and_then(|()| search.propagate()).is_ok();
            let width = |other: u32| {
                let (earliest, latest) = search.bounds.window(other);
                i64::from(latest - earliest)
            };
            let room = if possible { (0..search.problem.last()).map(width).sum() } else { 0 };
            search.go_back(0);
            room
        };
        let Some((_, activity)) = activities.map(|activity| (room(self, activity), activity)).min() else {
            return true;
        };
        self.demand(Atom::from(activity, middle)) && self.demand(Atom::until(activity, middle))
    }

    /// Searches until a plan is found, there is none, `clashes` more clashes happened, or `stop` says so. What was learned
    /// stays, but for what was learned under the guard.
    pub fn run(&mut self, policy: Policy, guarded: bool, clashes: u64, stop: &mut dyn FnMut() -> bool) -> Outcome {
        self.go_back(0);
        self.thin_out();
        let outcome = self.descend(policy, guarded, clashes, stop);
        self.go_back(0);
        self.guarded = false;
        if guarded {
            self.clauses.forget(true);
        }
        outcome
    }

    fn thin_out(&mut self) {
        if self.clauses.len() > self.clauses_max {
            self.clauses.forget(false);
            self.clauses_max += CLAUSES_MORE;
        }
    }

    fn descend(&mut self, policy: Policy, guarded: bool, clashes: u64, stop: &mut dyn FnMut() -> bool) -> Outcome {
        if self.exhausted {
            return Outcome::Exhausted;
        }
        let until = self.clashes + clashes;
        self.guarded = guarded;
        loop {
            if let Err(clash) = self.propagate() {
                self.clashes += 1;
                if !self.learn(clash) {
                    return Outcome::Exhausted;
                }
                continue;
            }
            if self.clashes >= until || stop() {
                return Outcome::Stopped;
            }
            if guarded && self.bounds.level() == 0 {
                self.bounds.decide();
                if self.raise(self.guard(), Reason::Decision).is_err() {
                    return Outcome::Exhausted;
                }
                self.draw_guarded();
                continue;
            }
            match self.choose(policy) {
                None => {
                    let activities = 0..self.problem.durations.len() as u32;
                    return Outcome::Found(activities.map(|activity| self.bounds.window(activity).0).collect());
                }
                Some(atom) => {
                    self.bounds.decide();
                    let raised = self.raise(atom, Reason::Decision);
                    debug_assert!(raised.is_ok(), "a decision is open");
                }
            }
        }
    }

    fn raise(&mut self, atom: Atom, reason: Reason) -> Result<(), Clash> {
        self.bounds.raise(atom, reason).map(|_| ())
    }

    /// The guard now holds: the trail is gone through once more.
    fn draw_guarded(&mut self) {
        self.drawn = 0;
    }

    /// Draws all consequences.
    fn propagate(&mut self) -> Result<(), Clash> {
        loop {
            while self.drawn < self.bounds.len() {
                let Entry { view, bound, .. } = self.bounds.entry(self.drawn);
                self.drawn += 1;
                self.timetable.note(view);
                if bound < self.bounds.least(view) {
                    // A later entry of the same view says more.
                    continue;
                }
                for &(target, lag) in &self.lags[view as usize] {
                    self.bounds.raise(Atom { view: target, at_least: bound + lag }, Reason::Lag(view, lag))?;
                }
                if self.guarded && self.bounds.level() > 0 {
                    for &(target, lag) in &self.guarded_lags[view as usize] {
                        let atom = Atom { view: target, at_least: bound + lag };
                        self.bounds.raise(atom, Reason::GuardedLag(view, lag))?;
                    }
                }
                self.clauses.propagate(&mut self.bounds, view)?;
            }
            if !self.timetable.propagate(self.problem, &mut self.bounds)? && self.drawn == self.bounds.len() {
                return Ok(());
            }
        }
    }

    fn go_back(&mut self, level: u32) {
        let (timetable, order) = (&mut self.timetable, &mut self.order);
        self.bounds.return_to(level, |view| {
            timetable.note(view);
            order.put(view / 2);
        });
        self.drawn = self.drawn.min(self.bounds.len());
    }

    fn choose(&mut self, policy: Policy) -> Option<Atom> {
        let open = |activity: &u32| {
            let (earliest, latest) = self.bounds.window(*activity);
            earliest < latest
        };
        let activities = 0..self.problem.durations.len() as u32;
        let as_early_as_can_be = |activity: u32| Atom::until(activity, self.bounds.window(activity).0);
        match policy {
            Policy::Earliest => {
                activities.filter(open).min_by_key(|activity| self.bounds.window(*activity)).map(as_early_as_can_be)
            }
            Policy::Urgent => {
                let key = |activity: &u32| {
                    let (earliest, latest) = self.bounds.window(*activity);
                    (latest, earliest)
                };
                activities.filter(open).min_by_key(key).map(as_early_as_can_be)
            }
            Policy::Clashing | Policy::ClashingAsBefore => loop {
                let activity = self.order.take()?;
                let (earliest, latest) = self.bounds.window(activity);
                if earliest == latest {
                    continue;
                }
                let wish = self.wish.get(activity as usize).copied().filter(|_| policy == Policy::ClashingAsBefore);
                return Some(match wish {
                    None => Atom::until(activity, earliest),
                    Some(wish) if wish <= earliest => Atom::until(activity, earliest),
                    Some(wish) if wish >= latest => Atom::from(activity, latest),
                    Some(wish) => {
                        // Decided in two halves.
                        self.order.put(activity);
                        Atom::until(activity, wish)
                    }
                });
            },
        }
    }

    /// Learns from a clash and goes back; whether there is still something to try.
    fn learn(&mut self, clash: Clash) -> bool {
        let mut reasons = Vec::new();
        match clash {
            Clash::Bound(atom, reason) => {
                self.explain(atom, reason, self.bounds.len(), &mut reasons);
                reasons.push(atom.not());
            }
            Clash::Over { resource, at } => {
                let nobody = (u32::MAX, 0);
                takers(self.problem, &self.bounds, (resource, at), nobody, self.bounds.len(), &mut reasons);
            }
        }
        let Some((mut atoms, uip)) = self.first_unique_implication_point(&reasons) else {
            self.exhausted = true;
            return false;
        };
        self.order.decay();
        // The highest of the other levels, and how many there are.
        atoms.sort_unstable_by_key(|&(number, _)| std::cmp::Reverse(number));
        let mut levels: Vec<u32> = atoms.iter().map(|(number, _)| self.bounds.entry(*number).level).collect();
        levels.dedup();
        let back_to = levels.first().copied().unwrap_or(0);
        let guard = self.guard();
        let guarded = atoms.iter().any(|(_, atom)| *atom == guard);
        if uip == guard {
            // Nothing under the guard.
            return false;
        }
        let mut clause = vec![uip.not()];
        clause.extend(atoms.iter().map(|(_, atom)| atom.not()));
        self.go_back(back_to);
        let reason = if clause.len() == 1 {
            Reason::Root
        } else {
            Reason::Clause(self.clauses.add(clause, levels.len() as u32 + 1, guarded))
        };
        match self.raise(uip.not(), reason) {
            Ok(()) => true,
            Err(_) => {
                self.exhausted = true;
                false
            }
        }
    }

    /// What has to hold for `atom` to follow by `reason`, as it held before entry `before`.
    fn explain(&self, atom: Atom, reason: Reason, before: u32, out: &mut Vec<Atom>) {
        match reason {
            Reason::Root | Reason::Decision => {}
            Reason::Lag(view, lag) => out.push(Atom { view, at_least: atom.at_least - lag }),
            Reason::GuardedLag(view, lag) => {
                out.push(Atom { view, at_least: atom.at_least - lag });
                out.push(self.guard());
            }
            Reason::Clause(clause) => out.extend(self.clauses.atoms(clause)[1..].iter().map(|atom| atom.not())),
            Reason::Taken { resource, at } => {
                let activity = atom.view / 2;
                let earlier = atom.view == start(activity);
                let duration = self.problem.durations[activity as usize];
                out.push(if earlier { Atom::from(activity, at + 1 - duration) } else { Atom::until(activity, at) });
                let needs = &self.problem.needs[activity as usize];
                let amount = needs.iter().find(|need| need.0 == resource).map_or(0, |need| need.1);
                takers(self.problem, &self.bounds, (resource, at), (activity, amount), before, out);
            }
        }
    }

    /// Traces a clash back to the one bound of its last level through which all of it came (Marques-Silva and Sakallah,
    /// "GRASP", IEEE Transactions on Computers 48, 1999), and to bounds of levels before, with their entries. `None` when it
    /// is there without any decision.
    fn first_unique_implication_point(&mut self, reasons: &[Atom]) -> Option<(Vec<(u32, Atom)>, Atom)> {
        let mut heap: BinaryHeap<u32> = BinaryHeap::new();
        self.needed.resize(self.bounds.len() as usize, None);
        let mut reasons = reasons.to_vec();
        let level = reasons.iter().map(|atom| self.bounds.entry(self.bounds.since(*atom)).level).max()?;
        if level == 0 {
            return None;
        }
        let mut at_level = 0;
        let mut atoms = Vec::new();
        let uip = loop {
            for atom in reasons.drain(..) {
                let number = self.bounds.since(atom);
                let entry = self.bounds.entry(number);
                if entry.level == 0 {
                    continue;
                }
                let needed = &mut self.needed[number as usize];
                match needed {
                    Some(known) => *known = (*known).max(atom.at_least),
                    None => {
                        *needed = Some(atom.at_least);
                        heap.push(number);
                        at_level += u32::from(entry.level == level);
                        self.order.bump(atom.view / 2);
                    }
                }
            }
            let number = heap.pop()?;
            let entry = self.bounds.entry(number);
            let at_least = self.needed[number as usize].take()?;
            let atom = Atom { view: entry.view, at_least };
            at_level -= 1;
            if at_level == 0 {
                break atom;
            }
            self.explain(atom, entry.reason, number, &mut reasons);
        };
        let rest = heap.into_vec();
        for &number in &rest {
            if let Some(at_least) = self.needed[number as usize] {
                atoms.push((number, Atom { view: self.bounds.entry(number).view, at_least }));
            }
        }
        self.drop_implied(&mut atoms);
        for number in rest {
            self.needed[number as usize] = None;
        }
        Some((atoms, uip))
    }

    /// Leaves out atoms that follow from the others.
    fn drop_implied(&self, atoms: &mut Vec<(u32, Atom)>) {
        let mut reasons = Vec::new();
        let implied = |number: u32, atom: Atom, reasons: &mut Vec<Atom>| {
            let entry = self.bounds.entry(number);
            if entry.reason == Reason::Decision {
                return false;
            }
            reasons.clear();
            self.explain(atom, entry.reason, number, reasons);
            reasons.iter().all(|reason| {
                let since = self.bounds.since(*reason);
                let enough = self.needed[since as usize].is_some_and(|needed| needed >= reason.at_least);
                self.bounds.entry(since).level == 0 || enough
            })
        };
        atoms.retain(|(number, atom)| !implied(*number, *atom, &mut reasons));
        // Of two bounds of a view the greater says all.
        let all = atoms.clone();
        let less = |atom: Atom| all.iter().any(|(_, other)| other.view == atom.view && other.at_least > atom.at_least);
        atoms.retain(|(_, atom)| !less(*atom));
    }
}
