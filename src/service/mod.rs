//! Use cases: what people and programs do with a company. Each loads, decides and saves through the store, and has its
//! plans judged by the audit before anybody sees them. No HTTP and no SQL.
//!
//! | module | what |
//! |---|---|
//! | `clock` | what time it is |
//! | `error` | refusals |
//! | `companies`, `access` | companies and settings; tokens and calendar addresses |
//! | `people`, `sign_in` | who may come in by browser; coming in, and going out |
//! | `changes` | who changed what |
//! | `passwords`, `attempts` | hashing and comparing; how often somebody may try |
//! | `nouns` | houses, crews, equipment, methods, regions |
//! | `jobs`, `job_shapes`, `bench` | jobs and their chains; as shown; tried on the rest of the company |
//! | `air_readings` | air measured in houses |
//! | `events` | what happened, each told once, in any order |
//! | `records`, `report_rules`, `taken` | what happened on steps; whether it can be so; from reports to records |
//! | `check_verdict`, `checks` | what a check's readings decide, and what follows; all rounds of a job |
//! | `snapshot` | rows to a planning file and a situation |
//! | `repairs`, `repair_views` | the published plan after whatever changed the world; as shown |
//! | `pins` | what the dispatcher fixed by hand |
//! | `difference` | what a plan changes, why, and whom to tell; alternatives |
//! | `presumed` | what nobody has reported yet |
//! | `planning`, `plans`, `publish`, `compare` | drafts; plans as shown; the promise; what a draft changes |
//! | `chances` | will each house make its date? |
//! | `what_ifs`, `promises` | what would be otherwise; when one more job could be finished |
//! | `directory`, `weeks`, `calendars` | names for identifiers; promised work to look at, and as calendars |
//! | `calendar_events`, `calendar_waits`, `calendar_cache` | what calendars say; what has been written once |
//! | `by_use`, `rendered` | what may be asked for again, within bounds; documents as they are sent |
//! | `treatment` | a treatment, second by second |
//! | `keep_off` | when the customer should not walk on a floor |
//! | `forecasts` | weather fetched for regions |
//! | `care` | the last coat of each job, and what follows from it |
//! | `letters` | a job's cautions; what the customer is told, as dates and as a letter |
//! | `load_lists` | what crews take along on a day |
//! | `imports`, `exports`, `export_tables` | tables of houses and crews taken in; everything to take along |
//! | `crew_day` | what one crew does on a day, and has to know for it |
//! | `notices`, `told`, `webhooks` | what has to be told: as shown, what it says, and sending it |
//! | `wakes` | who waits for news, and the word to stop |
//! | `captures` | plannings kept to be replayed |
//! | `watch` | what whoever watches the servers is told |
//! | `board` | the office's board: crews, chains, waits, weather |
//! | `bottlenecks` | what holds houses up, and the way of one house to its finish |
//! | `standing`, `house_pages` | where a job stands; houses to look at |
//! | `calendar_addresses` | who has a calendar, and who could |
//! | `feed_days`, `feed_weeks` | what a page shows to whoever knows a calendar's address |

mod access;
mod air_readings;
mod attempts;
mod bench;
mod board;
mod bottlenecks;
mod by_use;
mod calendar_addresses;
mod calendar_cache;
mod calendar_events;
mod calendar_waits;
mod calendars;
mod captures;
mod care;
mod chances;
mod changes;
mod check_verdict;
mod checks;
pub mod clock;
mod companies;
mod compare;
mod crew_day;
mod difference;
mod directory;
mod error;
mod events;
mod export_tables;
mod exports;
mod feed_days;
mod feed_weeks;
mod forecasts;
mod house_pages;
mod imports;
mod job_shapes;
mod jobs;
mod keep_off;
mod letters;
mod load_lists;
mod notices;
mod nouns;
mod passwords;
mod people;
mod pins;
mod planning;
mod plans;
mod presumed;
mod promises;
mod publish;
mod records;
mod rendered;
mod repair_views;
mod repairs;
mod report_rules;
mod sign_in;
mod snapshot;
mod standing;
mod taken;
mod told;
mod treatment;
mod wakes;
mod watch;
mod webhooks;
mod weeks;
mod what_ifs;
mod wire;

