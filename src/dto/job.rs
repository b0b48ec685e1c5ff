//! Jobs: a method applied to a house, or a chain of its own, with what happened and what was fixed by hand.

use super::chain::Source;
use super::fault::{At, Faults, Located, shown};
use super::history::{self, HistoryDto};
use super::method::{MethodDto, built_in_method, nominal_names};
use super::names::{Names, Table};
use super::scalar;
use super::sites::{Site, named_areas};
use super::step::{StepDto, StepOverrideDto};
use super::wait::{WaitDto, WaitOverrideDto};
use crate::domain::bounds::{STEPS_PER_CHAIN_MAX, WEIGHT_MAX};
use crate::domain::chain::{Chain, Pin, Step};
use crate::domain::fault::Fault;
use crate::domain::ids::{CrewIx, HouseIx};
use crate::domain::resources::{Crew, House};
use crate::domain::situation::Job;
use crate::domain::text::{Key, Name};
use crate::domain::time::Minute;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What the dispatcher fixed by hand on one step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PinDto {
    /// Key of the step.
    #[schema(example = "coat-1")]
    pub step: String,
    /// Only this crew, by key.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Exactly then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub start: Option<String>,
    /// Not earlier than this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub not_before: Option<String>,
    /// It starts on this calendar day in the house's zone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = Date, example = "2026-03-12")]
    pub day: Option<String>,
}

/// A method applied to a house. Either `method` names it, or `steps` and `waits` are the job's own chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct JobDto {
    /// Unique in the company.
    #[schema(example = "linden-4-floors", min_length = 1, max_length = 64, pattern = "^[A-Za-z0-9._-]+$")]
    pub key: String,
    /// For people.
    #[schema(example = "Linden Street 4, ground floor", min_length = 1, max_length = 120)]
    pub name: String,
    /// Key of the house.
    #[schema(example = "linden-4")]
    pub house: String,
    /// Key of a method of the company, or of one that comes with the program.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "natural-waterborne")]
    pub method: Option<String>,
    /// Its own steps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steps: Option<Vec<StepDto>>,
    /// Waits between its own steps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waits: Option<Vec<WaitDto>>,
    /// Nothing of it starts earlier.
    #[schema(example = "2026-03-09T00:00:00-04:00", format = DateTime)]
    pub release: String,
    /// When it should be finished.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub due: Option<String>,
    /// How much its lateness and its finish count.
    #[serde(default = "one")]
    #[schema(minimum = 0, maximum = 1000, default = 1)]
    pub weight: i64,
    /// Changes to steps of the method, one entry a step.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub overrides: Vec<StepOverrideDto>,
    /// Changes to waits of the method, one entry a wait.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub wait_overrides: Vec<WaitOverrideDto>,
    /// What happened so far.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub history: Vec<HistoryDto>,
    /// What is fixed by hand, one entry a step.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pins: Vec<PinDto>,
}

fn one() -> i64 {
    1
}

/// What jobs refer to. Crews and houses with faults of their own are `None`, but keep their place.
pub(super) struct World<'a> {
    /// The instant of planning.
    pub(super) now: Minute,
    /// All keys.
    pub(super) names: &'a Names,
    /// By `CrewIx`.
    pub(super) crews: &'a [Option<Crew>],
    /// By `HouseIx`.
    pub(super) houses: &'a [Option<House>],
    /// By `HouseIx`.
    pub(super) sites: &'a [Site],
    /// By index in `names.methods`, each with its place among the declared ones.
    pub(super) methods: &'a [(&'a MethodDto, Option<usize>)],
}

impl JobDto {
    /// Everything wrong with it that can be told without the other nouns. `method` is the one it names, if the caller
    /// has it; those that come with the program are known.
    pub fn check(&self, method: Option<&MethodDto>) -> Vec<Located> {
        let mut faults = Faults::default();
        let method = method.or_else(|| self.method.as_deref().and_then(built_in_method));
        let own = self.steps.as_deref().unwrap_or(&[]);
        let steps: Vec<StepDto> = own.iter().chain(method.iter().flat_map(|method| &method.steps)).cloned().collect();
        let mut names = nominal_names(&steps, &self.overrides);
        names.houses.add(&self.house);
        let pinned = self.pins.iter().filter_map(|pin| pin.crew.as_ref());
        self.history.iter().map(|entry| &entry.crew).chain(pinned).for_each(|crew| names.crews.add(crew));
        let known = method.map(|method| (method, None));
        if let (Some(key), Some(_)) = (&self.method, known) {
            names.methods.add(key);
        }
        let world = World {
            // Reports cannot be held against a clock here.
            now: Minute(scalar::INSTANTS.end),
            names: &names,
            crews: &[],
            houses: &[],
            sites: &[],
            methods: known.as_slice(),
        };
        let unseen = self.method.is_some() && known.is_none();
        if unseen && self.steps.is_none() {
            self.scalars(&At::Root, &mut faults);
        } else {
            self.to_domain(&At::Root, &world, &mut faults);
        }
        faults.into_list()
    }

