//! What is booked for a section plan: two steps joined by a dwell, of which the planner knows only minutes. The second
//! begins the shortest dwell after the first, so that both together are as long as the section plan, and their ends lie
//! as far apart as the dwell allows.

use super::{Plan, Window};

/// Minutes to book for the two steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Booking {
    /// For part A, from the crew's beginning.
    pub a_minutes: i64,
    /// For part B, from the shortest dwell after the crew's beginning.
    pub b_minutes: i64,
}

/// Whole minutes for `plan`; of the dwell, the whole minutes that lie in its window.
pub fn booking(plan: &Plan, window: Window) -> Booking {
    let total = (plan.total_seconds + 59) / 60;
    let (min, max) = ((window.min_seconds + 59) / 60, window.max_seconds / 60);
    // Evening B out last can put the end farther from the end of A than the dwell is long: A's step ends later then.
    let a_done = ((plan.a_done_seconds + 59) / 60).min(total - min).max(total - max);
    Booking { a_minutes: a_done.max(1), b_minutes: (total - min).max(1) }
}
