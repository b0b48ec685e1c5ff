//! What a cell says: as the JSON of a document, and back.

use super::short;
use crate::domain::fault::Fault;
use serde_json::{Number, Value};

/// How the cells of a column are read and written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// As it stands.
    Text,
    /// A whole number.
    Whole,
    /// A number, with a point or a comma.
    Decimal,
    /// `yes` or `no`.
    YesNo,
    /// Several, with semicolons or line ends between them.
    Texts,
    /// Weekly hours, such as `mon-fri 07:00-15:30; sat 08:00-12:00 overtime`; with exceptions, as JSON.
    Hours,
    /// Such as `Living room: 320 red oak; Hall: 80`, or as JSON.
    Areas,
    /// One word, or JSON.
    WordOrJson,
    /// As JSON.
    Json,
}

impl Kind {
    /// The value of a cell that is not blank.
    pub(super) fn read(self, cell: &str) -> Result<Value, Fault> {
        match self {
            Kind::Text => Ok(Value::from(cell)),
            Kind::Whole => cell.parse::<i64>().map(Value::from).map_err(|_| {
                Fault::new(
                    "bad-number",
                    format!("{} is not a whole number", shown(cell)),
                    "write digits only, such as 2",
                )
            }),
            Kind::Decimal => decimal(cell),
            Kind::YesNo => match cell.to_lowercase().as_str() {
                "yes" | "true" => Ok(Value::from(true)),
                "no" | "false" => Ok(Value::from(false)),
                _ => Err(Fault::new("bad-word", format!("{} is neither yes nor no", shown(cell)), "write yes or no")),
            },
            Kind::Texts if cell.starts_with('[') => json(cell),
            Kind::Texts => Ok(short::parts(cell).map(Value::from).collect()),
            Kind::Hours if cell.starts_with('{') => json(cell),
            Kind::Hours => short::read_hours(cell),
            Kind::Areas if cell.starts_with('[') => json(cell),
            Kind::Areas => short::read_areas(cell),
            Kind::WordOrJson if !cell.starts_with('{') => Ok(Value::from(cell)),
            Kind::WordOrJson | Kind::Json => json(cell),
        }
    }

    /// The cell that is read as this value.
    pub(super) fn show(self, value: &Value) -> String {
        let plain = match (self, value) {
            (_, Value::Null) => Some(String::new()),
            (Kind::Text | Kind::WordOrJson, Value::String(text)) => Some(text.clone()),
            (Kind::Whole | Kind::Decimal, Value::Number(number)) => Some(number.to_string()),
            (Kind::YesNo, Value::Bool(yes)) => Some(if *yes { "yes" } else { "no" }.to_owned()),
            (Kind::Texts, Value::Array(texts)) => {
                texts.iter().map(Value::as_str).collect::<Option<Vec<_>>>().map(|texts| texts.join("; "))
            }
            (Kind::Hours, hours) => short::show_hours(hours),
            (Kind::Areas, areas) => short::show_areas(areas),
            (
                Kind::Text | Kind::WordOrJson | Kind::Whole | Kind::Decimal | Kind::YesNo | Kind::Texts | Kind::Json,
                _,
            ) => None,
        };
        // Short only where nothing is lost by it.
        let is_same = |short: &String| {
            matches!(self, Kind::Text) || value.is_null() || self.read(short).is_ok_and(|read| read == *value)
        };
        plain.filter(is_same).unwrap_or_else(|| value.to_string())
    }
}

fn shown(cell: &str) -> String {
    let cut: String = cell.chars().take(64).collect();
    format!("{cut:?}")
}

fn decimal(cell: &str) -> Result<Value, Fault> {
    let pointed = if cell.contains('.') { cell.to_owned() } else { cell.replacen(',', ".", 1) };
    let number = pointed.parse::<f64>().ok().and_then(Number::from_f64);
    number.map(Value::Number).ok_or_else(|| {
        Fault::new(
            "bad-number",
            format!("{} is not a number", shown(cell)),
            "write digits with a point, such as 40.7128",
        )
    })
}

fn json(cell: &str) -> Result<Value, Fault> {
    serde_json::from_str(cell).map_err(|error| {
        let cure = "write it as in the API's documents, or copy it from an export";
        Fault::new("bad-json", format!("{} is not JSON: {error}", shown(cell)), cure)
    })
}
