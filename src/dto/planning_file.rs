//! The planning file: everything known at one instant in one document, and the one way from documents to a situation.

use super::blocker::Jobs;
use super::crew::{CrewDto, EquipmentDto};
use super::fault::{At, Faults, Located, shown};
use super::house::HouseDto;
use super::job::{JobDto, World};
use super::json::read_json;
use super::method::{MethodDto, built_in_methods};
use super::names::Names;
use super::placement::{PlacementDto, PublishedDto};
use super::plan::check_format;
use super::region::RegionDto;
use super::scalar::INSTANTS;
use super::settings::SettingsDto;
use super::sites::Site;
use super::{limits, warnings};
use crate::domain::bounds::{
    CREWS_MAX, EQUIPMENT_KINDS_MAX, HOUSES_MAX, JOBS_MAX, REGIONS_MAX, SKILLS_MAX, STEPS_PER_CHAIN_MAX,
};
use crate::domain::fault::Fault;
use crate::domain::ids::HouseIx;
use crate::domain::plan::Placement;
use crate::domain::resources::{Crew, House};
use crate::domain::situation::{Job, Situation};
use crate::domain::text::Name;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use serde::{Deserialize, Serialize};
use std::borrow::Borrow;
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// What a planning file says it is.
pub const PLANNING_FORMAT: &str = "tackfree-planning/1";
/// Largest file read: the largest office with a year of forecast for every region fits several times.
pub const FILE_BYTES_MAX: usize = 64 << 20;
/// Methods of one company.
pub const METHODS_MAX: usize = 1_000;
/// Steps of all jobs together: twice the largest office with the longest of the methods that come with the program. A
/// short file could otherwise ask for millions by naming one long method in every job.
pub const STEPS_MAX: usize = 400_000;
/// Known ways of one company.
pub const KNOWN_WAYS_MAX: usize = 1_000_000;
/// Longest known way: two days.
pub const WAY_MINUTES_MAX: i64 = 2_880;

/// A way between two houses whose length is known better than the travel model knows it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WayDto {
    /// Key of one house.
    pub from: String,
    /// Key of the other; the way is as long in both directions.
    pub to: String,
    /// On the road.
    #[schema(minimum = 0, maximum = 2880)]
    pub minutes: i64,
}

/// Everything known at one instant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlanningFile {
    /// `tackfree-planning/1`.
    #[schema(example = "tackfree-planning/1")]
    pub format: String,
    /// The instant of planning.
    #[schema(example = "2026-03-09T06:00:00-04:00", format = DateTime)]
    pub now: String,
    /// Settings of the company.
    pub settings: SettingsDto,
    /// Skills in order; those that crews and steps name beside are added behind.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub skills: Vec<String>,
    /// Weather.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub regions: Vec<RegionDto>,
    /// Crews.
    pub crews: Vec<CrewDto>,
    /// Houses.
    pub houses: Vec<HouseDto>,
    /// Gear.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub equipment: Vec<EquipmentDto>,
    /// Methods of the company; one of the same key takes the place of one that comes with the program.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub methods: Vec<MethodDto>,
    /// Jobs.
    pub jobs: Vec<JobDto>,
    /// Ways between houses that are known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub known_ways: Vec<WayDto>,
    /// What was last promised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub published: Option<PublishedDto>,
}

/// A situation, and what is worth knowing about the documents it came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed {
    /// Everything known.
    pub situation: Situation,
    /// Steps that no plan can place as things stand, and the like.
    pub warnings: Vec<Located>,
}

/// Reads a planning file.
pub fn parse_planning_file(text: &str) -> Result<Parsed, Vec<Located>> {
    assemble(read_json::<PlanningFile>(text, FILE_BYTES_MAX)?)
}

/// From documents to a situation, or everything that is wrong with them. Indices follow the order of the documents.
pub fn assemble(parts: impl Borrow<PlanningFile>) -> Result<Parsed, Vec<Located>> {
    let situation = situation_of(parts)?;
    let warnings = warnings::of(&situation);
    Ok(Parsed { situation, warnings })
}

/// As [`assemble`], for those who have been warned.
pub fn situation_of(parts: impl Borrow<PlanningFile>) -> Result<Situation, Vec<Located>> {
    let mut faults = Faults::default();
    match situation(parts.borrow(), &mut faults) {
        Some(situation) if faults.is_empty() => Ok(situation),
        _ => Err(faults.into_list()),
    }
}

