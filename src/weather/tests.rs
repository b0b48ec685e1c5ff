//! Tables and documents as they come: what is read of them, what is refused and where, and that nothing whatever makes
//! the readers panic.

use super::*;
use crate::dto::ForecastHourDto;
use proptest::prelude::*;
use serde_json::{Value, json};

fn codes(faults: &[Located]) -> Vec<&'static str> {
    faults.iter().map(|located| located.fault.code).collect()
}

/// A day of hours, each line made by `line`.
fn table(header: &str, line: impl Fn(usize) -> String) -> String {
    let lines: Vec<String> = (0..24).map(line).collect();
    format!("{header}\n{}\n", lines.join("\n"))
}

fn told(text: &str) -> (String, String) {
    let faults = csv::read(text).unwrap_err();
    (faults[0].fault.code.to_owned(), faults[0].fault.what.clone())
}

#[test]
fn a_table_is_read_in_any_order_of_columns_and_in_either_unit() {
    let metric = table("start,temp_c,rh_percent,rain_mm", |i| format!("2026-03-09T{i:02}:00:00Z,10.0,55,2.54"));
    let us = table("rain_in,rh_percent,temp_f,start", |i| format!("0.1, 55 ,50,2026-03-09T{i:02}:00:00Z"));
    let read = csv::read(&metric).unwrap();
    assert_eq!(read, csv::read(&us).unwrap());
    assert_eq!(read, csv::read(&format!("\u{feff}{}", metric.replace('\n', "\r\n"))).unwrap());
    // As recorded weather calls it.
    assert_eq!(read, csv::read(&metric.replacen("start", "hour", 1)).unwrap());
    let start = "2026-03-09T05:00:00Z".to_owned();
    assert_eq!(read.hours[5], ForecastHourDto { start, temp_c: 10.0, rh_percent: 55.0, rain_mm: 2.54 });
}

/// Without rain and with blank cells: what is not known is left out, and short holes are the forecast's own matter.
#[test]
fn blank_cells_are_hours_left_out() {
    let text = table("start,temp_c,rh_percent", |i| match i {
        3 => "2026-03-09T03:00:00Z,,55".to_owned(),
        4 => "2026-03-09T04:00:00Z,10,".to_owned(),
        9 => ",,".to_owned(),
        _ => format!("2026-03-09T{i:02}:00:00Z,10,55"),
    });
    let summary = Summary::of(&csv::read(&text).unwrap()).unwrap();
    assert_eq!((summary.hours, summary.holes.len()), (21, 2));
    let told = "21 hours, from 2026-03-09 00:00 UTC to 2026-03-10 00:00 UTC; 3 missing in 2 holes, the first from \
                2026-03-09 03:00 UTC on, filled in";
    assert_eq!(summary.to_string(), told);
}

