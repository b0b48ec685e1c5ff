//! Who waits for news, and how long he may: knocks that wake streams and tasks, and the word to stop. Nothing is passed
//! on but that there is something to look for; whoever is woken looks for himself, and looks now and then without a knock.

use crate::store::CompanyId;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::watch;

/// Wakes whoever waits for news of a company, or of any. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Wakes(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    anybody: watch::Sender<u64>,
    companies: Mutex<BTreeMap<CompanyId, watch::Sender<u64>>>,
}

/// One who waits.
#[derive(Debug)]
pub struct Waiting(watch::Receiver<u64>);

impl Default for Wakes {
    fn default() -> Wakes {
        Wakes(Arc::new(Inner { anybody: watch::Sender::new(0), companies: Mutex::default() }))
    }
}

impl Wakes {
    /// Waits for news of any company.
    pub fn of_anybody(&self) -> Waiting {
        Waiting(self.0.anybody.subscribe())
    }

    /// Waits for news of one company.
    pub fn of(&self, company: CompanyId) -> Waiting {
        let mut companies = self.0.companies.lock().unwrap_or_else(PoisonError::into_inner);
        // Only companies that somebody waits for are remembered.
        companies.retain(|_, sender| sender.receiver_count() > 0);
        Waiting(companies.entry(company).or_insert_with(|| watch::Sender::new(0)).subscribe())
    }

    /// This company has news.
    pub fn wake(&self, company: CompanyId) {
        let companies = self.0.companies.lock().unwrap_or_else(PoisonError::into_inner);
        companies.get(&company).into_iter().chain([&self.0.anybody]).for_each(bump);
    }

    /// Anybody may have news.
    pub fn wake_all(&self) {
        let companies = self.0.companies.lock().unwrap_or_else(PoisonError::into_inner);
        companies.values().chain([&self.0.anybody]).for_each(bump);
    }
}

fn bump(sender: &watch::Sender<u64>) {
    sender.send_modify(|knocks| *knocks = knocks.wrapping_add(1));
}

impl Waiting {
    /// Knocks up to now are heard. Say it before looking: what comes while you look wakes you again.
    pub fn heard(&mut self) {
        self.0.borrow_and_update();
    }

    /// Until the next knock that has not been heard; for ever, when nobody can knock any more.
    pub async fn knock(&mut self) {
        if self.0.changed().await.is_err() {
            std::future::pending::<()>().await;
        }
    }
}

/// The word to stop, said once to all. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Stop(Arc<watch::Sender<bool>>);

impl Default for Stop {
    fn default() -> Stop {
        Stop(Arc::new(watch::Sender::new(false)))
    }
}

impl Stop {
    /// Says it. Saying it twice changes nothing.
    pub fn stop(&self) {
        self.0.send_replace(true);
    }

    /// Whether it has been said.
    pub fn is_stopped(&self) -> bool {
        *self.0.borrow()
    }

    /// Until it is said.
    pub async fn stopped(&self) {
        // The sender lives as long as `self`.
        let _ = self.0.subscribe().wait_for(|stopped| *stopped).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use futures_util::FutureExt;
    use uuid::Uuid;

    #[test]
    fn knocks_before_listening_and_after_looking_are_not_lost() {
        let (wakes, one, other) = (Wakes::default(), CompanyId(Uuid::from_u128(1)), CompanyId(Uuid::from_u128(2)));
        let (mut of_one, mut of_other, mut any) = (wakes.of(one), wakes.of(other), wakes.of_anybody());
        of_one.heard();
        wakes.wake(one);
        assert!(of_one.knock().now_or_never().is_some() && any.knock().now_or_never().is_some());
        assert!(of_one.knock().now_or_never().is_none() && of_other.knock().now_or_never().is_none());
        wakes.wake_all();
        assert!(of_one.knock().now_or_never().is_some() && of_other.knock().now_or_never().is_some());
        wakes.wake(one);
        of_one.heard();
        assert!(of_one.knock().now_or_never().is_none());
        drop((of_one, of_other));
        drop(wakes.of(other));
        assert_eq!(wakes.0.companies.lock().unwrap().len(), 1, "who has left is forgotten");
    }

    #[test]
    fn stopping_is_heard_by_early_and_late_comers() {
        let stop = Stop::default();
        assert!(stop.stopped().now_or_never().is_none());
        stop.stop();
        stop.stop();
        assert!(stop.is_stopped() && stop.clone().stopped().now_or_never().is_some());
    }
}
