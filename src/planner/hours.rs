//! When a mode's crew may work in a place, and when the air lets it: what does not depend on anybody else's plans.

use super::model::{Model, NONE, wide};
use super::spans::{NEVER, Spans, T, common_at_or_after};

/// The first start at or after `t` in workable time, and the finish; other activities are not looked at.
#[inline]
pub fn workable(model: &Model, activity: u32, mode: u32, mut t: T, first_piece_min: T) -> Option<(T, T)> {
    let own = &model.activities[activity as usize];
    let way = &model.modes[mode as usize];
    if way.crew == NONE {
        return Some((t, t + way.length));
    }
    let crew = &model.calendars[way.calendar as usize];
    let access = &model.calendars[model.places[own.place as usize].access as usize];
    loop {
        let (from, until) = common_at_or_after(crew, access, t)?;
        let start = t.max(from);
        if start + way.length <= until {
            return Some((start, start + way.length));
        }
        if own.dividable && until - start >= first_piece_min.min(until - from) {
            let mut left = way.length - (until - start);
            let mut after = until;
            loop {
                let (from, until) = common_at_or_after(crew, access, after)?;
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
