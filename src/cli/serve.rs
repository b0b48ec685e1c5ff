//! `serve`: the REST service, calendars and pages on one address, until told to stop.

use super::database::{Database, DatabaseArguments};
use super::forecasts::WeatherArguments;
use super::traces::Traces;
use super::{Refusal, settings};
use crate::api;
use crate::browser::{Cookies, Settings};
use crate::service::{CHANGES_KEPT_DAYS_MIN, Captures, Service, Stop};
use crate::webhook::Targets;
use crate::worker::{Deliver, Kept, PLANS_KEPT_DAYS_MIN, Prune, Repairs, Worker};
use actix_web::dev::ServerHandle;
use clap::builder::BoolishValueParser;
use std::net::{SocketAddr, TcpListener};
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// How long work that was begun may go on when the program is told to stop: longer than anything is given to be done.
const WORK_ENDS: Duration = Duration::from_secs(20);
/// How long new requests are still answered when SIGTERM comes, each with the word that its connection ends: whoever keeps
/// one hears it, and no request meets a connection that is just being closed.
const LAST_ANSWERS: Duration = Duration::from_millis(1_500);
/// How long the threads take to hear that the server takes nobody in any more, and to see to whoever has been let in.
const DOOR_CLOSES: Duration = Duration::from_millis(100);
/// One for each task, and one to spare.
const WORK_CONNECTIONS: u32 = 4;

/// How long things are kept.
#[derive(Debug, Clone, clap::Args)]
pub struct KeptArguments {
    /// Days that it is kept who changed what; no fewer than 30
    #[arg(long, env = "TACKFREE_CHANGES_KEPT_DAYS", value_name = "DAYS", default_value_t = Kept::default().changes_days,
        value_parser = clap::value_parser!(u32).range(i64::from(CHANGES_KEPT_DAYS_MIN)..=36_500))]
    pub changes_kept_days: u32,
    /// Days that placements are kept of plans that are not the promise any more, and drafts that nobody decides on; no fewer
    /// than 7
    #[arg(long, env = "TACKFREE_PLANS_KEPT_DAYS", value_name = "DAYS", default_value_t = Kept::default().plans_days,
        value_parser = clap::value_parser!(u32).range(i64::from(PLANS_KEPT_DAYS_MIN)..=36_500))]
    pub plans_kept_days: u32,
}

impl KeptArguments {
    fn kept(&self) -> Kept {
        Kept { changes_days: self.changes_kept_days, plans_days: self.plans_kept_days }
    }
}

/// Where and for whom to serve.
#[derive(Debug, Clone, clap::Args)]
pub struct ServeArguments {
    /// Address and port to listen on
    #[arg(long, env = "TACKFREE_LISTEN", default_value = "127.0.0.1:8080", value_name = "ADDRESS:PORT")]
    pub listen: SocketAddr,
    /// Whoever sends this token may found companies; unset: nobody may over the network
    #[arg(long, env = "TACKFREE_OPERATOR_TOKEN", hide_env_values = true)]
    pub operator_token: Option<String>,
    /// Requests a minute that one token, person or crew link may send; a sixth of it at once
    #[arg(long, env = "TACKFREE_REQUESTS_A_MINUTE", value_name = "REQUESTS", default_value = "6000")]
    pub requests_a_minute: NonZeroU32,
    /// Requests that are answered at the same time; more are told to come again
    #[arg(long, env = "TACKFREE_REQUESTS_UNDER_WAY", value_name = "REQUESTS", default_value = "512")]
    pub requests_under_way: NonZeroU32,
    #[command(flatten)]
    #[allow(missing_docs, reason = "a comment here would become the text of a flag")]
    pub kept: KeptArguments,
    #[command(flatten)]
    #[allow(missing_docs, reason = "a comment here would become the text of a flag")]
    pub watching: WatchArguments,
    #[command(flatten)]
    #[allow(missing_docs, reason = "a comment here would become the text of a flag")]
    pub webhooks: WebhookArguments,
    #[command(flatten)]
    #[allow(missing_docs, reason = "a comment here would become the text of a flag")]
    pub weather: WeatherArguments,
    #[command(flatten)]
    #[allow(missing_docs, reason = "a comment here would become the text of a flag")]
    pub browsers: BrowserArguments,
}

/// How the server is watched.
#[derive(Debug, Clone, clap::Args)]
pub struct WatchArguments {
    /// Whoever sends this token as a bearer may read the meters at /metrics; unset: nobody may on this address
    #[arg(long, env = "TACKFREE_METRICS_TOKEN", hide_env_values = true)]
    pub metrics_token: Option<String>,
    /// Address and port for the meters alone, to whoever reaches it: never one that strangers do
    #[arg(long, env = "TACKFREE_METRICS_LISTEN", value_name = "ADDRESS:PORT")]
    pub metrics_listen: Option<SocketAddr>,
    /// Folder for plannings that are slow or refused, to be replayed with `plan`; unset: none are kept
    #[arg(long, env = "TACKFREE_CAPTURE_DIRECTORY", value_name = "FOLDER")]
    pub capture_directory: Option<PathBuf>,
    /// Seconds after which a planning is slow; 0: every one is kept
    #[arg(long, env = "TACKFREE_SLOW_PLAN_SECONDS", value_name = "SECONDS", default_value_t = 5,
        value_parser = clap::value_parser!(u64).range(..=3600))]
    pub slow_plan_seconds: u64,
    /// Collector that gets traces over OTLP (http, protobuf); unset: nobody does
    #[arg(long, env = "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", value_name = "URL")]
    pub traces_endpoint: Option<String>,
}

