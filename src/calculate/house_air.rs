//! The air of one house as calculations take it: held, or out of a forecast and the way the house is kept. Not a
//! calculation itself.

use crate::domain::climate::HouseAir;
use crate::domain::fault::Fault;
use crate::domain::time::{Minute, Span};
use crate::dto::{At, BeyondDto, Faults, ForecastDto, HouseAirDto, NormalsDto};
use crate::trade::climate::HourlyClimate;
use crate::trade::house::house_climate;

/// Reads the members `air`, `forecast` and `normals` of a question.
pub(super) fn read(
    air: HouseAirDto,
    forecast: Option<&ForecastDto>,
    normals: Option<&NormalsDto>,
    faults: &mut Faults,
) -> Option<HourlyClimate> {
    let mode = air.to_domain(&At::Root.field("air"), faults);
    let forecast_at = At::Root.field("forecast");
    let hours = forecast.map(|forecast| forecast.to_domain(&forecast_at, faults));
    let normals = normals.map(|normals| normals.to_domain(&At::Root.field("normals"), faults));
    let mode = mode?;
    if let HouseAir::Controlled(air) = mode {
        // What else was sent is read all the same, so that its faults are told.
        let sound = hours.is_none_or(|hours| hours.is_some()) && normals.is_none_or(|normals| normals.is_some());
        return sound.then(|| HourlyClimate::constant(air));
    }
    let Some(hours) = hours else {
        let cure = "send the hours outdoors as forecast, or say with air what the house is held at";
        faults.push(&forecast_at, Fault::new("no-forecast", "the air of this house follows the air outdoors", cure));
        return None;
    };
    let outdoor = faults.take(
        &forecast_at,
        HourlyClimate::from_hours(hours?).map_err(|error| Fault::new(error.code(), error.to_string(), error.cure())),
    )?;
    let outdoor = match normals {
        Some(normals) => outdoor.with_normals(&normals?),
        None => outdoor,
    };
    Some(house_climate(&outdoor, mode))
}

/// Whether an answer about `span` rests on air that no forecast told: past its end, or before its start.
pub(super) fn is_guess(climate: &HourlyClimate, span: Span) -> bool {
    climate.forecast_end().is_some_and(|end| span.end() > end || span.start() < climate.start())
}

/// Where guesses begin, and what they are; `None` for held air.
pub(super) fn guesses(climate: &HourlyClimate) -> Option<(Minute, BeyondDto)> {
    climate.forecast_end().map(|end| (end, climate.beyond().into()))
}
