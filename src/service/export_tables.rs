//! The tables of an export: a row is a document, a step or a piece of work. Times are local to the house, with their
//! offset.

use super::exports::{Pages, Sink};
use super::nouns::NounDoc;
use super::{Service, ServiceError};
use crate::dto::{CrewDto, EquipmentDto, HouseDto};
use crate::store::{CompanyId, StoreError};
use crate::table::{CREW_COLUMNS, Column, EQUIPMENT_COLUMNS, HOUSE_COLUMNS, cells, line};
use serde::Serialize;
use serde_json::Value;

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExportTable {
    /// As imports take them.
    Houses,
    /// As imports take them.
    Crews,
    /// Kinds of gear.
    Equipment,
    /// Jobs without their chains.
    Jobs,
    /// Steps of all chains.
    Steps,
    /// Waits of all chains.
    Waits,
    /// What is promised.
    Plan,
    /// What was reported.
    History,
    /// Air measured in houses.
    AirReadings,
}

impl ExportTable {
    /// All of them.
    pub const ALL: [ExportTable; 9] = [
        ExportTable::Houses,
        ExportTable::Crews,
        ExportTable::Equipment,
        ExportTable::Jobs,
        ExportTable::Steps,
        ExportTable::Waits,
        ExportTable::Plan,
        ExportTable::History,
        ExportTable::AirReadings,
    ];

    /// In addresses.
    pub const fn word(self) -> &'static str {
        match self {
            ExportTable::Houses => "houses",
            ExportTable::Crews => "crews",
            ExportTable::Equipment => "equipment",
            ExportTable::Jobs => "jobs",
            ExportTable::Steps => "steps",
            ExportTable::Waits => "waits",
            ExportTable::Plan => "plan",
            ExportTable::History => "history",
            ExportTable::AirReadings => "air-readings",
        }
    }

    /// By its word.
    pub fn of(word: &str) -> Option<ExportTable> {
        ExportTable::ALL.into_iter().find(|table| table.word() == word)
    }
}

/// Members of a document that become columns of the same names.
const JOB_MEMBERS: &[&str] = &["key", "name", "house", "status", "release", "due", "weight", "copied_from", "pins"];
const STEP_MEMBERS: &[&str] = &[
    "job",
    "key",
    "name",
    "kind",
    "minutes",
    "person_minutes",
    "sqft_per_person_hour",
    "skills",
    "equipment",
    "areas",
    "document",
];
const WAIT_MEMBERS: &[&str] =
    &["job", "from", "to", "kind", "min_minutes", "film", "overnight", "keep_off", "document"];
const PLAN_MEMBERS: &[&str] = &[
    "job",
    "job_name",
    "house",
    "house_name",
    "step",
    "step_name",
    "kind",
    "crew",
    "piece",
    "start",
    "finish",
    "state",
];
const RECORD_MEMBERS: &[&str] = &[
    "job",
    "step",
    "number",
    "crew",
    "outcome",
    "started_at",
    "finished_at",
    "expected_finish_at",
    "remaining_minutes",
    "re_wet",
    "readings",
    "overruled",
    "note",
    "recorded_at",
    "recorded_by",
];
const AIR_MEMBERS: &[&str] = &["house", "at", "temp_c", "rh_percent", "note", "recorded_at", "recorded_by"];

impl Service {
    /// One table, with its header, in UTF-8 with a mark that tells spreadsheets so.
    ///
    /// # Errors
    /// `Unavailable`: what was written until then is not whole.
    pub async fn export_table(
        &self,
        company: CompanyId,
        table: ExportTable,
        mut sink: impl Sink,
    ) -> Result<(), ServiceError> {
        let mut pages = Pages { service: self, session: self.store().snapshot(company).await? };
        match table {
            ExportTable::Houses => pages.table_of::<HouseDto>(HOUSE_COLUMNS, &mut sink).await,
            ExportTable::Crews => pages.table_of::<CrewDto>(CREW_COLUMNS, &mut sink).await,
            ExportTable::Equipment => pages.table_of::<EquipmentDto>(EQUIPMENT_COLUMNS, &mut sink).await,
            ExportTable::Jobs => pages.of_jobs(JOB_MEMBERS, &mut sink, async |_, job| Ok(vec![job])).await,
            ExportTable::Steps => pages.of_jobs(STEP_MEMBERS, &mut sink, async |_, job| Ok(parts(job, "steps"))).await,
            ExportTable::Waits => pages.of_jobs(WAIT_MEMBERS, &mut sink, async |_, job| Ok(parts(job, "waits"))).await,
            ExportTable::History => {
                pages.of_jobs(RECORD_MEMBERS, &mut sink, async |pages, job| pages.records(&job).await).await
            }
            ExportTable::Plan => {
                let plan = pages.published().await?;
                sink.put(head(PLAN_MEMBERS) + &rows(PLAN_MEMBERS, &pieces(plan))).await;
                Ok(())
            }
            ExportTable::AirReadings => pages.air_table(&mut sink).await,
        }
    }
}

