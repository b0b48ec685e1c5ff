//! Time that is taken: bookings of crews and gear that travel, of areas, and amounts of cumulative resources. Sorted
//! vectors searched by bisection; one timeline holds what one resource does, a few hundred entries at most.

use super::model::{Model, NONE};
use super::spans::T;

/// One stretch of a resource's time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Booking {
    /// From.
    pub start: T,
    /// Until.
    pub end: T,
    /// Where.
    pub place: u32,
    /// By which activity, or `FIXED` and above for what was taken before planning.
    pub by: u32,
    /// Several fixed steps at once: history that cannot have been so, joined.
    pub mixed: bool,
    /// By an activity that is done in one piece from start to end, and goes on with nothing that was begun before.
    pub whole: bool,
}

/// Numbers from here on (but not `NONE`) in `Booking::by` mean fixed steps.
pub const FIXED: u32 = 1 << 31;

/// Sorted, disjoint bookings.
#[derive(Debug, Clone, Default)]
pub struct Timeline(Vec<Booking>);

impl Timeline {
    /// Takes what is already booked; what overlaps (history is what happened) is joined, the later end's place kept.
    pub fn with_taken(mut taken: Vec<Booking>) -> Timeline {
        taken.sort_unstable_by_key(|booking| (booking.start, booking.end, booking.by));
        let mut joined: Vec<Booking> = Vec::with_capacity(taken.len());
        for booking in taken {
            match joined.last_mut() {
                Some(last) if booking.start < last.end => {
                    if booking.end >= last.end {
                        *last = Booking { start: last.start, ..booking };
                    }
                    last.mixed = true;
                }
                _ => joined.push(booking),
            }
        }
        Timeline(joined)
    }

    /// All bookings in order.
    pub fn bookings(&self) -> &[Booking] {
        &self.0
    }

    /// The earliest start at or after `t` that keeps `[t, t + length)` free, the way from and to the neighbours
    /// included; only the first conflict is resolved, the caller asks again until nothing moves. `Err` carries the
    /// new earliest start and who is in the way. Bookings by `joins` never are.
    #[inline]
    pub fn clear(&self, model: &Model, place: u32, t: T, finish: T, joins: u32) -> Result<(), (T, u32)> {
        let next = self.0.partition_point(|booking| booking.start <= t);
        if next > 0 {
            let before = &self.0[next - 1];
            let free = before.end + model.way(place, before.place);
            if free > t && (before.by != joins || before.mixed) {
                return Err((free, before.by));
            }
        }
        if let Some(after) = self.0.get(next)
            && finish + model.way(place, after.place) > after.start
        {
            return Err((after.end + model.way(place, after.place), after.by));
        }
        Ok(())
    }

    /// Adds a booking that is known to be free.
    pub fn add(&mut self, booking: Booking) {
        let at = self.0.partition_point(|other| other.start < booking.start);
        self.0.insert(at, booking);
    }

    /// Takes the booking of `by` that starts at `start` out again.
    pub fn remove(&mut self, start: T, by: u32) {
        let mut at = self.0.partition_point(|other| other.start < start);
        while self.0.get(at).is_some_and(|booking| booking.start == start) {
            if self.0[at].by == by {
                self.0.remove(at);
                return;
            }
            at += 1;
        }
        debug_assert!(false, "a booking that is removed was added before");
    }

    /// The bookings just before and just after `t`.
    #[inline]
    pub fn neighbours(&self, t: T) -> (Option<&Booking>, Option<&Booking>) {
        let next = self.0.partition_point(|booking| booking.start < t);
        (next.checked_sub(1).map(|before| &self.0[before]), self.0.get(next))
    }
}

/// How much of a cumulative resource is in use over time.
#[derive(Debug, Clone)]
pub struct Profile {
    capacity: u32,
    /// Sorted (time, amount from then on); before the first entry nothing is in use.
    levels: Vec<(T, u32)>,
}

impl Profile {
    /// Nothing in use.
    pub fn new(capacity: u32) -> Profile {
        Profile { capacity, levels: vec![(T::MIN, 0)] }
    }

    /// As [`Timeline::clear`], for an amount.
    #[inline]
    pub fn clear(&self, t: T, finish: T, amount: u32) -> Result<(), (T, u32)> {
        let first = self.levels.partition_point(|level| level.0 <= t) - 1;
        let mut blocked = None;
        for (number, level) in self.levels[first..].iter().enumerate().take_while(|(_, level)| level.0 < finish) {
            if level.1 + amount > self.capacity {
                blocked = Some(first + number);
            }
        }
        match blocked {
            None => Ok(()),
            Some(level) => Err((self.levels.get(level + 1).map_or(super::spans::NEVER, |next| next.0), NONE)),
        }
    }

    fn cut(&mut self, t: T) -> usize {
        let at = self.levels.partition_point(|level| level.0 < t);
        if self.levels.get(at).is_none_or(|level| level.0 != t) {
            let amount = self.levels[at - 1].1;
            self.levels.insert(at, (t, amount));
        }
        at
    }

    fn join(&mut self, at: usize) {
        if at > 0 && self.levels.get(at).is_some_and(|level| level.1 == self.levels[at - 1].1) {
            self.levels.remove(at);
        }
    }

    /// Adds an amount over `[start, end)`; history may go over the capacity.
    pub fn add(&mut self, start: T, end: T, amount: u32) {
        if start >= end || amount == 0 {
            return;
        }
        let (from, until) = (self.cut(start), self.cut(end));
        self.levels[from..until].iter_mut().for_each(|level| level.1 += amount);
        self.join(until);
        self.join(from);
    }

    /// Takes an amount out again.
    pub fn remove(&mut self, start: T, end: T, amount: u32) {
        if start >= end || amount == 0 {
            return;
        }
        let (from, until) = (self.cut(start), self.cut(end));
        self.levels[from..until].iter_mut().for_each(|level| level.1 -= amount);
        self.join(until);
        self.join(from);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_profile_remembers_and_forgets() {
        let mut profile = Profile::new(3);
        profile.add(10, 20, 2);
        profile.add(15, 30, 1);
        assert_eq!(profile.clear(0, 10, 3), Ok(()));
        assert_eq!(profile.clear(5, 11, 2), Err((15, NONE)));
        assert_eq!(profile.clear(16, 18, 1), Err((20, NONE)));
        assert_eq!(profile.clear(20, 40, 2), Ok(()));
        profile.remove(15, 30, 1);
        profile.remove(10, 20, 2);
        assert_eq!(profile.levels, [(T::MIN, 0)]);
    }

    #[test]
    fn overlapping_history_is_joined() {
        let taken = |start, end, place, by| Booking { start, end, place, by, mixed: false, whole: false };
        let timeline = Timeline::with_taken(vec![taken(5, 9, 1, 1), taken(0, 6, 0, 0), taken(12, 14, 2, 2)]);
        let joined = Booking { mixed: true, ..taken(0, 9, 1, 1) };
        assert_eq!(timeline.bookings(), [joined, taken(12, 14, 2, 2)]);
    }
}
