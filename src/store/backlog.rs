//! How much waits, over all companies, and how many connections there are: for whoever watches the servers.

use super::{Store, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;

/// What waits in the database for any server to do it.
#[derive(Debug, Clone, Copy, PartialEq, FromRow)]
pub struct BacklogRow {
    /// Notices on their way to webhooks.
    pub deliveries: i64,
    /// For how long the one that waits longest has been due; 0 when none is.
    pub overdue_seconds: f64,
    /// Companies whose world has changed since their plan was looked at.
    pub repairs: i64,
}

/// Connections of one pool.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PoolState {
    /// Somebody has them.
    pub in_use: u32,
    /// Open, and nobody has them.
    pub idle: u32,
    /// As many as there may be.
    pub most: u32,
}

impl Store {
    /// What waits at `now`, of all companies together.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn backlog(&self, now: DateTime<Utc>) -> Result<BacklogRow, StoreError> {
        self.retry_lost(|| {
            let query = sqlx::query_as("SELECT deliveries, overdue_seconds, repairs FROM backlog($1)");
            query.bind(now).fetch_one(self.pool())
        })
        .await
    }

    /// Its connections now.
    pub fn pool_state(&self) -> PoolState {
        let (open, idle) = (self.pool().size(), u32::try_from(self.pool().num_idle()).unwrap_or(u32::MAX));
        PoolState { in_use: open.saturating_sub(idle), idle, most: self.pool().options().get_max_connections() }
    }
}