    pub(super) fn to_domain(&self, at: &At, world: &World, faults: &mut Faults) -> Option<Job> {
        let who = format!("job {}", shown(&self.key));
        let house = faults.find(&at.field("house"), &world.names.houses, &self.house, &who);
        let scalars = self.scalars(at, faults);
        let chain = self.chain(at, &who, world, house, faults);
        let Scalars { key, name, release, due, weight } = scalars?;
        Some(Job { key, name, house: HouseIx::from_index(house?), release, due, weight, chain: chain? })
    }

    fn chain(&self, at: &At, who: &str, world: &World, house: Option<usize>, faults: &mut Faults) -> Option<Chain> {
        let overrides_at = at.field("overrides");
        let wait_overrides_at = at.field("wait_overrides");
        let history_at = at.field("history");
        let method_at = at.field("method");
        let methods_at = At::Field(&At::Root, "methods");
        let (steps, waits, base) = match (&self.method, &self.steps) {
            (None, Some(steps)) => (steps.as_slice(), self.waits.as_deref().unwrap_or(&[]), *at),
            (Some(key), None) if self.waits.is_none() => {
                let found = faults.find(&method_at, &world.names.methods, key, who)?;
                let (method, declared) = world.methods[found];
                // A fault of a declared method is told where it is declared, one of a built-in where it is named.
                let base = declared.map_or(At::Whole(&method_at), |place| At::Item(&methods_at, place));
                (method.steps.as_slice(), method.waits.as_slice(), base)
            }
            _ => {
                let cure = "give either `method`, or `steps` and `waits`";
                let what = format!("{who} does not say what its chain is in exactly one way");
                faults.push(at, Fault::new("chain-given-once", what, cure));
                return None;
            }
        };
        let (steps_at, waits_at) = (base.field("steps"), base.field("waits"));
        let source = Source {
            steps,
            steps_at: &steps_at,
            waits,
            waits_at: &waits_at,
            overrides: &self.overrides,
            overrides_at: &overrides_at,
            wait_overrides: &self.wait_overrides,
            wait_overrides_at: &wait_overrides_at,
            history_at: &history_at,
        };
        let nominal;
        let site = match house.and_then(|house| world.sites.get(house)) {
            Some(site) => site,
            None => {
                let changed = self.overrides.iter().filter_map(|patch| patch.areas.as_ref()).flatten();
                nominal = Site::nominal(named_areas(steps).chain(changed));
                &nominal
            }
        };
        let mut parts = source.read(world.names, site, faults)?;
        let house = house.and_then(|house| world.houses.get(house)).and_then(Option::as_ref);
        let known = (parts.steps.as_mut_slice(), &parts.table);
        let happened = history::read(&self.history, &history_at, known, (world, house), faults);
        let pinned = self.read_pins(&at.field("pins"), (&mut parts.steps, &parts.table), world.names, faults);
        happened.and(pinned)?;
        parts.into_chain(faults)
    }

    fn read_pins(
        &self,
        at: &At,
        (steps, table): (&mut [Step], &Table),
        names: &Names,
        faults: &mut Faults,
    ) -> Option<()> {
        let mut good = faults.count(at, self.pins.len(), STEPS_PER_CHAIN_MAX, "pins").then_some(());
        let mut seen = vec![false; steps.len()];
        for (index, entry) in self.pins.iter().enumerate() {
            let at = at.item(index);
            let Some((step, pin)) = entry.read(&at, table, names, faults) else {
                good = None;
                continue;
            };
            if std::mem::replace(&mut seen[step], true) {
                let what = format!("step {} is pinned twice", shown(&entry.step));
                faults.push(&at, Fault::new("duplicate-pin", what, "put both into one pin"));
                good = None;
            }
            steps[step].pin = pin;
        }
        good
    }

    fn scalars(&self, at: &At, faults: &mut Faults) -> Option<Scalars> {
        let key = faults.key(&at.field("key"), &self.key);
        let name = faults.name(&at.field("name"), &self.name);
        let release = faults.instant(&at.field("release"), &self.release);
        let due = faults.instant_if(&at.field("due"), self.due.as_ref());
        let weight = faults.whole(&at.field("weight"), self.weight, 0..=i64::from(WEIGHT_MAX), "as weight");
        Some(Scalars { key: key?, name: name?, release: release?, due: due?, weight: weight? as u32 })
    }
}

/// The members of a job that refer to nothing else.
struct Scalars {
    key: Key,
    name: Name,
    release: Minute,
    due: Option<Minute>,
    weight: u32,
}

impl PinDto {
    fn read(&self, at: &At, table: &Table, names: &Names, faults: &mut Faults) -> Option<(usize, Pin)> {
        let step = faults.find(&at.field("step"), table, &self.step, "a pin");
        let crew_at = at.field("crew");
        let crew = self.crew.as_ref().map(|crew| faults.find(&crew_at, &names.crews, crew, "a pin"));
        let start = faults.instant_if(&at.field("start"), self.start.as_ref());
        let not_before = faults.instant_if(&at.field("not_before"), self.not_before.as_ref());
        let day_at = at.field("day");
        let day = self.day.as_ref().map(|day| faults.take(&day_at, scalar::date(day)));
        let crew = super::house::optional(crew)?.map(CrewIx::from_index);
        let day = super::house::optional(day)?;
        Some((step?, Pin { crew, start: start?, not_before: not_before?, day }))
    }
}
