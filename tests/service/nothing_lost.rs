//! Nothing lost, nothing twice: the server and PostgreSQL are killed at every commit and at random, ways are cut, slow
//! and half open, and the server is told to end under load, while clients outside keep their own log of what was
//! acknowledged. The log is the judge.
//!
//! `TACKFREE_CRASH_ROUNDS=500` makes a campaign of it, `TACKFREE_FIRST_SEED` says where chance begins.

use crate::common::crash::Dice;
use crate::common::crash::crowd::Crowd;
use crate::common::crash::database::Database;
use crate::common::crash::judge::{Verdict, delivered, judge};
use crate::common::crash::office::{CREWS, Founded, HOUSES, found};
use crate::common::crash::outside::{Outside, Request, Told, What, air, draft, event, publication, record};
use crate::common::crash::program::{Program, READY_WITHIN};
use crate::common::crash::stage::Stage;
use crate::common::crash::trap::Point;
use crate::common::crash::way::{Mood, Way};
use crate::common::receiver::Receiver;
use chrono::{DateTime, Duration as Span, Utc};
use reqwest::Client;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tokio::time::{sleep, timeout};
use uuid::Uuid;

/// Rounds of the version that runs with the suite.
const ROUNDS_SHORT: u64 = 10;
/// So long the suite tries one commit after the other.
const COMMITS_SHORT: Duration = Duration::from_secs(14);
/// What must come within this time; nothing takes that long when all is well.
const SOON: Duration = Duration::from_secs(30);

/// The lease of a key is shorter.
const KEY_FREE_WITHIN: Duration = Duration::from_secs(25);

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|text| text.parse().unwrap())
}

fn rounds() -> Option<u64> {
    number("TACKFREE_CRASH_ROUNDS")
}

/// Printed, so that the same blows can be dealt again.
fn seed() -> u64 {
    let seed =
        number("TACKFREE_FIRST_SEED").unwrap_or_else(|| Utc::now().timestamp_micros().unsigned_abs() % 1_000_000);
    println!("seed {seed}");
    seed
}

