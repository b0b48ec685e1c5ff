//! Minute by minute: when a crew may work in a house, what air a step meets there, and how far a floor has dried. Tables
//! of one entry a minute, as dumb as can be; nothing here is the planner's.

use crate::common::world::air_of;
use std::collections::BTreeMap;
use tackfree::domain::chain::Wait;
use tackfree::domain::climate::{Film, Gate};
use tackfree::domain::ids::{CrewIx, HouseIx, StepRef};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::{Minute, Span, joined, without};
use tackfree::trade::climate::AirOverTime;
use tackfree::trade::drying::{FULL_PROGRESS_PPM, progress_ppm};
use tackfree::trade::readings::HouseClimate;

/// How long ago a floor may have become wet, minutes.
const PAST_MINUTES: i64 = 60 * 1440;
/// Past the horizon's end: hold times reach into it.
const BEYOND_MINUTES: i64 = 2 * 1440;

pub struct Times<'a> {
    situation: &'a Situation,
    climates: Vec<Option<HouseClimate>>,
    /// By crew and house, for each minute from now: the end of the unbroken workable time around it, 0 when there is none.
    workable: BTreeMap<(CrewIx, HouseIx), Vec<i64>>,
    /// By house and film, for each minute from long ago: progress until then, millionths of a label minute.
    dried: BTreeMap<(HouseIx, Film), Vec<i64>>,
    /// By step, for each minute from now: the next one, itself included, in which the air is outside its limits.
    next_shut: BTreeMap<StepRef, Vec<i64>>,
}

impl<'a> Times<'a> {
    pub fn new(situation: &'a Situation) -> Times<'a> {
        let climates = situation.houses.iter().map(|house| air_of(situation, house)).collect();
        Times { situation, climates, workable: BTreeMap::new(), dried: BTreeMap::new(), next_shut: BTreeMap::new() }
    }

    /// Minutes from now to the end of the horizon.
    pub fn end(&self) -> i64 {
        self.situation.horizon().minutes()
    }

    pub fn since_now(&self, at: Minute) -> i64 {
        at.since(self.situation.now)
    }

    fn workable(&mut self, crew: CrewIx, house: HouseIx) -> &[i64] {
        let (situation, end) = (self.situation, self.end());
        self.workable.entry((crew, house)).or_insert_with(|| {
            let window = Span::new(situation.now.plus(-1440), situation.now.plus(end + 1440)).unwrap();
            let people = &situation.crews[crew.index()];
            let hours = without(&people.calendar.spans(people.zone, window), &joined(people.absences.clone()));
            let place = &situation.houses[house.index()];
            let access = place.access.spans(place.zone, window);
            let mut minutes = vec![0; end as usize + 1];
            for common in hours.iter().flat_map(|shift| access.iter().filter_map(|open| open.intersection(*shift))) {
                let (from, until) = (common.start().since(situation.now), common.end().since(situation.now));
                (from.max(0)..until.min(end + 1)).for_each(|minute| minutes[minute as usize] = until);
            }
            minutes
        })
    }

    /// The end of the unbroken workable time around a minute; `None` when nobody may work then.
    pub fn workable_until(&mut self, crew: CrewIx, house: HouseIx, at: i64) -> Option<i64> {
        self.workable(crew, house).get(at as usize).copied().filter(|&until| until > 0)
    }

    /// The first workable minute at or after `at`.
    pub fn next_workable(&mut self, crew: CrewIx, house: HouseIx, at: i64) -> Option<i64> {
        let minutes = self.workable(crew, house);
        (at..minutes.len() as i64).find(|&minute| minutes[minute as usize] > 0)
    }

    /// Whether the air stays inside a step's gate from `start` to `finish` and as long after as it must.
    pub fn air_allows(&mut self, step: StepRef, gate: Option<&Gate>, start: i64, finish: i64) -> bool {
        let house = self.situation.house_of(step);
        let (Some(gate), Some(climate)) = (gate, &self.climates[house.index()]) else { return true };
        let (now, until) = (self.situation.now, self.situation.horizon().minutes() + BEYOND_MINUTES);
        let next_shut = self.next_shut.entry(step).or_insert_with(|| {
            let mut next = vec![until; until as usize + 1];
            let mut open = true;
            for at in (0..until).rev() {
                let minute = now.plus(at);
                if at == until - 1 || minute.0.rem_euclid(60) == 59 {
                    open = climate.air_at(minute).is_none_or(|air| gate.admits(air));
                }
                next[at as usize] = if open { next[at as usize + 1] } else { at };
            }
            next
        });
        next_shut[start as usize] >= (finish + gate.hold_after_minutes).min(until)
    }

    /// When a floor that is left wet at `finish` is ready by this wait; `None` when that is not within the horizon.
    pub fn ready(&mut self, house: HouseIx, wait: &Wait, finish: i64) -> Option<i64> {
        let dry = match wait.film.filter(|_| self.climates[house.index()].is_some()) {
            Some(film) => self.dry(house, film, wait.min_minutes, finish)?,
            None => finish + wait.min_minutes,
        };
        let zone = self.situation.houses[house.index()].zone;
        let next_day = zone.next_day_start(self.situation.now.plus(finish)).since(self.situation.now);
        let ready = if wait.overnight { dry.max(next_day) } else { dry };
        (ready <= self.end()).then_some(ready)
    }

    fn dry(&mut self, house: HouseIx, film: Film, label_minutes: i64, finish: i64) -> Option<i64> {
        let (now, end) = (self.situation.now, self.end());
        let climate = self.climates[house.index()].as_ref()?;
        let dried = self.dried.entry((house, film)).or_insert_with(|| {
            let mut done = vec![0];
            let mut per_minute = 0;
            for at in -PAST_MINUTES..end {
                let minute = now.plus(at);
                if at == -PAST_MINUTES || minute.0.rem_euclid(60) == 0 {
                    per_minute = climate.air_at(minute).map_or(FULL_PROGRESS_PPM, |air| progress_ppm(film, air)).into();
                }
                done.push(done[done.len() - 1] + per_minute);
            }
            done
        });
        let from = (finish + PAST_MINUTES) as usize;
        let goal = dried.get(from)? + label_minutes * i64::from(FULL_PROGRESS_PPM);
        let minutes = dried[from..].partition_point(|&done| done < goal);
        (from + minutes < dried.len()).then(|| finish + minutes as i64)
    }
}
