//! When crew, house, air and gear that is out of use at times let a block begin, and when dividable work is done: what does
//! not depend on who else is at work, but for the gear.

use super::course::{Course, Strength};
use super::gear::InUse;
use super::hours::{NEVER, first_after};

/// The first minute from `at` on at which crew, house, air and broken gear let a block begin that takes as long as is
/// expected of that strength.
pub(super) fn fit(course: &Course, in_use: &InUse, number: u32, strength: &Strength, mut at: i64) -> Option<i64> {
    let block = &course.blocks[number as usize];
    let spans = &course.workable[strength.workable as usize];
    let mut place = first_after(spans, strength.first_span, at);
    loop {
        let span = spans.get(place)?;
        let start = at.max(span.start().0);
        if !block.dividable && start + strength.minutes > span.end().0 {
            place += 1;
            continue;
        }
        let mut next = if block.gated { gate_shut(course, number, start, strength.minutes) } else { None };
        if block.broken_gear && next.is_none() {
            let finish = if block.dividable {
                worked_until(course, strength, start, strength.minutes)?
            } else {
                start + strength.minutes
            };
            next = in_use.short(course, number, (start, finish));
        }
        let Some(next) = next else { return Some(start) };
        at = next;
        place = first_after(spans, place, at);
    }
}

/// The next start worth trying where a gate is shut for work of `minutes`; `None` when all are open.
fn gate_shut(course: &Course, number: u32, start: i64, minutes: i64) -> Option<i64> {
    let members = course.members(number);
    for member in members {
        let Some((gate, hold)) = member.gate else { continue };
        let spans = &course.gates[gate as usize];
        let length = if members.len() == 1 { minutes } else { member.until };
        let (from, until) = (start + member.from, start + length + hold);
        let Some(span) = spans.get(spans.partition_point(|span| span.end().0 <= from)) else { return Some(NEVER) };
        if span.start().0 > from {
            return Some(span.start().0 - member.from);
        }
        if until > span.end().0 {
            return Some(span.end().0 - member.from);
        }
    }
    None
}

/// When `minutes` of dividable work begun at `start` are done.
pub(super) fn worked_until(course: &Course, strength: &Strength, start: i64, minutes: i64) -> Option<i64> {
    let spans = &course.workable[strength.workable as usize];
    let mut left = minutes;
    for span in &spans[first_after(spans, strength.first_span, start)..] {
        let from = span.start().0.max(start);
        if left <= span.end().0 - from {
            return Some(from + left);
        }
        left -= span.end().0 - from;
    }
    None
}
