//! What can be had at most on this machine: the bare framework with bodies of the same size, and PostgreSQL itself by its own
//! pgbench.

use crate::common::store::TestStore;
use crate::wire::{Wire, request};
use actix_web::dev::ServerHandle;
use actix_web::http::header;
use actix_web::{App, HttpResponse, HttpServer, web};
use std::net::{SocketAddr, TcpListener};
use std::process::Command;
use std::sync::Arc;
use std::sync::mpsc;
use std::time::{Duration, Instant};
use tackfree::store::CompanyId;

/// The framework with nothing around it: `/OCTETS` answers as many.
pub struct Bare {
    pub address: SocketAddr,
    handle: ServerHandle,
}

impl Bare {
    pub fn start() -> Bare {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let (send, started) = mpsc::channel();
        std::thread::spawn(move || {
            actix_web::rt::System::new().block_on(async move {
                let whole = web::Bytes::from(vec![b'x'; 1 << 20]);
                let server = HttpServer::new(move || {
                    let whole = whole.clone();
                    let fixed = move |path: web::Path<usize>| {
                        let body = whole.slice(..path.into_inner().min(whole.len()));
                        async move {
                            let mut reply = HttpResponse::Ok();
                            reply.insert_header((header::ETAG, "\"0123456789abcdef\""));
                            reply.content_type("application/json").body(body)
                        }
                    };
                    App::new().route("/{octets}", web::get().to(fixed))
                });
                let server = server.workers(2).disable_signals().listen(listener).unwrap().run();
                send.send(server.handle()).unwrap();
                server.await.unwrap();
            });
        });
        Bare { address, handle: started.recv().unwrap() }
    }

    /// Answers a second to so many who ask in turn.
    pub async fn rate(&self, octets: usize, many: usize, time: Duration) -> f64 {
        let wire = Arc::new(Wire::to(self.address));
        let (began, until) = (Instant::now(), Instant::now() + time);
        let askers: Vec<_> = (0..many)
            .map(|_| {
                let wire = wire.clone();
                tokio::spawn(async move {
                    let request = request("GET", &format!("/{octets}"), "", "");
                    let mut count = 0_usize;
                    while Instant::now() < until {
                        wire.ask(&request).await.unwrap();
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
        count as f64 / began.elapsed().as_secs_f64()
    }

    pub async fn stop(self) {
        self.handle.stop(false).await;
    }
}

/// Where pgbench reaches the cluster: folder, port, user.
struct Reach {
    socket: String,
    user: String,
    database: String,
}

impl Reach {
    fn of(options: &sqlx::postgres::PgConnectOptions) -> Reach {
        Reach {
            socket: options.get_socket().unwrap().display().to_string(),
            user: options.get_username().to_owned(),
            database: options.get_database().unwrap().to_owned(),
        }
    }

    fn run(&self, arguments: &[&str]) -> Option<String> {
        let fixed = ["-h", &self.socket, "-U", &self.user];
        let ran = Command::new("pgbench").args(fixed).args(arguments).arg(&self.database).output().ok()?;
        let text = String::from_utf8_lossy(&ran.stdout).into_owned();
        if !ran.status.success() {
            eprintln!("pgbench: {}", String::from_utf8_lossy(&ran.stderr));
            return None;
        }
        Some(text)
    }

    /// Transactions a second.
    fn rate(&self, arguments: &[&str]) -> Option<f64> {
        let told = self.run(arguments)?;
        let line = told.lines().find(|line| line.starts_with("tps = "))?;
        line.split_whitespace().nth(2)?.parse().ok()
    }
}

/// Transactions a second of PostgreSQL with as many connections as a server has: of pgbench's own reading statement, of the
/// statement that every request with a token begins with, and of the least that a reading request takes (the token, then a
/// transaction of the company with one row).
pub struct Database {
    pub select: Option<f64>,
    pub token: Option<f64>,
    pub reading: Option<f64>,
}

/// Without pgbench beside it all is `None`. `rows` is how much pgbench's table has, in hundred thousands.
pub fn database(test: &TestStore, company: CompanyId, token: &str, seconds: u32) -> Database {
    use sha2::{Digest, Sha256};
    let (owner, app) = (Reach::of(&test.owner), Reach::of(&test.app));
    let time = seconds.to_string();
    let common = ["-n", "-c", "8", "-j", "2", "-M", "prepared", "-T", &time];
    let made = owner.run(&["-i", "-q", "-s", "5"]).is_some();
    let select = made.then(|| owner.rate(&[&common[..], &["-S"]].concat())).flatten();
    owner.run(&["-i", "-I", "d"]);
    let hash: String = Sha256::digest(token.as_bytes()).iter().map(|octet| format!("{octet:02x}")).collect();
    let find = format!("SELECT company_id, id, role, crew_id FROM find_token('\\x{hash}'::bytea);\n");
    let read = format!(
        "{find}BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY;\nSET LOCAL app.company = '{company}';\n\
         SELECT id, key, name, version, doc FROM job WHERE company_id = '{company}' AND key = 'job-1-0';\nCOMMIT;\n"
    );
    let folder = tempfile::tempdir().unwrap();
    let script = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        let path = path.display().to_string();
        app.rate(&[&common[..], &["-f", &path]].concat())
    };
    Database { select, token: script("token.sql", &find), reading: script("reading.sql", &read) }
}
