//! What hostile bytes are fed to, and what must hold whatever they are. A target panics where it does not. The suite feeds
//! the same targets with the corpus and with what a simple mutator makes of it (`tests/plan/hostile_input.rs`).

use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::test::TestRequest;
use chrono::DateTime;
use icalendar::parser::{Component, read_calendar, unfold};
use tackfree::api::headers::{has_already, idempotency_key, if_match};
use tackfree::api::page::{Cursor, PageQuery, next_link};
use tackfree::browser::same_origin;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::domain::zone::Zone;
use tackfree::dto::{
    ForecastDto, HouseDto, Located, parse_planning_file, read_json, read_past_weather, write_planning_file,
};
use tackfree::feed::{Calendar, Event, EventStatus, render};
use tackfree::planner::{Request, plan};
use tackfree::table::{CREW_COLUMNS, EQUIPMENT_COLUMNS, HOUSE_COLUMNS, Sheet, cells, line, merged};
use tackfree::weather::read_any;

/// Takes any bytes, and panics where something does not hold.
pub type Target = fn(&[u8]);

/// Name and function of each.
pub const TARGETS: &[(&str, Target)] = &[
    ("planning-file", planning_file),
    ("plan", planned),
    ("feed", feed),
    ("cursor", cursor),
    ("headers", headers),
    ("forecast", forecast),
    ("past-weather", past_weather),
    ("table", table),
];

/// Jobs and steps that are planned: more of them take longer and find nothing else.
const JOBS_MAX: usize = 4;
const STEPS_MAX: usize = 24;

/// Every fault says what is wrong and what cures it.
fn told(faults: &[Located]) {
    assert!(!faults.is_empty(), "refused without a reason");
    for Located { pointer, fault } in faults {
        assert!(pointer.is_empty() || pointer.starts_with('/'), "{pointer:?} points nowhere");
        let said = !fault.code.is_empty() && !fault.what.is_empty() && !fault.cure.is_empty();
        assert!(said, "a fault that says nothing at {pointer}");
    }
}

/// What is read can be written, and reads back to what it was.
fn planning_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match parse_planning_file(text) {
        Ok(parsed) => {
            let written = write_planning_file(&parsed.situation);
            let again = parse_planning_file(&written);
            let again = again.unwrap_or_else(|faults| panic!("what was written is refused: {}", faults[0]));
            assert_eq!(write_planning_file(&again.situation), written, "written and read, it is another");
        }
        Err(faults) => told(&faults),
    }
}

/// Whether it is small enough to be planned here.
pub fn is_planned(situation: &Situation) -> bool {
    let steps: usize = situation.jobs.iter().map(|job| job.chain.steps().len()).sum();
    situation.jobs.len() <= JOBS_MAX && steps <= STEPS_MAX
}

/// Whatever is taken can be planned, and the audit has nothing against the plan.
fn planned(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(parsed) = parse_planning_file(text) else { return };
    let situation = parsed.situation;
    if !is_planned(&situation) {
        return;
    }
    let made = plan(&situation, Request { move_budget: 5, ..Request::new() });
    let report = tackfree::audit::audit(&situation, &made);
    let broken: Vec<String> = report.violations.iter().map(|violation| violation.explain(&situation)).collect();
    assert!(broken.is_empty(), "the audit rejects the plan: {broken:?}");
}

/// What a reader makes of a text: one kind of line break, no control characters but tabs.
fn as_read(text: &str) -> String {
    let text = text.replace("\r\n", "\n");
    let breaks = |c: char| if matches!(c, '\r' | '\u{85}' | '\u{2028}' | '\u{2029}') { '\n' } else { c };
    text.chars().map(breaks).filter(|c| !c.is_control() || matches!(c, '\n' | '\t')).collect()
}

/// As the other reader has it, escapes undone.
fn value_of(component: &Component<'_>, name: &str) -> Option<String> {
    let mut all = component.properties.iter().filter(|property| property.name == name);
    let value = all.next().map(|property| property.val.to_string());
    assert!(all.next().is_none(), "two lines called {name}");
    value
}

