//! Forecasts fetched from the weather service for the regions that say where. The network is asked outside of any
//! transaction.

use super::nouns::Stored;
use super::{Service, ServiceError, wire};
use crate::domain::climate::Gridpoint;
use crate::dto::RegionDto;
use crate::store::{CompanyId, RegionFetch, Session, StoreError};
use crate::weather::fetch::{Fetched, Validators};
use crate::weather::{Summary, joined};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// Regions looked through at once.
const PAGE: u32 = 100;

/// A forecast on its way to its region.
#[derive(Debug, Clone)]
pub struct Brought {
    key: String,
    region: Uuid,
    gridpoint: String,
    fetched: Fetched,
}

/// What a fetch has brought.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ForecastFetched {
    /// Key of the region.
    pub region: String,
    /// Where its forecast comes from.
    #[schema(example = "OKX/33,37")]
    pub gridpoint: String,
    /// Whether the service had news.
    pub changed: bool,
    /// Hours that the region's forecast has now, those that are filled in left out.
    pub hours: usize,
    /// Hours of the forecast before that were kept in front of the new one.
    pub kept_hours: usize,
    /// Hours missing in between, which are filled in.
    pub filled_hours: i64,
    /// Start of its first hour.
    pub forecast_from: String,
    /// End of its last hour.
    pub forecast_until: String,
}

impl Service {
    /// Asks the weather service for the forecast of a region. Nothing is changed.
    ///
    /// # Errors
    /// `NotFound`, `NoGridpoint`, `NoWeatherService`, `NoForecast`.
    pub async fn fetch_forecast(&self, company: CompanyId, key: &str) -> Result<Brought, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let region = self.noun::<RegionDto>(&mut session, key).await?;
        let last = session.region_fetch(region.id).await?;
        drop(session);
        let source = self.weather.clone().ok_or(ServiceError::NoWeatherService)?;
        let named = region.doc.gridpoint.as_deref().and_then(|text| Gridpoint::parse(text).ok());
        let gridpoint = named.ok_or_else(|| ServiceError::NoGridpoint(key.to_owned()))?;
        let known = last.filter(|fetch| fetch.region_version == region.version);
        let known = known.map_or_else(Validators::default, |RegionFetch { etag, last_modified, .. }| Validators {
            etag,
            last_modified,
        });
        let fetched = source.forecast(&gridpoint, &known).await?;
        Ok(Brought { key: key.to_owned(), region: region.id, gridpoint: gridpoint.to_string(), fetched })
    }

    /// Gives a region what was fetched for it, behind those hours of its old forecast that are over.
    ///
    /// # Errors
    /// `NotFound`; `Stale` when the region has moved to another gridpoint meanwhile.
    pub async fn keep_forecast(
        &self,
        session: &mut Session,
        brought: Brought,
    ) -> Result<ForecastFetched, ServiceError> {
        let region = self.noun::<RegionDto>(session, &brought.key).await?;
        if region.id != brought.region || region.doc.gridpoint.as_deref() != Some(&brought.gridpoint) {
            return Err(StoreError::Stale { current: region.version }.into());
        }
        let Fetched::New(new, Validators { etag, last_modified }) = brought.fetched else {
            return told(&region, false, 0);
        };
        let (forecast, kept) = joined(&region.doc.forecast, new);
        let doc = RegionDto { forecast, ..region.doc };
        let stored = self.change_noun(session, &brought.key, region.version, &doc).await?;
        let fetch = RegionFetch { region_version: stored.version, etag, last_modified, fetched_at: self.now() };
        session.keep_region_fetch(stored.id, &fetch).await?;
        told(&stored, true, kept)
    }

    /// Fetches for every region of a company that has a gridpoint, one after the other; one that fails does not stop the
    /// others.
    ///
    /// # Errors
    /// `Unavailable`, before anything was fetched.
    pub async fn fetch_forecasts(
        &self,
        company: CompanyId,
    ) -> Result<Vec<(String, Result<ForecastFetched, ServiceError>)>, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let mut keys = Vec::new();
        let mut after = None;
        loop {
            let page = self.nouns::<RegionDto>(&mut session, after, PAGE).await?;
            let Some(last) = page.last() else { break };
            after = Some(last.id);
            let with = page.into_iter().filter(|region| region.doc.gridpoint.is_some());
            keys.extend(with.map(|region| region.doc.key));
        }
        drop(session);
        let mut outcomes = Vec::with_capacity(keys.len());
        for key in keys {
            let outcome = self.fetch_and_keep(company, &key).await;
            outcomes.push((key, outcome));
        }
        Ok(outcomes)
    }

    async fn fetch_and_keep(&self, company: CompanyId, key: &str) -> Result<ForecastFetched, ServiceError> {
        let brought = self.fetch_forecast(company, key).await?;
        let mut session = self.store.session(company).await?;
        let fetched = self.keep_forecast(&mut session, brought).await?;
        session.commit().await?;
        Ok(fetched)
    }
}

fn told(region: &Stored<RegionDto>, changed: bool, kept_hours: usize) -> Result<ForecastFetched, ServiceError> {
    let doc = &region.doc;
    // A stored forecast has been judged, so it can be summed up.
    let summary = Summary::of(&doc.forecast).ok_or(StoreError::NotFound { what: "forecast" })?;
    Ok(ForecastFetched {
        region: doc.key.clone(),
        gridpoint: doc.gridpoint.clone().unwrap_or_default(),
        changed,
        hours: summary.hours,
        kept_hours,
        filled_hours: summary.holes.iter().map(|hole| hole.hours).sum(),
        forecast_from: wire::utc(summary.from.to_utc()),
        forecast_until: wire::utc(summary.until.to_utc()),
    })
}
