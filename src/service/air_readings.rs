//! Air measured in houses, as crews and office report it: appended, and heeded by every plan made after.

use super::records::Reporter;
use super::{Service, ServiceError, wire};
use crate::domain::bounds::AIR_READINGS_MAX;
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{AirReadingDto, HouseDto, NOTE_CHARS_MAX};
use crate::store::{AirReadingRow, NewAirReading, Noun, Session};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;
use utoipa::ToSchema;
use uuid::Uuid;

/// How long back readings are heeded: as far as hours of an old forecast are kept. A floor that dries today may have
/// become wet a week ago, and its readings must not be forgotten while it dries.
const HEEDED_MINUTES: i64 = 30 * 1440;

/// A reading of the air in a house.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AirReadingBody {
    /// When, on a whole minute; left out: now. Another reading for the same minute takes the place of the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-03-09T07:40:00-04:00", format = DateTime)]
    pub at: Option<String>,
    /// Degrees Celsius, kept to the hundredth.
    #[schema(minimum = -60, maximum = 60, example = 17.5)]
    pub temp_c: f64,
    /// Relative humidity, kept to the hundredth.
    #[schema(minimum = 0, maximum = 100, example = 58.0)]
    pub rh_percent: f64,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 2000)]
    pub note: Option<String>,
}

/// A reading as it is shown.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AirReadingView {
    /// Never changes.
    pub id: Uuid,
    /// When.
    pub at: String,
    /// Degrees Celsius.
    pub temp_c: f64,
    /// Relative humidity.
    pub rh_percent: f64,
    /// For people.
    pub note: Option<String>,
    /// When it was reported.
    pub recorded_at: DateTime<Utc>,
    /// Who reported it.
    pub recorded_by: String,
}

impl Service {
    /// Appends a reading.
    ///
    /// # Errors
    /// `NotFound`, `Invalid`.
    pub async fn report_air(
        &self,
        session: &mut Session,
        house: &str,
        reporter: &Reporter,
        body: &AirReadingBody,
    ) -> Result<AirReadingView, ServiceError> {
        let row = session.noun_by_key(Noun::House, house).await?;
        let recorded_by = match reporter.crew_id {
            Some(crew) => format!("crew {}", session.noun(Noun::Crew, crew).await?.key),
            None => "office".to_owned(),
        };
        let now = Minute::floor_from(self.now());
        let at = body.at.clone().unwrap_or_else(|| wire::utc(now.to_utc()));
        let dto = AirReadingDto { at, temp_c: body.temp_c, rh_percent: body.rh_percent };
        let reading = dto.read(now).map_err(|faults| ServiceError::Invalid(super::error::told(&faults)))?;
        if body.note.as_ref().is_some_and(|note| note.chars().count() > NOTE_CHARS_MAX) {
            let what = format!("a note is longer than {NOTE_CHARS_MAX} characters");
            return Err(ServiceError::fault("/note", Fault::new("long-note", what, "shorten it")));
        }
        let new = NewAirReading {
            house_id: row.id,
            taken_at: reading.at.to_utc(),
            temp_centi_c: reading.air.temp_centi_c,
            rh_centi_percent: reading.air.rh_centi_percent,
            note: body.note.clone(),
            recorded_at: self.now(),
            recorded_by,
        };
        let zone = self.zone_of(session, &row.doc.parse()?).await?;
        session.lock_company().await?;
        let kept = session.append_air_reading(&new).await?;
        let shown = view(&kept, zone);
        let told = json!({
            "kind": "air_measured", "house": house, "temp_c": shown.temp_c, "rh_percent": shown.rh_percent
        });
        let by = (kept.taken_at, kept.recorded_by.as_str());
        self.note_air(session, house, by, (kept.note.clone(), told)).await?;
        Ok(shown)
    }

    /// A page of the readings of a house, the one reported last first.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn air_readings(
        &self,
        session: &mut Session,
        house: &str,
        before: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<AirReadingView>, ServiceError> {
        let row = session.noun_by_key(Noun::House, house).await?;
        let zone = self.zone_of(session, &row.doc.parse()?).await?;
        let rows = session.air_readings(row.id, before, limit).await?;
        Ok(rows.iter().map(|row| view(row, zone)).collect())
    }

    async fn zone_of(&self, session: &mut Session, house: &HouseDto) -> Result<Zone, ServiceError> {
        let company = session.company_row().await?;
        Ok(wire::zone_or(house.time_zone.as_deref(), super::companies::office_zone(&company)?))
    }
}

/// The readings that planning heeds, by house, as a planning file lists them.
pub(super) async fn heeded(
    session: &mut Session,
    house: Option<Uuid>,
    now: Minute,
) -> Result<BTreeMap<Uuid, Vec<AirReadingDto>>, ServiceError> {
    let from = now.plus(-HEEDED_MINUTES).to_utc();
    let rows = session.air_readings_between(house, from, now.to_utc(), AIR_READINGS_MAX as i64).await?;
    let mut readings: BTreeMap<Uuid, Vec<AirReadingDto>> = BTreeMap::new();
    for row in rows {
        let AirReadingView { at, temp_c, rh_percent, .. } = view(&row, Zone::UTC);
        readings.entry(row.house_id).or_default().push(AirReadingDto { at, temp_c, rh_percent });
    }
    Ok(readings)
}

fn view(row: &AirReadingRow, zone: Zone) -> AirReadingView {
    AirReadingView {
        id: row.id,
        at: wire::local(zone, row.taken_at),
        temp_c: f64::from(row.temp_centi_c) / 100.0,
        rh_percent: f64::from(row.rh_centi_percent) / 100.0,
        note: row.note.clone(),
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by.clone(),
    }
}
