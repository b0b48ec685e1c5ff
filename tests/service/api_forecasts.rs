//! Forecasts in the forms that the weather comes in, brought by request or from a file.

use crate::common::app::{self, Answer, App, Caller};
use reqwest::header;
use serde_json::{Value, json};
use std::process::Command;

const PATH: &str = "/v1/regions/coast/forecast";
const GEO: &str = "application/geo+json";

fn table(temp: &str) -> String {
    let lines: String = (0..24).map(|hour| format!("2026-03-09T{hour:02}:00:00Z,{temp},60\n")).collect();
    format!("start,temp_f,rh_percent\n{lines}")
}

/// Source of the form: the service's own page on gridpoints.
fn gridpoint(temp_c: f64) -> String {
    let layer = |uom: &str, value: f64| {
        let values = [("PT3H", "00"), ("PT21H", "03")].map(
            |(length, hour)| json!({"validTime": format!("2026-03-09T{hour}:00:00+00:00/{length}"), "value": value}),
        );
        json!({"uom": uom, "values": values})
    };
    json!({"@context": [], "type": "Feature", "properties": {
        "temperature": layer("wmoUnit:degC", temp_c), "relativeHumidity": layer("wmoUnit:percent", 60.0)
    }})
    .to_string()
}

async fn office(app: &App) -> Caller {
    let office = app.company("Harrow Falls Floors").await;
    let hour = |hour: u32| json!({"start": format!("2026-03-09T{hour:02}:00:00Z"), "temp_c": 0, "rh_percent": 50});
    let hours: Vec<Value> = (0..24).map(hour).collect();
    let region = json!({"key": "coast", "name": "Coast", "forecast": {"hours": hours}});
    office.post("/v1/regions", &region).await.expect(201);
    office
}

async fn put(app: &App, office: &Caller, media: &str, body: impl Into<reqwest::Body>) -> Answer {
    let request = app.http.put(format!("{}{PATH}", app.base)).bearer_auth(&office.token);
    let request = request.header(header::CONTENT_TYPE, media).header(header::IF_MATCH, "*");
    let response = request.body(body).send().await.unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    Answer { status, headers, text: response.text().await.unwrap() }
}

#[tokio::test]
async fn a_table_and_a_gridpoint_document_are_forecasts() {
    let app = app::start().await;
    let office = office(&app).await;
    let by_table = put(&app, &office, "text/csv; charset=utf-8", table("50")).await.expect(200);
    assert_eq!(
        by_table["hours"][7],
        json!({"start": "2026-03-09T07:00:00Z", "temp_c": 10.0, "rh_percent": 60.0, "rain_mm": 0.0})
    );
    let by_document = put(&app, &office, GEO, gridpoint(10.0)).await;
    assert_eq!(by_document.expect(200), by_table);
    assert_eq!(by_document.etag(), "\"3\"");
    // What is read may be sent back as it is.
    put(&app, &office, "application/json", by_table.to_string()).await.expect(200);
}

#[tokio::test]
async fn what_is_no_forecast_is_told_in_its_own_form() {
    let app = app::start().await;
    let office = office(&app).await;
    let problem = put(&app, &office, "text/csv", table("cold")).await.fault("not-a-number", "");
    assert!(problem["detail"].as_str().unwrap().contains("line 2, column temp_f: \"cold\""), "{problem}");
    put(&app, &office, GEO, gridpoint(1000.0)).await.fault("out-of-range", "/properties/temperature/values/0/value");
    put(&app, &office, GEO, "{").await.problem(400, "bad-json");
    put(&app, &office, GEO, "[]").await.problem(400, "bad-json");
    put(&app, &office, GEO, table("50")).await.problem(400, "bad-json");
    put(&app, &office, "text/csv", vec![0xff, 0xfe]).await.problem(400, "bad-json");
    put(&app, &office, "text/csv", " ".repeat((4 << 20) + 1)).await.problem(413, "body-too-large");
    for media in ["text/plain", "application/xml", "text/csv+json", "application/octet-stream"] {
        let problem = put(&app, &office, media, table("50")).await.problem(415, "unsupported-media-type");
        assert!(problem["cure"].as_str().unwrap().contains("text/csv"), "{problem}");
    }
    let shown = office.get(PATH).await;
    assert_eq!((shown.expect(200)["hours"][0]["temp_c"].as_f64(), shown.etag()), (Some(0.0), "\"1\""));
}

/// The forecast ends on Monday evening; a coat takes a day.
#[tokio::test]
async fn plans_and_the_offices_week_say_where_they_guess() {
    let app = app::start().await;
    let office = office(&app).await;
    put(&app, &office, "text/csv", table("70")).await.expect(200);
    for crew in ["north", "south"] {
        office.post("/v1/crews", &app::crew(crew)).await.expect(201);
    }
    office.post("/v1/equipment", &app::equipment("big-machine")).await.expect(201);
    let mut house = app::house("linden-4");
    house["air"] = json!({"open": {}});
    house["region"] = json!("coast");
    office.post("/v1/houses", &house).await.expect(201);
    office.post("/v1/jobs", &app::job("linden-4-floors", "linden-4")).await.expect(201);
    let draft = office.publish().await;
    let guess = json!({"region": "coast", "region_name": "Coast", "from": "2026-03-09T20:00:00-04:00",
        "beyond": "last_day_repeated", "waits": 1, "steps": 0});
    assert_eq!(draft["guesses"], json!([guess]));
    assert_eq!(office.get("/v1/plans/published").await.expect(200)["guesses"], json!([guess]));
    let said = "From Mon 9 Mar 20:00 on, 1 wait in region Coast rests on the forecast's last day repeated.";
    for (body, told) in [
        (json!({"kind": "office"}), true),
        (json!({"kind": "crew", "crew": "north"}), false),
        (json!({"kind": "customer", "house": "linden-4"}), false),
    ] {
        let feed = office.post("/v1/feeds", &body).await.expect(201);
        let page = feed["address"].as_str().unwrap().replace("/feeds/", "/week/").replace(".ics", "");
        assert_eq!(app.caller("").get(&page).await.text.contains(said), told, "{body}");
    }
}

#[test]
fn files_become_forecasts_on_the_command_line() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("weather");
    let run = |text: &str| {
        std::fs::write(&file, text).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_tackfree")).arg("forecast").arg(&file).output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (output.status.success(), text(output.stdout), text(output.stderr))
    };
    let (good, out, told) = run(&gridpoint(10.0));
    assert!(good && told.contains("24 hours, from 2026-03-09 00:00 UTC to 2026-03-10 00:00 UTC, without"), "{told}");
    let forecast: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(forecast["hours"][23]["start"], "2026-03-09T23:00:00Z");
    assert_eq!(serde_json::from_str::<Value>(&run(&table("50")).1).unwrap(), forecast);
    let (good, out, told) = run("start,temp_c\n");
    assert!(!good && out.is_empty() && told.contains("no column rh_percent"), "{told}");
}
