//! Cells there and back, whatever is in them; files as spreadsheets write them; faults with their row and column.

use super::*;
use crate::domain::fault::Fault;
use proptest::prelude::*;
use serde_json::json;

fn row_of(text: &str) -> Result<Value, Vec<Located>> {
    let sheet = Sheet::read(text, HOUSE_COLUMNS)?;
    let row = sheet.rows().next().unwrap();
    merged(HOUSE_COLUMNS, &row, json!({}))
}

const PLAIN: &str = "key,name,access,areas\nelm-12,Elm Street 12,mon-fri 07:00-18:00,Hall: 80\n";

#[test]
fn files_are_read_as_spreadsheets_write_them() {
    let house = row_of(PLAIN).unwrap();
    let hours = json!({"week": [{"days": ["monday", "tuesday", "wednesday", "thursday", "friday"],
        "from": "07:00", "to": "18:00"}]});
    let areas = json!([{"name": "Hall", "area_sqft": 80}]);
    assert_eq!(house, json!({"key": "elm-12", "name": "Elm Street 12", "access": hours, "areas": areas}));
    for other in [
        format!("\u{feff}{PLAIN}"),
        PLAIN.replace('\n', "\r\n"),
        PLAIN.replace(',', ";"),
        PLAIN.replace(',', "\t"),
        PLAIN.replace("key,name,access,areas", "Key, Name , ACCESS,Areas"),
        format!("{PLAIN},,,\n"),
        "areas,key,access,name\n\"Hall: 80\",elm-12, mon-fri 07:00-18:00 ,Elm Street 12".to_owned(),
    ] {
        assert_eq!(row_of(&other).unwrap(), house, "{other:?}");
    }
}

#[test]
fn a_blank_cell_takes_away_and_a_missing_column_leaves_alone() {
    let known = json!({"key": "elm-12", "name": "Elm", "address": "Elm Street 12", "region": "coast", "areas": [],
        "access": {"week": []}, "location": {"latitude_deg": 40.5, "longitude_deg": -74.0}});
    let sheet =
        Sheet::read("key;latitude_deg;longitude_deg;address\nelm-12;;;\nelm-12;41,25;-74.5;Elm 1", HOUSE_COLUMNS)
            .unwrap();
    let rows: Vec<_> = sheet.rows().collect();
    let gone = merged(HOUSE_COLUMNS, &rows[0], known.clone()).unwrap();
    assert_eq!((gone.get("location"), gone.get("address"), &gone["region"]), (None, None, &json!("coast")));
    let moved = merged(HOUSE_COLUMNS, &rows[1], known).unwrap();
    assert_eq!(moved["location"], json!({"latitude_deg": 41.25, "longitude_deg": -74.5}));
    assert_eq!((rows[1].number, rows[1].line), (2, 3));
    for file in ["key,name\nx,\"a\nb\"\ny,c", "key,name\r\nx,\"a\r\nb\"\r\ny,c\r\n"] {
        let sheet = Sheet::read(file, HOUSE_COLUMNS).unwrap();
        let lines: Vec<u64> = sheet.rows().map(|row| row.line).collect();
        assert_eq!(lines, [2, 4], "{file:?}");
    }
}

#[test]
fn faults_name_row_and_column_and_a_cure() {
    let header = "key,name,access,areas,built_year,resilient_flooring,latitude_deg,air";
    let bad = |cells: &str| {
        let faults = row_of(&format!("{header}\n{cells}")).unwrap_err();
        assert!(faults.iter().all(|fault| !fault.fault.cure.is_empty()));
        faults.into_iter().map(|fault| (fault.pointer, fault.fault.code)).collect::<Vec<_>>()
    };
    let all = bad("elm-12,,whenever,Hall,later,perhaps,north,{");
    let wanted = [
        ("/name", "missing-cell"),
        ("/latitude_deg", "bad-number"),
        ("/access", "bad-hours"),
        ("/areas", "bad-area"),
        ("/air", "bad-json"),
        ("/built_year", "bad-number"),
        ("/resilient_flooring", "bad-word"),
    ];
    assert_eq!(all, wanted.map(|(pointer, code)| (pointer.to_owned(), code)));
    let whole = |text: &str| {
        let fault = Sheet::read(text, HOUSE_COLUMNS).unwrap_err().remove(0);
        (fault.pointer, fault.fault.code)
    };
    assert_eq!(whole("key,colour\nx,red"), ("/0".to_owned(), "unknown-column"));
    assert_eq!(whole("key,key\nx,y"), ("/0".to_owned(), "duplicate-column"));
    assert_eq!(whole("name\nx"), ("/0".to_owned(), "missing-column"));
    assert_eq!(whole(""), ("/0".to_owned(), "missing-column"));
    assert_eq!(whole("key,name\nx,y\nz"), ("/2".to_owned(), "uneven-row"));
    let long = format!("key,name\n{}", "x,y\n".repeat(SHEET_ROWS_MAX + 1));
    assert_eq!(whole(&long), (String::new(), "too-many"));
}