#[test]
fn a_bad_table_is_told_by_line_and_column() {
    let good = |i: usize| format!("2026-03-09T{i:02}:00:00Z,10,55");
    let header = "start,temp_c,rh_percent";
    let with = |bad: usize, line: &str| table(header, |i| if i == bad { line.to_owned() } else { good(i) });
    for (text, code, what) in [
        (with(2, "2026-03-09T02:00:00Z,mild,55"), "not-a-number", "line 4, column temp_c: \"mild\""),
        (with(2, "2026-03-09T02:00:00Z,NaN,55"), "not-a-number", "line 4, column temp_c"),
        (with(2, "2026-03-09T02:00:00Z,1e999,55"), "not-a-number", "line 4, column temp_c"),
        (with(2, "2026-03-09T02:00:00Z,\"10,5\",55"), "not-a-number", "line 4, column temp_c: \"10,5\""),
        (with(2, "2026-03-09T02:00:00Z,61,55"), "out-of-range", "line 4, column temp_c: 61"),
        (with(2, "2026-03-09T02:00:00Z,10,101"), "out-of-range", "line 4, column rh_percent"),
        (with(2, "2026-03-09T02:30:00Z,10,55"), "forecast-off-hour", "line 4, column start"),
        (with(2, "9 March 2 o'clock,10,55"), "bad-instant", "line 4, column start"),
        (with(2, "2026-03-09T00:00:00Z,10,55"), "forecast-order", "line 4, column start"),
        (with(2, "2026-03-09T02:00:00Z,10"), "uneven-row", "line 4: 2 cells"),
        (with(2, ",10,55"), "missing-start", "line 4, column start"),
        (with(23, "2026-03-10T08:00:00Z,10,55"), "forecast-hole", "line 25, column start"),
        (table("start,temp_c", |i| format!("2026-03-09T{i:02}:00:00Z,10")), "missing-column", "rh_percent"),
        (table("start,temp_k,rh_percent", good), "unknown-column", "\"temp_k\""),
        (table("start;temp_c;rh_percent", good), "unknown-column", "start;temp_c"),
        (table("start,temp_c,temp_f,rh_percent", |i| good(i) + ",55"), "duplicate-column", "temp_c and temp_f"),
        (format!("{header}\n{}\n", good(1)), "forecast-length", "a forecast of 1 hours"),
        (String::new(), "missing-column", "start"),
    ] {
        let (told_code, told_what) = told(&text);
        assert_eq!(told_code, code, "{told_what}");
        assert!(told_what.contains(what), "{told_what} does not say {what}");
    }
    let long = format!("{header}\n{}", ",,\n".repeat(9_601));
    assert_eq!(told(&long).0, "too-many");
    assert_eq!(told(&" ".repeat(WEATHER_BYTES_MAX + 1)).0, "too-large");
}

/// A quoted cell may hold line breaks; the line told is the one the row begins in.
#[test]
fn lines_are_counted_as_an_editor_counts_them() {
    let text = "start,temp_c,rh_percent\n\n2026-03-09T00:00:00Z,10,55\n2026-03-09T01:00:00Z,\"1\n0\",55\n";
    assert!(told(text).1.starts_with("line 4, column temp_c"), "{}", told(text).1);
}

fn layer(uom: &str, values: &[(&str, Value)]) -> Value {
    let value = |(interval, value): &(&str, Value)| json!({"validTime": interval, "value": value});
    json!({"uom": uom, "values": values.iter().map(value).collect::<Vec<_>>()})
}

fn document(layers: &[(&str, Value)]) -> Value {
    let mut properties = json!({"updateTime": "2019-07-04T17:00:00+00:00", "weather": {"values": [{"value": []}]}});
    for (name, layer) in layers {
        properties[*name] = layer.clone();
    }
    json!({"type": "Feature", "geometry": null, "properties": properties})
}

const DAY: &str = "2019-07-04T18:00:00+00:00/P1D";

fn read(layers: &[(&str, Value)]) -> Result<crate::dto::ForecastDto, Vec<Located>> {
    gridpoint::read(&document(layers).to_string())
}

/// Source of the form: the service's own page on gridpoints. Equal hours are merged; amounts are for the whole interval
/// (weather-gov/api, issue 21).
#[test]
fn merged_hours_are_taken_apart_and_amounts_divided() {
    let temp = layer(
        "wmoUnit:degC",
        &[
            ("2019-07-04T18:00:00+00:00/PT3H", json!(21.11111111111111)),
            ("2019-07-04T21:00:00+00:00/P1DT6H", json!(18)),
        ],
    );
    let rh = layer("wmoUnit:percent", &[("2019-07-04T18:00:00+00:00/P1DT9H", json!(60))]);
    let rain = layer(
        "wmoUnit:mm",
        &[
            ("2019-07-04T12:00:00+00:00/PT6H", json!(5)),
            ("2019-07-04T18:00:00+00:00/PT6H", json!(0.1)),
            ("2019-07-05T00:00:00+00:00/PT6H", Value::Null),
        ],
    );
    let layers = [("temperature", temp), ("relativeHumidity", rh), ("quantitativePrecipitation", rain)];
    let read = read(&layers).unwrap();
    assert_eq!(read.hours.len(), 33);
    let temps: Vec<f64> = read.hours.iter().map(|hour| hour.temp_c).collect();
    assert_eq!((temps[0], temps[2], temps[3], temps[32]), (21.11, 21.11, 18.0, 18.0));
    assert_eq!(read.hours[32].start, "2019-07-06T02:00:00Z");
    let rain: Vec<i64> = read.hours.iter().map(|hour| (hour.rain_mm * 100.0).round() as i64).collect();
    assert_eq!(rain[..7], [2, 1, 2, 2, 1, 2, 0]);
    assert_eq!(rain.iter().sum::<i64>(), 10);
}