impl WatchArguments {
    /// Where traces go, if anywhere.
    pub fn traces(&self) -> Result<Option<Traces>, Refusal> {
        self.traces_endpoint.as_deref().filter(|endpoint| !endpoint.is_empty()).map(Traces::to).transpose()
    }

    fn captures(&self) -> Result<Captures, Refusal> {
        let Some(folder) = &self.capture_directory else { return Ok(Captures::default()) };
        Captures::into(folder, Duration::from_secs(self.slow_plan_seconds)).map_err(|error| {
            let what = format!("plannings cannot be kept in {}: {error}", folder.display());
            let cure = "let --capture-directory name a folder that this program may write to, or leave it out";
            Refusal::new("capture-directory", what, cure)
        })
    }
}

/// How browsers reach the server.
#[derive(Debug, Clone, Copy, clap::Args)]
pub struct BrowserArguments {
    /// Let people sign in over http: only where the network is trusted. Not needed for this machine itself
    #[arg(long, env = "TACKFREE_PLAIN_HTTP", value_parser = BoolishValueParser::new())]
    pub plain_http: bool,
    /// A proxy of yours ends TLS and passes requests on: the last address in X-Forwarded-For is the browser's
    #[arg(long, env = "TACKFREE_BEHIND_PROXY", value_parser = BoolishValueParser::new())]
    pub behind_proxy: bool,
}

impl BrowserArguments {
    /// For a server that listens there.
    pub fn settings(self, listen: SocketAddr) -> Settings {
        let plain = self.plain_http || (listen.ip().is_loopback() && !self.behind_proxy);
        let cookies = if plain { Cookies::PlainHttp } else { Cookies::OnlyHttps };
        Settings { cookies, behind_proxy: self.behind_proxy }
    }
}

/// Where notices may be sent to.
#[derive(Debug, Clone, Copy, clap::Args)]
pub struct WebhookArguments {
    /// Where webhooks may lead: `public` addresses only, or also `private` ones: this machine and its network
    #[arg(long, env = "TACKFREE_WEBHOOK_TARGETS", default_value = "public", value_name = "WHICH")]
    pub webhook_targets: WebhookTargets,
}

/// As the command line says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
#[allow(missing_docs, reason = "a comment here would become the text of a flag")]
pub enum WebhookTargets {
    Public,
    Private,
}

impl WebhookArguments {
    /// As the service knows it.
    pub fn targets(self) -> Targets {
        match self.webhook_targets {
            WebhookTargets::Public => Targets::Public,
            WebhookTargets::Private => Targets::Private,
        }
    }
}

/// Takes the address before anything else is started, so that a taken one is told at once.
pub fn bind(listen: SocketAddr) -> Result<TcpListener, Refusal> {
    bound(listen, "--listen")
}

fn bind_metrics(listen: SocketAddr) -> Result<TcpListener, Refusal> {
    bound(listen, "--metrics-listen")
}

fn bound(listen: SocketAddr, flag: &str) -> Result<TcpListener, Refusal> {
    TcpListener::bind(listen).map_err(|error| {
        let what = format!("{listen} cannot be listened on: {error}");
        let cure = format!("stop what listens there, or choose another with {flag} ADDRESS:PORT");
        Refusal::new("address-in-use", what, cure)
    })
}

/// Opens the database and serves.
pub async fn serve(database: &DatabaseArguments, arguments: &ServeArguments) -> Result<(), Refusal> {
    let source = arguments.weather.source()?;
    let listener = bind(arguments.listen)?;
    let (settings, captures) = (arguments.settings()?, arguments.watching.captures()?);
    let database = database.open().await?;
    let service = Service::new(database.store.clone()).with_weather(source);
    let service = service.with_webhook_targets(arguments.webhooks.targets()).with_captures(captures);
    eprintln!("tackfree serves on http://{}/ (API: /docs/)", listener.local_addr().unwrap_or(arguments.listen));
    if let Some(address) = settings.metrics_listener.as_ref().and_then(|listener| listener.local_addr().ok()) {
        eprintln!("tackfree's meters are on http://{address}/metrics");
    }
    let browsers = arguments.browsers.settings(arguments.listen);
    until_stopped(database, service, listener, browsers, settings, arguments.kept.kept()).await
}

