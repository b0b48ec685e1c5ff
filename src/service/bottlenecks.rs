//! Where the time goes: what holds houses up in some days, which crew or gear is the bottleneck then, and the way of one
//! house to its finish. Worked out from the critical paths of a plan (`planner::critical_path`); the same for the board and
//! for the command line.

use crate::domain::ids::{CrewIx, EquipmentIx, HouseIx, JobIx};
use crate::domain::plan::{Placement, Plan};
use crate::domain::resources::Crew;
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span, joined, without};
use crate::planner::critical_path::{JobPath, Reason, Stretch, critical_path, critical_paths};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;

/// Of the whole time, what a bottleneck holds up at least.
const WORTH_NAMING_PERCENT: i64 = 1;

/// What time on a job's way to its finish goes into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TimeReason {
    /// A crew works.
    Work,
    /// A release, a pin or the pause after a try.
    NotYet,
    /// The floor dries, is left overnight, or is taken by other work in the same rooms.
    Floor,
    /// Nobody who can do the step is at work for long enough.
    Hours,
    /// The house is closed.
    Access,
    /// The air is not fit.
    Air,
    /// Everybody who can do the step is elsewhere.
    Crew,
    /// Its gear is elsewhere or out of use.
    Gear,
    /// The plan has it later although it could be earlier.
    Order,
}

impl TimeReason {
    fn of(reason: Reason) -> TimeReason {
        match reason {
            Reason::Work(_) => TimeReason::Work,
            Reason::NotYet => TimeReason::NotYet,
            Reason::Floor => TimeReason::Floor,
            Reason::Hours => TimeReason::Hours,
            Reason::Access => TimeReason::Access,
            Reason::Air => TimeReason::Air,
            Reason::Crew(_) => TimeReason::Crew,
            Reason::Gear(_) => TimeReason::Gear,
            Reason::Order => TimeReason::Order,
        }
    }

    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            TimeReason::Work => "work",
            TimeReason::NotYet => "may not begin yet",
            TimeReason::Floor => "the floor dries or is taken",
            TimeReason::Hours => "nobody is at work",
            TimeReason::Access => "the house is closed",
            TimeReason::Air => "the air is not fit",
            TimeReason::Crew => "waiting for a crew",
            TimeReason::Gear => "waiting for gear",
            TimeReason::Order => "the plan takes its time",
        }
    }
}

/// How much time goes into something.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct TimeSpent {
    /// Into what.
    pub reason: TimeReason,
    /// Minutes, nights included, added up over the jobs.
    pub minutes: i64,
    /// How many jobs.
    pub jobs: usize,
}

/// What waits for a crew, and how much the crew has to do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CrewLoad {
    /// Key.
    pub crew: String,
    /// For people.
    pub name: String,
    /// Minutes that jobs wait for it as the crew that comes soonest, nights included.
    pub waited_minutes: i64,
    /// How many jobs do.
    pub jobs: usize,
    /// Minutes it is at work on those days.
    pub hours_minutes: i64,
    /// Of these, in houses.
    pub work_minutes: i64,
    /// On the road between houses of one day; the ways from home and back lie outside its hours.
    pub road_minutes: i64,
}

/// What waits for a kind of gear, and how much it is in use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct GearLoad {
    /// Key.
    pub equipment: String,
    /// For people.
    pub name: String,
    /// How many there are.
    pub units: u32,
    /// Minutes that jobs wait for it, nights included.
    pub waited_minutes: i64,
    /// How many jobs do.
    pub jobs: usize,
    /// Minutes in use, of all units together.
    pub used_minutes: i64,
    /// Minutes all units together could be in use while any crew is at work.
    pub usable_minutes: i64,
}

