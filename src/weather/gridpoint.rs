//! The document of the US National Weather Service for one square of its forecast grid, as its public interface gives
//! it out (`/gridpoints/{office}/{x},{y}`; format as on the service's page "Gridpoint Frequently Asked Questions" and in
//! the answers of its maintainers at weather-gov/api). Layers of values, each for an interval: equal hours are merged
//! into one, and amounts are for the whole of their interval. Everything but four layers is passed over.

use super::interval::Hours;
use super::{WEATHER_BYTES_MAX, celsius_of_fahrenheit, hundredths, judged, shown};
use crate::domain::bounds::FORECAST_HOURS_MAX;
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::dto::{FAULTS_MAX, ForecastDto, ForecastHourDto, Located, read_json};
use crate::trade::climate::{AIR_TEMP_MAX_CENTI_C, AIR_TEMP_MIN_CENTI_C, RAIN_MAX_CENTI_MM};
use crate::trade::humid_air::{rh_of_vapour_percent, saturation_pressure_pa};
use serde::Deserialize;
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// What is read of the document; everything else in it is passed over.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct GridpointDocument {
    // A document of another kind has none; then its layers are what is said to be missing, with their own cure.
    #[serde(default)]
    #[schema(required)]
    properties: Layers,
}

#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(rename_all = "camelCase")]
struct Layers {
    /// Of the air.
    #[schema(required)]
    temperature: Option<Layer>,
    /// Of the air; hours without it are taken from the dew point.
    relative_humidity: Option<Layer>,
    /// Of the air.
    dewpoint: Option<Layer>,
    /// Rain, or molten snow, over each whole interval.
    quantitative_precipitation: Option<Layer>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
struct Layer {
    /// Unit of all values.
    #[schema(example = "wmoUnit:degC")]
    uom: Option<String>,
    values: Vec<Value>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(rename_all = "camelCase")]
struct Value {
    /// Start and length (ISO 8601).
    #[schema(example = "2019-07-04T18:00:00+00:00/PT3H")]
    valid_time: String,
    /// `null`: not known for that interval.
    value: Option<f64>,
}

/// Reads a document.
///
/// # Errors
/// What is no JSON of that shape; otherwise as [`GridpointDocument::forecast`].
pub fn read(text: &str) -> Result<ForecastDto, Vec<Located>> {
    read_json::<GridpointDocument>(text.trim_start_matches('\u{feff}'), WEATHER_BYTES_MAX)?.forecast()
}

impl GridpointDocument {
    /// Hour by hour. Hours without temperature, or without both humidity and dew point, are left out.
    ///
    /// # Errors
    /// Every fault found: a layer missing, a unit that is not the layer's, intervals that overlap, end before they begin
    /// or are absurdly long, values that no air has, holes that are too long.
    pub fn forecast(&self) -> Result<ForecastDto, Vec<Located>> {
        let mut faults = Vec::new();
        let layers = &self.properties;
        let temp = Quantity::Temperature.hours("temperature", layers.temperature.as_ref(), &mut faults);
        let rh = Quantity::Percent.hours("relativeHumidity", layers.relative_humidity.as_ref(), &mut faults);
        let dew = Quantity::Temperature.hours("dewpoint", layers.dewpoint.as_ref(), &mut faults);
        let rain = Quantity::Amount.hours(
            "quantitativePrecipitation",
            layers.quantitative_precipitation.as_ref(),
            &mut faults,
        );
        let cure = "ask the service for /gridpoints/{office}/{x},{y}, without more behind it";
        if layers.temperature.is_none() {
            let what = "the document has no layer of temperature";
            faults.push(located("/properties/temperature", Fault::new("missing-layer", what, cure)));
        }
        if layers.relative_humidity.is_none() && layers.dewpoint.is_none() {
            let what = "the document has neither relativeHumidity nor dewpoint";
            faults.push(located("/properties/relativeHumidity", Fault::new("missing-layer", what, cure)));
        }
        if !faults.is_empty() {
            faults.truncate(FAULTS_MAX);
            return Err(faults);
        }
        let hour = |(&start, &temp_c): (&Minute, &f64)| {
            let of_dew = |dew_c: &f64| rh_of_vapour_percent(saturation_pressure_pa(*dew_c), temp_c);
            let rh_percent = rh.get(&start).copied().or_else(|| dew.get(&start).map(of_dew))?;
            Some(ForecastHourDto {
                start: start.to_utc().format("%Y-%m-%dT%H:%M:%SZ").to_string(),
                temp_c: hundredths(temp_c),
                rh_percent: hundredths(rh_percent),
                rain_mm: rain.get(&start).copied().unwrap_or(0.0),
            })
        };
        let hours: Vec<ForecastHourDto> = temp.iter().filter_map(hour).collect();
        let starts: Vec<String> = hours.iter().map(|hour| hour.start.clone()).collect();
        judged(ForecastDto { hours }, |index, member, fault| {
            let layer = match member {
                "temp_c" => "/properties/temperature",
                "rh_percent" => "/properties/relativeHumidity",
                "rain_mm" => "/properties/quantitativePrecipitation",
                _ => "/properties",
            };
            let hour = index.and_then(|index| starts.get(index)).map_or(String::new(), |start| format!("{start}: "));
            located(layer, Fault { what: format!("{hour}{}", fault.what), ..fault })
        })
    }
}

/// What the values of a layer are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Quantity {
    Temperature,
    Percent,
    /// Of the whole interval.
    Amount,
}

