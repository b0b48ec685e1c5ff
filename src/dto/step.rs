//! Steps as a method or a job writes them, and what a job may override in one.

use super::calendar::is_false;
use super::crew::skill_set;
use super::fault::{At, Faults, escaped, shown};
use super::gate::GateDto;
use super::house::optional;
use super::meter::{MeterDto, OnFailDto, is_recheck};
use super::names::Names;
use super::sites::Site;
use super::supplies::{CareDto, ItemDto, ProductDto};
use super::work::{MinutesByApplicatorsDto, RollingDto};
use crate::domain::bounds::{
    AREAS_PER_HOUSE_MAX, EQUIPMENT_KINDS_MAX, EQUIPMENT_UNITS_MAX, HEAD_COUNT_MAX, STEP_MINUTES_MAX, WAIT_MINUTES_MAX,
};
use crate::domain::chain::{Pin, Step, StepKind};
use crate::domain::fault::Fault;
use crate::domain::ids::{AreaIx, EquipmentIx};
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::BTreeMap;
use std::fmt;
use utoipa::ToSchema;

/// What kind of work a step is; decides colour, caution and words, never the planning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "as in domain::chain::StepKind")]
pub enum StepKindDto {
    SetUp,
    Sand,
    Edge,
    Vacuum,
    WaterPop,
    TreatA,
    TreatB,
    Check,
    Stain,
    Seal,
    Abrade,
    Coat,
    WalkThrough,
    Other,
}

/// One act of work. Exactly one of `minutes`, `person_minutes`, `sqft_per_person_hour`, `rolling` and
/// `minutes_by_applicators` says how much.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StepDto {
    /// Unique in the chain.
    #[schema(example = "sand-coarse", min_length = 1, max_length = 64, pattern = "^[A-Za-z0-9._-]+$")]
    pub key: String,
    /// For people.
    #[schema(example = "Sand, coarse", min_length = 1, max_length = 120)]
    pub name: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// Work that takes as long whoever comes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 120_000)]
    pub minutes: Option<i64>,
    /// Work shared among the people used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 120_000)]
    pub person_minutes: Option<i64>,
    /// Shared work over the areas of the step: person-minutes are 60 x square feet / this, rounded up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 100_000, example = 108)]
    pub sqft_per_person_hour: Option<i64>,
    /// One of two parts rolled in sections, with a dwell between them: the section plan says how long it takes one
    /// person or two. Both steps of the dwell have it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rolling: Option<RollingDto>,
    /// Work that takes one person as long as `one`, and two or more as long as `two`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes_by_applicators: Option<MinutesByApplicatorsDto>,
    /// More people than this are not used in shared work; left out: all who come.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 50)]
    pub people_max: Option<i64>,
    /// People the crew must have.
    #[serde(default = "one")]
    #[schema(minimum = 1, maximum = 50, default = 1)]
    pub head_count_min: i64,
    /// Added once, whoever does it.
    #[serde(default, skip_serializing_if = "is_zero")]
    #[schema(minimum = 0, maximum = 120_000, default = 0)]
    pub set_up_minutes: i64,
    /// May pause at the end of a working span and go on in the same crew's next one.
    #[serde(default, skip_serializing_if = "is_false")]
    pub dividable: bool,
    /// Skills the crew must have, by name, all of them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub skills: Vec<String>,
    /// Areas worked in, by name; left out: all of the house.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub areas: Option<Vec<String>>,
    /// Gear held from start to finish: units by key of the kind.
    #[serde(default, deserialize_with = "units_once", skip_serializing_if = "BTreeMap::is_empty")]
    #[schema(example = json!({"big-machine": 1, "edger": 1}))]
    pub equipment: BTreeMap<String, i64>,
    /// Air it needs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gate: Option<GateDto>,
    /// For a check: minutes between a failed try's end and the next try. Left out: it cannot fail.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 172_800)]
    pub recheck_after_minutes: Option<i64>,
    /// For a check whose readings decide: what is asked of them. Planning does not heed it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter: Option<MeterDto>,
    /// For a check: what follows when it fails. Planning does not heed it; the job's chain grows.
    #[serde(default, skip_serializing_if = "is_recheck")]
    pub on_fail: OnFailDto,
    /// Key of the step that this one does once more, after a failed check; the program writes it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repeats: Option<String>,
    /// Planned only when the wait that names it has lapsed.
    #[serde(default, skip_serializing_if = "is_false")]
    pub only_on_lapse: bool,
    /// For the people who do it; planning does not heed it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 2000)]
    pub notes: Option<String>,
    /// What it uses up; left out: what is usual for its kind. Planning does not heed it, nor the next two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_items = 10)]
    pub products: Option<Vec<ProductDto>>,
    /// What else to bring; left out: what is usual for its kind. What people wear is added in any case.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_items = 40)]
    pub items: Option<Vec<ItemDto>>,
    /// What its label says for the customer, where it is the last coat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub care: Option<CareDto>,
}

