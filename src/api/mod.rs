//! The REST interface: addresses, bodies, problems, rights, versions, and the document that describes them. What is done
//! is done by `service`.
//!
//! | module | what |
//! |---|---|
//! | `server` | the server, its middleware, and its end |
//! | `document`, `unknown` | the OpenAPI document; what has no address or method |
//! | `routes` | one module for each noun |
//! | `caller`, `touched` | who asks |
//! | `limits` | how much one may ask for, and how much is taken on |
//! | `body`, `page`, `headers`, `reply`, `plain` | what comes in and goes out |
//! | `stream` | news as it comes |
//! | `turned_away` | whoever comes while the door is being closed |
//! | `once` | the same request twice |
//! | `problem`, `registry` | what goes wrong |

mod body;
mod caller;
mod document;
pub mod headers;
mod limits;
mod once;
pub mod page;
mod plain;
mod problem;
mod registry;
mod reply;
mod routes;
mod server;
mod stream;
mod touched;
mod turned_away;
mod unknown;

use document::Operations;
pub use document::openapi;
pub use limits::RequestLimits;
pub use problem::{PROBLEM_JSON, Problem, ProblemBody, ProblemError};
pub use registry::{ALL as PROBLEMS, Kind as ProblemKind};
pub use server::{ServeError, Settings, serve};
pub use stream::StreamLimits;
pub use turned_away::turn_away;

use crate::service::Service;
use crate::store::{CompanyId, Session};
use limits::Limits;
use sha2::{Digest, Sha256};
use stream::Streams;
use touched::Touched;
use unknown::Addresses;

/// What handlers share.
pub(super) struct Api {
    service: Service,
    /// SHA-256 of the operator's token, if there is one.
    operator: Option<[u8; 32]>,
    /// The same of the token for the meters.
    watcher: Option<[u8; 32]>,
    touched: Touched,
    limits: Limits,
    streams: Streams,
    addresses: Addresses,
    operations: Operations,
}

impl Api {
    fn new(service: Service, settings: &Settings, addresses: Addresses, operations: Operations) -> Api {
        let digest = |token: &Option<String>| token.as_deref().map(|token| Sha256::digest(token.as_bytes()).into());
        let (operator, watcher) = (digest(&settings.operator_token), digest(&settings.metrics_token));
        let streams = Streams::new(settings.streams.clone());
        let limits = Limits::new(settings.requests);
        Api { service, operator, watcher, touched: Touched::default(), limits, streams, addresses, operations }
    }

    /// A transaction that only reads and sees one state.
    async fn snapshot(&self, company: CompanyId) -> Result<Session, Problem> {
        Ok(self.service.store().snapshot(company).await?)
    }

    /// Does something at once or not at all.
    async fn write<T>(
        &self,
        company: CompanyId,
        work: impl AsyncFnOnce(&mut Session) -> Result<T, Problem>,
    ) -> Result<T, Problem> {
        let mut session = self.service.store().session(company).await?;
        let done = work(&mut session).await?;
        session.commit().await?;
        Ok(done)
    }
}
