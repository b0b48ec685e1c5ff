//! The day that a crew's sheet of paper shows: a week that begins on it.

use super::feed_weeks::subject;
use super::{FeedWeek, Service, ServiceError};
use crate::domain::time::Minute;
use crate::store::FoundFeed;
use chrono::NaiveDate;

impl Service {
    /// As [`Service::feed_week`], beginning on the day itself, or else today.
    ///
    /// # Errors
    /// As there.
    pub async fn feed_day(&self, feed: &FoundFeed, date: Option<NaiveDate>) -> Result<FeedWeek, ServiceError> {
        let mut session = self.store.snapshot(feed.company).await?;
        let company = session.company_row().await?;
        let office = super::companies::office_zone(&company)?;
        let zone = subject(&mut session, feed.kind, office, &company.name).await?.zone;
        drop(session);
        self.feed_week(feed, Some(date.unwrap_or_else(|| zone.date(Minute::floor_from(self.now()))))).await
    }
}
