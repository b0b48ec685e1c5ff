//! What the entries of a calendar say: a piece of work; for the customer, when to keep off the floor and what is allowed
//! again when. An entry was last changed when its promise was, or any document that it is named from.

use super::care::JobCare;
use super::directory::{Directory, Known};
use super::keep_off::KeepOff;
use crate::domain::time::Minute;
use crate::dto::{CrewDto, CustomerDatesDto, StepKindDto};
use crate::feed::{Event, EventStatus};
use crate::store::{BookingRow, FeedKind, FoundFeed};
use std::collections::BTreeMap;
use uuid::Uuid;

/// For calendars that lie side by side: names of CSS colours that are told apart with all kinds of colour vision, being
/// the nearest to those of Okabe and Ito's set.
const CREW_COLORS: [&str; 6] = ["orange", "skyblue", "mediumseagreen", "steelblue", "chocolate", "palevioletred"];

/// What a program may paint the calendar with: a crew keeps its own.
pub(super) fn color_of(kind: FeedKind) -> &'static str {
    match kind {
        FeedKind::Crew(id) => CREW_COLORS[(id.as_u128() % CREW_COLORS.len() as u128) as usize],
        FeedKind::House(_) | FeedKind::Customer(_) => "teal",
        FeedKind::Office => "dimgray",
    }
}

/// Stable for as long as the job has the step, the same in every calendar.
pub(super) fn uid(id: Uuid, step: &str, piece: i32) -> String {
    format!("{}@tackfree", Uuid::new_v5(&id, format!("{step}/{piece}").as_bytes()))
}

pub(super) fn event(
    directory: &Directory,
    feed: &FoundFeed,
    row: &BookingRow,
    pieces: &BTreeMap<(Uuid, &str), usize>,
) -> Option<Event> {
    let known = directory.step(row.job_id, &row.step_key)?;
    let crew = directory.crew(row.crew_id)?;
    let of = pieces.get(&(row.job_id, row.step_key.as_str())).copied().unwrap_or(1);
    let part = if of > 1 { format!(" ({} of {of})", row.piece_no + 1) } else { String::new() };
    let of_crew = Some(row.crew_id).filter(|_| !matches!(feed.kind, FeedKind::Customer(_)));
    let changed = row.last_modified.max(directory.changed_at(known.job, of_crew));
    let location = known.house.address.clone().unwrap_or_else(|| known.house.name.clone());
    Some(Event {
        uid: uid(row.job_id, &row.step_key, row.piece_no),
        sequence: u32::try_from(row.sequence).unwrap_or(0),
        stamp: changed,
        last_modified: changed,
        start: Minute::floor_from(row.start),
        end: Minute::floor_from(row.end),
        summary: format!("{}{part}", summary(feed.kind, &known, crew)),
        description: description(feed.kind, &known, crew),
        location,
        geo: known.house.location.map(|at| (at.latitude_deg, at.longitude_deg)),
        categories: vec![kind_word(known.step.kind).to_owned()],
        color: Some(kind_color(known.step.kind)),
        status: if row.cancelled { EventStatus::Cancelled } else { EventStatus::Confirmed },
        transparent: row.cancelled,
    })
}

/// For the customer: stay off until then. Its UID is that of a piece that no step has.
pub(super) fn keep_off(directory: &Directory, time: &KeepOff) -> Option<Event> {
    let row = &time.after;
    let known = directory.step(row.job_id, &row.step_key)?;
    let changed = row.last_modified.max(time.told_at).max(directory.changed_at(known.job, None));
    let rooms = known.step.areas.as_ref().map_or_else(|| "all floors".to_owned(), |areas| areas.join(", "));
    Some(Event {
        uid: uid(row.job_id, &row.step_key, -1),
        sequence: u32::try_from(i64::from(row.sequence) + time.revision).unwrap_or(0),
        stamp: changed,
        last_modified: changed,
        start: time.from,
        end: time.until,
        summary: format!("Keep off: {rooms}"),
        description: format!("Drying after: {}. It takes longer when it is cold or humid.", known.step.name),
        location: known.house.address.clone().unwrap_or_else(|| known.house.name.clone()),
        geo: None,
        categories: vec!["Keep off".to_owned()],
        color: None,
        status: if row.cancelled { EventStatus::Cancelled } else { EventStatus::Tentative },
        transparent: true,
    })
}

