//! Until when crews, areas and gear are taken, and by whom.

use super::course::NONE;

/// Why a block begins no earlier than it does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Cause {
    /// Nobody comes earlier than planned.
    Planned,
    /// A wait, by number of its lag; and whether it was drawn longer than its label says.
    Lag { lag: u32, longer: bool },
    /// The crew was busy or on the road.
    Crew,
    /// Somebody else was in the area.
    Area,
    /// Gear was in use or on the road, by its unit.
    Gear(u32),
    /// A check failed, and pauses.
    Recheck,
    /// A check failed, and the floor is treated again.
    TreatAgain,
}

/// The earliest that something lets a block begin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Arrival {
    pub at: i64,
    pub cause: Cause,
    /// Which execution brought it about, or `NONE`.
    pub by: u32,
}

impl Arrival {
    /// The later of the two; of equal ones the first.
    #[inline]
    pub fn or_later(&mut self, at: i64, cause: Cause, by: u32) {
        if at > self.at {
            *self = Arrival { at, cause, by };
        }
    }
}

/// How far somebody reaches.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    pub end: i64,
    pub run: u32,
    pub house: u32,
    pub by: u32,
    pub cause: Cause,
}

/// Nobody.
const EMPTY: Mark = Mark { end: i64::MIN, run: NONE, house: NONE, by: NONE, cause: Cause::Planned };

/// The mark that reaches furthest, and the furthest one of another run: steps of one run never hold each other up.
#[derive(Debug, Clone, Copy)]
pub(super) struct Furthest {
    best: Mark,
    other: Mark,
}

impl Furthest {
    pub const FREE: Furthest = Furthest { best: EMPTY, other: EMPTY };

    #[inline]
    pub fn note(&mut self, mark: Mark) {
        if mark.run == self.best.run {
            if mark.end > self.best.end {
                self.best = mark;
            }
        } else if mark.end > self.best.end {
            self.other = self.best;
            self.best = mark;
        } else if mark.end > self.other.end {
            self.other = mark;
        }
    }

    /// The furthest mark of others, if there is one.
    #[inline]
    pub fn outside(&self, run: u32) -> Option<&Mark> {
        let mark = if self.best.run == run { &self.other } else { &self.best };
        (mark.end > i64::MIN).then_some(mark)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_does_not_hold_itself_up() {
        let mut taken = Furthest::FREE;
        assert!(taken.outside(1).is_none());
        let mark = |end, run| Mark { end, run, ..EMPTY };
        taken.note(mark(10, 1));
        taken.note(mark(30, 2));
        taken.note(mark(20, 3));
        taken.note(mark(40, 2));
        let end = |run| taken.outside(run).map(|mark| mark.end);
        assert_eq!([end(1), end(2), end(3), end(9)], [Some(40), Some(20), Some(40), Some(40)]);
    }
}
