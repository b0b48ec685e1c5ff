//! The search for the next free time: the innermost loop of all planning.

use super::hours::workable;
use super::model::NONE;
use super::spans::{NEVER, T};
use super::state::{Place, State};
use super::timeline::Booking;

impl State<'_> {
    /// The first free time for `activity` in `mode` from `earliest` on that does not start after `latest`.
    pub fn find(&self, activity: u32, mode: u32, earliest: T, latest: T) -> Option<Place> {
        let mut t = earliest.max(0);
        let way = &self.model.modes[mode as usize];
        if way.hours != NONE && !self.model.activities[activity as usize].dividable && !self.regular_only {
            return self.find_whole(activity, mode, t, latest);
        }
        loop {
            if t > latest {
                return None;
            }
            let (start, finish) = workable(self.model, activity, mode, t, self.first_piece_minutes_min)?;
            if finish > self.model.end || start > latest {
                return None;
            }
            if self.regular_only
                && let Some(next) = self.outside_regular(activity, mode, start, finish)
            {
                t = next.max(start + 1);
                continue;
            }
            // Crews are what is in the way most of the time; how long the floor stays closed is dear to find out.
            if let Some((next, _)) = self.busy(activity, mode, start, finish) {
                t = next.max(start + 1);
                continue;
            }
            let closed_until = self.closed_until(activity, mode, start, finish);
            if closed_until >= NEVER {
                return None;
            }
            match self.obstacle(activity, mode, start, finish, closed_until) {
                None => return Some(Place { start, finish, closed_until, mode }),
                Some((next, _)) => t = next.max(start + 1),
            }
        }
    }

    /// As [`State::find`], of what is done in one piece: hours and the crew's bookings are walked through side by side.
    fn find_whole(&self, activity: u32, mode: u32, mut t: T, latest: T) -> Option<Place> {
        let model = self.model;
        let (own, way) = (&model.activities[activity as usize], &model.modes[mode as usize]);
        let latest = latest.min(model.end - way.length);
        let calendar = &model.calendars[way.hours as usize];
        let hours = calendar.as_slice();
        let bookings = if self.crews_unlimited { &[] } else { self.crew(way.crew).bookings() };
        let mut span = calendar.first_after(t);
        let mut next = bookings.partition_point(|booking| booking.start <= t);
        loop {
            while bookings.get(next).is_some_and(|booking| booking.start <= t) {
                next += 1;
            }
            if let Some(before) = next.checked_sub(1).map(|before| &bookings[before])
                && (before.by != own.joins || before.mixed)
            {
                t = t.max(before.end + model.way(own.place, before.place));
            }
            if t > latest {
                return None;
            }
            let after = bookings.get(next);
            let past = |after: &Booking| after.end + model.way(own.place, after.place);
            // Most gaps are too short even without ways.
            if let Some(after) = after.filter(|after| t + way.length > after.start) {
                t = t.max(past(after));
                continue;
            }
            loop {
                let &(from, until) = hours.get(span)?;
                t = t.max(from);
                if t + way.length <= until {
                    break;
                }
                span += 1;
            }
            if t > latest {
                return None;
            }
            let finish = t + way.length;
            if let Some(after) = after.filter(|after| finish + model.way(own.place, after.place) > after.start) {
                t = t.max(past(after));
                continue;
            }
            let closed_until = self.closed_until(activity, mode, t, finish);
            if closed_until >= NEVER {
                return None;
            }
            match self.obstacle(activity, mode, t, finish, closed_until) {
                None => return Some(Place { start: t, finish, closed_until, mode }),
                Some((free, _)) => t = free.max(t + 1),
            }
        }
    }

    /// `None` when the work lies in the crew's regular hours; else the next start worth trying.
    fn outside_regular(&self, activity: u32, mode: u32, start: T, finish: T) -> Option<T> {
        let crew = self.crew_of(mode);
        if crew == NONE {
            return None;
        }
        let regular = &self.model.calendars[self.model.crews[crew as usize].regular as usize];
        let place = Place { start, finish, closed_until: finish, mode };
        let inside = |(from, until): &(T, T)| regular.covered(*from, *until) == until - from;
        if self.pieces(activity, place).iter().all(inside) {
            return None;
        }
        let next = match regular.at_or_after(start) {
            Some(span) if span.0 <= start => regular.at_or_after(span.1),
            after => after,
        };
        Some(next.map_or(NEVER, |span| span.0))
    }
}