/// For the customer: what is allowed again after the last coat. Their UIDs are those of pieces of no step, so they stay
/// the same when another coat becomes the last.
pub(super) fn care_events(directory: &Directory, care: &JobCare) -> Vec<Event> {
    let row = &care.after;
    let Some(known) = directory.step(row.job_id, &row.step_key) else { return Vec::new() };
    let changed = care.told_at;
    let (dates, zone) = (&care.dates, care.zone);
    let cured = |date| (zone.day_start(date), zone.next_day_start(zone.day_start(date)));
    let instant = |at: Minute| (at, at);
    let events = [
        (-2, instant(dates.socks_at), "The floor may be walked on in socks"),
        (-3, instant(dates.furniture.0), "Furniture may go back, at the earliest"),
        (-4, instant(dates.furniture.1), "Furniture may go back, to be careful"),
        (-5, cured(dates.full_cure.0), "Rugs, and full cure of the floor, at the earliest"),
        (-6, cured(dates.full_cure.1), "Rugs, and full cure of the floor, to be careful"),
    ];
    let told = CustomerDatesDto::of(dates, zone, care.is_done).words.join("\n");
    let event = |(number, (start, end), summary): (i32, (Minute, Minute), &str)| Event {
        uid: uid(row.job_id, "", number),
        sequence: u32::try_from(care.sequence).unwrap_or(0),
        stamp: changed,
        last_modified: changed,
        start,
        end,
        summary: summary.to_owned(),
        description: told.clone(),
        location: known.house.address.clone().unwrap_or_else(|| known.house.name.clone()),
        geo: None,
        categories: vec!["Care".to_owned()],
        color: None,
        status: if row.cancelled { EventStatus::Cancelled } else { EventStatus::Tentative },
        transparent: true,
    };
    events.into_iter().map(event).collect()
}

fn summary(kind: FeedKind, known: &Known, crew: &CrewDto) -> String {
    let (step, house) = (&known.step.name, &known.house.name);
    match kind {
        FeedKind::Crew(_) => format!("{house}: {step}"),
        FeedKind::House(_) => format!("{step} ({})", crew.name),
        FeedKind::Office => format!("{}: {house}, {step}", crew.name),
        FeedKind::Customer(_) => step.clone(),
    }
}

/// The customer hears nothing of crews, gear and notes.
fn description(kind: FeedKind, known: &Known, crew: &CrewDto) -> String {
    let mut lines = vec![known.job.name.clone()];
    if !matches!(kind, FeedKind::Customer(_)) {
        lines.push(crew.name.clone());
        let gear: Vec<String> = known.step.equipment.iter().map(|(key, units)| format!("{units} x {key}")).collect();
        if !gear.is_empty() {
            lines.push(format!("Bring {}", gear.join(", ")));
        }
        lines.extend(known.step.notes.clone());
        let cautions = known.step.cautions(known.film, known.house);
        if !cautions.is_empty() {
            let short: Vec<&str> = cautions.iter().map(|caution| caution.short()).collect();
            lines.push(format!("Beware: {}. Labels and safety data sheets come first.", short.join("; ")));
        }
    }
    lines.join("\n")
}

/// What a kind of work is called.
pub const fn kind_word(kind: StepKindDto) -> &'static str {
    match kind {
        StepKindDto::SetUp => "Set-up",
        StepKindDto::Sand => "Sanding",
        StepKindDto::Edge => "Edging",
        StepKindDto::Vacuum => "Vacuuming",
        StepKindDto::WaterPop => "Water-popping",
        StepKindDto::TreatA => "Treatment A",
        StepKindDto::TreatB => "Treatment B",
        StepKindDto::Check => "Readings",
        StepKindDto::Stain => "Staining",
        StepKindDto::Seal => "Sealing",
        StepKindDto::Abrade => "Abrading",
        StepKindDto::Coat => "Coating",
        StepKindDto::WalkThrough => "Walk-through",
        StepKindDto::Other => "Other work",
    }
}

/// As on the pages, by the nearest names.
const fn kind_color(kind: StepKindDto) -> &'static str {
    match kind {
        StepKindDto::Sand | StepKindDto::Edge | StepKindDto::Abrade => "orange",
        StepKindDto::WaterPop => "skyblue",
        StepKindDto::TreatA | StepKindDto::TreatB => "mediumseagreen",
        StepKindDto::Check => "khaki",
        StepKindDto::Stain => "chocolate",
        StepKindDto::Seal => "palevioletred",
        StepKindDto::Coat => "steelblue",
        StepKindDto::SetUp | StepKindDto::Vacuum | StepKindDto::WalkThrough | StepKindDto::Other => "darkgray",
    }
}