impl Quantity {
    /// By the start of the hour, in degrees Celsius, percent or millimetres; null values are left out.
    fn hours(self, name: &str, layer: Option<&Layer>, faults: &mut Vec<Located>) -> BTreeMap<Minute, f64> {
        // A layer that nobody filled in has no unit either.
        let Some(layer) = layer.filter(|layer| !layer.values.is_empty()) else { return BTreeMap::new() };
        let at = format!("/properties/{name}");
        let refused = |faults: &mut Vec<Located>, member: &str, fault| {
            faults.push(located(format!("{at}/{member}"), fault));
            BTreeMap::new()
        };
        if layer.values.len() > FORECAST_HOURS_MAX {
            let what = format!("{} values are more than a forecast has hours", layer.values.len());
            let fault = Fault::new("too-many", what, format!("give at most {FORECAST_HOURS_MAX}"));
            return refused(faults, "values", fault);
        }
        let unit = match self.unit(layer.uom.as_deref()) {
            Ok(unit) => unit,
            Err(fault) => return refused(faults, "uom", fault),
        };
        let mut hours = BTreeMap::new();
        let mut covered = 0;
        for (index, Value { valid_time, value }) in layer.values.iter().enumerate() {
            let read = Hours::parse(valid_time).and_then(|interval| {
                covered += interval.count;
                self.spread(interval, value.map(unit), covered, &mut hours)
            });
            if let Err((member, fault)) = read.map_err(named) {
                faults.push(located(format!("{at}/values/{index}/{member}"), fault));
            }
            if faults.len() >= FAULTS_MAX || covered > FORECAST_HOURS_MAX {
                break;
            }
        }
        hours.into_iter().filter_map(|(start, value)| value.map(|value| (start, value))).collect()
    }

    /// Puts the value into the hours of its interval. `covered` counts the hours of the layer so far.
    fn spread(
        self,
        interval: Hours,
        value: Option<f64>,
        covered: usize,
        hours: &mut BTreeMap<Minute, Option<f64>>,
    ) -> Result<(), Fault> {
        if covered > FORECAST_HOURS_MAX {
            let what = format!("the intervals up to this one are {covered} hours long");
            return Err(Fault::new("absurd-interval", what, format!("give at most {FORECAST_HOURS_MAX} hours")));
        }
        self.is_real(value, interval.count)?;
        for (index, start) in interval.starts().enumerate() {
            let share = value.map(|value| self.share(value, index, interval.count));
            if hours.insert(start, share).is_some() {
                let what = format!("the hour from {start:?} on is in two intervals");
                return Err(Fault::new("overlapping-intervals", what, "give one value for each hour"));
            }
        }
        Ok(())
    }

    /// What is not checked again when the hours are judged: dew points are turned into humidity before, and amounts are
    /// divided.
    fn is_real(self, value: Option<f64>, hours: usize) -> Result<(), Fault> {
        let (least, most, unit) = match self {
            Quantity::Temperature => (AIR_TEMP_MIN_CENTI_C / 100, AIR_TEMP_MAX_CENTI_C / 100, "degrees Celsius"),
            Quantity::Percent => (0, 100, "percent"),
            Quantity::Amount => (0, RAIN_MAX_CENTI_MM / 100 * hours as i32, "mm of rain"),
        };
        match value.filter(|value| !(f64::from(least)..=f64::from(most)).contains(value)) {
            None => Ok(()),
            Some(value) => {
                let what = format!("{value} {unit} is out of range");
                Err(Fault::new("out-of-range", what, format!("give {least} to {most} {unit}, or null")))
            }
        }
    }

    /// The part of a value that falls to hour `index` of `count`. Amounts are divided evenly, in whole hundredths that
    /// add up to the amount.
    fn share(self, value: f64, index: usize, count: usize) -> f64 {
        match self {
            Quantity::Temperature | Quantity::Percent => value,
            Quantity::Amount => {
                let by = |hours: usize| (value * 100.0 * hours as f64 / count as f64).round();
                (by(index + 1) - by(index)) / 100.0
            }
        }
    }

    /// From the document's unit to the program's. The service writes `wmoUnit:degC`; it once wrote `unit:degC`.
    fn unit(self, uom: Option<&str>) -> Result<fn(f64) -> f64, Fault> {
        let known = match self {
            Quantity::Temperature => "wmoUnit:degC or wmoUnit:degF",
            Quantity::Percent => "wmoUnit:percent",
            Quantity::Amount => "wmoUnit:mm",
        };
        let cure = format!("give the values in {known}");
        let uom = uom.ok_or_else(|| Fault::new("missing-unit", "the layer has no uom", cure.clone()))?;
        let code = uom.strip_prefix("wmoUnit:").or_else(|| uom.strip_prefix("unit:")).unwrap_or(uom);
        match (self, code) {
            (Quantity::Temperature, "degF") => Ok(celsius_of_fahrenheit),
            (Quantity::Temperature, "degC") | (Quantity::Percent, "percent") | (Quantity::Amount, "mm") => {
                Ok(std::convert::identity)
            }
            _ => Err(Fault::new("wrong-unit", format!("values in {} cannot be used here", shown(uom)), cure)),
        }
    }
}

/// Which member a fault of a value is about.
fn named(fault: Fault) -> (&'static str, Fault) {
    (if fault.code == "out-of-range" { "value" } else { "validTime" }, fault)
}

fn located(pointer: impl Into<String>, fault: Fault) -> Located {
    Located { pointer: pointer.into(), fault }
}