fn situation(parts: &PlanningFile, faults: &mut Faults) -> Option<Situation> {
    let root = At::Root;
    check_format(&root.field("format"), &parts.format, PLANNING_FORMAT, faults)?;
    let now = faults.instant(&root.field("now"), &parts.now);
    let settings = parts.settings.to_domain(&root.field("settings"), faults);
    let company = settings.as_ref().map_or(Zone::UTC, |settings| settings.zone);
    counts(parts, faults)?;
    let (names, methods) = names(parts, faults);
    let steps = parts.jobs.iter().map(|job| match (&job.steps, &job.method) {
        (Some(steps), _) => steps.len(),
        (None, Some(key)) => names.methods.find(key).map_or(0, |method| methods[method].0.steps.len()),
        (None, None) => 0,
    });
    faults.count(&root.field("jobs"), steps.sum(), STEPS_MAX, "steps of all jobs").then_some(())?;
    let skills = skill_names(&names, faults);

    let regions = each("regions", &parts.regions, faults, |region, at, faults| region.to_domain(at, faults));
    let crews: Vec<Option<Crew>> =
        each("crews", &parts.crews, faults, |crew, at, faults| crew.to_domain(at, &names, company, faults));
    let houses: Vec<Option<House>> =
        each("houses", &parts.houses, faults, |house, at, faults| house.to_domain(at, &names, company, now, faults));
    let equipment = each("equipment", &parts.equipment, faults, |kind, at, faults| kind.to_domain(at, faults));
    each("methods", &parts.methods, faults, |method, at, faults| method.judge(at, faults));
    let sites: Vec<Site> = parts.houses.iter().map(Site::of).collect();
    let world = World {
        now: now.unwrap_or(Minute(INSTANTS.end)),
        names: &names,
        crews: &crews,
        houses: &houses,
        sites: &sites,
        methods: &methods,
    };
    let jobs: Vec<Option<Job>> = each("jobs", &parts.jobs, faults, |job, at, faults| job.to_domain(at, &world, faults));
    let known_ways = known_ways(&root.field("known_ways"), &parts.known_ways, &names, faults);
    let published = published(parts, &names, &jobs, faults);
    let situation = Situation {
        now: now?,
        settings: settings?,
        skills: skills?,
        regions: regions.into_iter().collect::<Option<_>>()?,
        crews: crews.into_iter().collect::<Option<_>>()?,
        houses: houses.into_iter().collect::<Option<_>>()?,
        equipment: equipment.into_iter().collect::<Option<_>>()?,
        jobs: jobs.into_iter().collect::<Option<_>>()?,
        known_ways: known_ways?,
        published: published?,
    };
    faults.take(&root.field("settings").field("cost"), limits::cost_fits(&situation))?;
    Some(situation)
}

fn each<T, U>(list: &str, documents: &[T], faults: &mut Faults, read: impl Fn(&T, &At, &mut Faults) -> U) -> Vec<U> {
    let at = At::Field(&At::Root, list);
    documents.iter().enumerate().map(|(index, document)| read(document, &at.item(index), faults)).collect()
}

fn counts(parts: &PlanningFile, faults: &mut Faults) -> Option<()> {
    let published = parts.published.as_ref().map_or(0, |published| published.placements.len());
    let mut good = true;
    for (list, count, max) in [
        ("skills", parts.skills.len(), SKILLS_MAX),
        ("regions", parts.regions.len(), REGIONS_MAX),
        ("crews", parts.crews.len(), CREWS_MAX),
        ("houses", parts.houses.len(), HOUSES_MAX),
        ("equipment", parts.equipment.len(), EQUIPMENT_KINDS_MAX),
        ("methods", parts.methods.len(), METHODS_MAX),
        ("jobs", parts.jobs.len(), JOBS_MAX),
        ("known_ways", parts.known_ways.len(), KNOWN_WAYS_MAX),
        ("published", published, JOBS_MAX * STEPS_PER_CHAIN_MAX),
    ] {
        good &= faults.count(&At::Field(&At::Root, list), count, max, list);
    }
    good.then_some(())
}

