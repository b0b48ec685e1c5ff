//! When a customer may do what on a new floor, from the finish of its last coat.

use super::Calculation;
use crate::domain::climate::{Air, Film};
use crate::dto::{AIR_CENTI_C, At, CareDto, CustomerDatesDto, Faults, Located, ProductBaseDto, RH_CENTI_PERCENT};
use crate::trade::climate::HourlyClimate;
use crate::trade::customer_dates::{Care, LastCoat, customer_dates};
use crate::trade::ready::DryingTable;
use crate::trade::supplies::ProductBase;
use serde::Deserialize;
use utoipa::ToSchema;

/// How far ahead drying is looked for: twice the longest that a label may ask for socks.
const DRYING_MINUTES_MAX: i64 = 180 * 24 * 60;

/// Steady air in a house.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SteadyAir {
    /// Degrees Celsius.
    #[schema(minimum = -60, maximum = 60, example = 18.3)]
    pub temp_c: f64,
    /// Relative humidity.
    #[schema(minimum = 0, maximum = 100, example = 40)]
    pub rh_percent: f64,
}

/// A last coat.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CustomerDatesQuestion {
    /// When it is finished.
    #[schema(example = "2026-03-12T15:00:00-04:00", format = DateTime)]
    pub finish: String,
    /// IANA zone of the house.
    #[schema(example = "America/New_York")]
    pub time_zone: String,
    /// What it is.
    pub base: ProductBaseDto,
    /// What its label says.
    #[serde(default)]
    pub care: CareDto,
    /// The air in the house; left out: as labels mean it.
    #[serde(default)]
    pub air: Option<SteadyAir>,
}

impl Calculation for CustomerDatesQuestion {
    type Answer = CustomerDatesDto;

    fn answer(&self) -> Result<CustomerDatesDto, Vec<Located>> {
        let mut faults = Faults::default();
        let finish = faults.instant(&At::Root.field("finish"), &self.finish);
        let zone = faults.zone(&At::Root.field("time_zone"), &self.time_zone);
        self.care.judge(&At::Root.field("care"), &mut faults);
        let at = At::Root.field("air");
        let air = self.air.map(|air| {
            let temp = faults.parts(&at.field("temp_c"), air.temp_c, 100, AIR_CENTI_C, "degrees Celsius");
            let rh = faults.parts(&at.field("rh_percent"), air.rh_percent, 100, RH_CENTI_PERCENT, "percent");
            Some(Air { temp_centi_c: temp?, rh_centi_percent: rh? })
        });
        let (Some(finish), Some(zone), true) = (finish, zone, faults.is_empty()) else {
            return Err(faults.into_list());
        };
        let base = ProductBase::from(self.base);
        let climate = air.flatten().map(HourlyClimate::constant);
        let table = climate
            .as_ref()
            .zip(base.film())
            .map(|(climate, film): (_, Film)| DryingTable::new(climate, film, finish, finish.plus(DRYING_MINUTES_MAX)));
        let care = Care::from(self.care);
        let coat = LastCoat { finish, base, drying: table.as_ref(), keep_off_until: None, care };
        Ok(CustomerDatesDto::of(&customer_dates(&coat, zone), zone, false))
    }

    fn words(answer: &CustomerDatesDto) -> String {
        answer.words.iter().map(|line| format!("{line}\n")).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calculate::{CALCULATIONS, Form};

    fn ask(text: &str) -> Result<String, Vec<Located>> {
        let (_, tell) = CALCULATIONS.iter().find(|(name, _)| *name == "customer-dates").unwrap();
        tell(text, Form::Words)
    }

    /// Practice, no source: socks 24 h, furniture 2-4 d, oil-modified cure 14-30 d; over the clock change of 8 March.
    #[test]
    fn dates_over_a_clock_change() {
        let told =
            ask(r#"{"finish": "2026-03-07T17:00:00-05:00", "time_zone": "America/New_York", "base": "oil_modified"}"#);
        let told = told.unwrap();
        assert!(told.contains("in socks: from Sunday 8 March, 18:00 on"), "{told}");
        assert!(
            told.contains("Monday 9 March, 17:00 at the earliest, Wednesday 11 March, 17:00 to be careful"),
            "{told}"
        );
        assert!(told.contains("Saturday 21 March at the earliest, Monday 6 April to be careful"), "{told}");
    }

    /// F at 65 F and 40 % is 1.101 for a waterborne film: 24 h take 26 h 26 min.
    #[test]
    fn cool_air_is_counted_in_and_damp_air_said() {
        let asked = |rh: u32| {
            ask(&format!(
                r#"{{"finish": "2026-03-10T15:00:00-04:00", "time_zone": "America/New_York", "base": "waterborne",
                "air": {{"temp_c": 18.33, "rh_percent": {rh}}}}}"#
            ))
            .unwrap()
        };
        assert!(asked(40).contains("from Wednesday 11 March, 17:2"), "{}", asked(40));
        assert!(asked(95).contains("too cold or damp to say when the floor dries"), "{}", asked(95));
    }

    #[test]
    fn what_cannot_be_is_told_with_its_place() {
        let faults = ask(
            r#"{"finish": "soon", "time_zone": "Harrow/Falls", "base": "solvent", "air": {"temp_c": 99, "rh_percent": -1},
            "care": {"socks_hours": 0, "furniture_hours": 3000, "full_cure_days": 121}}"#,
        )
        .unwrap_err();
        let places: Vec<&str> = faults.iter().map(|fault| fault.pointer.as_str()).collect();
        let all = [
            "/finish",
            "/time_zone",
            "/care/socks_hours",
            "/care/furniture_hours",
            "/care/full_cure_days",
            "/air/temp_c",
            "/air/rh_percent",
        ];
        assert_eq!(places, all);
    }
}
