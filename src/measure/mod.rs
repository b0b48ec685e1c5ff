//! What is counted and timed, for whoever watches the servers, as Prometheus reads it. Each copy of the server counts for
//! itself, from its start. Nothing here knows of companies, and no label ever holds what somebody sent: a label is an
//! address's template or a word of this program's own, so the number of series is bounded.
//!
//! | file | what |
//! |---|---|
//! | `mod` | the meters, and what turns them |
//! | `now` | what is not counted but looked up when somebody asks: connections, what waits, memory |

mod now;

pub use now::{Backlog, Connections, Now};

use prometheus_client::encoding::{EncodeLabelSet, prometheus_text};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

/// The text that [`Meters::write`] makes: Prometheus's own format, which every scraper reads.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// Upper ends of a request's times, in seconds: from an answer out of memory to the longest a statement may take.
const REQUEST_SECONDS: [f64; 12] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 5.0, 30.0];
/// Of work that takes a core for a while.
const WORK_SECONDS: [f64; 11] = [0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 15.0, 60.0];

/// What a plan was asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Planning {
    /// A draft that somebody asked for.
    Draft,
    /// Drafts of other kinds, to choose from.
    Alternatives,
    /// A repair of what is published.
    Repair,
    /// A question: what would be, or when could you.
    Question,
}

impl Planning {
    /// For labels and names.
    pub const fn word(self) -> &'static str {
        match self {
            Planning::Draft => "draft",
            Planning::Alternatives => "alternatives",
            Planning::Repair => "repair",
            Planning::Question => "question",
        }
    }
}

/// What came of a planning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Planned {
    /// A plan that keeps every rule.
    Made,
    /// The audit refused the plan: a defect of this program.
    Refused,
    /// Nothing could be planned: documents that do not fit together, or a failure.
    Failed,
}

impl Planned {
    const fn word(self) -> &'static str {
        match self {
            Planned::Made => "made",
            Planned::Refused => "refused",
            Planned::Failed => "failed",
        }
    }
}

/// What a company's turn to be repaired came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RepairTurned {
    /// Everything stays.
    Unchanged,
    /// Another plan was published or proposed.
    Changed,
    /// Somebody else was first.
    Overtaken,
    /// It is tried again.
    Failed,
}

impl RepairTurned {
    const fn word(self) -> &'static str {
        match self {
            RepairTurned::Unchanged => "unchanged",
            RepairTurned::Changed => "changed",
            RepairTurned::Overtaken => "overtaken",
            RepairTurned::Failed => "failed",
        }
    }
}

/// What came of one try to deliver to a webhook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delivered {
    /// It has arrived.
    Done,
    /// It is tried again later.
    Again,
    /// It is given up.
    Dead,
}

