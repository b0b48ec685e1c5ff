//! What made a run late: the constraint that bound, followed backwards from a job's finish.

use super::course::{Course, NONE};
use super::marks::Cause;
use super::run::Run;
use crate::domain::ids::{CrewIx, EquipmentIx, JobIx, StepRef, WaitIx};

/// Something that holds a job up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Driver {
    /// The step took longer than planned.
    Step(StepRef),
    /// The wait took longer than its label says in that air.
    Wait(JobIx, WaitIx),
    /// The check failed.
    Check(StepRef),
    /// The crew came late from another job.
    Crew(CrewIx),
    /// Gear came late from another job.
    Equipment(EquipmentIx),
}

/// The drivers on the path that ends with execution `last`, each once, sorted, into `path`.
pub(super) fn trace(course: &Course, run: &Run<'_>, last: u32, path: &mut Vec<Driver>) {
    path.clear();
    let mut at = last;
    // Each execution is brought about by an earlier one.
    while at != NONE {
        let done = run.executions[at as usize];
        let block = &course.blocks[done.block as usize];
        if done.slow {
            path.push(Driver::Step(course.members(done.block)[0].step));
        }
        if !done.delayed {
            break;
        }
        let before = run.executions.get(done.by as usize).map(|before| &course.blocks[before.block as usize]);
        let elsewhere = before.is_some_and(|before| before.job != block.job);
        match done.cause {
            Cause::Planned | Cause::Area => {}
            Cause::Lag { lag, longer } => {
                let lag = &course.lags[lag as usize];
                path.extend(lag.wait.filter(|_| longer).map(|wait| Driver::Wait(lag.job, wait)));
            }
            Cause::Crew => path.extend(elsewhere.then_some(Driver::Crew(block.crew))),
            Cause::Gear(unit) => {
                let kind = course.unit_kinds[unit as usize].kind;
                path.extend(elsewhere.then_some(Driver::Equipment(kind)));
            }
            Cause::Recheck | Cause::TreatAgain => {
                path.extend(before.map(|before| Driver::Check(course.members[before.members.start as usize].step)));
            }
        }
        at = done.by;
    }
    path.sort_unstable();
    path.dedup();
}
