//! What is said about one job: to the people who work on it, what to beware of; to the customer, when to be out and when
//! what is allowed again.

use super::calendars::{AHEAD_DAYS, PAST_DAYS, current};
use super::directory::Directory;
use super::{Service, ServiceError, snapshot, wire};
use crate::dto::{
    CHANGES, CautionDto, CustomerDatesDto, CustomerLetterDto, HouseDto, KeepOffDto, StepKindDto, WaitDto, wrapped,
};
use crate::store::{BookedBy, BookingRow, Noun, Session};
use crate::trade::cautions::Caution;
use chrono::Duration;
use serde::Serialize;
use std::collections::BTreeSet;
use std::fmt::Write;
use utoipa::ToSchema;

/// What to beware of at one step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct StepCautions {
    /// Key of the step.
    pub step: String,
    /// For people.
    pub step_name: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// Codes of what to beware of, the gravest first.
    pub cautions: Vec<String>,
}

/// What to beware of on a job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct JobCautions {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// For people.
    pub house_name: String,
    /// As it is known.
    pub built_year: Option<i64>,
    /// As it is known.
    pub resilient_flooring: Option<bool>,
    /// In the order of the chain; steps with nothing to beware of are left out.
    pub steps: Vec<StepCautions>,
    /// Each once, the gravest first.
    pub cautions: Vec<CautionDto>,
}

impl JobCautions {
    /// As plain text.
    pub fn to_text(&self) -> String {
        let mut out = format!("What to beware of: {} ({})\n", self.job_name, self.house_name);
        out.push_str("Labels, safety data sheets, local codes and licensed practice come before all of this.\n");
        for caution in &self.cautions {
            let here = self.steps.iter().filter(|step| step.cautions.contains(&caution.code));
            let steps: Vec<&str> = here.map(|step| step.step_name.as_str()).collect();
            let _ = writeln!(out, "\n{}", caution.short);
            out.push_str(&wrapped(&caution.text, 2, 2));
            out.push_str(&wrapped(&format!("At: {}", steps.join("; ")), 2, 2));
        }
        out
    }
}

impl Service {
    /// What to beware of at every step of a job. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn job_cautions(&self, session: &mut Session, key: &str) -> Result<JobCautions, ServiceError> {
        let id = session.job_by_key(key).await?.id;
        let (row, chain) = session.job_with_chain(id).await?;
        let house: HouseDto = session.noun(Noun::House, row.house_id).await?.doc.parse()?;
        let office = super::companies::office_zone(&session.company_row().await?)?;
        let job = snapshot::job_document(&row, &chain, &house.key, office)?;
        let waits: Vec<WaitDto> = job.waits.unwrap_or_default();
        let mut all: BTreeSet<Caution> = BTreeSet::new();
        let mut steps = Vec::new();
        for step in job.steps.unwrap_or_default() {
            let film = waits.iter().filter(|wait| wait.from == step.key).find_map(|wait| wait.film);
            let own = step.cautions(film, &house);
            if !own.is_empty() {
                let cautions = own.iter().map(|caution| caution.code().to_owned()).collect();
                steps.push(StepCautions { step: step.key, step_name: step.name, kind: step.kind, cautions });
            }
            all.extend(own);
        }
        Ok(JobCautions {
            job: row.key,
            job_name: row.name,
            house_name: house.name,
            built_year: house.built_year,
            resilient_flooring: house.resilient_flooring,
            steps,
            cautions: all.into_iter().map(CautionDto::from).collect(),
        })
    }

    /// What the customer is told about a job, from what is promised and reported. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn customer_letter(&self, session: &mut Session, key: &str) -> Result<CustomerLetterDto, ServiceError> {
        let job = session.job_by_key(key).await?;
        let company = session.company_row().await?;
        let house: HouseDto = session.noun(Noun::House, job.house_id).await?.doc.parse()?;
        let zone = wire::zone_or(house.time_zone.as_deref(), super::companies::office_zone(&company)?);
        let now = self.now();
        let (from, until) = (now - Duration::days(PAST_DAYS), now + Duration::days(AHEAD_DAYS));
        let mut rows = current(session.bookings(BookedBy::House(job.house_id), from, until).await?);
        rows.retain(|row| row.job_id == job.id && !row.cancelled);
        let crews = rows.iter().map(|row| row.crew_id).collect();
        let directory = Directory::load(session, BTreeSet::from([job.id]), crews).await?;
        let mut keep_offs = self.keep_offs(session, &company, (job.house_id, self.now_minute()), &rows).await?;
        keep_offs.sort_by_key(|time| (time.from, time.until));
        let cares =
            self.cares(session, &company, (job.house_id, self.now_minute()), (&rows, &keep_offs), &directory).await?;
        let told = |time: &super::keep_off::KeepOff| {
            let known = directory.step(time.after.job_id, &time.after.step_key)?;
            (time.until.to_utc() > now).then(|| KeepOffDto {
                areas: known.step.areas.clone().unwrap_or_default(),
                after: known.step.name.clone(),
                from: wire::local(zone, time.from.to_utc()),
                until: wire::local(zone, time.until.to_utc()),
            })
        };
        let keep_offs: Vec<KeepOffDto> = keep_offs.iter().filter_map(told).collect();
        let ahead: Vec<&BookingRow> = rows.iter().filter(|row| row.end > now).collect();
        let dates = cares
            .first()
            .filter(|care| !care.after.cancelled)
            .map(|care| CustomerDatesDto::of(&care.dates, care.zone, care.is_done));
        Ok(CustomerLetterDto {
            company: company.name,
            job: job.key,
            job_name: job.name,
            house_name: house.name,
            address: house.address,
            time_zone: zone.name().to_owned(),
            work_from: ahead.iter().map(|row| row.start).min().map(|at| wire::local(zone, at)),
            work_until: ahead.iter().map(|row| row.end).max().map(|at| wire::local(zone, at)),
            keep_offs,
            dates,
            changes: CHANGES.map(String::from).to_vec(),
        })
    }
}
