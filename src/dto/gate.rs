//! Air limits of a step, and what dries.

use super::fault::{At, Faults};
use super::step::is_zero;
use crate::domain::climate::{Film, Gate};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Any temperature a limit may be; the gate itself judges whether limits make sense.
const LIMIT_CENTI: std::ops::RangeInclusive<i32> = -100_000..=100_000;

/// The air a step may be done in, from its start until the hold time after its finish.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GateDto {
    /// Coldest, degrees Celsius.
    #[schema(minimum = -60, maximum = 80, example = 15.6)]
    pub temp_min_c: f64,
    /// Warmest, degrees Celsius.
    #[schema(minimum = -60, maximum = 80, example = 26.7)]
    pub temp_max_c: f64,
    /// Driest, relative humidity.
    #[schema(minimum = 0, maximum = 100, example = 30)]
    pub rh_min_percent: f64,
    /// Most humid, relative humidity.
    #[schema(minimum = 0, maximum = 100, example = 70)]
    pub rh_max_percent: f64,
    /// How far the floor must be above the dew point, degrees Celsius.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 20, default = 0, example = 3)]
    pub dew_point_margin_min_c: f64,
    /// How long after the work the limits must still hold.
    #[serde(default, skip_serializing_if = "is_zero")]
    #[schema(minimum = 0, maximum = 20_160, default = 0)]
    pub hold_after_minutes: i64,
}

/// What dries, and so how a wait is bent by the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FilmDto {
    /// Plain water and water-borne treatment soaked into the wood.
    Treatment,
    /// A waterborne film.
    Waterborne,
    /// An oil-modified film or penetrating oil.
    OilModified,
    /// Cures by taking moisture from the air: never stretched.
    MoistureCure,
}

impl FilmDto {
    /// For people.
    pub const fn word(self) -> &'static str {
        match self {
            FilmDto::Treatment => "treatment",
            FilmDto::Waterborne => "waterborne film",
            FilmDto::OilModified => "oil-modified film",
            FilmDto::MoistureCure => "moisture-cured film",
        }
    }
}

impl GateDto {
    pub(crate) fn to_domain(self, at: &At, faults: &mut Faults) -> Option<Gate> {
        let mut limit =
            |name: &str, value: f64, unit: &str| faults.parts(&at.field(name), value, 100, LIMIT_CENTI, unit);
        let temp_min = limit("temp_min_c", self.temp_min_c, "degrees Celsius");
        let temp_max = limit("temp_max_c", self.temp_max_c, "degrees Celsius");
        let rh_min = limit("rh_min_percent", self.rh_min_percent, "percent");
        let rh_max = limit("rh_max_percent", self.rh_max_percent, "percent");
        let margin = limit("dew_point_margin_min_c", self.dew_point_margin_min_c, "degrees Celsius");
        let gate = Gate {
            temp_min_centi_c: temp_min?,
            temp_max_centi_c: temp_max?,
            rh_min_centi_percent: rh_min?,
            rh_max_centi_percent: rh_max?,
            dew_point_margin_min_centi_c: margin?,
            hold_after_minutes: self.hold_after_minutes,
        };
        faults.take(at, gate.check()).map(|()| gate)
    }

    pub(super) fn from_domain(gate: Gate) -> GateDto {
        let whole = |centi: i32| f64::from(centi) / 100.0;
        GateDto {
            temp_min_c: whole(gate.temp_min_centi_c),
            temp_max_c: whole(gate.temp_max_centi_c),
            rh_min_percent: whole(gate.rh_min_centi_percent),
            rh_max_percent: whole(gate.rh_max_centi_percent),
            dew_point_margin_min_c: whole(gate.dew_point_margin_min_centi_c),
            hold_after_minutes: gate.hold_after_minutes,
        }
    }
}

impl From<FilmDto> for Film {
    fn from(film: FilmDto) -> Film {
        match film {
            FilmDto::Treatment => Film::Treatment,
            FilmDto::Waterborne => Film::Waterborne,
            FilmDto::OilModified => Film::OilModified,
            FilmDto::MoistureCure => Film::MoistureCure,
        }
    }
}

impl From<Film> for FilmDto {
    fn from(film: Film) -> FilmDto {
        match film {
            Film::Treatment => FilmDto::Treatment,
            Film::Waterborne => FilmDto::Waterborne,
            Film::OilModified => FilmDto::OilModified,
            Film::MoistureCure => FilmDto::MoistureCure,
        }
    }
}
