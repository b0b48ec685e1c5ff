//! Crews and the gear they share.

use super::calendar::CalendarDto;
use super::fault::{At, Faults, Located, shown};
use super::house::{LocationDto, optional};
use super::names::{Names, Table};
use super::scalar;
use crate::domain::bounds::{ABSENCES_MAX, EQUIPMENT_UNITS_MAX, HEAD_COUNT_MAX, SKILLS_MAX};
use crate::domain::fault::Fault;
use crate::domain::ids::SkillSet;
use crate::domain::resources::{Crew, Equipment};
use crate::domain::text::Name;
use crate::domain::time::Span;
use crate::domain::zone::Zone;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A time a crew is away although its calendar says it works.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AbsenceDto {
    /// First minute away.
    #[schema(example = "2026-03-12T07:00:00-04:00", format = DateTime)]
    pub from: String,
    /// First minute back.
    #[schema(example = "2026-03-13T00:00:00-04:00", format = DateTime)]
    pub until: String,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "ill", max_length = 2000)]
    pub note: Option<String>,
}

/// People who move together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CrewDto {
    /// Unique in the company.
    #[schema(example = "north", min_length = 1, max_length = 64, pattern = "^[A-Za-z0-9._-]+$")]
    pub key: String,
    /// For people.
    #[schema(example = "Crew North", min_length = 1, max_length = 120)]
    pub name: String,
    /// What they can do, by name.
    #[schema(example = json!(["sanding", "finishing"]))]
    pub skills: Vec<String>,
    /// How many they are.
    #[schema(minimum = 1, maximum = 50, example = 2)]
    pub head_count: i64,
    /// IANA zone of their wall clock; left out: the company's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "America/New_York")]
    pub time_zone: Option<String>,
    /// Working time on site; the way from and to the home base lies outside it.
    pub calendar: CalendarDto,
    /// Times they are away all the same.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub absences: Vec<AbsenceDto>,
    /// Where their day begins and ends; left out: the way there is not counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub home: Option<LocationDto>,
}

/// Countable gear shared by crews.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EquipmentDto {
    /// Unique in the company.
    #[schema(example = "big-machine", min_length = 1, max_length = 64, pattern = "^[A-Za-z0-9._-]+$")]
    pub key: String,
    /// For people.
    #[schema(example = "Big machine", min_length = 1, max_length = 120)]
    pub name: String,
    /// How many there are.
    #[schema(minimum = 0, maximum = 1000, example = 2)]
    pub units: i64,
    /// `true`: it is wherever it is needed next. `false`: bringing it takes the way from the house where it was last
    /// used.
    #[serde(default = "yes")]
    pub moves_with_crew: bool,
}

fn yes() -> bool {
    true
}

impl AbsenceDto {
    fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Span> {
        faults.note(&at.field("note"), self.note.as_ref());
        let from = faults.instant(&at.field("from"), &self.from);
        let until = faults.instant(&at.field("until"), &self.until);
        let span = Span::new(from?, until?);
        if span.is_none() {
            let what =
                format!("an absence from {} until {} is empty or reversed", shown(&self.from), shown(&self.until));
            faults.push(at, Fault::new("bad-absence", what, "let it end after it begins"));
        }
        span
    }
}

/// Skills by name, as positions.
pub(super) fn skill_set(at: &At, skills: &[String], known: &Table, who: &str, faults: &mut Faults) -> Option<SkillSet> {
    if !faults.count(at, skills.len(), SKILLS_MAX, "skills") {
        return None;
    }
    let mut set = Some(SkillSet::default());
    for (index, skill) in skills.iter().enumerate() {
        let at = at.item(index);
        let position = faults.name(&at, skill).and_then(|name| faults.find(&at, known, name.as_str(), who));
        set = set.and_then(|set| position.filter(|position| *position < SKILLS_MAX).map(|position| set.with(position)));
    }
    set
}