/// A calendar of hostile texts says those texts and nothing else: no line, event or property comes out of them.
fn feed(data: &[u8]) {
    let Some((&first, rest)) = data.split_first() else { return };
    let text = String::from_utf8_lossy(rest);
    let mut texts = text.split('\u{1f}').map(str::to_owned);
    let mut next = || texts.next().unwrap_or_default();
    let zones = ["America/New_York", "UTC", "Australia/Lord_Howe", "Africa/Casablanca"];
    let zone = Zone::parse(zones[usize::from(first) % zones.len()]).expect("it is a zone");
    let stamp = DateTime::from_timestamp(1_772_000_000, 0).expect("it is an instant");
    let start = Minute(29_453_760 + i64::from(first) * 997);
    let event = Event {
        uid: next(),
        sequence: first.into(),
        stamp,
        last_modified: stamp,
        start,
        end: start.plus(i64::from(first)),
        summary: next(),
        description: next(),
        location: next(),
        geo: None,
        categories: Vec::new(),
        color: None,
        status: EventStatus::Confirmed,
        transparent: first % 2 == 0,
    };
    let calendar = Calendar {
        name: next(),
        description: Some(next()),
        zone,
        color: None,
        uid: next(),
        last_modified: stamp,
        refresh_minutes: first.into(),
        url: Some(next()),
        events: vec![event.clone(), event.clone()],
    };
    let text = render(&calendar);
    assert!(text.ends_with("\r\n"));
    for line in text.split_terminator("\r\n") {
        assert!(line.len() <= 75, "a line of {} octets", line.len());
        assert!(!line.chars().any(|c| c.is_control() && c != '\t'), "a control character in {line:?}");
    }
    let unfolded = unfold(&text);
    let read = read_calendar(&unfolded).unwrap_or_else(|error| panic!("another reader refuses it: {error}: {text}"));
    assert_eq!(value_of_calendar(&read, "X-WR-CALNAME"), Some(as_read(&calendar.name)));
    let events: Vec<&Component<'_>> = read.components.iter().filter(|part| part.name == "VEVENT").collect();
    assert_eq!(events.len(), 2, "events come from nowhere: {text}");
    for part in events {
        assert!(part.components.is_empty());
        for (name, value) in [("UID", &event.uid), ("SUMMARY", &event.summary)] {
            assert_eq!(value_of(part, name), Some(as_read(value)), "{name}");
        }
        for (name, value) in [("DESCRIPTION", &event.description), ("LOCATION", &event.location)] {
            assert_eq!(value_of(part, name), (!value.is_empty()).then(|| as_read(value)), "{name}");
        }
        let optional = usize::from(!event.description.is_empty()) + usize::from(!event.location.is_empty());
        let ends = usize::from(event.end > event.start);
        assert_eq!(part.properties.len(), 8 + optional + ends, "a property comes from nowhere: {text}");
    }
}

fn value_of_calendar(calendar: &icalendar::parser::Calendar<'_>, name: &str) -> Option<String> {
    let found = calendar.properties.iter().find(|property| property.name == name);
    found.map(|property| property.val.to_string())
}

/// A cursor that is taken is one that was given: it comes out again as it went in.
fn cursor(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let query = PageQuery { after: Some(text.to_owned()), limit: data.first().map(|byte| u32::from(*byte)) };
    let _ = query.limit();
    if let Ok(Some(cursor)) = query.cursor() {
        let request = TestRequest::with_uri("/v1/jobs?limit=2").to_http_request();
        let link = next_link(&request, cursor);
        let given = link.split("after=").nth(1).and_then(|rest| rest.split('>').next()).expect("a link has a cursor");
        let again = PageQuery { after: Some(given.to_owned()), limit: None }.cursor();
        assert!(matches!(again, Ok(Some(same)) if same == cursor), "{text} came out as {given}");
        if let Cursor::Row(_) = cursor {
            assert!(query.row().is_ok());
        }
    }
    // An address that somebody else has made up: nothing of it ends the reference.
    let plain: String = text.chars().filter(char::is_ascii_graphic).collect();
    if let Ok(uri) = format!("/v1/jobs?{plain}").parse::<actix_web::http::Uri>() {
        let request = TestRequest::with_uri(&uri.to_string()).to_http_request();
        let link = next_link(&request, Cursor::Place(1));
        assert_eq!((link.matches('>').count(), link.matches('"').count()), (1, 2), "{link}");
    }
}

