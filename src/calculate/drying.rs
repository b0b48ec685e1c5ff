//! When a wet floor is ready: the label's time bent by the air of the house, hour by hour.

use super::Calculation;
use super::house_air;
use crate::domain::bounds::WAIT_MINUTES_MAX;
use crate::domain::climate::Film;
use crate::domain::time::{HOUR, Minute, Span};
use crate::domain::zone::Zone;
use crate::dto::{At, BeyondDto, Faults, FilmDto, ForecastDto, HouseAirDto, Located, NormalsDto, local};
use crate::trade::climate::{AirOverTime, HourlyClimate};
use crate::trade::drying::{FULL_PROGRESS_PPM, drying_factor, progress_ppm};
use crate::trade::ready::DryingTable;
use serde::{Deserialize, Serialize};
use std::fmt::Write;
use utoipa::ToSchema;

/// Days looked ahead past three times the label's time, which is the longest that air with an estimate can make it.
pub const HELD_DAYS_MAX: i64 = 60;
/// Most hours told one by one: sixty days.
pub const HOURS_TOLD_MAX: usize = 1_440;

/// A floor that becomes wet, and the air it dries in.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DryingQuestion {
    /// What dries.
    pub film: FilmDto,
    /// How long it takes by its label, which is meant for 70 F and 50 %.
    #[schema(minimum = 1, maximum = 172_800, example = 720)]
    pub label_minutes: i64,
    /// When it became or becomes wet: RFC 3339, on a whole minute.
    #[schema(example = "2026-03-09T16:00:00-04:00", format = DateTime)]
    pub start: String,
    /// How the air in the house comes about; left out: closed.
    #[serde(default)]
    pub air: HouseAirDto,
    /// The air outdoors; not needed where the house's air is controlled.
    #[serde(default)]
    pub forecast: Option<ForecastDto>,
    /// The usual air outdoors, past the forecast's end.
    #[serde(default)]
    pub normals: Option<NormalsDto>,
    /// IANA zone in which instants are answered; left out: UTC.
    #[serde(default)]
    #[schema(example = "America/New_York")]
    pub time_zone: Option<String>,
    /// Whether to tell every hour.
    #[serde(default)]
    pub hourly: bool,
}

/// When it is ready, and what the answer rests on. The meter overrides it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DryingAnswer {
    /// The first minute at which the label's time is worked off; `null`: not within 60 days of held air.
    #[schema(format = DateTime)]
    pub ready_at: Option<String>,
    /// Minutes from start to ready.
    pub wait_minutes: Option<i64>,
    /// By the label.
    pub label_minutes: i64,
    /// Minutes in between without an estimate (too cold, too hot, too damp), in which nothing was counted.
    pub held_minutes: i64,
    /// Times the label's time in the air of the start, by the model alone; `null` where nothing evaporates.
    pub factor_at_start: Option<f64>,
    /// The same as plans reckon, 1 to 3; `null`: no estimate, held.
    pub planned_factor_at_start: Option<f64>,
    /// Whether some of the air is none that the forecast told.
    pub rests_on_guess: bool,
    /// Where the forecast ends; `null`: the air is held.
    #[schema(format = DateTime)]
    pub guessed_from: Option<String>,
    /// What stands in for it from there on.
    pub beyond: Option<BeyondDto>,
    /// Hour by hour from the start, if asked for, 1,440 at most.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hours: Option<Vec<DryingHour>>,
}

/// One UTC hour of the wait.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DryingHour {
    /// Its start, or the wait's.
    #[schema(format = DateTime)]
    pub start: String,
    /// In the house, degrees Celsius.
    pub temp_c: f64,
    /// In the house, relative humidity.
    pub rh_percent: f64,
    /// Times the label's time, 1 to 3; `null`: held.
    pub planned_factor: Option<f64>,
    /// Minutes of the label worked off by the end of the hour.
    pub done_minutes: f64,
}

/// A question that has been read.
struct Floor {
    film: Film,
    label_minutes: i64,
    start: Minute,
    climate: HourlyClimate,
    zone: Zone,
}

impl Calculation for DryingQuestion {
    type Answer = DryingAnswer;

    fn answer(&self) -> Result<DryingAnswer, Vec<Located>> {
        let mut faults = Faults::default();
        let bounds = 1..=WAIT_MINUTES_MAX;
        let label = faults.whole(&At::Root.field("label_minutes"), self.label_minutes, bounds, "minutes");
        let start = faults.instant(&At::Root.field("start"), &self.start);
        let zone = faults.zone_or(&At::Root.field("time_zone"), self.time_zone.as_ref(), Zone::UTC);
        let climate = house_air::read(self.air, self.forecast.as_ref(), self.normals.as_ref(), &mut faults);
        match (label, start, zone, climate) {
            (Some(label_minutes), Some(start), Some(zone), Some(climate)) => {
                let floor = Floor { film: self.film.into(), label_minutes, start, climate, zone };
                Ok(floor.told(self.hourly))
            }
            _ => Err(faults.into_list()),
        }
    }

