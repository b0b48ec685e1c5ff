//! What is told to whoever watches the servers.

use super::{Service, ServiceError};
use crate::measure::{Backlog, Connections, Meters, Now, Planned};
use crate::store::{PoolState, StoreError};
use std::time::Duration;

/// Whoever asks about an outage wants to know of it, and not to wait for it.
const LOOK_MAX: Duration = Duration::from_secs(2);

impl Service {
    /// What is counted, of this server.
    pub fn meters(&self) -> &Meters {
        &self.meters
    }

    /// The meters as text, with what is looked up now. A database that cannot be reached is part of the answer.
    pub async fn measured(&self) -> String {
        let pool = |pool, PoolState { in_use, idle, most }| Connections { pool, in_use, idle, most };
        // Before this question takes one.
        let requests = pool("requests", self.store.pool_state());
        let work = self.work.get().map(|store| pool("work", store.pool_state()));
        let backlog = tokio::time::timeout(LOOK_MAX, self.backlog())
            .await
            .ok()
            .and_then(|told| told.inspect_err(|error| tracing::warn!(%error, "what waits cannot be looked up")).ok());
        let connections = [Some(requests), work].into_iter().flatten().collect();
        self.meters.write(&Now::with_process(connections, backlog))
    }

    async fn backlog(&self) -> Result<Backlog, StoreError> {
        let told = self.store.backlog(self.now()).await?;
        Ok(Backlog {
            deliveries: told.deliveries.unsigned_abs(),
            overdue_seconds: told.overdue_seconds,
            repairs: told.repairs.unsigned_abs(),
        })
    }
}

/// As it is counted.
pub(super) fn counted<T>(outcome: &Result<T, ServiceError>) -> Planned {
    match outcome {
        Ok(_) => Planned::Made,
        Err(ServiceError::PlanRejected(_)) => Planned::Refused,
        Err(_) => Planned::Failed,
    }
}