#[test]
fn places_in_documents_are_places_in_tables() {
    for (pointer, place) in [
        ("/access/week/0/from", "/access/week/0/from"),
        ("/location/latitude_deg", "/latitude_deg"),
        ("/location", "/latitude_deg"),
        ("/areas", "/areas"),
        ("", ""),
        ("/air_readings/0", "/air_readings/0"),
    ] {
        assert_eq!(column_of(HOUSE_COLUMNS, pointer), place, "{pointer}");
    }
}

#[test]
fn hours_and_areas_are_short_where_nothing_is_lost() {
    let show = |kind: Kind, value: Value| kind.show(&value);
    let week = |days: Value, overtime: bool| {
        let mut window = json!({"days": days, "from": "07:00", "to": "15:30"});
        if overtime {
            window["overtime"] = json!(true);
        }
        json!({"week": [window]})
    };
    assert_eq!(show(Kind::Hours, week(json!(["monday", "tuesday", "friday"]), false)), "mon-tue,fri 07:00-15:30");
    assert_eq!(show(Kind::Hours, week(json!(["saturday"]), true)), "sat 07:00-15:30 overtime");
    let mut odd = week(json!(["monday"]), false);
    odd["exceptions"] = json!([{"date": "2026-11-26", "windows": []}]);
    assert_eq!(Kind::Hours.read(&show(Kind::Hours, odd.clone())).unwrap(), odd);
    assert!(show(Kind::Hours, odd).starts_with('{'));
    assert_eq!(
        Kind::Hours.read("Fri-Mon 08:00-12:00").unwrap()["week"][0]["days"],
        json!(["friday", "saturday", "sunday", "monday"])
    );
    let areas =
        json!([{"name": "Room: south", "area_sqft": 320, "species": "red oak"}, {"name": "Hall", "area_sqft": 80}]);
    assert_eq!(show(Kind::Areas, areas.clone()), "Room: south: 320 red oak; Hall: 80");
    assert_eq!(Kind::Areas.read("Room: south: 320 red oak; Hall: 80").unwrap(), areas);
    let semicolon = json!([{"name": "A; B", "area_sqft": 1}]);
    assert_eq!(Kind::Areas.read(&show(Kind::Areas, semicolon.clone())).unwrap(), semicolon);
    for bad in ["mon", "mon 7", "mon-fri 07:00-15:30 paid", "someday 07:00-15:30", "mon 07:00-15:30 overtime twice"] {
        assert!(matches!(Kind::Hours.read(bad), Err(Fault { code: "bad-hours", .. })), "{bad}");
    }
}

/// What OWASP's page lists, and what it must not do to numbers.
#[test]
fn no_cell_begins_a_formula() {
    for text in [
        "=1+1", "+1+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "＝1", "'=1", "''", "-", "+", "-1.", "-.5",
        "-1e5",
    ] {
        let cell = guarded(text);
        assert!(cell.starts_with('\''), "{text:?}");
        assert_eq!(unguarded(&cell), text);
    }
    for text in ["", "a=1", "-74.006", "+12", "0", "Elm's", " =1"] {
        assert_eq!(guarded(text), text);
        assert_eq!(unguarded(text), text);
    }
    assert_eq!(unguarded("'tis"), "'tis");
}

proptest! {
    #[test]
    fn any_text_goes_into_a_cell_and_back(text in "[=+@'\\-\t0-9.a ]{0,6}|\\PC{0,40}") {
        let cell = guarded(&text);
        prop_assert_eq!(unguarded(&cell), text.as_str());
        let begins = cell.starts_with(['=', '@', '\t']);
        prop_assert!(!begins, "{}", cell);
    }

    #[test]
    fn any_areas_and_skills_come_back(names in prop::collection::vec("[ -~é;:\\[]{1,12}", 1..5), sqft in 1_i64..9_999) {
        let areas: Vec<Value> = names.iter().map(|name| json!({"name": name, "area_sqft": sqft, "species": name})).collect();
        let areas = Value::from(areas);
        prop_assert_eq!(Kind::Areas.read(&Kind::Areas.show(&areas)).unwrap(), areas);
        let skills = Value::from(names);
        prop_assert_eq!(Kind::Texts.read(&Kind::Texts.show(&skills)).unwrap(), skills);
    }
}