/// What holds houses up over some days, and who or what is the bottleneck.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Bottlenecks {
    /// First minute looked at, as minutes since 1970-01-01T00:00Z: not before now.
    pub from: i64,
    /// First minute after.
    pub until: i64,
    /// Jobs with work to come whose way to the finish reaches into these days.
    pub jobs: usize,
    /// In sentences: the bottleneck first.
    pub told: Vec<String>,
    /// Where the time of these jobs goes, most first.
    pub reasons: Vec<TimeSpent>,
    /// Who is waited for longest first.
    pub crews: Vec<CrewLoad>,
    /// What is waited for longest first.
    pub equipment: Vec<GearLoad>,
}

/// A stretch of a job's way to its finish.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct PathStretch {
    /// Key of the step that is worked on or waits.
    pub step: String,
    /// For people.
    pub step_name: String,
    /// Why it is not further yet.
    pub reason: TimeReason,
    /// Key of the crew that works or is waited for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Key of the gear that is waited for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equipment: Option<String>,
    /// First minute, as minutes since 1970-01-01T00:00Z.
    pub start: i64,
    /// First minute after; the next stretch begins there.
    pub end: i64,
}

/// Where the time until a job is finished goes: every minute from now on has one reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CriticalPath {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// When the last step that has a place is finished, as minutes since 1970-01-01T00:00Z.
    pub finish: i64,
    /// When it is due.
    pub due: Option<i64>,
    /// How much time goes into what, most first.
    pub reasons: Vec<TimeSpent>,
    /// One after the other, without gaps.
    pub stretches: Vec<PathStretch>,
}

/// What holds houses up `within` some days.
pub fn bottlenecks(situation: &Situation, plan: &Plan, within: Span) -> Bottlenecks {
    let from = within.start().max(situation.now);
    let Some(within) = Span::new(from, within.end()) else {
        return Bottlenecks {
            from: from.0,
            until: from.0,
            jobs: 0,
            told: vec!["These days are past.".to_owned()],
            reasons: Vec::new(),
            crews: Vec::new(),
            equipment: Vec::new(),
        };
    };
    let cut = |stretch: &Stretch| Some(Stretch { span: stretch.span.intersection(within)?, ..*stretch });
    let paths = critical_paths(situation, plan).into_iter().map(|path| {
        let stretches = path.stretches.iter().filter_map(cut).collect();
        JobPath { stretches, ..path }
    });
    let paths: Vec<JobPath> = paths.filter(|path| !path.stretches.is_empty()).collect();
    let mut crews: Vec<CrewLoad> = (0..situation.crews.len())
        .map(|crew| crew_load(situation, plan, CrewIx::from_index(crew), &paths, within))
        .collect();
    crews.sort_by_key(|load| std::cmp::Reverse(load.waited_minutes));
    let busy = joined(situation.crews.iter().flat_map(|crew| at_work(crew, within)).collect());
    let mut equipment: Vec<GearLoad> = (0..situation.equipment.len())
        .map(|kind| gear_load(situation, plan, EquipmentIx::from_index(kind), &paths, within, &busy))
        .collect();
    equipment.sort_by_key(|load| std::cmp::Reverse(load.waited_minutes));
    let reasons = reasons(&paths);
    let mut found = Bottlenecks {
        from: from.0,
        until: within.end().0,
        jobs: paths.len(),
        told: Vec::new(),
        reasons,
        crews,
        equipment,
    };
    found.told = told(&found);
    found
}

/// The way of one job to its finish; nothing when none of its steps to come has a place.
pub fn path_of(situation: &Situation, plan: &Plan, job: JobIx) -> Option<CriticalPath> {
    let path = critical_path(situation, plan, job)?;
    let own = &situation.jobs[job.index()];
    let view = |stretch: &Stretch| {
        let step = own.chain.step(stretch.step.step);
        let crew = match stretch.reason {
            Reason::Work(crew) | Reason::Crew(crew) => situation.crews.get(crew.index()),
            _ => None,
        };
        let equipment = match stretch.reason {
            Reason::Gear(kind) => situation.equipment.get(kind.index()),
            _ => None,
        };
        PathStretch {
            step: step.key.to_string(),
            step_name: step.name.to_string(),
            reason: TimeReason::of(stretch.reason),
            crew: crew.map(|crew| crew.key.to_string()),
            equipment: equipment.map(|kind| kind.key.to_string()),
            start: stretch.span.start().0,
            end: stretch.span.end().0,
        }
    };
    Some(CriticalPath {
        job: own.key.to_string(),
        job_name: own.name.to_string(),
        finish: path.finish()?.0,
        due: own.due.map(|due| due.0),
        stretches: path.stretches.iter().map(view).collect(),
        reasons: reasons(std::slice::from_ref(&path)),
    })
}