/// What a job changes in one step of its method. What is left out stays as it is; `null` takes a gate or a recheck away.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each member replaces the one of the same name in StepDto")]
pub struct StepOverrideDto {
    /// Key of the step.
    #[schema(example = "sand-coarse")]
    pub step: String,
    /// One of the five members that say how much work it is replaces whichever the method gives.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub person_minutes: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sqft_per_person_hour: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rolling: Option<RollingDto>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes_by_applicators: Option<MinutesByApplicatorsDto>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub people_max: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub head_count_min: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_up_minutes: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dividable: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skills: Option<Vec<String>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub areas: Option<Vec<String>>,
    #[serde(default, deserialize_with = "some_units_once", skip_serializing_if = "Option::is_none")]
    pub equipment: Option<BTreeMap<String, i64>>,
    #[serde(default, deserialize_with = "given", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<GateDto>)]
    pub gate: Option<Option<GateDto>>,
    #[serde(default, deserialize_with = "given", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<i64>)]
    pub recheck_after_minutes: Option<Option<i64>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub products: Option<Vec<ProductDto>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub items: Option<Vec<ItemDto>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub care: Option<CareDto>,
}

fn one() -> i64 {
    1
}

pub(super) fn is_zero(value: &i64) -> bool {
    *value == 0
}

/// Tells `null` (`Some(None)`) from a member that is left out (`None`).
pub(super) fn given<'de, D: Deserializer<'de>, T: Deserialize<'de>>(reader: D) -> Result<Option<Option<T>>, D::Error> {
    Option::<T>::deserialize(reader).map(Some)
}

/// JSON leaves open what a member given twice means; here it is refused.
fn units_once<'de, D: Deserializer<'de>>(reader: D) -> Result<BTreeMap<String, i64>, D::Error> {
    struct Once;
    impl<'de> serde::de::Visitor<'de> for Once {
        type Value = BTreeMap<String, i64>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("an object of units by equipment key")
        }

        fn visit_map<M: serde::de::MapAccess<'de>>(self, mut map: M) -> Result<BTreeMap<String, i64>, M::Error> {
            let mut units = BTreeMap::new();
            while let Some((key, count)) = map.next_entry::<String, i64>()? {
                let text = escaped(&key);
                if units.insert(key, count).is_some() {
                    return Err(serde::de::Error::custom(format!("duplicate member `{text}`")));
                }
            }
            Ok(units)
        }
    }
    reader.deserialize_map(Once)
}

fn some_units_once<'de, D: Deserializer<'de>>(reader: D) -> Result<Option<BTreeMap<String, i64>>, D::Error> {
    units_once(reader).map(Some)
}

