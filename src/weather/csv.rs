//! A table of hours: comma-separated values with a header row (RFC 4180). The names of the columns carry the units, so
//! that nobody has to guess; what is in a cell is read as it stands, and faults name line and column.

use super::{celsius_of_fahrenheit, hundredths, judged, shown, too_large};
use crate::domain::bounds::FORECAST_HOURS_MAX;
use crate::domain::fault::Fault;
use crate::dto::{FAULTS_MAX, ForecastDto, ForecastHourDto, Located};
use ::csv::{Position, ReaderBuilder, StringRecord, Trim};

/// More columns than this are no table of ours: there are four values, two of them in two units.
const COLUMNS_MAX: usize = 16;
/// Millimetres of one inch, by definition.
const MM_PER_INCH: f64 = 25.4;
const KNOWN: &str = "start, temp_c or temp_f, rh_percent, and if you like rain_mm or rain_in";

/// A column by its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Column {
    Start,
    TempC,
    TempF,
    Rh,
    RainMm,
    RainIn,
}

impl Column {
    const ALL: [Column; 6] = [Column::Start, Column::TempC, Column::TempF, Column::Rh, Column::RainMm, Column::RainIn];

    const fn name(self) -> &'static str {
        match self {
            Column::Start => "start",
            Column::TempC => "temp_c",
            Column::TempF => "temp_f",
            Column::Rh => "rh_percent",
            Column::RainMm => "rain_mm",
            Column::RainIn => "rain_in",
        }
    }

    /// By the name in a table's head; recorded weather often calls its instants `hour`.
    fn of(name: &str) -> Option<Column> {
        let name = if name == "hour" { "start" } else { name };
        Column::ALL.into_iter().find(|column| column.name() == name)
    }

    /// Which member of an hour it fills; two columns of one member contradict each other.
    const fn member(self) -> &'static str {
        match self {
            Column::Start => "start",
            Column::TempC | Column::TempF => "temp_c",
            Column::Rh => "rh_percent",
            Column::RainMm | Column::RainIn => "rain_mm",
        }
    }

    /// The value in the program's unit.
    fn converted(self, value: f64) -> f64 {
        match self {
            Column::TempF => celsius_of_fahrenheit(value),
            Column::RainIn => value * MM_PER_INCH,
            Column::Start | Column::TempC | Column::Rh | Column::RainMm => value,
        }
    }
}

/// Reads a table. Columns may come in any order. A blank cell means that the value is not known for that hour: an hour
/// without temperature or humidity is left out, as is a row that is not there at all; rain that is not known is none.
///
/// # Errors
/// Every fault found, with line and column in its text; pointers are empty, because a table has none.
pub fn read(text: &str) -> Result<ForecastDto, Vec<Located>> {
    if let Some(fault) = too_large(text.len()) {
        return Err(vec![whole(fault)]);
    }
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = ReaderBuilder::new().trim(Trim::All).from_reader(text.as_bytes());
    let columns = columns(reader.headers().map_err(|error| vec![whole(unreadable(&error))])?)?;
    let mut table = Table { columns, hours: Vec::new(), lines: Vec::new(), faults: Vec::new() };
    let mut rows = 0;
    for record in reader.records() {
        rows += 1;
        if rows > FORECAST_HOURS_MAX {
            let what = format!("the table has more than {FORECAST_HOURS_MAX} rows");
            table.faults.push(whole(Fault::new("too-many", what, format!("give at most {FORECAST_HOURS_MAX}"))));
            break;
        }
        match record {
            Ok(record) => table.row(&record),
            Err(error) => table.faults.push(whole(unreadable(&error))),
        }
        if table.faults.len() >= FAULTS_MAX {
            break;
        }
    }
    table.judged()
}

fn whole(fault: Fault) -> Located {
    Located { pointer: String::new(), fault }
}

fn unreadable(error: &::csv::Error) -> Fault {
    let line = error.position().map_or(String::new(), |position| format!("line {}: ", position.line()));
    match error.kind() {
        ::csv::ErrorKind::UnequalLengths { expected_len, len, .. } => Fault::new(
            "uneven-row",
            format!("{line}{len} cells, where the header has {expected_len}"),
            "give every row one cell for each column; put a cell with a comma in it in double quotes",
        ),
        _ => Fault::new("bad-csv", format!("{line}{error}"), "send comma-separated values (RFC 4180) in UTF-8"),
    }
}

