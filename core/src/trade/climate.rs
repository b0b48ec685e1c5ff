//! Air hour by hour: one hour of air in integers, and a gap-free hourly series that answers for every instant. How a
//! house's air follows from the air outdoors is in `house`; what air does to a wet film is in `drying`.

use crate::domain::bounds::FORECAST_HOURS_MAX;
use crate::domain::climate::{Air, OutdoorHour};
use crate::domain::time::{HOUR, Minute};
use crate::trade::humid_air;
use crate::trade::normals::{Beyond, UsualAir};

/// Coldest air taken as real, hundredths of a degree Celsius.
pub const AIR_TEMP_MIN_CENTI_C: i32 = -6000;
/// Warmest air taken as real, hundredths of a degree Celsius.
pub const AIR_TEMP_MAX_CENTI_C: i32 = 6000;
/// Saturated air, hundredths of a percent.
pub const AIR_RH_MAX_CENTI_PERCENT: i32 = 10_000;
/// Heaviest rain in an hour taken as real, hundredths of a millimetre; the record is near 305 mm.
pub const RAIN_MAX_CENTI_MM: i32 = 50_000;
/// Fewest hours in one forecast, holes included: its last day stands for all days after it, so there must be one.
pub const FORECAST_HOURS_MIN: usize = 24;
/// Longest hole in a forecast, in hours, that is filled by interpolation.
pub const FORECAST_HOLE_HOURS_MAX: i64 = 6;
/// Most hours that one table of waits or gates looks at: three years, far past any plan's horizon.
pub const TABLE_HOURS_MAX: i64 = 24 * 366 * 3;
/// Instants outside these are mistakes (seconds taken for minutes, a year typed wrong): 1970 to 2200.
const FORECAST_INSTANTS: std::ops::Range<Minute> = Minute(0)..Minute(120_968_640);
const DAY_HOURS: i64 = 24;

impl Air {
    /// `None` outside -60 to 60 C or 0 to 100 %.
    pub const fn new(temp_centi_c: i32, rh_centi_percent: i32) -> Option<Air> {
        if is_real_temp(temp_centi_c) && is_real_rh(rh_centi_percent) {
            Some(Air { temp_centi_c, rh_centi_percent })
        } else {
            None
        }
    }

    /// The nearest hundredths, held within the bounds: for values computed from air that was already valid.
    pub(crate) fn nearest(temp_c: f64, rh_percent: f64) -> Air {
        // Float to integer casts saturate, and the clamp leaves nothing else for them to do.
        let centi = |value: f64| (value * 100.0).round() as i32;
        Air {
            temp_centi_c: centi(temp_c).clamp(AIR_TEMP_MIN_CENTI_C, AIR_TEMP_MAX_CENTI_C),
            rh_centi_percent: centi(rh_percent).clamp(0, AIR_RH_MAX_CENTI_PERCENT),
        }
    }

    /// Degrees Celsius.
    pub fn temp_c(self) -> f64 {
        f64::from(self.temp_centi_c) / 100.0
    }

    /// Relative humidity in percent.
    pub fn rh_percent(self) -> f64 {
        f64::from(self.rh_centi_percent) / 100.0
    }

    /// Vapour pressure in pascals.
    pub fn vapour_pressure_pa(self) -> f64 {
        humid_air::vapour_pressure_pa(self.temp_c(), self.rh_percent())
    }

    /// How far a surface as warm as the air is above the dew point, in hundredths of a degree, rounded down so that
    /// rounding never lets a floor pass for drier than it is.
    pub fn dew_point_margin_centi_c(self) -> i32 {
        let margin_c = self.temp_c() - humid_air::dew_point_c(self.temp_c(), self.rh_percent());
        (margin_c * 100.0).floor() as i32
    }
}

const fn is_real_temp(temp_centi_c: i32) -> bool {
    AIR_TEMP_MIN_CENTI_C <= temp_centi_c && temp_centi_c <= AIR_TEMP_MAX_CENTI_C
}

const fn is_real_rh(rh_centi_percent: i32) -> bool {
    0 <= rh_centi_percent && rh_centi_percent <= AIR_RH_MAX_CENTI_PERCENT
}