/// Source of the humidity: ASHRAE as in PyPI `psychrolib` 2.5.0, 20 C with a dew point of 9.272 C is 50 %.
#[test]
fn humidity_comes_from_the_dew_point_where_it_is_not_given() {
    let temp = |uom: &str, value: f64| layer(uom, &[(DAY, json!(value))]);
    let rh = layer(
        "wmoUnit:percent",
        &[("2019-07-04T18:00:00+00:00/PT2H", json!(70)), ("2019-07-04T20:00:00+00:00/PT22H", Value::Null)],
    );
    let layers =
        [("temperature", temp("wmoUnit:degF", 68.0)), ("relativeHumidity", rh), ("dewpoint", temp("unit:degC", 9.272))];
    let both = read(&layers).unwrap();
    assert_eq!((both.hours[0].temp_c, both.hours[1].rh_percent), (20.0, 70.0));
    assert!((both.hours[2].rh_percent - 50.0).abs() < 0.1, "{:?}", both.hours[2]);
    let alone = read(&[layers[0].clone(), layers[2].clone()]).unwrap();
    assert_eq!(alone.hours[0].rh_percent, both.hours[2].rh_percent);
    // A dew point above the temperature is fog.
    let fog = read(&[("temperature", temp("wmoUnit:degC", 5.0)), ("dewpoint", temp("wmoUnit:degC", 5.5))]).unwrap();
    assert_eq!(fog.hours[0].rh_percent, 100.0);
}

#[test]
fn hours_without_temperature_or_humidity_are_left_out() {
    let temp = layer(
        "wmoUnit:degC",
        &[
            ("2019-07-04T18:00:00+00:00/PT12H", json!(20)),
            ("2019-07-05T06:00:00+00:00/PT3H", Value::Null),
            ("2019-07-05T09:00:00+00:00/PT12H", json!(20)),
        ],
    );
    let rh = layer("wmoUnit:percent", &[("2019-07-04T20:00:00+00:00/PT40H", json!(60))]);
    let summary = Summary::of(&read(&[("temperature", temp), ("relativeHumidity", rh)]).unwrap()).unwrap();
    assert_eq!((summary.hours, summary.holes.len(), summary.holes[0].hours), (22, 1, 3));
    assert_eq!(summary.from.to_utc().to_rfc3339(), "2019-07-04T20:00:00+00:00");
}

