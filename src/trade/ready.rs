//! When a wet floor is ready: label time worked off minute by minute at the speed that the hour's air allows, from
//! prefix sums over whole hours, so that a planner may ask millions of times. Integers only, so that any other way of
//! adding up the same minutes agrees to the minute.

use crate::domain::climate::{Air, Film};
use crate::domain::time::{HOUR, Minute};
use crate::trade::climate::{AirOverTime, hour_of};
use crate::trade::drying::{FULL_PROGRESS_PPM, progress_ppm};

/// The drying of one kind of film in one house over a stretch of time, ready for many questions.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DryingTable {
    from: Minute,
    until: Minute,
    /// Start of the UTC hour that contains `from`.
    first_hour: Minute,
    /// Progress per minute in each hour, parts per million of a label minute.
    ppm: Vec<u32>,
    /// `done[i]` is the progress of all hours before hour `i`, in millionths of a label minute; one longer than `ppm`.
    done: Vec<i64>,
}

impl DryingTable {
    /// For floors that become wet at or after `from` and are asked about before `until`. `until` is cut to
    /// [`crate::trade::climate::TABLE_HOURS_MAX`] hours after `from`. Past the climate's end: see there.
    /// In unknown air a film dries as on its label.
    pub fn new(climate: &impl AirOverTime, film: Film, from: Minute, until: Minute) -> DryingTable {
        let first_hour = hour_of(from);
        let speed = |air: Option<Air>| air.map_or(FULL_PROGRESS_PPM, |air| progress_ppm(film, air));
        let ppm: Vec<u32> = climate.hours_covering(from, until).map(|(_, air)| speed(air)).collect();
        let mut done = Vec::with_capacity(ppm.len() + 1);
        let mut sum = 0;
        done.push(sum);
        for &per_minute in &ppm {
            sum += HOUR * i64::from(per_minute);
            done.push(sum);
        }
        let covered_until = first_hour.plus(HOUR * ppm.len() as i64);
        DryingTable { from, until: until.min(covered_until), first_hour, ppm, done }
    }

    /// The first minute `m` such that the minutes `[start, m)` hold `label_minutes` of drying; `None` if that is not
    /// before the table's `until`.
    ///
    /// Never sooner than `label_minutes` after `start`, and never sooner for a later `start`. Minutes before the table's
    /// `from` count for nothing. Nothing to dry is ready at once. O(log n).
    pub fn ready_at(&self, start: Minute, label_minutes: i64) -> Option<Minute> {
        let start = start.max(self.from);
        if start >= self.until {
            return None;
        }
        if label_minutes <= 0 {
            return Some(start);
        }
        let goal = label_minutes.checked_mul(i64::from(FULL_PROGRESS_PPM))?.checked_add(self.done_by(start))?;

        // No hour dries more than its 60 minutes, so none before this one can end past the goal.
        let soonest = (start.since(self.first_hour) + label_minutes) / HOUR;
        let later = self.done.get(soonest as usize..)?;
        let after = soonest as usize + later.partition_point(|&done| done < goal);
        let left = goal - self.done[after - 1];
        // Past the last hour there is nothing to look up: not before `until`.
        let per_minute = i64::from(*self.ppm.get(after - 1)?);
        let minutes = (left + per_minute - 1) / per_minute;
        let ready = self.first_hour.plus(HOUR * (after as i64 - 1) + minutes);
        (ready < self.until).then_some(ready)
    }

    /// Progress from the first hour to `at`, in millionths of a label minute; `at` must lie in the table.
    fn done_by(&self, at: Minute) -> i64 {
        let minutes = at.since(self.first_hour);
        let hour = (minutes / HOUR) as usize;
        self.done[hour] + (minutes % HOUR) * i64::from(self.ppm[hour])
    }
}

#[cfg(test)]
#[path = "ready_tests.rs"]
mod tests;
