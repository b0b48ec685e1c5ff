//! What air means for a floor: its dew point, what it becomes at another temperature, the moisture that wood comes to in
//! it, and how fast films dry.

use super::Calculation;
use crate::domain::climate::{Air, Film};
use crate::dto::{AIR_CENTI_C, At, Faults, Located, RH_CENTI_PERCENT};
use crate::trade::drying::{FULL_PROGRESS_PPM, drying_factor, progress_ppm};
use crate::trade::humid_air::{dew_point_c, rh_kept_vapour_percent, vapour_pressure_pa};
use crate::trade::moisture::emc_percent_c;
use serde::{Deserialize, Serialize};
use std::fmt::Write;
use utoipa::ToSchema;

/// Air, and perhaps another temperature.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AirQuestion {
    /// Degrees Celsius, kept to the hundredth.
    #[schema(minimum = -60, maximum = 60, example = 10)]
    pub temp_c: f64,
    /// Relative humidity, kept to the hundredth.
    #[schema(minimum = 0, maximum = 100, example = 85)]
    pub rh_percent: f64,
    /// A room that this air is let into and warmed or cooled, or a floor that is colder than the air, degrees Celsius.
    #[serde(default)]
    #[schema(minimum = -60, maximum = 60, example = 21.1)]
    pub at_temp_c: Option<f64>,
}

/// What the air means.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AirAnswer {
    /// Magnus form over water.
    pub dew_point_c: f64,
    /// Pascals.
    pub vapour_pressure_pa: f64,
    /// Moisture content that wood comes to in this air (Wood Handbook, equation 4-5); `null` outside the handbook's table.
    pub emc_percent: Option<f64>,
    /// At the other temperature, with the same vapour.
    pub at_temp: Option<AtTemp>,
    /// How the air bends label times, by film.
    pub drying: Vec<FilmDrying>,
}

/// The same vapour at another temperature.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AtTemp {
    /// Degrees Celsius.
    pub temp_c: f64,
    /// 100 where it would be more: the surplus condenses.
    pub rh_percent: f64,
    /// How far this temperature is above the dew point; negative: water condenses on it.
    pub above_dew_point_c: f64,
}

/// What the air does to one kind of film.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct FilmDrying {
    /// Which.
    pub film: crate::dto::FilmDto,
    /// Times the label's time, by the model alone; `null` where nothing evaporates.
    pub factor: Option<f64>,
    /// Times the label's time, as plans reckon: 1 to 3; `null`: no estimate, the wait is held.
    pub planned_factor: Option<f64>,
}

impl Calculation for AirQuestion {
    type Answer = AirAnswer;

    fn answer(&self) -> Result<AirAnswer, Vec<Located>> {
        let mut faults = Faults::default();
        let mut temp =
            |name: &str, value: f64| faults.parts(&At::Root.field(name), value, 100, AIR_CENTI_C, "degrees Celsius");
        let (own, other) = (temp("temp_c", self.temp_c), self.at_temp_c.map(|value| temp("at_temp_c", value)));
        let rh = faults.parts(&At::Root.field("rh_percent"), self.rh_percent, 100, RH_CENTI_PERCENT, "percent");
        let (Some(temp_centi_c), Some(rh_centi_percent)) = (own, rh) else { return Err(faults.into_list()) };
        if other == Some(None) {
            return Err(faults.into_list());
        }
        let air = Air { temp_centi_c, rh_centi_percent };
        let other = other.flatten().map(|centi| f64::from(centi) / 100.0);
        Ok(told(air, other))
    }

    fn words(answer: &AirAnswer) -> String {
        let mut out = format!("dew point {:.1} C\n", answer.dew_point_c);
        let _ = match answer.emc_percent {
            Some(emc) => writeln!(out, "wood comes to {emc:.1} % moisture in it"),
            None => writeln!(out, "the handbook says nothing of wood in such air"),
        };
        if let Some(at) = &answer.at_temp {
            let _ = writeln!(
                out,
                "at {:.1} C the same air is at {:.0} %, {:.1} C above its dew point",
                at.temp_c, at.rh_percent, at.above_dew_point_c
            );
        }
        for film in &answer.drying {
            let _ = match film.planned_factor {
                Some(factor) => writeln!(out, "{}: {factor:.2} times the label's time", film.film.word()),
                None => writeln!(out, "{}: no estimate in such air; wait, and let the meter say", film.film.word()),
            };
        }
        out
    }
}

fn told(air: Air, other_c: Option<f64>) -> AirAnswer {
    let (temp_c, rh_percent) = (air.temp_c(), air.rh_percent());
    let dew_c = dew_point_c(temp_c, rh_percent);
    let drying = Film::ALL.into_iter().map(|film| {
        let factor = drying_factor(film, temp_c, rh_percent);
        let ppm = progress_ppm(film, air);
        FilmDrying {
            film: film.into(),
            factor: factor.is_finite().then_some(factor),
            planned_factor: (ppm > 0).then(|| f64::from(FULL_PROGRESS_PPM) / f64::from(ppm)),
        }
    });
    AirAnswer {
        dew_point_c: dew_c,
        vapour_pressure_pa: vapour_pressure_pa(temp_c, rh_percent),
        emc_percent: emc_percent_c(temp_c, rh_percent),
        at_temp: other_c.map(|temp| AtTemp {
            temp_c: temp,
            rh_percent: rh_kept_vapour_percent(temp_c, rh_percent, temp),
            above_dew_point_c: temp - dew_c,
        }),
        drying: drying.collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calculate::{CALCULATIONS, Form};

    fn ask(text: &str) -> Result<String, Vec<Located>> {
        let (_, tell) = CALCULATIONS.iter().find(|(name, _)| *name == "air").unwrap();
        tell(text, Form::Words)
    }

    /// Source: outdoor air of 10 C and 85 % is at 41.7 % when warmed to 21.1 C (worked with PyPI `psychrolib`); wood at
    /// 21.1 C and 50 % comes to 9.2 % (Wood Handbook, table 4-2).
    #[test]
    fn air_let_in_and_warmed() {
        let told = ask(r#"{"temp_c": 10, "rh_percent": 85, "at_temp_c": 21.1}"#).unwrap();
        assert!(told.contains("at 21.1 C the same air is at 42 %, 13.5 C above its dew point"), "{told}");
        let room = ask(r#"{"temp_c": 21.1, "rh_percent": 50}"#).unwrap();
        assert!(room.contains("wood comes to 9.2 %"), "{room}");
        assert!(room.contains("treatment: 1.00 times"), "{room}");
    }

    #[test]
    fn every_fault_is_told() {
        let faults = ask(r#"{"temp_c": 100, "rh_percent": 101, "at_temp_c": -90}"#).unwrap_err();
        let places: Vec<&str> = faults.iter().map(|located| located.pointer.as_str()).collect();
        assert_eq!(places, ["/temp_c", "/at_temp_c", "/rh_percent"]);
        assert!(ask("{}").is_err());
    }
}
