//! Traces over OTLP, for whoever has a collector: spans of this program's own (requests, plannings, repairs), without
//! their events, and with nothing in them that the log may not have either. Off unless an address is named.

use super::Refusal;
use crate::weather::fetch::provide_tls;
use opentelemetry::trace::TracerProvider;
use opentelemetry_otlp::{Protocol, SpanExporter, WithExportConfig, WithHttpConfig};
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::trace::SdkTracerProvider;
use std::time::Duration;
use tracing::Subscriber;
use tracing_subscriber::Layer;
use tracing_subscriber::filter::filter_fn;
use tracing_subscriber::registry::LookupSpan;

/// As collectors show it, unless `OTEL_SERVICE_NAME` says otherwise.
const SERVICE: &str = "tackfree";
/// How long a collector is waited for: spans queue up meanwhile, and are dropped when they are too many.
const EXPORT_TIME_MAX: Duration = Duration::from_secs(5);

/// Where spans go.
#[derive(Debug)]
pub struct Traces(SdkTracerProvider);

impl Traces {
    /// To this address, with what `OTEL_EXPORTER_OTLP_HEADERS` and `OTEL_TRACES_SAMPLER` say. Nothing is sent yet.
    ///
    /// # Errors
    /// When the address is none.
    pub fn to(endpoint: &str) -> Result<Traces, Refusal> {
        let refused = |what: String| {
            let cure = "write it as http://HOST:4318/v1/traces, or leave it out";
            Refusal::new("bad-traces-endpoint", format!("the address for traces cannot be used: {what}"), cure)
        };
        let address = reqwest::Url::parse(endpoint).map_err(|error| refused(error.to_string()))?;
        if !matches!(address.scheme(), "http" | "https") || !address.has_host() {
            return Err(refused("it is neither http nor https".to_owned()));
        }
        provide_tls();
        let exporter = SpanExporter::builder().with_http().with_endpoint(endpoint).with_timeout(EXPORT_TIME_MAX);
        let exporter = exporter.with_protocol(Protocol::HttpBinary).with_headers(Default::default()).build();
        let exporter = exporter.map_err(|error| refused(error.to_string()))?;
        let resource = Resource::builder();
        let resource = match std::env::var_os("OTEL_SERVICE_NAME") {
            Some(_) => resource,
            None => resource.with_service_name(SERVICE),
        };
        Ok(Traces(SdkTracerProvider::builder().with_resource(resource.build()).with_batch_exporter(exporter).build()))
    }

    /// For a subscriber: this program's spans and no events, because those of others hold statements.
    pub fn layer<S: Subscriber + for<'a> LookupSpan<'a>>(&self) -> impl Layer<S> + use<S> {
        let own = filter_fn(|about| about.is_span() && about.target().starts_with(SERVICE));
        tracing_opentelemetry::layer().with_tracer(self.0.tracer(SERVICE)).with_filter(own)
    }

    /// Sends what has not been sent yet; a collector that is away is not waited for long.
    pub fn end(&self) {
        if let Err(error) = self.0.shutdown() {
            eprintln!("tackfree: the last traces were not sent: {error}");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_that_is_none_is_refused() {
        for bad in ["", "collector:4318", "ftp://collector/v1/traces", "not an address"] {
            let refusal = Traces::to(bad).unwrap_err();
            assert_eq!(refusal.code, "bad-traces-endpoint", "{bad}");
        }
        Traces::to("http://127.0.0.1:4318/v1/traces").unwrap();
    }
}
