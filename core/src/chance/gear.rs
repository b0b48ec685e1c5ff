//! Gear that is out of use at times: of what must be brought, the units with the highest numbers; of what rides along, as
//! many as are out, whichever they are.

use super::course::{Course, Unit, wide};

/// Who has what of the kinds that ride along and are out at times.
#[derive(Debug)]
pub(super) struct InUse {
    /// By kind: from, until and number of the unit.
    uses: Vec<Vec<(i64, i64, u32)>>,
}

impl InUse {
    pub fn new(course: &Course) -> InUse {
        InUse { uses: vec![Vec::new(); course.units_over.len()] }
    }

    pub fn clear(&mut self) {
        self.uses.iter_mut().for_each(Vec::clear);
    }

    /// Somebody has `unit` over a span.
    #[inline]
    pub fn note(&mut self, course: &Course, unit: u32, (from, until): (i64, i64)) {
        let unit = course.unit_kinds[unit as usize];
        if !unit.travels && !course.units_over[unit.kind.index()].is_empty() {
            self.uses[unit.kind.index()].push((from, until, unit.number));
        }
    }

    /// The next start worth trying where a block from `start` to `finish` would have gear that is out; `None` when it
    /// would not.
    pub fn short(&self, course: &Course, block: u32, (start, finish): (i64, i64)) -> Option<i64> {
        let members = course.members(block);
        for member in members {
            let until = if members.len() == 1 { finish } else { start + member.until };
            let span = (start + member.from, until);
            let units = &course.units[wide(&member.units)];
            for (place, unit) in units.iter().map(|unit| course.unit_kinds[*unit as usize]).enumerate() {
                // Units of one kind stand together; the first speaks for all that ride along.
                let first = place == 0 || course.unit_kinds[units[place - 1] as usize].kind != unit.kind;
                let own = || units.iter().map(|unit| course.unit_kinds[*unit as usize]).filter(|u| u.kind == unit.kind);
                let free_at = match unit.travels {
                    true => out_until(course, unit, span),
                    false if first => self.too_few_until(course, unit, own().map(|unit| unit.number), span),
                    false => None,
                };
                if let Some(free_at) = free_at {
                    return Some(free_at - member.from);
                }
            }
        }
        None
    }

    /// When the first instant of the span passes at which more units than are left would be in use.
    fn too_few_until(
        &self,
        course: &Course,
        kind: Unit,
        own: impl Iterator<Item = u32> + Clone,
        (from, until): (i64, i64),
    ) -> Option<i64> {
        let uses = &self.uses[kind.kind.index()];
        for (stretch, left) in &course.units_over[kind.kind.index()] {
            let (first, last) = (from.max(stretch.start().0), until.min(stretch.end().0));
            if first >= last {
                continue;
            }
            let begins = uses.iter().map(|used| used.0).filter(|begin| first < *begin && *begin < last);
            for at in std::iter::once(first).chain(begins) {
                let others = || uses.iter().filter(|used| used.0 <= at && at < used.1);
                let mut numbers: Vec<u32> = others().map(|used| used.2).chain(own.clone()).collect();
                numbers.sort_unstable();
                numbers.dedup();
                if numbers.len() as u32 > *left {
                    return others().map(|used| used.1).chain([stretch.end().0]).min();
                }
            }
        }
        None
    }
}

/// When a unit comes back that is out at some time of the span.
fn out_until(course: &Course, unit: Unit, (from, until): (i64, i64)) -> Option<i64> {
    let stretches = course.units_over[unit.kind.index()].iter();
    let mut out =
        stretches.filter(|(stretch, left)| unit.number >= *left && stretch.start().0 < until && from < stretch.end().0);
    out.next().map(|(stretch, _)| stretch.end().0)
}
