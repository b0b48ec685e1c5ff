//! When a mode's crew may work in a place, and when the air lets it: what does not depend on anybody else's plans.

use super::model::{Activity, Mode, Model, NONE, wide};
use super::spans::{NEVER, Spans, T, common_at_or_after};
use super::state::Obstacle;

/// The first start at or after `t` in workable time, and the finish; other activities are not looked at.
#[inline]
pub fn workable(model: &Model, activity: u32, mode: u32, mut t: T, first_piece_min: T) -> Option<(T, T)> {
    let own = &model.activities[activity as usize];
    let way = &model.modes[mode as usize];
    if way.crew == NONE {
        return Some((t, t + way.length));
    }
    loop {
        let (from, until) = hours_at_or_after(model, own, way, t)?;
        let start = t.max(from);
        if start + way.length <= until {
            return Some((start, start + way.length));
        }
        if own.dividable && until - start >= first_piece_min.min(until - from) {
            let mut left = way.length - (until - start);
            let mut after = until;
            loop {
                let (from, until) = hours_at_or_after(model, own, way, after)?;
                if left <= until - from {
                    return Some((start, from + left));
                }
                left -= until - from;
                after = until;
                if after > model.end {
                    return None;
                }
            }
        }
        t = until;
        if t > model.end {
            return None;
        }
    }
}

/// The common hours of a mode's crew and its place that contain `t`, or the first ones after it.
#[inline]
fn hours_at_or_after(model: &Model, own: &Activity, way: &Mode, t: T) -> Option<(T, T)> {
    if way.hours != NONE {
        return model.calendars[way.hours as usize].at_or_after(t);
    }
    let access = &model.calendars[model.places[own.place as usize].access as usize];
    common_at_or_after(&model.calendars[way.calendar as usize], access, t)
}

/// What of crew and house is in the way of a start in `mode` that is not in workable time.
pub fn not_workable(model: &Model, activity: u32, mode: u32, start: T) -> Obstacle {
    let way = &model.modes[mode as usize];
    if way.crew == NONE {
        return Obstacle::Access;
    }
    let dividable = model.activities[activity as usize].dividable;
    let holds = |calendar: u32| {
        let span = model.calendars[calendar as usize].at_or_after(start);
        span.is_some_and(|span| span.0 <= start && (dividable || start + way.length <= span.1))
    };
    let own = &model.activities[activity as usize];
    let all_hours = model.crews[way.crew as usize].calendar;
    let access = &model.calendars[model.places[own.place as usize].access as usize];
    if !holds(all_hours) {
        return Obstacle::Crew;
    }
    if !holds(way.calendar) {
        return Obstacle::People;
    }
    if !dividable || access.at_or_after(start).is_none_or(|span| span.0 > start) {
        return Obstacle::Access;
    }
    // Begun in time, it is not finished within the horizon: what keeps it from that is what it would do without.
    let ends = |hours: u32, access: &Spans| {
        let finish = laid_out_until(&model.calendars[hours as usize], access, start, way.length);
        finish.is_some_and(|finish| finish <= model.end)
    };
    if ends(all_hours, access) {
        Obstacle::People
    } else if ends(all_hours, &Spans::always()) {
        Obstacle::Access
    } else {
        Obstacle::Crew
    }
}

/// When work of `length` minutes that begins at `start` and rests outside the common time of two sets ends.
pub fn laid_out_until(crew: &Spans, access: &Spans, start: T, length: T) -> Option<T> {
    let (mut t, mut left) = (start, length);
    loop {
        let (from, until) = common_at_or_after(crew, access, t)?;
        let from = from.max(t);
        if left <= until - from {
            return Some(from + left);
        }
        left -= until - from;
        t = until;
    }
}

/// `None` when every gate of a mode is open for a start at `start`; else the next start worth trying.
#[inline]
pub fn gate_obstacle(model: &Model, mode: u32, start: T) -> Option<T> {
    for gate in &model.gate_uses[wide(&model.modes[mode as usize].gates)] {
        let from = start + gate.offset;
        match model.gates[gate.gate as usize].at_or_after(from) {
            Some((open, shut)) if open <= from && from + gate.length <= shut => {}
            Some((open, _)) if open > from => return Some(open - gate.offset),
            Some((_, shut)) => return Some(shut - gate.offset),
            None => return Some(NEVER),
        }
    }
    None
}
