//! One connection of each server hears of news, and knocks at whoever waits here. It only makes things quick: while it
//! is lost, whoever waits looks for himself every now and then.

use crate::service::Service;
use crate::store::Knock;
use std::time::Duration;

/// How long after a lost connection the next is tried.
const REST: Duration = Duration::from_secs(1);

/// Until told to stop.
pub(super) async fn listen(service: Service) {
    let stop = service.stopping().clone();
    tokio::select! {
        () = stop.stopped() => {}
        () = hear(&service) => {}
    }
}

async fn hear(service: &Service) {
    loop {
        match service.store().listen().await {
            Ok(mut knocks) => {
                // What came before anybody listened was not heard.
                service.wakes().wake_all();
                loop {
                    match knocks.next().await {
                        Ok(Knock::Company(company)) => service.wakes().wake(company),
                        Ok(Knock::Anybody) => service.wakes().wake_all(),
                        Err(error) => {
                            tracing::warn!(%error, "news is not heard of at once");
                            break;
                        }
                    }
                }
            }
            Err(error) => tracing::debug!(%error, "nobody can be listened to yet"),
        }
        tokio::time::sleep(REST).await;
    }
}
