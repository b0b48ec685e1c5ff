//! An event applied to a planning file, in memory: what it would mean if it happened. The documents are changed, and
//! reports judged, by the same code as when it is told.

use super::super::bench::Bench;
use super::super::records::Reporter;
use super::super::report_rules::Site;
use super::super::taken::Teller;
use super::super::{ServiceError, snapshot, wire};
use super::floor::report_of;
use super::settled::heard_of;
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{
    EquipmentDto, Event, HappeningDto, Heard, Hearing, JobDto, Located, MethodDto, PinDto, PlanningFile,
    built_in_method,
};
use crate::store::{Document, JobRow, JobStatus, NewRecord, RecordRow, new_id};
use serde_json::json;
use uuid::Uuid;

/// Applies an event to everything known at one instant. `at`: the instant of applying; the file's own stays. What the
/// file does not have (a job that is not open) is not found.
///
/// # Errors
/// Everything wrong with the event, or why it does not follow; pointers begin at the event.
pub fn apply_event(file: &mut PlanningFile, event: &Event, at: Minute) -> Result<(), Vec<Located>> {
    let heard = applied(file, event, at).map_err(|faults| {
        let below = |located: Located| Located { pointer: format!("/event{}", located.pointer), ..located };
        faults.into_iter().map(below).collect::<Vec<_>>()
    })?;
    match heard {
        Heard::Changed | Heard::Known => Ok(()),
        Heard::NotYet(fault) | Heard::Against(fault) | Heard::Overtaken(fault) => {
            Err(vec![Located { pointer: "/event".to_owned(), fault }])
        }
    }
}

fn applied(file: &mut PlanningFile, event: &Event, at: Minute) -> Hearing {
    let office = Zone::parse(&file.settings.time_zone).unwrap_or(Zone::UTC);
    if let Some((job, body)) = report_of(event) {
        let place = job_in(file, job)?;
        return reported(file, place, event, body, (office, at));
    }
    match &event.happening {
        HappeningDto::CrewAway(told) => crew_in(file, told.crew.as_deref())?.heed(event, office),
        HappeningDto::CrewShort(told) => crew_in(file, told.crew.as_deref())?.heed(event, office),
        HappeningDto::CrewBack(told) => crew_in(file, told.crew.as_deref())?.heed(event, office),
        HappeningDto::MachineBroken(told) => gear_in(file, &told.equipment)?.heed(event, office),
        HappeningDto::MachineMended(told) => gear_in(file, &told.equipment)?.heed(event, office),
        HappeningDto::HouseClosed(told) => house_in(file, &told.house)?.heed(event, office),
        HappeningDto::HouseOpened(told) => house_in(file, &told.house)?.heed(event, office),
        HappeningDto::ForecastReplaced(told) => {
            let found = file.regions.iter_mut().find(|region| region.key == told.region);
            found.ok_or_else(|| unknown("region", &told.region))?.heed(event)
        }
        HappeningDto::JobGrown(told) => {
            let place = job_in(file, &told.job)?;
            let heard = file.jobs[place].grow(told)?;
            if !matches!(heard, Heard::Changed | Heard::Known) {
                return Ok(heard);
            }
            let house = file.jobs[place].house.clone();
            let larger = house_in(file, &house)?.grow(&told.areas)?;
            Ok(if larger { Heard::Changed } else { heard })
        }
        HappeningDto::JobAdded(told) => job_added(file, &told.job),
        // Only open jobs are in a planning file.
        HappeningDto::JobHeld(told) => over(file, &told.job),
        HappeningDto::JobCancelled(told) => over(file, &told.job),
        HappeningDto::JobFinished(told) => over(file, &told.job),
        HappeningDto::JobReopened(told) => job_in(file, &told.job).map(|_| Heard::Known),
        HappeningDto::DueMoved(told) => {
            let place = job_in(file, &told.job)?;
            file.jobs[place].due.clone_from(&told.due);
            Ok(Heard::Changed)
        }
        HappeningDto::ReleaseMoved(told) => {
            let place = job_in(file, &told.job)?;
            file.jobs[place].release.clone_from(&told.release);
            Ok(Heard::Changed)
        }
        _ => supposed(file, &event.happening),
    }
}

