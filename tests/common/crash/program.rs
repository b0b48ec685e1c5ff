//! The server as a process: started, killed, told to end, and waited for until it is ready.

use reqwest::{Client, StatusCode};
use rustix::process::{Pid, Signal, kill_process};
use std::fs::{File, OpenOptions};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

pub const OPERATOR: &str = "operator-for-tests";
/// The promise: ready again within this time.
pub const READY_WITHIN: Duration = Duration::from_secs(5);
/// A machine that is busy with other things may take longer; the figure is told all the same.
const PATIENCE: Duration = Duration::from_secs(30);
/// How long it is waited for when the test is over.
const ENDS_WITHIN: Duration = Duration::from_secs(5);
const LOG_LINES_SHOWN: usize = 40;

pub struct Program {
    process: Option<Child>,
    address: SocketAddr,
    settings: Vec<(&'static str, String)>,
    log: PathBuf,
}

impl Program {
    /// Not started yet; it keeps its address when it is started again.
    pub fn new(settings: &[(&'static str, String)], folder: &Path) -> Program {
        let address = free_address();
        let log = folder.join(format!("server-{}.log", address.port()));
        Program { process: None, address, settings: settings.to_vec(), log }
    }

    pub fn address(&self) -> SocketAddr {
        self.address
    }

    pub fn base(&self) -> String {
        format!("http://{}", self.address)
    }

    fn open_log(&self) -> File {
        OpenOptions::new().append(true).create(true).open(&self.log).unwrap()
    }

    pub fn start(&mut self) {
        assert!(self.process.is_none(), "it runs already");
        let mut command = Command::new(env!("CARGO_BIN_EXE_tackfree"));
        command.args(["serve", "--listen", &self.address.to_string(), "--webhook-targets", "private"]);
        command.env_remove("DATABASE_URL").envs(self.settings.iter().map(|(name, value)| (name, value)));
        command.env("TACKFREE_OPERATOR_TOKEN", OPERATOR).env("RUST_LOG", "warn");
        self.process = Some(command.stdout(Stdio::null()).stderr(self.open_log()).spawn().unwrap());
    }

    pub fn signal(&self, signal: Signal) {
        let pid = Pid::from_child(self.process.as_ref().unwrap());
        kill_process(pid, signal).unwrap();
    }

    /// With SIGKILL, at once.
    pub fn kill(&mut self) {
        let mut process = self.process.take().unwrap();
        process.kill().unwrap();
        process.wait().unwrap();
    }

    /// Until it has ended by itself.
    pub async fn ended(&mut self) -> ExitStatus {
        let mut process = self.process.take().unwrap();
        tokio::task::spawn_blocking(move || process.wait().unwrap()).await.unwrap()
    }

    /// How long it takes from now until it says that it is ready.
    pub async fn ready(&mut self, http: &Client) -> Duration {
        let begin = Instant::now();
        while begin.elapsed() < PATIENCE {
            let asked = http.get(format!("{}/readyz", self.base())).timeout(Duration::from_secs(2)).send().await;
            if asked.is_ok_and(|answer| answer.status() == StatusCode::OK) {
                return begin.elapsed();
            }
            if let Some(status) = self.process.as_mut().unwrap().try_wait().unwrap() {
                panic!("the server has ended by itself: {status}");
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!("{} does not get ready", self.base())
    }
}

/// Not of those that the system gives to whoever connects: one of them could have it while the server is down, and a
/// client that asks a closed port of that kind again and again meets itself at last.
fn free_address() -> SocketAddr {
    let mut dice = super::Dice::new(uuid::Uuid::new_v4().as_u64_pair().0);
    loop {
        let address = SocketAddr::from(([127, 0, 0, 1], 15_000 + dice.below(15_000) as u16));
        if TcpListener::bind(address).is_ok() {
            return address;
        }
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        if let Some(mut process) = self.process.take() {
            let pid = Pid::from_child(&process);
            let _ = kill_process(pid, Signal::INT);
            let (tell, told) = mpsc::channel();
            let waiting = std::thread::spawn(move || {
                let _ = process.wait();
                let _ = tell.send(());
            });
            if told.recv_timeout(ENDS_WITHIN).is_err() {
                println!("the server has not ended in {ENDS_WITHIN:?}, and is killed");
                let _ = kill_process(pid, Signal::KILL);
            }
            let _ = waiting.join();
        }
        if std::thread::panicking() {
            let log = std::fs::read_to_string(&self.log).unwrap_or_default();
            let lines: Vec<&str> = log.lines().collect();
            println!("errors in the server's log, and its end:");
            lines.iter().filter(|line| line.contains("ERROR")).for_each(|line| println!("  {line}"));
            lines[lines.len().saturating_sub(LOG_LINES_SHOWN)..].iter().for_each(|line| println!("  {line}"));
        }
    }
}
