//! Makes a model of a situation: houses become places and areas, chains become activities and arcs, calendars and
//! climates become spans and tables. What is running or done becomes activities that are already placed, and taken time.

use super::compile_jobs;
use super::cores::both;
use super::model::{Crew, Model, NONE, Place as ModelPlace};
use super::near::Asked;
use super::spans::{Spans, T};
use super::state::Place;
use crate::domain::calendar::Calendar;
use crate::domain::climate::{AirReading, Film, Gate, HouseAir};
use crate::domain::ids::{CrewIx, HouseIx, RegionIx, StepRef};
use crate::domain::plan::UnitUse;
use crate::domain::resources::{Equipment, House, Location, SpherePoint};
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
use std::ops::Range;
use std::rc::Rc;
use std::sync::Arc;

/// Nothing that is still to be finished was begun longer ago, but for steps whose end is known already.
const RECENT_MINUTES: i64 = 3 * 1440;

/// The ways between so many houses take milliseconds to work out: the other core does that meanwhile.
const HOUSES_FOR_A_THREAD: usize = 400;

/// Common hours of crews and houses are kept up to so many spans: 8 MB.
const COMMON_SPANS_MAX: usize = 1 << 20;

/// A model and the way back from it.
pub struct Compiled {
    /// The problem.
    pub model: Model,
    /// Steps of each activity, in the order of its parts.
    pub steps: Vec<Vec<StepRef>>,
    /// Activity of each step, by job and step.
    pub activity_of: Vec<Vec<u32>>,
    /// Where running and done activities are; `None` for open ones.
    pub fixed: Vec<Option<Place>>,
    /// A number for each dwell run that a fixed activity belongs to, `NONE` for others.
    pub run_of: Vec<u32>,
    /// For a fixed activity of a begun run, the open activity that is the rest of it; `NONE` for others.
    pub rest_of: Vec<u32>,
    /// Travelling gear that running steps hold, by activity.
    pub running_gear: Vec<(u32, UnitUse)>,
    /// Index of each equipment kind among the cumulative resources, or among the travelling kinds.
    pub gear_index: Vec<GearIndex>,
}

/// Where a kind of equipment went in the model.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GearIndex {
    /// Rides along: a cumulative resource.
    Cumulative(u32),
    /// Has to be brought: units with travel.
    Travelling(u32),
}

impl Compiled {
    /// The activity of a step.
    pub fn activity(&self, step: StepRef) -> u32 {
        self.activity_of[step.job.index()][step.step.index()]
    }

    /// Model time of an instant; far past and far future are clamped well outside any horizon.
    pub fn time(&self, at: Minute) -> T {
        clamp(at.0 - self.model.origin)
    }

    /// The instant of a model time.
    pub fn instant(&self, t: T) -> Minute {
        Minute(self.model.origin + i64::from(t))
    }
}

fn clamp(minutes: i64) -> T {
    minutes.clamp(-(1 << 28), 1 << 28) as T
}

/// An entry of a list that gets as long as it must.
fn entry<'l, X: Clone>(list: &'l mut Vec<X>, at: usize, empty: &X) -> &'l mut X {
    if list.len() <= at {
        list.resize(at + 1, empty.clone());
    }
    &mut list[at]
}

/// What crews with the same calendar share: their working time and their regular hours, absences not taken off.
struct Week<'s> {
    zone: Zone,
    calendar: &'s Calendar,
    working: Vec<Span>,
    regular: Vec<Span>,
}

/// When a crew works, and with how many people.
struct Strength {
    /// Its working time.
    working: Vec<Span>,
    /// The horizon, cut where the number of people changes.
    people: Vec<(Span, u32)>,
    /// The different numbers, largest first; one list for all crews that have the same.
    numbers: Rc<[u32]>,
}

