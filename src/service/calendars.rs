//! What is promised, and what has been called off, as a calendar for other programs to read. The same promises give the
//! same bytes, for as long as the day lasts: which days a calendar reaches is all that it has from the clock. What entries
//! say is in `calendar_events` and `calendar_waits`; what has been written once is kept in `calendar_cache`.

use super::calendar_events::{care_events, color_of, event, keep_off, uid};
use super::calendar_waits::wait_events;
use super::directory::Directory;
use super::{RenderedCalendar, Service, ServiceError, wire};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{CrewDto, HouseDto};
use crate::feed::{Calendar, Event, render};
use crate::store::{BookedBy, BookingRow, CompanyRow, FeedKind, FoundFeed, Noun, Session};
use chrono::{DateTime, Duration, Utc};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use uuid::Uuid;

/// What has been stays in sight for so long: as long as publications remember what they called off.
pub(super) const PAST_DAYS: i64 = crate::store::CALLED_OFF_KEPT_DAYS as i64;
/// Plans reach no further.
pub(super) const AHEAD_DAYS: i64 = 400;
/// How often readers are asked to look again.
const REFRESH_MINUTES: u32 = 30;

/// Whose calendar, and what it is called.
struct Subject {
    by: BookedBy,
    zone: Zone,
    name: String,
    description: &'static str,
    changed_at: DateTime<Utc>,
}

/// The day on which a calendar is looked at.
struct Day {
    opens: DateTime<Utc>,
    closes: DateTime<Utc>,
}

impl Service {
    /// The calendar behind an address, with the waits between the steps when they are asked for. It is taken from the
    /// cache if nothing has changed since it was written.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn calendar(&self, feed: &FoundFeed, waits: bool) -> Result<Arc<RenderedCalendar>, ServiceError> {
        let now = self.now();
        if let Some(known) = self.calendars.get((feed.id, waits), feed.revision, now) {
            return Ok(known);
        }
        let mut session = self.store.snapshot(feed.company).await?;
        // As this snapshot sees it: what is written next belongs to it, whatever has been committed since.
        let (revision, changed_at) = session.feed_revision().await?;
        let company = session.company_row().await?;
        let office = super::companies::office_zone(&company)?;
        let subject = subject(&mut session, feed.kind, office, &company).await?;
        let day = Day::of(subject.zone, now);
        let calendar = self.write_calendar(&mut session, feed, (&company, &subject, &day), waits).await?;
        drop(session);
        let text = render(&calendar);
        let written = RenderedCalendar::new(text, (revision, changed_at), (day.opens, day.closes));
        Ok(self.calendars.put(feed.company, (feed.id, waits), written))
    }

    async fn write_calendar(
        &self,
        session: &mut Session,
        feed: &FoundFeed,
        (company, subject, day): (&CompanyRow, &Subject, &Day),
        waits: bool,
    ) -> Result<Calendar, ServiceError> {
        let (from, until) = (day.opens - Duration::days(PAST_DAYS), day.opens + Duration::days(AHEAD_DAYS));
        let rows = current(session.bookings(subject.by, from, until).await?);
        let jobs: BTreeSet<Uuid> = rows.iter().map(|row| row.job_id).collect();
        let crews = rows.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(session, jobs.clone(), crews).await?;
        let pieces = pieces(&rows);
        let mut events: Vec<Event> = rows.iter().filter_map(|row| event(&directory, feed, row, &pieces)).collect();
        match feed.kind {
            FeedKind::Customer(house) => {
                // All that is known this day: at any minute of it the same.
                let known = (house, Minute::ceil_from(day.closes));
                let keep_offs = self.keep_offs(session, company, known, &rows).await?;
                let cares = self.cares(session, company, known, (&rows, &keep_offs), &directory).await?;
                events.extend(keep_offs.iter().filter_map(|time| keep_off(&directory, time)));
                events.extend(cares.iter().flat_map(|care| care_events(&directory, care)));
            }
            FeedKind::Crew(_) if waits => {
                // What dries after them, whoever comes next, and before them, whoever has been there.
                let mut all = session.bookings(BookedBy::Company, from, until).await?;
                all.retain(|row| jobs.contains(&row.job_id));
                events.extend(wait_events(session, &directory, feed.kind, &all).await?);
            }
            FeedKind::House(_) | FeedKind::Office if waits => {
                events.extend(wait_events(session, &directory, feed.kind, &rows).await?);
            }
            FeedKind::Crew(_) | FeedKind::House(_) | FeedKind::Office => {}
        }
        let changed = events.iter().map(|event| event.last_modified).max();
        Ok(Calendar {
            name: subject.name.clone(),
            description: Some(subject.description.to_owned()),
            color: Some(color_of(feed.kind)),
            zone: subject.zone,
            uid: uid(feed.id, "", 0),
            last_modified: changed.map_or(subject.changed_at, |at| at.max(subject.changed_at)),
            refresh_minutes: REFRESH_MINUTES,
            // Where it is would be its key as well: a copy of the file would open the door.
            url: None,
            events,
        })
    }
}

impl Day {
    fn of(zone: Zone, now: DateTime<Utc>) -> Day {
        let opens = zone.day_start(zone.date(Minute::floor_from(now)));
        Day { opens: opens.to_utc(), closes: zone.next_day_start(opens).to_utc() }
    }
}

async fn subject(
    session: &mut Session,
    kind: FeedKind,
    office: Zone,
    company: &CompanyRow,
) -> Result<Subject, ServiceError> {
    Ok(match kind {
        FeedKind::Office => Subject {
            by: BookedBy::Company,
            zone: office,
            name: company.name.clone(),
            description: "Work of all crews in all houses, as it is promised.",
            changed_at: company.created_at,
        },
        FeedKind::Crew(id) => {
            let row = session.noun(Noun::Crew, id).await?;
            let crew: CrewDto = row.doc.parse()?;
            Subject {
                by: BookedBy::Crew(id),
                zone: wire::zone_or(crew.time_zone.as_deref(), office),
                name: crew.name,
                description: "Work of this crew, as it is promised.",
                changed_at: row.updated_at,
            }
        }
        FeedKind::House(id) | FeedKind::Customer(id) => {
            let row = session.noun(Noun::House, id).await?;
            let house: HouseDto = row.doc.parse()?;
            let customer = matches!(kind, FeedKind::Customer(_));
            Subject {
                by: BookedBy::House(id),
                zone: wire::zone_or(house.time_zone.as_deref(), office),
                name: format!("Floors: {}", house.name),
                description: if customer {
                    "Work on your floors, when to keep off them, and what is allowed again when."
                } else {
                    "Work of all crews in this house, as it is promised."
                },
                changed_at: row.updated_at,
            }
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