fn value(document: &impl Serialize) -> Result<Value, ServiceError> {
    serde_json::to_value(document).map_err(|error| StoreError::BadDocument(error).into())
}

fn head(members: &[&str]) -> String {
    let names: Vec<String> = members.iter().map(|member| (*member).to_owned()).collect();
    format!("\u{feff}{}", line(&names))
}

/// A member that is a text as it stands, several texts with semicolons between, anything else as JSON.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        Value::Array(items) if items.iter().all(Value::is_string) => {
            items.iter().filter_map(Value::as_str).collect::<Vec<_>>().join("; ")
        }
        other => other.to_string(),
    }
}

fn rows(members: &[&str], documents: &[Value]) -> String {
    let row = |document: &Value| {
        let cells: Vec<String> =
            members.iter().map(|member| document.get(member).map_or_else(String::new, cell)).collect();
        line(&cells)
    };
    documents.iter().map(row).collect()
}

/// Steps or waits of a job, each with the job's key and, whole, itself.
fn parts(mut job: Value, list: &str) -> Vec<Value> {
    let key = job["key"].take();
    let Value::Array(parts) = job[list].take() else { return Vec::new() };
    let named = |part: Value| {
        let whole = part.to_string();
        let mut part = part;
        part["job"] = key.clone();
        part["document"] = Value::from(whole);
        part
    };
    parts.into_iter().map(named).collect()
}

/// Placements, a row for each piece.
fn pieces(mut plan: Value) -> Vec<Value> {
    let Value::Array(placements) = plan["placements"].take() else { return Vec::new() };
    let each = |placement: Value| {
        let pieces = placement["pieces"].as_array().cloned().unwrap_or_default();
        let row = move |(index, piece): (usize, Value)| {
            let mut row = placement.clone();
            row["piece"] = Value::from(index + 1);
            for end in ["start", "finish"] {
                row[end] = piece[end].clone();
            }
            row
        };
        pieces.into_iter().enumerate().map(row).collect::<Vec<_>>()
    };
    placements.into_iter().flat_map(each).collect()
}

impl Pages<'_> {
    async fn table_of<D: NounDoc>(&mut self, columns: &[Column], sink: &mut impl Sink) -> Result<(), ServiceError> {
        let names: Vec<&str> = columns.iter().map(|column| column.name).collect();
        let (mut after, mut on) = (None, sink.put(head(&names)).await);
        while on {
            let page = self.nouns::<D>(after).await?;
            let Some((last, _)) = page.last() else { break };
            after = Some(*last);
            let mut text = String::new();
            for (_, doc) in &page {
                text.push_str(&line(&cells(columns, &value(doc)?)));
            }
            on = sink.put(text).await;
        }
        Ok(())
    }

    async fn of_jobs(
        &mut self,
        members: &[&str],
        sink: &mut impl Sink,
        of_job: impl AsyncFn(&mut Self, Value) -> Result<Vec<Value>, ServiceError>,
    ) -> Result<(), ServiceError> {
        let (mut after, mut on) = (None, sink.put(head(members)).await);
        while on {
            let page = self.job_rows(after).await?;
            let Some(last) = page.last() else { break };
            after = Some(last.id);
            let mut text = String::new();
            for row in &page {
                let job = value(&self.service.job(&mut self.session, &row.key).await?.view)?;
                text.push_str(&rows(members, &of_job(self, job).await?));
            }
            on = sink.put(text).await;
        }
        Ok(())
    }

    async fn records(&mut self, job: &Value) -> Result<Vec<Value>, ServiceError> {
        let key = job["key"].as_str().unwrap_or_default();
        let records = self.service.records(&mut self.session, key).await?;
        let named = |record: &super::RecordView| {
            let mut record = value(record)?;
            record["job"] = Value::from(key);
            Ok(record)
        };
        records.iter().map(named).collect()
    }

    async fn air_table(&mut self, sink: &mut impl Sink) -> Result<(), ServiceError> {
        let (mut after, mut on) = (None, sink.put(head(AIR_MEMBERS)).await);
        while on {
            let houses = self.nouns::<HouseDto>(after).await?;
            let Some((last, _)) = houses.last() else { break };
            after = Some(*last);
            for (_, house) in &houses {
                let mut before = None;
                while on {
                    let page = self.air_of(&house.key, before).await?;
                    let Some((last, _)) = page.last() else { break };
                    before = Some(*last);
                    let readings: Vec<Value> = page.into_iter().map(|(_, reading)| reading).collect();
                    on = sink.put(rows(AIR_MEMBERS, &readings)).await;
                }
            }
        }
        Ok(())
    }
}
