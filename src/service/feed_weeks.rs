//! The seven days that a page shows to whoever knows a calendar's address: the same promises as the calendar itself
//! holds, and never more about crews, gear and notes than that kind of calendar tells. How they look is `web`'s matter.

use super::access::FeedKindDto;
use super::calendars::{AHEAD_DAYS, PAST_DAYS, current, pieces};
use super::care::CareNote;
use super::directory::{Directory, Known};
use super::planning::PlanDoc;
use super::{Service, ServiceError, TreatmentAsked, load_lists, plans, wire};
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{
    CautionDto, CrewDto, FilmDto, GuessDto, HouseDto, LoadListDto, PlacedStateDto, StepKindDto, WaitDto, WaitKindDto,
};
use crate::store::{BookedBy, BookingRow, FeedKind, FoundFeed, Noun, PlanHead, Session, StoreError};
use chrono::{DateTime, Datelike, Days, Duration, NaiveDate, Utc};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Days on a page.
pub const FEED_WEEK_DAYS: u64 = 7;
/// Around the week, so that a step's pieces are counted whole and the next work can be named.
const MARGIN_DAYS: i64 = 30;
/// Crews on a board; a company has no more.
const CREWS_MAX: u32 = crate::domain::bounds::CREWS_MAX as u32;

/// Seven days of promised work.
#[derive(Debug, Clone)]
pub struct FeedWeek {
    /// Whose calendar.
    pub kind: FeedKindDto,
    /// Name of the company.
    pub company: String,
    /// Name of the crew or house; of the company, for the office.
    pub subject: String,
    /// Of the house, for calendars of houses.
    pub address: Option<String>,
    /// Whose wall clock the days are on.
    pub zone: Zone,
    /// First day.
    pub from: NaiveDate,
    /// The instant of looking.
    pub now: Minute,
    /// Days that the calendar reaches, first and last.
    pub reach: (NaiveDate, NaiveDate),
    /// Which plan it comes from; not told to customers.
    pub plan: Option<Stamp>,
    /// Every crew, by name; for the office only.
    pub crews: Vec<(Uuid, String)>,
    /// What touches the week, by start.
    pub works: Vec<FeedWork>,
    /// Between the steps of a house, by start; for a house's own calendar only.
    pub waits: Vec<FeedWait>,
    /// What to load on each day with work; for a crew's own calendar only.
    pub loads: Vec<LoadListDto>,
    /// What is allowed after the last coat, for each job that has one promised; for the customer only.
    pub cares: Vec<CareNote>,
    /// Start of the first work after the week, when one is near.
    pub next: Option<Minute>,
}

/// Which plan is the promise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamp {
    /// Counts from 1 in the company.
    pub number: i64,
    /// Since when it is.
    pub published_at: Option<DateTime<Utc>>,
    /// Where it rests on weather past the forecasts; for the office only.
    pub guesses: Vec<GuessDto>,
}

fn stamp(plan: &PlanHead, kind: FeedKindDto) -> Result<Stamp, ServiceError> {
    let guesses = if kind == FeedKindDto::Office { plan.doc.parse::<PlanDoc>()?.guesses } else { Vec::new() };
    Ok(Stamp { number: plan.number, published_at: plan.published_at, guesses })
}

/// One piece of promised work. Members that are `None` or empty may also be none of the reader's business.
#[derive(Debug, Clone)]
pub struct FeedWork {
    /// Who.
    pub crew: Option<(Uuid, String)>,
    /// Name of the house.
    pub house: String,
    /// Street and town.
    pub address: Option<String>,
    /// The house's wall clock.
    pub house_zone: Zone,
    /// Name of the job.
    pub job: String,
    /// Name of the step.
    pub step: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// First minute.
    pub start: Minute,
    /// First minute after.
    pub finish: Minute,
    /// Which piece of how many, from 1, where there is more than one.
    pub part: Option<(i32, usize)>,
    /// Where it stood when it was published.
    pub state: Option<PlacedStateDto>,
    /// Units by key of the gear to bring.
    pub gear: BTreeMap<String, i64>,
    /// For the people who do it.
    pub notes: Option<String>,
    /// Names of the areas it is done in; not told to customers.
    pub areas: Vec<String>,
    /// What to beware of at it, the gravest first.
    pub cautions: Vec<CautionDto>,
    /// A treatment that is rolled in sections, as its crew would read it aloud: at its first part, for the crew only.
    pub sections: Vec<String>,
    /// How a check stands that has been tried, a line each; for the crew only.
    pub tried: Vec<String>,
}