pub use access::{FeedBody, FeedKindDto, FeedView, RoleDto, TokenBody, TokenView};
pub use air_readings::{AirReadingBody, AirReadingView};
pub use board::{
    BOARD_DAYS_DEFAULT, Board, BoardAsked, BoardChance, BoardChances, BoardCrew, BoardDay, BoardEarlier, BoardFound,
    BoardFrom, BoardHouse, BoardJob, BoardLimits, BoardPlan, BoardRegion, BoardRepairs, BoardSlack, BoardStateDto,
    BoardStep, BoardStepView, BoardTry, BoardUnplaced, BoardWait, BoardWaitKind,
};
pub use bottlenecks::{
    Bottlenecks, CrewLoad, CriticalPath, GearLoad, PathStretch, TimeReason, TimeSpent, bottlenecks, path_of,
};
pub use calendar_addresses::CalendarAddresses;
pub use calendar_cache::RenderedCalendar;
pub use calendar_events::kind_word;
pub use captures::Captures;
pub use care::CareNote;
pub use chances::{ChancesView, Experience, PIECE_RUNS_MAX};
pub use changes::{
    CHANGES_KEPT_DAYS_MIN, ChangeKindDto, ChangeView, ChangedThing, ChangesAsked, ChangesPage, WhoDto, WhoView,
};
pub use checks::{CheckRound, CheckView};
pub use companies::{CompanyBody, CompanyView, Founded, company_of_key};
pub use compare::{Comparison, HouseFinish, PlacedAt, StepChange};
pub use crew_day::{
    AreaToReadDto, CheckSheetDto, CrewDayDto, CrewWorkDto, CrewWorksDto, DwellDto, RunningWaitDto, StepStandingDto,
};
pub use difference::{
    AlternativeView, Alternatives, CrewDayView, CustomerNewsView, DifferenceView, EmphasisDto, JobFinishView,
    MovedView, VisitView,
};
pub use error::ServiceError;
pub use events::{EventPage, EventStandingDto, EventView, apply_event};
pub use export_tables::ExportTable;
pub use exports::{COMPANY_FORMAT, Sink};
pub use feed_weeks::{FEED_WEEK_DAYS, FeedWait, FeedWeek, FeedWork, Stamp};
pub use forecasts::{Brought, ForecastFetched};
pub use house_pages::{HousePage, HousesView, JobPage};
pub use imports::{ImportOutcome, ImportTable, ImportView, ImportedRow};
pub use job_shapes::{JobListed, JobStatusDto, JobView};
pub use jobs::StoredJob;
pub use letters::{JobCautions, StepCautions};
pub use notices::{NoticeKindDto, NoticePage, NoticeView};
pub use nouns::{MethodListed, NounDoc, RegionListed, Stored};
pub use passwords::{PASSWORD_CHARS_MAX, PASSWORD_CHARS_MIN};
pub use people::{
    BrowserView, CREW_LINKS_MAX, CrewLinkView, PEOPLE_MAX, PeopleView, PersonBody, PersonView, SIGN_IN_NAME_CHARS_MAX,
    WithPassword,
};
pub use pins::{PinBody, PinConflictView, PinnedView};
pub use planning::{BasisDto, Draft, DraftBody, MOVE_BUDGET_MAX};
pub use plans::{PlanListed, PlanStatusDto, PlanView};
pub use promises::{Offer, PromiseBody, PromiseView};
pub use publish::{Checked, PublicationView};
pub use records::{RecordBody, RecordView, Reporter};
pub use rendered::Rendered;
pub use repair_views::{RepairOutcomeDto, RepairStateView, RepairView, SETTLE_SECONDS_MAX};
pub use repairs::{ChangeDto, Repaired};
pub use sign_in::{Origin, PERSON_IDLE, PERSON_STAYS, PHONE_IDLE, PHONE_STAYS, SignInError, SignedIn};
pub use standing::{JobLine, Now, StepLine, StepStand, WaitLine};
pub use treatment::{RolledSection, RolledSoFar, TreatmentAsked, TreatmentPlanView};
pub use wakes::{Stop, Waiting, Wakes};
pub use webhooks::{DeliveryStatusDto, DeliveryView, Outgoing, WEBHOOKS_MAX, WebhookBody, WebhookView};
pub use weeks::{DAYS_MAX, Week, WeekOf, WorkDto};
pub use what_ifs::{WHAT_IF_CHANGES_MAX, WhatIfBody, WhatIfChange, WhatIfView};

