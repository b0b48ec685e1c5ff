//! Air measured in houses: appended, never changed. What a reading does to a plan is for the trade.

use super::{Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// What to append.
#[derive(Debug, Clone)]
pub struct NewAirReading {
    /// Where.
    pub house_id: Uuid,
    /// When, on a whole minute.
    pub taken_at: DateTime<Utc>,
    /// Hundredths of a degree Celsius, -6000 to 6000.
    pub temp_centi_c: i32,
    /// Hundredths of a percent of relative humidity, 0 to 10000.
    pub rh_centi_percent: i32,
    /// For people.
    pub note: Option<String>,
    /// When it was reported.
    pub recorded_at: DateTime<Utc>,
    /// Who reported it, for people.
    pub recorded_by: String,
}

/// What was appended.
#[derive(Debug, Clone, PartialEq, Eq, FromRow)]
pub struct AirReadingRow {
    /// Rising with time.
    pub id: Uuid,
    /// Where.
    pub house_id: Uuid,
    /// When.
    pub taken_at: DateTime<Utc>,
    /// Hundredths of a degree Celsius.
    pub temp_centi_c: i32,
    /// Hundredths of a percent of relative humidity.
    pub rh_centi_percent: i32,
    /// For people.
    pub note: Option<String>,
    /// When it was reported.
    pub recorded_at: DateTime<Utc>,
    /// Who reported it.
    pub recorded_by: String,
}

/// How often a house was told of, and when last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, FromRow)]
pub struct AirTold {
    /// Readings ever.
    pub count: i64,
    /// When the last one was reported.
    pub last_at: Option<DateTime<Utc>>,
}

impl Session {
    /// Appends one reading.
    ///
    /// # Errors
    /// `UnknownReference` when there is no such house.
    pub async fn append_air_reading(&mut self, new: &NewAirReading) -> Result<AirReadingRow, StoreError> {
        Ok(sqlx::query_as(
            "INSERT INTO house_air_reading (company_id, id, house_id, taken_at, temp_centi_c, rh_centi_percent, note,
                                            recorded_at, recorded_by)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
             RETURNING id, house_id, taken_at, temp_centi_c, rh_centi_percent, note, recorded_at, recorded_by",
        )
        .bind(self.company.0)
        .bind(super::new_id())
        .bind(new.house_id)
        .bind(new.taken_at)
        .bind(new.temp_centi_c)
        .bind(new.rh_centi_percent)
        .bind(&new.note)
        .bind(new.recorded_at)
        .bind(&new.recorded_by)
        .fetch_one(self.db())
        .await?)
    }

    /// Up to `limit` readings of one house, the one reported last first, reported before the one with the identifier
    /// `before`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn air_readings(
        &mut self,
        house: Uuid,
        before: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<AirReadingRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, house_id, taken_at, temp_centi_c, rh_centi_percent, note, recorded_at, recorded_by
             FROM house_air_reading WHERE company_id = $1 AND house_id = $2 AND id < $3 ORDER BY id DESC LIMIT $4",
        )
        .bind(self.company.0)
        .bind(house)
        .bind(before.unwrap_or(Uuid::max()))
        .bind(i64::from(limit))
        .fetch_all(self.db())
        .await?)
    }

    /// Of every house, or of one, the newest `each_max` readings taken in `from..=until`, one a minute, by house and
    /// oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn air_readings_between(
        &mut self,
        house: Option<Uuid>,
        from: DateTime<Utc>,
        until: DateTime<Utc>,
        each_max: i64,
    ) -> Result<Vec<AirReadingRow>, StoreError> {
        Ok(sqlx::query_as(
            "SELECT id, house_id, taken_at, temp_centi_c, rh_centi_percent, note, recorded_at, recorded_by FROM (
                 SELECT *, row_number() OVER (PARTITION BY house_id ORDER BY taken_at DESC) AS place FROM (
                     SELECT DISTINCT ON (house_id, taken_at) * FROM house_air_reading
                     WHERE company_id = $1 AND taken_at BETWEEN $2 AND $3 AND ($5 IS NULL OR house_id = $5)
                     ORDER BY house_id, taken_at, id DESC
                 ) AS one_a_minute
             ) AS placed
             WHERE place <= $4 ORDER BY house_id, taken_at",
        )
        .bind(self.company.0)
        .bind(from)
        .bind(until)
        .bind(each_max)
        .bind(house)
        .fetch_all(self.db())
        .await?)
    }

    /// How often the air of a house was told.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn air_told(&mut self, house: Uuid) -> Result<AirTold, StoreError> {
        Ok(sqlx::query_as(
            "SELECT count(*) AS count, max(recorded_at) AS last_at FROM house_air_reading
             WHERE company_id = $1 AND house_id = $2",
        )
        .bind(self.company.0)
        .bind(house)
        .fetch_one(self.db())
        .await?)
    }
}
