//! The plan of a very cautious office: one thing after the other, each only when all that was planned before is finished
//! and dry. Poor, but it keeps every rule by construction, so that the audit has large and odd plans to agree with.
//! Dry times and gates come from the trade's tables, which the audit does not use.

#![allow(dead_code, reason = "each test binary uses some of it")]

use super::world::plan;
use std::collections::BTreeMap;
use tackfree::domain::chain::{OnExceed, Step, StepState, Wait, WaitKind, WaitMax};
use tackfree::domain::climate::{Film, HouseAir};
use tackfree::domain::ids::{CrewIx, HouseIx, JobIx, StepIx, StepRef};
use tackfree::domain::plan::{Placement, Plan, UnitUse};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::{Minute, Span, joined, without};
use tackfree::trade::climate::HourlyClimate;
use tackfree::trade::gate::GateTable;
use tackfree::trade::house::house_climate;
use tackfree::trade::ready::DryingTable;

/// Plans with one crew at work at a time; or, with `lanes`, one crew for each house, all of them side by side, with its
/// own piece of each kind of gear.
pub fn cautious_plan(situation: &Situation, lanes: bool) -> Plan {
    let mut office = Office::new(situation, lanes);
    for job in 0..situation.jobs.len() {
        office.plan_job(JobIx::from_index(job));
    }
    let placements = std::mem::take(&mut office.placements);
    plan(situation, placements)
}

struct Office<'a> {
    situation: &'a Situation,
    lanes: bool,
    /// When each lane is free again: by crew with lanes, else one for all.
    free_at: Vec<Minute>,
    /// When each house may be entered again.
    dry_at: Vec<Minute>,
    climates: Vec<Option<HourlyClimate>>,
    drying: BTreeMap<(HouseIx, Film), DryingTable>,
    crew_hours: BTreeMap<CrewIx, Vec<Span>>,
    placements: Vec<Placement>,
}

/// A step that is placed, or was done.
#[derive(Clone)]
struct Placed {
    crew: CrewIx,
    pieces: Vec<Span>,
}

impl Placed {
    fn start(&self) -> Minute {
        self.pieces[0].start()
    }

    fn finish(&self) -> Minute {
        self.pieces[self.pieces.len() - 1].end()
    }
}

