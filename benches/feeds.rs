//! How many requests for calendars a server answers, beside what the bare framework does with the same bytes from memory
//! in the same run: `target/debug/with-postgres cargo bench --bench feeds`. Prints requests a second and ratios; client and
//! servers share the machine, so only the ratios say much. Seconds in all, loopback only.

#![allow(clippy::unwrap_used, missing_docs, reason = "a panic in a measurement is a failed measurement")]

#[path = "../tests/common/mod.rs"]
mod common;

use actix_web::dev::ServerHandle;
use actix_web::http::header;
use actix_web::{App, HttpResponse, HttpServer, web};
use common::app::{self, house, job, small_office};
use serde_json::json;
use std::net::{SocketAddr, TcpListener};
use std::sync::mpsc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

const HOUSES: usize = 20;
const CONNECTIONS: usize = 32;
const ROUNDS: usize = 5;
const ROUND: Duration = Duration::from_secs(1);
const CHANGES: usize = 100;

/// The framework with nothing around it, answering `body` on `/whole` and that the asker has it on `/known`.
fn bare(body: web::Bytes) -> (SocketAddr, ServerHandle) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let (send, started) = mpsc::channel();
    std::thread::spawn(move || {
        actix_web::rt::System::new().block_on(async move {
            let server = HttpServer::new(move || {
                let body = body.clone();
                let whole = move || {
                    let body = body.clone();
                    async move {
                        let mut reply = HttpResponse::Ok();
                        reply.insert_header((header::ETAG, "\"0123456789abcdef0123456789abcdef\""));
                        reply.content_type("text/calendar; charset=utf-8").body(body)
                    }
                };
                let known = || async {
                    let mut reply = HttpResponse::NotModified();
                    reply.insert_header((header::ETAG, "\"0123456789abcdef0123456789abcdef\"")).finish()
                };
                App::new().route("/whole", web::get().to(whole)).route("/known", web::get().to(known))
            });
            let server = server.workers(2).listen(listener).unwrap().run();
            send.send(server.handle()).unwrap();
            server.await.unwrap();
        });
    });
    (address, started.recv().unwrap())
}

fn request(path: &str, headers: &str) -> Vec<u8> {
    format!("GET {path} HTTP/1.1\r\nHost: x\r\n{headers}\r\n").into_bytes()
}

/// One connection that asks the same again and again.
struct Asker {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Asker {
    async fn connect(address: SocketAddr) -> Asker {
        let stream = TcpStream::connect(address).await.unwrap();
        stream.set_nodelay(true).unwrap();
        Asker { stream, buffer: vec![0; 1 << 20] }
    }

