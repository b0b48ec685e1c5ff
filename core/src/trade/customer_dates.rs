//! What a customer may do on a new floor when: from the finish of the last coat. Generic ranges of practice, no source,
//! unless the label's own numbers are given; a floor that dries slowly moves every date by as much. What the customer
//! reads is written elsewhere.

use super::ready::DryingTable;
use super::supplies::ProductBase;
use crate::domain::time::{HOUR, Minute};
use crate::domain::zone::Zone;
use chrono::{Days, NaiveDate};
use std::ops::RangeInclusive;

/// Walking in socks: practice.
pub const SOCKS_HOURS: i64 = 24;
/// Furniture, days: practice.
pub const FURNITURE_DAYS: (i64, i64) = (2, 4);
/// Hours a label may name for socks and furniture: up to ninety days.
pub const CARE_HOURS: RangeInclusive<i64> = 1..=2_160;
/// Days a label may name for full cure.
pub const CURE_DAYS: RangeInclusive<i64> = 1..=120;
/// Longest hold-up by the air that is believed: past it the forecast says nothing, and a person must look.
const HELD_UP_MINUTES_MAX: i64 = 14 * 24 * HOUR;

/// What the label of the last coat says; what it leaves out is as in practice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Care {
    /// Until it may be walked on in socks.
    pub socks_hours: Option<i64>,
    /// Until furniture may stand on it.
    pub furniture_hours: Option<i64>,
    /// Until it is cured.
    pub full_cure_days: Option<i64>,
}

/// Days after the last coat, earliest and careful, in which it cures: practice.
pub const fn full_cure_days(base: ProductBase) -> (i64, i64) {
    match base {
        ProductBase::Water | ProductBase::Treatment | ProductBase::Waterborne | ProductBase::PenetratingOil => (7, 14),
        // Of moisture-cured and other solvent finishes no generic range is known here: the longer one, to be careful.
        ProductBase::OilModified | ProductBase::Solvent => (14, 30),
    }
}

/// The last coat, and what is known about its drying.
#[derive(Debug, Clone, Copy)]
pub struct LastCoat<'a> {
    /// Planned or actual.
    pub finish: Minute,
    /// What it is.
    pub base: ProductBase,
    /// How it dries in the air expected in the house; without it a minute is a minute.
    pub drying: Option<&'a DryingTable>,
    /// When the plan lets people into the room again, if a wait says so.
    pub keep_off_until: Option<Minute>,
    /// What the label says.
    pub care: Care,
}

/// What may be done when; calendar days are those of the house.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CustomerDates {
    /// When the last coat is down.
    pub coated_at: Minute,
    /// Nobody on the floor until then, not even in socks.
    pub socks_at: Minute,
    /// Furniture, earliest and careful.
    pub furniture: (Minute, Minute),
    /// Full cure, and with it rugs: earliest and careful.
    pub full_cure: (NaiveDate, NaiveDate),
    /// By how much the air holds everything up.
    pub held_up_minutes: i64,
    /// Whether the air is too cold or damp to say when it dries.
    pub is_open: bool,
}

/// The dates of a floor in `zone`.
pub fn customer_dates(coat: &LastCoat<'_>, zone: Zone) -> CustomerDates {
    let label_minutes = HOUR * coat.care.socks_hours.unwrap_or(SOCKS_HOURS);
    let nominal = coat.finish.plus(label_minutes);
    let dried = match coat.drying {
        Some(table) => table.ready_at(coat.finish, label_minutes),
        None => Some(nominal),
    };
    let is_open = dried.is_none_or(|dried| dried.since(nominal) > HELD_UP_MINUTES_MAX);
    let dried = dried.unwrap_or(nominal).max(nominal).min(nominal.plus(HELD_UP_MINUTES_MAX));
    let held_up_minutes = dried.since(nominal);
    let socks_at = coat.keep_off_until.map_or(dried, |until| until.max(dried));
    let from = coat.finish.plus(held_up_minutes);
    let furniture = match coat.care.furniture_hours {
        Some(hours) => (from.plus(HOUR * hours), from.plus(HOUR * hours)),
        None => (days_later(zone, from, FURNITURE_DAYS.0), days_later(zone, from, FURNITURE_DAYS.1)),
    };
    let (soon, careful) = coat.care.full_cure_days.map_or(full_cure_days(coat.base), |days| (days, days));
    let furniture = (furniture.0.max(socks_at), furniture.1.max(socks_at));
    let cured = |days: i64, furniture: Minute| zone.date(days_later(zone, from, days)).max(zone.date(furniture));
    CustomerDates {
        coated_at: coat.finish,
        socks_at,
        furniture,
        full_cure: (cured(soon, furniture.0), cured(careful, furniture.1)),
        held_up_minutes,
        is_open,
    }
}

