//! The office's board: who is where when, and every house's chain with its waits. What is promised, or a draft, held
//! against the world as it is now: what has happened lies where it happened, what is to come where the plan has it.
//!
//! | file | what |
//! |---|---|
//! | `shapes` | the board on the wire |
//! | `basis` | what is looked at: the company now, and one plan of it |
//! | `picture` | crews, houses, jobs, steps |
//! | `waits` | waits between steps, and when each is over |
//! | `skies` | the weather strip, and when a house's air is not fit |
//! | `details`, `earlier` | all about one step; why it does not start earlier |
//! | `kept` | what has been worked out and is still true |

mod basis;
mod details;
mod earlier;
mod kept;
mod picture;
mod shapes;
mod skies;
mod waits;

pub(super) use kept::Kept;
pub use shapes::{
    Board, BoardChance, BoardChances, BoardCrew, BoardDay, BoardEarlier, BoardHouse, BoardJob, BoardLimits, BoardPlan,
    BoardRegion, BoardRepairs, BoardSlack, BoardStateDto, BoardStep, BoardStepView, BoardTry, BoardUnplaced, BoardWait,
    BoardWaitKind,
};

use super::bottlenecks::{Bottlenecks, CriticalPath, bottlenecks, path_of};
use super::{DAYS_MAX, Rendered, Service, ServiceError};
use crate::domain::fault::Fault;
use crate::domain::ids::JobIx;
use crate::domain::time::{Minute, Span};
use crate::domain::zone::Zone;
use crate::store::{CompanyId, PlanHead, PlanStatus, Session, StoreError};
use basis::Basis;
use chrono::{Datelike, Days, NaiveDate};
use std::sync::Arc;
use uuid::Uuid;

/// Days of a board when nobody says how many: six weeks.
pub const BOARD_DAYS_DEFAULT: u32 = 42;
/// How long a board stays true while nothing is reported: what nobody has reported is taken to go as promised.
const STANDS_MINUTES: i64 = 5;
/// How long chances stay true while nothing changes.
const CHANCES_STAND_MINUTES: i64 = 60;
/// Runs of a simulation for the board: a chance is right to some percent, and there in a second.
const CHANCE_RUNS: u32 = 200;

/// The first day of a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum BoardFrom {
    /// This week's Monday.
    #[default]
    Monday,
    /// The office's today.
    Today,
    /// Another.
    Date(NaiveDate),
}

/// Which days, of which plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct BoardAsked {
    /// First day.
    pub from: BoardFrom,
    /// How many; `None`: six weeks.
    pub days: Option<u32>,
    /// A draft in place of the promise.
    pub draft: Option<Uuid>,
}

/// A board that was asked for, not worked out yet.
#[derive(Debug)]
pub struct BoardFound {
    company: CompanyId,
    from: NaiveDate,
    until: NaiveDate,
    draft: Option<Uuid>,
    zone: Zone,
    now: Minute,
    head: Option<PlanHead>,
    changes: i64,
    repairs: BoardRepairs,
}

impl BoardFound {
    /// The same for as long as the board would be the same.
    pub fn tag(&self) -> String {
        let plan = self.head.as_ref().map_or((0, 0), |head| (head.number, head.version));
        let stands = self.now.0.div_euclid(STANDS_MINUTES);
        let world = (self.changes, self.repairs.waiting);
        format!("{}.{}-{}.{}-{stands}-{}-{}", plan.0, plan.1, world.0, world.1, self.from, self.until)
    }

    /// The same for as long as the very same document comes out.
    fn state(&self) -> String {
        format!("{} {} {:?} {:?}", self.tag(), self.now.0, self.repairs.proposal, self.repairs.trouble)
    }

    /// What it is kept by.
    fn key(&self) -> kept::BoardKey {
        (self.company, self.from, self.until, self.draft)
    }

    fn shown(&self) -> Span {
        let (from, until) = (self.zone.day_start(self.from), self.zone.day_start(self.until));
        Span::new(from, until).unwrap_or_else(|| unreachable!("there is at least one day"))
    }

    fn days(&self) -> Vec<BoardDay> {
        let dates = self.from.iter_days().take_while(|date| *date < self.until);
        dates.map(|date| BoardDay { date, start: self.zone.day_start(date).0 }).collect()
    }
}

impl Service {
    /// Which board it would be: a few cheap questions. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`; `Invalid` when the days are too many or of another age; `NotADraft`.
    pub async fn board_found(&self, session: &mut Session, asked: BoardAsked) -> Result<BoardFound, ServiceError> {
        let days = asked.days.unwrap_or(BOARD_DAYS_DEFAULT);
        if !(1..=DAYS_MAX).contains(&days) {
            let fault = Fault::new("out-of-range", format!("{days} days"), format!("ask for 1 to {DAYS_MAX} days"));
            return Err(ServiceError::fault("/days", fault));
        }
        let zone = super::companies::office_zone(&session.company_row().await?)?;
        let now = self.now_minute();
        let today = zone.date(now);
        let monday = today.checked_sub_days(Days::new(u64::from(today.weekday().num_days_from_monday())));
        let from = match asked.from {
            BoardFrom::Monday => monday.unwrap_or(today),
            BoardFrom::Today => today,
            BoardFrom::Date(date) => date,
        };
        let until = from.checked_add_days(Days::new(u64::from(days)));
        let Some(until) = until.filter(|_| (1970..2200).contains(&from.year())) else {
            let fault = Fault::new("bad-date", format!("{from} is another age"), "check the year");
            return Err(ServiceError::fault("/from", fault));
        };
        let head = match asked.draft {
            None => session.published_plan().await?,
            Some(id) => Some(session.plan(id).await?),
        };
        head.as_ref().map_or(Ok(()), super::publish::must_be_kept)?;
        let changes = session.world_changes().await?;
        let state = session.repair_state().await?;
        let proposal = super::repair_views::newest_proposal(session).await?;
        let repairs = BoardRepairs { waiting: state.waiting, proposal, trouble: state.trouble };
        let (company, draft) = (session.company(), asked.draft);
        Ok(BoardFound { company, from, until, draft, zone, now, head, changes, repairs })
    }

