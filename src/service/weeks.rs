//! Promised work to look at: a crew's, a house's or everybody's, for some days on the wall clock of whoever asks.

use super::directory::Directory;
use super::{Service, ServiceError, plans, snapshot, wire};
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{CrewDto, GearDto, HouseDto, PlacedStateDto, StepKindDto};
use crate::store::{BookedBy, BookingRow, Noun, Session};
use chrono::{Datelike, Days, NaiveDate};
use serde::Serialize;
use utoipa::ToSchema;

/// Longest time looked at: two months.
pub const DAYS_MAX: u32 = 62;

/// Whose work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WeekOf<'a> {
    /// Everybody's.
    Office,
    /// A crew's, by key.
    Crew(&'a str),
    /// All in a house, by key.
    House(&'a str),
}

/// One piece of promised work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct WorkDto {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// Key of the step.
    pub step: String,
    /// For people.
    pub step_name: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// Street and town.
    pub address: Option<String>,
    /// Key of the crew.
    pub crew: String,
    /// For people.
    pub crew_name: String,
    /// First minute, local to the house.
    pub start: String,
    /// First minute after.
    pub finish: String,
    /// Which piece of the step, from 1; more than one only where the step may pause.
    pub piece: i32,
    /// Where it stood when it was published.
    pub state: PlacedStateDto,
    /// Gear to bring.
    pub gear: Vec<GearDto>,
    /// For the people who do it.
    pub notes: Option<String>,
}

/// The promised work of some days.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Week {
    /// First day.
    pub from: NaiveDate,
    /// First day after.
    pub until: NaiveDate,
    /// Whose days: of the crew, the house or the office.
    #[schema(example = "America/New_York")]
    pub time_zone: String,
    /// By start.
    pub works: Vec<WorkDto>,
}

impl Service {
    /// The promised work that touches `days` days from `from` on, or from this week's Monday. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`; `Invalid` when the time is too long.
    pub async fn week(
        &self,
        session: &mut Session,
        of: WeekOf<'_>,
        from: Option<NaiveDate>,
        days: u32,
    ) -> Result<Week, ServiceError> {
        if !(1..=DAYS_MAX).contains(&days) {
            let fault = Fault::new("out-of-range", format!("{days} days"), format!("ask for 1 to {DAYS_MAX} days"));
            return Err(ServiceError::fault("/days", fault));
        }
        let office = super::companies::office_zone(&session.company_row().await?)?;
        let (by, zone) = subject(session, of, office).await?;
        let today = zone.date(Minute::floor_from(self.now()));
        let monday = today.checked_sub_days(Days::new(u64::from(today.weekday().num_days_from_monday())));
        let from = from.or(monday).unwrap_or(today);
        let Some(until) =
            from.checked_add_days(Days::new(u64::from(days))).filter(|_| (1970..2200).contains(&from.year()))
        else {
            let fault = Fault::new("bad-date", format!("{from} is another age"), "check the year");
            return Err(ServiceError::fault("/from", fault));
        };
        let rows = session.bookings(by, zone.day_start(from).to_utc(), zone.day_start(until).to_utc()).await?;
        let promised: Vec<BookingRow> = rows.into_iter().filter(|row| row.left_at.is_none()).collect();
        let jobs = promised.iter().map(|row| row.job_id).collect();
        let crews = promised.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(session, jobs, crews).await?;
        let made_for = session.published_plan().await?.map_or(self.now(), |plan| plan.made_for);
        let mut works = Vec::with_capacity(promised.len());
        for row in &promised {
            works.extend(work(&directory, row, made_for)?);
        }
        Ok(Week { from, until, time_zone: zone.name().to_owned(), works })
    }
}

pub(super) async fn subject(
    session: &mut Session,
    of: WeekOf<'_>,
    office: Zone,
) -> Result<(BookedBy, Zone), ServiceError> {
    Ok(match of {
        WeekOf::Office => (BookedBy::Company, office),
        WeekOf::Crew(key) => {
            let row = session.noun_by_key(Noun::Crew, key).await?;
            let crew: CrewDto = row.doc.parse()?;
            (BookedBy::Crew(row.id), wire::zone_or(crew.time_zone.as_deref(), office))
        }
        WeekOf::House(key) => {
            let row = session.noun_by_key(Noun::House, key).await?;
            let house: HouseDto = row.doc.parse()?;
            (BookedBy::House(row.id), wire::zone_or(house.time_zone.as_deref(), office))
        }
    })
}

fn work(
    directory: &Directory,
    row: &BookingRow,
    made_for: chrono::DateTime<chrono::Utc>,
) -> Result<Option<WorkDto>, ServiceError> {
    let Some(known) = directory.step(row.job_id, &row.step_key) else { return Ok(None) };
    let Some(crew) = directory.crew(row.crew_id) else { return Ok(None) };
    Ok(Some(WorkDto {
        job: known.job.key.clone(),
        job_name: known.job.name.clone(),
        step: row.step_key.clone(),
        step_name: known.step.name.clone(),
        kind: known.step.kind,
        house: known.house.key.clone(),
        house_name: known.house.name.clone(),
        address: known.house.address.clone(),
        crew: crew.key.clone(),
        crew_name: crew.name.clone(),
        start: wire::local(known.zone, row.start),
        finish: wire::local(known.zone, row.end),
        piece: row.piece_no + 1,
        state: plans::state(row.fixed, row.end, made_for),
        gear: snapshot::gear(row.units.as_ref())?,
        notes: known.step.notes.clone(),
    }))
}
