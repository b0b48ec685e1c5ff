//! The office's page of calendar addresses: whose there are, and of whom there could be one.

use super::{FeedBody, FeedView, Service, ServiceError};
use crate::domain::bounds::{CREWS_MAX, HOUSES_MAX};
use crate::domain::zone::Zone;
use crate::store::{CompanyId, FeedKind, FoundFeed, Noun, Secret, StoreError};
use uuid::Uuid;

/// All calendar addresses of a company.
#[derive(Debug, Clone)]
pub struct CalendarAddresses {
    /// The office's wall clock.
    pub zone: Zone,
    /// Those that are good, oldest first.
    pub feeds: Vec<FeedView>,
    /// Keys and names, by name.
    pub crews: Vec<(String, String)>,
    /// The same of houses.
    pub houses: Vec<(String, String)>,
}

impl Service {
    /// Who has a calendar, and who could.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn calendar_addresses(&self, company: CompanyId) -> Result<CalendarAddresses, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let zone = super::companies::office_zone(&session.company_row().await?)?;
        let mut feeds = self.feeds(&mut session).await?;
        feeds.retain(|feed| feed.revoked_at.is_none());
        let mut named = Vec::new();
        for (noun, most) in [(Noun::Crew, CREWS_MAX), (Noun::House, HOUSES_MAX)] {
            let rows = session.nouns(noun, None, most as u32).await?;
            let mut names: Vec<(String, String)> = rows.into_iter().map(|row| (row.key, row.name)).collect();
            names.sort_by(|a, b| (&a.1, &a.0).cmp(&(&b.1, &b.0)));
            named.push(names);
        }
        let (houses, crews) = (named.pop().unwrap_or_default(), named.pop().unwrap_or_default());
        Ok(CalendarAddresses { zone, feeds, crews, houses })
    }

    /// Makes an address at once; the secret is shown this once.
    ///
    /// # Errors
    /// `Invalid`.
    pub async fn make_calendar(&self, company: CompanyId, body: &FeedBody) -> Result<(FeedView, String), ServiceError> {
        let mut session = self.store.session(company).await?;
        let made = self.create_feed(&mut session, body, |secret: &Secret| secret.reveal().to_owned()).await?;
        session.commit().await?;
        let secret = made.address.clone().unwrap_or_default();
        Ok((made, secret))
    }

    /// Takes an address back, at once and everywhere.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn take_calendar_back(&self, company: CompanyId, id: Uuid) -> Result<(), ServiceError> {
        let mut session = self.store.session(company).await?;
        session.revoke_feed(id).await?;
        Ok(session.commit().await?)
    }

    /// The calendar of a crew for somebody who is signed in and needs no address for it, and the crew's name; left out:
    /// the first crew by name. `None` when there is no crew.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn crew_calendar(
        &self,
        company: CompanyId,
        crew: Option<&str>,
    ) -> Result<Option<(FoundFeed, String)>, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let row = match crew {
            Some(key) => Some(session.noun_by_key(Noun::Crew, key).await?),
            None => {
                let rows = session.nouns(Noun::Crew, None, CREWS_MAX as u32).await?;
                rows.into_iter().min_by(|a, b| (&a.name, &a.key).cmp(&(&b.name, &b.key)))
            }
        };
        let Some(row) = row else { return Ok(None) };
        let (revision, changed_at) = session.feed_revision().await?;
        let feed = FoundFeed { company, id: Uuid::nil(), kind: FeedKind::Crew(row.id), revision, changed_at };
        Ok(Some((feed, row.key)))
    }

    /// Key of a crew.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn crew_key(&self, company: CompanyId, id: Uuid) -> Result<String, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let rows = session.nouns_by_ids(Noun::Crew, &[id]).await?;
        let key = rows.into_iter().next().map(|row| row.key);
        Ok(key.ok_or(StoreError::NotFound { what: "crew" })?)
    }
}
