//! `fetch-forecasts`: what a clock starts every hour or so: new forecasts for all regions that say where, of all
//! companies. And the settings of the weather service, which `serve` takes as well.

use super::Refusal;
use super::database::DatabaseArguments;
use crate::service::{ForecastFetched, Service, ServiceError};
use crate::weather::fetch::{FETCH_TIME_MAX, Source, WEATHER_BASE_DEFAULT};
use std::fmt::Write;

/// How the weather service is asked.
#[derive(Debug, Clone, clap::Args)]
pub struct WeatherArguments {
    /// Address of the US National Weather Service, or of something that speaks as it does
    #[arg(long, env = "TACKFREE_WEATHER_BASE", default_value = WEATHER_BASE_DEFAULT, value_name = "URL")]
    pub weather_base: String,
    /// Mail or web address that the weather service may write to; unset: it is not asked
    #[arg(long, env = "TACKFREE_WEATHER_CONTACT", value_name = "ADDRESS")]
    pub weather_contact: Option<String>,
}

impl WeatherArguments {
    /// The service, if it may be asked.
    pub fn source(&self) -> Result<Option<Source>, Refusal> {
        let source = self.weather_contact.as_deref();
        let source = source.map(|contact| Source::new(&self.weather_base, contact, FETCH_TIME_MAX)).transpose();
        source.map_err(|fault| Refusal::new(fault.code, fault.what, fault.cure))
    }
}

/// Fetches; `Err` when any region did not get its forecast, after all others have.
pub async fn fetch(database: &DatabaseArguments, arguments: &WeatherArguments) -> Result<String, Refusal> {
    let source = arguments.source()?.ok_or_else(|| {
        let cure =
            "give --weather-contact ADDRESS (TACKFREE_WEATHER_CONTACT): the service wants to know whom to write to";
        Refusal::new("no-weather-contact", "the weather service is not asked without a contact", cure)
    })?;
    let database = database.open().await?;
    let service = Service::new(database.store.clone()).with_weather(source);
    let outcome = fetch_all(&database, &service).await;
    database.close().await;
    outcome
}

async fn fetch_all(database: &super::database::Database, service: &Service) -> Result<String, Refusal> {
    let mut out = String::new();
    let mut failed = 0;
    for (company, name) in database.companies().await? {
        for (region, outcome) in service.fetch_forecasts(company).await? {
            failed += usize::from(outcome.is_err());
            let _ = writeln!(out, "{name}, region {region}: {}", told(&outcome));
        }
    }
    if failed == 0 {
        return Ok(if out.is_empty() { "no region has a gridpoint\n".to_owned() } else { out });
    }
    let what = format!("{failed} regions keep the forecast they had:\n{}", out.trim_end());
    Err(Refusal::new("forecasts-not-fetched", what, "see above; run it again later"))
}

fn told(outcome: &Result<ForecastFetched, ServiceError>) -> String {
    match outcome {
        Ok(ForecastFetched { changed: false, forecast_until, .. }) => {
            format!("no news; it reaches to {forecast_until}")
        }
        Ok(ForecastFetched { hours, kept_hours, forecast_from, forecast_until, .. }) => {
            format!("{hours} hours from {forecast_from} to {forecast_until}, {kept_hours} of them kept from before")
        }
        Err(ServiceError::NoForecast(error)) => format!("{error} ({}). {}", error.code(), error.cure()),
        Err(error) => error.to_string(),
    }
}