/// Shared tables while a model is made; each distinct calendar, climate and gate is worked out once.
pub struct Tables<'s> {
    /// The input.
    pub situation: &'s Situation,
    /// What is made.
    pub model: Model,
    calendars: Vec<(Zone, &'s Calendar, &'s [Span], u32)>,
    weeks: Vec<Week<'s>>,
    /// By crew.
    strengths: Vec<Strength>,
    /// Common hours by access and a crew's calendar, that one's column; `NONE` where nobody has asked yet.
    common: Vec<Vec<u32>>,
    /// Columns of crews' calendars, by calendar, in the order in which they were asked for.
    columns: Vec<u32>,
    column_count: u32,
    /// Calendars of the model by what is in them.
    numbers: BTreeMap<Spans, u32>,
    common_spans: usize,
    /// Hours of a crew with certain numbers of people.
    manned: Vec<(usize, Vec<u32>, u32)>,
    models: Vec<(Option<RegionIx>, HouseAir, Option<Arc<HourlyClimate>>)>,
    climates: Vec<(usize, &'s [AirReading], Option<HouseClimate>)>,
    climate_of: Vec<usize>,
    drying: Vec<(usize, Film, u32)>,
    gates: Vec<(usize, Gate, u32)>,
    zones: Vec<Zone>,
    from: Minute,
    until: Minute,
}