macro_rules! same_kinds {
    ($($kind:ident),*) => {
        impl From<StepKindDto> for StepKind {
            fn from(kind: StepKindDto) -> StepKind {
                match kind { $(StepKindDto::$kind => StepKind::$kind),* }
            }
        }

        impl From<StepKind> for StepKindDto {
            fn from(kind: StepKind) -> StepKindDto {
                match kind { $(StepKind::$kind => StepKindDto::$kind),* }
            }
        }
    };
}

same_kinds!(SetUp, Sand, Edge, Vacuum, WaterPop, TreatA, TreatB, Check, Stain, Seal, Abrade, Coat, WalkThrough, Other);

impl StepOverrideDto {
    /// Names of the members that are given.
    pub(super) fn fields(&self) -> Vec<&'static str> {
        let given = [
            ("minutes", self.minutes.is_some()),
            ("person_minutes", self.person_minutes.is_some()),
            ("sqft_per_person_hour", self.sqft_per_person_hour.is_some()),
            ("rolling", self.rolling.is_some()),
            ("minutes_by_applicators", self.minutes_by_applicators.is_some()),
            ("people_max", self.people_max.is_some()),
            ("head_count_min", self.head_count_min.is_some()),
            ("set_up_minutes", self.set_up_minutes.is_some()),
            ("dividable", self.dividable.is_some()),
            ("skills", self.skills.is_some()),
            ("areas", self.areas.is_some()),
            ("equipment", self.equipment.is_some()),
            ("gate", self.gate.is_some()),
            ("recheck_after_minutes", self.recheck_after_minutes.is_some()),
            ("products", self.products.is_some()),
            ("items", self.items.is_some()),
            ("care", self.care.is_some()),
        ];
        given.into_iter().filter(|(_, given)| *given).map(|(name, _)| name).collect()
    }

    /// The step with what is given here in place of its own.
    pub(super) fn applied_to(&self, step: &StepDto) -> StepDto {
        let mut step = step.clone();
        let shared = self.person_minutes.or(self.sqft_per_person_hour).is_some();
        let unshared = self.minutes.is_some() || self.rolling.is_some() || self.minutes_by_applicators.is_some();
        if shared || unshared {
            step.minutes = self.minutes;
            step.person_minutes = self.person_minutes;
            step.sqft_per_person_hour = self.sqft_per_person_hour;
            step.rolling = self.rolling;
            step.minutes_by_applicators = self.minutes_by_applicators;
        }
        if unshared {
            step.people_max = None;
        }
        step.people_max = self.people_max.or(step.people_max);
        step.head_count_min = self.head_count_min.unwrap_or(step.head_count_min);
        step.set_up_minutes = self.set_up_minutes.unwrap_or(step.set_up_minutes);
        step.dividable = self.dividable.unwrap_or(step.dividable);
        step.skills = self.skills.clone().unwrap_or(step.skills);
        step.areas = self.areas.clone().or(step.areas);
        step.equipment = self.equipment.clone().unwrap_or(step.equipment);
        step.gate = self.gate.unwrap_or(step.gate);
        step.recheck_after_minutes = self.recheck_after_minutes.unwrap_or(step.recheck_after_minutes);
        if step.recheck_after_minutes.is_none() {
            // What cannot fail is not judged.
            (step.meter, step.on_fail) = (None, OnFailDto::Recheck);
        }
        step.products = self.products.clone().or(step.products);
        step.items = self.items.clone().or(step.items);
        step.care = self.care.or(step.care);
        step
    }
}

