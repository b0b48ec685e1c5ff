//! The section plan of a job's treatment, with times of day where it is promised.

use super::{Service, ServiceError, companies, snapshot, wire};
use crate::domain::bounds::HEAD_COUNT_MAX;
use crate::domain::fault::Fault;
use crate::domain::zone::Zone;
use crate::dto::{CrewDto, HouseDto, RolledTreatment, SectionPlanDto, rolled_treatments, section_plan};
use crate::store::{BookedBy, BookingRow, JobRow, Noun, RecordOutcome, Session, StoreError};
use crate::trade::sections::{Applicators, Refusal, Report, SECTIONS_MAX, Treatment, clock, plan, replan};
use chrono::{DateTime, Days, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
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
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
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

/// How far a crew is with its treatment.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RolledSoFar {
    /// Key of one of the treatment's two steps; left out: the first treatment that is not done.
    #[serde(default)]
    pub step: Option<String>,
    /// How many people there are; left out: the promised crew's, or as few as can do it.
    #[serde(default)]
    #[schema(minimum = 1, maximum = 50)]
    pub people: Option<i64>,
    /// When the crew began, set-up included. Seconds count.
    #[schema(example = "2026-03-09T08:00:00-04:00", format = DateTime)]
    pub started_at: String,
    /// The sections that have been begun, in order, as the plan for so many people has them.
    #[schema(max_items = 2000)]
    pub sections: Vec<RolledSection>,
}

/// What happened in one section.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RolledSection {
    /// Part A was begun.
    #[schema(format = DateTime)]
    pub a_from_at: String,
    /// Part A was rolled; left out while it is.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub a_until_at: Option<String>,
    /// Part B was begun.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub b_from_at: Option<String>,
    /// Part B was rolled.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub b_until_at: Option<String>,
}

/// A treatment of a job, and who does it.
struct Chosen {
    job: String,
    rolled: RolledTreatment,
    treatment: Treatment,
    people: u32,
    promise: Option<Promise>,
    zone: Zone,
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
        let chosen = self.treatment_of(session, key, asked).await?;
        let planned = plan(&chosen.treatment).map_err(|refusal| ServiceError::fault("", refusal.fault()))?;
        let start = chosen.promise.as_ref().map(|promise| promise.start);
        Ok(chosen.view(start, &planned))
    }

    /// The rest of the same plan, now, from what the crew has rolled so far: a section whose part B cannot come in time
    /// any more is wet with part A again. Keeps nothing.
    ///
    /// # Errors
    /// As [`Service::treatment_plan`]; `Invalid` for what cannot have happened.
    pub async fn treatment_rest(
        &self,
        session: &mut Session,
        key: &str,
        so_far: &RolledSoFar,
    ) -> Result<TreatmentPlanView, ServiceError> {
        let people = so_far.people.map(|people| match u32::try_from(people) {
            Ok(people) if (1..=HEAD_COUNT_MAX).contains(&people) => Ok(people),
            Ok(_) | Err(_) => {
                let cure = format!("give 1 to {HEAD_COUNT_MAX} people");
                Err(ServiceError::fault("/people", Fault::new("out-of-range", format!("{people} people"), cure)))
            }
        });
        let asked = TreatmentAsked { step: so_far.step.as_deref(), people: people.transpose()? };
        let (started, reports) = so_far.read()?;
        let chosen = self.treatment_of(session, key, asked).await?;
        let planned = plan(&chosen.treatment).map_err(|refusal| ServiceError::fault("", refusal.fault()))?;
        let now = (self.now() - started).num_seconds();
        let rest = replan(&chosen.treatment, &planned, &reports, now).map_err(|refusal| {
            let place = match &refusal {
                Refusal::BadReport { section, .. } if (1..=reports.len()).contains(section) => {
                    format!("/sections/{}", section - 1)
                }
                Refusal::BadReport { .. } => "/sections".to_owned(),
                Refusal::OutOfRange { .. } | Refusal::NoSection { .. } | Refusal::TooManySections { .. } => {
                    "/started_at".to_owned()
                }
            };
            ServiceError::fault(place, refusal.fault())
        })?;
        Ok(chosen.view(Some(started), &rest))
    }

    async fn treatment_of(
        &self,
        session: &mut Session,
        key: &str,
        asked: TreatmentAsked<'_>,
    ) -> Result<Chosen, ServiceError> {
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
        let treatment = Treatment { applicators: Applicators::of_people(people), ..rolled.treatment.clone() };
        Ok(Chosen { job: row.key, rolled, treatment, people, promise, zone })
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

impl Chosen {
    /// As it is shown, with times of day where the beginning is known.
    fn view(self, start: Option<DateTime<Utc>>, planned: &crate::trade::sections::Plan) -> TreatmentPlanView {
        let zone = self.zone;
        let at = |seconds: i64| match start.and_then(|start| start.checked_add_signed(TimeDelta::seconds(seconds))) {
            // `YYYY-MM-DDTHH:MM:SS` and an offset.
            Some(at) => wire::local(zone, at).chars().skip(11).take(8).collect(),
            None => clock(seconds),
        };
        TreatmentPlanView {
            job: self.job,
            step_a: self.rolled.a,
            step_b: self.rolled.b,
            people: self.people,
            crew: self.promise.map(|promise| promise.crew),
            starts_at: start.map(|start| wire::local(zone, start)),
            plan: section_plan(&self.treatment, planned, at),
        }
    }
}

impl RolledSoFar {
    /// The beginning, and the sections in seconds after it.
    fn read(&self) -> Result<(DateTime<Utc>, Vec<Report>), ServiceError> {
        if self.sections.len() > SECTIONS_MAX as usize {
            let cure = format!("report the {SECTIONS_MAX} sections there can be at most");
            let fault = Fault::new("too-many", format!("{} sections", self.sections.len()), cure);
            return Err(ServiceError::fault("/sections", fault));
        }
        let read = |place: String, text: &str| wire::instant(text).map_err(|fault| ServiceError::fault(place, fault));
        let started = read("/started_at".to_owned(), &self.started_at)?;
        let mut reports = Vec::with_capacity(self.sections.len());
        for (index, section) in self.sections.iter().enumerate() {
            let after = |name: &str, text: &str| {
                let at = read(format!("/sections/{index}/{name}"), text)?;
                Ok::<i64, ServiceError>((at - started).num_seconds())
            };
            let later = |name: &str, text: &Option<String>| text.as_deref().map(|text| after(name, text)).transpose();
            reports.push(Report {
                a_from: after("a_from_at", &section.a_from_at)?,
                a_until: later("a_until_at", &section.a_until_at)?,
                b_from: later("b_from_at", &section.b_from_at)?,
                b_until: later("b_until_at", &section.b_until_at)?,
            });
        }
        Ok((started, reports))
    }
}
