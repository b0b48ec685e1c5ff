//! From a situation back to documents, so that any situation can be kept and replayed: reading what is written here
//! gives the same situation.

use super::crew::{CrewDto, EquipmentDto, skill_names};
use super::gate::GateDto;
use super::history::{HistoryDto, OutcomeDto};
use super::house::HouseDto;
use super::job::{JobDto, PinDto};
use super::json::write_json;
use super::meter::OnFailDto;
use super::placement::{PlacementDto, PublishedDto};
use super::planning_file::{PLANNING_FORMAT, PlanningFile, WayDto};
use super::region::RegionDto;
use super::scalar::local;
use super::settings::SettingsDto;
use super::sites::area_names;
use super::step::StepDto;
use super::wait::WaitDto;
use super::work::MinutesByApplicatorsDto;
use crate::domain::chain::{Outcome, Pin, Step, Work};
use crate::domain::resources::House;
use crate::domain::situation::{Job, Situation};
use crate::domain::zone::Zone;

/// A planning file.
pub fn write_planning_file(situation: &Situation) -> String {
    write_json(&planning_file(situation))
}

/// The documents of a situation. Methods are written out in each job; notes, products and what is only known for cautions are not kept.
pub fn planning_file(situation: &Situation) -> PlanningFile {
    let ways = situation.known_ways.iter().map(|((from, to), minutes)| WayDto {
        from: situation.houses[from.index()].key.to_string(),
        to: situation.houses[to.index()].key.to_string(),
        minutes: *minutes,
    });
    let published = PublishedDto {
        placements: situation.published.iter().map(|promise| PlacementDto::plain(promise, situation)).collect(),
    };
    PlanningFile {
        format: PLANNING_FORMAT.to_string(),
        now: local(situation.settings.zone, situation.now),
        settings: SettingsDto::from_domain(&situation.settings),
        skills: situation.skills.iter().map(ToString::to_string).collect(),
        regions: situation.regions.iter().map(RegionDto::from_domain).collect(),
        crews: situation.crews.iter().map(|crew| CrewDto::from_domain(crew, &situation.skills)).collect(),
        houses: situation.houses.iter().map(|house| HouseDto::from_domain(house, &situation.regions)).collect(),
        equipment: situation.equipment.iter().map(EquipmentDto::from_domain).collect(),
        methods: Vec::new(),
        jobs: situation.jobs.iter().map(|job| job_document(job, situation)).collect(),
        known_ways: ways.collect(),
        published: Some(published).filter(|published| !published.placements.is_empty()),
    }
}

fn job_document(job: &Job, situation: &Situation) -> JobDto {
    let house = &situation.houses[job.house.index()];
    let zone = house.zone;
    let steps = job.chain.steps();
    let history = steps.iter().flat_map(|step| (0..step.attempts.len()).map(move |number| (step, number)));
    let pins = steps.iter().filter(|step| step.pin != Pin::default());
    JobDto {
        key: job.key.to_string(),
        name: job.name.to_string(),
        house: house.key.to_string(),
        method: None,
        steps: Some(steps.iter().map(|step| step_document(step, house, situation)).collect()),
        waits: Some(job.chain.waits().iter().map(|wait| WaitDto::from_domain(wait, steps)).collect()),
        release: local(zone, job.release),
        due: job.due.map(|due| local(zone, due)),
        weight: i64::from(job.weight),
        overrides: Vec::new(),
        wait_overrides: Vec::new(),
        history: history.map(|(step, number)| attempt_document(step, number, zone, situation)).collect(),
        pins: pins.map(|step| pin_document(step, zone, situation)).collect(),
    }
}

fn step_document(step: &Step, house: &House, situation: &Situation) -> StepDto {
    let (mut minutes, mut person_minutes, mut people_max, mut minutes_by_applicators) = (None, None, None, None);
    match step.work {
        Work::Fixed { minutes: fixed } => minutes = Some(fixed),
        Work::Shared { person_minutes: shared, people_max: most } => {
            (person_minutes, people_max) = (Some(shared), Some(i64::from(most)));
        }
        Work::ByApplicators { one_minutes, two_minutes } => {
            minutes_by_applicators = Some(MinutesByApplicatorsDto { one: one_minutes, two: two_minutes });
        }
    }
    let gear = step.equipment.iter();
    StepDto {
        key: step.key.to_string(),
        name: step.name.to_string(),
        kind: step.kind.into(),
        minutes,
        person_minutes,
        sqft_per_person_hour: None,
        rolling: None,
        minutes_by_applicators,
        people_max,
        head_count_min: i64::from(step.head_count_min),
        set_up_minutes: step.set_up_minutes,
        dividable: step.dividable,
        skills: skill_names(step.skills, &situation.skills),
        areas: area_names(&step.areas, house),
        equipment: gear
            .map(|(kind, units)| (situation.equipment[kind.index()].key.to_string(), i64::from(*units)))
            .collect(),
        gate: step.gate.map(GateDto::from_domain),
        recheck_after_minutes: step.recheck_after_minutes,
        meter: None,
        on_fail: OnFailDto::Recheck,
        repeats: None,
        only_on_lapse: step.only_on_lapse,
        notes: None,
        products: None,
        items: None,
        care: None,
    }
}

fn attempt_document(step: &Step, number: usize, zone: Zone, situation: &Situation) -> HistoryDto {
    let attempt = &step.attempts[number];
    let finish = local(zone, attempt.finish);
    let (outcome, finished_at, expected_finish_at) = match attempt.outcome {
        Outcome::Running => (OutcomeDto::Running, None, Some(finish)),
        Outcome::Done => (OutcomeDto::Done, Some(finish), None),
        Outcome::Failed => (OutcomeDto::Failed, Some(finish), None),
        Outcome::Paused { .. } => (OutcomeDto::Paused, Some(finish), None),
    };
    let remaining_minutes = match attempt.outcome {
        Outcome::Paused { remaining_minutes, .. } => Some(remaining_minutes),
        Outcome::Running | Outcome::Done | Outcome::Failed => None,
    };
    HistoryDto {
        step: step.key.to_string(),
        crew: situation.crews[attempt.crew.index()].key.to_string(),
        started_at: local(zone, attempt.start),
        finished_at,
        outcome,
        expected_finish_at,
        retry_not_before_at: attempt.retry_not_before.map(|retry| local(zone, retry)),
        presumed: false,
        remaining_minutes,
        re_wet: step.is_re_wet(number),
    }
}

fn pin_document(step: &Step, zone: Zone, situation: &Situation) -> PinDto {
    PinDto {
        step: step.key.to_string(),
        crew: step.pin.crew.map(|crew| situation.crews[crew.index()].key.to_string()),
        start: step.pin.start.map(|start| local(zone, start)),
        not_before: step.pin.not_before.map(|not_before| local(zone, not_before)),
        day: step.pin.day.map(|day| day.to_string()),
    }
}
