//! Forecasts fetched from a server that answers as the weather service does, and as it does on its bad days.

use crate::common::app::{self, App, Caller};
use actix_web::dev::ServerHandle;
use actix_web::http::StatusCode;
use actix_web::{App as Actix, HttpRequest, HttpResponse, HttpServer, web};
use chrono::{DateTime, Duration, SecondsFormat, Utc};
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use tackfree::weather::fetch::Source;

const PATH: &str = "/v1/regions/coast/forecast/fetch";
const PATIENCE: std::time::Duration = std::time::Duration::from_secs(10);

/// How the weather service answers next.
#[derive(Clone, Debug)]
enum Mood {
    /// Hours from this one on, at this temperature, known by this tag.
    Forecast(&'static str, i64, f64, &'static str),
    Status(u16),
    Body(String),
    Slow(String),
    Elsewhere(String),
}

#[derive(Default)]
struct State {
    mood: Option<Mood>,
    /// Path, User-Agent, Accept, If-None-Match, If-Modified-Since of each request.
    asked: Vec<[String; 5]>,
}

struct Sky {
    base: String,
    state: Arc<Mutex<State>>,
    handle: ServerHandle,
    thread: Option<JoinHandle<()>>,
}

/// Source of the form: the service's own page on gridpoints; equal hours are merged.
fn document(from: &str, hours: i64, temp_c: f64) -> String {
    let start: DateTime<Utc> = from.parse().unwrap();
    let at = |hour: i64| (start + Duration::hours(hour)).to_rfc3339_opts(SecondsFormat::Secs, false);
    let layer = |uom: &str, first: f64, rest: f64| {
        json!({"uom": uom, "values": [
            {"validTime": format!("{}/PT2H", at(0)), "value": first},
            {"validTime": format!("{}/P{}DT{}H", at(2), (hours - 2) / 24, (hours - 2) % 24), "value": rest},
        ]})
    };
    let properties = json!({"@type": "wx:Gridpoint", "temperature": layer("wmoUnit:degC", temp_c, temp_c + 1.0),
        "relativeHumidity": layer("wmoUnit:percent", 60.0, 55.0), "weather": {"values": []}});
    json!({"type": "Feature", "properties": properties}).to_string()
}

async fn answer(request: HttpRequest, state: web::Data<Mutex<State>>) -> HttpResponse {
    let text = |name: &str| request.headers().get(name).map_or("", |value| value.to_str().unwrap()).to_owned();
    let asked = ["user-agent", "accept", "if-none-match", "if-modified-since"].map(text);
    let mood = {
        let mut state = state.lock().unwrap();
        let [agent, accept, tag, since] = asked.clone();
        state.asked.push([request.path().to_owned(), agent, accept, tag, since]);
        state.mood.clone().unwrap()
    };
    match mood {
        Mood::Forecast(_, _, _, tag) if asked[2] == tag => HttpResponse::NotModified().finish(),
        Mood::Forecast(from, hours, temp_c, tag) => HttpResponse::Ok()
            .content_type("application/geo+json")
            .insert_header(("ETag", tag))
            .insert_header(("Last-Modified", "Mon, 09 Mar 2026 08:00:00 GMT"))
            .body(document(from, hours, temp_c)),
        Mood::Status(status) => HttpResponse::build(StatusCode::from_u16(status).unwrap())
            .content_type("application/problem+json")
            .body("{\"title\": \"Forecast Grid Expired\"}"),
        Mood::Body(text) => HttpResponse::Ok().body(text),
        Mood::Slow(text) => {
            tokio::time::sleep(std::time::Duration::from_secs(5)).await;
            HttpResponse::Ok().body(text)
        }
        Mood::Elsewhere(base) => {
            HttpResponse::Found().insert_header(("Location", format!("{base}/gridpoints/OKX/33,37"))).finish()
        }
    }
}

impl Sky {
    fn open() -> Sky {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let state = web::Data::new(Mutex::new(State::default()));
        let (data, (send, started)) = (state.clone(), std::sync::mpsc::channel());
        let thread = std::thread::spawn(move || {
            actix_web::rt::System::new().block_on(async move {
                let app = move || Actix::new().app_data(data.clone()).default_service(web::to(answer));
                let server = HttpServer::new(app).workers(1).disable_signals().listen(listener).unwrap().run();
                send.send(server.handle()).unwrap();
                server.await.unwrap();
            });
        });
        Sky { base, state: state.into_inner(), handle: started.recv().unwrap(), thread: Some(thread) }
    }

    fn is(&self, mood: Mood) {
        self.state.lock().unwrap().mood = Some(mood);
    }

    fn asked(&self) -> Vec<[String; 5]> {
        std::mem::take(&mut self.state.lock().unwrap().asked)
    }

    fn source(&self) -> Source {
        Source::new(&self.base, "office@example.com", PATIENCE).unwrap()
    }
}