impl ServeArguments {
    fn settings(&self) -> Result<api::Settings, Refusal> {
        let operator_token = settings::token("TACKFREE_OPERATOR_TOKEN", self.operator_token.as_deref())?;
        let metrics_token = settings::token("TACKFREE_METRICS_TOKEN", self.watching.metrics_token.as_deref())?;
        if metrics_token.is_some() && metrics_token == operator_token {
            let what = "TACKFREE_METRICS_TOKEN is the operator's token: whoever reads the meters could found companies";
            return Err(Refusal::new("one-token-for-two", what, "give each its own"));
        }
        Ok(api::Settings {
            operator_token,
            metrics_token,
            requests: api::RequestLimits {
                of_caller_a_minute: self.requests_a_minute,
                under_way: self.requests_under_way.get() as usize,
                behind_proxy: self.browsers.behind_proxy,
                ..api::RequestLimits::default()
            },
            metrics_listener: self.watching.metrics_listen.map(bind_metrics).transpose()?.map(Arc::new),
            ..api::Settings::default()
        })
    }
}

/// What the program is told from outside.
struct Signals {
    interrupt: Signal,
    terminate: Signal,
}

impl Signals {
    fn hear() -> std::io::Result<Signals> {
        Ok(Signals { interrupt: signal(SignalKind::interrupt())?, terminate: signal(SignalKind::terminate())? })
    }

    /// Whether it is SIGTERM: whoever presses Ctrl-C sits before it and waits.
    async fn next(&mut self) -> bool {
        tokio::select! {
            _ = self.interrupt.recv() => false,
            _ = self.terminate.recv() => true,
        }
    }
}

/// Ends the server when a signal says so: streams and tasks at once, connections with their next answer, and the rest when
/// they have had time for that. Whoever comes while `door` is being closed is told so. A second signal is obeyed at once.
async fn end_at_signal(signals: &mut Signals, stop: &Stop, server: &ServerHandle, door: Option<TcpListener>) {
    let gently = signals.next().await;
    stop.stop();
    let ended = async {
        if gently {
            tokio::time::sleep(LAST_ANSWERS).await;
        }
        // Nobody is taken in any more, and whoever has been is seen to before the rest ends.
        server.pause().await;
        tokio::time::sleep(DOOR_CLOSES).await;
        let late = async {
            tokio::time::sleep(DOOR_CLOSES).await;
            if let Some(door) = door {
                api::turn_away(door).await;
            }
        };
        tokio::join!(server.stop(true), late);
    };
    tokio::select! {
        () = ended => {}
        _ = signals.next() => server.stop(false).await,
    }
}

/// Serves and works until a signal, or until the private PostgreSQL dies; then everything is closed in order.
pub async fn until_stopped(
    mut database: Database,
    service: Service,
    listener: TcpListener,
    browsers: Settings,
    settings: api::Settings,
    kept: Kept,
) -> Result<(), Refusal> {
    let mut signals = Signals::hear()
        .map_err(|error| Refusal::new("no-signals", error.to_string(), "run it where signals can be heard"))?;
    let pages = crate::web::configure(service.clone(), browsers);
    let own = match service.beside(WORK_CONNECTIONS).await {
        Ok(own) => own,
        Err(error) => {
            database.close().await;
            return Err(error.into());
        }
    };
    let worker = Worker::new(&own).with(Repairs(own.clone())).with(Deliver::new(&own)).with(Prune::new(&own, kept));
    let stop = service.stopping().clone();
    let door = listener.try_clone().ok();
    let (started, on_start) = tokio::sync::oneshot::channel();
    let server = api::serve(service, listener, settings, pages, |handle| {
        let _ = started.send(handle);
    });
    let told = async {
        let handle = on_start.await.ok()?;
        let lost = tokio::select! {
            lost = database.lost() => Some(lost),
            () = end_at_signal(&mut signals, &stop, &handle, door) => None,
        };
        if lost.is_some() {
            // What is under way cannot be finished without a database.
            handle.stop(false).await;
        }
        lost
    };
    // Side by side: a server that nobody looks after does not stop either.
    let (served, lost) = tokio::join!(server, told);
    let served = match lost {
        Some(lost) => Err(Refusal::from(lost)),
        None => served.map_err(|error| Refusal::new("server-failed", error.to_string(), "look at the log above")),
    };
    worker.stop(WORK_ENDS).await;
    own.store().close().await;
    database.close().await;
    served
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cookies_go_over_http_only_where_that_is_asked_for_or_stays_on_this_machine() {
        let cookies = |listen: &str, plain_http, behind_proxy| {
            BrowserArguments { plain_http, behind_proxy }.settings(listen.parse().unwrap()).cookies
        };
        for (listen, plain_http, behind_proxy, expected) in [
            ("127.0.0.1:80", false, false, Cookies::PlainHttp),
            ("[::1]:80", false, false, Cookies::PlainHttp),
            ("127.0.0.1:80", false, true, Cookies::OnlyHttps),
            ("0.0.0.0:80", false, false, Cookies::OnlyHttps),
            ("192.168.1.4:80", false, true, Cookies::OnlyHttps),
            ("192.168.1.4:80", true, false, Cookies::PlainHttp),
            ("192.168.1.4:80", true, true, Cookies::PlainHttp),
        ] {
            assert_eq!(cookies(listen, plain_http, behind_proxy), expected, "{listen} {plain_http} {behind_proxy}");
        }
    }
}