/// The header row: each name known, each value once, and all that are needed.
fn columns(header: &StringRecord) -> Result<Vec<Column>, Vec<Located>> {
    let mut columns: Vec<Column> = Vec::new();
    let mut faults = Vec::new();
    let cure = format!("name the columns {KNOWN}, separated by commas, and leave others out");
    for name in header.iter().take(COLUMNS_MAX) {
        let Some(column) = Column::of(name) else {
            let what = format!("line 1: no column is called {}", shown(name));
            faults.push(whole(Fault::new("unknown-column", what, cure.clone())));
            continue;
        };
        if let Some(other) = columns.iter().find(|other| other.member() == column.member()) {
            let what = format!("line 1: the columns {} and {} say the same", other.name(), column.name());
            faults.push(whole(Fault::new("duplicate-column", what, "keep one of them")));
        }
        columns.push(column);
    }
    if header.len() > COLUMNS_MAX {
        faults.push(whole(Fault::new("too-many", format!("line 1: {} columns", header.len()), cure.clone())));
    }
    for needed in ["start", "temp_c", "rh_percent"] {
        if !columns.iter().any(|column| column.member() == needed) {
            let named = if needed == "temp_c" { "temp_c or temp_f" } else { needed };
            let what = format!("line 1: there is no column {named}");
            faults.push(whole(Fault::new("missing-column", what, cure.clone())));
        }
    }
    if faults.is_empty() { Ok(columns) } else { Err(faults) }
}

struct Table {
    columns: Vec<Column>,
    hours: Vec<ForecastHourDto>,
    /// In which line each hour begins.
    lines: Vec<u64>,
    faults: Vec<Located>,
}

impl Table {
    fn row(&mut self, record: &StringRecord) {
        if record.iter().all(str::is_empty) {
            return;
        }
        let line = record.position().map_or(0, Position::line);
        let (mut start, mut temp, mut rh, mut rain) = (None, None, None, None);
        let mut good = true;
        for (column, cell) in self.columns.clone().into_iter().zip(record.iter()) {
            let value = match column {
                Column::Start => {
                    start = (!cell.is_empty()).then(|| cell.to_owned());
                    continue;
                }
                _ if cell.is_empty() => None,
                _ => number(cell).map_or_else(
                    || {
                        good = false;
                        self.faults.push(not_a_number(line, column, cell));
                        None
                    },
                    |value| Some(hundredths(column.converted(value))),
                ),
            };
            match column {
                Column::Start => {}
                Column::TempC | Column::TempF => temp = value,
                Column::Rh => rh = value,
                Column::RainMm | Column::RainIn => rain = value,
            }
        }
        let Some(start) = start else {
            let cure = "write the start of the hour, such as 2026-03-09T08:00:00-04:00, or remove the row";
            let what = format!("line {line}, column start: the cell is blank, but others in the row are not");
            self.faults.push(whole(Fault::new("missing-start", what, cure)));
            return;
        };
        if let (true, Some(temp_c), Some(rh_percent)) = (good, temp, rh) {
            self.hours.push(ForecastHourDto { start, temp_c, rh_percent, rain_mm: rain.unwrap_or(0.0) });
            self.lines.push(line);
        }
    }

    fn judged(self) -> Result<ForecastDto, Vec<Located>> {
        let Table { columns, hours, lines, faults } = self;
        if !faults.is_empty() {
            return Err(faults);
        }
        judged(ForecastDto { hours }, |index, member, fault| {
            let column = columns.iter().find(|column| column.member() == member);
            let line = index.and_then(|index| lines.get(index));
            let place = match (line, column) {
                (Some(line), Some(column)) => format!("line {line}, column {}: ", column.name()),
                (Some(line), None) => format!("line {line}: "),
                (None, _) => String::new(),
            };
            whole(Fault { what: format!("{place}{}", fault.what), ..fault })
        })
    }
}

/// Plain decimal numbers only: a sign, digits, a point, an exponent.
fn number(cell: &str) -> Option<f64> {
    let plain = cell.bytes().all(|byte| byte.is_ascii_digit() || b"+-.eE".contains(&byte));
    cell.parse().ok().filter(|value: &f64| plain && value.is_finite())
}

fn not_a_number(line: u64, column: Column, cell: &str) -> Located {
    whole(Fault::new(
        "not-a-number",
        format!("line {line}, column {}: {} is not a number", column.name(), shown(cell)),
        "write a number with a decimal point and no unit, such as 11.5, or leave the cell blank",
    ))
}