impl Drop for Sky {
    fn drop(&mut self) {
        drop(self.handle.stop(false));
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Forty-eight hours up to Monday 9 March 00:00 UTC, at 5 C.
async fn office(app: &App) -> Caller {
    let office = app.company("Harrow Falls Floors").await;
    let start: DateTime<Utc> = "2026-03-07T00:00:00Z".parse().unwrap();
    let hour =
        |hour: i64| json!({"start": (start + Duration::hours(hour)).to_rfc3339(), "temp_c": 5, "rh_percent": 50});
    let hours: Vec<Value> = (0..48).map(hour).collect();
    let region = json!({"key": "coast", "name": "Coast", "gridpoint": "OKX/33,37", "forecast": {"hours": hours}});
    office.post("/v1/regions", &region).await.expect(201);
    office
}

async fn fetch(office: &Caller) -> app::Answer {
    office.send(reqwest::Method::POST, PATH, &[], None).await
}

#[tokio::test]
async fn a_fetched_forecast_stands_behind_the_hours_that_are_over() {
    let sky = Sky::open();
    let app = app::start_under(sky.source()).await;
    let office = office(&app).await;
    sky.is(Mood::Forecast("2026-03-08T18:00:00Z", 170, 9.0, "\"a\""));
    let fetched = fetch(&office).await.expect(200);
    assert_eq!(
        fetched,
        json!({"region": "coast", "gridpoint": "OKX/33,37", "changed": true, "hours": 212, "kept_hours": 42,
            "filled_hours": 0, "forecast_from": "2026-03-07T00:00:00Z", "forecast_until": "2026-03-15T20:00:00Z"})
    );
    let [[path, agent, accept, tag, _]] = &sky.asked()[..] else { panic!("asked once") };
    assert_eq!(path, "/gridpoints/OKX/33,37");
    assert!(agent.starts_with("tackfree/") && agent.ends_with(" (office@example.com)"), "{agent}");
    assert_eq!((accept.as_str(), tag.as_str()), ("application/geo+json", ""));
    let hours = office.get("/v1/regions/coast/forecast").await.expect(200)["hours"].clone();
    let temp = |index: usize| hours[index]["temp_c"].as_f64().unwrap();
    assert_eq!([temp(41), temp(42), temp(44)], [5.0, 9.0, 10.0]);

    // No news: nothing changes.
    let again = fetch(&office).await.expect(200);
    assert_eq!((again["changed"].as_bool(), again["hours"].as_i64()), (Some(false), Some(212)));
    let lines = office.get("/v1/changes?kind=region&key=coast").await.expect(200);
    let lines = lines["items"].as_array().unwrap().iter().map(|line| line["operation"].clone());
    assert_eq!(lines.collect::<Vec<_>>(), ["fetch forecast", "create regions"], "one line of the one change");
    let [[_, _, _, tag, since]] = &sky.asked()[..] else { panic!("asked once") };
    assert_eq!((tag.as_str(), since.as_str()), ("\"a\"", "Mon, 09 Mar 2026 08:00:00 GMT"));
    assert_eq!(office.get("/v1/regions/coast").await.etag(), "\"2\"");
    // What the office brought itself is not what the service sent: everything is asked for again.
    let own = json!({"hours": hours});
    office.put("/v1/regions/coast/forecast", &own).await.expect(200);
    assert_eq!(fetch(&office).await.expect(200)["changed"], true);
    assert_eq!(sky.asked()[0][3], "");
    // A forecast that leaves a gap stands alone.
    sky.is(Mood::Forecast("2026-04-01T00:00:00Z", 100, 9.0, "\"b\""));
    assert_eq!(fetch(&office).await.expect(200)["kept_hours"], 0);
}

#[tokio::test]
async fn on_its_bad_days_the_old_forecast_stays() {
    let sky = Sky::open();
    let app = app::start_under(sky.source()).await;
    let office = office(&app).await;
    let other = Sky::open();
    for (mood, code) in [
        (Mood::Status(503), "weather-unavailable"),
        (Mood::Status(500), "weather-unavailable"),
        (Mood::Status(429), "weather-unavailable"),
        (Mood::Status(404), "unknown-gridpoint"),
        (Mood::Status(403), "weather-unexpected"),
        // Nothing was said that could be unchanged.
        (Mood::Status(304), "weather-unexpected"),
        (Mood::Elsewhere(other.base.clone()), "weather-unexpected"),
        (Mood::Body("<html>".into()), "weather-no-forecast"),
        (Mood::Body("{}".into()), "weather-no-forecast"),
        (Mood::Body(document("2026-03-09T00:00:00Z", 20, 9.0)), "weather-no-forecast"),
        (Mood::Body(document("2026-03-09T00:00:00Z", 50, 900.0)), "weather-no-forecast"),
        (Mood::Body(" ".repeat(5 << 20)), "weather-too-large"),
    ] {
        sky.is(mood.clone());
        let problem = fetch(&office).await.problem(502, "weather-failed");
        assert_eq!(problem["errors"][0]["code"], code, "{problem}");
    }
    assert_eq!(other.asked().len(), 0);
    assert_eq!(office.get("/v1/regions/coast").await.etag(), "\"1\"");
    let absurd = fetch(&office).await;
    assert_eq!(absurd.status.as_u16(), 502);
}

#[tokio::test]
async fn a_slow_or_broken_answer_is_not_waited_for() {
    let sky = Sky::open();
    let brief = std::time::Duration::from_millis(500);
    let app = app::start_under(Source::new(&sky.base, "office@example.com", brief).unwrap()).await;
    let office = office(&app).await;
    sky.is(Mood::Slow(document("2026-03-09T00:00:00Z", 50, 9.0)));
    let began = std::time::Instant::now();
    let problem = fetch(&office).await.problem(502, "weather-failed");
    assert_eq!(problem["errors"][0]["code"], "weather-too-slow", "{problem}");
    assert!(began.elapsed() < std::time::Duration::from_secs(4));
}

/// Half of a document and then nothing, from a socket that speaks for itself; and nobody at all.
#[tokio::test]
async fn a_truncated_answer_is_no_forecast() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let base = format!("http://{}", listener.local_addr().unwrap());
    let text = document("2026-03-09T00:00:00Z", 50, 9.0);
    let thread = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut head = [0; 2048];
        let _ = stream.read(&mut head).unwrap();
        let half = &text[..text.len() / 2];
        write!(stream, "HTTP/1.1 200 OK\r\nContent-Length: {}\r\n\r\n{half}", text.len()).unwrap();
    });
    let app = app::start_under(Source::new(&base, "office@example.com", PATIENCE).unwrap()).await;
    let office = office(&app).await;
    for _ in 0..2 {
        let problem = fetch(&office).await.problem(502, "weather-failed");
        assert_eq!(problem["errors"][0]["code"], "weather-unreachable", "{problem}");
    }
    thread.join().unwrap();
}