/// The time between two promised steps that are in a fixed order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FeedWait {
    /// Name of the earlier step.
    pub after: String,
    /// Name of the later step.
    pub before: String,
    /// Finish of the earlier step.
    pub start: Minute,
    /// Start of the later step.
    pub finish: Minute,
    /// As the label says; 0 when only the order matters.
    pub min_minutes: i64,
    /// What dries.
    pub film: Option<FilmDto>,
    /// Whether a night must lie between.
    pub overnight: bool,
    /// Whether nobody may enter.
    pub keep_off: bool,
}

impl FeedWait {
    /// Whether the floor needs the time, not only the order.
    pub fn is_needed(&self) -> bool {
        self.min_minutes > 0 || self.film.is_some() || self.overnight
    }
}

/// Who looks at whose work.
pub(super) struct Subject {
    kind: FeedKindDto,
    by: BookedBy,
    pub(super) zone: Zone,
    name: String,
    address: Option<String>,
}

impl Service {
    /// The week from `from` on, or from this week's Monday, of the calendar behind an address.
    ///
    /// # Errors
    /// `Invalid` when `from` is in another age; `Unavailable`.
    pub async fn feed_week(&self, feed: &FoundFeed, from: Option<NaiveDate>) -> Result<FeedWeek, ServiceError> {
        let mut session = self.store.snapshot(feed.company).await?;
        let company = session.company_row().await?;
        let office = super::companies::office_zone(&company)?;
        let subject = subject(&mut session, feed.kind, office, &company.name).await?;
        let zone = subject.zone;
        let now = Minute::floor_from(self.now());
        let today = zone.date(now);
        let monday = today.checked_sub_days(Days::new(u64::from(today.weekday().num_days_from_monday())));
        let from = from.or(monday).unwrap_or(today);
        let until = from.checked_add_days(Days::new(FEED_WEEK_DAYS));
        let Some(until) = until.filter(|_| (1970..2200).contains(&from.year())) else {
            let fault = Fault::new("bad-date", format!("{from} is another age"), "check the year");
            return Err(ServiceError::fault("/from", fault));
        };
        let reach = (today - Duration::days(PAST_DAYS), today + Duration::days(AHEAD_DAYS - 1));
        let week = (zone.day_start(from), zone.day_start(until));
        let rows = promised(&mut session, &subject, reach, week).await?;
        let jobs: BTreeSet<Uuid> = rows.iter().map(|row| row.job_id).collect();
        let crews = rows.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(&mut session, jobs.clone(), crews).await?;
        let plan = session.published_plan().await?;
        let made_for = plan.as_ref().map_or(self.now(), |plan| plan.made_for);
        let in_week = |start: Minute, finish: Minute| start < week.1 && finish > week.0;
        let of_house = subject.kind == FeedKindDto::House;
        let mut waits = if of_house { waits(&mut session, &directory, &jobs, &rows).await? } else { Vec::new() };
        waits.retain(|wait| in_week(wait.start, wait.finish));
        let count = pieces(&rows);
        let parts = |row: &BookingRow| count.get(&(row.job_id, row.step_key.as_str())).copied().unwrap_or(1);
        let mut works: Vec<FeedWork> = Vec::new();
        for row in rows.iter().filter(|row| in_week(Minute::floor_from(row.start), Minute::floor_from(row.end))) {
            let Some(mut work) = work(&directory, subject.kind, row, parts(row), made_for) else { continue };
            if subject.kind == FeedKindDto::Crew {
                work.sections = self.sections(&mut session, &directory, row).await?;
                work.tried = self.tried(&mut session, &directory, row, zone).await?;
            }
            works.push(work);
        }
        let crews = if subject.kind == FeedKindDto::Office { crews_of(&mut session, &works).await? } else { vec![] };
        let loads = if subject.kind == FeedKindDto::Crew { loads(&directory, &rows, from, zone)? } else { Vec::new() };
        let customer = subject.kind == FeedKindDto::Customer;
        let cares = match feed.kind {
            FeedKind::Customer(house) => self.care_notes(&mut session, &company, house, &rows, &directory).await?,
            FeedKind::Crew(_) | FeedKind::House(_) | FeedKind::Office => Vec::new(),
        };
        Ok(FeedWeek {
            kind: subject.kind,
            company: company.name,
            subject: subject.name,
            address: subject.address,
            zone,
            from,
            now,
            reach,
            plan: plan.filter(|_| !customer).map(|plan| stamp(&plan, subject.kind)).transpose()?,
            crews,
            works,
            waits,
            loads,
            cares,
            next: rows.iter().map(|row| Minute::floor_from(row.start)).find(|start| *start >= week.1),
        })
    }

