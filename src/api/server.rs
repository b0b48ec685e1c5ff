//! The server: sockets, middleware, and an end that lets requests finish.

use super::limits::{RequestLimits, shed};
use super::problem::Problem;
use super::routes;
use super::stream::StreamLimits;
use super::unknown::{Addresses, unknown};
use super::{Api, document, registry};
use crate::measure::Meters;
use crate::service::Service;
use crate::store::{Act, Doer};
use actix_web::body::MessageBody;
use actix_web::dev::{Server, ServerHandle, ServiceRequest, ServiceResponse};
use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::http::{ConnectionType, Method, Uri};
use actix_web::middleware::{Compress, DefaultHeaders, Next, from_fn};
use actix_web::{App, HttpMessage, HttpResponse, HttpServer, web};
use std::net::TcpListener;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tracing_actix_web::{RequestId, RootSpanBuilder, TracingLogger};
use utoipa_actix_web::AppExt;
use utoipa_swagger_ui::{Config, SwaggerUi};

/// How long requests may go on when the server is told to stop.
const SHUTDOWN_SECONDS: u64 = 20;
/// A client that sends its head more slowly than this is not waited for.
const HEAD_TIMEOUT: Duration = Duration::from_secs(10);
/// How long an idle connection is kept.
const KEEP_ALIVE: Duration = Duration::from_secs(75);

/// What the server is told from outside.
#[derive(Clone, Default)]
pub struct Settings {
    /// Whoever has it may found companies; without one nobody may.
    pub operator_token: Option<String>,
    /// Whoever has it may read the meters at `/metrics`; without one the address leads nowhere.
    pub metrics_token: Option<String>,
    /// Where whoever reaches it may read the meters, and nothing else.
    pub metrics_listener: Option<Arc<TcpListener>>,
    /// Threads that answer; `None`: one for each core.
    pub workers: Option<usize>,
    /// How much may be asked for.
    pub requests: RequestLimits,
    /// How many streams of news, and how patient.
    pub streams: StreamLimits,
}

/// Why the server did not start, or came to a bad end.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// From the operating system.
    #[error("the server cannot run on this address: {0}")]
    Io(#[from] std::io::Error),
}

/// Serves until it is told to stop by the handle that `started` is given; signals are the caller's to hear. Requests under
/// way are finished first. From when the service is told to stop, each connection ends with its next answer. `more` adds
/// what is not part of this interface, such as pages for people.
///
/// # Errors
/// When the socket cannot be used.
pub async fn serve(
    service: Service,
    listener: TcpListener,
    settings: Settings,
    more: impl Fn(&mut web::ServiceConfig) + Clone + Send + 'static,
    started: impl FnOnce(ServerHandle),
) -> Result<(), ServeError> {
    let document = document::openapi();
    let addresses = Addresses::of(&document);
    let watch = watch(&service, settings.metrics_listener.as_deref())?;
    let meters = web::Data::new(service.meters().clone());
    let has_metrics = settings.metrics_token.is_some();
    let api = web::Data::new(Api::new(service, &settings, addresses, document::operations(&document)));
    let text = web::Bytes::from(serde_json::to_vec(&document).unwrap_or_default());
    let described = move || {
        let text = text.clone();
        async move { HttpResponse::Ok().content_type("application/json").body(text) }
    };
    let mut server = HttpServer::new(move || {
        let (app, _) = App::new()
            .app_data(api.clone())
            .app_data(meters.clone())
            .app_data(query_config())
            .app_data(path_config())
            .into_utoipa_app()
            .configure(routes::configure)
            .split_for_parts();
        app.service(web::redirect("/docs", "/docs/"))
            .service(
                web::scope("/docs")
                    .wrap(DefaultHeaders::new().add((header::CONTENT_SECURITY_POLICY, DOCS_POLICY)))
                    .service(SwaggerUi::new("/{_:.*}").config(Config::from("/openapi.json"))),
            )
            .route("/openapi.json", web::get().to(described.clone()))
            .configure(routes::metrics::configure(has_metrics))
            .configure(more.clone())
            .default_service(web::to(unknown))
            .wrap(from_fn(shed))
            .wrap(from_fn(finish))
            .wrap(Compress::default())
            .wrap(from_fn(without_identity))
            .wrap(from_fn(measured))
            .wrap(TracingLogger::<Span>::new())
    })
    .disable_signals()
    // What is sent in pieces, as all that is compressed on the way is, does not wait for whoever reads it to say that he has
    // the piece before: readers put that off by 40 ms.
    .tcp_nodelay(true)
    .client_request_timeout(HEAD_TIMEOUT)
    .keep_alive(KEEP_ALIVE)
    .shutdown_timeout(SHUTDOWN_SECONDS)
    .listen(listener)?;
    if let Some(workers) = settings.workers {
        server = server.workers(workers);
    }
    let server = server.run();
    started(server.handle());
    let Some(watch) = watch else { return Ok(server.await?) };
    // Whoever watches sees requests finish; it ends when they have.
    let watching = watch.handle();
    let served = tokio::select! {
        served = server => served,
        watched = watch => watched,
    };
    watching.stop(false).await;
    Ok(served?)
}

/// The meters on an address of their own. It is told to stop by nobody but the server it belongs to.
fn watch(service: &Service, listener: Option<&TcpListener>) -> Result<Option<Server>, ServeError> {
    let Some(listener) = listener else { return Ok(None) };
    let service = web::Data::new(service.clone());
    let app = move || App::new().app_data(service.clone()).configure(routes::metrics::configure_open);
    let server = HttpServer::new(app).workers(1).disable_signals().client_request_timeout(HEAD_TIMEOUT);
    Ok(Some(server.listen(listener.try_clone()?)?.run()))
}