#[test]
fn a_bad_document_is_told_where_it_is_bad() {
    let temp = || layer("wmoUnit:degC", &[(DAY, json!(20))]);
    let rh = || layer("wmoUnit:percent", &[(DAY, json!(60))]);
    let two = |second: &str| layer("wmoUnit:degC", &[(DAY, json!(20)), (second, json!(20))]);
    for (temperature, humidity, code, pointer) in [
        (layer("wmoUnit:K", &[(DAY, json!(293))]), rh(), "wrong-unit", "/properties/temperature/uom"),
        (json!({"values": temp()["values"]}), rh(), "missing-unit", "/properties/temperature/uom"),
        (temp(), layer("wmoUnit:degC", &[(DAY, json!(9))]), "wrong-unit", "/properties/relativeHumidity/uom"),
        (
            two("2019-07-05T17:00:00+00:00/PT2H"),
            rh(),
            "overlapping-intervals",
            "/properties/temperature/values/1/validTime",
        ),
        (
            two("2019-07-05T18:00:00+00:00/-PT2H"),
            rh(),
            "reversed-interval",
            "/properties/temperature/values/1/validTime",
        ),
        (
            two("2019-07-05T18:00:00+00:00/PT9600H"),
            rh(),
            "absurd-interval",
            "/properties/temperature/values/1/validTime",
        ),
        (layer("wmoUnit:degC", &[(DAY, json!(1000))]), rh(), "out-of-range", "/properties/temperature/values/0/value"),
        (
            temp(),
            layer("wmoUnit:percent", &[(DAY, json!(-1))]),
            "out-of-range",
            "/properties/relativeHumidity/values/0/value",
        ),
        (
            layer("wmoUnit:degC", &[("2019-07-04T18:00:00+00:00/PT23H", json!(20))]),
            rh(),
            "forecast-length",
            "/properties",
        ),
    ] {
        let faults = read(&[("temperature", temperature), ("relativeHumidity", humidity)]).unwrap_err();
        assert_eq!((faults[0].fault.code, faults[0].pointer.as_str()), (code, pointer), "{faults:#?}");
        assert!(!faults[0].fault.cure.is_empty());
    }
    let hole = layer("wmoUnit:degC", &[(DAY, json!(20)), ("2019-07-06T02:00:00+00:00/PT2H", json!(20))]);
    let wide = layer("wmoUnit:percent", &[("2019-07-04T18:00:00+00:00/P3D", json!(60))]);
    let faults = read(&[("temperature", hole), ("relativeHumidity", wide)]).unwrap_err();
    assert_eq!(codes(&faults), ["forecast-hole"]);
    assert!(faults[0].fault.what.starts_with("2019-07-06T02:00:00Z: 8 hours are missing"), "{faults:?}");
    assert_eq!(codes(&read(&[("temperature", temp())]).unwrap_err()), ["missing-layer"]);
    assert_eq!(codes(&read(&[]).unwrap_err()), ["missing-layer", "missing-layer"]);
    let other = gridpoint::read("{\"temp_c\": 10}").unwrap_err();
    assert_eq!(codes(&other), ["missing-layer", "missing-layer"]);
    assert!(other[0].fault.cure.contains("/gridpoints/"), "{other:?}");
    assert_eq!(codes(&gridpoint::read("{\"properties\": {\"temperature\": 3}}").unwrap_err()), ["wrong-type"]);
    assert_eq!(codes(&gridpoint::read("{").unwrap_err()), ["bad-json"]);
}

#[test]
fn a_file_is_known_by_how_it_begins() {
    let document = document(&[]).to_string();
    assert_eq!(codes(&read_any(&format!("\u{feff}\n {document}")).unwrap_err()), ["missing-layer", "missing-layer"]);
    assert_eq!(codes(&read_any("start").unwrap_err()), ["missing-column", "missing-column"]);
}

/// Hours as they were meant, and a document of them with equal neighbours merged into intervals of any length.
fn hourly() -> impl Strategy<Value = Vec<(Option<i32>, Option<i32>)>> {
    let run = (1..30_usize, prop::option::weighted(0.95, -20..40_i32), prop::option::weighted(0.95, 0..=100_i32));
    prop::collection::vec(run, 4..20)
        .prop_map(|runs| runs.into_iter().flat_map(|(hours, temp, rh)| vec![(temp, rh); hours]).collect())
}

fn merged(values: impl Iterator<Item = Option<i32>>, uom: &str) -> Value {
    let values: Vec<Option<i32>> = values.collect();
    let start: chrono::DateTime<chrono::Utc> = "2019-07-04T18:00:00Z".parse().unwrap();
    let mut hour = 0;
    let mut out = Vec::new();
    for run in values.chunk_by(|a, b| a == b) {
        let (days, hours) = (run.len() / 24, run.len() % 24);
        let length = match (days, hours) {
            (0, hours) => format!("PT{hours}H"),
            (days, 0) => format!("P{days}D"),
            (days, hours) => format!("P{days}DT{hours}H"),
        };
        let from = start + chrono::Duration::hours(hour);
        let from = from.to_rfc3339_opts(chrono::SecondsFormat::Secs, false);
        out.push(json!({"validTime": format!("{from}/{length}"), "value": run[0]}));
        hour += run.len() as i64;
    }
    json!({"uom": uom, "values": out})
}