/// Why a list of hours is no forecast. Each names the first bad hour.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant's message says what it is, and its fields are the hours in that message")]
pub enum ForecastError {
    #[error("the forecast has no hours")]
    Empty,
    #[error("the forecast spans {hours} hours, fewer than {FORECAST_HOURS_MIN}")]
    TooFew { hours: usize },
    #[error("the forecast spans more than {FORECAST_HOURS_MAX} hours, up to {hour:?} or later")]
    TooMany { hour: Minute },
    #[error("hour number {place} of the list is outside the years 1970 to 2199")]
    AbsurdInstant { place: usize },
    #[error("{hour:?} is not on a whole UTC hour")]
    NotOnTheHour { hour: Minute },
    #[error("{hour:?} comes after {previous:?} in the list, but is earlier")]
    Unsorted { hour: Minute, previous: Minute },
    #[error("{hour:?} is there twice")]
    Duplicate { hour: Minute },
    #[error("{missing} hours are missing before {hour:?}, more than {FORECAST_HOLE_HOURS_MAX}")]
    HoleTooLong { hour: Minute, missing: i64 },
    #[error("temperature at {hour:?} is {temp_centi_c} hundredths of a degree Celsius, outside -60 to 60 C")]
    AbsurdTemp { hour: Minute, temp_centi_c: i32 },
    #[error("relative humidity at {hour:?} is {rh_centi_percent} hundredths of a percent, outside 0 to 100 %")]
    AbsurdHumidity { hour: Minute, rh_centi_percent: i32 },
    #[error("rain at {hour:?} is {rain_centi_mm} hundredths of a millimetre, outside 0 to 500 mm in an hour")]
    AbsurdRain { hour: Minute, rain_centi_mm: i32 },
}

impl ForecastError {
    /// Stable code for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            ForecastError::Empty => "forecast-empty",
            ForecastError::TooFew { .. } => "forecast-too-few-hours",
            ForecastError::TooMany { .. } => "forecast-too-many-hours",
            ForecastError::AbsurdInstant { .. } => "forecast-absurd-instant",
            ForecastError::NotOnTheHour { .. } => "forecast-not-on-the-hour",
            ForecastError::Unsorted { .. } => "forecast-unsorted",
            ForecastError::Duplicate { .. } => "forecast-duplicate-hour",
            ForecastError::HoleTooLong { .. } => "forecast-hole-too-long",
            ForecastError::AbsurdTemp { .. } => "forecast-absurd-temperature",
            ForecastError::AbsurdHumidity { .. } => "forecast-absurd-humidity",
            ForecastError::AbsurdRain { .. } => "forecast-absurd-rain",
        }
    }

    /// What the sender can do about it.
    pub const fn cure(&self) -> &'static str {
        match self {
            ForecastError::Empty => "Send at least 24 hours.",
            ForecastError::TooFew { .. } => "Send at least 24 hours: the last day stands for all days after it.",
            ForecastError::TooMany { .. } => "Cut the forecast to at most 400 days.",
            ForecastError::AbsurdInstant { .. } => "Check the year, and that instants carry their UTC offset.",
            ForecastError::NotOnTheHour { .. } => "Move each value to the UTC hour that holds most of its time.",
            ForecastError::Unsorted { .. } => "Sort the hours by their start in UTC.",
            ForecastError::Duplicate { .. } => {
                "Keep one value per hour. If it is the hour that clocks go back, send UTC: they are two hours there."
            }
            ForecastError::HoleTooLong { .. } => "Send the missing hours, or a forecast that starts after the hole.",
            ForecastError::AbsurdTemp { .. } => "Check the unit (Celsius, not Fahrenheit) and leave bad hours out.",
            ForecastError::AbsurdHumidity { .. } => "Check the unit (percent, not a fraction) and leave bad hours out.",
            ForecastError::AbsurdRain { .. } => "Check the unit (millimetres in that hour) and leave bad hours out.",
        }
    }
}

/// A gap-free hourly series of air, starting on a whole UTC hour, that answers for every instant.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct HourlyClimate {
    start: Minute,
    /// Never empty.
    hours: Vec<Air>,
    known_until: Option<Minute>,
    /// What follows the hours held; without it the last day of them is repeated.
    usual: Option<UsualAir>,
}

