//! Hearing of news at once: PostgreSQL's LISTEN on a connection of its own. What is heard is only that a company has
//! news, never what: a knock that is lost costs time, nothing else.

use super::notices::CHANNEL;
use super::{CompanyId, Store, StoreError};
use sqlx::postgres::{PgListener, PgPoolOptions};
use uuid::Uuid;

/// One listening connection.
pub struct Knocks(PgListener);

/// What was heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Knock {
    /// This company has news.
    Company(CompanyId),
    /// The connection was lost and is there again: anybody may have news.
    Anybody,
}

impl Store {
    /// Begins to listen, on a connection besides those of the pool.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn listen(&self) -> Result<Knocks, StoreError> {
        let options = self.pool().connect_options().as_ref().clone();
        let own = PgPoolOptions::new().max_connections(1).max_lifetime(None).idle_timeout(None);
        let mut listener = PgListener::connect_with(&own.connect_with(options).await?).await?;
        listener.listen(CHANNEL).await?;
        Ok(Knocks(listener))
    }
}

impl Knocks {
    /// Waits for the next one. May be given up while waiting.
    ///
    /// # Errors
    /// `Unavailable`: listen anew.
    pub async fn next(&mut self) -> Result<Knock, StoreError> {
        let heard = self.0.try_recv().await?;
        let company = heard.and_then(|knock| Uuid::try_parse(knock.payload()).ok());
        Ok(company.map_or(Knock::Anybody, |company| Knock::Company(CompanyId(company))))
    }
}
