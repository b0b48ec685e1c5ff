//! Tables of houses and crews, taken in whole or not at all: each row is a document, new or merged into the one that has
//! its key, and judged as it would be alone. Whoever only wants to know what would happen does the same and throws the
//! session away.

use super::nouns::{NounDoc, Stored};
use super::{Service, ServiceError};
use crate::domain::bounds::{CREWS_MAX, HOUSES_MAX};
use crate::domain::fault::Fault;
use crate::dto::{CrewDto, FAULTS_MAX, FaultDto, HouseDto, Located, read_json};
use crate::store::{CompanyId, Session};
use crate::table::{CREW_COLUMNS, Column, HOUSE_COLUMNS, Row, SHEET_BYTES_MAX, Sheet, column_of, merged};
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;

/// What becomes of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ImportOutcome {
    /// Nothing had this key.
    Added,
    /// The document with this key is another now.
    Changed,
    /// It was so before.
    Unchanged,
}

/// A row that was taken in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ImportedRow {
    /// Counts from 1 under the header.
    pub row: usize,
    /// Line of the file on which it begins.
    pub line: u64,
    /// Of the document.
    pub key: String,
    /// What became of it.
    pub outcome: ImportOutcome,
}

/// What a table came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ImportView {
    /// Nothing was kept.
    pub dry_run: bool,
    /// Rows that are new documents.
    pub added: usize,
    /// Rows that changed a document.
    pub changed: usize,
    /// Rows that changed nothing.
    pub unchanged: usize,
    /// Each.
    pub rows: Vec<ImportedRow>,
}

/// What a table is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ImportTable {
    /// Houses.
    Houses,
    /// Crews.
    Crews,
}

impl Service {
    /// Looks at a table and, with `keep`, takes it in at once.
    ///
    /// # Errors
    /// `Invalid`; then nothing was kept.
    pub async fn import_table(
        &self,
        company: CompanyId,
        table: ImportTable,
        text: &str,
        keep: bool,
    ) -> Result<ImportView, ServiceError> {
        let mut session = self.store.session(company).await?;
        let view = match table {
            ImportTable::Houses => self.import_houses(&mut session, text).await?,
            ImportTable::Crews => self.import_crews(&mut session, text).await?,
        };
        if keep {
            session.commit().await?;
        }
        Ok(ImportView { dry_run: !keep, ..view })
    }

    /// Takes in a table of houses. Faults are those of all rows; then the session must not be committed. Pointers are
    /// `/ROW/COLUMN`.
    ///
    /// # Errors
    /// `Invalid`.
    pub async fn import_houses(&self, session: &mut Session, text: &str) -> Result<ImportView, ServiceError> {
        self.import(session, text, (HOUSE_COLUMNS, HOUSES_MAX), async |session, version, house: &HouseDto| {
            self.change_house(session, &house.key, version, house).await
        })
        .await
    }

    /// As [`Service::import_houses`], of crews.
    ///
    /// # Errors
    /// As there.
    pub async fn import_crews(&self, session: &mut Session, text: &str) -> Result<ImportView, ServiceError> {
        self.import(session, text, (CREW_COLUMNS, CREWS_MAX), async |session, version, crew: &CrewDto| {
            self.change_noun(session, &crew.key, version, crew).await
        })
        .await
    }

    async fn import<D: NounDoc + PartialEq>(
        &self,
        session: &mut Session,
        text: &str,
        (columns, most): (&[Column], usize),
        change: impl AsyncFn(&mut Session, i64, &D) -> Result<Stored<D>, ServiceError>,
    ) -> Result<ImportView, ServiceError> {
        let sheet = Sheet::read(text, columns).map_err(|faults| ServiceError::Invalid(told(&faults)))?;
        session.lock_company().await?;
        let known = self.nouns::<D>(session, None, most as u32).await?;
        let known: BTreeMap<String, Stored<D>> = known.into_iter().map(|it| (it.doc.key().to_owned(), it)).collect();
        let (mut rows, mut faults, mut seen) = (Vec::new(), Vec::new(), BTreeSet::new());
        for row in sheet.rows() {
            if faults.len() >= FAULTS_MAX {
                break;
            }
            let key = row.cell("key").unwrap_or("");
            let outcome = match document::<D>(columns, &row, known.get(key)) {
                Ok(_) if !seen.insert(key.to_owned()) => Err(twice(key)),
                Ok(doc) => self.keep(session, &doc, known.get(key), &change).await,
                Err(faults) => Err(ServiceError::Invalid(told(&faults))),
            };
            match outcome {
                Ok(outcome) => rows.push(ImportedRow { row: row.number, line: row.line, key: key.to_owned(), outcome }),
                Err(ServiceError::Invalid(found)) => {
                    faults.extend(found.into_iter().map(|it| placed(it, columns, &row)))
                }
                Err(error) => return Err(error),
            }
        }
        if !faults.is_empty() {
            return Err(ServiceError::Invalid(faults));
        }
        let count = |outcome| rows.iter().filter(|row| row.outcome == outcome).count();
        let (added, changed) = (count(ImportOutcome::Added), count(ImportOutcome::Changed));
        if known.len() + added > most {
            let what = format!("with these there would be {} of them", known.len() + added);
            return Err(ServiceError::fault("", Fault::new("too-many", what, format!("keep at most {most}"))));
        }
        Ok(ImportView { dry_run: false, added, changed, unchanged: count(ImportOutcome::Unchanged), rows })
    }

    async fn keep<D: NounDoc + PartialEq>(
        &self,
        session: &mut Session,
        doc: &D,
        known: Option<&Stored<D>>,
        change: &impl AsyncFn(&mut Session, i64, &D) -> Result<Stored<D>, ServiceError>,
    ) -> Result<ImportOutcome, ServiceError> {
        match known {
            None => self.create_noun(session, doc).await.map(|_| ImportOutcome::Added),
            Some(known) if known.doc == *doc => Ok(ImportOutcome::Unchanged),
            Some(known) => change(session, known.version, doc).await.map(|_| ImportOutcome::Changed),
        }
    }
}

/// The row's document, merged into the one there is.
fn document<D: NounDoc>(columns: &[Column], row: &Row<'_>, known: Option<&Stored<D>>) -> Result<D, Vec<Located>> {
    let before = known.map_or(Ok(json!({})), |known| serde_json::to_value(&known.doc));
    let merged = merged(columns, row, before.unwrap_or(Value::Null))?;
    read_json(&merged.to_string(), SHEET_BYTES_MAX)
}

fn told(faults: &[Located]) -> Vec<FaultDto> {
    faults.iter().map(FaultDto::from).collect()
}

fn twice(key: &str) -> ServiceError {
    let what = format!("a row above has the key {key:?}, too");
    ServiceError::fault("/key", Fault::new("duplicate-key", what, "keep one row for each key"))
}

/// A fault of a document, where it is in the table; words come along for whoever only reads those.
fn placed(fault: FaultDto, columns: &[Column], row: &Row<'_>) -> FaultDto {
    let place = column_of(columns, &fault.pointer);
    let column = place.split('/').nth(1).map_or_else(String::new, |column| format!(", column {column}"));
    let what = format!("row {}{column}: {}", row.number, fault.what);
    FaultDto { pointer: format!("/{}{place}", row.number), what, ..fault }
}
