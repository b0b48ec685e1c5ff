//! Everything a company has, to take along: as one JSON document, and as tables. Written page by page from one snapshot, so
//! that it is one state of the company however large it is, and never all of it in memory.

use super::nouns::NounDoc;
use super::snapshot::{history, job_document};
use super::{EventPage, Service, ServiceError, wire};
use crate::dto::{CrewDto, EquipmentDto, HouseDto, MethodDto, RegionDto};
use crate::store::{CompanyId, JobFilter, JobRow, Noun, Session, StoreError};
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

/// The form of [`Service::export_json`].
pub const COMPANY_FORMAT: &str = "tackfree-company/1";
/// Documents of a page.
const PAGE: u32 = 100;

/// Where an export goes, piece by piece.
pub trait Sink {
    /// Passes one on; whether anybody still reads.
    fn put(&mut self, text: String) -> impl Future<Output = bool>;
}

/// Goes through the documents of a session a page at a time.
pub(super) struct Pages<'a> {
    pub(super) service: &'a Service,
    pub(super) session: Session,
}

impl Service {
    /// The whole company as one JSON document: what it is made of, in the order in which it can be made again, and what
    /// happened. Each document under `regions`, `equipment`, `methods`, `crews` and `houses`, and `document` of each job, is
    /// what its list under `/v1` takes.
    ///
    /// # Errors
    /// `Unavailable`: what was written until then is not whole.
    pub async fn export_json(&self, company: CompanyId, mut sink: impl Sink) -> Result<(), ServiceError> {
        let mut pages = Pages { service: self, session: self.store.snapshot(company).await? };
        let row = pages.session.company_row().await?;
        let settings: Value = row.settings.parse()?;
        let head = json!({"name": row.name, "settings": settings});
        let at = wire::utc(self.now());
        if !sink.put(format!("{{\"format\":\"{COMPANY_FORMAT}\",\"exported_at\":\"{at}\",\n\"company\":{head}")).await {
            return Ok(());
        }
        let on = pages.list::<RegionDto>("regions", &mut sink).await?
            && pages.list::<EquipmentDto>("equipment", &mut sink).await?
            && pages.list::<MethodDto>("methods", &mut sink).await?
            && pages.list::<CrewDto>("crews", &mut sink).await?
            && pages.list::<HouseDto>("houses", &mut sink).await?
            && pages.jobs(&mut sink).await?
            && pages.air(&mut sink).await?
            && pages.events(&mut sink).await?;
        if on {
            let published = pages.published().await?;
            // Whoever finds no such end has not got all of it.
            sink.put(format!(",\n\"published\":{published},\n\"complete\":true}}\n")).await;
        }
        Ok(())
    }
}

fn text(value: &impl Serialize) -> Result<String, ServiceError> {
    serde_json::to_string(value).map_err(|error| StoreError::BadDocument(error).into())
}

/// Members of an array that may be written in several pieces.
fn piece(items: &[String], is_first: bool) -> String {
    let between = if is_first || items.is_empty() { "" } else { ",\n" };
    format!("{between}{}", items.join(",\n"))
}

