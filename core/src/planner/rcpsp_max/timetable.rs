//! What is surely taken of each resource: an activity that starts no later than it could first be finished is busy in
//! between. Others keep out of times at which that leaves too little. Consequences are explained at one instant each
//! (Schutt, Feydy, Stuckey and Wallace, "Explaining the cumulative propagator", Constraints 16, 2011).

use super::super::spans::T;
use super::Problem;
use super::bounds::{Atom, Bounds, Clash, Reason, View};

/// Nothing surely taken.
const NO_PART: (T, T) = (0, 0);

/// Sure amounts over time, by resource.
pub struct Timetable {
    /// Sorted (time, amount from then on) by resource; before the first entry nothing is taken.
    levels: Vec<Vec<(T, u32)>>,
    /// What of each activity is in `levels`.
    parts: Vec<(T, T)>,
    changed: Vec<u32>,
    is_changed: Vec<bool>,
    /// Where amounts have grown since the last look, by resource; empty when the first is not before the second.
    grown: Vec<(T, T)>,
}

impl Timetable {
    /// Everything is to be looked at.
    pub fn new(problem: &Problem) -> Timetable {
        let activities = problem.durations.len();
        Timetable {
            levels: vec![vec![(T::MIN, 0)]; problem.capacities.len()],
            parts: vec![NO_PART; activities],
            changed: (0..activities as u32).collect(),
            is_changed: vec![true; activities],
            grown: vec![(T::MAX, T::MIN); problem.capacities.len()],
        }
    }

    /// Bounds of a view rose or fell.
    #[inline]
    pub fn note(&mut self, view: View) {
        let activity = (view / 2) as usize;
        if let Some(known) = self.is_changed.get_mut(activity)
            && !*known
        {
            *known = true;
            self.changed.push(activity as u32);
        }
    }

    /// Draws the consequences of what was noted; whether there was anything.
    pub fn propagate(&mut self, problem: &Problem, bounds: &mut Bounds) -> Result<bool, Clash> {
        if self.changed.is_empty() {
            return Ok(false);
        }
        let changed = std::mem::take(&mut self.changed);
        for &activity in &changed {
            self.is_changed[activity as usize] = false;
            self.record(problem, bounds, activity);
        }
        // After a clash what has grown stays noted: the same may be taken again before the next look.
        self.look(problem, bounds, &changed)?;
        self.grown.fill((T::MAX, T::MIN));
        Ok(true)
    }

    fn record(&mut self, problem: &Problem, bounds: &Bounds, activity: u32) {
        let (earliest, latest) = bounds.window(activity);
        let finish = earliest + problem.durations[activity as usize];
        let part = if latest < finish { (latest, finish) } else { NO_PART };
        let was = std::mem::replace(&mut self.parts[activity as usize], part);
        if was == part {
            return;
        }
        for &(resource, amount) in &problem.needs[activity as usize] {
            let levels = &mut self.levels[resource as usize];
            shift(levels, was, |level| level - amount);
            shift(levels, part, |level| level + amount);
            if part != NO_PART {
                let grown = &mut self.grown[resource as usize];
                *grown = (grown.0.min(part.0), grown.1.max(part.1));
            }
        }
    }

    fn look(&self, problem: &Problem, bounds: &mut Bounds, changed: &[u32]) -> Result<(), Clash> {
        for (resource, &(from, until)) in self.grown.iter().enumerate() {
            let levels = &self.levels[resource];
            let first = levels.partition_point(|level| level.0 <= from).saturating_sub(1);
            let within = levels[first..].iter().take_while(|level| level.0 < until);
            if from < until
                && let Some(over) = within.clone().find(|level| level.1 > problem.capacities[resource])
            {
                return Err(Clash::Over { resource: resource as u32, at: over.0 });
            }
        }
        for (resource, &(from, until)) in self.grown.iter().enumerate().filter(|(_, grown)| grown.0 < grown.1) {
            for &(activity, amount) in &problem.users[resource] {
                let (earliest, latest) = bounds.window(activity);
                let duration = problem.durations[activity as usize];
                if earliest < latest && earliest < until && latest + duration > from {
                    self.keep_out(problem, bounds, activity, resource as u32, amount)?;
                }
            }
        }
        for &activity in changed {
            for &(resource, amount) in &problem.needs[activity as usize] {
                self.keep_out(problem, bounds, activity, resource, amount)?;
            }
        }
        Ok(())
    }

