//! Bounds of start times, how they came about, and the way back. A start has two views, itself and its negative, so that
//! an upper bound is the lower bound of the other view and nothing is written twice.

use super::super::spans::T;

/// A start (even) or its negative (odd); the activity is half of it.
pub type View = u32;

/// No entry.
const NO_ENTRY: u32 = u32::MAX;

/// The start of an activity.
pub fn start(activity: u32) -> View {
    2 * activity
}

/// The negative of a view.
pub fn negative(view: View) -> View {
    view ^ 1
}

/// That a view is at least something.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Atom {
    /// Of what.
    pub view: View,
    /// The bound.
    pub at_least: T,
}

impl Atom {
    /// Activity starts no earlier than `t`.
    pub fn from(activity: u32, t: T) -> Atom {
        Atom { view: start(activity), at_least: t }
    }

    /// Activity starts no later than `t`.
    pub fn until(activity: u32, t: T) -> Atom {
        Atom { view: negative(start(activity)), at_least: -t }
    }

    /// The opposite.
    pub fn not(self) -> Atom {
        Atom { view: negative(self.view), at_least: 1 - self.at_least }
    }
}

/// Why a bound holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// From the beginning, for good.
    Root,
    /// Tried out.
    Decision,
    /// The other view's bound and this lag.
    Lag(View, T),
    /// As `Lag`, as long as the guard holds.
    GuardedLag(View, T),
    /// All other atoms of the clause are false.
    Clause(u32),
    /// At that time the others leave too little of the resource.
    Taken {
        /// Which.
        resource: u32,
        /// When.
        at: T,
    },
}

/// What cannot be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clash {
    /// A bound that follows, against the one there is.
    Bound(Atom, Reason),
    /// More is taken of a resource at a time than there is.
    Over {
        /// Of which.
        resource: u32,
        /// When.
        at: T,
    },
}

/// A bound that was raised.
#[derive(Debug, Clone, Copy)]
pub struct Entry {
    /// Of what.
    pub view: View,
    /// To what.
    pub bound: T,
    /// The entry before of the same view.
    pub before: u32,
    /// Number of decisions made until then.
    pub level: u32,
    /// Why.
    pub reason: Reason,
}

/// All bounds, and the trail of how they were raised.
pub struct Bounds {
    lowest: Vec<T>,
    last: Vec<u32>,
    trail: Vec<Entry>,
    levels: Vec<u32>,
}

impl Bounds {
    /// Of starts with the given least and greatest values.
    pub fn new(spans: impl Iterator<Item = (T, T)>) -> Bounds {
        let mut bounds = Bounds { lowest: Vec::new(), last: Vec::new(), trail: Vec::new(), levels: Vec::new() };
        for bound in spans.flat_map(|(least, greatest)| [least, -greatest]) {
            let view = bounds.lowest.len() as View;
            bounds.lowest.push(bound);
            bounds.last.push(view);
            bounds.trail.push(Entry { view, bound, before: NO_ENTRY, level: 0, reason: Reason::Root });
        }
        bounds
    }

    /// Least value of a view.
    #[inline]
    pub fn least(&self, view: View) -> T {
        self.lowest[view as usize]
    }

    /// Earliest and latest start.
    #[inline]
    pub fn window(&self, activity: u32) -> (T, T) {
        (self.least(start(activity)), -self.least(negative(start(activity))))
    }

    /// Whether an atom holds.
    #[inline]
    pub fn holds(&self, atom: Atom) -> bool {
        self.lowest[atom.view as usize] >= atom.at_least
    }

    /// Whether an atom cannot hold any more.
    #[inline]
    pub fn fails(&self, atom: Atom) -> bool {
        self.holds(atom.not())
    }

    /// Number of decisions made.
    pub fn level(&self) -> u32 {
        self.levels.len() as u32
    }

    /// Number of entries of the trail.
    pub fn len(&self) -> u32 {
        self.trail.len() as u32
    }

    /// An entry of the trail.
    #[inline]
    pub fn entry(&self, number: u32) -> Entry {
        self.trail[number as usize]
    }

    /// The first entry with which an atom that holds came to hold.
    pub fn since(&self, atom: Atom) -> u32 {
        let mut number = self.last[atom.view as usize];
        loop {
            let before = self.trail[number as usize].before;
            if before == NO_ENTRY || self.trail[before as usize].bound < atom.at_least {
                return number;
            }
            number = before;
        }
    }

    /// Begins a level.
    pub fn decide(&mut self) {
        self.levels.push(self.len());
    }

    /// Raises a bound; whether it was lower before.
    #[inline]
    pub fn raise(&mut self, atom: Atom, reason: Reason) -> Result<bool, Clash> {
        if self.holds(atom) {
            return Ok(false);
        }
        if self.fails(atom) {
            return Err(Clash::Bound(atom, reason));
        }
        let view = atom.view as usize;
        let entry =
            Entry { view: atom.view, bound: atom.at_least, before: self.last[view], level: self.level(), reason };
        self.last[view] = self.trail.len() as u32;
        self.lowest[view] = atom.at_least;
        self.trail.push(entry);
        Ok(true)
    }

    /// Takes back all levels above `level`; `undone` is told each view that falls.
    pub fn return_to(&mut self, level: u32, mut undone: impl FnMut(View)) {
        let Some(&keep) = self.levels.get(level as usize) else { return };
        while self.trail.len() > keep as usize {
            let Some(entry) = self.trail.pop() else { break };
            self.last[entry.view as usize] = entry.before;
            self.lowest[entry.view as usize] = self.trail[entry.before as usize].bound;
            undone(entry.view);
        }
        self.levels.truncate(level as usize);
    }
}
