//! Crews with their hours, and houses with their jobs and steps, numbered as the board lists them.

use super::basis::{Held, World};
use super::details;
use super::shapes::{BoardCrew, BoardHouse, BoardJob, BoardSpan, BoardStateDto, BoardStep, BoardTry, BoardUnplaced};
use crate::domain::chain::{Outcome, Step, StepState};
use crate::domain::ids::{HouseIx, JobIx, StepIx, StepRef};
use crate::domain::resources::Crew;
use crate::domain::time::{Minute, Span, joined, without};
use crate::service::ServiceError;
use std::collections::BTreeMap;

/// Lists of the board that refer to each other.
pub(super) struct Picture {
    pub(super) crews: Vec<BoardCrew>,
    pub(super) houses: Vec<BoardHouse>,
    pub(super) jobs: Vec<BoardJob>,
    pub(super) steps: Vec<BoardStep>,
    /// Where each step of the situation is in `steps`.
    pub(super) numbers: BTreeMap<StepRef, usize>,
    /// Jobs that are shown, in their order on the board.
    pub(super) shown_jobs: Vec<JobIx>,
}

pub(super) fn span(span: Span) -> BoardSpan {
    [span.start().0, span.end().0]
}

fn spans(list: Vec<Span>) -> Vec<BoardSpan> {
    list.into_iter().map(span).collect()
}

/// Everything but waits and weather.
pub(super) fn picture(world: &World, held: &[Held], shown: Span) -> Result<Picture, ServiceError> {
    let situation = &world.situation;
    let mut order: Vec<usize> = (0..situation.crews.len()).collect();
    order.sort_by_key(|&crew| (situation.crews[crew].name.as_str(), situation.crews[crew].key.as_str()));
    let mut crew_numbers = vec![0; order.len()];
    order.iter().enumerate().for_each(|(number, &crew)| crew_numbers[crew] = number);
    let crews = order.iter().map(|&index| crew(&situation.crews[index], shown)).collect();

    let all = (0..situation.jobs.len()).map(JobIx::from_index);
    let mut shown_jobs: Vec<JobIx> = all.filter(|job| is_shown(world, *job, shown)).collect();
    let house_of = |job: &JobIx| &situation.houses[situation.jobs[job.index()].house.index()];
    shown_jobs.sort_by_key(|job| {
        let house = house_of(job);
        (house.name.as_str(), house.key.as_str(), situation.jobs[job.index()].key.as_str())
    });
    let mut picture = Picture {
        crews,
        houses: Vec::new(),
        jobs: Vec::new(),
        steps: Vec::new(),
        numbers: BTreeMap::new(),
        shown_jobs: shown_jobs.clone(),
    };
    for job in shown_jobs {
        let house = situation.jobs[job.index()].house;
        if picture.houses.last().is_none_or(|last| last.key != situation.houses[house.index()].key.as_str()) {
            picture.houses.push(house_view(world, house, shown));
        }
        let number = picture.jobs.len();
        picture.jobs.push(job_view(world, job, picture.houses.len() - 1));
        for step in steps_of(world, job) {
            picture.numbers.insert(step, picture.steps.len());
            picture.steps.push(step_view(world, step, number, &crew_numbers));
        }
    }
    held.iter().for_each(|held| hold(&mut picture, held, situation.settings.zone.name()));
    Ok(picture)
}

fn crew(crew: &Crew, shown: Span) -> BoardCrew {
    let away = joined(crew.absences.clone());
    let all = crew.calendar.spans(crew.zone, shown);
    let regular = crew.calendar.regular_spans(crew.zone, shown);
    let works = without(&regular, &away);
    let missed = away.iter().flat_map(|away| all.iter().filter_map(|span| span.intersection(*away)));
    BoardCrew {
        key: crew.key.to_string(),
        name: crew.name.to_string(),
        people: crew.head_count,
        away: spans(joined(missed.collect())),
        overtime: spans(without(&without(&all, &regular), &away)),
        works: spans(works),
        short: crew
            .people_over(shown)
            .into_iter()
            .filter(|(_, people)| *people < crew.head_count)
            .map(|(span, people)| [span.start().0, span.end().0, i64::from(people)])
            .collect(),
    }
}

/// Steps of the chain, in order; extra ones only where they are needed.
fn steps_of(world: &World, job: JobIx) -> impl Iterator<Item = StepRef> {
    let chain = &world.situation.jobs[job.index()].chain;
    chain.order().iter().map(move |step| StepRef { job, step: *step }).filter(|step| {
        let own = chain.step(step.step);
        !own.only_on_lapse || !own.attempts.is_empty() || world.placement(*step).is_some()
    })
}

/// Whether anything of the job touches the days, waits between its steps included, or has no place.
fn is_shown(world: &World, job: JobIx, shown: Span) -> bool {
    let mut hull: Option<(Minute, Minute)> = None;
    for step in steps_of(world, job) {
        let Some(placed) = world.placement(step) else { return true };
        let (start, end) = hull.unwrap_or((placed.start(), placed.finish()));
        hull = Some((start.min(placed.start()), end.max(placed.finish())));
    }
    hull.is_some_and(|(start, end)| start < shown.end() && end > shown.start())
}