impl StepDto {
    /// The step in a house, without history and pins.
    pub(super) fn to_domain(&self, at: &At, names: &Names, site: &Site, faults: &mut Faults) -> Option<Step> {
        let who = format!("step {}", shown(&self.key));
        let key = faults.key(&at.field("key"), &self.key);
        let name = faults.name(&at.field("name"), &self.name);
        faults.note(&at.field("notes"), self.notes.as_ref());
        self.judge_supplies(at, faults);
        let areas = self.areas_to_domain(&at.field("areas"), site, &who, faults);
        let skills = skill_set(&at.field("skills"), &self.skills, &names.skills, &who, faults);
        let people = 1..=i64::from(HEAD_COUNT_MAX);
        let head_count_min = faults.whole(&at.field("head_count_min"), self.head_count_min, people, "people");
        let work = areas.as_ref().and_then(|areas| self.work(at, site.sqft(areas), &who, faults));
        let set_up = faults.whole(&at.field("set_up_minutes"), self.set_up_minutes, 0..=STEP_MINUTES_MAX, "minutes");
        let equipment = self.equipment_to_domain(&at.field("equipment"), names, &who, faults);
        let gate_at = at.field("gate");
        let gate = self.gate.map(|gate| gate.to_domain(&gate_at, faults));
        let meter_at = at.field("meter");
        self.meter.iter().for_each(|meter| meter.check(&meter_at, faults));
        if self.recheck_after_minutes.is_none() && (self.meter.is_some() || !is_recheck(&self.on_fail)) {
            let cure = "give recheck_after_minutes, the pause after a failed try";
            faults.push(at, Fault::new("check-cannot-fail", format!("{who} is judged and yet cannot fail"), cure));
        }
        let recheck_at = at.field("recheck_after_minutes");
        let recheck =
            self.recheck_after_minutes.map(|pause| faults.whole(&recheck_at, pause, 0..=WAIT_MINUTES_MAX, "minutes"));
        Some(Step {
            key: key?,
            name: name?,
            kind: self.kind.into(),
            areas: areas?,
            skills: skills?,
            head_count_min: head_count_min? as u32,
            work: work?,
            set_up_minutes: set_up?,
            dividable: self.dividable,
            equipment: equipment?,
            gate: optional(gate)?,
            recheck_after_minutes: optional(recheck)?,
            only_on_lapse: self.only_on_lapse,
            attempts: Vec::new(),
            pin: Pin::default(),
        })
    }

    fn areas_to_domain(&self, at: &At, site: &Site, who: &str, faults: &mut Faults) -> Option<Vec<AreaIx>> {
        let Some(named) = &self.areas else { return Some(site.all()) };
        if named.is_empty() {
            let cure = "name the areas it works in, or leave `areas` out for all of the house";
            faults.push(at, Fault::new("bad-areas", format!("{who} works in no area"), cure));
        }
        if named.is_empty() || !faults.count(at, named.len(), AREAS_PER_HOUSE_MAX, "areas") {
            return None;
        }
        let who = format!("{who} in {}", site.who());
        let found: Vec<Option<usize>> = named
            .iter()
            .enumerate()
            .map(|(index, area)| faults.find(&at.item(index), site.areas(), area.trim(), &who))
            .collect();
        let mut areas: Vec<AreaIx> =
            found.into_iter().map(|area| area.map(AreaIx::from_index)).collect::<Option<_>>()?;
        areas.sort_unstable();
        Some(areas)
    }

    fn equipment_to_domain(
        &self,
        at: &At,
        names: &Names,
        who: &str,
        faults: &mut Faults,
    ) -> Option<Vec<(EquipmentIx, u32)>> {
        if !faults.count(at, self.equipment.len(), EQUIPMENT_KINDS_MAX, "kinds of equipment") {
            return None;
        }
        let needed: Vec<Option<(EquipmentIx, u32)>> = self
            .equipment
            .iter()
            .map(|(key, units)| {
                let at = at.field(key);
                let kind = faults.find(&at, &names.equipment, key, who);
                let units = faults.whole(&at, *units, 1..=i64::from(EQUIPMENT_UNITS_MAX), "units");
                Some((EquipmentIx::from_index(kind?), units? as u32))
            })
            .collect();
        let mut needed: Vec<(EquipmentIx, u32)> = needed.into_iter().collect::<Option<_>>()?;
        needed.sort_unstable();
        Some(needed)
    }
}