/// The same time on the wall clock, calendar days later; where clocks leave it out, the first minute after.
fn days_later(zone: Zone, at: Minute, days: i64) -> Minute {
    let date = zone.date(at).checked_add_days(Days::new(days.unsigned_abs())).unwrap_or(NaiveDate::MAX);
    zone.opening(date, zone.minute_of_day(at))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::climate::{Air, Film};
    use crate::trade::climate::HourlyClimate;

    fn at(text: &str) -> Minute {
        Minute::floor_from(text.parse().unwrap())
    }

    fn new_york() -> Zone {
        Zone::parse("America/New_York").unwrap()
    }

    fn coat(finish: &str, base: ProductBase) -> LastCoat<'static> {
        LastCoat { finish: at(finish), base, drying: None, keep_off_until: None, care: Care::default() }
    }

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    /// Practice, no source: socks 24 h, furniture 2-4 d, cure 7-14 d or 14-30 d.
    #[test]
    fn ranges_of_practice() {
        let dates = customer_dates(&coat("2026-03-10T15:00:00-04:00", ProductBase::Waterborne), new_york());
        assert_eq!(dates.socks_at, at("2026-03-11T15:00:00-04:00"));
        assert_eq!(dates.furniture, (at("2026-03-12T15:00:00-04:00"), at("2026-03-14T15:00:00-04:00")));
        assert_eq!(dates.full_cure, (date("2026-03-17"), date("2026-03-24")));
        assert_eq!((dates.held_up_minutes, dates.is_open), (0, false));
        let oil = customer_dates(&coat("2026-03-10T15:00:00-04:00", ProductBase::OilModified), new_york());
        assert_eq!(oil.full_cure, (date("2026-03-24"), date("2026-04-09")));
    }

    /// Clocks go forward on 8 March 2026: 24 hours for socks are 24 hours, two days for furniture are two days.
    #[test]
    fn hours_are_elapsed_and_days_are_calendar_days() {
        let dates = customer_dates(&coat("2026-03-07T17:00:00-05:00", ProductBase::Waterborne), new_york());
        assert_eq!(dates.socks_at, at("2026-03-08T18:00:00-04:00"));
        assert_eq!(dates.furniture.0, at("2026-03-09T17:00:00-04:00"));
        // 02:30 on the 8th does not exist.
        let night = customer_dates(&coat("2026-03-06T02:30:00-05:00", ProductBase::Waterborne), new_york());
        assert_eq!(night.furniture.0, at("2026-03-08T03:00:00-04:00"));
    }

    #[test]
    fn a_label_comes_first_and_no_date_before_the_one_it_needs() {
        let care = Care { socks_hours: Some(6), furniture_hours: Some(48), full_cure_days: Some(5) };
        let own = LastCoat { care, ..coat("2026-03-10T15:00:00-04:00", ProductBase::OilModified) };
        let dates = customer_dates(&own, new_york());
        assert_eq!(dates.socks_at, at("2026-03-10T21:00:00-04:00"));
        assert_eq!(dates.furniture, (at("2026-03-12T15:00:00-04:00"), at("2026-03-12T15:00:00-04:00")));
        assert_eq!(dates.full_cure, (date("2026-03-15"), date("2026-03-15")));
        let kept = LastCoat { keep_off_until: Some(at("2026-03-13T08:00:00-04:00")), ..own };
        let dates = customer_dates(&kept, new_york());
        assert_eq!(
            (dates.socks_at, dates.furniture.0),
            (at("2026-03-13T08:00:00-04:00"), at("2026-03-13T08:00:00-04:00"))
        );
        let soft = LastCoat { care: Care { full_cure_days: Some(1), ..care }, ..kept };
        assert_eq!(customer_dates(&soft, new_york()).full_cure.0, date("2026-03-13"));
    }

    /// Rugs come after furniture, at the earliest and to be careful: a label that only names a quick cure leaves furniture
    /// at two and four days.
    #[test]
    fn nothing_is_cured_before_furniture_may_stand_on_it() {
        let care = Care { full_cure_days: Some(1), ..Care::default() };
        let quick = LastCoat { care, ..coat("2026-03-10T15:00:00-04:00", ProductBase::Waterborne) };
        assert_eq!(customer_dates(&quick, new_york()).full_cure, (date("2026-03-12"), date("2026-03-14")));
    }

    /// F at 65 F and 40 % for a waterborne film is 1.101 (psychrolib and the model's own table): 24 h take 26 h 26 min.
    #[test]
    fn cool_air_moves_every_date() {
        let finish = at("2026-03-10T15:00:00-04:00");
        let climate = HourlyClimate::constant(Air::nearest(18.33, 40.0));
        let table = DryingTable::new(&climate, Film::Waterborne, finish, finish.plus(20 * 1440));
        let cool = LastCoat { drying: Some(&table), ..coat("2026-03-10T15:00:00-04:00", ProductBase::Waterborne) };
        let dates = customer_dates(&cool, new_york());
        assert!((140..=150).contains(&dates.held_up_minutes), "{}", dates.held_up_minutes);
        assert_eq!(dates.furniture.0, at("2026-03-12T15:00:00-04:00").plus(dates.held_up_minutes));
        let damp = HourlyClimate::constant(Air::nearest(18.33, 95.0));
        let table = DryingTable::new(&damp, Film::Waterborne, finish, finish.plus(20 * 1440));
        let stuck = customer_dates(&LastCoat { drying: Some(&table), ..cool }, new_york());
        assert!(stuck.is_open);
    }
}
