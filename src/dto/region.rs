//! Weather regions and their hourly forecasts.

use super::fault::{At, Faults, Located};
use super::house::{AIR_CENTI_C, RH_CENTI_PERCENT, optional};
use super::normals::NormalsDto;
use super::scalar;
use crate::domain::bounds::FORECAST_HOURS_MAX;
use crate::domain::climate::{Air, Gridpoint, OutdoorHour};
use crate::domain::fault::Fault;
use crate::domain::resources::Region;
use crate::domain::time::{HOUR, Minute};
use crate::domain::zone::Zone;
use crate::trade::climate::{FORECAST_HOLE_HOURS_MAX, FORECAST_HOURS_MIN, RAIN_MAX_CENTI_MM};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// One hour of weather.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ForecastHourDto {
    /// A whole UTC hour.
    #[schema(example = "2026-03-09T12:00:00Z", format = DateTime)]
    pub start: String,
    /// Degrees Celsius, kept to the hundredth.
    #[schema(minimum = -60, maximum = 60, example = 11.5)]
    pub temp_c: f64,
    /// Relative humidity, kept to the hundredth.
    #[schema(minimum = 0, maximum = 100, example = 64.0)]
    pub rh_percent: f64,
    /// Rain in that hour, millimetres.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 500, example = 0.2)]
    pub rain_mm: f64,
}

/// Hourly weather, in order. Holes of up to 6 hours are filled; longer ones are refused.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ForecastDto {
    /// 24 to 9,600 hours.
    pub hours: Vec<ForecastHourDto>,
}

/// A part of the country with one weather.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RegionDto {
    /// Unique in the company.
    #[schema(example = "coast", min_length = 1, max_length = 64, pattern = "^[A-Za-z0-9._-]+$")]
    pub key: String,
    /// For people.
    #[schema(example = "Coast", min_length = 1, max_length = 120)]
    pub name: String,
    /// The square of the US National Weather Service's grid whose forecast may be fetched for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "OKX/33,37", pattern = "^[A-Z]{3}/[0-9]{1,3},[0-9]{1,3}$")]
    pub gridpoint: Option<String>,
    /// Its weather.
    pub forecast: ForecastDto,
    /// Its usual air, for the days past the forecast. Left out: the forecast's last day is repeated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub normals: Option<NormalsDto>,
}

impl ForecastHourDto {
    fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<OutdoorHour> {
        let start_at = at.field("start");
        let start = faults.instant(&start_at, &self.start);
        let temp = faults.parts(&at.field("temp_c"), self.temp_c, 100, AIR_CENTI_C, "degrees Celsius");
        let rh = faults.parts(&at.field("rh_percent"), self.rh_percent, 100, RH_CENTI_PERCENT, "percent");
        let rain = faults.parts(&at.field("rain_mm"), self.rain_mm, 100, 0..=RAIN_MAX_CENTI_MM, "mm of rain");
        let start = start?;
        if start.0 % HOUR != 0 {
            let cure = "move each value to the UTC hour that holds most of its time";
            faults.push(&start_at, Fault::new("forecast-off-hour", format!("{start:?} is not a whole UTC hour"), cure));
            return None;
        }
        Some(OutdoorHour { start, air: Air { temp_centi_c: temp?, rh_centi_percent: rh? }, rain_centi_mm: rain? })
    }
}

impl ForecastDto {
    /// Everything wrong with it.
    pub fn check(&self) -> Vec<Located> {
        let mut faults = Faults::default();
        self.to_domain(&At::Root, &mut faults);
        faults.into_list()
    }