/// What is only asked about.
fn supposed(file: &mut PlanningFile, happening: &HappeningDto) -> Hearing {
    match happening {
        HappeningDto::CrewAdded(told) => {
            new_key("crew", &told.crew.key, file.crews.iter().map(|crew| &crew.key))?;
            file.crews.push(told.crew.clone());
        }
        HappeningDto::HouseAdded(told) => {
            new_key("house", &told.house.key, file.houses.iter().map(|house| &house.key))?;
            file.houses.push(told.house.clone());
        }
        HappeningDto::EquipmentAdded(told) => match file.equipment.iter_mut().find(|kind| kind.key == told.equipment) {
            Some(kind) => kind.units = kind.units.saturating_add(told.units),
            None => file.equipment.push(EquipmentDto {
                key: told.equipment.clone(),
                name: told.equipment.clone(),
                units: told.units,
                moves_with_crew: true,
                outages: Vec::new(),
            }),
        },
        HappeningDto::StepPinned(told) => {
            let place = job_in(file, &told.job)?;
            let pins: &mut Vec<PinDto> = &mut file.jobs[place].pins;
            pins.retain(|pin| pin.step != told.pin.step);
            pins.push(told.pin.clone());
        }
        HappeningDto::HoursChanged(told) => {
            crew_in(file, Some(&told.crew))?.calendar = told.calendar.clone();
        }
        _ => {}
    }
    Ok(Heard::Changed)
}

fn job_added(file: &mut PlanningFile, job: &JobDto) -> Hearing {
    new_key("job", &job.key, file.jobs.iter().map(|job| &job.key))?;
    let method: Option<MethodDto> = match &job.method {
        None => None,
        Some(key) => {
            let own = file.methods.iter().find(|method| method.key == *key).or_else(|| built_in_method(key));
            Some(own.ok_or_else(|| unknown("method", key))?.clone())
        }
    };
    // As it is kept, but with its history.
    file.jobs.push(if method.is_some() { job.clone().with_own_chain(method.as_ref()) } else { job.clone() });
    Ok(Heard::Changed)
}

fn over(file: &mut PlanningFile, key: &str) -> Hearing {
    let place = job_in(file, key)?;
    file.jobs.remove(place);
    if let Some(published) = &mut file.published {
        published.placements.retain(|placed| placed.job != key);
    }
    Ok(Heard::Changed)
}

fn reported(
    file: &mut PlanningFile,
    place: usize,
    event: &Event,
    body: super::super::records::RecordBody,
    (office, at): (Zone, Minute),
) -> Hearing {
    let mut site = site_of(file, place, &body.step, (office, at)).map_err(located)?;
    let teller = Teller { at: event.at, by: "office".to_owned() };
    match site.take(&Reporter { crew_id: None }, &teller, &body) {
        Err(error) => heard_of(error).map_err(located),
        Ok(new) => {
            let house = file.jobs[place].house.clone();
            let zone = house_in(file, &house)?.time_zone.clone();
            let zone = wire::zone_or(zone.as_deref(), office);
            let job = &mut file.jobs[place];
            if site.grown {
                job.steps = site.job.steps.clone();
                job.waits = site.job.waits.clone();
            }
            let own: Vec<RecordRow> =
                site.records.iter().filter(|record| record.step_key == new.step_key).cloned().collect();
            let tries = snapshot::history(&own, &site.bench.crew_keys, zone);
            job.history.retain(|entry| entry.step != new.step_key);
            job.history.extend(tries);
            Ok(Heard::Changed)
        }
    }
}

/// A job of the file as reports on `step` are judged by it: what was only presumed of that step goes.
fn site_of(file: &PlanningFile, place: usize, step: &str, (office, at): (Zone, Minute)) -> Result<Site, ServiceError> {
    let job = &file.jobs[place];
    let house = file.houses.iter().find(|house| house.key == job.house);
    let house = house.ok_or_else(|| refusal(unknown("house", &job.house)))?.clone();
    let row = JobRow {
        id: Uuid::nil(),
        key: job.key.clone(),
        name: job.name.clone(),
        house_id: Uuid::nil(),
        method_id: None,
        status: JobStatus::Open,
        release_at: at.to_utc(),
        due_at: None,
        doc: Document::of(&json!({}))?,
        version: 0,
        created_at: at.to_utc(),
        updated_at: at.to_utc(),
    };
    let bench = Bench::of_file(file, office, at);
    let mut site = Site { row, job: job.clone(), house, records: Vec::new(), bench, climate: None, grown: false };
    site.job.history.retain(|entry| !(entry.presumed && entry.step == step));
    site.records = records_of(&site)?;
    site.job.history.clear();
    Ok(site)
}

