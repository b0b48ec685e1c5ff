//! What events change in the documents of crews, gear, houses and regions: spells in which they are not as usual, areas,
//! forecasts. Whoever has all events about a document applies them in the order in which they happened.

use super::super::crew::{CrewDto, EquipmentDto};
use super::super::fault::{At, Faults, Located, shown};
use super::super::house::{AreaDto, HouseDto};
use super::super::region::{ForecastDto, RegionDto};
use super::super::scalar;
use super::super::spells::{self, AbsenceDto, ClosureDto, OutageDto, ShortHandedDto};
use super::{Event, HappeningDto};
use crate::domain::bounds::{ABSENCES_MAX, AREAS_PER_HOUSE_MAX, CLOSURES_MAX, OUTAGES_MAX, SHORT_HANDED_MAX};
use crate::domain::fault::Fault;
use crate::domain::time::{Minute, Span};
use crate::domain::zone::Zone;

/// What an event has done to what is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    /// It has changed it.
    Changed,
    /// It was known already.
    Known,
    /// Something that comes before it has not been told.
    NotYet(Fault),
    /// It cannot be so as well as what is known.
    Against(Fault),
    /// A later word is known.
    Overtaken(Fault),
}

/// What is heard, or everything wrong with the event itself: pointers are into what happened.
pub type Hearing = Result<Heard, Vec<Located>>;

/// An entry of a list of spells.
trait Spell: Clone + PartialEq {
    /// First minute and first minute after.
    fn ends(&self) -> (&str, &str);
    /// The same, ending there.
    fn until(self, until: String) -> Self;
    /// The same but for the times.
    fn alike(&self, other: &Self) -> bool;
    /// `None` when it is no time at all.
    fn span(&self) -> Option<Span> {
        let (from, until) = self.ends();
        Span::new(scalar::instant(from).ok()?, scalar::instant(until).ok()?)
    }
}

macro_rules! spell {
    ($($type:ty),*) => {
        $(impl Spell for $type {
            fn ends(&self) -> (&str, &str) {
                (&self.from, &self.until)
            }

            fn until(self, until: String) -> Self {
                Self { until, ..self }
            }

            fn alike(&self, other: &Self) -> bool {
                Self { from: other.from.clone(), until: other.until.clone(), ..self.clone() } == *other
            }
        })*
    };
}

spell!(AbsenceDto, ShortHandedDto, OutageDto, ClosureDto);

/// Adds a spell, which `faults` were looked for in, in the order of beginnings. The same one twice is one.
fn add<S: Spell>(list: &mut Vec<S>, spell: S, max: usize, faults: Faults) -> Hearing {
    if !faults.is_empty() {
        // It was read as the first of a list.
        let own = |located: Located| {
            let pointer = located.pointer.strip_prefix("/0").unwrap_or_default().to_owned();
            Located { pointer, ..located }
        };
        return Err(faults.into_list().into_iter().map(own).collect());
    }
    let span = spell.span();
    if list.iter().any(|known| known.span() == span && known.alike(&spell)) {
        return Ok(Heard::Known);
    }
    if list.len() >= max {
        let what = format!("{max} such times are known already");
        return Err(refused("", Fault::new("too-many", what, "take those that are long over out of the document")));
    }
    list.push(spell);
    list.sort_by_key(|spell| spell.span().map(|span| (span.start(), span.end())));
    Ok(Heard::Changed)
}

/// Ends every spell that holds at `back`.
fn end<S: Spell>(list: &mut Vec<S>, back: Minute, zone: Zone) -> Ended {
    let mut ended = Ended::default();
    let mut left = Vec::with_capacity(list.len());
    for spell in list.drain(..) {
        let Some(span) = spell.span() else { continue };
        ended.before |= span.end() == back;
        if span.start() <= back && back < span.end() {
            ended.now = true;
            // What ends where it begins has not been.
            left.extend(Some(spell.until(scalar::local(zone, back))).filter(|spell| spell.span().is_some()));
        } else {
            left.push(spell);
        }
    }
    *list = left;
    ended
}

/// What the end of spells has found.
#[derive(Debug, Clone, Copy, Default)]
struct Ended {
    /// One that held.
    now: bool,
    /// One that ended just then.
    before: bool,
}

impl Ended {
    fn heard(self, other: Ended, what: impl FnOnce() -> String) -> Heard {
        match (self.now || other.now, self.before || other.before) {
            (true, _) => Heard::Changed,
            (false, true) => Heard::Known,
            (false, false) => {
                Heard::NotYet(Fault::new("nothing-to-end", what(), "tell since when it was otherwise, too"))
            }
        }
    }
}

fn refused(pointer: &str, fault: Fault) -> Vec<Located> {
    vec![Located { pointer: pointer.to_owned(), fault }]
}

/// The minute from which something is as usual again: as told, or that of the event.
fn back(event: &Event, from: Option<&String>) -> Result<Minute, Vec<Located>> {
    match from {
        Some(text) => scalar::instant(text).map_err(|fault| refused("/from", fault)),
        None => Ok(Minute::floor_from(event.at)),
    }
}

/// An event about something else.
fn not_about(what: &str, event: &Event) -> Hearing {
    let told = format!("{} is nothing that happens to a {what}", event.happening.kind());
    Err(refused("/kind", Fault::new("unknown-value", told, "use a kind that fits what it names")))
}