impl Delivered {
    const fn word(self) -> &'static str {
        match self {
            Delivered::Done => "done",
            Delivered::Again => "again",
            Delivered::Dead => "dead",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Answer {
    route: String,
    method: &'static str,
    status: u16,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Route {
    route: String,
    method: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Kind {
    kind: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct KindOutcome {
    kind: &'static str,
    outcome: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Outcome {
    outcome: &'static str,
}

/// A family of histograms.
type Times<L> = Family<L, Histogram, fn() -> Histogram>;

/// All of them. Cheap to clone; clones count together.
#[derive(Clone)]
pub struct Meters(Arc<Inner>);

struct Inner {
    registry: Registry,
    requests: Family<Answer, Counter>,
    request_times: Times<Route>,
    plannings: Family<KindOutcome, Counter>,
    planning_times: Times<Kind>,
    repairs: Family<Outcome, Counter>,
    repair_times: Times<Outcome>,
    deliveries: Family<Outcome, Counter>,
    delivery_times: Histogram,
}

impl fmt::Debug for Meters {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Meters").finish_non_exhaustive()
    }
}

impl Default for Meters {
    fn default() -> Meters {
        let work_times: fn() -> Histogram = || Histogram::new(WORK_SECONDS);
        let request_times: fn() -> Histogram = || Histogram::new(REQUEST_SECONDS);
        let mut inner = Inner {
            registry: Registry::with_prefix("tackfree"),
            requests: Family::default(),
            request_times: Family::new_with_constructor(request_times),
            plannings: Family::default(),
            planning_times: Family::new_with_constructor(work_times),
            repairs: Family::default(),
            repair_times: Family::new_with_constructor(work_times),
            deliveries: Family::default(),
            delivery_times: work_times(),
        };
        inner.register();
        Meters(Arc::new(inner))
    }
}

impl Inner {
    fn register(&mut self) {
        let registry = &mut self.registry;
        let version = Info::new([("version", env!("CARGO_PKG_VERSION"))]);
        registry.register("build", "The program that answers", version);
        registry.register("requests", "Requests answered", self.requests.clone());
        let times = "From a request's head to the head of its reply; bodies and streams go on after it";
        registry.register_with_unit("request_duration", times, Unit::Seconds, self.request_times.clone());
        registry.register("plannings", "Plannings, those of repairs included", self.plannings.clone());
        let times = "Planning and its audit, without waiting for a turn";
        registry.register_with_unit("planning_duration", times, Unit::Seconds, self.planning_times.clone());
        registry.register("repairs", "Turns of companies to have their plan repaired", self.repairs.clone());
        let times = "A whole turn: reading, planning, auditing, keeping";
        registry.register_with_unit("repair_duration", times, Unit::Seconds, self.repair_times.clone());
        registry.register("webhook_tries", "Tries to deliver a notice to a webhook", self.deliveries.clone());
        let times = "From the first byte sent to a webhook to its reply, or until it was not waited for any longer";
        registry.register_with_unit("webhook_try_duration", times, Unit::Seconds, self.delivery_times.clone());
    }
}

impl Meters {
    /// A request was answered. `route` is the template of its address, never the address.
    pub fn request(&self, route: Option<String>, method: &str, status: u16, took: Duration) {
        let route = route.unwrap_or_else(|| "none".to_owned());
        let method = known(method);
        let of = Route { route: route.clone(), method };
        self.0.request_times.get_or_create(&of).observe(took.as_secs_f64());
        self.0.requests.get_or_create(&Answer { route, method, status }).inc();
    }

    /// A planning ended.
    pub fn planning(&self, kind: Planning, outcome: Planned, took: Duration) {
        let (kind, outcome) = (kind.word(), outcome.word());
        self.0.plannings.get_or_create(&KindOutcome { kind, outcome }).inc();
        self.0.planning_times.get_or_create(&Kind { kind }).observe(took.as_secs_f64());
    }

    /// A company's turn to be repaired ended.
    pub fn repair(&self, outcome: RepairTurned, took: Duration) {
        let of = Outcome { outcome: outcome.word() };
        self.0.repairs.get_or_create(&of).inc();
        self.0.repair_times.get_or_create(&of).observe(took.as_secs_f64());
    }

    /// What a try to deliver came to.
    pub fn delivery(&self, outcome: Delivered) {
        self.0.deliveries.get_or_create(&Outcome { outcome: outcome.word() }).inc();
    }

    /// How long a webhook took to reply.
    pub fn delivery_took(&self, took: Duration) {
        self.0.delivery_times.observe(took.as_secs_f64());
    }

    /// Everything as text, with what was looked up just now.
    pub fn write(&self, now: &Now) -> String {
        let mut text = String::new();
        // Writing into a string fails only where a metric's own code does, and ours has none.
        let counted = prometheus_text::encode(&mut text, &self.0.registry);
        let looked_up = prometheus_text::encode(&mut text, &now.registry());
        if counted.and(looked_up).is_err() {
            tracing::error!("the meters cannot be written");
        }
        text
    }
}

/// Anybody may send any word as a method.
fn known(method: &str) -> &'static str {
    let methods = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"];
    methods.into_iter().find(|known| *known == method).unwrap_or("OTHER")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_somebody_sends_makes_no_new_series() {
        let meters = Meters::default();
        for method in ["BREW", "PROPFIND", "GET"] {
            meters.request(None, method, 404, Duration::from_millis(3));
        }
        let text = meters.write(&Now::default());
        assert!(text.contains("tackfree_requests_total{route=\"none\",method=\"OTHER\",status=\"404\"} 2\n"), "{text}");
        assert!(text.contains("tackfree_requests_total{route=\"none\",method=\"GET\",status=\"404\"} 1\n"), "{text}");
        let within = "tackfree_request_duration_seconds_bucket{route=\"none\",method=\"OTHER\",le=\"0.005\"} 2\n";
        assert!(text.contains(within), "{text}");
        assert!(!text.contains("BREW"), "{text}");
    }
}
