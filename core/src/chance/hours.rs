//! When work is possible at all: crews' working time in open houses, open gates, drying tables and calendar days, each
//! worked out once for all runs.

use crate::domain::climate::{AirReading, Film, Gate, HouseAir};
use crate::domain::ids::{CrewIx, HouseIx, RegionIx};
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span, joined, without};
use crate::domain::zone::Zone;
use crate::trade::climate::HourlyClimate;
use crate::trade::gate::allowed_spans;
use crate::trade::house::model_of;
use crate::trade::readings::HouseClimate;
use crate::trade::ready::DryingTable;
use chrono::Days;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Later than anything that is simulated; small enough that sums do not overflow.
pub(super) const NEVER: i64 = i64::MAX / 8;
/// How long after the plan's horizon late work is followed, days; what is not finished by then never is.
const FOLLOWED_DAYS: i64 = 60;

/// Tables of one situation.
pub(super) struct Hours<'s> {
    situation: &'s Situation,
    from: Minute,
    /// Where following ends.
    pub until: Minute,
    climates: Vec<Option<HouseClimate>>,
    climate_of: Vec<usize>,
    crews: BTreeMap<CrewIx, Vec<Span>>,
    houses: BTreeMap<HouseIx, Vec<Span>>,
    workable_of: BTreeMap<(CrewIx, HouseIx), u32>,
    drying_of: BTreeMap<(usize, Film), Option<u32>>,
    gate_of: Vec<(usize, Gate, Option<u32>)>,
    zones: Vec<Zone>,
    /// Working time of one crew in one house.
    pub workable: Vec<Vec<Span>>,
    /// By climate and film.
    pub drying: Vec<DryingTable>,
    /// Times a gate is open, the hold time included.
    pub gates: Vec<Vec<Span>>,
    /// Starts of calendar days, by zone.
    pub days: Vec<Vec<i64>>,
}