fn told(verdict: &Verdict, outside: &Outside, stage: &Stage) {
    let count = |list: &Vec<String>| list.len();
    println!(
        "acknowledged {:?}; lost {}, doubled {}, half {}; {} plans promised, {} notices, {} of them sent again",
        verdict.acknowledged,
        count(&verdict.lost),
        count(&verdict.doubled),
        count(&verdict.half),
        verdict.plans,
        verdict.notices,
        verdict.delivered_again
    );
    println!(
        "{}; {} requests had to be sent again ({:?}), none waited longer than {} ms; {} commits seen",
        stage.told_readiness(),
        outside.unanswered.load(Ordering::Relaxed),
        outside.why.lock().unwrap(),
        outside.longest.lock().unwrap().as_millis(),
        stage.to_postgres.traps().commits()
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_lost_or_doubled_whatever_is_killed_and_cut_at_random() {
    let seed = seed();
    let mut dice = Dice::new(seed);
    let mut stage = Stage::set().await;
    let receiver = Receiver::start().await;
    let founded = found(&stage.http, &stage.program.base(), Some(&receiver.address)).await;
    let outside = Arc::new(Outside::new(&stage.base, &founded.token));
    let crowd = Arc::new(Crowd {
        outside: outside.clone(),
        over: AtomicBool::new(false),
        crews_home: AtomicBool::new(false),
        now: founded.now,
        published: Mutex::new(founded.plan.clone()),
        shown: Mutex::default(),
        rest: Duration::from_millis(60),
    });
    let mut clients = tokio::task::JoinSet::new();
    for number in 0..CREWS {
        let crowd = crowd.clone();
        clients.spawn(async move { crowd.crew(number, seed).await });
    }
    let (office, reader) = (crowd.clone(), crowd.clone());
    clients.spawn(async move { office.office(seed).await });
    let calendar = format!("{}{}", stage.base, founded.calendar);
    clients.spawn(async move { reader.reader(&calendar).await });
    let mut blows: BTreeMap<&str, u64> = BTreeMap::new();
    for _ in 0..rounds().unwrap_or(ROUNDS_SHORT) {
        sleep(dice.millis(100, 900)).await;
        *blows.entry(stage.strike(&mut dice).await).or_default() += 1;
        // Sometimes soon enough that two are at the same thing.
        if dice.below(2) == 0 {
            stage.database.leases_run_out().await;
        }
        assert!(!clients.is_empty() && outside.wrong.lock().unwrap().is_empty(), "{:?}", outside.wrong.lock().unwrap());
    }
    println!("blows {blows:?}");
    // Until something of everything has been done: the office publishes only what nothing has happened to meanwhile.
    crowd.crews_home.store(true, Ordering::Relaxed);
    let begin = Instant::now();
    let published = |told: &Told| matches!(told.request.what, What::Publication(_)) && told.answer.acknowledged();
    while begin.elapsed() < SOON && !outside.told().iter().any(published) {
        stage.database.leases_run_out().await;
        sleep(Duration::from_millis(200)).await;
    }
    crowd.over.store(true, Ordering::Relaxed);
    stage.database.leases_run_out().await;
    while let Some(ended) = clients.join_next().await {
        ended.unwrap();
    }
    stage.deliveries_end().await;
    let shown = std::mem::take(&mut *crowd.shown.lock().unwrap());
    let mut verdict = judge(&outside, &stage.database, &shown).await;
    stage.deliveries_end().await;
    delivered(&mut verdict, &stage.database, &receiver.came()).await;
    told(&verdict, &outside, &stage);
    verdict.assert_clean(&outside);
    assert!(verdict.acknowledged["record"] > 0 && verdict.acknowledged["publication"] > 0, "{verdict:?}");
    stage.assert_ready_in_time();
}

/// A house is closed from now on: whatever is promised there has to move.
fn closed(number: usize, now: DateTime<Utc>, time: Span) -> Value {
    let (from, until) = (now.to_rfc3339(), (now + time).to_rfc3339());
    json!({"kind": "house_closed", "house": format!("house-{}", number % HOUSES), "from": from, "until": until})
}

/// What is to be committed, and a word of its transaction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Commit {
    Record,
    /// The key of a record is taken, and nothing done yet.
    Key,
    Air,
    Event,
    Draft,
    Publication,
    Repair,
    Delivery,
}

const COMMITS: [(Commit, &str); 8] = [
    (Commit::Record, "response_status = $4"),
    (Commit::Key, "INSERT INTO idempotency"),
    (Commit::Air, "response_status = $4"),
    (Commit::Event, "INSERT INTO event"),
    (Commit::Draft, "response_status = $4"),
    (Commit::Publication, "response_status = $4"),
    (Commit::Repair, "UPDATE repair_turn SET lease = NULL"),
    (Commit::Delivery, "UPDATE delivery SET status"),
];

/// What is struck while a commit is stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Victim {
    Server,
    Postgres(Signal),
    /// The connection between them.
    Way,
    /// The session in PostgreSQL; it makes a difference only before.
    Session,
    /// The client goes away, and the commit goes on.
    Client,
}

const VICTIMS: [Victim; 6] = [
    Victim::Server,
    Victim::Postgres(Signal::KILL),
    Victim::Postgres(Signal::QUIT),
    Victim::Way,
    Victim::Session,
    Victim::Client,
];

struct Commits {
    stage: Stage,
    outside: Arc<Outside>,
    founded: Founded,
    done: u64,
}

impl Commits {
    /// What makes the commit come.
    async fn request(&mut self, commit: Commit) -> Request {
        self.done += 1;
        let (number, now) = (self.done as usize, self.founded.now);
        let key = format!("commit-{number}");
        let id = Uuid::from_u128((self.done as u128) << 64 | 8 << 60 | 1);
        match commit {
            Commit::Record | Commit::Key => {
                // Each job in turn, so that none has more tries than a plan takes.
                let told = self.outside.told();
                let of = |told: &Told| told.request.path.ends_with("/records");
                let turn = told.iter().filter(|told| of(told)).count();
                record(&key, turn / 2 % 8, turn / 16 * 2 + turn % 2, now)
            }
            Commit::Air => air(&key, number % 8, now - Span::minutes(number as i64)),
            Commit::Draft => draft(&key),
            Commit::Publication => {
                self.settled().await;
                let made = self.outside.tell(draft(&key)).await;
                publication(&format!("{key}-p"), made.body["id"].as_str().unwrap())
            }
            Commit::Event => event(id, Utc::now(), closed(number, now, Span::hours(24 + 2 * number as i64))),
            Commit::Repair | Commit::Delivery => {
                self.settled().await;
                event(id, Utc::now(), self.closed_to_a_promise().await)
            }
        }
    }