/// Minutes and jobs by reason, most minutes first.
fn reasons(paths: &[JobPath]) -> Vec<TimeSpent> {
    let mut spent: BTreeMap<TimeReason, (i64, BTreeSet<JobIx>)> = BTreeMap::new();
    for path in paths {
        for stretch in &path.stretches {
            let own = spent.entry(TimeReason::of(stretch.reason)).or_default();
            own.0 += stretch.span.minutes();
            own.1.insert(path.job);
        }
    }
    let spent = spent.into_iter().map(|(reason, (minutes, jobs))| TimeSpent { reason, minutes, jobs: jobs.len() });
    let mut spent: Vec<TimeSpent> = spent.collect();
    spent.sort_by_key(|own| std::cmp::Reverse(own.minutes));
    spent
}

/// Minutes that jobs wait for one crew or kind of gear, and how many jobs.
fn waited(paths: &[JobPath], reason: Reason) -> (i64, usize) {
    let of = |path: &JobPath| -> i64 {
        path.stretches.iter().filter(|own| own.reason == reason).map(|own| own.span.minutes()).sum()
    };
    let each: Vec<i64> = paths.iter().map(of).filter(|minutes| *minutes > 0).collect();
    (each.iter().sum(), each.len())
}

/// When a crew works.
fn at_work(crew: &Crew, within: Span) -> Vec<Span> {
    without(&crew.calendar.spans(crew.zone, within), &joined(crew.absences.clone()))
}

fn crew_load(situation: &Situation, plan: &Plan, crew: CrewIx, paths: &[JobPath], within: Span) -> CrewLoad {
    let own = &situation.crews[crew.index()];
    let hours = at_work(own, within);
    let mut visits: Vec<(Span, HouseIx)> = Vec::new();
    for placement in plan.placements.iter().filter(|placement| placement.crew == crew) {
        let house = situation.house_of(placement.step);
        let inside = placement.pieces.iter().filter_map(|piece| piece.intersection(within));
        visits.extend(inside.map(|piece| (piece, house)));
    }
    visits.sort_unstable_by_key(|(piece, _)| (piece.start(), piece.end()));
    let date = |at: Minute| own.zone.date(at);
    let mut road = 0;
    let mut before: Option<(Span, HouseIx)> = None;
    for &(piece, house) in &visits {
        if let Some((last, at)) = before
            && date(last.start()) == date(piece.start())
        {
            road += situation.way_minutes(at, house);
        }
        before = Some((piece, house));
    }
    let work = joined(visits.into_iter().map(|(piece, _)| piece).collect());
    let (waited_minutes, jobs) = waited(paths, Reason::Crew(crew));
    CrewLoad {
        crew: own.key.to_string(),
        name: own.name.to_string(),
        waited_minutes,
        jobs,
        hours_minutes: hours.into_iter().map(Span::minutes).sum(),
        work_minutes: work.into_iter().map(Span::minutes).sum(),
        road_minutes: road,
    }
}

