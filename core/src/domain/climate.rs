//! What the weather and a house's air are described by. The formulas that use them live in `trade`.

use super::fault::Fault;
use super::time::Minute;

/// One hour of air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Air {
    /// Hundredths of a degree Celsius.
    pub temp_centi_c: i32,
    /// Hundredths of a percent of relative humidity.
    pub rh_centi_percent: i32,
}

/// One hour of a forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OutdoorHour {
    /// A whole UTC hour.
    pub start: Minute,
    /// Air outdoors.
    pub air: Air,
    /// Rain in hundredths of a millimetre.
    pub rain_centi_mm: i32,
}

/// The usual air of one hour of the day in one month.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NormalHour {
    /// Mean temperature, hundredths of a degree Celsius.
    pub temp_centi_c: i32,
    /// Mean vapour pressure, tenths of a pascal.
    pub vapour_deci_pa: i32,
}

/// The usual air of a region, by month from January and by UTC hour of the day. How it is made of past weather is in
/// `trade::normals`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Normals {
    /// Twelve months of twenty-four hours.
    pub months: Box<[[NormalHour; 24]; 12]>,
}

/// Air measured in a house.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct AirReading {
    /// When.
    pub at: Minute,
    /// What the meter showed.
    pub air: Air,
}

/// A square of the forecast grid of the US National Weather Service: an office of three letters and two whole numbers,
/// such as `OKX/33,37`. Nothing else, because it becomes part of an address that is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gridpoint(String);

impl Gridpoint {
    /// # Errors
    /// `bad-gridpoint`.
    pub fn parse(text: &str) -> Result<Gridpoint, Fault> {
        let number = |part: &str| (1..=3).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit());
        let parts = text.split_once('/').and_then(|(office, place)| Some((office, place.split_once(',')?)));
        let good = parts.is_some_and(|(office, (x, y))| {
            office.len() == 3 && office.bytes().all(|byte| byte.is_ascii_uppercase()) && number(x) && number(y)
        });
        if good {
            return Ok(Gridpoint(text.to_owned()));
        }
        let shown: String = text.chars().take(64).collect();
        let cure = "write office and square as in \"OKX/33,37\"; the weather service tells them of any place";
        Err(Fault::new("bad-gridpoint", format!("{shown:?} is no gridpoint"), cure))
    }
}

impl std::fmt::Display for Gridpoint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

/// How the air in a house comes about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HouseAir {
    /// Heating and ventilation hold these values.
    Controlled(Air),
    /// Shut and unheated: it follows the day's outdoor mean.
    Closed,
    /// Open to outdoor air, perhaps heated to a temperature in hundredths of a degree Celsius.
    Open {
        /// Indoor temperature; `None` when the house is as cold or warm as outdoors.
        heated_to_centi_c: Option<i32>,
    },
}

/// What dries, and so how its time is bent by the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Film {
    /// Plain water and water-borne treatment soaked into the wood: evaporation only.
    Treatment,
    /// A waterborne film: half evaporation, half chemistry.
    Waterborne,
    /// An oil-modified film or penetrating oil: chemistry only.
    OilModified,
    /// Cures by taking moisture from the air: never scaled.
    MoistureCure,
}

/// The air a coating may be applied in. Work `[start, finish)` is allowed if every minute of
/// `[start, finish + hold_after_minutes)` satisfies all limits; the floor is taken to be as warm as the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gate {
    /// Coldest allowed air, hundredths of a degree Celsius.
    pub temp_min_centi_c: i32,
    /// Warmest allowed air, hundredths of a degree Celsius.
    pub temp_max_centi_c: i32,
    /// Driest allowed air, hundredths of a percent.
    pub rh_min_centi_percent: i32,
    /// Most humid allowed air, hundredths of a percent.
    pub rh_max_centi_percent: i32,
    /// How far the floor must be above the dew point, hundredths of a degree Celsius.
    pub dew_point_margin_min_centi_c: i32,
    /// How long after the work the limits must still hold, minutes.
    pub hold_after_minutes: i64,
}

impl Gate {
    /// Refuses limits that no air can satisfy or that are beyond any house.
    pub fn check(&self) -> Result<(), Fault> {
        let temperature = -6_000..=8_000;
        let sane = temperature.contains(&self.temp_min_centi_c)
            && temperature.contains(&self.temp_max_centi_c)
            && self.temp_min_centi_c < self.temp_max_centi_c
            && (0..=10_000).contains(&self.rh_min_centi_percent)
            && (0..=10_000).contains(&self.rh_max_centi_percent)
            && self.rh_min_centi_percent < self.rh_max_centi_percent
            && (0..=2_000).contains(&self.dew_point_margin_min_centi_c)
            && (0..=14 * 24 * 60).contains(&self.hold_after_minutes);
        if sane {
            return Ok(());
        }
        Err(Fault::new(
            "bad-gate",
            "the climate limits of a step exclude all air, or are beyond any house",
            "let minima lie below maxima: -60 to 80 degrees C, 0 to 100 %RH, margin 0 to 20, hold 0 to 14 days",
        ))
    }
}