    /// A house is closed until a step that is promised there would be done: so something has to move, whatever was closed
    /// before.
    async fn closed_to_a_promise(&self) -> Value {
        let plan = self.outside.get("/v1/plans/published").await.0;
        let time = |placement: &Value, end: &str| {
            DateTime::parse_from_rfc3339(placement[end].as_str().unwrap()).unwrap().with_timezone(&Utc)
        };
        let soon = self.founded.now + Span::hours(24);
        let placements = plan["placements"].as_array().unwrap().iter();
        let open = placements.filter(|placement| placement["state"] == "planned" && time(placement, "start") > soon);
        let next = open.min_by_key(|placement| time(placement, "start")).expect("something is promised");
        json!({"kind": "house_closed", "house": next["house"], "from": self.founded.now.to_rfc3339(), "until": next["finish"]})
    }

    async fn settled(&self) {
        self.stage.database.leases_run_out().await;
        self.outside.get("/v1/repairs/state?wait_seconds=10").await;
    }

    async fn strike(&mut self, (commit, word): (Commit, &'static str), point: Point, victim: Victim) {
        let request = self.request(commit).await;
        let sprung = self.stage.to_postgres.traps().arm(word, point);
        let outside = self.outside.clone();
        let telling = tokio::spawn(async move { outside.tell(request).await });
        let stopped = timeout(SOON, sprung).await.unwrap_or_else(|_| panic!("{commit:?} does not come"));
        let stopped = stopped.unwrap();
        match victim {
            Victim::Server => {
                self.stage.program.kill();
                drop(stopped);
                self.stage.start_server().await;
            }
            Victim::Postgres(signal) => {
                self.stage.database.kill(signal).await;
                drop(stopped);
                self.stage.start_postgres().await;
            }
            Victim::Way => drop(stopped),
            Victim::Session => {
                self.stage.database.end_sessions().await;
                stopped.let_go();
            }
            Victim::Client => {
                self.stage.to_server.cut();
                // Longer than the client rests: it asks again while the first is under way.
                sleep(Duration::from_millis(150)).await;
                stopped.let_go();
            }
        }
        self.stage.database.leases_run_out().await;
        let answer = timeout(SOON * 2, telling).await.expect("it is answered").unwrap();
        assert!(answer.acknowledged(), "{commit:?} {point:?} {victim:?}: {answer:?}");
        if matches!(commit, Commit::Record | Commit::Air | Commit::Draft | Commit::Publication) {
            let committed = point == Point::AfterCommit || victim == Victim::Client;
            assert_eq!(answer.replayed, committed, "{commit:?} {point:?} {victim:?}: done before, or done now?");
        }
        if commit == Commit::Event {
            let committed = point == Point::AfterCommit || victim == Victim::Client;
            assert_eq!(answer.status == 200, committed, "{commit:?} {point:?} {victim:?}: told before?");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_commit_is_done_once_whoever_dies_before_or_after_it() {
    let mut dice = Dice::new(seed());
    let stage = Stage::set().await;
    let receiver = Receiver::start().await;
    let founded = found(&stage.http, &stage.program.base(), Some(&receiver.address)).await;
    let outside = Arc::new(Outside::new(&stage.base, &founded.token));
    let mut commits = Commits { stage, outside: outside.clone(), founded, done: 0 };
    let mut cells = Vec::new();
    for commit in COMMITS {
        for point in [Point::BeforeCommit, Point::AfterCommit] {
            let victims =
                VICTIMS.into_iter().filter(|victim| point == Point::BeforeCommit || *victim != Victim::Session);
            cells.extend(victims.map(|victim| (commit, point, victim)));
        }
    }
    dice.shuffle(&mut cells);
    let begin = Instant::now();
    let mut struck = 0;
    for (commit, point, victim) in cells.iter().copied() {
        if rounds().is_some() || begin.elapsed() < COMMITS_SHORT {
            commits.strike(commit, point, victim).await;
            struck += 1;
        }
    }
    println!("{struck} of {} commits struck", cells.len());
    let Commits { stage, .. } = commits;
    stage.deliveries_end().await;
    let mut verdict = judge(&outside, &stage.database, &[]).await;
    stage.deliveries_end().await;
    delivered(&mut verdict, &stage.database, &receiver.came()).await;
    told(&verdict, &outside, &stage);
    verdict.assert_clean(&outside);
    stage.assert_ready_in_time();
}

/// A phone that asks again must not be told for minutes that somebody is at it, when nobody is.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_key_whose_server_died_is_free_again_soon() {
    let mut stage = Stage::set().await;
    let founded = found(&stage.http, &stage.program.base(), None).await;
    let outside = Arc::new(Outside::new(&stage.base, &founded.token));
    // The long version also dies later: the record itself is about to be committed.
    let points = [Point::AfterCommit, Point::BeforeCommit];
    let count = if rounds().is_some() { 2 } else { 1 };
    for (turn, point) in points.into_iter().take(count).enumerate() {
        let word = if point == Point::AfterCommit { "INSERT INTO idempotency" } else { "response_status = $4" };
        let sprung = stage.to_postgres.traps().arm(word, point);
        let (telling, request) = (outside.clone(), record(&format!("key-{turn}"), 0, turn, founded.now));
        let telling = tokio::spawn(async move { telling.tell(request).await });
        let stopped = timeout(SOON, sprung).await.expect("it comes").unwrap();
        stage.program.kill();
        drop(stopped);
        stage.start_server().await;
        let begin = Instant::now();
        let answer = timeout(KEY_FREE_WITHIN, telling).await.expect("it is answered").unwrap();
        println!("answered {} ms after the server was ready", begin.elapsed().as_millis());
        assert_eq!((answer.status, answer.replayed), (201, false));
    }
    stage.database.leases_run_out().await;
    let verdict = judge(&outside, &stage.database, &[]).await;
    verdict.assert_clean(&outside);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_half_open_way_to_the_database_is_told_and_not_waited_for() {
    let stage = Stage::set().await;
    let founded = found(&stage.http, &stage.program.base(), None).await;
    let outside = Arc::new(Outside::new(&stage.base, &founded.token));
    stage.to_postgres.turn(Mood::Held);
    let telling = {
        let (outside, request) = (outside.clone(), record("half-open", 0, 0, founded.now));
        tokio::spawn(async move { outside.tell(request).await })
    };
    for _ in 0..4 {
        let asked = stage.http.get(format!("{}/readyz", stage.program.base())).timeout(READY_WITHIN).send().await;
        assert_eq!(asked.expect("it is told in time").status(), 503);
    }
    let alive = stage.http.get(format!("{}/healthz", stage.program.base())).timeout(READY_WITHIN).send().await;
    assert_eq!(alive.unwrap().status(), 200);
    stage.to_postgres.cut();
    stage.to_postgres.turn(Mood::Open);
    let mended = Instant::now();
    let mut stage = stage;
    stage.program.ready(&stage.http).await;
    println!("ready {} ms after the way was mended", mended.elapsed().as_millis());
    assert!(mended.elapsed() < READY_WITHIN);
    assert_eq!(timeout(SOON, telling).await.expect("it is answered").unwrap().status, 201);
    let paused = record("half-open-2", 0, 1, founded.now);
    assert_eq!(outside.tell(paused).await.status, 201);
    let verdict = judge(&outside, &stage.database, &[]).await;
    verdict.assert_clean(&outside);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repair_whose_server_dies_is_finished_by_the_other() {
    let mut stage = Stage::set().await;
    let founded = found(&stage.http, &stage.program.base(), None).await;
    let outside = Arc::new(Outside::new(&stage.program.base(), &founded.token));
    let folder = TempDir::new().unwrap();
    let _way = Way::to_postgres(folder.path(), &stage.database.socket_directory());
    let mut stories = 0;
    // Before it has looked, when it is about to keep what it has made, and when that is kept and nobody knows.
    for (word, point) in [
        ("FROM repair_change", Point::Statement),
        ("INSERT INTO plan_job", Point::Statement),
        ("UPDATE repair_turn SET lease = NULL", Point::BeforeCommit),
        ("UPDATE repair_turn SET lease = NULL", Point::AfterCommit),
    ] {
        stories += 1;
        let sprung = stage.to_postgres.traps().arm(word, point);
        let closed = closed(stories as usize, founded.now, Span::days(3));
        let id = Uuid::from_u128((stories as u128) << 64 | 8 << 60);
        assert!(outside.tell(event(id, Utc::now(), closed)).await.acknowledged());
        let stopped = timeout(SOON, sprung).await.expect("it is repaired").unwrap();
        let url = Database::url_through(folder.path());
        let mut other = Program::new(&[("DATABASE_URL", url)], stage.database.folder());
        other.start();
        other.ready(&stage.http).await;
        stage.program.kill();
        drop(stopped);
        let killed = Instant::now();
        let of_other = Outside::new(&other.base(), &founded.token);
        let unfinished = point != Point::AfterCommit;
        if unfinished {
            // Whoever holds the lease may be alive for all that the other knows.
            sleep(Duration::from_millis(1_500)).await;
            let state = of_other.get("/v1/repairs/state").await.0;
            assert_eq!((&state["settled"], &state["under_way"]), (&json!(false), &json!(true)), "{state}");
        }
        if rounds().is_none() {
            stage.database.leases_run_out().await;
        }
        let mut state = json!(null);
        while killed.elapsed() < SOON * 2 && state["settled"] != true {
            state = of_other.get("/v1/repairs/state?wait_seconds=5").await.0;
        }
        assert_eq!((&state["settled"], &state["failures"]), (&json!(true), &json!(0)), "{state}");
        println!("{word:?} {point:?}: the other was done {} ms after the kill", killed.elapsed().as_millis());
        let verdict = judge(&of_other, &stage.database, &[]).await;
        assert!(verdict.lost.is_empty() && verdict.half.is_empty(), "{verdict:?}");
        drop(other);
        stage.start_server().await;
    }
    let mut connection = stage.database.connect().await;
    let repairs: i64 = sqlx::query_scalar("SELECT count(*) FROM repair").fetch_one(&mut connection).await.unwrap();
    let verdict = judge(&outside, &stage.database, &[]).await;
    println!("{repairs} repairs for {stories} stories; {} plans promised", verdict.plans);
    verdict.assert_clean(&outside);
    assert!(repairs <= stories, "something was repaired twice");
    assert_eq!(verdict.plans as i64, repairs + 1, "a repair and no plan, or the other way round");
}

/// As most run it: without a `DATABASE_URL`, PostgreSQL is the server's own, and outlives a server that is killed.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_is_killed_finds_its_own_postgresql_again() {
    let rounds = rounds().map_or(4, |rounds| (rounds / 5).max(4));
    let mut dice = Dice::new(seed());
    tackfree::weather::fetch::provide_tls();
    let folder =
        tempfile::Builder::new().permissions(std::os::unix::fs::PermissionsExt::from_mode(0o711)).tempdir().unwrap();
    let data = folder.path().join("data");
    let settings = [("TACKFREE_DATA_DIRECTORY", data.display().to_string())];
    let mut program = Program::new(&settings, folder.path());
    let http = Client::builder().pool_max_idle_per_host(0).build().unwrap();
    program.start();
    program.ready(&http).await;
    let founded = found(&http, &program.base(), None).await;
    let outside = Arc::new(Outside::new(&program.base(), &founded.token));
    let over = Arc::new(AtomicBool::new(false));
    let writer = {
        let (outside, over, now) = (outside.clone(), over.clone(), founded.now);
        tokio::spawn(async move {
            for turn in 1.. {
                if over.load(Ordering::Relaxed) {
                    return;
                }
                let due = (now + Span::hours(700 + turn % 100)).to_rfc3339();
                let id = Uuid::from_u128((turn as u128) << 64 | 8 << 60);
                let told =
                    outside.tell(event(id, Utc::now(), json!({"kind": "due_moved", "job": "job-0", "due": due}))).await;
                assert!(told.acknowledged(), "{told:?}");
            }
        })
    };
    let mut readiness = Vec::new();
    for _ in 0..rounds {
        sleep(dice.millis(100, 800)).await;
        program.kill();
        let begin = Instant::now();
        program.start();
        program.ready(&http).await;
        readiness.push(begin.elapsed());
    }
    // When PostgreSQL dies, the server cannot start it again by itself while its lock is held: it ends, and whoever looks
    // after it starts both.
    let postmaster = std::fs::read_to_string(data.join("postgres/postmaster.pid")).unwrap();
    let postmaster = postmaster.lines().next().and_then(|line| line.parse().ok()).and_then(Pid::from_raw).unwrap();
    kill_process(postmaster, Signal::KILL).unwrap();
    let ended = timeout(SOON, program.ended()).await.expect("a server without its database ends");
    assert!(!ended.success());
    let begin = Instant::now();
    program.start();
    program.ready(&http).await;
    readiness.push(begin.elapsed());
    over.store(true, Ordering::Relaxed);
    writer.await.unwrap();
    let told = outside.told();
    let there = outside.list("/v1/events?kind=due_moved&limit=200").await;
    println!("{} events acknowledged, {} there; ready again after {readiness:?}", told.len(), there.len());
    assert!(told.len() > rounds as usize);
    let mut ids: Vec<&str> = there.iter().map(|event| event["id"].as_str().unwrap()).collect();
    ids.sort_unstable();
    let acked: Vec<String> = told.iter().map(|told| told.request.body["id"].as_str().unwrap().to_owned()).collect();
    assert_eq!(ids, acked, "there once, each of them, and nothing else");
    assert!(readiness.iter().all(|time| *time < READY_WITHIN), "{readiness:?}");
    drop(program);
}
