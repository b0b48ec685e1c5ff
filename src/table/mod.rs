//! Documents as tables of comma-separated values (RFC 4180), for people with a spreadsheet: a row is a document, a column
//! is a member, and whatever a column cannot say in a word it says as JSON. Pure: which documents are kept, and which rows
//! are new, is decided by `service`.
//!
//! | file | what |
//! |---|---|
//! | `cell` | cells that no spreadsheet takes for a formula, and back |
//! | `sheet` | a file as rows of cells: separators, marks, the header |
//! | `kind` | what a cell says, as JSON and back |
//! | `short` | hours and areas in few words |

mod cell;
mod kind;
mod sheet;
mod short;
#[cfg(test)]
mod tests;

pub use cell::{guarded, unguarded};
pub use kind::Kind;
pub use sheet::{Row, SHEET_BYTES_MAX, SHEET_ROWS_MAX, Sheet};

use crate::domain::fault::Fault;
use crate::dto::Located;
use serde_json::{Map, Value};

/// One column of a table of documents.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// In the header.
    pub name: &'static str,
    /// JSON pointer of the member.
    pub member: &'static str,
    /// How its cells are read.
    pub kind: Kind,
    /// Whether a document cannot be without it.
    pub is_needed: bool,
}

const fn column(name: &'static str, member: &'static str, kind: Kind, is_needed: bool) -> Column {
    Column { name, member, kind, is_needed }
}

/// Houses.
pub const HOUSE_COLUMNS: &[Column] = &[
    column("key", "/key", Kind::Text, true),
    column("name", "/name", Kind::Text, true),
    column("address", "/address", Kind::Text, false),
    column("time_zone", "/time_zone", Kind::Text, false),
    column("latitude_deg", "/location/latitude_deg", Kind::Decimal, false),
    column("longitude_deg", "/location/longitude_deg", Kind::Decimal, false),
    column("access", "/access", Kind::Hours, true),
    column("areas", "/areas", Kind::Areas, true),
    column("air", "/air", Kind::WordOrJson, false),
    column("region", "/region", Kind::Text, false),
    column("built_year", "/built_year", Kind::Whole, false),
    column("resilient_flooring", "/resilient_flooring", Kind::YesNo, false),
    column("closures", "/closures", Kind::Json, false),
];

/// Crews.
pub const CREW_COLUMNS: &[Column] = &[
    column("key", "/key", Kind::Text, true),
    column("name", "/name", Kind::Text, true),
    column("skills", "/skills", Kind::Texts, true),
    column("head_count", "/head_count", Kind::Whole, true),
    column("time_zone", "/time_zone", Kind::Text, false),
    column("calendar", "/calendar", Kind::Hours, true),
    column("home_latitude_deg", "/home/latitude_deg", Kind::Decimal, false),
    column("home_longitude_deg", "/home/longitude_deg", Kind::Decimal, false),
    column("absences", "/absences", Kind::Json, false),
    column("short_handed", "/short_handed", Kind::Json, false),
];

/// Equipment; only written.
pub const EQUIPMENT_COLUMNS: &[Column] = &[
    column("key", "/key", Kind::Text, true),
    column("name", "/name", Kind::Text, true),
    column("units", "/units", Kind::Whole, true),
    column("moves_with_crew", "/moves_with_crew", Kind::YesNo, false),
    column("outages", "/outages", Kind::Json, false),
];

/// The cells of a document, in the order of the columns. What it does not have is blank.
pub fn cells(columns: &[Column], document: &Value) -> Vec<String> {
    let cell =
        |column: &Column| document.pointer(column.member).map_or_else(String::new, |value| column.kind.show(value));
    columns.iter().map(cell).collect()
}

/// Cells as a line of a file: guarded, quoted where they must be, with its end (RFC 4180).
pub fn line(cells: &[String]) -> String {
    let quoted = |cell: &String| {
        let cell = guarded(cell);
        let plain = !cell.contains([',', ';', '\t', '"', '\r', '\n']) && cell.trim() == cell;
        if plain { cell } else { format!("\"{}\"", cell.replace('"', "\"\"")) }
    };
    cells.iter().map(quoted).collect::<Vec<_>>().join(",") + "\r\n"
}

/// What a row makes of `document`: of the columns that the table has, a blank cell takes the member away, and another puts
/// its value there; everything else stays as it is. Pointers in faults name the column.
///
/// # Errors
/// Every cell that cannot be read, and every needed one that is missing.
pub fn merged(columns: &[Column], row: &Row<'_>, document: Value) -> Result<Value, Vec<Located>> {
    let mut members = match document {
        Value::Object(members) => members,
        _ => Map::new(),
    };
    let mut faults = Vec::new();
    for column in columns {
        match row.cell(column.name) {
            Some("") => remove(&mut members, column.member),
            Some(cell) => match column.kind.read(cell) {
                Ok(value) => insert(&mut members, column.member, value),
                Err(fault) => faults.push(Located { pointer: format!("/{}", column.name), fault }),
            },
            None => {}
        }
        let is_missing = column.is_needed && !members.contains_key(&column.member[1..]);
        if is_missing && !faults.iter().any(|fault| fault.pointer[1..] == *column.name) {
            let what = format!("there is no {}", column.name);
            let fault = Fault::new("missing-cell", what, format!("fill in the column {}", column.name));
            faults.push(Located { pointer: format!("/{}", column.name), fault });
        }
    }
    if faults.is_empty() { Ok(Value::Object(members)) } else { Err(faults) }
}

/// A pointer into a document, as the column that holds it and the place in there.
pub fn column_of(columns: &[Column], pointer: &str) -> String {
    let holds = |column: &&Column| {
        pointer.strip_prefix(column.member).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
    };
    // Of what is spread over several columns, the first.
    let part = |column: &&Column| column.member.starts_with(pointer) && !pointer.is_empty();
    let found = columns.iter().find(holds).map(|column| (column, &pointer[column.member.len()..]));
    match found.or_else(|| columns.iter().find(part).map(|column| (column, ""))) {
        Some((column, rest)) => format!("/{}{rest}", column.name),
        None => pointer.to_owned(),
    }
}

/// Members are at the top or one level down.
fn insert(members: &mut Map<String, Value>, pointer: &str, value: Value) {
    match pointer[1..].split_once('/') {
        None => drop(members.insert(pointer[1..].to_owned(), value)),
        Some((outer, inner)) => {
            let place = members.entry(outer).or_insert_with(|| Value::Object(Map::new()));
            if !place.is_object() {
                *place = Value::Object(Map::new());
            }
            if let Value::Object(inside) = place {
                inside.insert(inner.to_owned(), value);
            }
        }
    }
}

/// With what is around it, once that is empty.
fn remove(members: &mut Map<String, Value>, pointer: &str) {
    match pointer[1..].split_once('/') {
        None => drop(members.remove(&pointer[1..])),
        Some((outer, inner)) => {
            if let Some(Value::Object(inside)) = members.get_mut(outer) {
                inside.remove(inner);
                if inside.is_empty() {
                    members.remove(outer);
                }
            }
        }
    }
}