/// Lines of `name: value`, each one of those that are heeded.
fn headers(data: &[u8]) {
    let names = [
        header::IF_MATCH,
        header::IF_NONE_MATCH,
        HeaderName::from_static("idempotency-key"),
        header::ORIGIN,
        header::HOST,
        HeaderName::from_static("sec-fetch-site"),
        header::IF_MODIFIED_SINCE,
        header::RANGE,
        header::ACCEPT,
        HeaderName::from_static("x-forwarded-for"),
        HeaderName::from_static("x-forwarded-proto"),
    ];
    let mut request = TestRequest::with_uri("/v1/jobs");
    for line in data.split(|byte| *byte == b'\n').take(16) {
        let Some((&which, value)) = line.split_first() else { continue };
        let name = &names[usize::from(which) % names.len()];
        if let Ok(value) = HeaderValue::from_bytes(value) {
            request = request.append_header((name.clone(), value));
        }
    }
    let request = request.to_http_request();
    if let Ok(wanted) = if_match(&request) {
        for current in [0, 1, i64::MAX] {
            let version = wanted.version(current);
            assert!(version.is_err() || version.is_ok_and(|version| version == current));
        }
    }
    let _ = has_already(&request, "\"1\"");
    if let Ok(Some(key)) = idempotency_key(&request) {
        assert!((1..=255).contains(&key.len()) && key.chars().all(|c| c == ' ' || c.is_ascii_graphic()), "{key:?}");
    }
    let _ = same_origin(&request);
}

/// What is read keeps the rules of forecasts, and can be sent as JSON.
fn forecast(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match read_any(text) {
        Ok(forecast) => {
            assert!(forecast.check().is_empty(), "a forecast is taken that breaks the rules");
            let json = serde_json::to_string(&forecast).expect("it can be written");
            let again: ForecastDto = read_json(&json, usize::MAX).expect("what was written can be read");
            assert_eq!(serde_json::to_string(&again).expect("it can be written"), json);
        }
        Err(faults) => told(&faults),
    }
}

fn past_weather(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Err(fault) = read_past_weather(text) {
        assert!(!fault.what.is_empty() && !fault.cure.is_empty());
    }
}

/// Tables of houses, crews and equipment: each row becomes a document or says where it is wrong.
fn table(data: &[u8]) {
    let Some((&which, rest)) = data.split_first() else { return };
    let Ok(text) = std::str::from_utf8(rest) else { return };
    let columns = [HOUSE_COLUMNS, CREW_COLUMNS, EQUIPMENT_COLUMNS][usize::from(which) % 3];
    let sheet = match Sheet::read(text, columns) {
        Ok(sheet) => sheet,
        Err(faults) => return told(&faults),
    };
    for row in sheet.rows() {
        match merged(columns, &row, serde_json::json!({})) {
            Ok(document) => {
                if let Err(faults) = read_json::<HouseDto>(&document.to_string(), usize::MAX) {
                    told(&faults);
                }
                let header: Vec<String> = columns.iter().map(|column| column.name.to_owned()).collect();
                let written = line(&header) + &line(&cells(columns, &document));
                let again = Sheet::read(&written, columns).unwrap_or_else(|faults| panic!("{}: {written}", faults[0]));
                let row = again.rows().next().expect("a row was written");
                let again = merged(columns, &row, serde_json::json!({}));
                assert_eq!(again.unwrap_or_else(|faults| panic!("{}: {written}", faults[0])), document, "{written}");
            }
            Err(faults) => told(&faults),
        }
    }
}