impl Pages<'_> {
    /// A page of documents, and from where to go on.
    pub(super) async fn nouns<D: NounDoc>(&mut self, after: Option<Uuid>) -> Result<Vec<(Uuid, D)>, ServiceError> {
        let rows = self.service.nouns::<D>(&mut self.session, after, PAGE).await?;
        Ok(rows.into_iter().map(|row| (row.id, row.doc)).collect())
    }

    /// A page of jobs, whatever has become of them.
    pub(super) async fn job_rows(&mut self, after: Option<Uuid>) -> Result<Vec<JobRow>, ServiceError> {
        Ok(self.session.jobs(JobFilter::default(), after, PAGE).await?)
    }

    /// The promise, or `null`.
    pub(super) async fn published(&mut self) -> Result<Value, ServiceError> {
        match self.service.published_plan(&mut self.session).await {
            Ok(plan) => Ok(serde_json::to_value(&plan).map_err(StoreError::BadDocument)?),
            Err(ServiceError::Store(StoreError::NotFound { .. })) => Ok(Value::Null),
            Err(error) => Err(error),
        }
    }

    async fn list<D: NounDoc>(&mut self, name: &str, sink: &mut impl Sink) -> Result<bool, ServiceError> {
        let (mut after, mut begun) = (None, false);
        let mut on = sink.put(format!(",\n\"{name}\":[")).await;
        while on {
            let page = self.nouns::<D>(after).await?;
            let Some((last, _)) = page.last() else { break };
            after = Some(*last);
            let items: Vec<String> = page.iter().map(|(_, doc)| text(doc)).collect::<Result<_, _>>()?;
            on = sink.put(piece(&items, !begun)).await;
            begun = true;
        }
        Ok(on && sink.put("]".to_owned()).await)
    }

    async fn jobs(&mut self, sink: &mut impl Sink) -> Result<bool, ServiceError> {
        let (mut after, mut begun) = (None, false);
        let mut on = sink.put(",\n\"jobs\":[".to_owned()).await;
        while on {
            let page = self.job_rows(after).await?;
            let Some(last) = page.last() else { break };
            after = Some(last.id);
            let mut items = Vec::with_capacity(page.len());
            for row in &page {
                items.push(self.job(row).await?);
            }
            on = sink.put(piece(&items, !begun)).await;
            begun = true;
        }
        Ok(on && sink.put("]".to_owned()).await)
    }

    /// With what happened: as `history` in short, for making it again, and as `records` in full.
    async fn job(&mut self, row: &JobRow) -> Result<String, ServiceError> {
        let (view, records) = (self.service.job(&mut self.session, &row.key).await?.view, row.id);
        let records = self.session.records_of_job(records).await?;
        let crews: Vec<Uuid> = records.iter().map(|record| record.crew_id).collect();
        let crews = self.session.nouns_by_ids(Noun::Crew, &crews).await?;
        let crews: BTreeMap<Uuid, String> = crews.into_iter().map(|crew| (crew.id, crew.key)).collect();
        let office = super::companies::office_zone(&self.session.company_row().await?)?;
        let house = self.session.noun(Noun::House, row.house_id).await?;
        let doc: HouseDto = house.doc.parse()?;
        let zone = wire::zone_or(doc.time_zone.as_deref(), office);
        let chain = self.session.job_with_chain(row.id).await?.1;
        let mut document = job_document(row, &chain, &house.key, zone)?;
        document.history = history(&records, &crews, zone);
        let records = self.service.records(&mut self.session, &row.key).await?;
        text(&json!({
            "document": document, "status": view.status, "copied_from": view.copied_from, "records": records
        }))
    }

    async fn air(&mut self, sink: &mut impl Sink) -> Result<bool, ServiceError> {
        let (mut after, mut begun) = (None, false);
        let mut on = sink.put(",\n\"air_readings\":[".to_owned()).await;
        while on {
            let houses = self.nouns::<HouseDto>(after).await?;
            let Some((last, _)) = houses.last() else { break };
            after = Some(*last);
            for (_, house) in &houses {
                let mut before = None;
                while on {
                    let readings = self.air_of(&house.key, before).await?;
                    let Some((last, _)) = readings.last() else { break };
                    before = Some(*last);
                    let items: Vec<String> =
                        readings.iter().map(|(_, reading)| text(reading)).collect::<Result<_, _>>()?;
                    on = sink.put(piece(&items, !begun)).await;
                    begun = true;
                }
            }
        }
        Ok(on && sink.put("]".to_owned()).await)
    }

    /// A page of what was measured in a house, newest first.
    pub(super) async fn air_of(
        &mut self,
        house: &str,
        before: Option<Uuid>,
    ) -> Result<Vec<(Uuid, Value)>, ServiceError> {
        let page = self.service.air_readings(&mut self.session, house, before, PAGE).await?;
        let told = |reading: super::AirReadingView| {
            let mut value = serde_json::to_value(&reading).map_err(StoreError::BadDocument)?;
            value["house"] = json!(house);
            Ok((reading.id, value))
        };
        page.into_iter().map(told).collect()
    }

    /// Newest first, as everywhere.
    async fn events(&mut self, sink: &mut impl Sink) -> Result<bool, ServiceError> {
        let (mut before, mut begun) = (None, false);
        let mut on = sink.put(",\n\"events\":[".to_owned()).await;
        while on {
            let page = self.service.events(&mut self.session, &EventPage::default(), before, PAGE).await?;
            let Some(last) = page.last() else { break };
            before = Some(last.number);
            let items: Vec<String> = page.iter().map(text).collect::<Result<_, _>>()?;
            on = sink.put(piece(&items, !begun)).await;
            begun = true;
        }
        Ok(on && sink.put("]".to_owned()).await)
    }
}
