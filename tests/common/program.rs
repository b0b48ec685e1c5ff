//! The program itself, as a process of its own: as people run it.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

use super::app::{Caller, OPERATOR, caller};
use super::store::TestStore;
use rustix::process::{Pid, Signal, kill_process};
use sqlx::ConnectOptions;
use sqlx::postgres::PgConnectOptions;
use std::ffi::OsStr;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

/// A running `serve`; dropped, it has been told to stop.
pub struct Program {
    pub base: String,
    process: Child,
    log: Arc<Mutex<String>>,
    reader: Option<JoinHandle<()>>,
}

/// The program on the test's database, with no settings but these.
pub fn command(owner: &PgConnectOptions) -> Command {
    command_of(env!("CARGO_BIN_EXE_tackfree"), owner)
}

/// As [`command`], of another build of the program.
pub fn command_of(program: impl AsRef<OsStr>, owner: &PgConnectOptions) -> Command {
    let mut command = Command::new(program);
    for (name, _) in std::env::vars_os() {
        let name = name.into_string().unwrap_or_default();
        if name.starts_with("TACKFREE_") || name == "RUST_LOG" {
            command.env_remove(name);
        }
    }
    command.env("DATABASE_URL", owner.to_url_lossy().as_str());
    command
}

/// What a command that ends came to.
pub fn run(command: &mut Command) -> (bool, String, String) {
    let Output { status, stdout, stderr } = command.output().unwrap();
    (status.success(), String::from_utf8(stdout).unwrap(), String::from_utf8(stderr).unwrap())
}

impl Program {
    /// Serves with these settings beside the operator's token, and is ready.
    pub async fn serve(test: &TestStore, settings: &[(&str, &str)]) -> Program {
        Program::serve_by(command(&test.owner), settings).await
    }

    /// As [`Program::serve`], on the database that the command is told of.
    pub async fn serve_by(mut command: Command, settings: &[(&str, &str)]) -> Program {
        command.args(["serve", "--listen", "127.0.0.1:0"]).env("TACKFREE_OPERATOR_TOKEN", OPERATOR);
        command.envs(settings.iter().copied()).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut process = command.spawn().unwrap();
        let stderr = BufReader::new(process.stderr.take().unwrap());
        let (log, (told, heard)) = (Arc::new(Mutex::new(String::new())), std::sync::mpsc::channel());
        let kept = log.clone();
        let reader = std::thread::spawn(move || {
            for line in stderr.lines().map_while(Result::ok) {
                if let Some(rest) = line.strip_prefix("tackfree serves on ") {
                    let _ = told.send(rest.split_once("/ ").unwrap().0.to_owned());
                }
                kept.lock().unwrap().push_str(&format!("{line}\n"));
            }
        });
        let base = heard.recv_timeout(Duration::from_secs(60));
        let base = base.unwrap_or_else(|_| panic!("it does not serve: {}", log.lock().unwrap()));
        let program = Program { base, process, log, reader: Some(reader) };
        for _ in 0..400 {
            if program.caller("").get("/readyz").await.status == 200 {
                return program;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("{} does not get ready: {}", program.base, program.log())
    }

    /// Somebody with this token, or with none.
    pub fn caller(&self, token: &str) -> Caller {
        caller(&self.base, token)
    }

    /// The office of a new company.
    pub async fn company(&self, name: &str) -> Caller {
        let body = serde_json::json!({"name": name, "settings": {"time_zone": "America/New_York"}});
        let answer = self.caller(OPERATOR).post("/v1/companies", &body).await.expect(201);
        self.caller(answer["token"]["secret"].as_str().unwrap())
    }

    /// Its process.
    pub fn id(&self) -> u32 {
        self.process.id()
    }

    /// What it has written to standard error.
    pub fn log(&self) -> String {
        self.log.lock().unwrap().clone()
    }

    /// Told to stop, as by a service manager; whether it ended well, and all that it wrote.
    pub fn stop(mut self) -> (bool, String) {
        let ended = self.ended();
        self.reader.take().unwrap().join().unwrap();
        (ended, self.log())
    }

    fn ended(&mut self) -> bool {
        let _ = kill_process(Pid::from_child(&self.process), Signal::TERM);
        self.process.wait().is_ok_and(|status| status.success())
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        self.ended();
    }
}