/// Counts and times every request by the template of its address.
async fn measured(
    meters: web::Data<Meters>,
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let (began, method) = (Instant::now(), request.method().clone());
    let response = next.call(request).await?;
    let route = response.request().match_pattern();
    meters.request(route, method.as_str(), response.status().as_u16(), began.elapsed());
    Ok(response)
}

/// The browsable copy brings everything along; it loads nothing from elsewhere.
const DOCS_POLICY: &str = "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; \
     frame-ancestors 'none'; base-uri 'none'";

fn query_config() -> web::QueryConfig {
    web::QueryConfig::default().error_handler(|error, _| Problem::new(registry::BAD_QUERY, error.to_string()).into())
}

fn path_config() -> web::PathConfig {
    web::PathConfig::default()
        .error_handler(|_, _| Problem::new(registry::NOT_FOUND, "there is nothing of that name").into())
}

/// Says that a request is a HEAD that is answered as a GET, for what has no end.
#[derive(Debug, Clone, Copy)]
pub(super) struct OnlyHead;

/// What was not to be compressed is marked `identity`, which is not for the wire (RFC 9110, section 8.4.1).
async fn without_identity(
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let mut response = next.call(request).await?;
    let encoding = response.headers().get(header::CONTENT_ENCODING);
    if encoding.is_some_and(|encoding| encoding.as_bytes() == b"identity") {
        response.headers_mut().remove(header::CONTENT_ENCODING);
    }
    Ok(response)
}

/// HEAD is answered as GET without the body (the connection leaves it out), and every reply has the headers that keep
/// browsers from guessing and telling.
async fn finish(
    mut request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    if request.method() == Method::HEAD {
        request.head_mut().method = Method::GET;
        request.extensions_mut().insert(OnlyHead);
    }
    let id = request.extensions().get::<RequestId>().map(ToString::to_string);
    let stopping = request.app_data::<web::Data<Api>>().map(|api| api.service.stopping().clone());
    let mut response = if request.method().is_safe() {
        next.call(request).await?
    } else {
        act_of(&request).of(next.call(request)).await?
    };
    if stopping.is_some_and(|stopping| stopping.is_stopped()) {
        response.response_mut().head_mut().set_connection_type(ConnectionType::Close);
    }
    let headers = response.headers_mut();
    for (name, value) in [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "private, no-cache"),
    ] {
        if !headers.contains_key(&name) {
            headers.insert(name, HeaderValue::from_static(value));
        }
    }
    if let Some(id) = id.and_then(|id| HeaderValue::from_str(&id).ok()) {
        headers.insert(HeaderName::from_static("x-request-id"), id);
    }
    Ok(response)
}

/// What a request does, as the lines say it: the operation of the document, or what a page's form is sent to. By whom turns
/// out later.
fn act_of(request: &ServiceRequest) -> Act {
    let id = request.extensions().get::<RequestId>().map(|id| **id);
    let asked = format!("{} {}", request.method(), request.match_pattern().unwrap_or_default());
    let api = request.app_data::<web::Data<Api>>();
    let operation = api.and_then(|api| api.operations.get(&asked).cloned());
    Act::new(Doer::Server, operation.unwrap_or(asked), id)
}

/// What is logged of a request: never a query or a secret in an address.
struct Span;

impl RootSpanBuilder for Span {
    fn on_request_start(request: &ServiceRequest) -> tracing::Span {
        let id = request.extensions().get::<RequestId>().map(ToString::to_string).unwrap_or_default();
        tracing::info_span!(
            "request",
            id,
            method = %request.method(),
            path = shown(request.uri()),
            status = tracing::field::Empty,
        )
    }

    fn on_request_end<B: MessageBody>(span: tracing::Span, outcome: &Result<ServiceResponse<B>, actix_web::Error>) {
        let status = match outcome {
            Ok(response) => response.status(),
            Err(error) => error.as_response_error().status_code(),
        };
        span.record("status", status.as_u16());
        span.in_scope(|| tracing::info!("answered"));
    }
}

/// The path without what opens a door: calendars and week pages are behind secrets of their own.
fn shown(uri: &Uri) -> String {
    let secret = |part: &str| ["cal_", "tf_", "link_", "session_"].iter().any(|prefix| part.contains(prefix));
    let behind = ["/feeds/", "/week/", "/crew/", "/day-sheet/"].iter().any(|prefix| uri.path().starts_with(prefix));
    let parts = uri.path().split('/').enumerate();
    let kept = parts.map(|(number, part)| if secret(part) || (behind && number > 1) { "..." } else { part });
    kept.collect::<Vec<_>>().join("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_in_addresses_are_not_shown() {
        let shown = |path: &'static str| shown(&Uri::from_static(path));
        assert_eq!(shown("/v1/houses/elm-12?token=x"), "/v1/houses/elm-12");
        assert_eq!(shown("/feeds/cal_abc.ics"), "/feeds/...");
        assert_eq!(shown("/week/cal_abc"), "/week/...");
        assert_eq!(shown("/week/mistyped"), "/week/...");
        assert_eq!(shown("/crew/link_abc"), "/crew/...");
        assert_eq!(shown("/day-sheet/mistyped"), "/day-sheet/...");
        assert_eq!(shown("/v1/tf_abc"), "/v1/...");
    }
}