    /// Octets of the reply, which has this status.
    async fn ask(&mut self, request: &[u8], status: &str) -> usize {
        self.stream.write_all(request).await.unwrap();
        let (mut have, mut whole) = (0, usize::MAX);
        while have < whole {
            let read = self.stream.read(&mut self.buffer[have..]).await.unwrap();
            assert!(read > 0, "the server closed the connection");
            have += read;
            if whole == usize::MAX
                && let Some(end) = self.buffer[..have].windows(4).position(|four| four == b"\r\n\r\n")
            {
                let head = std::str::from_utf8(&self.buffer[..end]).unwrap().to_ascii_lowercase();
                assert!(head.starts_with(&format!("http/1.1 {status}")), "{head}");
                let length = head.lines().find_map(|line| line.strip_prefix("content-length: "));
                // A reply that the asker has the thing already has no body, whatever it says of its length.
                let body = if status == "304" { 0 } else { length.map_or(0, |text| text.parse().unwrap()) };
                whole = end + 4 + body;
            }
        }
        whole
    }
}

/// Requests a second over all connections.
async fn rate(address: SocketAddr, request: &[u8], status: &'static str) -> f64 {
    let until = Instant::now() + ROUND;
    let begin = Instant::now();
    let askers: Vec<_> = (0..CONNECTIONS)
        .map(|_| {
            let request = request.to_vec();
            tokio::spawn(async move {
                let mut asker = Asker::connect(address).await;
                let mut count = 0_u64;
                while Instant::now() < until {
                    asker.ask(&request, status).await;
                    count += 1;
                }
                count
            })
        })
        .collect();
    let mut count = 0;
    for asker in askers {
        count += asker.await.unwrap();
    }
    count as f64 / begin.elapsed().as_secs_f64()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Medians of rounds that take turns, so that whatever else the machine does hits both.
async fn beside(label: &str, ours: (SocketAddr, &[u8]), bare: (SocketAddr, &[u8]), status: &'static str) -> f64 {
    let (mut of_ours, mut of_bare, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let (one, other) = (rate(ours.0, ours.1, status).await, rate(bare.0, bare.1, status).await);
        of_ours.push(one);
        of_bare.push(other);
        ratios.push(one / other);
    }
    let (ours, bare, ratio) = (median(of_ours), median(of_bare), median(ratios));
    println!("{label:<36} {ours:>9.0} /s   bare framework {bare:>9.0} /s   ratio {ratio:.3}");
    ours
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() {
    let app = app::start().await;
    let office = small_office(&app).await;
    for number in 0..HOUSES {
        let key = format!("maple-{number}");
        office.post("/v1/houses", &house(&key)).await.expect(201);
        office.post("/v1/jobs", &job(&format!("{key}-floors"), &key)).await.expect(201);
    }
    office.publish().await;
    let feed = office.post("/v1/feeds", &json!({"kind": "office"})).await.expect(201);
    let path = feed["address"].as_str().unwrap();
    let address: SocketAddr = app.base.strip_prefix("http://").unwrap().parse().unwrap();
    let plain = app.caller("").get(path).await;
    let packed = app.http.get(format!("{}{path}", app.base)).header("Accept-Encoding", "gzip").send().await.unwrap();
    let packed = packed.bytes().await.unwrap();
    println!(
        "{} entries, {} octets, {} compressed",
        plain.text.matches("BEGIN:VEVENT").count(),
        plain.text.len(),
        packed.len()
    );

    let known = request(path, &format!("If-None-Match: {}\r\n", plain.etag()));
    let (whole, whole_packed) = (request(path, ""), request(path, "Accept-Encoding: gzip\r\n"));
    let (bare_known, bare_whole) = (request("/known", ""), request("/whole", ""));
    let (of_plain, stop_plain) = bare(web::Bytes::from(plain.text.clone().into_bytes()));
    let (of_packed, stop_packed) = bare(packed);
    beside("unchanged, asker has it (304)", (address, &known), (of_plain, &bare_known), "304").await;
    beside("unchanged, compressed (200)", (address, &whole_packed), (of_packed, &bare_whole), "200").await;
    beside("unchanged, plain (200)", (address, &whole), (of_plain, &bare_whole), "200").await;

    // One after the other: how long a calendar takes that has changed, and one that has not.
    let (mut asker, mut bare_asker) = (Asker::connect(address).await, Asker::connect(of_plain).await);
    let mut document = office.get("/v1/houses/maple-1").await.expect(200);
    let mut took = [Duration::ZERO; 3];
    for number in 0..CHANGES {
        document["name"] = json!(format!("Maple Street {number}"));
        office.put("/v1/houses/maple-1", &document).await.expect(200);
        let mut timed = Instant::now();
        let changed = asker.ask(&known, "200").await;
        took[0] += timed.elapsed();
        timed = Instant::now();
        assert_eq!(asker.ask(&whole, "200").await, changed);
        took[1] += timed.elapsed();
        timed = Instant::now();
        bare_asker.ask(&bare_whole, "200").await;
        took[2] += timed.elapsed();
    }
    let each = took.map(|all| all.as_secs_f64() * 1e3 / CHANGES as f64);
    println!("one at a time: changed {:.3} ms, unchanged {:.3} ms, bare framework {:.3} ms", each[0], each[1], each[2]);
    println!("changed / unchanged {:.1}, changed / bare {:.1}", each[0] / each[1], each[0] / each[2]);
    stop_plain.stop(false).await;
    stop_packed.stop(false).await;
}
