//! All SQL, and the only door to PostgreSQL. Nothing is asked of the database except through a [`Session`], which
//! begins with its company, or by the questions that come before the company is known (whose token, whose calendar
//! address, who signs in, whose browser, which crew's link), the two that go across companies (what is due, what is old), [`Store::listen`] and
//! [`Store::ping`]. What documents contain is no business of this module: they go in and out as [`Document`].
//!
//! | file | what |
//! |---|---|
//! | `pool` | the pool, and sessions |
//! | `migrate` | the schema, the login role, what it may do |
//! | `error` | every refusal: code, cause and cure; SQLSTATE and constraint names to errors |
//! | `document` | JSON that is stored as it comes |
//! | `companies` | companies and their settings |
//! | `nouns` | houses, crews, equipment, methods, regions |
//! | `jobs`, `chains` | jobs; their steps and waits |
//! | `records`, `experience` | what happened on the floor; counts over it |
//! | `events` | what happened, as it was told |
//! | `air_readings` | air measured in houses |
//! | `board` | whether anything that the office's board shows has changed |
//! | `plans` | plans and their rows |
//! | `differences` | what one plan has elsewhere than another |
//! | `copy` | rows as binary COPY |
//! | `publish`, `bookings` | making a plan the promise; what is promised and what calendars say |
//! | `planning`, `shelf` | the whole planning input at once; what of it was read before |
//! | `repairs` | what has changed since the promise was last looked at, and whose turn it is |
//! | `fetches` | what the weather service said last |
//! | `tokens`, `feeds`, `secret` | who may come in |
//! | `act`, `changes` | on whose behalf something is done; who changed what |
//! | `people`, `crew_links`, `browser_sessions` | who may sign in, and where they are signed in |
//! | `idempotency` | the same request twice |
//! | `notices`, `listen` | what has to be told, and hearing of it at once |
//! | `webhooks`, `deliveries` | where it is sent to, and what of it has arrived |
//! | `prune` | throwing away what is old |
//! | `backlog` | how much waits, and how many connections there are |
//! | `backup` | everything into a file, and back |
//! | `cluster` | the private PostgreSQL that the program runs when no other is named |

mod act;
mod air_readings;
mod backlog;
pub mod backup;
mod board;
mod bookings;
mod browser_sessions;
mod chains;
mod changes;
pub mod cluster;
mod companies;
mod copy;
mod crew_links;
mod deliveries;
mod differences;
mod document;
mod error;
mod events;
mod experience;
mod feeds;
mod fetches;
mod idempotency;
mod jobs;
mod listen;
mod migrate;
mod notices;
mod nouns;
mod people;
mod planning;
mod plans;
mod pool;
mod prune;
mod publish;
mod records;
mod repairs;
mod secret;
mod shelf;
mod tokens;
mod webhooks;

pub use act::{Act, Doer};
pub use air_readings::{AirReadingRow, AirTold, NewAirReading};
pub use backlog::{BacklogRow, PoolState};
pub use bookings::{BookedBy, BookingRow};
pub use browser_sessions::{BrowserSessionRow, FoundBrowser, Holder, NewBrowserSession};
pub use chains::{ChainRows, NewStep, NewWait, StepRow, WaitRow};
pub use changes::{ChangeFilter, ChangePlace, ChangeRow};
pub use companies::{CompanyRow, list_companies};
pub use copy::PlanRow;
pub use crew_links::{CrewLinkRow, FoundCrewLink};
pub use deliveries::{DeliveryRow, DeliveryStatus, Lease, Settled, ToSend};
pub use differences::{JobEnds, OtherPiece};
pub use document::Document;
pub use error::{BookedWork, StoreError};
pub use events::{EventBase, EventFilter, EventRow, EventStanding, NewEvent};
pub use experience::{CheckTries, WorkTimes};
pub use feeds::{FeedKind, FeedRow, FoundFeed};
pub use fetches::RegionFetch;
pub use idempotency::{Begun, REQUESTS_KEPT_HOURS, StoredResponse, Ticket};
pub use jobs::{JobFilter, JobRow, JobStatus, NewJob};
pub use listen::{Knock, Knocks};
pub use migrate::{AppLogin, DEFAULT_APP_ROLE, migrate};
pub use notices::{NOTICES_KEPT_DAYS, NewNotice, NoticeKind, NoticeRow, NoticesFor};
pub use nouns::{NewNoun, Noun, NounRow, Reference};
pub use people::{FoundPerson, NewPerson, PersonRow};
pub use planning::{PlannedJob, PlanningRows};
pub use plans::{NewPlan, PlanHead, PlanStatus};
pub use pool::{CompanyId, POOL_SIZE_DEFAULT, Session, Store};
pub use publish::{CALLED_OFF_KEPT_DAYS, Published};
pub use records::{NewRecord, RecordOutcome, RecordRow};
pub use repairs::{RepairChange, RepairOutcome, RepairRow, RepairState, RepairTurn};
pub use secret::Secret;
pub use tokens::{FoundToken, NewToken, TokenRole, TokenRow};
pub use webhooks::{NewWebhook, WebhookRow};

use uuid::Uuid;

/// An identifier for a new row: rising with time, so that pages in the order of identifiers are pages in the order of
/// creation.
pub fn new_id() -> Uuid {
    Uuid::now_v7()
}
