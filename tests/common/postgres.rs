//! A PostgreSQL for integration tests and fresh databases in it. Which schema the databases have is the caller's
//! business: the migration is handed in.
//!
//! The server is the one named by `TACKFREE_TEST_POSTGRES` (`cargo run --bin with-postgres -- cargo nextest run`
//! starts one for a whole run, which spares each of nextest's processes its own). When that is unset, each test
//! process starts its own through the same program, on whose standard input it holds the other end: however the test
//! process ends, the input ends with it, and the program stops its PostgreSQL and removes the data.

#![allow(dead_code, reason = "no test program needs everything here")]

use rustix::io::Errno;
use rustix::process::{Pid, test_kill_process};
use sqlx::postgres::{PgConnectOptions, PgConnection};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::env;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use tackfree::store::cluster::{OWNER_ROLE, connect_options};

const SOCKET_VARIABLE: &str = "TACKFREE_TEST_POSTGRES";
/// "tackfree" in ASCII: the advisory lock under which one process at a time makes a template.
const TEMPLATE_LOCK: i64 = 0x7461_636b_6672_6565;
/// Databases of ended test processes that one call removes: a bound on what a test pays for others.
const SWEEP_AT_MOST: usize = 3;

/// A server that lives at least as long as this test process.
pub struct TestServer {
    socket_directory: PathBuf,
    _keeper: Option<Child>,
}

/// The server of this test process; the first call may start it (0.7 s).
pub fn server() -> &'static TestServer {
    static SERVER: OnceLock<TestServer> = OnceLock::new();
    SERVER.get_or_init(|| match env::var_os(SOCKET_VARIABLE) {
        Some(directory) => TestServer { socket_directory: directory.into(), _keeper: None },
        None => TestServer::start(),
    })
}

impl TestServer {
    fn start() -> TestServer {
        let mut keeper = Command::new(env!("CARGO_BIN_EXE_with-postgres"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            // Not inherited: a runner would wait for the last holder of its pipe.
            .stderr(Stdio::piped())
            .spawn()
            .expect("with-postgres can be run");
        let mut line = String::new();
        let mut stdout = BufReader::new(keeper.stdout.take().expect("it is piped"));
        stdout.read_line(&mut line).expect("with-postgres writes text");
        if line.trim().is_empty() {
            let mut reason = String::new();
            let _ = keeper.stderr.take().expect("it is piped").read_to_string(&mut reason);
            panic!("no PostgreSQL for the tests: {reason}");
        }
        TestServer { socket_directory: line.trim_end_matches('\n').into(), _keeper: Some(keeper) }
    }

    /// The folder of the server's Unix socket.
    pub fn socket_directory(&self) -> &Path {
        &self.socket_directory
    }

    /// How the owner, a superuser, connects to `database`. The application's own role is what most tests need:
    /// a superuser silently bypasses row security.
    pub fn owner_options(&self, database: &str) -> PgConnectOptions {
        connect_options(&self.socket_directory, OWNER_ROLE, database)
    }

    /// A new database, copied from `template`, for this test alone; returns how the owner connects to it.
    ///
    /// The first caller on the server makes the template: `migrate` gets the owner's options for an empty database
    /// and must have closed its connections when it is done. The name should change whenever the schema does
    /// (end it in a hash), because a server may outlive an edit. Databases of test processes that have ended are
    /// removed along the way, a few at a time.
    pub async fn fresh_database<F, Done>(&self, template: &str, migrate: F) -> PgConnectOptions
    where
        F: FnOnce(PgConnectOptions) -> Done,
        Done: Future<Output = ()>,
    {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let mut owner = self.owner_options("postgres").connect().await.expect("the server accepts its owner");
        if template_state(&mut owner, template).await != Some(true) {
            self.make_template(&mut owner, template, migrate).await;
        }
        sweep(&mut owner).await;
        let name = format!("test_{}_{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
        // Left by an earlier process of the same number.
        run(&mut owner, format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).await;
        // Copying files beats writing them through the log, by three to one where the disk is memory.
        run(&mut owner, format!("CREATE DATABASE {name} TEMPLATE {} STRATEGY file_copy", quoted(template))).await;
        owner.close().await.expect("a connection can be closed");
        self.owner_options(&name)
    }

    async fn make_template<F, Done>(&self, owner: &mut PgConnection, template: &str, migrate: F)
    where
        F: FnOnce(PgConnectOptions) -> Done,
        Done: Future<Output = ()>,
    {
        run(owner, format!("SELECT pg_advisory_lock({TEMPLATE_LOCK})")).await;
        // Somebody else may have made it while we waited; marked as a template is only a finished one.
        let state = template_state(owner, template).await;
        if state != Some(true) {
            let name = quoted(template);
            run(owner, format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).await;
            run(owner, format!("CREATE DATABASE {name} TEMPLATE template0 STRATEGY file_copy")).await;
            migrate(self.owner_options(template)).await;
            run(owner, format!("ALTER DATABASE {name} WITH IS_TEMPLATE true ALLOW_CONNECTIONS false")).await;
        }
        run(owner, format!("SELECT pg_advisory_unlock({TEMPLATE_LOCK})")).await;
    }
}

/// Runs one statement on a connection of its own.
pub async fn execute(options: &PgConnectOptions, statement: &str) {
    let mut connection = options.connect().await.expect("the server can be reached");
    run(&mut connection, statement.to_owned()).await;
    connection.close().await.expect("a connection can be closed");
}

/// Runs several statements on a connection of its own.
pub async fn execute_all(options: &PgConnectOptions, statements: &str) {
    let mut connection = options.connect().await.expect("the server can be reached");
    let done = sqlx::raw_sql(AssertSqlSafe(statements.to_owned())).execute(&mut connection).await;
    done.unwrap_or_else(|error| panic!("{error} in: {statements}"));
    connection.close().await.expect("a connection can be closed");
}

/// The one text that a query returns, read on a connection of its own.
pub async fn text(options: &PgConnectOptions, query: &str) -> String {
    let mut connection = options.connect().await.expect("the server can be reached");
    let query = sqlx::query_scalar(AssertSqlSafe(query.to_owned()));
    let text = query.fetch_one(&mut connection).await.expect("the query returns a text");
    connection.close().await.expect("a connection can be closed");
    text
}

/// `None`: no such database; otherwise whether it is a finished template.
async fn template_state(owner: &mut PgConnection, template: &str) -> Option<bool> {
    let query = sqlx::query_scalar("SELECT datistemplate FROM pg_database WHERE datname = $1").bind(template);
    query.fetch_optional(owner).await.expect("the catalogue can be read")
}

/// Removes databases of processes that no longer run.
async fn sweep(owner: &mut PgConnection) {
    let query = sqlx::query_scalar("SELECT datname FROM pg_database WHERE datname LIKE 'test\\_%' ORDER BY oid");
    let names: Vec<String> = query.fetch_all(&mut *owner).await.expect("the catalogue can be read");
    let pid = |name: &str| name.split('_').nth(1)?.parse().ok().and_then(Pid::from_raw);
    let dead = |name: &&String| pid(name).is_some_and(|pid| test_kill_process(pid) == Err(Errno::SRCH));
    for name in names.iter().filter(dead).take(SWEEP_AT_MOST) {
        // Another process may be removing the same one.
        let _ = sqlx::query(AssertSqlSafe(format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")))
            .execute(&mut *owner)
            .await;
    }
}

async fn run(owner: &mut PgConnection, statement: String) {
    let said = statement.clone();
    sqlx::query(AssertSqlSafe(statement)).execute(owner).await.unwrap_or_else(|error| panic!("{said}: {error}"));
}

fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}
