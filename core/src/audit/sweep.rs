//! Which of many stays at one place meet: one pass in order of start that remembers how far the ones before reach, so
//! that a long one is caught by each one that begins under it, not only by its neighbour.

use crate::domain::time::{Minute, Span};

/// Somebody or something at one place for a time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Item {
    pub span: Span,
    /// Items of one run never meet.
    pub run: usize,
    /// Two that are both not open never meet.
    pub open: bool,
    /// The caller's own name for it.
    pub id: usize,
}

/// Two items at one place, by the caller's names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Meeting {
    /// `later` begins before `earlier` ends.
    Clash { earlier: usize, later: usize },
    /// `later` begins when or after `earlier`, the last one before it, has ended.
    Next { earlier: usize, later: usize },
}

/// How far an item reaches.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    pub end: Minute,
    pub run: usize,
    pub open: bool,
    pub id: usize,
}

/// The item that reaches furthest, and the furthest one of another run.
#[derive(Debug, Default)]
pub(super) struct Furthest {
    best: Option<Mark>,
    other: Option<Mark>,
}

impl Furthest {
    pub fn note(&mut self, mark: Mark) {
        match self.best {
            None => self.best = Some(mark),
            Some(best) if best.run == mark.run => {
                if mark.end > best.end {
                    self.best = Some(mark);
                }
            }
            Some(best) if mark.end > best.end => {
                self.other = Some(best);
                self.best = Some(mark);
            }
            Some(_) => {
                if self.other.is_none_or(|other| mark.end > other.end) {
                    self.other = Some(mark);
                }
            }
        }
    }

    /// The furthest one that is not of `run`.
    pub fn outside(&self, run: usize) -> Option<Mark> {
        self.best.filter(|best| best.run != run).or(self.other.filter(|other| other.run != run))
    }
}

/// At most one meeting for each item, with an earlier one; every item that clashes with an earlier one has one.
pub(super) fn meetings(items: &mut [Item]) -> Vec<Meeting> {
    items.sort_unstable_by_key(|item| (item.span.start(), item.span.end(), item.id));
    let (mut any, mut open) = (Furthest::default(), Furthest::default());
    let mut out = Vec::new();
    for item in items {
        let last = any.outside(item.run);
        let rival = if item.open { last } else { open.outside(item.run) };
        if let Some(rival) = rival.filter(|rival| rival.end > item.span.start()) {
            out.push(Meeting::Clash { earlier: rival.id, later: item.id });
        } else if let Some(last) = last.filter(|last| last.open || item.open) {
            out.push(Meeting::Next { earlier: last.id, later: item.id });
        }
        let mark = Mark { end: item.span.end(), run: item.run, open: item.open, id: item.id };
        any.note(mark);
        if item.open {
            open.note(mark);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(id: usize, run: usize, open: bool, start: i64, end: i64) -> Item {
        Item { span: Span::new(Minute(start), Minute(end)).unwrap(), run, open, id }
    }

    /// Every item that by comparison of all pairs clashes with an earlier one.
    fn all_pairs(items: &[Item]) -> Vec<usize> {
        let clashes = |later: &&Item| {
            items.iter().any(|earlier| {
                (earlier.span.start(), earlier.span.end(), earlier.id)
                    < (later.span.start(), later.span.end(), later.id)
                    && earlier.run != later.run
                    && (earlier.open || later.open)
                    && earlier.span.overlaps(later.span)
            })
        };
        items.iter().filter(clashes).map(|item| item.id).collect()
    }

    #[test]
    fn a_long_one_is_caught_by_each_that_begins_under_it() {
        let mut items = [item(0, 0, true, 0, 100), item(1, 1, true, 10, 20), item(2, 2, true, 50, 60)];
        let both = [Meeting::Clash { earlier: 0, later: 1 }, Meeting::Clash { earlier: 0, later: 2 }];
        assert_eq!(meetings(&mut items), both);
    }

    #[test]
    fn what_happened_and_one_run_never_clash() {
        let mut items = [item(0, 0, false, 0, 100), item(1, 1, false, 10, 20), item(2, 5, true, 200, 300)];
        assert_eq!(meetings(&mut items), [Meeting::Next { earlier: 0, later: 2 }]);
        let mut run = [item(0, 0, true, 0, 100), item(1, 0, true, 10, 120)];
        assert_eq!(meetings(&mut run), []);
    }

    #[test]
    fn agrees_with_comparing_all_pairs() {
        let mut state = 7_u64;
        let mut draw = |below: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 33) % below) as i64
        };
        for _ in 0..5_000 {
            let mut items: Vec<Item> = (0..8)
                .map(|id| {
                    let start = draw(30);
                    item(id, draw(4) as usize, draw(3) > 0, start, start + 1 + draw(12))
                })
                .collect();
            let found = meetings(&mut items).into_iter().filter_map(|meeting| match meeting {
                Meeting::Clash { later, .. } => Some(later),
                Meeting::Next { .. } => None,
            });
            let found: Vec<usize> = found.collect();
            assert_eq!(found, all_pairs(&items), "{items:?}");
        }
    }
}
