//! What the air does to waits and gates, by adding up hour after hour. The formulas for one hour are the trade's; the
//! adding-up is this module's own, and plain on purpose.

use super::ledger::{DAY, Ledger, Stay};
use crate::domain::chain::Wait;
use crate::domain::climate::{Air, AirReading, Film, Gate, HouseAir};
use crate::domain::ids::HouseIx;
use crate::domain::resources::House;
use crate::domain::situation::Situation;
use crate::domain::time::{HOUR, Minute, Span};
use crate::trade::climate::{AirOverTime, HourlyClimate};
use crate::trade::drying::{FULL_PROGRESS_PPM, progress_ppm};
use crate::trade::house::model_of;
use crate::trade::readings::HouseClimate;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Longest wait looked at after the horizon, beyond which a floor counts as never ready; so long before it, progress is
/// remembered.
const BEYOND_MINUTES: i64 = 30 * DAY;

/// `None` where nothing was asked.
type HourByHour = Vec<Option<u32>>;

/// The air of all houses.
pub(super) struct Skies {
    until: Minute,
    /// By house: which of `climates`, if its air is known.
    of_house: Vec<Option<usize>>,
    climates: Vec<HouseClimate>,
    /// Progress a minute, by climate and film, hour by hour from the first instant looked at, as it is asked about.
    asked: RefCell<BTreeMap<(usize, Film), HourByHour>>,
    from: Minute,
}

/// What tells one computed air from another: the region and the way the house is kept.
type ClimateKey = (Option<u16>, u8, i32, i32);

impl Skies {
    pub fn new(ledger: &Ledger<'_>) -> Skies {
        let situation = ledger.situation;
        let outdoors: Vec<Option<HourlyClimate>> =
            situation.regions.iter().map(|region| HourlyClimate::of_region(region).ok()).collect();
        let mut climates = Vec::new();
        let mut models: BTreeMap<ClimateKey, Option<Arc<HourlyClimate>>> = BTreeMap::new();
        let mut known: BTreeMap<(ClimateKey, &[AirReading]), Option<usize>> = BTreeMap::new();
        let mut of_house = Vec::with_capacity(situation.houses.len());
        for house in &situation.houses {
            let (key, readings) = (climate_key(house), house.air_readings.as_slice());
            let climate = *known.entry((key, readings)).or_insert_with(|| {
                let model = models.entry(key).or_insert_with(|| model(house, &outdoors).map(Arc::new));
                climates.push(HouseClimate::new(model.clone(), readings)?);
                Some(climates.len() - 1)
            });
            of_house.push(climate);
        }
        let until = ledger.horizon.end().plus(BEYOND_MINUTES);
        let from = hour_of(ledger.horizon.start().plus(-BEYOND_MINUTES));
        Skies { until, from, of_house, climates, asked: RefCell::new(BTreeMap::new()) }
    }

    /// The first minute at which what became wet in `house` at `from` has dried `wait`'s minimum; `None` when that is
    /// not within the horizon or soon after.
    pub fn dry(&self, house: HouseIx, wait: &Wait, from: Minute) -> Option<Minute> {
        let (Some(film), Some(climate)) = (wait.film, self.of_house[house.index()]) else {
            return Some(from.plus(wait.min_minutes));
        };
        let mut asked = self.asked.borrow_mut();
        let known = asked.entry((climate, film)).or_default();
        let mut at = from;
        let mut left = wait.min_minutes * i64::from(FULL_PROGRESS_PPM);
        while left > 0 {
            if at >= self.until {
                return None;
            }
            let hour = hour_of(at);
            let hour_end = hour.plus(HOUR);
            let per_minute = i64::from(self.progress(climate, film, hour, known));
            let whole_hour = per_minute * hour_end.since(at);
            if per_minute > 0 && left <= whole_hour {
                return Some(at.plus((left + per_minute - 1) / per_minute));
            }
            left -= whole_hour;
            at = hour_end;
        }
        Some(at)
    }

    /// Where looking ahead ends: what is not ready by then never is.
    pub fn until(&self) -> Minute {
        self.until
    }

    fn progress(&self, climate: usize, film: Film, hour: Minute, known: &mut HourByHour) -> u32 {
        // In unknown air a film dries as on its label.
        let count = || self.climates[climate].air_at(hour).map_or(FULL_PROGRESS_PPM, |air| progress_ppm(film, air));
        let Ok(place) = usize::try_from(hour.since(self.from) / HOUR) else { return count() };
        if known.len() <= place {
            known.resize(place + 1, None);
        }
        *known[place].get_or_insert_with(count)
    }

    /// When the wait after `stay` is over: dry, and where it says overnight, not before the next day.
    pub fn ready(&self, situation: &Situation, stay: &Stay<'_>, wait: &Wait) -> Option<Minute> {
        let dry = self.dry(stay.house, wait, stay.finish())?;
        Some(if wait.overnight { dry.max(next_day(situation, stay)) } else { dry })
    }

    /// The first hour of `work` and its hold time in which the gate is shut.
    pub fn shut(&self, house: HouseIx, gate: &Gate, work: Span) -> Option<Minute> {
        let climate = &self.climates[self.of_house[house.index()]?];
        let end = work.end().plus(gate.hold_after_minutes);
        let mut hour = hour_of(work.start());
        while hour < end {
            if climate.air_at(hour).is_some_and(|air| !gate.admits(air)) {
                return Some(hour.max(work.start()));
            }
            hour = hour.plus(HOUR);
        }
        None
    }
}

/// The whole hour that an instant is in.
fn hour_of(at: Minute) -> Minute {
    Minute(at.0.div_euclid(HOUR) * HOUR)
}

/// The start of the day, in the house's zone, after the day on which `stay` finishes.
pub(super) fn next_day(situation: &Situation, stay: &Stay<'_>) -> Minute {
    situation.houses[stay.house.index()].zone.next_day_start(stay.finish())
}

fn climate_key(house: &House) -> ClimateKey {
    let region = house.region.map(|region| region.0);
    match house.air {
        HouseAir::Controlled(Air { temp_centi_c, rh_centi_percent }) => (None, 0, temp_centi_c, rh_centi_percent),
        HouseAir::Closed => (region, 1, 0, 0),
        HouseAir::Open { heated_to_centi_c: None } => (region, 2, 0, 0),
        HouseAir::Open { heated_to_centi_c: Some(least) } => (region, 3, least, 0),
    }
}

/// The air computed for a house, if it is known: controlled, or with a forecast of its region.
fn model(house: &House, outdoors: &[Option<HourlyClimate>]) -> Option<HourlyClimate> {
    let outdoor = house.region.and_then(|region| outdoors.get(region.index())?.as_ref());
    model_of(house.air, outdoor)
}