fn gear_load(
    situation: &Situation,
    plan: &Plan,
    kind: EquipmentIx,
    paths: &[JobPath],
    within: Span,
    busy: &[Span],
) -> GearLoad {
    let own = &situation.equipment[kind.index()];
    let uses = |placement: &Placement| {
        let units = placement.units.iter().filter(|unit| unit.equipment == kind).count() as i64;
        placement.hull().intersection(within).map_or(0, |hull| units * hull.minutes())
    };
    let usable = |span: &Span| -> i64 {
        own.units_over(*span).iter().map(|(part, units)| part.minutes() * i64::from(*units)).sum()
    };
    let (waited_minutes, jobs) = waited(paths, Reason::Gear(kind));
    GearLoad {
        equipment: own.key.to_string(),
        name: own.name.to_string(),
        units: own.units,
        waited_minutes,
        jobs,
        used_minutes: plan.placements.iter().map(uses).sum(),
        usable_minutes: busy.iter().map(usable).sum(),
    }
}

/// Whole percent.
fn percent(part: i64, whole: i64) -> i64 {
    if whole > 0 { (part * 100 + whole / 2) / whole } else { 0 }
}

/// Hours for people, half hours rounded up.
fn hours(minutes: i64) -> String {
    format!("{} h", (minutes + 30) / 60)
}

fn counted(jobs: usize) -> String {
    if jobs == 1 { "1 house waits".to_owned() } else { format!("{jobs} houses wait") }
}

/// The bottleneck, and what comes next to it.
fn told(found: &Bottlenecks) -> Vec<String> {
    if found.jobs == 0 {
        return vec!["No house waits for anything on these days.".to_owned()];
    }
    let whole: i64 = found.reasons.iter().map(|spent| spent.minutes).sum();
    let of = |reason: TimeReason| found.reasons.iter().find(|spent| spent.reason == reason);
    let mut told: Vec<(i64, String)> = Vec::new();
    if let (Some(spent), Some(most)) = (of(TimeReason::Crew), found.crews.first()) {
        let busy = percent(most.work_minutes + most.road_minutes, most.hours_minutes);
        let sentence = format!(
            "{} for a crew, {} together, longest for {} ({}, at work or on the road {busy} % of its hours).",
            counted(spent.jobs),
            hours(spent.minutes),
            most.name,
            hours(most.waited_minutes)
        );
        told.push((spent.minutes, sentence));
    }
    for load in found.equipment.iter().filter(|load| load.waited_minutes > 0) {
        let sentence = format!(
            "{} for {} (there are {}), {} together; it is in use {} % of the time that crews are at work.",
            counted(load.jobs),
            load.name,
            load.units,
            hours(load.waited_minutes),
            percent(load.used_minutes, load.usable_minutes)
        );
        told.push((load.waited_minutes, sentence));
    }
    for (reason, what) in [(TimeReason::Air, "fit air"), (TimeReason::Access, "the house to be opened")] {
        if let Some(spent) = of(reason) {
            let sentence = format!("{} for {what}, {} together.", counted(spent.jobs), hours(spent.minutes));
            told.push((spent.minutes, sentence));
        }
    }
    told.retain(|(minutes, _)| minutes * 100 >= whole * WORTH_NAMING_PERCENT);
    told.sort_by_key(|(minutes, _)| std::cmp::Reverse(*minutes));
    if told.is_empty() {
        return vec![
            "Nothing is a bottleneck: what time passes is work, drying, and hours when nobody works.".to_owned(),
        ];
    }
    told.into_iter().map(|(_, sentence)| sentence).collect()
}

impl Bottlenecks {
    /// For a terminal.
    pub fn text(&self) -> String {
        let whole: i64 = self.reasons.iter().map(|spent| spent.minutes).sum();
        let mut out = String::new();
        for sentence in &self.told {
            out.push_str(&format!("  {sentence}\n"));
        }
        let part = |spent: &TimeSpent| format!("{} {} %", spent.reason.words(), percent(spent.minutes, whole));
        let some = |spent: &&TimeSpent| percent(spent.minutes, whole) > 0;
        let parts: Vec<String> = self.reasons.iter().filter(some).map(part).collect();
        if !parts.is_empty() {
            let houses = if self.jobs == 1 { "1 house".to_owned() } else { format!("{} houses", self.jobs) };
            out.push_str(&format!("  Time of {houses}, nights included: {}.\n", parts.join(", ")));
        }
        out
    }
}
