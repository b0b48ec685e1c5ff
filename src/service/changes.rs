//! Who changed what, as it is shown to the office. The lines are the database's own; nothing here writes one.

use super::{Service, ServiceError};
use crate::domain::zone::Zone;
use crate::store::{ChangeFilter, ChangePlace, ChangeRow, CompanyId, Session, StoreError};
use chrono::{DateTime, Utc};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The database keeps lines for so long, whatever anybody says.
pub const CHANGES_KEPT_DAYS_MIN: u32 = 30;

macro_rules! words {
    ($(#[$about:meta])* $name:ident { $($(#[$of:meta])* $variant:ident = $word:literal,)* }) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum $name { $($(#[$of])* $variant,)* }

        impl $name {
            /// All of them.
            pub const ALL: &[$name] = &[$($name::$variant,)*];

            /// As it is written everywhere.
            pub const fn word(self) -> &'static str {
                match self { $($name::$variant => $word,)* }
            }
        }
    };
}

words! {
    /// What something was done to.
    ChangeKindDto {
        /// Name or settings of the company.
        Company = "company",
        /// A house.
        House = "house",
        /// A crew.
        Crew = "crew",
        /// A kind of machine.
        Equipment = "equipment",
        /// A method of the company's own.
        Method = "method",
        /// A region, or its forecast.
        Region = "region",
        /// A job, its chain or its pins.
        Job = "job",
        /// A report of work.
        Record = "record",
        /// A reading of a house's air.
        AirReading = "air_reading",
        /// An event.
        Event = "event",
        /// A plan.
        Plan = "plan",
        /// A token.
        Token = "token",
        /// A calendar address.
        Feed = "feed",
        /// A webhook.
        Webhook = "webhook",
        /// A notice on its way to a webhook that was sent again.
        Delivery = "delivery",
        /// Somebody who may sign in.
        Person = "person",
        /// A link for a crew's phone.
        CrewLink = "crew_link",
        /// A browser that was signed in or out.
        BrowserSession = "browser_session",
    }
}

words! {
    /// Who does something.
    WhoDto {
        /// A program, by a token.
        Token = "token",
        /// Somebody who is signed in.
        Person = "person",
        /// A crew's phone.
        CrewLink = "crew_link",
        /// Whoever has the operator's token.
        Operator = "operator",
        /// Whoever gave a command where the server runs.
        Command = "command",
        /// The server by itself: repairs, forecasts.
        Server = "server",
        /// Whoever wrote into the database without this program.
        Database = "database",
    }
}

/// Who did it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WhoView {
    /// What kind of somebody.
    pub kind: WhoDto,
    /// Which token, person or link.
    pub id: Option<Uuid>,
    /// Its name.
    pub name: Option<String>,
    /// With which rights: `office`, `crew` or `viewer`.
    pub role: Option<String>,
}

/// What it was done to.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ChangedThing {
    /// What it is.
    pub kind: ChangeKindDto,
    /// As addresses of the API call it: its key, or its identifier.
    pub key: String,
    /// Never changes.
    pub id: Uuid,
    /// For people: the name of a token, person or link, or the number of a plan.
    pub name: Option<String>,
}

/// One change of one thing. What one request changed has one `request_id`.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ChangeView {
    /// Of the line.
    pub id: Uuid,
    /// When.
    pub at: DateTime<Utc>,
    /// Who did it.
    pub who: WhoView,
    /// What was asked for: an operation of this document (`change houses`), or where a page's form was sent
    /// (`POST /people`), or a command, or the server's own work (`repairs`).
    pub operation: String,
    /// What it was done to.
    pub thing: ChangedThing,
    /// `created`, `changed` or `removed`; of a plan also what it is now: `published`, `superseded` or `rejected`.
    #[schema(example = "changed")]
    pub change: String,
    /// The thing's version before, where it has versions.
    pub version_before: Option<i64>,
    /// And afterwards.
    pub version_after: Option<i64>,
    /// The `X-Request-Id` of the reply, which the log has as well.
    pub request_id: Option<Uuid>,
}

/// A word that the database has written.
fn read<T: DeserializeOwned>(word: &str) -> Result<T, ServiceError> {
    Ok(serde_json::from_value(word.into()).map_err(StoreError::BadDocument)?)
}

impl ChangeView {
    fn of(row: ChangeRow) -> Result<ChangeView, ServiceError> {
        Ok(ChangeView {
            id: row.id,
            at: row.at,
            who: WhoView { kind: read(&row.who)?, id: row.who_id, name: row.who_name, role: row.role },
            operation: row.operation,
            thing: ChangedThing { kind: read(&row.kind)?, key: row.thing, id: row.thing_id, name: row.thing_name },
            change: row.change,
            version_before: row.version_before,
            version_after: row.version_after,
            request_id: row.request_id,
        })
    }

    /// Where the next page begins when this is the last line of one.
    pub fn place(&self) -> ChangePlace {
        ChangePlace { at: self.at, id: self.id }
    }
}

/// Which changes.
#[derive(Debug, Clone, Default)]
pub struct ChangesAsked {
    /// Only of things of this kind.
    pub kind: Option<ChangeKindDto>,
    /// Only of the thing with this key or identifier.
    pub key: Option<String>,
    /// Only by this token, person or link.
    pub who: Option<Uuid>,
}

/// A page of lines, to look at.
#[derive(Debug, Clone)]
pub struct ChangesPage {
    /// The office's zone.
    pub zone: Zone,
    /// Newest first.
    pub changes: Vec<ChangeView>,
    /// Whether there are older ones.
    pub more: bool,
}

impl Service {
    /// A page of up to `limit` changes, newest first, after `after`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn changes_page(
        &self,
        company: CompanyId,
        asked: &ChangesAsked,
        after: Option<ChangePlace>,
        limit: u32,
    ) -> Result<ChangesPage, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let zone = super::companies::office_zone(&session.company_row().await?)?;
        let mut changes = self.changes(&mut session, asked, after, limit + 1).await?;
        let more = changes.len() > limit as usize;
        changes.truncate(limit as usize);
        Ok(ChangesPage { zone, changes, more })
    }

    /// Up to `limit` changes, newest first, after `after`.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn changes(
        &self,
        session: &mut Session,
        asked: &ChangesAsked,
        after: Option<ChangePlace>,
        limit: u32,
    ) -> Result<Vec<ChangeView>, ServiceError> {
        let kind = asked.kind.map(|kind| kind.word().to_owned());
        let filter = ChangeFilter { kind, thing: asked.key.clone(), who_id: asked.who };
        session.changes(&filter, after, limit).await?.into_iter().map(ChangeView::of).collect()
    }
}