impl<'s> Hours<'s> {
    /// `from`: the earliest finish after which something is still drying.
    pub fn new(situation: &'s Situation, from: Minute) -> Hours<'s> {
        let mut hours = Hours {
            situation,
            from: from.min(situation.now),
            until: situation.horizon().end().plus(FOLLOWED_DAYS * 1440),
            climates: Vec::new(),
            climate_of: Vec::new(),
            crews: BTreeMap::new(),
            houses: BTreeMap::new(),
            workable_of: BTreeMap::new(),
            drying_of: BTreeMap::new(),
            gate_of: Vec::new(),
            zones: Vec::new(),
            workable: Vec::new(),
            drying: Vec::new(),
            gates: Vec::new(),
            days: Vec::new(),
        };
        hours.read_air();
        hours
    }

    /// Houses kept alike in one region, and read alike, share their air.
    fn read_air(&mut self) {
        let situation = self.situation;
        let outdoors: Vec<Option<HourlyClimate>> =
            situation.regions.iter().map(|region| HourlyClimate::of_region(region).ok()).collect();
        let outdoor = |region: Option<RegionIx>| outdoors.get(region?.index())?.as_ref();
        let mut models: Vec<(Option<RegionIx>, HouseAir, Option<Arc<HourlyClimate>>)> = Vec::new();
        let mut known: Vec<(usize, &[AirReading])> = Vec::new();
        for house in &situation.houses {
            let same = models.iter().position(|(region, air, _)| (*region, *air) == (house.region, house.air));
            let model = same.unwrap_or_else(|| {
                let model = model_of(house.air, outdoor(house.region)).map(Arc::new);
                models.push((house.region, house.air, model));
                models.len() - 1
            });
            let key = (model, house.air_readings.as_slice());
            let climate = known.iter().position(|known| *known == key).unwrap_or_else(|| {
                known.push(key);
                self.climates.push(HouseClimate::new(models[model].2.clone(), key.1));
                known.len() - 1
            });
            self.climate_of.push(climate);
        }
    }

    /// Working time of a crew in a house.
    pub fn workable(&mut self, crew: CrewIx, house: HouseIx) -> u32 {
        if let Some(&number) = self.workable_of.get(&(crew, house)) {
            return number;
        }
        let (within, situation) = (self.within(), self.situation);
        let working = self.crews.entry(crew).or_insert_with(|| {
            let own = &situation.crews[crew.index()];
            without(&own.calendar.spans(own.zone, within), &joined(own.absences.clone()))
        });
        let open = self.houses.entry(house).or_insert_with(|| {
            let own = &situation.houses[house.index()];
            without(&own.access.spans(own.zone, within), &joined(own.closures.clone()))
        });
        self.workable.push(common(working, open));
        let number = self.workable.len() as u32 - 1;
        self.workable_of.insert((crew, house), number);
        number
    }

    /// As [`Hours::workable`], of what lies in `stretches` as well.
    pub fn workable_in(&mut self, crew: CrewIx, house: HouseIx, stretches: Vec<Span>) -> u32 {
        let whole = self.workable(crew, house);
        let part = common(&self.workable[whole as usize], &joined(stretches));
        self.workable.push(part);
        self.workable.len() as u32 - 1
    }

    /// From now to where following ends.
    pub fn within(&self) -> Span {
        Span::new(self.situation.now, self.until).unwrap_or_else(|| unreachable!("the horizon is never empty"))
    }

    /// How a film dries in a house; `None` where its air is unknown: as on the label.
    pub fn drying(&mut self, house: HouseIx, film: Film) -> Option<u32> {
        let climate = self.climate_of[house.index()];
        if let Some(&known) = self.drying_of.get(&(climate, film)) {
            return known;
        }
        let number = self.climates[climate].as_ref().map(|air| {
            self.drying.push(DryingTable::new(air, film, self.from, self.until));
            self.drying.len() as u32 - 1
        });
        self.drying_of.insert((climate, film), number);
        number
    }

    /// When a gate is open in a house; `None` where its air is unknown: always.
    pub fn gate(&mut self, house: HouseIx, gate: Gate) -> Option<u32> {
        let climate = self.climate_of[house.index()];
        if let Some((.., number)) = self.gate_of.iter().find(|(c, g, _)| (*c, *g) == (climate, gate)) {
            return *number;
        }
        let number = self.climates[climate].as_ref().map(|air| {
            let until = self.until.plus(gate.hold_after_minutes);
            self.gates.push(allowed_spans(air, &gate, self.situation.now, until));
            self.gates.len() as u32 - 1
        });
        self.gate_of.push((climate, gate, number));
        number
    }

    /// The calendar days of a house.
    pub fn days(&mut self, house: HouseIx) -> u32 {
        let zone = self.situation.houses[house.index()].zone;
        if let Some(number) = self.zones.iter().position(|known| *known == zone) {
            return number as u32;
        }
        let last = zone.date(self.until.plus(2 * 1440));
        let mut date = zone.date(self.from.plus(-1440));
        let mut starts = Vec::new();
        while date <= last {
            starts.push(zone.day_start(date).0);
            let Some(next) = date.checked_add_days(Days::new(1)) else { break };
            date = next;
        }
        self.zones.push(zone);
        self.days.push(starts);
        self.zones.len() as u32 - 1
    }
}

/// What two sorted sets of spans have in common.
fn common(a: &[Span], b: &[Span]) -> Vec<Span> {
    let (mut in_a, mut in_b) = (0, 0);
    let mut out = Vec::new();
    while let (Some(one), Some(other)) = (a.get(in_a), b.get(in_b)) {
        out.extend(one.intersection(*other));
        if one.end() <= other.end() {
            in_a += 1;
        } else {
            in_b += 1;
        }
    }
    out
}

/// From `hint` on, the first span that ends after `at`; `hint` must not lie behind it.
#[inline]
pub(super) fn first_after(spans: &[Span], hint: usize, at: i64) -> usize {
    let mut found = hint;
    while spans.get(found).is_some_and(|span| span.end().0 <= at) {
        found += 1;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spans(of: &[(i64, i64)]) -> Vec<Span> {
        of.iter().map(|&(start, end)| Span::new(Minute(start), Minute(end)).unwrap()).collect()
    }

    #[test]
    fn common_time_is_in_both() {
        let (a, b) = (spans(&[(0, 10), (20, 30)]), spans(&[(5, 8), (9, 22), (29, 40)]));
        assert_eq!(common(&a, &b), spans(&[(5, 8), (9, 10), (20, 22), (29, 30)]));
        assert_eq!(common(&a, &b), common(&b, &a));
        assert_eq!(common(&a, &[]), []);
    }

    #[test]
    fn looking_on_from_a_hint() {
        let all = spans(&[(0, 10), (20, 30), (40, 50)]);
        assert_eq!([0, 9, 10, 30, 49, 50].map(|at| first_after(&all, 0, at)), [0, 0, 1, 2, 2, 3]);
    }
}