impl HourlyClimate {
    /// Checks a forecast and fills its holes of up to [`FORECAST_HOLE_HOURS_MAX`] hours, temperature and relative
    /// humidity each along a straight line between the hours beside the hole.
    pub fn from_hours(outdoor: Vec<OutdoorHour>) -> Result<HourlyClimate, ForecastError> {
        let mut hours: Vec<Air> = Vec::with_capacity(outdoor.len().min(FORECAST_HOURS_MAX));
        let mut previous: Option<(Minute, Air)> = None;
        for (index, hour) in outdoor.iter().enumerate() {
            let air = checked_air(index, hour)?;
            if let Some((previous_start, previous_air)) = previous {
                let missing = missing_between(previous_start, hour.start)?;
                hours.extend((1..=missing).map(|step| between(previous_air, air, step, missing + 1)));
            }
            hours.push(air);
            if hours.len() > FORECAST_HOURS_MAX {
                return Err(ForecastError::TooMany { hour: hour.start });
            }
            previous = Some((hour.start, air));
        }
        let start = outdoor.first().ok_or(ForecastError::Empty)?.start;
        if hours.len() < FORECAST_HOURS_MIN {
            return Err(ForecastError::TooFew { hours: hours.len() });
        }
        let known_until = Some(start.plus(HOUR * hours.len() as i64));
        Ok(HourlyClimate { start, hours, known_until, usual: None })
    }

    /// The same air for ever, as in a house whose heating and ventilation hold it.
    pub fn constant(air: Air) -> HourlyClimate {
        HourlyClimate { start: Minute(0), hours: vec![air], known_until: None, usual: None }
    }

    /// A series of a house, as long as or longer than what is known of it. `hours` must not be empty.
    pub(crate) fn of_house(start: Minute, hours: Vec<Air>, known_until: Option<Minute>) -> HourlyClimate {
        debug_assert!(!hours.is_empty());
        HourlyClimate { start, hours, known_until, usual: None }
    }

    /// The same series with other air after its last hour.
    pub(crate) fn followed_by(self, usual: Option<UsualAir>) -> HourlyClimate {
        HourlyClimate { usual, ..self }
    }

    /// The air after the last hour held, where that is not the last day repeated.
    pub(crate) const fn usual(&self) -> Option<&UsualAir> {
        self.usual.as_ref()
    }

    /// Start of the first hour.
    pub const fn start(&self) -> Minute {
        self.start
    }

    /// The hours held, never empty; `hours()[i]` starts at `start()` plus `i` hours.
    pub fn hours(&self) -> &[Air] {
        &self.hours
    }

    /// Where guesses begin: from here on it is [`HourlyClimate::beyond`]. `None` when nothing is guessed (held air).
    pub const fn forecast_end(&self) -> Option<Minute> {
        self.known_until
    }

    /// What is said past the forecast's end.
    pub const fn beyond(&self) -> Beyond {
        match self.usual {
            None => Beyond::LastDayRepeated,
            Some(_) => Beyond::Normals,
        }
    }

    /// The air at an instant: before the start the first hour's, past the end the region's normals after a day of
    /// passage, or without normals the last 24 hours repeated for ever.
    pub fn at(&self, at: Minute) -> Air {
        let index = at.0.saturating_sub(self.start.0).div_euclid(HOUR).max(0);
        let count = self.hours.len() as i64;
        let index = if index < count {
            index
        } else if let Some(usual) = &self.usual {
            return usual.at(at);
        } else {
            let period = DAY_HOURS.min(count);
            count - period + (index - count) % period
        };
        self.hours[index as usize]
    }
}

/// Air that answers for every instant, perhaps with "unknown". It stands within each UTC hour.
pub trait AirOverTime {
    /// The air at an instant; `None` where nothing is known of it.
    fn air_at(&self, at: Minute) -> Option<Air>;

    /// The whole UTC hours that cover `[from, until)`, each with its start, the first [`TABLE_HOURS_MAX`] of them;
    /// nothing when `until` is not after `from`.
    fn hours_covering(&self, from: Minute, until: Minute) -> impl Iterator<Item = (Minute, Option<Air>)> {
        let first = hour_of(from);
        (0..hours_to_cover(from, until)).map(move |index| {
            let start = first.plus(index * HOUR);
            (start, self.air_at(start))
        })
    }

    /// An instant from which on the air repeats itself, and after how many hours it does; `None` when that is not known.
    /// Whoever makes a table needs to look at one such period only.
    fn repeats_from(&self) -> Option<(Minute, i64)>;
}

/// How many whole hours [`AirOverTime::hours_covering`] gives.
pub(crate) fn hours_to_cover(from: Minute, until: Minute) -> i64 {
    let minutes = if from < until { until.0.saturating_sub(hour_of(from).0) } else { 0 };
    (minutes / HOUR + i64::from(minutes % HOUR > 0)).min(TABLE_HOURS_MAX)
}