fn house_view(world: &World, house: HouseIx, shown: Span) -> BoardHouse {
    let own = &world.situation.houses[house.index()];
    let closures = own.closures.iter().filter_map(|closure| closure.intersection(shown)).collect();
    BoardHouse {
        key: own.key.to_string(),
        name: own.name.to_string(),
        address: own.address.as_ref().map(ToString::to_string),
        time_zone: own.zone.name().to_owned(),
        region: own.region.map(|region| region.index()),
        closed: spans(joined(closures)),
        shut: spans(world.airs.shut(world, house, shown)),
    }
}

fn job_view(world: &World, job: JobIx, house: usize) -> BoardJob {
    let own = &world.situation.jobs[job.index()];
    let finish = steps_of(world, job)
        .map(|step| world.placement(step).map(|placed| placed.finish()))
        .try_fold(None, |last: Option<Minute>, finish| Some(last.max(Some(finish?))))
        .flatten();
    let late = own.due.zip(finish).map_or(0, |(due, finish)| finish.since(due).max(0));
    BoardJob {
        key: own.key.to_string(),
        name: own.name.to_string(),
        house,
        on_hold: false,
        due: own.due.map(|due| due.0),
        finish: finish.map(|finish| finish.0),
        late_minutes: late,
        version: world.versions[job.index()],
    }
}

fn step_view(world: &World, step: StepRef, job: usize, crew_numbers: &[usize]) -> BoardStep {
    let own = world.situation.jobs[step.job.index()].chain.step(step.step);
    let document = &world.file.jobs[step.job.index()];
    let placed = world.placement(step);
    let state = match (own.state(), placed) {
        (StepState::Running(_), _) => BoardStateDto::Running,
        (StepState::Done(_), _) => BoardStateDto::Done,
        (StepState::Open { .. }, Some(_)) => BoardStateDto::Planned,
        (StepState::Open { .. }, None) => BoardStateDto::Unplanned,
    };
    let reports = document.history.iter().rfind(|entry| entry.step == own.key.as_str());
    BoardStep {
        job,
        key: own.key.to_string(),
        name: own.name.to_string(),
        kind: own.kind.into(),
        state,
        crew: placed.map(|placed| crew_numbers[placed.crew.index()]),
        pieces: placed.map(|placed| placed.pieces.iter().copied().map(span).collect()).unwrap_or_default(),
        presumed: reports.is_some_and(|entry| entry.presumed),
        extra: own.only_on_lapse,
        pin: document.pins.iter().find(|pin| pin.step == own.key.as_str()).cloned(),
        moved_because: world.causes.get(&step).map(|cause| details::moved(world, step, cause)),
        tries: tries(own, crew_numbers),
        unplaced: (state == BoardStateDto::Unplanned).then(|| unplaced(world, document.key.as_str(), own)),
    }
}

fn tries(step: &Step, crew_numbers: &[usize]) -> Vec<BoardTry> {
    let tried = step.attempts.iter().filter_map(|attempt| {
        let failed = match attempt.outcome {
            Outcome::Failed => true,
            Outcome::Paused { .. } => false,
            Outcome::Running | Outcome::Done => return None,
        };
        let crew = crew_numbers[attempt.crew.index()];
        Some(BoardTry { crew, start: attempt.start.0, finish: attempt.finish.0, failed })
    });
    tried.collect()
}

fn unplaced(world: &World, job: &str, step: &Step) -> BoardUnplaced {
    let told = world.unplaced.get(&(job.to_owned(), step.key.to_string()));
    let told = told.map(|one| one.reason.told());
    told.map_or_else(
        || BoardUnplaced {
            what: "It came after the plan was made".to_owned(),
            cure: "wait for the next plan, or make one".to_owned(),
        },
        |told| BoardUnplaced { what: told.what, cure: told.cure },
    )
}

/// A job on hold, in its house, which may have other jobs.
fn hold(picture: &mut Picture, (job, house): &Held, office: &str) {
    let known = picture.houses.iter().position(|one| one.key == house.key);
    let number = known.unwrap_or_else(|| {
        picture.houses.push(BoardHouse {
            key: house.key.clone(),
            name: house.name.clone(),
            address: house.address.clone(),
            time_zone: house.time_zone.clone().unwrap_or_else(|| office.to_owned()),
            region: None,
            closed: Vec::new(),
            shut: Vec::new(),
        });
        picture.houses.len() - 1
    });
    picture.jobs.push(BoardJob {
        key: job.key.clone(),
        name: job.name.clone(),
        house: number,
        on_hold: true,
        due: job.due_at.map(|due| Minute::floor_from(due).0),
        finish: None,
        late_minutes: 0,
        version: job.version,
    });
}

/// Keys of what steps a job has on the board; for details of one of them.
pub(super) fn find(world: &World, job: &str, step: &str) -> Option<StepRef> {
    let index = world.situation.jobs.iter().position(|own| own.key.as_str() == job)?;
    let found: StepIx = world.situation.jobs[index].chain.find(step)?;
    Some(StepRef { job: JobIx::from_index(index), step: found })
}
