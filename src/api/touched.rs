//! Notes when tokens were last used, without a write for each request.

use crate::service::Service;
use crate::store::FoundToken;
use chrono::{DateTime, Duration, Utc};
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use uuid::Uuid;

/// A token is noted at most so often by one copy of the server.
const EVERY: Duration = Duration::minutes(10);
/// Tokens remembered; more of them only cost a few more writes.
const REMEMBERED_MAX: usize = 10_000;

/// When this copy of the server last noted which token.
#[derive(Debug, Default)]
pub(super) struct Touched(Mutex<BTreeMap<Uuid, DateTime<Utc>>>);

impl Touched {
    /// Writes it down if that is due. A failure is no reason to refuse the request.
    pub(super) async fn note(&self, service: &Service, token: &FoundToken) {
        let now = service.now();
        if !self.due(token.id, now) {
            return;
        }
        let noted = async {
            let mut session = service.store().session(token.company).await?;
            session.touch_token(token.id, now).await?;
            session.commit().await
        };
        if let Err(error) = noted.await {
            tracing::debug!(%error, "the use of a token was not noted");
        }
    }

    fn due(&self, id: Uuid, now: DateTime<Utc>) -> bool {
        let mut touched = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if touched.get(&id).is_some_and(|at| now - *at < EVERY) {
            return false;
        }
        if touched.len() >= REMEMBERED_MAX {
            touched.clear();
        }
        touched.insert(id, now);
        true
    }
}
