//! How much one caller may ask for, and how much the server takes on at the same time. What is over is refused at once, with
//! the time after which it is worth another try: a program gone wild takes nothing from others, and a server that is
//! asked for more than it can do does what it can.

use super::Api;
use super::problem::Problem;
use super::registry;
use actix_web::ResponseError;
use actix_web::body::{EitherBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header;
use actix_web::middleware::Next;
use actix_web::web;
use governor::clock::{Clock, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use std::hash::Hash;
use std::net::IpAddr;
use std::num::NonZeroU32;
use std::sync::atomic::{AtomicUsize, Ordering};
use uuid::Uuid;

/// Callers remembered, of each kind, before those are forgotten who have all their requests left.
const REMEMBERED: usize = 10_000;
/// What is answered however busy the server is: whoever watches it must know that it lives.
const ALWAYS: [&str; 3] = ["/healthz", "/readyz", "/metrics"];

/// See the module.
#[derive(Debug, Clone, Copy)]
pub struct RequestLimits {
    /// Requests a minute of one token, person or crew link; a sixth of it may come at once.
    pub of_caller_a_minute: NonZeroU32,
    /// Requests a minute from one address with a token that is not known.
    pub unknown_a_minute: NonZeroU32,
    /// Requests under way at the same time; streams count until they have begun.
    pub under_way: usize,
    /// A proxy of ours passes requests on, and says for whom.
    pub behind_proxy: bool,
}

impl Default for RequestLimits {
    fn default() -> RequestLimits {
        RequestLimits {
            of_caller_a_minute: const { NonZeroU32::new(6_000).unwrap() },
            unknown_a_minute: const { NonZeroU32::new(120).unwrap() },
            under_way: 512,
            behind_proxy: false,
        }
    }
}

/// The counts.
pub(super) struct Limits {
    callers: DefaultKeyedRateLimiter<Uuid>,
    unknown: DefaultKeyedRateLimiter<IpAddr>,
    under_way: AtomicUsize,
    settings: RequestLimits,
}

impl Limits {
    pub(super) fn new(settings: RequestLimits) -> Limits {
        let sixth = NonZeroU32::new(settings.of_caller_a_minute.get() / 6).unwrap_or(NonZeroU32::MIN);
        Limits {
            callers: RateLimiter::keyed(Quota::per_minute(settings.of_caller_a_minute).allow_burst(sixth)),
            unknown: RateLimiter::keyed(Quota::per_minute(settings.unknown_a_minute)),
            under_way: AtomicUsize::new(0),
            settings,
        }
    }

    /// Counts a request of somebody who is known.
    pub(super) fn count(&self, caller: Uuid) -> Result<(), Problem> {
        check(&self.callers, &caller).map_err(|seconds| {
            let most = self.settings.of_caller_a_minute;
            too_many(format!("more than {most} requests a minute came with this token"), seconds)
        })
    }

    /// Counts a request with a token that nobody has; `refused` is what it is told otherwise.
    pub(super) fn count_unknown(&self, request: &ServiceRequest, refused: Problem) -> Problem {
        let address = crate::browser::address(request.request(), self.settings.behind_proxy);
        match check(&self.unknown, &address) {
            Ok(()) => refused,
            Err(seconds) => {
                let most = self.settings.unknown_a_minute;
                too_many(format!("more than {most} requests a minute without a valid token came from here"), seconds)
            }
        }
    }
}

/// Seconds until there is room again.
fn check<K: Hash + Eq + Clone>(limiter: &DefaultKeyedRateLimiter<K>, key: &K) -> Result<(), u64> {
    if limiter.len() > REMEMBERED {
        limiter.retain_recent();
    }
    limiter.check_key(key).map_err(|over| over.wait_time_from(DefaultClock::default().now()).as_secs() + 1)
}

fn too_many(detail: String, seconds: u64) -> Problem {
    Problem::new(registry::TOO_MANY_REQUESTS, detail).header(header::RETRY_AFTER, seconds.to_string())
}

/// One request under way.
struct UnderWay<'l>(&'l AtomicUsize);

impl Drop for UnderWay<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Refuses what is more than the server takes on, before anything else is done for it.
pub(super) async fn shed<B: MessageBody + 'static>(
    api: web::Data<Api>,
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<EitherBody<B>>, actix_web::Error> {
    let limits = &api.limits;
    let before = limits.under_way.fetch_add(1, Ordering::Relaxed);
    let _under_way = UnderWay(&limits.under_way);
    if before >= limits.settings.under_way && !ALWAYS.contains(&request.path()) {
        let detail = format!("{} requests are under way", limits.settings.under_way);
        let problem = Problem::new(registry::SERVER_BUSY, detail).header(header::RETRY_AFTER, "1");
        return Ok(request.into_response(problem.error_response()).map_into_right_body());
    }
    Ok(next.call(request).await?.map_into_left_body())
}