    /// The board that was found, as it is sent; worked out once for as long as nothing changes.
    ///
    /// # Errors
    /// As [`Service::board`].
    pub async fn rendered_board(
        &self,
        session: &mut Session,
        found: BoardFound,
    ) -> Result<Arc<Rendered>, ServiceError> {
        let (key, state) = (found.key(), found.state());
        if let Some(known) = self.board_kept.boards.get(&key, &state) {
            return Ok(known);
        }
        let json = serde_json::to_vec(&self.board(session, found).await?).map_err(StoreError::BadDocument)?;
        Ok(self.board_kept.boards.put(key.0, key, state, json))
    }

    /// The board that was found; worked out off the threads that answer requests.
    ///
    /// # Errors
    /// `CannotPlan`, `Unavailable`.
    pub async fn board(&self, session: &mut Session, found: BoardFound) -> Result<Board, ServiceError> {
        let basis = Basis::load(session, found.head.as_ref(), found.now).await?;
        let held = basis::on_hold(session).await?;
        let company = session.company_row().await?.name;
        let drawn = tokio::task::spawn_blocking(move || {
            let world = basis.read()?;
            let shown = found.shown();
            let picture = picture::picture(&world, &held, shown)?;
            Ok(Board {
                company,
                time_zone: found.zone.name().to_owned(),
                days: found.days(),
                until: shown.end().0,
                now: found.now.0,
                frozen_until: found.now.plus(world.situation.settings.freeze_minutes).0,
                plan: found.head.as_ref().map(|head| BoardPlan {
                    id: head.id,
                    number: head.number,
                    draft: head.status == PlanStatus::Draft,
                    published_at: head.published_at.map(|at| Minute::floor_from(at).0),
                }),
                repairs: found.repairs,
                waits: waits::waits(&world, &picture),
                regions: skies::regions(&world, shown),
                crews: picture.crews,
                houses: picture.houses,
                jobs: picture.jobs,
                steps: picture.steps,
            })
        });
        drawn.await?
    }

    /// What holds houses up on the days of the board that was found, and who or what is the bottleneck.
    ///
    /// # Errors
    /// `CannotPlan`, `Unavailable`.
    pub async fn board_bottlenecks(
        &self,
        session: &mut Session,
        found: BoardFound,
    ) -> Result<Bottlenecks, ServiceError> {
        let basis = Basis::load(session, found.head.as_ref(), found.now).await?;
        let told = tokio::task::spawn_blocking(move || {
            let world = basis.read()?;
            Ok(bottlenecks(&world.situation, &world.plan(), found.shown()))
        });
        told.await?
    }

    /// Where the time until a job is finished goes, in the plan that was found.
    ///
    /// # Errors
    /// `NotFound` when there is no such open job, or nothing to come of it has a place; `CannotPlan`, `Unavailable`.
    pub async fn board_critical_path(
        &self,
        session: &mut Session,
        found: BoardFound,
        job: &str,
    ) -> Result<CriticalPath, ServiceError> {
        let basis = Basis::load(session, found.head.as_ref(), found.now).await?;
        let job = job.to_owned();
        let told = tokio::task::spawn_blocking(move || {
            let world = basis.read()?;
            let known = world.situation.jobs.iter().position(|own| own.key.as_str() == job);
            let found = known.ok_or(StoreError::NotFound { what: "job" })?;
            let path = path_of(&world.situation, &world.plan(), JobIx::from_index(found));
            Ok(path.ok_or(StoreError::NotFound { what: "planned work of the job" })?)
        });
        told.await?
    }

    /// The chances of the plan that was found. Worked out once for as long as nothing changes, at most an hour.
    ///
    /// # Errors
    /// As of chances; `NotFound` when nothing is published.
    pub async fn board_chances(&self, found: &BoardFound) -> Result<Arc<BoardChances>, ServiceError> {
        let Some(head) = &found.head else {
            return Err(StoreError::NotFound { what: "published plan" }.into());
        };
        let hour = found.now.0.div_euclid(CHANCES_STAND_MINUTES);
        let tag = format!("{}.{}-{}-{hour}", head.number, head.version, found.changes);
        if let Some(known) = self.board_kept.chances(found.company, &tag) {
            return Ok(known);
        }
        let view = self.chances(found.company, Some(head.id), CHANCE_RUNS, 1).await?;
        let job = |job: crate::dto::JobChanceDto| BoardChance {
            job: job.job,
            in_time_percent: job.in_time_percent,
            finish_percent_95: job.finish_percent_95,
            driver: job.drivers.into_iter().next().map(|driver| driver.what),
        };
        let jobs = view.chances.jobs.into_iter().map(job).collect();
        let chances = Arc::new(BoardChances { plan: view.number, runs: view.chances.runs, jobs });
        self.board_kept.keep_chances(found.company, tag, chances.clone());
        Ok(chances)
    }
}
