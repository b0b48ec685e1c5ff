//! Work that nobody waits for: each task is tried again and again as long as it finds something to do, then rests until
//! somebody knocks or a second has passed. What is to be done stands in the database; a task leases it there, so that
//! many servers do each thing once, and another takes over when one dies.
//!
//! | file | what |
//! |---|---|
//! | `mod` | the loop |
//! | `listen` | one connection that hears of news |
//! | `repairs` | published plans are repaired |
//! | `deliver` | notices to webhooks |
//! | `prune` | throwing away what is old |

mod deliver;
mod listen;
mod prune;
mod repairs;

pub use deliver::Deliver;
pub use prune::{Kept, PLANS_KEPT_DAYS_MIN, Prune};
pub use repairs::Repairs;

use crate::service::{Service, ServiceError, Stop, Waiting};
use crate::store::{Act, Doer};
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinSet;

/// How long a task without work rests when nobody knocks: knocks can be lost, and what is due at an hour comes without.
pub const POLL: Duration = Duration::from_secs(1);
/// The first rest after a failure; each further one takes twice as long.
const REST_AFTER_FAILURE: Duration = Duration::from_secs(1);
/// The longest rest after failures: how long after an outage of the database work begins again at the latest.
const REST_MAX: Duration = Duration::from_secs(30);

/// What a try came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Something was done; there may be more.
    Worked,
    /// There was nothing to do.
    Idle,
}

/// A kind of work. Tests step it: one try does at most one bounded thing, and whatever it has begun is finished or given
/// back when it returns.
pub trait Task: Send + Sync + 'static {
    /// For the log.
    fn name(&self) -> &'static str;

    /// Does the next thing, if there is one. Not given up half-way: shutting down waits for it, so it must end within
    /// seconds.
    ///
    /// # Errors
    /// The thing is not done; it is tried again after a rest.
    fn try_once(&self) -> impl Future<Output = Result<Outcome, ServiceError>> + Send;
}

/// The running loops.
pub struct Worker {
    service: Service,
    loops: JoinSet<()>,
}

impl Worker {
    /// Listens for news; has no tasks yet.
    pub fn new(service: &Service) -> Worker {
        let mut loops = JoinSet::new();
        loops.spawn(listen::listen(service.clone()));
        Worker { service: service.clone(), loops }
    }

    /// With one more task, from now on until the service is told to stop.
    pub fn with(mut self, task: impl Task) -> Worker {
        self.loops.spawn(keep_at(Arc::new(task), self.service.wakes().of_anybody(), self.service.stopping().clone()));
        self
    }

    /// Tells everybody to stop, and waits until what has been begun is finished, but no longer than `most`: whatever is
    /// not finished by then is leased, and somebody else does it when the lease runs out.
    pub async fn stop(mut self, most: Duration) {
        self.service.stopping().stop();
        let finished = tokio::time::timeout(most, async { while self.loops.join_next().await.is_some() {} });
        if finished.await.is_err() {
            tracing::warn!("work was not finished in time, and is left to others");
        }
    }
}

/// Until told to stop: works while there is work, rests while there is none, and rests longer while it fails.
async fn keep_at<T: Task>(task: Arc<T>, mut knocks: Waiting, stop: Stop) {
    let mut failures = 0;
    while !stop.is_stopped() {
        // Before looking: what comes in while we look wakes us again.
        knocks.heard();
        let (rest, may_be_woken) = match try_in_safety(&task).await {
            Ok(Outcome::Worked) => {
                failures = 0;
                continue;
            }
            Ok(Outcome::Idle) => {
                failures = 0;
                (POLL, true)
            }
            Err(error) => {
                let rest = rest_after(failures);
                failures += 1;
                tracing::warn!(task = task.name(), %error, failures, rest_seconds = rest.as_secs(), "work failed");
                // Knocks would make it fail as often as there is news.
                (rest, false)
            }
        };
        tokio::select! {
            () = stop.stopped() => {}
            () = knocks.knock(), if may_be_woken => {}
            () = tokio::time::sleep(rest) => {}
        }
    }
}

/// A panic is a failure like another: it must not end the loop.
async fn try_in_safety<T: Task>(task: &Arc<T>) -> Result<Outcome, ServiceError> {
    let task = task.clone();
    tokio::spawn(async move { Act::new(Doer::Server, task.name(), None).of(task.try_once()).await }).await?
}

/// How long to rest after so many failures before this one.
fn rest_after(failures: u32) -> Duration {
    REST_AFTER_FAILURE.saturating_mul(1 << failures.min(16)).min(REST_MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rests_double_up_to_a_bound() {
        let rests: Vec<u64> = (0..7).map(|failures| rest_after(failures).as_secs()).collect();
        assert_eq!(rests, [1, 2, 4, 8, 16, 30, 30]);
        assert_eq!(rest_after(u32::MAX), REST_MAX);
    }
}
