//! The year's figures: for each house and film, one floor a day, and the hours in which a coat's gate is open.

#![allow(
    clippy::unwrap_used,
    reason = "the recorded year and the settings below are ours; a slip must stop the drawing"
)]

use super::newark::{ROOM_AIR, newark};
use chrono::{Days, NaiveDate};
use tackfree::domain::climate::{Film, Gate, HouseAir};
use tackfree::domain::time::{HOUR, Minute, Span};
use tackfree::domain::zone::Zone;
use tackfree::trade::climate::{AirOverTime, HourlyClimate};
use tackfree::trade::drying::progress_ppm;
use tackfree::trade::gate::allowed_spans;
use tackfree::trade::house::house_climate;
use tackfree::trade::ready::DryingTable;

/// The floor of each day becomes wet at 16:00 on the wall.
const START_MINUTE_OF_DAY: i32 = 16 * 60;
/// A floor that takes longer than this is not waited for: the house is heated, dried, or the work put off.
pub const WAITED_HOURS_MAX: i64 = 48;
/// Films and their label times in hours, usual ones (common practice, no source).
pub const FILMS: [(Film, i64); 3] = [(Film::Treatment, 12), (Film::Waterborne, 3), (Film::OilModified, 16)];

/// One floor.
#[derive(Clone, Copy)]
pub enum Ready {
    /// After so many minutes, with an estimate for every one of them.
    After(i64),
    /// After so many minutes, in some of which the air was too cold or damp for any estimate and none were counted.
    Held(i64),
    /// Not within [`WAITED_HOURS_MAX`].
    No,
}

/// One house's year.
pub struct House {
    pub name: &'static str,
    /// By film as in [`FILMS`], by day from [`House::first`].
    pub floors: Vec<Vec<Ready>>,
    /// By day: spans of minutes on the wall, after 00:00, in which the gate is open.
    pub open: Vec<Vec<(i64, i64)>>,
}

/// The gate of a usual coat: 55 to 85 F, 20 to 75 %, 3 C above the dew point (common practice, no source).
const COAT_GATE: Gate = Gate {
    temp_min_centi_c: 1300,
    temp_max_centi_c: 2900,
    rh_min_centi_percent: 2000,
    rh_max_centi_percent: 7500,
    dew_point_margin_min_centi_c: 300,
    hold_after_minutes: 0,
};

/// Days drawn: the whole days of the record.
pub fn days() -> impl Iterator<Item = NaiveDate> {
    let first = NaiveDate::from_ymd_opt(2013, 1, 2).unwrap();
    (0..362).map(move |day| first.checked_add_days(Days::new(day)).unwrap())
}

/// An open, a closed and a controlled house under Newark's weather of 2013.
pub fn houses() -> [House; 3] {
    let outdoor = newark();
    [
        ("Open house: air as outdoors", HouseAir::Open { heated_to_centi_c: None }),
        ("Closed house: shut, unheated, the day's mean", HouseAir::Closed),
        ("Controlled house: held at 70 F, 45 %", HouseAir::Controlled(ROOM_AIR)),
    ]
    .map(|(name, air)| house(name, &house_climate(&outdoor, air), &outdoor))
}

fn house(name: &'static str, climate: &HourlyClimate, outdoor: &HourlyClimate) -> House {
    let zone = Zone::parse("America/New_York").unwrap();
    let (from, until) = (outdoor.start(), outdoor.forecast_end().unwrap().plus(3 * 24 * HOUR));
    let floors = FILMS.map(|(film, label_hours)| {
        let table = DryingTable::new(climate, film, from, until);
        let start = |day| zone.opening(day, START_MINUTE_OF_DAY);
        days().map(|day| floor(climate, film, &table, (start(day), label_hours * HOUR))).collect()
    });
    let open = days().map(|day| open_hours(climate, zone, day)).collect();
    House { name, floors: floors.into(), open }
}

fn floor(climate: &HourlyClimate, film: Film, table: &DryingTable, (start, label): (Minute, i64)) -> Ready {
    let Some(ready) = table.ready_at(start, label).filter(|ready| ready.since(start) <= WAITED_HOURS_MAX * HOUR) else {
        return Ready::No;
    };
    let held = climate.hours_covering(start, ready).any(|(_, air)| air.is_some_and(|air| progress_ppm(film, air) == 0));
    let minutes = ready.since(start);
    if held { Ready::Held(minutes) } else { Ready::After(minutes) }
}

fn open_hours(climate: &HourlyClimate, zone: Zone, day: NaiveDate) -> Vec<(i64, i64)> {
    let (start, end) = (zone.day_start(day), zone.day_start(day.succ_opt().unwrap()));
    let on_wall = |at: Minute| if at == end { 24 * HOUR } else { i64::from(zone.minute_of_day(at)) };
    let spans = allowed_spans(climate, &COAT_GATE, start, end);
    spans
        .iter()
        .map(|span: &Span| (on_wall(span.start()), on_wall(span.end())))
        .filter(|(from, to)| from < to)
        .collect()
}