/// Skills by name, in order of position.
pub(super) fn skill_names(set: SkillSet, skills: &[Name]) -> Vec<String> {
    set.positions().filter_map(|position| skills.get(position)).map(ToString::to_string).collect()
}

impl CrewDto {
    /// Everything wrong with it that can be told without the other nouns.
    pub fn check(&self) -> Vec<Located> {
        let (mut names, mut faults) = (Names::default(), Faults::default());
        self.skills.iter().take(SKILLS_MAX).for_each(|skill| names.skills.add(skill.trim()));
        self.to_domain(&At::Root, &names, Zone::UTC, &mut faults);
        faults.into_list()
    }

    pub(super) fn to_domain(&self, at: &At, names: &Names, company: Zone, faults: &mut Faults) -> Option<Crew> {
        let who = format!("crew {}", shown(&self.key));
        let key = faults.key(&at.field("key"), &self.key);
        let name = faults.name(&at.field("name"), &self.name);
        let skills = skill_set(&at.field("skills"), &self.skills, &names.skills, &who, faults);
        let people = 1..=i64::from(HEAD_COUNT_MAX);
        let head_count = faults.whole(&at.field("head_count"), self.head_count, people, "people");
        let zone = faults.zone_or(&at.field("time_zone"), self.time_zone.as_ref(), company);
        let calendar = self.calendar.to_domain(&at.field("calendar"), &who, "crew-never-works", faults);
        let absences = self.absences_to_domain(&at.field("absences"), faults);
        let home_at = at.field("home");
        let home = self.home.map(|home| home.to_domain(&home_at, faults));
        Some(Crew {
            key: key?,
            name: name?,
            skills: skills?,
            head_count: head_count? as u32,
            zone: zone?,
            calendar: calendar?,
            absences: absences?,
            home: optional(home)?,
        })
    }

    fn absences_to_domain(&self, at: &At, faults: &mut Faults) -> Option<Vec<Span>> {
        if !faults.count(at, self.absences.len(), ABSENCES_MAX, "absences") {
            return None;
        }
        let absences: Vec<Option<Span>> =
            self.absences.iter().enumerate().map(|(index, entry)| entry.to_domain(&at.item(index), faults)).collect();
        absences.into_iter().collect()
    }

    pub(super) fn from_domain(crew: &Crew, skills: &[Name]) -> CrewDto {
        let absence = |span: &Span| AbsenceDto {
            from: scalar::local(crew.zone, span.start()),
            until: scalar::local(crew.zone, span.end()),
            note: None,
        };
        CrewDto {
            key: crew.key.to_string(),
            name: crew.name.to_string(),
            skills: skill_names(crew.skills, skills),
            head_count: i64::from(crew.head_count),
            time_zone: Some(crew.zone.name().to_string()),
            calendar: CalendarDto::from_domain(&crew.calendar),
            absences: crew.absences.iter().map(absence).collect(),
            home: crew.home.map(LocationDto::from_domain),
        }
    }
}

impl EquipmentDto {
    /// Everything wrong with it.
    pub fn check(&self) -> Vec<Located> {
        let mut faults = Faults::default();
        self.to_domain(&At::Root, &mut faults);
        faults.into_list()
    }

    pub(super) fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Equipment> {
        let key = faults.key(&at.field("key"), &self.key);
        let name = faults.name(&at.field("name"), &self.name);
        let units = faults.whole(&at.field("units"), self.units, 0..=i64::from(EQUIPMENT_UNITS_MAX), "units");
        let moves_with_crew = self.moves_with_crew;
        Some(Equipment { key: key?, name: name?, units: units? as u32, moves_with_crew })
    }

    pub(super) fn from_domain(equipment: &Equipment) -> EquipmentDto {
        EquipmentDto {
            key: equipment.key.to_string(),
            name: equipment.name.to_string(),
            units: i64::from(equipment.units),
            moves_with_crew: equipment.moves_with_crew,
        }
    }
}
