//! The usual air of a region, for the days that no forecast reaches: means of past years by month and UTC hour of the
//! day, how they are made, and how a series passes from its forecast into them. That a month's days are all taken for its
//! mean day, and the passage of one day, are ours. Where a region has no normals, the last day of its forecast is
//! repeated: see `climate`.

use crate::domain::climate::{Air, NormalHour, Normals, OutdoorHour};
use crate::domain::resources::Region;
use crate::domain::time::{HOUR, Minute};
use crate::trade::climate::{ForecastError, HourlyClimate, checked_air, nearest_quotient};
use crate::trade::humid_air::rh_of_vapour_percent;

/// Fewest days that one hour of one month is a mean of: two thirds of the shortest month with a margin, so that neither
/// half a month nor a few lucky days pass for usual.
pub const NORMALS_DAYS_MIN: i64 = 20;
/// Most hours that normals are made from: 30 years, the span of climatological normals (WMO).
pub const NORMALS_HOURS_MAX: usize = 30 * 8_784;
/// Most vapour that a normal hour may hold, tenths of a pascal: a little over saturation at 60 C.
pub const NORMALS_VAPOUR_MAX_DECI_PA: i32 = 200_000;
/// How long after the forecast's end the air is still on its way to its normals, hours.
pub const FADE_HOURS: i64 = 24;

const DAY_HOURS: usize = 24;

/// What a series says past its forecast's end.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Beyond {
    /// The last 24 hours, over and over.
    LastDayRepeated,
    /// The region's usual air for the month and hour, after a day of passage into it.
    Normals,
}

/// Why hours of past weather make no normals.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant's message says what it is, and its fields are in that message")]
pub enum NormalsError {
    #[error("{0}")]
    Hour(#[from] ForecastError),
    #[error("there are {hours} hours, more than {NORMALS_HOURS_MAX}")]
    TooMany { hours: usize },
    #[error("month {month} has {days} days with an hour {utc_hour:02}:00 UTC, fewer than {NORMALS_DAYS_MIN}")]
    Thin { month: usize, utc_hour: usize, days: i64 },
}

impl NormalsError {
    /// Stable code for programs.
    pub const fn code(&self) -> &'static str {
        match self {
            NormalsError::Hour(error) => error.code(),
            NormalsError::TooMany { .. } => "normals-too-many-hours",
            NormalsError::Thin { .. } => "normals-too-few-days",
        }
    }

    /// What the sender can do about it.
    pub const fn cure(&self) -> &'static str {
        match self {
            NormalsError::Hour(error) => error.cure(),
            NormalsError::TooMany { .. } => "Give the latest 30 years at most.",
            NormalsError::Thin { .. } => "Give at least one whole year of hours: at least 20 days of every month.",
        }
    }
}

/// The mean temperature and the mean vapour pressure of every month and UTC hour of the day. `past` is in order, each
/// hour once, as many years as there are; hours that are missing are not made up.
///
/// Vapour pressures are averaged, not relative humidities: a mean of percentages at different temperatures is not the
/// humidity of the mean air.
pub fn normals_of(past: &[OutdoorHour]) -> Result<Normals, NormalsError> {
    if past.len() > NORMALS_HOURS_MAX {
        return Err(NormalsError::TooMany { hours: past.len() });
    }
    // Days, hundredths of a degree, milli-pascals: whole numbers, so that a mean does not depend on the order of its sum.
    let mut sums = [[(0_i64, 0_i64, 0_i64); DAY_HOURS]; 12];
    let mut previous: Option<Minute> = None;
    for (index, hour) in past.iter().enumerate() {
        let air = checked_air(index, hour)?;
        if let Some(previous) = previous.filter(|previous| hour.start <= *previous) {
            let (hour, same) = (hour.start, hour.start == previous);
            let error =
                if same { ForecastError::Duplicate { hour } } else { ForecastError::Unsorted { hour, previous } };
            return Err(error.into());
        }
        previous = Some(hour.start);
        let (month, utc_hour) = place_of(hour.start);
        let (days, temp, vapour) = &mut sums[month][utc_hour];
        *days += 1;
        *temp += i64::from(air.temp_centi_c);
        *vapour += (air.vapour_pressure_pa() * 1000.0).round() as i64;
    }
    let mut months = Box::new([[NormalHour { temp_centi_c: 0, vapour_deci_pa: 0 }; DAY_HOURS]; 12]);
    for (month, hours) in sums.into_iter().enumerate() {
        for (utc_hour, (days, temp, vapour)) in hours.into_iter().enumerate() {
            if days < NORMALS_DAYS_MIN {
                return Err(NormalsError::Thin { month: month + 1, utc_hour, days });
            }
            months[month][utc_hour] = NormalHour {
                temp_centi_c: nearest_quotient(temp, days) as i32,
                vapour_deci_pa: nearest_quotient(vapour, 100 * days) as i32,
            };
        }
    }
    Ok(Normals { months })
}