#[tokio::test]
async fn nothing_is_fetched_without_a_gridpoint_or_a_contact() {
    let sky = Sky::open();
    let app = app::start_under(sky.source()).await;
    let office = self::office(&app).await;
    let mut region = office.get("/v1/regions/coast").await.expect(200);
    for bad in ["okx/33,37", "OKX/33,37/../..", "OKX/33", "../33,37", "OKX/33,37?x", "OKX/1234,1", "", "OKX/-1,2"] {
        region["gridpoint"] = json!(bad);
        office.put("/v1/regions/coast", &region).await.fault("bad-gridpoint", "/gridpoint");
    }
    region.as_object_mut().unwrap().remove("gridpoint");
    office.put("/v1/regions/coast", &region).await.expect(200);
    fetch(&office).await.problem(409, "no-gridpoint");
    office.send(reqwest::Method::POST, "/v1/regions/north/forecast/fetch", &[], None).await.problem(404, "not-found");
    assert_eq!(sky.asked().len(), 0);
    let without = app::start().await;
    fetch(&self::office(&without).await).await.problem(409, "no-weather-service");
}

#[tokio::test]
async fn the_command_fetches_for_all_companies() {
    let sky = Sky::open();
    let app = app::start().await;
    let (first, second) = (office(&app).await, office(&app).await);
    sky.is(Mood::Forecast("2026-03-09T00:00:00Z", 170, 9.0, "\"a\""));
    let url = sqlx::ConnectOptions::to_url_lossy(&app.test.owner).to_string();
    let run = |base: String| {
        let url = url.clone();
        tokio::task::spawn_blocking(move || {
            let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_tackfree"));
            command.arg("fetch-forecasts").env("DATABASE_URL", url).env("TACKFREE_WEATHER_BASE", base);
            let output = command.env("TACKFREE_WEATHER_CONTACT", "office@example.com").output().unwrap();
            let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
            (output.status.success(), text(output.stdout), text(output.stderr))
        })
    };
    let (good, out, told) = run(sky.base.clone()).await.unwrap();
    assert!(good, "{told}");
    assert_eq!(out.matches("218 hours from 2026-03-07T00:00:00Z to 2026-03-16T02:00:00Z, 48 of them kept").count(), 2);
    let (_, out, _) = run(sky.base.clone()).await.unwrap();
    assert_eq!(out.matches("no news; it reaches to 2026-03-16T02:00:00Z").count(), 2, "{out}");
    for office in [first, second] {
        assert_eq!(office.get("/v1/regions").await.expect(200)["items"][0]["forecast_hours"], 218);
    }
    sky.is(Mood::Status(503));
    let (good, _, told) = run(sky.base.clone()).await.unwrap();
    assert!(!good && told.contains("2 regions keep the forecast they had") && told.contains("503"), "{told}");
}
