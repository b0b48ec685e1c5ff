//! A server and its PostgreSQL, each behind a way of its own, and what is done to them.

use super::Dice;
use super::database::Database;
use super::program::{Program, READY_WITHIN};
use super::trap::Point;
use super::way::{Mood, Way};
use reqwest::Client;
use rustix::process::Signal;
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tokio::time::{sleep, timeout};

/// Statements at which a round may stop a commit.
const WORDS: [&str; 4] =
    ["response_status = $4", "INSERT INTO event", "INSERT INTO idempotency", "UPDATE repair_turn SET lease = NULL"];

pub struct Stage {
    // Before the database, in whose folder its log is.
    pub program: Program,
    pub database: Database,
    pub to_postgres: Way,
    pub to_server: Way,
    /// Where clients find the server behind its way.
    pub base: String,
    pub http: Client,
    /// How long it took each time to be ready again.
    pub readiness: Vec<Duration>,
    _folder: TempDir,
}

impl Stage {
    pub async fn set() -> Stage {
        tackfree::weather::fetch::provide_tls();
        let database = Database::start().await;
        let folder = TempDir::new().unwrap();
        let to_postgres = Way::to_postgres(folder.path(), &database.socket_directory());
        let url = Database::url_through(folder.path());
        let mut program = Program::new(&[("DATABASE_URL", url)], database.folder());
        let (to_server, address) = Way::to_server(program.address()).await;
        let http = Client::builder().pool_max_idle_per_host(0).build().unwrap();
        program.start();
        program.ready(&http).await;
        let base = format!("http://{address}");
        Stage { database, program, to_postgres, to_server, base, http, readiness: Vec::new(), _folder: folder }
    }

    pub async fn kill_server(&mut self) {
        self.program.kill();
        self.start_server().await;
    }

    pub async fn start_server(&mut self) {
        let begin = Instant::now();
        self.program.start();
        self.program.ready(&self.http).await;
        self.readiness.push(begin.elapsed());
    }

    /// Starts the PostgreSQL that was killed.
    pub async fn start_postgres(&mut self) {
        let begin = Instant::now();
        self.database.restart().await;
        self.program.ready(&self.http).await;
        self.readiness.push(begin.elapsed());
    }

    pub async fn kill_postgres(&mut self, signal: Signal) {
        self.database.kill(signal).await;
        self.start_postgres().await;
    }

    async fn kill_both(&mut self, signal: Signal) {
        self.program.kill();
        self.database.kill(signal).await;
        let begin = Instant::now();
        self.database.restart().await;
        self.program.start();
        self.program.ready(&self.http).await;
        self.readiness.push(begin.elapsed());
    }

    /// One thing goes wrong, and is put right again.
    pub async fn strike(&mut self, dice: &mut Dice) -> &'static str {
        match dice.below(14) {
            0..3 => {
                self.kill_server().await;
                "server killed"
            }
            3..5 => {
                self.kill_postgres(Signal::KILL).await;
                "PostgreSQL killed"
            }
            5 => {
                self.kill_postgres(Signal::QUIT).await;
                "PostgreSQL stopped at once"
            }
            6 => {
                self.kill_both(Signal::KILL).await;
                "both killed"
            }
            7 => {
                self.program.signal(Signal::TERM);
                let ended = timeout(Duration::from_secs(30), self.program.ended()).await.expect("it ends");
                assert!(ended.success(), "{ended}");
                self.start_server().await;
                "server told to end"
            }
            8 => {
                self.database.end_sessions().await;
                "sessions ended"
            }
            9 => {
                Stage::disturb(&self.to_server, dice).await;
                "way to the server"
            }
            10 => {
                Stage::disturb(&self.to_postgres, dice).await;
                "way to PostgreSQL"
            }
            _ => self.strike_at_commit(dice).await,
        }
    }

    async fn disturb(way: &Way, dice: &mut Dice) {
        let mood = match dice.below(4) {
            0 => Mood::Slow(dice.millis(20, 150)),
            1 | 2 => Mood::Held,
            _ => Mood::Shut,
        };
        way.turn(mood);
        sleep(dice.millis(200, 1_500)).await;
        if dice.below(3) > 0 {
            way.cut();
        }
        way.turn(Mood::Open);
    }

    async fn strike_at_commit(&mut self, dice: &mut Dice) -> &'static str {
        let point = dice.one(&[Point::BeforeCommit, Point::AfterCommit]);
        let sprung = self.to_postgres.traps().arm(dice.one(&WORDS), point);
        let Ok(Ok(stopped)) = timeout(Duration::from_secs(3), sprung).await else {
            self.to_postgres.traps().disarm();
            return "nothing came to be committed";
        };
        match dice.below(3) {
            0 => {
                self.program.kill();
                drop(stopped);
                self.start_server().await;
                "server killed at a commit"
            }
            1 => {
                self.database.kill(Signal::KILL).await;
                drop(stopped);
                self.start_postgres().await;
                "PostgreSQL killed at a commit"
            }
            _ => {
                drop(stopped);
                "connection cut at a commit"
            }
        }
    }

    /// The times it took, and whether each was as short as is promised.
    pub fn told_readiness(&self) -> String {
        let (count, longest) = (self.readiness.len(), self.readiness.iter().max().copied().unwrap_or_default());
        let sum: Duration = self.readiness.iter().sum();
        let mean = sum.checked_div(count as u32).unwrap_or_default();
        format!("ready again {count} times, in {} ms on average, {} ms at most", mean.as_millis(), longest.as_millis())
    }

    pub fn assert_ready_in_time(&self) {
        assert!(self.readiness.iter().all(|time| *time < READY_WITHIN), "{:?}", self.readiness);
    }

    /// Until nothing waits to be sent to webhooks any more, with leases and pauses cut short.
    pub async fn deliveries_end(&self) {
        for _ in 0..120 {
            self.database.leases_run_out().await;
            let mut connection = self.database.connect().await;
            let waiting = "SELECT count(*) FROM delivery WHERE status = 'waiting'";
            let waiting: i64 = sqlx::query_scalar(waiting).fetch_one(&mut connection).await.unwrap();
            if waiting == 0 {
                return;
            }
            sleep(Duration::from_millis(500)).await;
        }
        panic!("notices are still waiting to be sent");
    }
}
