//! The section plan of a job's treatment, with times of day where it is promised.

use super::{Service, ServiceError, companies, snapshot, wire};
use crate::domain::bounds::HEAD_COUNT_MAX;
use crate::dto::{CrewDto, HouseDto, RolledTreatment, SectionPlanDto, rolled_treatments, section_plan};
use crate::store::{BookedBy, BookingRow, JobRow, Noun, RecordOutcome, Session, StoreError};
use crate::trade::sections::{Applicators, Treatment, clock, plan};
use chrono::{DateTime, Days, TimeDelta, Utc};
use serde::Serialize;
use utoipa::ToSchema;

/// How far from now a promise is looked for: a plan reaches 400 days.
const PROMISE_DAYS: u64 = 800;

/// Which treatment, and for whom.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TreatmentAsked<'a> {
    /// Key of one of its two steps; left out: the first that is not done.
    pub step: Option<&'a str>,
    /// How many people; left out: the promised crew's, or as few as can do it.
    pub people: Option<u32>,
}

/// The section plan of a treatment.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct TreatmentPlanView {
    /// Key of the job.
    pub job: String,
    /// Key of the step with part A.
    pub step_a: String,
    /// Key of the step with part B.
    pub step_b: String,
    /// How many people it is for; more than two fetch and keep people off.
    pub people: u32,
    /// Key of the crew that is promised, if the treatment is.
    pub crew: Option<String>,
    /// When the crew begins, local to the house, if it is promised. `lines` then tell times of day, and otherwise hours,
    /// minutes and seconds after the beginning.
    pub starts_at: Option<String>,
    /// Sections and who does what when.
    #[serde(flatten)]
    pub plan: SectionPlanDto,
}

/// Who is promised, and when.
struct Promise {
    crew: String,
    people: u32,
    start: DateTime<Utc>,
}

impl Service {
    /// The section plan of one treatment of a job, as it would be done by the promised crew or by so many people. Ask it
    /// of a snapshot.
    ///
    /// # Errors
    /// `NotFound` when the job has no treatment that is rolled in sections; `Invalid` when so many cannot do it.
    pub async fn treatment_plan(
        &self,
        session: &mut Session,
        key: &str,
        asked: TreatmentAsked<'_>,
    ) -> Result<TreatmentPlanView, ServiceError> {
        let row = session.job_by_key(key).await?;
        let (row, chain) = session.job_with_chain(row.id).await?;
        let house = session.noun(Noun::House, row.house_id).await?;
        let house: HouseDto = house.doc.parse()?;
        let office = companies::office_zone(&session.company_row().await?)?;
        let zone = wire::zone_or(house.time_zone.as_deref(), office);
        let job = snapshot::job_document(&row, &chain, &house.key, zone)?;
        let treatments = rolled_treatments(&job, &house);
        let rolled = self.chosen(session, &row, treatments, asked.step).await?;
        let promise = self.promise(session, &row, &rolled.a).await?;
        let least = plan(&rolled.treatment).map_or(2, |_| 1);
        let fewest = rolled.head_count_min.max(least) as u32;
        let people = asked.people.or(promise.as_ref().map(|promise| promise.people)).unwrap_or(fewest);
        let treatment = Treatment { applicators: Applicators::of_people(people), ..rolled.treatment };
        let planned = plan(&treatment).map_err(|refusal| ServiceError::fault("", refusal.fault()))?;
        let start = promise.as_ref().map(|promise| promise.start);
        let at = |seconds: i64| match start.and_then(|start| start.checked_add_signed(TimeDelta::seconds(seconds))) {
            // `YYYY-MM-DDTHH:MM:SS` and an offset.
            Some(at) => wire::local(zone, at).chars().skip(11).take(8).collect(),
            None => clock(seconds),
        };
        Ok(TreatmentPlanView {
            job: row.key,
            step_a: rolled.a,
            step_b: rolled.b,
            people,
            crew: promise.map(|promise| promise.crew),
            starts_at: start.map(|start| wire::local(zone, start)),
            plan: section_plan(&treatment, &planned, at),
        })
    }

    async fn chosen(
        &self,
        session: &mut Session,
        row: &JobRow,
        treatments: Vec<RolledTreatment>,
        step: Option<&str>,
    ) -> Result<RolledTreatment, ServiceError> {
        let mut found = treatments;
        if let Some(step) = step {
            found.retain(|rolled| rolled.a == step || rolled.b == step);
        } else if found.len() > 1 {
            let records = session.records_of_job(row.id).await?;
            let done = |rolled: &RolledTreatment| {
                records.iter().any(|record| record.step_key == rolled.b && record.outcome == RecordOutcome::Done)
            };
            if found.iter().any(|rolled| !done(rolled)) {
                found.retain(|rolled| !done(rolled));
            }
        }
        let none = StoreError::NotFound { what: "treatment that is rolled in sections" };
        found.into_iter().next().ok_or(none.into())
    }

    async fn promise(&self, session: &mut Session, row: &JobRow, step: &str) -> Result<Option<Promise>, ServiceError> {
        let span = Days::new(PROMISE_DAYS);
        let now = self.now();
        let (from, until) = (now - span, now + span);
        let rows = session.bookings(BookedBy::House(row.house_id), from, until).await?;
        let own =
            |booking: &&BookingRow| booking.job_id == row.id && booking.step_key == step && booking.left_at.is_none();
        let Some(booking) = rows.iter().find(own) else { return Ok(None) };
        let crew: CrewDto = session.noun(Noun::Crew, booking.crew_id).await?.doc.parse()?;
        // Stored crews have been checked.
        let people = crew.head_count.clamp(1, i64::from(HEAD_COUNT_MAX)) as u32;
        Ok(Some(Promise { crew: crew.key, people, start: booking.start }))
    }
}
