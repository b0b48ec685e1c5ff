//! Reusable chains: methods of the company and those that come with the program.

use super::chain::Source;
use super::fault::{At, Faults, Located};
use super::names::{Names, Table};
use super::sites::{Site, named_areas};
use super::step::{StepDto, StepOverrideDto};
use super::wait::WaitDto;
use crate::methods;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;
use utoipa::ToSchema;

/// A reusable chain of steps and waits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MethodDto {
    /// Unique in the company.
    #[schema(example = "natural-waterborne", min_length = 1, max_length = 64, pattern = "^[A-Za-z0-9._-]+$")]
    pub key: String,
    /// For people.
    #[schema(example = "Natural, waterborne", min_length = 1, max_length = 120)]
    pub name: String,
    /// For people: where its values come from, what to mind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 2000)]
    pub notes: Option<String>,
    /// In the order in which people think of them.
    pub steps: Vec<StepDto>,
    /// Between them.
    #[serde(default)]
    pub waits: Vec<WaitDto>,
}

impl MethodDto {
    /// Everything wrong with it on a house that has all areas it names and a company that has all gear and skills.
    pub fn check(&self) -> Vec<Located> {
        let mut faults = Faults::default();
        self.judge(&At::Root, &mut faults);
        faults.into_list()
    }

    pub(super) fn judge(&self, at: &At, faults: &mut Faults) {
        faults.key(&at.field("key"), &self.key);
        faults.name(&at.field("name"), &self.name);
        faults.note(&at.field("notes"), self.notes.as_ref());
        let (steps_at, waits_at) = (at.field("steps"), at.field("waits"));
        let source = Source {
            steps: &self.steps,
            steps_at: &steps_at,
            waits: &self.waits,
            waits_at: &waits_at,
            overrides: &[],
            overrides_at: at,
            wait_overrides: &[],
            wait_overrides_at: at,
            history_at: at,
        };
        let site = Site::nominal(named_areas(&self.steps));
        if let Some(parts) = source.read(&nominal_names(&self.steps, &[]), &site, faults) {
            parts.into_chain(faults);
        }
    }
}

/// The names of a company that has all gear and skills the steps name.
pub(super) fn nominal_names(steps: &[StepDto], overrides: &[StepOverrideDto]) -> Names {
    let mut names = Names::default();
    let add = |table: &mut Table, key: &str| {
        if table.find(key).is_none() {
            table.add(key);
        }
    };
    let own = steps.iter().map(|step| (Some(&step.skills), Some(&step.equipment)));
    let changed = overrides.iter().map(|patch| (patch.skills.as_ref(), patch.equipment.as_ref()));
    for (skills, equipment) in own.chain(changed) {
        skills.into_iter().flatten().for_each(|skill| add(&mut names.skills, skill.trim()));
        equipment.into_iter().flatten().for_each(|(key, _)| add(&mut names.equipment, key));
    }
    names
}

/// The methods that come with the program.
pub fn built_in_methods() -> &'static [MethodDto] {
    static METHODS: LazyLock<Vec<MethodDto>> = LazyLock::new(|| {
        let read = |text: &&str| -> MethodDto {
            serde_json::from_str(text)
                .unwrap_or_else(|error| unreachable!("a test reads every document that is built in: {error}"))
        };
        methods::DOCUMENTS.iter().map(read).collect()
    });
    &METHODS
}

/// The method of this key that comes with the program.
pub fn built_in_method(key: &str) -> Option<&'static MethodDto> {
    built_in_methods().iter().find(|method| method.key == key)
}
