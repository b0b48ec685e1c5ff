//! Crews and the gear they share.

use super::calendar::CalendarDto;
use super::fault::{At, Faults, Located, shown};
use super::house::{LocationDto, optional};
use super::names::{Names, Table};
use super::spells::{self, AbsenceDto, OutageDto, ShortHandedDto};
use crate::domain::bounds::{EQUIPMENT_UNITS_MAX, HEAD_COUNT_MAX, SKILLS_MAX};
use crate::domain::ids::SkillSet;
use crate::domain::resources::{Crew, Equipment};
use crate::domain::text::Name;
use crate::domain::zone::Zone;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

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
    /// Times they are there with fewer people: what needs more is not done then, and work takes the time it takes those.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub short_handed: Vec<ShortHandedDto>,
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
    /// Times some of them are out of use.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub outages: Vec<OutageDto>,
}

fn yes() -> bool {
    true
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
        let absences = spells::absences(&self.absences, &at.field("absences"), faults);
        let short_handed = spells::short_handed(&self.short_handed, &at.field("short_handed"), head_count, faults);
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
            short_handed: short_handed?,
            home: optional(home)?,
        })
    }

    pub(super) fn from_domain(crew: &Crew, skills: &[Name]) -> CrewDto {
        CrewDto {
            key: crew.key.to_string(),
            name: crew.name.to_string(),
            skills: skill_names(crew.skills, skills),
            head_count: i64::from(crew.head_count),
            time_zone: Some(crew.zone.name().to_string()),
            calendar: CalendarDto::from_domain(&crew.calendar),
            absences: crew.absences.iter().map(|span| AbsenceDto::from_domain(crew.zone, *span)).collect(),
            short_handed: crew
                .short_handed
                .iter()
                .map(|entry| ShortHandedDto::from_domain(crew.zone, *entry))
                .collect(),
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
        let outages = spells::outages(&self.outages, &at.field("outages"), units, faults);
        let moves_with_crew = self.moves_with_crew;
        Some(Equipment { key: key?, name: name?, units: units? as u32, moves_with_crew, outages: outages? })
    }

    pub(super) fn from_domain(equipment: &Equipment) -> EquipmentDto {
        EquipmentDto {
            key: equipment.key.to_string(),
            name: equipment.name.to_string(),
            units: i64::from(equipment.units),
            moves_with_crew: equipment.moves_with_crew,
            outages: equipment.outages.iter().map(|entry| OutageDto::from_domain(*entry)).collect(),
        }
    }
}