proptest! {
    #[test]
    fn a_merged_document_gives_back_its_hours(hours in hourly()) {
        let text = document(&[
            ("temperature", merged(hours.iter().map(|hour| hour.0), "wmoUnit:degC")),
            ("relativeHumidity", merged(hours.iter().map(|hour| hour.1), "wmoUnit:percent")),
        ]).to_string();
        let meant = |(index, hour): (usize, &(Option<i32>, Option<i32>))| match *hour {
            (Some(temp), Some(rh)) => Some((index as i64, f64::from(temp), f64::from(rh))),
            _ => None,
        };
        let meant: Vec<(i64, f64, f64)> = hours.iter().enumerate().filter_map(meant).collect();
        match gridpoint::read(&text) {
            Ok(read) => {
                let start: chrono::DateTime<chrono::Utc> = "2019-07-04T18:00:00Z".parse().unwrap();
                let index = |text: &str| (text.parse::<chrono::DateTime<chrono::Utc>>().unwrap() - start).num_hours();
                let read: Vec<_> =
                    read.hours.iter().map(|hour| (index(&hour.start), hour.temp_c, hour.rh_percent)).collect();
                prop_assert_eq!(read, meant);
            }
            Err(faults) => {
                let hole = meant.windows(2).any(|pair| pair[1].0 - pair[0].0 > 7);
                let first = meant.first().map_or(0, |hour| hour.0);
                let short = meant.last().is_none_or(|last| last.0 - first < 23);
                prop_assert!(hole || short, "{faults:?}");
            }
        }
    }

    #[test]
    fn amounts_add_up_to_the_hundredth(amount in 0..50_000_i32, hours in 1..200_usize) {
        let interval = format!("2019-07-04T18:00:00+00:00/PT{hours}H");
        let long = [("2019-07-04T18:00:00+00:00/P10D", json!(20))];
        let read = read(&[
            ("temperature", layer("wmoUnit:degC", &long)),
            ("relativeHumidity", layer("wmoUnit:percent", &long)),
            ("quantitativePrecipitation", layer("wmoUnit:mm", &[(&interval, json!(f64::from(amount) / 100.0))])),
        ]).unwrap();
        let parts = read.hours.iter().map(|hour| (hour.rain_mm * 100.0).round() as i64);
        let parts: Vec<i64> = parts.collect();
        prop_assert_eq!(parts.iter().sum::<i64>(), i64::from(amount));
        let (least, most) = (parts[..hours].iter().min().unwrap(), parts[..hours].iter().max().unwrap());
        prop_assert!(most - least <= 1);
    }

    #[test]
    fn nothing_makes_the_readers_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let text = String::from_utf8_lossy(&bytes);
        let _ = csv::read(&text);
        let _ = gridpoint::read(&text);
        let _ = csv::read(&format!("start,temp_c,rh_percent\n{text}"));
        let _ = interval::Hours::parse(&text);
        let _ = interval::Hours::parse(&format!("2019-07-04T18:00:00+00:00/{text}"));
    }

    #[test]
    fn nothing_in_a_value_makes_the_reader_panic(
        text in "(-?P?[0-9TDHMSWPY:Z/+.-]{0,12})", value in any::<f64>(), uom in "(wmoUnit:|unit:)?(degC|degF|percent|mm|K)"
    ) {
        let interval = format!("2019-07-04T18:00:00+00:00/{text}");
        for name in ["temperature", "relativeHumidity", "dewpoint", "quantitativePrecipitation"] {
            let _ = read(&[(name, layer(&uom, &[(&interval, json!(value)), (&text, json!(value))]))]);
        }
    }
}