use crate::domain::time::Minute;
use crate::measure::Meters;
use crate::store::{CompanyId, Store};
use crate::weather::fetch::Source;
use crate::webhook::Targets;
use attempts::Attempts;
use chrono::{DateTime, Utc};
use clock::{Clock, SystemClock};
use passwords::Passwords;
use std::sync::{Arc, OnceLock};
use tokio::sync::Semaphore;

/// Plannings at once. Each takes a core for seconds, and what is left must go on answering.
const PLANNINGS_MAX: usize = 2;

/// Questions ("what if", "when could you") worked out at once, beside plannings: others wait their turn.
const QUESTIONS_MAX: usize = 2;

/// Exports written at once: each holds a connection for as long as its reader reads.
const EXPORTS_MAX: usize = 2;

/// All use cases. Cheap to clone.
#[derive(Clone)]
pub struct Service {
    store: Store,
    clock: Arc<dyn Clock>,
    plannings: Arc<Semaphore>,
    questions: Arc<Semaphore>,
    exports: Arc<Semaphore>,
    weather: Option<Source>,
    webhook_targets: Targets,
    wakes: Wakes,
    stopping: Stop,
    board_kept: board::Kept,
    plans_kept: rendered::RenderedKept<CompanyId>,
    passwords: Passwords,
    attempts: Arc<Attempts>,
    calendars: calendar_cache::CalendarCache,
    meters: Meters,
    captures: Captures,
    /// Where work that nobody waits for has its connections from.
    work: Arc<OnceLock<Store>>,
}

impl Service {
    /// On the computer's own clock.
    pub fn new(store: Store) -> Service {
        Service::with_clock(store, Arc::new(SystemClock))
    }

    /// On another clock.
    pub fn with_clock(store: Store, clock: Arc<dyn Clock>) -> Service {
        Service {
            store,
            clock,
            plannings: Arc::new(Semaphore::new(PLANNINGS_MAX)),
            questions: Arc::new(Semaphore::new(QUESTIONS_MAX)),
            exports: Arc::new(Semaphore::new(EXPORTS_MAX)),
            weather: None,
            webhook_targets: Targets::default(),
            wakes: Wakes::default(),
            stopping: Stop::default(),
            board_kept: board::Kept::default(),
            plans_kept: rendered::RenderedKept::default(),
            passwords: Passwords::default(),
            attempts: Arc::default(),
            calendars: calendar_cache::CalendarCache::default(),
            meters: Meters::default(),
            captures: Captures::default(),
            work: Arc::default(),
        }
    }

    /// With a weather service to ask.
    pub fn with_weather(self, source: impl Into<Option<Source>>) -> Service {
        Service { weather: source.into(), ..self }
    }

    /// Keeping plannings that are slow or refused.
    pub fn with_captures(self, captures: Captures) -> Service {
        Service { captures, ..self }
    }

    /// The same, with connections of its own: for work that outlives the threads that answer requests.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn beside(&self, connections_max: u32) -> Result<Service, ServiceError> {
        let store = self.store.beside(connections_max).await?;
        // Watched like the first; of several, the one that was opened first.
        let _ = self.work.set(store.clone());
        Ok(Service { store, ..self.clone() })
    }

    /// Where sessions come from.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Places for exports that are being written.
    pub fn exports(&self) -> Arc<Semaphore> {
        self.exports.clone()
    }

    /// Who waits for news on this server.
    pub fn wakes(&self) -> &Wakes {
        &self.wakes
    }

    /// The word to stop: streams end, and tasks finish what they have begun.
    pub fn stopping(&self) -> &Stop {
        &self.stopping
    }

    /// The instant of asking.
    pub fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }

    /// The first whole minute that has not begun: plans are made for it.
    pub fn now_minute(&self) -> Minute {
        Minute::ceil_from(self.now())
    }
}
