//! Sorted, disjoint spans of model time, and the questions asked of them millions of times.

use crate::domain::bounds::HORIZON_DAYS_MAX;

/// Model time: minutes after the model's origin.
pub type T = i32;

/// Later than any plan reaches; small enough that a sum of two does not overflow.
pub const NEVER: T = i32::MAX / 4;

/// Sorted, disjoint, half-open spans.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Spans {
    spans: Vec<(T, T)>,
    /// For the start of each day of model time the first span that ends after it, as far as there are spans; empty where there
    /// are few.
    by_day: Vec<u32>,
}

const DAY: T = 1440;
/// As far as any horizon reaches.
const DAYS_MAX: T = HORIZON_DAYS_MAX as T;
/// Fewer spans are walked through sooner than looked up.
const SPANS_TO_LOOK_UP: usize = 4;

impl Spans {
    /// Takes spans that are already sorted and disjoint.
    pub fn new(sorted: Vec<(T, T)>) -> Spans {
        debug_assert!(sorted.windows(2).all(|pair| pair[0].1 <= pair[1].0));
        let last = sorted.last().map_or(0, |span| span.1).min(DAYS_MAX * DAY);
        let few = sorted.len() < SPANS_TO_LOOK_UP || last <= 0;
        let days = 0..if few { 0 } else { last / DAY + 1 };
        let mut first = 0;
        let by_day = days.map(|day| {
            first += sorted[first..].iter().take_while(|span| span.1 <= day * DAY).count();
            first as u32
        });
        let by_day = by_day.collect();
        Spans { spans: sorted, by_day }
    }

    /// All of time.
    pub fn always() -> Spans {
        Spans::new(vec![(-NEVER, NEVER)])
    }

    /// The span that contains `t`, or the first one after it.
    #[inline]
    pub fn at_or_after(&self, t: T) -> Option<(T, T)> {
        self.spans.get(self.first_after(t)).copied()
    }

    /// Number of the first span that ends after `t`.
    #[inline]
    pub fn first_after(&self, t: T) -> usize {
        let mut first = match self.by_day.last() {
            Some(last) if t >= 0 => *self.by_day.get((t / DAY) as usize).unwrap_or(last) as usize,
            _ => 0,
        };
        while self.spans.get(first).is_some_and(|span| span.1 <= t) {
            first += 1;
        }
        first
    }

    /// What lies in both.
    pub fn common(&self, other: &Spans) -> Spans {
        let mut common = Vec::new();
        let mut t = -NEVER;
        while let Some((from, until)) = common_at_or_after(self, other, t) {
            common.push((from, until));
            t = until;
        }
        Spans::new(common)
    }

    /// As a slice.
    pub fn as_slice(&self) -> &[(T, T)] {
        &self.spans
    }

    /// Minutes of `[from, until)` that lie inside.
    pub fn covered(&self, from: T, until: T) -> T {
        self.spans[self.first_after(from)..]
            .iter()
            .take_while(|span| span.0 < until)
            .map(|span| span.1.min(until) - span.0.max(from))
            .sum()
    }
}

/// The part common to two sets that contains `t`, or the first common part after it.
#[inline]
pub fn common_at_or_after(a: &Spans, b: &Spans, mut t: T) -> Option<(T, T)> {
    loop {
        let (a_start, a_end) = a.at_or_after(t)?;
        let (b_start, b_end) = b.at_or_after(t)?;
        let start = a_start.max(b_start);
        let end = a_end.min(b_end);
        if start < end {
            return Some((start, end));
        }
        t = start;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn common_parts_are_found_in_order() {
        let a = Spans::new(vec![(0, 10), (20, 30)]);
        let b = Spans::new(vec![(5, 8), (9, 22), (29, 40)]);
        assert_eq!(common_at_or_after(&a, &b, 0), Some((5, 8)));
        assert_eq!(common_at_or_after(&a, &b, 8), Some((9, 10)));
        assert_eq!(common_at_or_after(&a, &b, 10), Some((20, 22)));
        assert_eq!(common_at_or_after(&a, &b, 22), Some((29, 30)));
        assert_eq!(common_at_or_after(&a, &b, 30), None);
        assert_eq!(a.covered(5, 25), 10);
        assert_eq!(a.common(&b).as_slice(), [(5, 8), (9, 10), (20, 22), (29, 30)]);
    }

    /// Days off, two spans in a day, one over midnight, one that touches the next, one before time begins; beside a look at all of them.
    #[test]
    fn the_first_span_after_any_minute_is_found() {
        let all =
            [(-900, -500), (-60, 0), (480, 720), (780, 1440), (1440, 1500), (2000, 3000), (5760, 5761), (9000, 9900)];
        for count in 0..=all.len() {
            let spans = Spans::new(all[..count].to_vec());
            for t in -1000..11_000 {
                let first = all[..count].iter().position(|span| span.1 > t).unwrap_or(count);
                assert_eq!(spans.first_after(t), first, "{count} spans, {t}");
            }
        }
        assert_eq!(Spans::always().first_after(77), 0);
    }
}
