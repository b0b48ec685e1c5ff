//! What crews take along on a day, from what is promised.

use super::directory::Directory;
use super::{Service, ServiceError, WeekOf, snapshot};
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{GearDto, LoadListDto, LoadWork, load_list};
use crate::store::{BookingRow, Session};
use chrono::{Datelike, NaiveDate};

impl Service {
    /// The load list of a crew, of a house or of the whole office on `date`, or today. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`; `Invalid` when the day is in another age.
    pub async fn load_list(
        &self,
        session: &mut Session,
        of: WeekOf<'_>,
        date: Option<NaiveDate>,
    ) -> Result<LoadListDto, ServiceError> {
        let office = super::companies::office_zone(&session.company_row().await?)?;
        let (by, zone) = super::weeks::subject(session, of, office).await?;
        let date = date.unwrap_or_else(|| zone.date(Minute::floor_from(self.now())));
        if !(1970..2200).contains(&date.year()) {
            let fault = Fault::new("bad-date", format!("{date} is another age"), "check the year");
            return Err(ServiceError::fault("/date", fault));
        }
        let opens = zone.day_start(date);
        let rows = session.bookings(by, opens.to_utc(), zone.next_day_start(opens).to_utc()).await?;
        let promised: Vec<BookingRow> = rows.into_iter().filter(|row| row.left_at.is_none()).collect();
        let jobs = promised.iter().map(|row| row.job_id).collect();
        let crews = promised.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(session, jobs, crews).await?;
        list(&directory, &promised, date, zone)
    }
}

/// The list of one day from rows that hold it, and perhaps more.
pub(super) fn list(
    directory: &Directory,
    rows: &[BookingRow],
    date: NaiveDate,
    zone: Zone,
) -> Result<LoadListDto, ServiceError> {
    let gear: Vec<Vec<GearDto>> =
        rows.iter().map(|row| snapshot::gear(row.units.as_ref())).collect::<Result<_, _>>()?;
    let mut works = Vec::with_capacity(rows.len());
    for (row, gear) in rows.iter().zip(&gear) {
        let Some(known) = directory.step(row.job_id, &row.step_key) else { continue };
        let Some(crew) = directory.crew(row.crew_id) else { continue };
        works.push(LoadWork {
            crew: (&crew.key, &crew.name, crew.head_count),
            house: known.house,
            house_zone: known.zone,
            job: &known.job.key,
            step: known.step,
            film: known.film,
            start: Minute::floor_from(row.start),
            finish: Minute::floor_from(row.end),
            piece: row.piece_no + 1,
            gear,
        });
    }
    Ok(load_list(date, zone, &works))
}