    /// The one way to a forecast: sorted, gap-free, long enough. As strict as `HourlyClimate::from_hours`, but it tells
    /// where, and keeps the rain.
    pub(crate) fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Vec<OutdoorHour>> {
        let at = at.field("hours");
        if !faults.count(&at, self.hours.len(), FORECAST_HOURS_MAX, "hours of forecast") {
            return None;
        }
        let mut hours: Vec<OutdoorHour> = Vec::with_capacity(self.hours.len());
        let mut good = true;
        for (index, entry) in self.hours.iter().enumerate() {
            let at = at.item(index);
            let Some(hour) = entry.to_domain(&at, faults) else {
                good = false;
                continue;
            };
            if let Some(previous) = hours.last().copied().filter(|_| good) {
                let missing = faults.take(&at.field("start"), missing_between(previous.start, hour.start));
                good = missing.is_some();
                let missing = missing.unwrap_or(0);
                hours.extend((1..=missing).map(|step| between(previous, hour, step, missing + 1)));
            }
            hours.push(hour);
        }
        if good && !(FORECAST_HOURS_MIN..=FORECAST_HOURS_MAX).contains(&hours.len()) {
            let what = format!("a forecast of {} hours", hours.len());
            let cure = format!(
                "give {FORECAST_HOURS_MIN} to {FORECAST_HOURS_MAX} hours: the last day stands for all days after it"
            );
            faults.push(&at, Fault::new("forecast-length", what, cure));
            return None;
        }
        good.then_some(hours)
    }
}

/// How many hours lie between two neighbours, if they may be filled.
fn missing_between(previous: Minute, next: Minute) -> Result<i64, Fault> {
    let missing = next.since(previous) / HOUR - 1;
    match missing {
        i64::MIN..0 => Err(Fault::new(
            "forecast-order",
            format!("{next:?} follows {previous:?}"),
            "sort the hours by their start, each once; in the hour that clocks go back, send UTC",
        )),
        0..=FORECAST_HOLE_HOURS_MAX => Ok(missing),
        _ => Err(Fault::new(
            "forecast-hole",
            format!("{missing} hours are missing between {previous:?} and {next:?}"),
            format!("send the missing hours; only up to {FORECAST_HOLE_HOURS_MAX} are filled in"),
        )),
    }
}

/// The hour `step` parts of `parts` on the way from `a` to `b`, to the nearest hundredth.
fn between(a: OutdoorHour, b: OutdoorHour, step: i64, parts: i64) -> OutdoorHour {
    let mix = |a: i32, b: i32| {
        let doubled = 2 * (i64::from(b) - i64::from(a)) * step + parts;
        a + doubled.div_euclid(2 * parts) as i32
    };
    OutdoorHour {
        start: a.start.plus(step * HOUR),
        air: Air {
            temp_centi_c: mix(a.air.temp_centi_c, b.air.temp_centi_c),
            rh_centi_percent: mix(a.air.rh_centi_percent, b.air.rh_centi_percent),
        },
        rain_centi_mm: mix(a.rain_centi_mm, b.rain_centi_mm),
    }
}

impl RegionDto {
    /// Everything wrong with it.
    pub fn check(&self) -> Vec<Located> {
        let mut faults = Faults::default();
        self.to_domain(&At::Root, &mut faults);
        faults.into_list()
    }

    pub(super) fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Region> {
        let key = faults.key(&at.field("key"), &self.key);
        let name = faults.name(&at.field("name"), &self.name);
        let gridpoint_at = at.field("gridpoint");
        let gridpoint = self.gridpoint.as_ref().map(|text| faults.take(&gridpoint_at, Gridpoint::parse(text)));
        let hours = self.forecast.to_domain(&at.field("forecast"), faults);
        let normals = self.normals.as_ref();
        let normals = normals.map_or(Some(None), |normals| normals.to_domain(&at.field("normals"), faults).map(Some));
        Some(Region { key: key?, name: name?, gridpoint: optional(gridpoint)?, hours: hours?, normals: normals? })
    }

    pub(super) fn from_domain(region: &Region) -> RegionDto {
        let hour = |hour: &OutdoorHour| ForecastHourDto {
            start: scalar::local(Zone::UTC, hour.start),
            temp_c: f64::from(hour.air.temp_centi_c) / 100.0,
            rh_percent: f64::from(hour.air.rh_centi_percent) / 100.0,
            rain_mm: f64::from(hour.rain_centi_mm) / 100.0,
        };
        RegionDto {
            key: region.key.to_string(),
            name: region.name.to_string(),
            gridpoint: region.gridpoint.as_ref().map(ToString::to_string),
            forecast: ForecastDto { hours: region.hours.iter().map(hour).collect() },
            normals: region.normals.as_ref().map(NormalsDto::from_domain),
        }
    }
}