    /// Cautions and lines of the section plan of a treatment's first part; nothing of other steps, or of what has been
    /// changed since so that there is no such plan any more.
    async fn sections(
        &self,
        session: &mut Session,
        directory: &Directory,
        row: &BookingRow,
    ) -> Result<Vec<String>, ServiceError> {
        let rolled = directory.step(row.job_id, &row.step_key).filter(|known| known.step.rolling.is_some());
        let Some(known) = rolled else { return Ok(Vec::new()) };
        let asked = TreatmentAsked { step: Some(&row.step_key), people: None };
        match self.treatment_plan(session, &known.job.key, asked).await {
            Ok(view) if view.step_a == row.step_key => Ok([view.plan.notes, view.plan.lines].concat()),
            Ok(_) | Err(ServiceError::Invalid(_) | ServiceError::Store(StoreError::NotFound { .. })) => Ok(Vec::new()),
            Err(error) => Err(error),
        }
    }
}

pub(super) async fn subject(
    session: &mut Session,
    kind: FeedKind,
    office: Zone,
    company: &str,
) -> Result<Subject, ServiceError> {
    Ok(match kind {
        FeedKind::Office => Subject {
            kind: FeedKindDto::Office,
            by: BookedBy::Company,
            zone: office,
            name: company.to_owned(),
            address: None,
        },
        FeedKind::Crew(id) => {
            let crew: CrewDto = session.noun(Noun::Crew, id).await?.doc.parse()?;
            let zone = wire::zone_or(crew.time_zone.as_deref(), office);
            Subject { kind: FeedKindDto::Crew, by: BookedBy::Crew(id), zone, name: crew.name, address: None }
        }
        FeedKind::House(id) | FeedKind::Customer(id) => {
            let house: HouseDto = session.noun(Noun::House, id).await?.doc.parse()?;
            let zone = wire::zone_or(house.time_zone.as_deref(), office);
            let customer = matches!(kind, FeedKind::Customer(_));
            let kind = if customer { FeedKindDto::Customer } else { FeedKindDto::House };
            Subject { kind, by: BookedBy::House(id), zone, name: house.name, address: house.address }
        }
    })
}

/// What stands: of a house all that its calendar holds, so that waits are seen from end to end; of others the week and
/// some days around it. Never more than the calendar holds.
async fn promised(
    session: &mut Session,
    subject: &Subject,
    reach: (NaiveDate, NaiveDate),
    week: (Minute, Minute),
) -> Result<Vec<BookingRow>, ServiceError> {
    let mut from = subject.zone.day_start(reach.0).to_utc();
    let mut until = subject.zone.day_start(reach.1 + Days::new(1)).to_utc();
    if !matches!(subject.by, BookedBy::House(_)) {
        from = from.max(week.0.to_utc() - Duration::days(MARGIN_DAYS));
        until = until.min(week.1.to_utc() + Duration::days(MARGIN_DAYS));
    }
    if from >= until {
        return Ok(Vec::new());
    }
    let mut rows = current(session.bookings(subject.by, from, until).await?);
    rows.retain(|row| !row.cancelled);
    Ok(rows)
}

