//! The air of one house as calculations take it: held, or out of a forecast and the way the house is kept, and overruled by
//! what was measured in it. Not a calculation itself.

use crate::domain::climate::{Air, HouseAir};
use crate::domain::fault::Fault;
use crate::domain::time::{Minute, Span};
use crate::dto::{AirReadingDto, At, BeyondDto, Faults, ForecastDto, HouseAirDto, NormalsDto, air_readings};
use crate::trade::climate::{AirOverTime, HourlyClimate};
use crate::trade::house::model_of;
use crate::trade::readings::HouseClimate;
use std::sync::Arc;

/// The members of a question that tell of a house's air.
pub(super) struct Members<'q> {
    pub(super) air: HouseAirDto,
    pub(super) forecast: Option<&'q ForecastDto>,
    pub(super) normals: Option<&'q NormalsDto>,
    pub(super) readings: &'q [AirReadingDto],
}

/// A house's air, known for every instant.
pub(super) struct KnownAir(HouseClimate);

impl Members<'_> {
    /// Reads `air`, `forecast`, `normals` and `air_readings`.
    pub(super) fn read(&self, faults: &mut Faults) -> Option<KnownAir> {
        let mode = self.air.to_domain(&At::Root.field("air"), faults);
        let readings = air_readings(self.readings, &At::Root.field("air_readings"), None, faults);
        let outdoor = self.outdoor(mode, faults);
        let model = model_of(mode?, outdoor?.as_ref());
        HouseClimate::new(model.map(Arc::new), &readings?).map(KnownAir)
    }

    /// The air outdoors; `Some(None)` where it is not needed. What was sent is read all the same, so that its faults are
    /// told.
    fn outdoor(&self, mode: Option<HouseAir>, faults: &mut Faults) -> Option<Option<HourlyClimate>> {
        let forecast_at = At::Root.field("forecast");
        let hours = self.forecast.map(|forecast| forecast.to_domain(&forecast_at, faults));
        let normals = self.normals.map(|normals| normals.to_domain(&At::Root.field("normals"), faults));
        let Some(hours) = hours else {
            let held = matches!(mode, Some(HouseAir::Controlled(_)));
            if !held {
                let cure = "send the hours outdoors as forecast, or say with air what the house is held at";
                let what = "the air of this house follows the air outdoors";
                faults.push(&forecast_at, Fault::new("no-forecast", what, cure));
            }
            return (held && normals.is_none_or(|normals| normals.is_some())).then_some(None);
        };
        let known = HourlyClimate::from_hours(hours?);
        let known = known.map_err(|error| Fault::new(error.code(), error.to_string(), error.cure()));
        let outdoor = faults.take(&forecast_at, known)?;
        Some(Some(match normals {
            Some(normals) => outdoor.with_normals(&normals?),
            None => outdoor,
        }))
    }
}

impl KnownAir {
    /// The air at an instant.
    pub(super) fn at(&self, at: Minute) -> Air {
        self.0.air_at(at).unwrap_or_else(|| unreachable!("a question without a forecast or held air is refused"))
    }

    /// For tables.
    pub(super) fn over_time(&self) -> &HouseClimate {
        &self.0
    }

    /// Where guesses begin, and what they are; `None` for held air.
    pub(super) fn guesses(&self) -> Option<(Minute, BeyondDto)> {
        let model = self.0.model()?;
        Some((model.forecast_end()?, model.beyond().into()))
    }

    /// Whether an answer about `span` rests on air that no forecast told: past its end, or before its start.
    pub(super) fn is_guess(&self, span: Span) -> bool {
        let guessed = |model: &HourlyClimate| {
            model.forecast_end().is_some_and(|end| span.end() > end || span.start() < model.start())
        };
        self.0.model().is_some_and(guessed)
    }
}
