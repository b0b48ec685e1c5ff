//! One signed request to one address: bounded in time, redirects not followed, and no name is connected to that leads
//! into the network of this server. The reply's body is not read: only its status counts.

use super::address::{Targets, check_address, is_public};
use super::sign::Headers;
use reqwest::Client;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::header::{CONTENT_TYPE, HeaderValue, USER_AGENT};
use reqwest::redirect::Policy;
use std::net::SocketAddr;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

/// How long a request may take from the look-up of the name to the head of the reply.
pub const POST_TIME_MAX: Duration = Duration::from_secs(10);

/// Sends. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Poster(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    targets: Targets,
    time_max: Duration,
    client: OnceLock<Client>,
}

/// Why there was no reply.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PostError {
    /// The address is not one that is sent to any more, or is not now.
    #[error("{0}")]
    NotAllowed(String),
    /// No connection, or it broke off.
    #[error("it cannot be reached: {0}")]
    Unreachable(String),
    /// It took too long.
    #[error("no reply within {} seconds", .0.as_secs_f32())]
    TooSlow(Duration),
}

impl Poster {
    /// To such targets.
    pub fn new(targets: Targets, time_max: Duration) -> Poster {
        Poster(Arc::new(Inner { targets, time_max, client: OnceLock::new() }))
    }

    /// Sends a body; the status of the reply.
    ///
    /// # Errors
    /// See [`PostError`].
    pub async fn post(&self, address: &str, headers: &Headers, body: Vec<u8>) -> Result<u16, PostError> {
        let time_max = self.0.time_max;
        let whole = tokio::time::timeout(time_max, self.ask(address, headers, body)).await;
        whole.unwrap_or(Err(PostError::TooSlow(time_max)))
    }

    async fn ask(&self, address: &str, headers: &Headers, body: Vec<u8>) -> Result<u16, PostError> {
        // The operator may have changed his mind since it was made.
        let url = check_address(address, self.0.targets).map_err(|fault| PostError::NotAllowed(fault.what))?;
        let request = self.client()?.post(url).body(body);
        let request = request
            .header(CONTENT_TYPE, HeaderValue::from_static("application/json"))
            .header(USER_AGENT, concat!(env!("CARGO_PKG_NAME"), "/", env!("CARGO_PKG_VERSION")))
            .header("webhook-id", &headers.id)
            .header("webhook-timestamp", &headers.timestamp)
            .header("webhook-signature", &headers.signature);
        let reply = request.send().await.map_err(|error| unreachable(&error))?;
        Ok(reply.status().as_u16())
    }

    fn client(&self) -> Result<&Client, PostError> {
        if self.0.client.get().is_none() {
            // The error says that somebody has chosen another provider before, which is as good.
            let _ = rustls::crypto::ring::default_provider().install_default();
            // A proxy would look names up for itself, and reach what this server must not.
            let builder = Client::builder().redirect(Policy::none()).no_proxy();
            let builder = match self.0.targets {
                Targets::Public => builder.dns_resolver(Arc::new(PublicOnly)),
                Targets::Private => builder,
            };
            let client = builder.build().map_err(|error| unreachable(&error))?;
            let _ = self.0.client.set(client);
        }
        self.0.client.get().ok_or_else(|| PostError::Unreachable("no client".to_owned()))
    }
}

/// Looks names up, and keeps those of their addresses that are public: the very ones that are connected to, so that a
/// name which leads elsewhere a moment later gains nothing.
#[derive(Debug)]
struct PublicOnly;

impl Resolve for PublicOnly {
    fn resolve(&self, name: Name) -> Resolving {
        Box::pin(async move {
            let found = tokio::net::lookup_host((name.as_str(), 0)).await?;
            let public: Vec<SocketAddr> = found.filter(|address| is_public(address.ip())).collect();
            if public.is_empty() {
                return Err(format!("{} leads to no public address", name.as_str()).into());
            }
            Ok(Box::new(public.into_iter()) as Addrs)
        })
    }
}

/// The innermost cause is the one that says something.
fn unreachable(error: &reqwest::Error) -> PostError {
    let mut cause: &dyn std::error::Error = error;
    while let Some(source) = cause.source() {
        cause = source;
    }
    PostError::Unreachable(cause.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn names_that_lead_here_are_not_connected_to() {
        let refused = PublicOnly.resolve("localhost".parse().unwrap()).await.err().unwrap();
        assert_eq!(refused.to_string(), "localhost leads to no public address");
    }

    #[tokio::test]
    async fn an_address_that_is_not_allowed_any_more_is_not_asked() {
        let headers = Headers { id: "1".into(), timestamp: "1".into(), signature: "v1,".into() };
        let poster = Poster::new(Targets::Public, POST_TIME_MAX);
        for address in ["http://127.0.0.1:9/", "https://169.254.169.254/", "https://[::1]:9/"] {
            let refused = poster.post(address, &headers, Vec::new()).await.unwrap_err();
            assert!(matches!(refused, PostError::NotAllowed(_)), "{address}: {refused}");
        }
    }
}