fn work(
    directory: &Directory,
    kind: FeedKindDto,
    row: &BookingRow,
    parts: usize,
    made_for: DateTime<Utc>,
) -> Option<FeedWork> {
    let known = directory.step(row.job_id, &row.step_key)?;
    let crew = directory.crew(row.crew_id)?;
    let told = kind != FeedKindDto::Customer;
    Some(FeedWork {
        crew: told.then(|| (row.crew_id, crew.name.clone())),
        house: known.house.name.clone(),
        address: known.house.address.clone(),
        house_zone: known.zone,
        job: known.job.name.clone(),
        step: known.step.name.clone(),
        kind: known.step.kind,
        start: Minute::floor_from(row.start),
        finish: Minute::floor_from(row.end),
        part: (parts > 1).then_some((row.piece_no + 1, parts)),
        state: told.then(|| plans::state(row.fixed, row.end, made_for)),
        gear: if told { known.step.equipment.clone() } else { BTreeMap::new() },
        notes: known.step.notes.clone().filter(|_| told),
        areas: if told { areas(&known) } else { Vec::new() },
        cautions: if told { cautions(&known) } else { Vec::new() },
        sections: Vec::new(),
        tried: Vec::new(),
    })
}

fn areas(known: &Known) -> Vec<String> {
    let all = || known.house.areas.iter().map(|area| area.name.clone()).collect();
    known.step.areas.clone().unwrap_or_else(all)
}

fn cautions(known: &Known) -> Vec<CautionDto> {
    known.step.cautions(known.film, known.house).into_iter().map(CautionDto::from).collect()
}

/// Of each day of the week with work.
fn loads(
    directory: &Directory,
    rows: &[BookingRow],
    from: NaiveDate,
    zone: Zone,
) -> Result<Vec<LoadListDto>, ServiceError> {
    let mut lists = Vec::new();
    for date in (0..FEED_WEEK_DAYS).filter_map(|day| from.checked_add_days(Days::new(day))) {
        let list = load_lists::list(directory, rows, date, zone)?;
        if !list.crews.is_empty() {
            lists.push(list);
        }
    }
    Ok(lists)
}

/// Between the steps that are promised. Dwells are left out: there the crew stays.
async fn waits(
    session: &mut Session,
    directory: &Directory,
    jobs: &BTreeSet<Uuid>,
    rows: &[BookingRow],
) -> Result<Vec<FeedWait>, ServiceError> {
    let mut spans: BTreeMap<(Uuid, &str), (Minute, Minute)> = BTreeMap::new();
    for row in rows {
        let (start, end) = (Minute::floor_from(row.start), Minute::floor_from(row.end));
        let span = spans.entry((row.job_id, row.step_key.as_str())).or_insert((start, end));
        *span = (span.0.min(start), span.1.max(end));
    }
    let mut found = Vec::new();
    for &job in jobs {
        let (_, chain) = session.job_with_chain(job).await?;
        for row in chain.waits {
            let wait: WaitDto = row.doc.parse()?;
            let ends = (spans.get(&(job, row.from_key.as_str())), spans.get(&(job, row.to_key.as_str())));
            let names = (directory.step(job, &row.from_key), directory.step(job, &row.to_key));
            let ((Some(&(_, start)), Some(&(finish, _))), (Some(after), Some(before))) = (ends, names) else {
                continue;
            };
            if wait.kind == WaitKindDto::Dwell || start >= finish {
                continue;
            }
            found.push(FeedWait {
                after: after.step.name.clone(),
                before: before.step.name.clone(),
                start,
                finish,
                min_minutes: wait.min_minutes,
                film: wait.film,
                overnight: wait.overnight,
                keep_off: wait.keep_off,
            });
        }
    }
    found.sort_by(|a, b| (a.start, a.finish, &a.after, &a.before).cmp(&(b.start, b.finish, &b.after, &b.before)));
    Ok(found)
}

/// Crews that can be sent somewhere, and those that were.
async fn crews_of(session: &mut Session, works: &[FeedWork]) -> Result<Vec<(Uuid, String)>, ServiceError> {
    let mut crews: BTreeMap<Uuid, String> = works.iter().filter_map(|work| work.crew.clone()).collect();
    crews.extend(session.nouns(Noun::Crew, None, CREWS_MAX).await?.into_iter().map(|row| (row.id, row.name)));
    let mut crews: Vec<(Uuid, String)> = crews.into_iter().collect();
    crews.sort_by(|a, b| (&a.1, a.0).cmp(&(&b.1, b.0)));
    Ok(crews)
}
