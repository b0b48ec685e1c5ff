//! Traces reach a collector when one is named, say what took how long, and hold no secret.

use crate::common::app::furnish;
use crate::common::program::{Program, command, run};
use crate::common::store::fresh_store;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

/// What a collector got: heads and bodies. Texts stand in protobuf as they are.
type Came = Arc<Mutex<Vec<u8>>>;

fn collector() -> (String, Came) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let endpoint = format!("http://{}/v1/traces", listener.local_addr().unwrap());
    let came = Came::default();
    let kept = came.clone();
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            let kept = kept.clone();
            std::thread::spawn(move || answer(stream, &kept));
        }
    });
    (endpoint, came)
}

/// Every request on the connection gets 200.
fn answer(mut stream: TcpStream, came: &Came) -> Option<()> {
    let mut text = Vec::new();
    let mut chunk = [0u8; 65_536];
    loop {
        let head = text.windows(4).position(|four| four == b"\r\n\r\n");
        let length = head.map(|end| {
            let head = String::from_utf8_lossy(&text[..end]).to_ascii_lowercase();
            let length = head.lines().find_map(|line| line.strip_prefix("content-length: ")?.parse().ok());
            end + 4 + length.unwrap_or(0usize)
        });
        if let Some(length) = length.filter(|length| text.len() >= *length) {
            came.lock().unwrap().extend(text.drain(..length));
            stream.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n").ok()?;
            continue;
        }
        match stream.read(&mut chunk).ok()? {
            0 => return None,
            count => text.extend_from_slice(&chunk[..count]),
        }
    }
}

#[tokio::test]
async fn spans_reach_the_collector_and_hold_no_secret() {
    let (test, (endpoint, came)) = (fresh_store().await, collector());
    let settings = [("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", endpoint.as_str()), ("RUST_LOG", "warn")];
    let program = Program::serve(&test, &settings).await;
    let office = program.company("Zweifler Floors").await;
    furnish(&office).await;
    office.publish().await;
    let feed = office.post("/v1/feeds", &serde_json::json!({"kind": "office"})).await.expect(201);
    let address = feed["address"].as_str().unwrap();
    office.get(address).await;
    let (ended, log) = program.stop();
    assert!(ended, "{log}");
    assert!(
        !log.contains("\"level\":\"DEBUG\"") && !log.contains("\"level\":\"INFO\""),
        "the log stays as it was: {log}"
    );

    let came = String::from_utf8_lossy(&came.lock().unwrap()).into_owned();
    for said in ["POST /v1/traces", "tackfree", "request", "/v1/crews", "/feeds/...", "documents"] {
        assert!(came.contains(said), "no {said} came");
    }
    let secret = address.trim_start_matches("/feeds/").trim_end_matches(".ics");
    for secret in [office.token.as_str(), secret, "Zweifler", "INSERT INTO", "SELECT "] {
        assert!(!came.contains(secret), "{secret} came");
    }
}

/// Nobody to send to is no reason not to serve.
#[tokio::test]
async fn a_collector_that_is_away_is_not_missed() {
    let test = fresh_store().await;
    let away = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let endpoint = format!("http://{away}/v1/traces");
    let program = Program::serve(&test, &[("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", &endpoint)]).await;
    program.company("Plane & Sons").await.get("/v1/crews").await.expect(200);
    let (ended, log) = program.stop();
    assert!(ended, "{log}");
    let mut wrong = command(&test.owner);
    let (done, _, told) = run(wrong.args(["serve", "--listen", "127.0.0.1:0", "--traces-endpoint", "collector:4318"]));
    assert!(!done && told.contains("code: bad-traces-endpoint"), "{told}");
}