/// All keys in the order of the documents, and the methods by their index among the names: the company's, then those
/// that come with the program and are not replaced.
fn names<'a>(parts: &'a PlanningFile, faults: &mut Faults) -> (Names, Vec<(&'a MethodDto, Option<usize>)>) {
    let mut names = Names::default();
    let declared = [
        ("regions", &mut names.regions, parts.regions.iter().map(|region| &region.key).collect::<Vec<_>>()),
        ("crews", &mut names.crews, parts.crews.iter().map(|crew| &crew.key).collect()),
        ("houses", &mut names.houses, parts.houses.iter().map(|house| &house.key).collect()),
        ("equipment", &mut names.equipment, parts.equipment.iter().map(|kind| &kind.key).collect()),
        ("methods", &mut names.methods, parts.methods.iter().map(|method| &method.key).collect()),
        ("jobs", &mut names.jobs, parts.jobs.iter().map(|job| &job.key).collect()),
    ];
    for (list, table, keys) in declared {
        for (index, key) in keys.into_iter().enumerate() {
            faults.declare(&At::Field(&At::Item(&At::Field(&At::Root, list), index), "key"), table, key);
        }
    }
    let mut methods: Vec<(&MethodDto, Option<usize>)> =
        parts.methods.iter().enumerate().map(|(place, method)| (method, Some(place))).collect();
    for method in built_in_methods() {
        if names.methods.find(&method.key).is_none() {
            names.methods.add(&method.key);
            methods.push((method, None));
        }
    }
    let skills_at = At::Field(&At::Root, "skills");
    for (index, skill) in parts.skills.iter().enumerate() {
        let at = At::Item(&skills_at, index);
        faults.name(&at, skill);
        faults.declare(&at, &mut names.skills, skill.trim());
    }
    for skill in skills_in_use(parts, &names, &methods) {
        if names.skills.find(skill.trim()).is_none() {
            names.skills.add(skill.trim());
        }
    }
    (names, methods)
}

/// The skills that crews and jobs name, in order; methods that no job uses do not count.
fn skills_in_use<'a>(
    parts: &'a PlanningFile,
    names: &Names,
    methods: &[(&'a MethodDto, Option<usize>)],
) -> Vec<&'a String> {
    let mut skills: Vec<&String> = parts.crews.iter().flat_map(|crew| &crew.skills).collect();
    let mut used = vec![false; methods.len()];
    for job in &parts.jobs {
        skills.extend(job.steps.iter().flatten().flat_map(|step| &step.skills));
        let method = job.method.as_ref().and_then(|key| names.methods.find(key));
        if let Some(method) = method.filter(|method| !std::mem::replace(&mut used[*method], true)) {
            skills.extend(methods[method].0.steps.iter().flat_map(|step| &step.skills));
        }
        skills.extend(job.overrides.iter().filter_map(|patch| patch.skills.as_ref()).flatten());
    }
    skills
}

/// A bad name is told where it was listed, or else where a crew or step names it.
fn skill_names(names: &Names, faults: &mut Faults) -> Option<Vec<Name>> {
    let at = At::Field(&At::Root, "skills");
    let known = names.skills.keys();
    faults.count(&at, known.len(), SKILLS_MAX, "different skills").then_some(())?;
    known.iter().map(|skill| Name::parse(skill).ok()).collect()
}

fn known_ways(
    at: &At,
    ways: &[WayDto],
    names: &Names,
    faults: &mut Faults,
) -> Option<BTreeMap<(HouseIx, HouseIx), i64>> {
    let mut known = BTreeMap::new();
    let mut good = true;
    for (index, way) in ways.iter().enumerate() {
        let at = at.item(index);
        let from = faults.find(&at.field("from"), &names.houses, &way.from, "a way");
        let to = faults.find(&at.field("to"), &names.houses, &way.to, "a way");
        let minutes = faults.whole(&at.field("minutes"), way.minutes, 0..=WAY_MINUTES_MAX, "minutes");
        let (Some(from), Some(to), Some(minutes)) = (from, to, minutes) else {
            good = false;
            continue;
        };
        let pair = (HouseIx::from_index(from.min(to)), HouseIx::from_index(from.max(to)));
        if from == to || known.insert(pair, minutes).is_some() {
            let what = format!("the way between {} and {} is none, or given twice", shown(&way.from), shown(&way.to));
            faults.push(&at, Fault::new("duplicate-way", what, "give one way for each pair of different houses"));
            good = false;
        }
    }
    good.then_some(known)
}

fn published(parts: &PlanningFile, names: &Names, jobs: &[Option<Job>], faults: &mut Faults) -> Option<Vec<Placement>> {
    let published = At::Field(&At::Root, "published");
    let at = published.field("placements");
    let promised: &[PlacementDto] = parts.published.as_ref().map_or(&[], |published| &published.placements);
    let get = |index: usize| jobs.get(index).and_then(Option::as_ref);
    let context = Jobs { names, get: &get };
    let mut placements: BTreeMap<_, Placement> = BTreeMap::new();
    let mut good = true;
    for (index, promise) in promised.iter().enumerate() {
        let at = at.item(index);
        let Some(placement) = promise.to_domain(&at, &context, names.houses.keys(), faults) else {
            good = false;
            continue;
        };
        let step = placement.step;
        if placements.insert(step, Placement { moved_because: None, ..placement }).is_some() {
            let what = format!("step {} of job {} is promised twice", shown(&promise.step), shown(&promise.job));
            faults.push(&at, Fault::new("duplicate-placement", what, "keep the later promise"));
            good = false;
        }
    }
    let open = |placement: &Placement| {
        let job = jobs[placement.step.job.index()].as_ref();
        job.is_some_and(|job| job.chain.step(placement.step.step).fixed().is_none())
    };
    good.then(|| placements.into_values().filter(open).collect())
}