impl CrewDto {
    /// Takes in an event about this crew. `company`: the zone of a crew that names none.
    ///
    /// # Errors
    /// Everything wrong with the event itself; pointers are into what happened.
    pub fn heed(&mut self, event: &Event, company: Zone) -> Hearing {
        let note = event.note.clone();
        let mut faults = Faults::default();
        match &event.happening {
            HappeningDto::CrewAway(away) => {
                let spell = AbsenceDto { from: away.from.clone(), until: away.until.clone(), note };
                spells::absences(std::slice::from_ref(&spell), &At::Root, &mut faults);
                add(&mut self.absences, spell, ABSENCES_MAX, faults)
            }
            HappeningDto::CrewShort(short) => {
                let (from, until) = (short.from.clone(), short.until.clone());
                let spell = ShortHandedDto { from, until, people: short.people, note };
                let own = std::slice::from_ref(&spell);
                spells::short_handed(own, &At::Root, Some(self.head_count), &mut faults);
                add(&mut self.short_handed, spell, SHORT_HANDED_MAX, faults)
            }
            HappeningDto::CrewBack(told) => {
                let at = back(event, told.from.as_ref())?;
                let zone = self.time_zone.as_deref().and_then(|name| Zone::parse(name).ok()).unwrap_or(company);
                let away = end(&mut self.absences, at, zone);
                let short = end(&mut self.short_handed, at, zone);
                let what = || format!("crew {} was neither away nor short of people then", shown(&self.key));
                Ok(away.heard(short, what))
            }
            _ => not_about("crew", event),
        }
    }
}

impl EquipmentDto {
    /// Takes in an event about this gear. `company`: the zone in which times are written.
    ///
    /// # Errors
    /// As [`CrewDto::heed`].
    pub fn heed(&mut self, event: &Event, company: Zone) -> Hearing {
        let mut faults = Faults::default();
        match &event.happening {
            HappeningDto::MachineBroken(broken) => {
                let (from, until) = (broken.from.clone(), broken.until.clone());
                let spell = OutageDto { from, until, units: broken.units, note: event.note.clone() };
                spells::outages(std::slice::from_ref(&spell), &At::Root, Some(self.units), &mut faults);
                add(&mut self.outages, spell, OUTAGES_MAX, faults)
            }
            HappeningDto::MachineMended(told) => {
                let ended = end(&mut self.outages, back(event, told.from.as_ref())?, company);
                Ok(ended.heard(Ended::default(), || format!("no {} was out of use then", shown(&self.key))))
            }
            _ => not_about("kind of gear", event),
        }
    }
}

impl HouseDto {
    /// Takes in an event about this house. `company`: the zone of a house that names none.
    ///
    /// # Errors
    /// As [`CrewDto::heed`].
    pub fn heed(&mut self, event: &Event, company: Zone) -> Hearing {
        let mut faults = Faults::default();
        match &event.happening {
            HappeningDto::HouseClosed(closed) => {
                let (from, until) = (closed.from.clone(), closed.until.clone());
                let spell = ClosureDto { from, until, note: event.note.clone() };
                spells::closures(std::slice::from_ref(&spell), &At::Root, &mut faults);
                add(&mut self.closures, spell, CLOSURES_MAX, faults)
            }
            HappeningDto::HouseOpened(told) => {
                let zone = self.time_zone.as_deref().and_then(|name| Zone::parse(name).ok()).unwrap_or(company);
                let ended = end(&mut self.closures, back(event, told.from.as_ref())?, zone);
                Ok(ended.heard(Ended::default(), || format!("house {} was not closed then", shown(&self.key))))
            }
            _ => not_about("house", event),
        }
    }

    /// Gives areas their new sizes and adds those that are new; says whether anything is different now.
    ///
    /// # Errors
    /// More areas than a house may have.
    pub fn grow(&mut self, areas: &[AreaDto]) -> Result<bool, Vec<Located>> {
        let before = self.areas.clone();
        for area in areas {
            match self.areas.iter_mut().find(|known| known.name.trim() == area.name.trim()) {
                Some(known) => {
                    let species = area.species.clone().or(known.species.take());
                    *known = AreaDto { name: known.name.clone(), species, ..area.clone() };
                }
                None => self.areas.push(area.clone()),
            }
        }
        if self.areas.len() > AREAS_PER_HOUSE_MAX {
            let what = format!("house {} would have {} areas", shown(&self.key), self.areas.len());
            let cure = format!("a house has {AREAS_PER_HOUSE_MAX} at most: make it two");
            return Err(refused("/areas", Fault::new("too-many", what, cure)));
        }
        Ok(self.areas != before)
    }
}

impl RegionDto {
    /// Takes in an event about this region.
    ///
    /// # Errors
    /// As [`CrewDto::heed`].
    pub fn heed(&mut self, event: &Event) -> Hearing {
        let HappeningDto::ForecastReplaced(told) = &event.happening else { return not_about("region", event) };
        let forecast = ForecastDto { hours: told.hours.clone() };
        let faults = forecast.check();
        if !faults.is_empty() {
            return Err(faults);
        }
        if self.forecast == forecast {
            return Ok(Heard::Known);
        }
        self.forecast = forecast;
        Ok(Heard::Changed)
    }
}
