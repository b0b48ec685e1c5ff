//! The part of compiling that turns waits into arcs, and closes what the keep-off waits of past work still close.

use super::compile_jobs::Builder;
use super::model::{Anchor, Arc, NONE, Taken};
use super::spans::{NEVER, T};
use crate::domain::chain::{OnExceed, Wait, WaitKind};
use crate::domain::ids::{JobIx, StepIx};
use crate::domain::situation::Job;

impl Builder<'_> {
    /// The arc of a wait between two activities.
    pub(super) fn add_arc(&mut self, job: JobIx, content: &Job, wait: &Wait) {
        let of = |step: StepIx| (self.activity_of[job.index()][step.index()], self.part_of[job.index()][step.index()]);
        let ((from, from_part), (to, to_part)) = (of(wait.from), of(wait.to));
        // What happened is not judged; inside a run the parts' offsets say it all.
        if from == to || content.chain.step(wait.to).fixed().is_some() || wait.kind == WaitKind::Dwell {
            return;
        }
        let (max, extra) = match wait.max {
            None => (NEVER, NONE),
            Some(max) => match max.on_exceed {
                OnExceed::Forbid => (max.minutes as T, NONE),
                OnExceed::Lapse(step) => (max.minutes as T, self.activity_of[job.index()][step.index()]),
            },
        };
        let least = self.least(from, content, wait);
        self.tables.model.arcs.push(Arc { to, from_part, to_part, max, extra, ..least });
    }

    /// Areas that a fixed step's keep-off wait still closes.
    pub(super) fn close_after_fixed(&mut self, job: JobIx, content: &Job) {
        for wait in content.chain.waits().iter().filter(|wait| wait.keep_off) {
            let Some(attempt) = content.chain.step(wait.from).fixed() else { continue };
            let number = self.activity_of[job.index()][wait.from.index()];
            let arc = self.least(number, content, wait);
            let finish = self.tables.time(attempt.finish);
            let ready = self.tables.model.ready(&arc, finish);
            let areas = self.tables.model.activities[number as usize].areas.clone();
            for area in areas {
                let area = self.tables.model.area_lists[area as usize];
                let closed = Taken { start: finish, end: ready.max(finish + 1), place: NONE, by: number };
                self.tables.model.area_taken[area as usize].push(closed);
            }
        }
    }

    /// How long a wait takes at least, as an arc of an activity to itself without a maximum.
    fn least(&mut self, from: u32, content: &Job, wait: &Wait) -> Arc {
        let dry = wait.film.map_or(NONE, |film| self.tables.drying(content.house, film));
        let zone = self.tables.situation.houses[content.house.index()].zone;
        let overnight = if wait.overnight { self.tables.days(zone) } else { NONE };
        Arc {
            from,
            to: from,
            from_part: 0,
            to_part: 0,
            anchor: Anchor::Finish,
            min: wait.min_minutes as T,
            dry,
            overnight,
            max: NEVER,
            extra: NONE,
            keep_off: wait.keep_off,
        }
    }
}
