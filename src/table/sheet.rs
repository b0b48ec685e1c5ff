//! A file as rows of cells. Whatever spreadsheets write is read: with or without a byte order mark, with commas,
//! semicolons or tabs, with either line end. The header names the columns; their order does not matter.

use super::Column;
use super::cell::unguarded;
use crate::domain::fault::Fault;
use crate::dto::Located;
use csv::{ReaderBuilder, StringRecord};

/// Largest file.
pub const SHEET_BYTES_MAX: usize = 4 << 20;
/// Rows of one file: each is judged like a document of its own, while nobody else changes the company. Larger ones are sent
/// in parts.
pub const SHEET_ROWS_MAX: usize = 2_000;
/// Columns of one file.
const COLUMNS_MAX: usize = 64;

/// A file that has been read.
#[derive(Debug)]
pub struct Sheet {
    header: Vec<&'static str>,
    rows: Vec<(u64, StringRecord)>,
}

/// One row.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    sheet: &'a Sheet,
    /// Counts from 1 under the header.
    pub number: usize,
    /// Of the file, where the row begins.
    pub line: u64,
    record: &'a StringRecord,
}

impl Sheet {
    /// Reads a file whose columns are among these.
    ///
    /// # Errors
    /// What is wrong with the header, or every row that is not one; pointers are `/ROW` as everywhere in tables.
    pub fn read(text: &str, columns: &[Column]) -> Result<Sheet, Vec<Located>> {
        // One line end: the reader would count lines otherwise than people do, and no cell needs the other.
        let text = text.strip_prefix('\u{feff}').unwrap_or(text).replace("\r\n", "\n");
        let mut reader = ReaderBuilder::new().delimiter(separator(&text)).from_reader(text.as_bytes());
        let header = header(reader.headers().map_err(|error| vec![unreadable(0, &error)])?, columns)?;
        let (mut rows, mut faults) = (Vec::new(), Vec::new());
        for (index, record) in reader.records().enumerate() {
            if index >= SHEET_ROWS_MAX {
                let what = format!("the table has more than {SHEET_ROWS_MAX} rows");
                let fault = Fault::new("too-many", what, "send it in parts, each with the header");
                faults.push(Located { pointer: String::new(), fault });
                break;
            }
            match record {
                Ok(record) => rows.push((record.position().map_or(0, |position| position.line()), record)),
                Err(error) => faults.push(unreadable(index + 1, &error)),
            }
        }
        if faults.is_empty() { Ok(Sheet { header, rows }) } else { Err(faults) }
    }

    /// All rows but those that are blank.
    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        let rows = self.rows.iter().enumerate();
        rows.map(|(index, (line, record))| Row { sheet: self, number: index + 1, line: *line, record })
            .filter(|row| row.record.iter().any(|cell| !cell.trim().is_empty()))
    }
}

impl Row<'_> {
    /// What stands in a column, without blanks around it; `None`: the table has no such column.
    pub fn cell(&self, name: &str) -> Option<&str> {
        let index = self.sheet.header.iter().position(|column| *column == name)?;
        Some(unguarded(self.record.get(index).unwrap_or("").trim_matches(' ')).trim())
    }
}

/// What separates cells, by what the header has most of outside quotes; files with one column have none.
fn separator(text: &str) -> u8 {
    let mut quoted = false;
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    for byte in text.bytes().take_while(|byte| !matches!(byte, b'\r' | b'\n')) {
        quoted ^= byte == b'"';
        counts.iter_mut().filter(|(separator, _)| *separator == byte && !quoted).for_each(|(_, count)| *count += 1);
    }
    // Of equals the last wins; a comma should.
    counts.iter().rev().max_by_key(|(_, count)| *count).map_or(b',', |(separator, _)| *separator)
}

fn header(record: &StringRecord, columns: &[Column]) -> Result<Vec<&'static str>, Vec<Located>> {
    let mut header = Vec::new();
    let mut faults = Vec::new();
    let mut fault = |code, what, cure: String| {
        faults.push(Located { pointer: "/0".to_owned(), fault: Fault::new(code, what, cure) });
    };
    for name in record.iter().take(COLUMNS_MAX) {
        // As people write it: "Head count".
        let plain = name.trim().to_lowercase().replace([' ', '-'], "_");
        match columns.iter().find(|column| column.name == plain) {
            Some(column) if header.contains(&column.name) => {
                fault("duplicate-column", format!("two columns are called {}", column.name), "keep one of them".into());
            }
            Some(column) => header.push(column.name),
            None => {
                let shown: String = name.chars().take(64).collect();
                let known: Vec<&str> = columns.iter().map(|column| column.name).collect();
                let cure = format!("leave it out, or call it one of {}", known.join(", "));
                fault("unknown-column", format!("no column is called {shown:?}"), cure);
            }
        }
    }
    if !header.contains(&"key") {
        fault("missing-column", "there is no column called key".to_owned(), "the first row names the columns".into());
    }
    if faults.is_empty() { Ok(header) } else { Err(faults) }
}

fn unreadable(row: usize, error: &csv::Error) -> Located {
    let line = error.position().map_or(String::new(), |position| format!("line {}: ", position.line()));
    let fault = match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => Fault::new(
            "uneven-row",
            format!("{line}{len} cells, where the header has {expected_len}"),
            "give every row one cell for each column; put a cell with a separator in it in double quotes",
        ),
        _ => Fault::new("bad-csv", format!("{line}{error}"), "send comma-separated values (RFC 4180) in UTF-8"),
    };
    Located { pointer: format!("/{row}"), fault }
}