/// Month from 0 and hour of the day, in UTC.
fn place_of(at: Minute) -> (usize, usize) {
    let hour = at.0.div_euclid(HOUR).rem_euclid(DAY_HOURS as i64) as usize;
    (month0(at.0.div_euclid(HOUR * DAY_HOURS as i64)), hour)
}

/// Month from 0 of a day counted from 1 January 1970, by the Gregorian calendar: asked of every hour of every table, so
/// it does without a date. Years are taken from March on, so that a leap day is a year's last.
fn month0(day: i64) -> usize {
    const ERA_DAYS: i64 = 146_097;
    let day_of_era = (day + 719_468).rem_euclid(ERA_DAYS);
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    // From 0 for March: months of 31 and 30 days by turns, 153 days every five of them.
    let from_march = (5 * day_of_year + 2) / 153;
    ((from_march + 2) % 12) as usize
}

/// Usual air as a climate answers with it: normals outdoors, or what they make of the air in a house.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct UsualAir(Box<[[Air; DAY_HOURS]; 12]>);

impl UsualAir {
    fn new(normals: &Normals) -> UsualAir {
        UsualAir(Box::new(normals.months.map(|hours| hours.map(air_of))))
    }

    pub(crate) fn at(&self, at: Minute) -> Air {
        let (month, hour) = place_of(at);
        self.0[month][hour]
    }

    pub(crate) fn map(&self, change: impl Fn(Air) -> Air) -> UsualAir {
        UsualAir(Box::new(self.0.map(|hours| hours.map(&change))))
    }

    /// Every hour of a month as `mean` makes it of the month's day.
    pub(crate) fn by_day(&self, mean: impl Fn(&[Air]) -> Air) -> UsualAir {
        UsualAir(Box::new(self.0.map(|hours| [mean(&hours); DAY_HOURS])))
    }
}

fn air_of(hour: NormalHour) -> Air {
    let temp_c = f64::from(hour.temp_centi_c) / 100.0;
    Air::nearest(temp_c, rh_of_vapour_percent(f64::from(hour.vapour_deci_pa) / 10.0, temp_c))
}

/// Air on the way from `a` to `b`, `step` parts of `parts`, along a line in temperature and in vapour pressure.
fn between(a: Air, b: Air, step: i64, parts: i64) -> Air {
    let share = step as f64 / parts as f64;
    let mix = |a: f64, b: f64| a + (b - a) * share;
    let temp_c = mix(a.temp_c(), b.temp_c());
    Air::nearest(temp_c, rh_of_vapour_percent(mix(a.vapour_pressure_pa(), b.vapour_pressure_pa()), temp_c))
}

impl HourlyClimate {
    /// The air outdoors in a region: its forecast, and past it its normals where it has them.
    pub fn of_region(region: &Region) -> Result<HourlyClimate, ForecastError> {
        let forecast = HourlyClimate::from_hours(region.hours.clone())?;
        Ok(match &region.normals {
            Some(normals) => forecast.with_normals(normals),
            None => forecast,
        })
    }

    /// The same forecast, but past its end the normals. For [`FADE_HOURS`] the air is on its way there: hour number `n`
    /// after the end is `n` parts of 24 from the last day's hour to the normal one.
    pub fn with_normals(self, normals: &Normals) -> HourlyClimate {
        let Some(end) = self.forecast_end() else { return self };
        let usual = UsualAir::new(normals);
        let fade = (0..FADE_HOURS).map(|number| {
            let at = end.plus(number * HOUR);
            between(self.at(at), usual.at(at), number, FADE_HOURS)
        });
        let hours = self.hours().iter().copied().chain(fade).collect();
        HourlyClimate::of_house(self.start(), hours, Some(end)).followed_by(Some(usual))
    }
}

#[cfg(test)]
#[path = "normals_tests.rs"]
mod tests;
