//! Hours of past weather as a table of comma-separated values: read, with the line told of what is wrong. What is made of
//! them is in `trade::normals`; forecasts come as JSON.

use super::fault::shown;
use super::house::{AIR_CENTI_C, RH_CENTI_PERCENT};
use super::scalar;
use crate::domain::climate::{Air, OutdoorHour};
use crate::domain::fault::Fault;
use std::ops::RangeInclusive;

/// Largest table read: thirty years of hours with some columns more than needed.
pub const PAST_WEATHER_BYTES_MAX: usize = 64 << 20;
/// Names of the column of instants; the second is that of the recorded year in `demo/`.
const START_NAMES: [&str; 2] = ["start", "hour"];

/// What a table held.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastWeather {
    /// In the order of the table; no rain is read.
    pub hours: Vec<OutdoorHour>,
    /// Lines without a temperature or a humidity, which are not among the hours.
    pub left_out: usize,
}

/// Where the columns are.
struct Columns {
    count: usize,
    start: usize,
    temp_c: usize,
    rh_percent: usize,
}

/// Reads a table with the columns `start` (RFC 3339), `temp_c` and `rh_percent` in any order; others are passed over.
///
/// A line whose temperature or humidity is empty or `NA` is left out and counted. Values in quotes are not read: none of
/// these needs any.
pub fn read_past_weather(text: &str) -> Result<PastWeather, Fault> {
    let mut lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let head = lines.next().map_or("", |(_, line)| line.trim_start_matches('\u{feff}'));
    let columns = columns(head)?;
    let mut past = PastWeather { hours: Vec::new(), left_out: 0 };
    for (index, line) in lines {
        match hour(&columns, line).map_err(|fault| on_line(index + 1, fault))? {
            Some(hour) => past.hours.push(hour),
            None => past.left_out += 1,
        }
    }
    Ok(past)
}

fn on_line(number: usize, fault: Fault) -> Fault {
    Fault { what: format!("line {number}: {}", fault.what), ..fault }
}

fn columns(head: &str) -> Result<Columns, Fault> {
    let names: Vec<&str> = head.split(',').map(str::trim).collect();
    let find = |wanted: &[&str]| {
        names.iter().position(|name| wanted.contains(name)).ok_or_else(|| {
            Fault::new(
                "past-weather-columns",
                format!("there is no column {} in {}", shown(wanted[0]), shown(head)),
                "begin with a line that names the columns start, temp_c and rh_percent",
            )
        })
    };
    let (start, temp_c, rh_percent) = (find(&START_NAMES)?, find(&["temp_c"])?, find(&["rh_percent"])?);
    Ok(Columns { count: names.len(), start, temp_c, rh_percent })
}

/// `None` when the line has no temperature or no humidity.
fn hour(columns: &Columns, line: &str) -> Result<Option<OutdoorHour>, Fault> {
    let fields: Vec<&str> = line.split(',').map(str::trim).collect();
    if fields.len() != columns.count {
        let what = format!("{} values under {} columns", fields.len(), columns.count);
        return Err(Fault::new("past-weather-line", what, "give each line as many values as the first has names"));
    }
    let start = scalar::instant(fields[columns.start])?;
    let temp_centi_c = hundredths(fields[columns.temp_c], AIR_CENTI_C, "degrees Celsius")?;
    let rh_centi_percent = hundredths(fields[columns.rh_percent], RH_CENTI_PERCENT, "percent")?;
    let (Some(temp_centi_c), Some(rh_centi_percent)) = (temp_centi_c, rh_centi_percent) else { return Ok(None) };
    Ok(Some(OutdoorHour { start, air: Air { temp_centi_c, rh_centi_percent }, rain_centi_mm: 0 }))
}

fn hundredths(text: &str, bounds: RangeInclusive<i32>, unit: &str) -> Result<Option<i32>, Fault> {
    if text.is_empty() || text == "NA" {
        return Ok(None);
    }
    let fault = |what: String| {
        let (least, most) = (bounds.start() / 100, bounds.end() / 100);
        Fault::new("past-weather-value", what, format!("give {least} to {most} {unit}, or leave the value empty"))
    };
    let value: f64 = text.parse().map_err(|_| fault(format!("{} is not a number", shown(text))))?;
    let scaled = (value * 100.0).round();
    // Written so that what is not a number is refused too.
    if f64::from(*bounds.start()) <= scaled && scaled <= f64::from(*bounds.end()) {
        Ok(Some(scaled as i32))
    } else {
        Err(fault(format!("{} {unit} are no air", shown(text))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_found_by_name_and_lines_without_air_are_counted() {
        let text = "\u{feff}rh_percent,rain_mm,start,temp_c\n59.37,0,2013-01-01T06:00:00Z,3.9\n\
                    ,1,2013-01-01T07:00:00Z,3.9\n60,1,2013-01-01T08:00:00Z,NA\n\n";
        let past = read_past_weather(text).unwrap();
        assert_eq!(past.left_out, 2);
        assert_eq!(past.hours.len(), 1);
        assert_eq!(past.hours[0].air, Air { temp_centi_c: 390, rh_centi_percent: 5937 });
        assert_eq!(past.hours[0].start, scalar::instant("2013-01-01T06:00:00Z").unwrap());
    }

    #[test]
    fn what_is_wrong_is_told_with_its_line() {
        let refusal = |line: &str| {
            let fault = read_past_weather(&format!("hour,temp_c,rh_percent\n2013-01-01T06:00:00Z,3.9,50\n{line}\n"));
            fault.map_err(|fault| (fault.code, fault.what.starts_with("line 3: "))).unwrap_err()
        };
        assert_eq!(refusal("2013-01-01T07:00:00Z,3.9"), ("past-weather-line", true));
        assert_eq!(refusal("2013-01-01T07:00:00Z,3.9,50,1"), ("past-weather-line", true));
        assert_eq!(refusal("2013-01-01 07:00,3.9,50"), ("bad-instant", true));
        for value in ["39F", "71.6", "-60.1", "NaN", "inf", "\"3.9\""] {
            assert_eq!(refusal(&format!("2013-01-01T07:00:00Z,{value},50")), ("past-weather-value", true), "{value}");
        }
        for value in ["101", "-1", "x"] {
            assert_eq!(refusal(&format!("2013-01-01T07:00:00Z,3.9,{value}")), ("past-weather-value", true), "{value}");
        }
    }

    #[test]
    fn a_table_without_its_columns_is_refused() {
        for text in ["", "\n", "2013-01-01T06:00:00Z,3.9,50", "start,temp_f,rh_percent\n", "start,temp_c\n"] {
            assert_eq!(read_past_weather(text).unwrap_err().code, "past-weather-columns", "{text}");
        }
    }
}
