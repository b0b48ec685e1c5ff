//! When a wet floor is ready: label time worked off minute by minute at the speed that the hour's air allows, from
//! prefix sums over whole hours, so that a planner may ask millions of times. Integers only, so that any other way of
//! adding up the same minutes agrees to the minute.

use crate::domain::climate::{Air, Film};
use crate::domain::time::{HOUR, Minute};
use crate::trade::climate::{AirOverTime, by_hour, hour_of, hours_to_cover, hours_to_look_at};
use crate::trade::drying::{FULL_PROGRESS_PPM, progress_ppm};

/// The drying of one kind of film in one house over a stretch of time, ready for many questions.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DryingTable {
    from: Minute,
    until: Minute,
    /// Start of the UTC hour that contains `from`.
    first_hour: Minute,
    /// Hours in the table: more than are held, where the last ones repeat themselves.
    hours: usize,
    /// Progress per minute in each hour held, parts per million of a label minute.
    ppm: Vec<u32>,
    /// `done[i]` is the progress of all hours before hour `i`, in millionths of a label minute; one longer than `ppm`.
    done: Vec<i64>,
    /// So many of the last hours held are repeated to the end of the table.
    period: Option<usize>,
}

impl DryingTable {
    /// For floors that become wet at or after `from` and are asked about before `until`. `until` is cut to
    /// [`crate::trade::climate::TABLE_HOURS_MAX`] hours after `from`. Past the climate's end: see there.
    /// In unknown air a film dries as on its label.
    pub fn new(climate: &impl AirOverTime, film: Film, from: Minute, until: Minute) -> DryingTable {
        let first_hour = hour_of(from);
        let speed = |air: Option<Air>| air.map_or(FULL_PROGRESS_PPM, |air| progress_ppm(film, air));
        let hours = hours_to_cover(from, until);
        let (held, period) = hours_to_look_at(climate, from, hours);
        let airs = climate.hours_covering(from, until).map(|(_, air)| air).take(held as usize);
        let ppm = by_hour(airs, speed);
        let mut done = Vec::with_capacity(ppm.len() + 1);
        let mut sum = 0;
        done.push(sum);
        for &per_minute in &ppm {
            sum += HOUR * i64::from(per_minute);
            done.push(sum);
        }
        let covered_until = first_hour.plus(HOUR * hours);
        let hours = hours as usize;
        DryingTable { from, until: until.min(covered_until), first_hour, hours, ppm, done, period }
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

        let after = match self.period {
            Some(period) if self.done[self.ppm.len()] < goal => self.repeated_hour_after(period, goal)?,
            _ => {
                // No hour dries more than its 60 minutes, so none before this one can end past the goal.
                let soonest = (start.since(self.first_hour) + label_minutes) / HOUR;
                let soonest = (soonest as usize).min(self.done.len());
                soonest + self.done[soonest..].partition_point(|&done| done < goal)
            }
        };
        // Past the last hour there is nothing to look up: not before `until`.
        if after > self.hours {
            return None;
        }
        let left = goal - self.done_before(after - 1);
        let per_minute = i64::from(self.ppm_in(after - 1));
        let minutes = (left + per_minute - 1) / per_minute;
        let ready = self.first_hour.plus(HOUR * (after as i64 - 1) + minutes);
        (ready < self.until).then_some(ready)
    }

    /// The number of hours after which the goal is reached, past those held; `None` when it never is.
    fn repeated_hour_after(&self, period: usize, goal: i64) -> Option<usize> {
        let held = self.ppm.len();
        let before = self.done[held - period];
        let each = self.done[held] - before;
        if each == 0 {
            return None;
        }
        // At least a minute's worth is missing, and a whole number of periods leaves between nothing and one of them.
        let missing = goal - self.done[held];
        let periods = (missing - 1) / each;
        let rest = missing - periods * each;
        let hours = self.done[held - period..].partition_point(|&done| done - before < rest);
        usize::try_from(periods).ok()?.checked_mul(period)?.checked_add(held + hours)
    }

    /// Which of the hours held is like hour `hour`, and how many periods later that is.
    fn like(&self, hour: usize) -> (usize, i64) {
        match self.period {
            Some(period) if hour >= self.ppm.len() => {
                let past = hour - (self.ppm.len() - period);
                (self.ppm.len() - period + past % period, (past / period) as i64)
            }
            _ => (hour, 0),
        }
    }

    fn ppm_in(&self, hour: usize) -> u32 {
        self.ppm[self.like(hour).0]
    }

    /// Progress of all hours before `hour`, in millionths of a label minute.
    fn done_before(&self, hour: usize) -> i64 {
        let (like, periods) = self.like(hour);
        let each = self.period.map_or(0, |period| self.done[self.ppm.len()] - self.done[self.ppm.len() - period]);
        self.done[like] + periods * each
    }

    /// Progress from the first hour to `at`, in millionths of a label minute; `at` must lie in the table.
    fn done_by(&self, at: Minute) -> i64 {
        let minutes = at.since(self.first_hour);
        let hour = (minutes / HOUR) as usize;
        self.done_before(hour) + (minutes % HOUR) * i64::from(self.ppm_in(hour))
    }
}

#[cfg(test)]
#[path = "ready_tests.rs"]
mod tests;
