//! A new forecast behind the old one: a floor that was coated yesterday has dried through yesterday's air, and the new
//! forecast begins today.

use crate::domain::bounds::FORECAST_HOURS_MAX;
use crate::domain::time::{HOUR, Minute};
use crate::dto::{ForecastDto, ForecastHourDto};
use crate::trade::climate::FORECAST_HOLE_HOURS_MAX;
use chrono::DateTime;

/// How far before the new forecast old hours are kept: no floor waits longer for its air.
const KEPT_HOURS_MAX: i64 = 30 * 24;

/// The new forecast, with those hours of the old one before it that are within 30 days and join up with it: not more
/// hours may be missing in between than are filled in. Tells how many were kept.
pub fn joined(old: &ForecastDto, new: ForecastDto) -> (ForecastDto, usize) {
    let Some(first) = new.hours.first().and_then(start) else { return (new, 0) };
    let room = FORECAST_HOURS_MAX.saturating_sub(new.hours.len());
    let since = |hour: &ForecastHourDto| start(hour).map(|start| first.since(start) / HOUR);
    let mut kept: Vec<ForecastHourDto> = old
        .hours
        .iter()
        .filter(|hour| since(hour).is_some_and(|ago| (1..=KEPT_HOURS_MAX).contains(&ago)))
        .cloned()
        .collect();
    // Holes are filled and count as hours, too, so the room is measured by the clock.
    kept.retain(|hour| since(hour).is_some_and(|ago| ago <= room as i64));
    let missing = kept.last().and_then(since).map_or(0, |ago| ago - 1);
    if missing > FORECAST_HOLE_HOURS_MAX {
        return (new, 0);
    }
    let count = kept.len();
    kept.extend(new.hours);
    (ForecastDto { hours: kept }, count)
}

fn start(hour: &ForecastHourDto) -> Option<Minute> {
    DateTime::parse_from_rfc3339(&hour.start).ok().map(|at| Minute::floor_from(at.to_utc()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn forecast(hours: std::ops::Range<i64>, temp_c: f64) -> ForecastDto {
        let hour = |hour: i64| ForecastHourDto {
            start: Minute(29_548_800 + hour * HOUR).to_utc().to_rfc3339(),
            temp_c,
            rh_percent: 50.0,
            rain_mm: 0.0,
        };
        ForecastDto { hours: hours.map(hour).collect() }
    }

    #[test]
    fn yesterday_is_kept_and_what_is_told_anew_is_not() {
        let (whole, kept) = joined(&forecast(0..100, 1.0), forecast(48..148, 2.0));
        assert_eq!((kept, whole.hours.len()), (48, 148));
        assert_eq!((whole.hours[47].temp_c, whole.hours[48].temp_c), (1.0, 2.0));
        assert!(whole.check().is_empty());
    }

    #[test]
    fn what_does_not_join_up_is_left_behind() {
        let kept = |old, new| joined(&forecast(old, 1.0), forecast(new, 2.0)).1;
        assert_eq!(kept(0..24, 30..60), 24);
        assert_eq!(kept(0..24, 31..60), 0);
        assert_eq!(kept(50..80, 24..48), 0);
        // Thirty days and no more; a year and a bit and no more.
        assert_eq!(kept(0..1_000, 1_000..1_030), 720);
        assert_eq!(kept(0..1_000, 1_000..10_590), 10);
        let (whole, _) = joined(&forecast(0..1_000, 1.0), forecast(1_000..10_590, 2.0));
        assert!(whole.check().is_empty());
    }
}