    fn words(answer: &DryingAnswer) -> String {
        let mut out = String::new();
        let label = hours_and_minutes(answer.label_minutes);
        let _ = match (&answer.ready_at, answer.wait_minutes) {
            (Some(ready), Some(wait)) => {
                writeln!(out, "ready {ready}, after {} (label {label})", hours_and_minutes(wait))
            }
            _ => {
                writeln!(out, "not ready within {HELD_DAYS_MAX} days of waiting for better air: heat or dry the house")
            }
        };
        if answer.held_minutes > 0 {
            let held = hours_and_minutes(answer.held_minutes);
            let _ = writeln!(out, "{held} of it too cold, too hot or too damp for any estimate, not counted as drying");
        }
        let _ = match answer.planned_factor_at_start {
            Some(factor) => writeln!(out, "in the air of the start: {factor:.2} times the label's time"),
            None => writeln!(out, "in the air of the start: no estimate"),
        };
        if let (true, Some(from), Some(beyond)) = (answer.rests_on_guess, &answer.guessed_from, answer.beyond) {
            let _ = writeln!(out, "some of its air is a guess: the forecast ends {from}, then {}", beyond.words());
        }
        for hour in answer.hours.iter().flatten() {
            let factor = hour.planned_factor.map_or("held".to_owned(), |factor| format!("x {factor:.2}"));
            let DryingHour { start, temp_c, rh_percent, done_minutes, .. } = hour;
            let _ =
                writeln!(out, "  {start}  {temp_c:5.1} C {rh_percent:3.0} %  {factor:>6}  {done_minutes:7.1} min done");
        }
        out.push_str("the label and a meter reading override this\n");
        out
    }
}

impl Floor {
    fn told(&self, hourly: bool) -> DryingAnswer {
        let Floor { film, label_minutes, start, .. } = *self;
        let until = start.plus(3 * label_minutes + HELD_DAYS_MAX * 24 * HOUR);
        let ready = DryingTable::new(&self.climate, film, start, until).ready_at(start, label_minutes);
        let looked_at =
            Span::new(start, ready.unwrap_or(until)).unwrap_or_else(|| unreachable!("a label is a minute at least"));
        let held = self.hours(looked_at).filter(|(_, ppm)| *ppm == 0).map(|(span, _)| span.minutes());
        let (first, ppm) = (self.climate.at(start), progress_ppm(film, self.climate.at(start)));
        let factor = drying_factor(film, first.temp_c(), first.rh_percent());
        let guesses = house_air::guesses(&self.climate);
        DryingAnswer {
            ready_at: ready.map(|ready| local(self.zone, ready)),
            wait_minutes: ready.map(|ready| ready.since(start)),
            label_minutes,
            held_minutes: held.sum(),
            factor_at_start: factor.is_finite().then_some(factor),
            planned_factor_at_start: planned_factor(ppm),
            rests_on_guess: house_air::is_guess(&self.climate, looked_at),
            guessed_from: guesses.map(|(from, _)| local(self.zone, from)),
            beyond: guesses.map(|(_, beyond)| beyond),
            hours: hourly.then(|| self.told_hours(looked_at)),
        }
    }

    /// The parts of UTC hours that make up `span`, and the progress a minute in each.
    fn hours(&self, span: Span) -> impl Iterator<Item = (Span, u32)> + '_ {
        self.climate.hours_covering(span.start(), span.end()).filter_map(move |(hour, air)| {
            let part = Span::new(hour, hour.plus(HOUR))?.intersection(span)?;
            Some((part, progress_ppm(self.film, air?)))
        })
    }

    fn told_hours(&self, span: Span) -> Vec<DryingHour> {
        let mut done = 0;
        let told = self.hours(span).take(HOURS_TOLD_MAX).map(|(part, ppm)| {
            done += part.minutes() * i64::from(ppm);
            let air = self.climate.at(part.start());
            DryingHour {
                start: local(self.zone, part.start()),
                temp_c: air.temp_c(),
                rh_percent: air.rh_percent(),
                planned_factor: planned_factor(ppm),
                done_minutes: done as f64 / f64::from(FULL_PROGRESS_PPM),
            }
        });
        told.collect()
    }
}

fn planned_factor(ppm: u32) -> Option<f64> {
    (ppm > 0).then(|| f64::from(FULL_PROGRESS_PPM) / f64::from(ppm))
}

/// "17 h 30 min".
pub(super) fn hours_and_minutes(minutes: i64) -> String {
    match (minutes / HOUR, minutes % HOUR) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

#[cfg(test)]
#[path = "drying_tests.rs"]
pub(super) mod tests;
