//! Sends notices to webhooks: leases what is due, sends it side by side with no transaction open, and writes down what
//! came of each.

use super::{Outcome, Task};
use crate::service::{Service, ServiceError};
use crate::store::Lease;
use crate::webhook::{POST_TIME_MAX, Poster};
use futures_util::future::join_all;
use std::time::{Duration, Instant};

/// The task.
pub struct Deliver {
    service: Service,
    poster: Poster,
}

impl Deliver {
    /// To such targets as the service allows.
    pub fn new(service: &Service) -> Deliver {
        Deliver::patient(service, POST_TIME_MAX)
    }

    /// As [`Deliver::new`], waiting so long for each reply.
    pub fn patient(service: &Service, time_max: Duration) -> Deliver {
        Deliver { service: service.clone(), poster: Poster::new(service.webhook_targets(), time_max) }
    }

    async fn send(&self, lease: &Lease) -> Result<(), ServiceError> {
        let Some(sent) = self.service.outgoing(lease).await? else { return Ok(()) };
        let began = Instant::now();
        let reply = self.poster.post(&sent.address, &sent.headers, sent.body.clone()).await;
        self.service.meters().delivery_took(began.elapsed());
        self.service.settle(lease, &sent, reply.map_err(|error| error.to_string())).await
    }
}

impl Task for Deliver {
    fn name(&self) -> &'static str {
        "deliver"
    }

    /// One that cannot be written down does not keep the others from being so.
    async fn try_once(&self) -> Result<Outcome, ServiceError> {
        let leases = self.service.lease_deliveries().await?;
        if leases.is_empty() {
            return Ok(Outcome::Idle);
        }
        let sent: Vec<Result<(), ServiceError>> = join_all(leases.iter().map(|lease| self.send(lease))).await;
        sent.into_iter().collect::<Result<(), _>>().map(|()| Outcome::Worked)
    }
}
