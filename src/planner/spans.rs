//! Sorted, disjoint spans of model time, and the questions asked of them millions of times.

/// Model time: minutes after the model's origin.
pub type T = i32;

/// Later than any plan reaches; small enough that a sum of two does not overflow.
pub const NEVER: T = i32::MAX / 4;

/// Sorted, disjoint, half-open spans.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Spans(Vec<(T, T)>);

impl Spans {
    /// Takes spans that are already sorted and disjoint.
    pub fn new(sorted: Vec<(T, T)>) -> Spans {
        debug_assert!(sorted.windows(2).all(|pair| pair[0].1 <= pair[1].0));
        Spans(sorted)
    }

    /// All of time.
    pub fn always() -> Spans {
        Spans(vec![(-NEVER, NEVER)])
    }

    /// The span that contains `t`, or the first one after it.
    #[inline]
    pub fn at_or_after(&self, t: T) -> Option<(T, T)> {
        self.0.get(self.0.partition_point(|span| span.1 <= t)).copied()
    }

    /// What lies in both.
    pub fn common(&self, other: &Spans) -> Spans {
        let mut common = Vec::new();
        let mut t = -NEVER;
        while let Some((from, until)) = common_at_or_after(self, other, t) {
            common.push((from, until));
            t = until;
        }
        Spans(common)
    }

    /// As a slice.
    pub fn as_slice(&self) -> &[(T, T)] {
        &self.0
    }

    /// Minutes of `[from, until)` that lie inside.
    pub fn covered(&self, from: T, until: T) -> T {
        let first = self.0.partition_point(|span| span.1 <= from);
        self.0[first..].iter().take_while(|span| span.0 < until).map(|span| span.1.min(until) - span.0.max(from)).sum()
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
}