    /// Raises the bounds of an activity past the times at which too little is left for it.
    fn keep_out(
        &self,
        problem: &Problem,
        bounds: &mut Bounds,
        activity: u32,
        resource: u32,
        amount: u32,
    ) -> Result<(), Clash> {
        let levels = &self.levels[resource as usize];
        let room = problem.capacities[resource as usize] - amount;
        let duration = problem.durations[activity as usize];
        let (mut earliest, latest) = bounds.window(activity);
        if earliest == latest {
            return Ok(());
        }
        let mut at = levels.partition_point(|level| level.0 <= earliest) - 1;
        // What it takes itself from `latest` on is in the levels.
        while earliest < latest && levels[at].0 < (earliest + duration).min(latest) {
            let end = levels.get(at + 1).map_or(T::MAX, |next| next.0);
            if levels[at].1 > room && end > earliest {
                let last = end.min(earliest + duration).min(latest) - 1;
                bounds.raise(Atom::from(activity, last + 1), Reason::Taken { resource, at: last })?;
                earliest = last + 1;
                if end > earliest {
                    continue;
                }
            }
            at += 1;
            if at == levels.len() {
                break;
            }
        }
        let mut latest = latest;
        let mut at = levels.partition_point(|level| level.0 < latest + duration) - 1;
        while earliest < latest && levels.get(at + 1).map_or(T::MAX, |next| next.0) > latest.max(earliest + duration) {
            if levels[at].1 > room && levels[at].0 < latest + duration {
                let first = levels[at].0.max(latest).max(earliest + duration);
                bounds.raise(Atom::until(activity, first - duration), Reason::Taken { resource, at: first })?;
                latest = first - duration;
                if levels[at].0 < latest + duration {
                    continue;
                }
            }
            if at == 0 {
                break;
            }
            at -= 1;
        }
        Ok(())
    }
}

/// Changes the levels over `part`.
fn shift(levels: &mut Vec<(T, u32)>, part: (T, T), change: impl Fn(u32) -> u32) {
    if part.0 >= part.1 {
        return;
    }
    let mut cut = |t: T| {
        let at = levels.partition_point(|level| level.0 < t);
        if levels.get(at).is_none_or(|level| level.0 != t) {
            levels.insert(at, (t, levels[at - 1].1));
        }
        at
    };
    let (from, until) = (cut(part.0), cut(part.1));
    levels[from..until].iter_mut().for_each(|level| level.1 = change(level.1));
    for at in [until, from] {
        if levels[at].1 == levels[at - 1].1 {
            levels.remove(at);
        }
    }
}

/// The atoms that show why at `at` too little of a resource is left for another `amount` (0: why there is too much), as they
/// held before entry `before`; of several choices those that came to hold first.
pub fn takers(
    problem: &Problem,
    bounds: &Bounds,
    (resource, at): (u32, T),
    (without, amount): (u32, u32),
    before: u32,
    out: &mut Vec<Atom>,
) {
    let mut found: Vec<(u32, u32, [Atom; 2])> = Vec::new();
    let mut sum = amount;
    for &(activity, taken) in problem.users[resource as usize].iter().filter(|user| user.0 != without) {
        let atoms = [Atom::from(activity, at + 1 - problem.durations[activity as usize]), Atom::until(activity, at)];
        if atoms.iter().all(|atom| bounds.holds(*atom)) {
            let since = atoms.map(|atom| bounds.since(atom));
            let since = since[0].max(since[1]);
            if since < before {
                found.push((since, taken, atoms));
                sum += taken;
            }
        }
    }
    found.sort_unstable_by_key(|taker| std::cmp::Reverse(taker.0));
    let capacity = problem.capacities[resource as usize];
    debug_assert!(sum > capacity, "what was drawn from the levels can be explained");
    for (_, taken, atoms) in found {
        if sum - taken > capacity {
            sum -= taken;
        } else {
            out.extend(atoms);
        }
    }
}