impl<'s> Tables<'s> {
    fn new(situation: &'s Situation) -> Tables<'s> {
        let horizon = situation.horizon();
        let fixed = situation.jobs.iter().flat_map(|job| job.chain.steps()).filter_map(|step| step.fixed());
        // What runs may have begun many days ago, and the way there is counted by the day.
        let first = fixed.map(|attempt| attempt.start).min().unwrap_or(horizon.start()).min(horizon.start());
        let model = Model {
            origin: situation.now.0,
            end: clamp(horizon.minutes()),
            job_count: situation.jobs.len(),
            ..Model::default()
        };
        Tables {
            situation,
            model,
            calendars: Vec::new(),
            weeks: Vec::new(),
            strengths: Vec::new(),
            common: Vec::new(),
            columns: Vec::new(),
            column_count: 0,
            numbers: BTreeMap::new(),
            common_spans: 0,
            manned: Vec::new(),
            models: Vec::new(),
            climates: Vec::new(),
            climate_of: Vec::new(),
            drying: Vec::new(),
            gates: Vec::new(),
            zones: Vec::new(),
            from: first.plus(-2 * 1440),
            until: horizon.end(),
        }
    }

    /// Model time of an instant.
    pub fn time(&self, at: Minute) -> T {
        clamp(at.0 - self.model.origin)
    }

    fn spans(&self, spans: &[Span]) -> Spans {
        Spans::new(spans.iter().map(|span| (self.time(span.start()), self.time(span.end()))).collect())
    }

    /// The number of a set of spans; equal ones have the same, so that crews with the same hours can be told by it.
    fn add_calendar(&mut self, spans: Spans) -> u32 {
        if let Some(&known) = self.numbers.get(&spans) {
            return known;
        }
        let number = self.model.calendars.len() as u32;
        self.numbers.insert(spans.clone(), number);
        self.model.calendars.push(spans);
        number
    }

    fn within(&self) -> Span {
        Span::new(self.situation.now, self.until).unwrap_or_else(|| unreachable!("the horizon is never empty"))
    }

    fn access(&mut self, house: HouseIx) -> u32 {
        let house = &self.situation.houses[house.index()];
        let same = |known: &&(Zone, &Calendar, &[Span], u32)| {
            known.0 == house.zone && *known.1 == house.access && known.2 == house.closures
        };
        if let Some(&(.., number)) = self.calendars.iter().find(same) {
            return number;
        }
        let open = without(&house.access.spans(house.zone, self.within()), &joined(house.closures.clone()));
        let spans = self.spans(&open);
        let number = self.add_calendar(spans);
        self.calendars.push((house.zone, &house.access, &house.closures, number));
        number
    }

    fn crew(&mut self, crew: CrewIx) -> Crew {
        let own = &self.situation.crews[crew.index()];
        let away = joined(own.absences.clone());
        let week = self.week(own.zone, &own.calendar);
        let working = without(&self.weeks[week].working, &away);
        let regular = without(&self.weeks[week].regular, &away);
        let (hours, regular) = (self.spans(&working), self.spans(&regular));
        let people = own.people_over(self.within());
        let mut numbers: Vec<u32> = people.iter().map(|(_, people)| *people).collect();
        numbers.sort_unstable_by(|a, b| b.cmp(a));
        numbers.dedup();
        let same = self.strengths.iter().find(|known| *known.numbers == *numbers).map(|known| known.numbers.clone());
        self.strengths.push(Strength { working, people, numbers: same.unwrap_or_else(|| numbers.into()) });
        Crew { calendar: self.add_calendar(hours), regular: self.add_calendar(regular), days: self.days(own.zone) }
    }

    fn week(&mut self, zone: Zone, calendar: &'s Calendar) -> usize {
        let known = self.weeks.iter().position(|known| known.zone == zone && known.calendar == calendar);
        known.unwrap_or_else(|| {
            // Of a run begun before now, overtime is counted from its start.
            let recent = Span::new(self.situation.now.plus(-RECENT_MINUTES), self.until).unwrap_or(self.within());
            let working = calendar.spans(zone, self.within());
            let regular = calendar.regular_spans(zone, recent);
            self.weeks.push(Week { zone, calendar, working, regular });
            self.weeks.len() - 1
        })
    }

    /// The numbers of people a crew has at some time of the horizon, largest first; the same list for all crews that have the same.
    pub fn strengths(&self, crew: usize) -> Rc<[u32]> {
        self.strengths[crew].numbers.clone()
    }

    /// When a crew works with one of `people` numbers of people, which are some of its own.
    pub fn manned(&mut self, crew: usize, people: &[u32]) -> u32 {
        let Strength { working, people: stretches, numbers } = &self.strengths[crew];
        if people.len() == numbers.len() {
            return self.model.crews[crew].calendar;
        }
        let known = self.manned.iter().find(|(of, numbers, _)| *of == crew && numbers == people);
        if let Some(&(.., number)) = known {
            return number;
        }
        let others = stretches.iter().filter(|(_, own)| !people.contains(own)).map(|(span, _)| *span);
        let hours = self.spans(&without(working, &joined(others.collect())));
        let number = self.add_calendar(hours);
        self.manned.push((crew, people.to_vec(), number));
        number
    }

    /// When any crew works, with however many people, and the numbers there are.
    pub fn anybody(&mut self) -> (u32, Rc<[u32]>) {
        let working = self.strengths.iter().flat_map(|own| own.working.iter().copied()).collect();
        let mut numbers: Vec<u32> = self.strengths.iter().flat_map(|own| own.numbers.iter().copied()).collect();
        numbers.sort_unstable_by_key(|people| std::cmp::Reverse(*people));
        numbers.dedup();
        let hours = self.spans(&joined(working));
        (self.add_calendar(hours), numbers.into())
    }

    /// The part of a crew's calendar in which a house is open; `NONE` when there are too many such parts already.
    pub fn hours(&mut self, calendar: u32, house: HouseIx) -> u32 {
        let access = self.model.places[house.index()].access;
        let (row, column) = (access as usize, self.column(calendar));
        let known = self.common.get(row).and_then(|row| row.get(column));
        if let Some(&known) = known.filter(|known| **known != NONE) {
            return known;
        }
        if self.common_spans > COMMON_SPANS_MAX {
            return NONE;
        }
        let [crew, open] = [calendar, access].map(|number| &self.model.calendars[number as usize]);
        let common = crew.common(open);
        self.common_spans += common.as_slice().len();
        let number = self.add_calendar(common);
        *entry(entry(&mut self.common, row, &Vec::new()), column, &NONE) = number;
        number
    }

    fn column(&mut self, calendar: u32) -> usize {
        let column = entry(&mut self.columns, calendar as usize, &NONE);
        if *column == NONE {
            *column = self.column_count;
            self.column_count += 1;
        }
        *column as usize
    }

    /// Takes out of the model what of a kind of gear is out of use.
    fn outages(&mut self, kind: &Equipment, index: GearIndex) {
        let broken = kind.units_over(self.within());
        let broken = broken.into_iter().filter(|(_, units)| *units < kind.units);
        match index {
            GearIndex::Cumulative(number) => {
                for (span, units) in broken {
                    let (from, until) = (self.time(span.start()), self.time(span.end()));
                    self.model.capacity_out.push((number, kind.units - units, from, until));
                }
            }
            GearIndex::Travelling(_) => {
                let mut out: Vec<Vec<Span>> = vec![Vec::new(); kind.units as usize];
                for (span, units) in broken {
                    out[units as usize..].iter_mut().for_each(|unit| unit.push(span));
                }
                let out = out.into_iter().map(|unit| self.spans(&joined(unit))).collect();
                self.model.gear_out.push(out);
            }
        }
    }

    /// Day starts of a zone.
    pub fn days(&mut self, zone: Zone) -> u32 {
        if let Some(number) = self.zones.iter().position(|known| *known == zone) {
            return number as u32;
        }
        let last = zone.date(self.until.plus(2 * 1440));
        let mut date = zone.date(self.from);
        let mut starts = Vec::new();
        while date <= last {
            starts.push(self.time(zone.day_start(date)));
            let Some(next) = date.checked_add_days(Days::new(1)) else { break };
            date = next;
        }
        self.zones.push(zone);
        self.model.days.push(starts);
        self.zones.len() as u32 - 1
    }

    fn climate(&mut self, house: HouseIx) -> usize {
        let own: &'s House = &self.situation.houses[house.index()];
        let (model, readings) = (self.model_of(own), own.air_readings.as_slice());
        let known = self.climates.iter().position(|(known, told, _)| *known == model && *told == readings);
        known.unwrap_or_else(|| {
            let climate = HouseClimate::new(self.models[model].2.clone(), readings);
            self.climates.push((model, readings, climate));
            self.climates.len() - 1
        })
    }

    /// What is computed for a house, which many houses share.
    fn model_of(&mut self, own: &House) -> usize {
        let known = self.models.iter().position(|(region, air, _)| *region == own.region && *air == own.air);
        known.unwrap_or_else(|| {
            self.models.push((own.region, own.air, model(self.situation, own).map(Arc::new)));
            self.models.len() - 1
        })
    }

    /// The drying table of a house for a film; `NONE` when its air is unknown.
    pub fn drying(&mut self, house: HouseIx, film: Film) -> u32 {
        let climate = self.climate_of[house.index()];
        if let Some(&(_, _, number)) = self.drying.iter().find(|(c, f, _)| *c == climate && *f == film) {
            return number;
        }
        let number = match &self.climates[climate].2 {
            None => NONE,
            Some(air) => {
                self.model.drying.push(DryingTable::new(air, film, self.from, self.until.plus(1)));
                self.model.drying.len() as u32 - 1
            }
        };
        self.drying.push((climate, film, number));
        number
    }

    /// The open times of a gate in a house; `NONE` when its air is unknown.
    pub fn gate(&mut self, house: HouseIx, gate: Gate) -> u32 {
        let climate = self.climate_of[house.index()];
        if let Some(&(_, _, number)) = self.gates.iter().find(|(c, g, _)| *c == climate && *g == gate) {
            return number;
        }
        let number = match &self.climates[climate].2 {
            None => NONE,
            Some(air) => {
                let until = self.until.plus(gate.hold_after_minutes + 1);
                let open = self.spans(&allowed_spans(air, &gate, self.situation.now, until));
                self.model.gates.push(open);
                self.model.gates.len() as u32 - 1
            }
        };
        self.gates.push((climate, gate, number));
        number
    }
}

/// The air computed for a house; `None` when nothing is known of it.
fn model(situation: &Situation, house: &House) -> Option<HourlyClimate> {
    let region = situation.region(house.region);
    let outdoor = region.and_then(|region| HourlyClimate::of_region(region).ok());
    model_of(house.air, outdoor.as_ref())
}

/// Makes the model. Where a company has very many crews, only the nearest are asked for each step.
pub fn compile(situation: &Situation) -> Compiled {
    compile_asking(situation, Asked::Nearest)
}

/// Makes the model with the crews that are `asked`; activities are the same in any case.
pub fn compile_asking(situation: &Situation, asked: Asked<'_>) -> Compiled {
    if situation.houses.len() < HOUSES_FOR_A_THREAD {
        let mut compiled = compile_but_ways(situation, asked, home_ways(situation, 0..situation.houses.len()));
        compiled.model.ways = situation.all_way_minutes();
        return compiled;
    }
    let (half, all) = (situation.houses.len() / 2, situation.houses.len());
    let (mut others, mut homes) = both(|| home_ways(situation, half..all), || home_ways(situation, 0..half));
    homes.append(&mut others);
    let (ways, mut compiled) = both(|| situation.all_way_minutes(), || compile_but_ways(situation, asked, homes));
    compiled.model.ways = ways;
    compiled
}

/// Whether all ways are as the crow flies, or all the same. Houses that nobody knows the location of are near to all, and known ways
/// can be anything.
fn ways_are_shortest(situation: &Situation) -> bool {
    let located = situation.houses.iter().filter(|house| house.location.is_some()).count();
    situation.known_ways.is_empty() && (located == 0 || located == situation.houses.len())
}

/// Minutes between each of the houses and the home base of each crew, house by house; 0 for a crew without one.
fn home_ways(situation: &Situation, houses: Range<usize>) -> Vec<T> {
    let travel = situation.settings.travel;
    let homes: Vec<Option<SpherePoint>> =
        situation.crews.iter().map(|crew| crew.home.map(Location::on_sphere)).collect();
    let mut ways = Vec::with_capacity(situation.houses.len() * homes.len());
    for house in &situation.houses[houses] {
        let house = house.location.map(Location::on_sphere);
        ways.extend(homes.iter().map(|home| home.map_or(0, |_| clamp(travel.minutes_apart(*home, house)))));
    }
    ways
}

fn compile_but_ways(situation: &Situation, asked: Asked<'_>, home_ways: Vec<T>) -> Compiled {
    let mut tables = Tables::new(situation);
    let houses = 0..situation.houses.len();
    for house in houses.clone().map(HouseIx::from_index) {
        let access = tables.access(house);
        tables.model.places.push(ModelPlace { access });
        let climate = tables.climate(house);
        tables.climate_of.push(climate);
    }
    for crew in (0..situation.crews.len()).map(CrewIx::from_index) {
        let crew = tables.crew(crew);
        tables.model.crews.push(crew);
        tables.model.crew_taken.push(Vec::new());
    }
    tables.model.home_ways = home_ways;
    tables.model.ways_are_shortest = ways_are_shortest(situation);
    tables.model.area_count = situation.houses.iter().map(|house| house.areas.len()).sum();
    tables.model.area_taken = vec![Vec::new(); tables.model.area_count];
    let mut gear_index = Vec::new();
    for kind in &situation.equipment {
        let model = &mut tables.model;
        let list = if kind.moves_with_crew { &mut model.capacities } else { &mut model.gear_units };
        list.push(kind.units);
        let number = list.len() as u32 - 1;
        let rides = kind.moves_with_crew;
        let index = if rides { GearIndex::Cumulative(number) } else { GearIndex::Travelling(number) };
        tables.outages(kind, index);
        gear_index.push(index);
    }
    compile_jobs::add_jobs(tables, gear_index, asked)
}
