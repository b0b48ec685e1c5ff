//! What is promised, and what has been called off, as a calendar for other programs to read. The same promises give the
//! same bytes.

use super::care::JobCare;
use super::directory::{Directory, Known};
use super::keep_off::KeepOff;
use super::{Service, ServiceError, wire};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{CrewDto, CustomerDatesDto, HouseDto, StepKindDto};
use crate::feed::{Calendar, Event, EventStatus, render};
use crate::store::{BookedBy, BookingRow, FeedKind, FoundFeed, Noun, Session};
use chrono::{DateTime, Duration, Utc};
use std::collections::BTreeMap;
use uuid::Uuid;

/// What has been stays in sight for so long.
pub(super) const PAST_DAYS: i64 = 60;
/// Plans reach no further.
pub(super) const AHEAD_DAYS: i64 = 400;
/// How often readers are asked to look again.
const REFRESH_MINUTES: u32 = 30;

/// A calendar, ready to send.
#[derive(Debug, Clone)]
pub struct CalendarText {
    /// As in RFC 5545.
    pub text: String,
    /// When anything promised in it last changed.
    pub last_modified: DateTime<Utc>,
}

/// Whose calendar, and what it is called.
struct Subject {
    by: BookedBy,
    zone: Zone,
    name: String,
}

impl Service {
    /// The calendar behind an address.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn calendar(&self, feed: &FoundFeed) -> Result<CalendarText, ServiceError> {
        let mut session = self.store.snapshot(feed.company).await?;
        let company = session.company_row().await?;
        let office = super::companies::office_zone(&company)?;
        let subject = subject(&mut session, feed.kind, office, &company.name).await?;
        let today = subject.zone.date(Minute::floor_from(self.now()));
        let midnight = subject.zone.day_start(today).to_utc();
        let (from, until) = (midnight - Duration::days(PAST_DAYS), midnight + Duration::days(AHEAD_DAYS));
        let rows = current(session.bookings(subject.by, from, until).await?);
        let jobs = rows.iter().map(|row| row.job_id).collect();
        let crews = rows.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(&mut session, jobs, crews).await?;
        let keep_offs = match feed.kind {
            FeedKind::Customer(house) => self.keep_offs(&mut session, &company, house, &rows).await?,
            FeedKind::Crew(_) | FeedKind::House(_) | FeedKind::Office => Vec::new(),
        };
        let cares = match feed.kind {
            FeedKind::Customer(house) => {
                self.cares(&mut session, &company, house, (&rows, &keep_offs), &directory).await?
            }
            FeedKind::Crew(_) | FeedKind::House(_) | FeedKind::Office => Vec::new(),
        };
        drop(session);
        let told = keep_offs.iter().map(|time| time.told_at).chain(cares.iter().map(|care| care.told_at));
        let last_modified = rows.iter().map(|row| row.last_modified).chain(told).max().unwrap_or(company.created_at);
        let pieces = pieces(&rows);
        let event = |row: &BookingRow| event(&directory, feed, row, &pieces);
        let calendar = Calendar {
            name: subject.name,
            description: None,
            zone: subject.zone,
            uid: uid(feed.id, "", 0),
            last_modified: Minute::floor_from(last_modified),
            refresh_minutes: REFRESH_MINUTES,
            url: None,
            events: rows
                .iter()
                .filter_map(event)
                .chain(keep_offs.iter().filter_map(|time| keep_off(&directory, time)))
                .chain(cares.iter().flat_map(|care| care_events(&directory, care)))
                .collect(),
        };
        Ok(CalendarText { text: render(&calendar), last_modified })
    }
}

async fn subject(session: &mut Session, kind: FeedKind, office: Zone, company: &str) -> Result<Subject, ServiceError> {
    Ok(match kind {
        FeedKind::Office => Subject { by: BookedBy::Company, zone: office, name: company.to_owned() },
        FeedKind::Crew(id) => {
            let crew: CrewDto = session.noun(Noun::Crew, id).await?.doc.parse()?;
            let zone = wire::zone_or(crew.time_zone.as_deref(), office);
            Subject { by: BookedBy::Crew(id), zone, name: crew.name }
        }
        FeedKind::House(id) | FeedKind::Customer(id) => {
            let house: HouseDto = session.noun(Noun::House, id).await?.doc.parse()?;
            let zone = wire::zone_or(house.time_zone.as_deref(), office);
            Subject { by: BookedBy::House(id), zone, name: format!("Floors: {}", house.name) }
        }
    })
}

/// One row for each job, step and piece. When work has gone from one crew to another, what the first was told is older
/// than what the second is promised.
pub(super) fn current(rows: Vec<BookingRow>) -> Vec<BookingRow> {
    let mut latest: BTreeMap<(Uuid, String, i32), BookingRow> = BTreeMap::new();
    for row in rows {
        let key = (row.job_id, row.step_key.clone(), row.piece_no);
        match latest.get(&key) {
            Some(known) if (known.left_at.is_none(), known.sequence) >= (row.left_at.is_none(), row.sequence) => {}
            _ => {
                latest.insert(key, row);
            }
        }
    }
    let mut rows: Vec<BookingRow> = latest.into_values().collect();
    rows.sort_by(|a, b| {
        (a.start, a.job_id, &a.step_key, a.piece_no).cmp(&(b.start, b.job_id, &b.step_key, b.piece_no))
    });
    rows
}

/// How many pieces each promised step has.
pub(super) fn pieces(rows: &[BookingRow]) -> BTreeMap<(Uuid, &str), usize> {
    let mut count = BTreeMap::new();
    for row in rows.iter().filter(|row| row.left_at.is_none()) {
        *count.entry((row.job_id, row.step_key.as_str())).or_default() += 1;
    }
    count
}

/// Stable for as long as the job has the step, the same in every calendar.
fn uid(id: Uuid, step: &str, piece: i32) -> String {
    format!("{}@tackfree", Uuid::new_v5(&id, format!("{step}/{piece}").as_bytes()))
}

fn event(
    directory: &Directory,
    feed: &FoundFeed,
    row: &BookingRow,
    pieces: &BTreeMap<(Uuid, &str), usize>,
) -> Option<Event> {
    let known = directory.step(row.job_id, &row.step_key)?;
    let crew = directory.crew(row.crew_id)?;
    let of = pieces.get(&(row.job_id, row.step_key.as_str())).copied().unwrap_or(1);
    let part = if of > 1 { format!(" ({} of {of})", row.piece_no + 1) } else { String::new() };
    let changed = Minute::floor_from(row.last_modified);
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
        status: if row.cancelled { EventStatus::Cancelled } else { EventStatus::Confirmed },
        transparent: row.cancelled,
    })
}

/// For the customer: stay off until then. Its UID is that of a piece that no step has.
fn keep_off(directory: &Directory, time: &KeepOff) -> Option<Event> {
    let row = &time.after;
    let known = directory.step(row.job_id, &row.step_key)?;
    let changed = Minute::floor_from(row.last_modified.max(time.told_at));
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
        status: if row.cancelled { EventStatus::Cancelled } else { EventStatus::Tentative },
        transparent: true,
    })
}

/// For the customer: what is allowed again after the last coat. Their UIDs are those of pieces of no step, so they stay
/// the same when another coat becomes the last.
fn care_events(directory: &Directory, care: &JobCare) -> Vec<Event> {
    let row = &care.after;
    let Some(known) = directory.step(row.job_id, &row.step_key) else { return Vec::new() };
    let changed = Minute::floor_from(care.told_at);
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