impl<'a> Office<'a> {
    fn new(situation: &'a Situation, lanes: bool) -> Office<'a> {
        let climate = |house: &tackfree::domain::resources::House| match (house.air, house.region) {
            (HouseAir::Controlled(air), _) => Some(HourlyClimate::constant(air)),
            (_, None) => None,
            (air, Some(region)) => {
                let region = &situation.regions[region.index()];
                Some(house_climate(&HourlyClimate::of_region(region).unwrap(), air))
            }
        };
        let mut office = Office {
            situation,
            lanes,
            free_at: vec![situation.now; if lanes { situation.crews.len() } else { 1 }],
            dry_at: vec![situation.now; situation.houses.len()],
            climates: situation.houses.iter().map(climate).collect(),
            drying: BTreeMap::new(),
            crew_hours: BTreeMap::new(),
            placements: Vec::new(),
        };
        for step in situation.steps() {
            let job = &situation.jobs[step.job.index()];
            let Some(fixed) = job.chain.step(step.step).fixed() else { continue };
            let pieces = vec![Span::new(fixed.start, fixed.finish).unwrap()];
            let placed = Placed { crew: fixed.crew, pieces };
            office.occupy(step, &placed);
            // What runs holds gear; it is handed out by lane, or from the first unit on.
            if let StepState::Running(_) = job.chain.step(step.step).state() {
                let kind =
                    |unit: &UnitUse| job.chain.step(step.step).equipment.iter().any(|need| need.0 == unit.equipment);
                let given = office.placements.iter().flat_map(|placement| &placement.units).filter(|unit| kind(unit));
                let next = given.map(|unit| unit.unit + 1).max().unwrap_or(0);
                office.push(step, &placed, if lanes { placed.crew.0 } else { next });
            }
        }
        office
    }

    /// Remembers how long a step keeps others away.
    fn occupy(&mut self, step: StepRef, placed: &Placed) {
        let house = self.situation.house_of(step);
        let lane = if self.lanes { placed.crew.index() } else { 0 };
        self.free_at[lane] = self.free_at[lane].max(placed.finish());
        // Another lane's crew may have begun the house.
        self.dry_at[house.index()] = self.dry_at[house.index()].max(placed.finish());
        for wait in self.situation.jobs[step.job.index()].chain.waits() {
            if wait.from == step.step && wait.keep_off {
                let ready = self.ready(house, placed, wait).unwrap_or(self.situation.horizon().end());
                self.dry_at[house.index()] = self.dry_at[house.index()].max(ready);
            }
        }
    }

    fn push(&mut self, step: StepRef, placed: &Placed, unit: u32) {
        let needs = &self.situation.jobs[step.job.index()].chain.step(step.step).equipment;
        let units = needs
            .iter()
            .flat_map(|&(equipment, needed)| (0..needed).map(move |number| UnitUse { equipment, unit: unit + number }));
        let mut units: Vec<UnitUse> = units.collect();
        units.retain(|unit| unit.unit < self.situation.equipment[unit.equipment.index()].units);
        let (crew, pieces) = (placed.crew, placed.pieces.clone());
        self.placements.push(Placement { step, crew, pieces, units, moved_because: None });
    }

    /// Places what can be placed of one job, in the chain's order; a step that cannot be placed ends it.
    fn plan_job(&mut self, job: JobIx) {
        let chain = &self.situation.jobs[job.index()].chain;
        let mut placed: Vec<Option<Placed>> = chain
            .steps()
            .iter()
            .map(|step| {
                let fixed = step.fixed()?;
                Some(Placed { crew: fixed.crew, pieces: vec![Span::new(fixed.start, fixed.finish)?] })
            })
            .collect();
        let last_lane = self.lanes.then(|| CrewIx::from_index(job.index() % self.situation.crews.len()));
        for &step in chain.order() {
            if placed[step.index()].is_some() || chain.step(step).only_on_lapse {
                continue;
            }
            let dwell = chain.waits().iter().find(|wait| wait.from == step && wait.kind == WaitKind::Dwell);
            let Some(found) = self.try_step(job, step, dwell, &placed, last_lane) else { return };
            for (step, one) in found {
                let reference = StepRef { job, step };
                self.occupy(reference, &one);
                self.push(reference, &one, if self.lanes { one.crew.0 } else { 0 });
                placed[step.index()] = Some(one);
            }
        }
    }

    /// The step, with the extra step before it or the second part after it where there is one.
    fn try_step(
        &mut self,
        job: JobIx,
        step: StepIx,
        dwell: Option<&Wait>,
        placed: &[Option<Placed>],
        lane: Option<CrewIx>,
    ) -> Option<Vec<(StepIx, Placed)>> {
        let chain = &self.situation.jobs[job.index()].chain;
        let spec = chain.step(step);
        let house = self.situation.jobs[job.index()].house;
        let before = chain.waits().iter().filter(|wait| wait.to == step);
        // The second part of a dwell is placed with its first; one whose first is in hand is left to braver offices.
        let second = dwell.map(|wait| chain.step(wait.to));
        let pinned = spec.pin.start.or(second.and_then(|second| second.pin.start));
        if pinned.is_some() || before.clone().any(|wait| wait.kind == WaitKind::Dwell) {
            return None;
        }
        let mut not_before =
            self.not_before(job, spec).max(second.map_or(Minute(0), |second| self.not_before(job, second)));
        for wait in before.clone() {
            not_before = not_before.max(self.ready(house, placed[wait.from.index()].as_ref()?, wait)?);
        }
        let crews = self.crews_for(spec, second, lane);
        let crew = *crews.first()?;
        let mut found = self.place(house, crew, spec, dwell.map(|wait| (wait, chain.step(wait.to))), not_before)?;
        let mut extra = None;
        for wait in before {
            let Some(WaitMax { minutes, on_exceed }) = wait.max else { continue };
            let lapsed = placed[wait.from.index()].as_ref()?.finish().plus(minutes);
            match on_exceed {
                OnExceed::Forbid if found[0].start() > lapsed => return None,
                OnExceed::Lapse(needed) if found[0].start() > lapsed => {
                    let abrade = chain.step(needed);
                    let crew = *self.crews_for(abrade, None, lane).first()?;
                    let abrade = self.place(house, crew, abrade, None, not_before)?.remove(0);
                    let after = abrade.finish().plus(self.longest_way());
                    found = self.place(house, crews[0], spec, None, after)?;
                    extra = Some((needed, abrade));
                }
                OnExceed::Forbid | OnExceed::Lapse(_) => {}
            }
        }
        let mut steps = vec![step];
        steps.extend(dwell.map(|wait| wait.to));
        Some(extra.into_iter().chain(steps.into_iter().zip(found)).collect())
    }

    fn not_before(&self, job: JobIx, spec: &Step) -> Minute {
        let recheck = match spec.state() {
            StepState::Open { not_before } => not_before,
            StepState::Running(_) | StepState::Done(_) => None,
        };
        let earliest = [Some(self.situation.jobs[job.index()].release), spec.pin.not_before, recheck];
        earliest.into_iter().flatten().max().unwrap().max(self.dry_at[self.situation.jobs[job.index()].house.index()])
    }

    fn longest_way(&self) -> i64 {
        // Far more than any way in a generated company.
        300
    }

    fn crews_for(&self, spec: &Step, with: Option<&Step>, lane: Option<CrewIx>) -> Vec<CrewIx> {
        let able = |crew: &CrewIx, spec: &Step| {
            let people = &self.situation.crews[crew.index()];
            people.skills.covers(spec.skills)
                && people.head_count >= spec.head_count_min
                && spec.pin.crew.is_none_or(|pinned| pinned == *crew)
        };
        let all = (0..self.situation.crews.len()).map(CrewIx::from_index);
        let ours = all.filter(|crew| lane.is_none_or(|lane| lane == *crew));
        ours.filter(|crew| able(crew, spec) && with.is_none_or(|with| able(crew, with))).collect()
    }

    fn ready(&mut self, house: HouseIx, placed: &Placed, wait: &Wait) -> Option<Minute> {
        let finish = placed.finish();
        let dry = match (wait.film, &self.climates[house.index()]) {
            (Some(film), Some(climate)) => {
                let horizon = self.situation.horizon();
                let table = self.drying.entry((house, film)).or_insert_with(|| {
                    DryingTable::new(climate, film, horizon.start().plus(-60 * 1_440), horizon.end())
                });
                table.ready_at(finish, wait.min_minutes)?
            }
            _ => finish.plus(wait.min_minutes),
        };
        let zone = self.situation.houses[house.index()].zone;
        Some(if wait.overnight { dry.max(zone.next_day_start(finish)) } else { dry })
    }

    /// When a crew may work in a house.
    fn workable(&mut self, house: HouseIx, crew: CrewIx) -> Vec<Span> {
        let horizon = self.situation.horizon();
        let people = &self.situation.crews[crew.index()];
        let hours = self
            .crew_hours
            .entry(crew)
            .or_insert_with(|| without(&people.calendar.spans(people.zone, horizon), &joined(people.absences.clone())));
        let house = &self.situation.houses[house.index()];
        let access = house.access.spans(house.zone, horizon);
        let common = hours.iter().flat_map(|shift| {
            let first = access.partition_point(|open| open.end() <= shift.start());
            let open = access[first..].iter().take_while(|open| open.start() < shift.end());
            open.filter_map(|open| open.intersection(*shift))
        });
        common.collect()
    }

    /// The first place for a step, or for the two of a dwell, after everything that occupies the lane.
    fn place(
        &mut self,
        house: HouseIx,
        crew: CrewIx,
        spec: &Step,
        second: Option<(&Wait, &Step)>,
        not_before: Minute,
    ) -> Option<Vec<Placed>> {
        let lane = if self.lanes { crew.index() } else { 0 };
        let from = not_before.max(self.free_at[lane].plus(self.longest_way()));
        let people = self.situation.crews[crew.index()].head_count;
        let minutes = spec.duration_minutes(people);
        let workable = self.workable(house, crew);
        if spec.dividable {
            return lay_out(&workable, from, minutes).map(|pieces| vec![Placed { crew, pieces }]);
        }
        let mut parts = vec![(spec, 0, minutes)];
        if let Some((wait, with)) = second {
            let with_minutes = with.duration_minutes(people);
            let behind = wait.min_minutes.max(wait.min_minutes + minutes - with_minutes);
            let max = wait.max?.minutes;
            if behind.max(behind + with_minutes - minutes) > max {
                return None;
            }
            parts.push((with, behind, behind + with_minutes));
        }
        let length = parts.iter().map(|part| part.2).max()?;
        let gate = |start: Minute, (spec, begins, ends): (&Step, i64, i64)| {
            let span = Span::new(start.plus(begins), start.plus(ends)).unwrap();
            match (&spec.gate, &self.climates[house.index()]) {
                (Some(gate), Some(climate)) => GateTable::new(climate, gate, span.start(), span.end()).allows(span),
                _ => true,
            }
        };
        let starts = workable
            .iter()
            .flat_map(|span| (span.start().max(from).0..=span.end().plus(-length).0).step_by(30).map(Minute));
        let start = starts.into_iter().find(|&start| parts.iter().all(|&part| gate(start, part)))?;
        let piece = |part: &(&Step, i64, i64)| vec![Span::new(start.plus(part.1), start.plus(part.2)).unwrap()];
        Some(parts.iter().map(|part| Placed { crew, pieces: piece(part) }).collect())
    }
}

fn lay_out(workable: &[Span], from: Minute, minutes: i64) -> Option<Vec<Span>> {
    let mut left = minutes;
    let mut pieces = Vec::new();
    for span in workable {
        let start = span.start().max(from);
        pieces.extend(Span::new(start, span.end().min(start.plus(left))));
        left = minutes - pieces.iter().map(|piece| piece.minutes()).sum::<i64>();
        if left == 0 {
            return Some(pieces);
        }
    }
    None
}