/// The history of a job as records. What a crew expects is known by its having said so.
fn records_of(site: &Site) -> Result<Vec<RecordRow>, ServiceError> {
    let mut records: Vec<RecordRow> = Vec::new();
    for entry in &site.job.history {
        let body = super::super::records::RecordBody::from(entry);
        let crew = site.bench.crew_id(&entry.crew).unwrap_or_default();
        let seen = records.iter().filter(|record| record.step_key == entry.step).count();
        let teller = Teller { at: site.row.updated_at, by: "office".to_owned() };
        let retry = entry.retry_not_before_at.as_deref().map(wire::instant).transpose();
        let retry_not_before = retry.map_err(|fault| ServiceError::fault("/history", fault))?;
        let decided = super::super::check_verdict::Decided {
            retry_not_before,
            ..super::super::check_verdict::Decided::of(entry.outcome)
        };
        let number = i32::try_from(seen).unwrap_or(i32::MAX);
        let new: NewRecord =
            super::super::taken::new_record(site.row.id, (&body, decided), crew, &entry.started_at, number, teller)?;
        let place = records.iter().rposition(|record| record.step_key == entry.step);
        records.insert(place.map_or(records.len(), |place| place + 1), known(&new));
    }
    Ok(records)
}

fn known(new: &NewRecord) -> RecordRow {
    RecordRow {
        id: new_id(),
        job_id: new.job_id,
        step_key: new.step_key.clone(),
        record_no: new.seen + 1,
        crew_id: new.crew_id,
        outcome: new.outcome,
        started_at: new.started_at,
        finished_at: new.finished_at,
        expected_finish_at: new.expected_finish_at,
        doc: new.doc.clone(),
        recorded_at: new.recorded_at,
        recorded_by: new.recorded_by.clone(),
    }
}

fn unknown(what: &'static str, key: &str) -> Vec<Located> {
    let code = match what {
        "crew" => "unknown-crew",
        "house" => "unknown-house",
        "equipment" => "unknown-equipment",
        "region" => "unknown-region",
        "method" => "unknown-method",
        _ => "unknown-job",
    };
    let short: String = key.chars().take(64).collect();
    let fault = Fault::new(code, format!("there is no {what} {short:?}"), "correct its key, or add it first");
    vec![Located { pointer: format!("/{what}"), fault }]
}

fn new_key<'a>(what: &'static str, key: &str, mut known: impl Iterator<Item = &'a String>) -> Result<(), Vec<Located>> {
    if !known.any(|known| known == key) {
        return Ok(());
    }
    let fault = Fault::new("duplicate-key", format!("there is a {what} {key:?} already"), "give it a key of its own");
    Err(vec![Located { pointer: format!("/{what}/key"), fault }])
}

fn job_in(file: &PlanningFile, key: &str) -> Result<usize, Vec<Located>> {
    file.jobs.iter().position(|job| job.key == key).ok_or_else(|| unknown("job", key))
}

fn crew_in<'a>(file: &'a mut PlanningFile, key: Option<&str>) -> Result<&'a mut crate::dto::CrewDto, Vec<Located>> {
    let key = key.unwrap_or_default();
    file.crews.iter_mut().find(|crew| crew.key == key).ok_or_else(|| unknown("crew", key))
}

fn gear_in<'a>(file: &'a mut PlanningFile, key: &str) -> Result<&'a mut EquipmentDto, Vec<Located>> {
    file.equipment.iter_mut().find(|kind| kind.key == key).ok_or_else(|| unknown("equipment", key))
}

fn house_in<'a>(file: &'a mut PlanningFile, key: &str) -> Result<&'a mut crate::dto::HouseDto, Vec<Located>> {
    file.houses.iter_mut().find(|house| house.key == key).ok_or_else(|| unknown("house", key))
}

fn refusal(faults: Vec<Located>) -> ServiceError {
    ServiceError::Invalid(super::super::error::told(&faults))
}

/// Faults as they were located.
fn located(error: ServiceError) -> Vec<Located> {
    match error {
        ServiceError::Invalid(faults) => faults
            .into_iter()
            .map(|fault| Located { pointer: fault.pointer, fault: Fault::new("bad-event", fault.what, fault.cure) })
            .collect(),
        other => {
            let fault = Fault::new("bad-event", other.to_string(), "correct what happened");
            vec![Located { pointer: String::new(), fault }]
        }
    }
}
