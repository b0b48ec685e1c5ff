//! What is looked up when somebody asks for the meters.

use prometheus_client::encoding::{EncodeLabelSet, EncodeMetric};
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::atomic::AtomicU64;

/// A pool of connections to the database.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Connections {
    /// Whose: `requests` or `work`.
    pub pool: &'static str,
    /// Somebody has them.
    pub in_use: u32,
    /// Open, and nobody has them.
    pub idle: u32,
    /// As many as there may be.
    pub most: u32,
}

/// What waits in the database, of all companies, for any server to do it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Backlog {
    /// Notices on their way to webhooks: the outbox.
    pub deliveries: u64,
    /// For how many seconds the one that waits longest has been due; 0 when none is.
    pub overdue_seconds: f64,
    /// Companies whose world has changed since their plan was looked at.
    pub repairs: u64,
}

/// All of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Now {
    /// Of this server.
    pub connections: Vec<Connections>,
    /// `None`: the database cannot be reached.
    pub backlog: Option<Backlog>,
    /// Memory that the process has, in bytes; `None` where the system does not say.
    pub resident_bytes: Option<u64>,
    /// Files and sockets that the process has open.
    pub open_files: Option<u64>,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct PoolState {
    pool: &'static str,
    state: &'static str,
}

type Whole = Gauge<u64, AtomicU64>;

impl Now {
    /// What Linux says of this process, beside what is told.
    pub fn with_process(connections: Vec<Connections>, backlog: Option<Backlog>) -> Now {
        // In pages: the second number is what is in memory.
        let pages = std::fs::read_to_string("/proc/self/statm").ok();
        let pages = pages.and_then(|text| text.split_whitespace().nth(1)?.parse::<u64>().ok());
        let page_bytes = u64::try_from(rustix::param::page_size()).unwrap_or_default();
        // The folder that is being read is one of them.
        let open_files = std::fs::read_dir("/proc/self/fd").ok();
        let open_files = open_files.and_then(|files| u64::try_from(files.count().saturating_sub(1)).ok());
        Now { connections, backlog, resident_bytes: pages.map(|pages| pages * page_bytes), open_files }
    }

    pub(super) fn registry(&self) -> Registry {
        let mut registry = Registry::default();
        let up = u64::from(self.backlog.is_some());
        registry.register("tackfree_database_up", "Whether the database answers", whole(up));
        let connections = Family::<PoolState, Whole>::default();
        for Connections { pool, in_use, idle, most } in &self.connections {
            for (state, count) in [("in_use", in_use), ("idle", idle), ("most", most)] {
                connections.get_or_create(&PoolState { pool, state }).set(u64::from(*count));
            }
        }
        let help = "Connections to the database: in use, idle, and the most there may be";
        registry.register("tackfree_database_connections", help, connections);
        if let Some(backlog) = self.backlog {
            let help = "Notices on their way to webhooks, of all companies and servers";
            registry.register("tackfree_outbox_waiting", help, whole(backlog.deliveries));
            let help = "For how long the notice that waits longest has been due";
            let overdue = Gauge::<f64, AtomicU64>::default();
            overdue.set(backlog.overdue_seconds);
            registry.register_with_unit("tackfree_outbox_overdue", help, Unit::Seconds, overdue);
            let help = "Companies whose world has changed since their plan was looked at";
            registry.register("tackfree_repairs_waiting", help, whole(backlog.repairs));
        }
        // The names that Prometheus's own libraries give them.
        some(
            &mut registry,
            ("process_resident_memory", "Memory the process has", Some(Unit::Bytes)),
            self.resident_bytes,
        );
        some(&mut registry, ("process_open_fds", "Files and sockets the process has open", None), self.open_files);
        registry
    }
}

fn whole(value: u64) -> impl EncodeMetric + std::fmt::Debug + Send + Sync + 'static {
    let gauge = Whole::default();
    gauge.set(value);
    gauge
}

fn some(registry: &mut Registry, (name, help, unit): (&str, &str, Option<Unit>), value: Option<u64>) {
    match (value, unit) {
        (Some(value), Some(unit)) => registry.register_with_unit(name, help, unit, whole(value)),
        (Some(value), None) => registry.register(name, help, whole(value)),
        (None, _) => {}
    }
}