/// Of the `count` hours from the one of `from` on: how many have to be looked at, and the period with which the last of
/// them repeat themselves, if they do.
pub(crate) fn hours_to_look_at(climate: &impl AirOverTime, from: Minute, count: i64) -> (i64, Option<usize>) {
    let Some((since, period)) = climate.repeats_from() else { return (count, None) };
    let before = (since.0.saturating_sub(hour_of(from).0)).max(0);
    let looked_at = before / HOUR + i64::from(before % HOUR > 0) + period;
    if looked_at < count { (looked_at, Some(period as usize)) } else { (count, None) }
}

/// What `of` makes of each hour's air, hour by hour; days that are like the one before are not worked out again.
pub(crate) fn by_hour<X: Copy>(airs: impl Iterator<Item = Option<Air>>, of: impl Fn(Option<Air>) -> X) -> Vec<X> {
    let mut day: [Option<(Option<Air>, X)>; DAY_HOURS as usize] = [None; DAY_HOURS as usize];
    let one = |(index, air): (usize, Option<Air>)| {
        let known = &mut day[index % DAY_HOURS as usize];
        match known {
            Some((same, out)) if *same == air => *out,
            _ => known.insert((air, of(air))).1,
        }
    };
    airs.enumerate().map(one).collect()
}

impl AirOverTime for HourlyClimate {
    fn air_at(&self, at: Minute) -> Option<Air> {
        Some(self.at(at))
    }

    fn repeats_from(&self) -> Option<(Minute, i64)> {
        let count = self.hours.len() as i64;
        let period = DAY_HOURS.min(count);
        self.usual.is_none().then(|| (self.start.plus(HOUR * (count - period)), period))
    }
}

/// The start of the UTC hour that contains `at`.
pub(crate) const fn hour_of(at: Minute) -> Minute {
    Minute(at.0.div_euclid(HOUR) * HOUR)
}

pub(crate) fn checked_air(index: usize, hour: &OutdoorHour) -> Result<Air, ForecastError> {
    let OutdoorHour { start, air: Air { temp_centi_c, rh_centi_percent }, rain_centi_mm } = *hour;
    if !FORECAST_INSTANTS.contains(&start) {
        return Err(ForecastError::AbsurdInstant { place: index + 1 });
    }
    if hour_of(start) != start {
        return Err(ForecastError::NotOnTheHour { hour: start });
    }
    if !(0..=RAIN_MAX_CENTI_MM).contains(&rain_centi_mm) {
        return Err(ForecastError::AbsurdRain { hour: start, rain_centi_mm });
    }
    if !is_real_temp(temp_centi_c) {
        return Err(ForecastError::AbsurdTemp { hour: start, temp_centi_c });
    }
    Air::new(temp_centi_c, rh_centi_percent).ok_or(ForecastError::AbsurdHumidity { hour: start, rh_centi_percent })
}

/// How many hours lie between two neighbours of a list, if that is a hole that may be filled.
fn missing_between(previous: Minute, hour: Minute) -> Result<i64, ForecastError> {
    let missing = hour.since(previous) / HOUR - 1;
    if hour < previous {
        Err(ForecastError::Unsorted { hour, previous })
    } else if hour == previous {
        Err(ForecastError::Duplicate { hour })
    } else if missing > FORECAST_HOLE_HOURS_MAX {
        Err(ForecastError::HoleTooLong { hour, missing })
    } else {
        Ok(missing)
    }
}

/// The air `step` parts of `parts` on the way from `a` to `b`, to the nearest hundredth.
fn between(a: Air, b: Air, step: i64, parts: i64) -> Air {
    let mix = |a: i32, b: i32| a + nearest_quotient(i64::from(b - a) * step, parts) as i32;
    Air {
        temp_centi_c: mix(a.temp_centi_c, b.temp_centi_c),
        rh_centi_percent: mix(a.rh_centi_percent, b.rh_centi_percent),
    }
}

/// `dividend / divisor` to the nearest whole, halves up; `divisor` positive.
pub(crate) const fn nearest_quotient(dividend: i64, divisor: i64) -> i64 {
    (2 * dividend + divisor).div_euclid(2 * divisor)
}

#[cfg(test)]
#[path = "climate_tests.rs"]
mod tests;
