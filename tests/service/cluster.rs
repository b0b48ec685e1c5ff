//! The private cluster as a program meets it: real processes, real kills. Runs as root or as an ordinary user.

use crate::common::postgres::{execute, text};
use rustix::process::{Pid, Signal, geteuid, getpgid, kill_process, test_kill_process};
use sqlx::{ConnectOptions, Connection};
use std::fs::{self, Permissions};
use std::io::{BufRead, BufReader};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tackfree::store::cluster::{Cluster, ClusterError, ClusterOptions, connect_options};
use tempfile::TempDir;

/// A data directory to be, in a temporary folder that PostgreSQL's user can enter.
struct Home {
    folder: TempDir,
}

impl Home {
    fn new() -> Home {
        let open = Permissions::from_mode(0o711);
        Home { folder: tempfile::Builder::new().permissions(open).tempdir().unwrap() }
    }

    fn data_directory(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    fn options(&self) -> ClusterOptions {
        ClusterOptions { data_directory: self.data_directory(), binaries: None, durable: false }
    }

    fn durable(&self) -> ClusterOptions {
        ClusterOptions { durable: true, ..self.options() }
    }

    /// With programs of PostgreSQL that are shell scripts.
    fn with_scripts(&self, postgres: &str, initdb: &str) -> ClusterOptions {
        let folder = self.folder.path().join("programs");
        fs::create_dir(&folder).unwrap();
        for (name, script) in [("postgres", postgres), ("initdb", initdb)] {
            fs::write(folder.join(name), format!("#!/bin/sh\n{script}\n")).unwrap();
            fs::set_permissions(folder.join(name), Permissions::from_mode(0o755)).unwrap();
        }
        ClusterOptions { binaries: Some(folder), ..self.options() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.data_directory().join(name)
    }

    fn postmaster_pid(&self) -> Option<i32> {
        fs::read_to_string(self.path("postgres/postmaster.pid")).ok()?.lines().next()?.trim().parse().ok()
    }
}

/// Another program with a cluster: killed, not stopped, when dropped.
struct Program {
    child: Child,
}

impl Program {
    fn spawn(home: &Home) -> Program {
        let mut command = Command::new(env!("CARGO_BIN_EXE_with-postgres"));
        command.arg("--durable").arg("--data-directory").arg(home.data_directory());
        Program { child: command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap() }
    }

    fn wait_until_ready(&mut self) {
        let mut line = String::new();
        BufReader::new(self.child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert!(Path::new(line.trim()).is_dir(), "no socket directory was printed: {line:?}");
    }

    fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

async fn refused(options: &ClusterOptions) -> ClusterError {
    match Cluster::start(options).await {
        Ok(_) => panic!("the cluster should not have started"),
        Err(error) => error,
    }
}

/// Waits for something that another process does.
async fn eventually<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let begin = Instant::now();
    while begin.elapsed() < Duration::from_secs(30) {
        if let Some(seen) = look() {
            return seen;
        }
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
    panic!("not within 30 s: {what}");
}

fn pid(number: i32) -> Pid {
    Pid::from_raw(number).unwrap()
}

#[tokio::test]
async fn data_survives_stop_and_start() {
    let home = Home::new();
    let cluster = Cluster::start(&home.options()).await.unwrap();
    cluster.ensure_database("floor \"one\"").await.unwrap();
    cluster.ensure_database("floor \"one\"").await.unwrap();
    execute(&cluster.owner_options("floor \"one\""), "CREATE TABLE house AS SELECT 'Größe'::text AS name").await;
    let server = cluster.pid().unwrap();
    cluster.stop().await.unwrap();
    assert!(test_kill_process(pid(server)).is_err(), "stopped means gone");

    let cluster = Cluster::start(&home.options()).await.unwrap();
    assert_eq!(text(&cluster.owner_options("floor \"one\""), "SELECT name FROM house").await, "Größe");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn the_cluster_speaks_utf8_and_utc_and_lets_a_login_role_in() {
    let home = Home::new();
    let cluster = Cluster::start(&home.options()).await.unwrap();
    let owner = cluster.owner_options("postgres");
    let settings = "SELECT concat_ws(' ', current_setting('server_encoding'), datcollate, current_setting('TimeZone'), \
                    current_setting('data_checksums'), '[' || current_setting('listen_addresses') || ']') \
                    FROM pg_database WHERE datname = current_database()";
    assert_eq!(text(&owner, settings).await, "UTF8 C UTC on []");

    execute(&owner, "CREATE ROLE crew_app LOGIN NOSUPERUSER NOBYPASSRLS").await;
    let login = connect_options(cluster.socket_directory(), "crew_app", "postgres");
    let who = "SELECT rolname || ' ' || rolsuper FROM pg_roles WHERE rolname = current_user";
    assert_eq!(text(&login, who).await, "crew_app false");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_second_program_is_told_who_has_the_directory() {
    let home = Home::new();
    let mut program = Program::spawn(&home);
    program.wait_until_ready();
    let error = refused(&home.options()).await;
    let ClusterError::InUse { pid: holder, .. } = &error else { panic!("{error}") };
    assert_eq!(*holder, i32::try_from(program.child.id()).ok());
    assert!(error.cure().contains(&format!("stop process {}", program.child.id())), "{}", error.cure());
    // Its end of input is its order to stop.
    drop(program.child.stdin.take());
    assert!(program.child.wait().unwrap().success());
    Cluster::start(&home.options()).await.unwrap().stop().await.unwrap();
}

#[tokio::test]
async fn committed_data_survives_a_kill_of_postgresql() {
    let home = Home::new();
    let mut cluster = Cluster::start(&home.durable()).await.unwrap();
    let options = cluster.owner_options("postgres");
    execute(&options, "CREATE TABLE reading (mc numeric)").await;
    let mut connection = options.connect().await.unwrap();
    sqlx::query("INSERT INTO reading VALUES (7.5), (8.25)").execute(&mut connection).await.unwrap();
    // A transaction that is open at the moment of the kill must not come back.
    let mut open = connection.begin().await.unwrap();
    sqlx::query("INSERT INTO reading VALUES (99)").execute(&mut *open).await.unwrap();

    kill_process(pid(cluster.pid().unwrap()), Signal::KILL).unwrap();
    let error = cluster.wait_for_exit().await;
    assert_eq!(error.code(), "cluster-exited");
    assert!(error.to_string().contains("signal: 9"), "{error}");
    drop(cluster);

    let cluster = Cluster::start(&home.durable()).await.unwrap();
    let sum = text(&cluster.owner_options("postgres"), "SELECT sum(mc)::text FROM reading").await;
    assert_eq!(sum, "15.75");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_busy_orphaned_backend_only_delays_the_next_start() {
    let home = Home::new();
    let mut cluster = Cluster::start(&home.durable()).await.unwrap();
    let mut connection = cluster.owner_options("postgres").connect().await.unwrap();
    let backend: i32 = sqlx::query_scalar("SELECT pg_backend_pid()").fetch_one(&mut connection).await.unwrap();
    // Counting never looks up to see whether the postmaster is still there.
    let count = "SELECT count(*) FROM generate_series(1, 1000000) a, generate_series(1, 1000000) b";
    let busy = tokio::spawn(async move { sqlx::query(count).execute(&mut connection).await.map(|_| ()) });
    let waiting = "SELECT state FROM pg_stat_activity WHERE pid = ";
    let options = cluster.owner_options("postgres");
    while text(&options, &format!("{waiting}{backend}")).await != "active" {}

    kill_process(pid(cluster.pid().unwrap()), Signal::KILL).unwrap();
    cluster.wait_for_exit().await;
    drop(cluster);
    let log = home.path("postgres.log");
    let release = tokio::spawn(async move {
        let seen = || fs::read_to_string(&log).ok()?.contains("pre-existing shared memory block").then_some(());
        eventually("postgres refuses to start beside an orphaned backend", seen).await;
        kill_process(pid(backend), Signal::TERM).unwrap();
    });
    let cluster = Cluster::start(&home.durable()).await.unwrap();
    release.await.unwrap();
    assert!(busy.await.unwrap().is_err());
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn the_postgresql_of_a_killed_program_makes_way() {
    let home = Home::new();
    let mut program = Program::spawn(&home);
    program.wait_until_ready();
    let options = connect_options(&home.path("socket"), "tackfree_owner", "postgres");
    execute(&options, "CREATE TABLE promise AS SELECT 'Friday'::text AS day").await;
    let orphan = home.postmaster_pid().unwrap();
    program.kill();
    // It still answers: nobody has told it to stop.
    assert_eq!(text(&options, "SELECT day FROM promise").await, "Friday");

    let cluster = Cluster::start(&home.durable()).await.unwrap();
    assert_ne!(cluster.pid(), Some(orphan));
    assert_eq!(text(&cluster.owner_options("postgres"), "SELECT day FROM promise").await, "Friday");
    let state = fs::read_to_string(format!("/proc/{orphan}/stat")).unwrap_or_default();
    assert!(state.is_empty() || state.contains(") Z "), "the orphan has ended: {state}");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn an_initdb_cut_short_is_done_again() {
    let home = Home::new();
    let unfinished = || {
        let entries = fs::read_dir(home.data_directory()).ok()?.flatten();
        entries
            .map(|entry| entry.path())
            .find(|path| path.file_name().unwrap().to_string_lossy().starts_with("postgres.new-"))
    };
    let program = Program::spawn(&home);
    eventually("initdb has begun", || unfinished().filter(|path| path.join("PG_VERSION").exists())).await;
    program.kill();
    assert!(!home.path("postgres").exists(), "initdb was not cut short");

    let cluster = Cluster::start(&home.options()).await.unwrap();
    assert_eq!(text(&cluster.owner_options("postgres"), "SELECT 'well'::text").await, "well");
    cluster.stop().await.unwrap();
    // An orphaned initdb may have written on while the folder was removed; then the next start has removed the rest.
    Cluster::start(&home.options()).await.unwrap().stop().await.unwrap();
    assert_eq!(unfinished(), None);
}

#[tokio::test]
async fn a_process_number_that_was_given_to_another_keeps_nobody_out_and_harms_nobody() {
    let home = Home::new();
    let cluster = Cluster::start(&home.options()).await.unwrap();
    let pid_file = home.path("postgres/postmaster.pid");
    let text = fs::read_to_string(&pid_file).unwrap();
    let owner = fs::metadata(home.path("postgres")).unwrap();
    cluster.stop().await.unwrap();
    // Of the same user as PostgreSQL: only then does PostgreSQL itself take it for a running server.
    let mut innocent = Command::new("sleep").arg("600").uid(owner.uid()).gid(owner.gid()).spawn().unwrap();
    let stale = text.replacen(text.lines().next().unwrap(), &innocent.id().to_string(), 1);
    fs::write(&pid_file, stale).unwrap();

    let started = Cluster::start(&home.options()).await;
    let alive = innocent.try_wait().unwrap().is_none();
    innocent.kill().unwrap();
    innocent.wait().unwrap();
    started.unwrap().stop().await.unwrap();
    assert!(alive, "only a postgres of this directory may be stopped");
}

#[tokio::test]
async fn postgresql_runs_unprivileged_in_its_own_group_without_tcp() {
    let home = Home::new();
    let cluster = Cluster::start(&home.options()).await.unwrap();
    let server = cluster.pid().unwrap();
    let proc = PathBuf::from(format!("/proc/{server}"));
    let uid = fs::metadata(&proc).unwrap().uid();
    assert_ne!(uid, 0, "not root");
    if !geteuid().is_root() {
        assert_eq!(uid, geteuid().as_raw());
    }
    assert_eq!(getpgid(Some(pid(server))).unwrap(), pid(server), "Ctrl-C must not reach it");

    let socket = fs::metadata(cluster.socket_directory()).unwrap();
    assert_eq!(socket.permissions().mode() & 0o7777, 0o700);
    assert_eq!(socket.uid(), uid);
    let data = fs::metadata(home.path("postgres")).unwrap();
    assert_eq!(data.permissions().mode() & 0o7777, 0o700);

    let sockets = sockets_of(&proc);
    assert!(!sockets.is_empty(), "its Unix socket at least");
    for family in ["tcp", "tcp6", "udp", "udp6"] {
        let table = fs::read_to_string(proc.join("net").join(family)).unwrap_or_default();
        let inodes: Vec<&str> = table.lines().skip(1).filter_map(|line| line.split_whitespace().nth(9)).collect();
        assert!(!sockets.iter().any(|socket| inodes.contains(&socket.as_str())), "a {family} socket is open");
    }
    cluster.stop().await.unwrap();
}

/// The inode numbers of the sockets that a process has open.
fn sockets_of(proc: &Path) -> Vec<String> {
    let files = fs::read_dir(proc.join("fd")).unwrap().flatten();
    let links = files.filter_map(|file| fs::read_link(file.path()).ok());
    let number = |link: PathBuf| Some(link.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.to_owned());
    links.filter_map(number).collect()
}

#[tokio::test]
async fn dropped_without_stop_postgresql_still_ends() {
    let home = Home::new();
    let cluster = Cluster::start(&home.options()).await.unwrap();
    drop(cluster);
    eventually("the pid file goes with the server", || home.postmaster_pid().is_none().then_some(())).await;
    Cluster::start(&home.options()).await.unwrap().stop().await.unwrap();
}

#[tokio::test]
async fn a_failed_start_quotes_the_log() {
    let home = Home::new();
    Cluster::start(&home.options()).await.unwrap().stop().await.unwrap();
    let file = home.path("postgres/postgresql.conf");
    let good = fs::read_to_string(&file).unwrap();
    fs::write(&file, format!("{good}\nsquare_feet = 1200\n")).unwrap();
    let error = refused(&home.options()).await;
    assert_eq!(error.code(), "cluster-start-failed");
    assert!(error.to_string().contains("unrecognized configuration parameter \"square_feet\""), "{error}");
    assert!(!error.to_string().contains("database system is shut down"), "lines of an earlier run: {error}");
    fs::write(&file, good).unwrap();
    Cluster::start(&home.options()).await.unwrap().stop().await.unwrap();
}

#[tokio::test]
async fn data_of_another_major_version_is_left_alone() {
    let home = Home::new();
    Cluster::start(&home.options()).await.unwrap().stop().await.unwrap();
    fs::write(home.path("postgres/PG_VERSION"), "99\n").unwrap();
    let error = refused(&home.options()).await;
    let ClusterError::OtherMajor { data: 99, found, .. } = &error else { panic!("{error}") };
    assert!(!found.is_empty());
    assert!(error.cure().contains("postgresql-99"), "{}", error.cure());

    fs::remove_file(home.path("postgres/PG_VERSION")).unwrap();
    assert_eq!(refused(&home.options()).await.code(), "cluster-not-a-cluster");
    assert!(home.path("postgres/base").is_dir(), "nothing was removed");
}

#[tokio::test]
async fn unsuitable_programs_are_refused_before_anything_is_created() {
    let home = Home::new();
    let nowhere = ClusterOptions { binaries: Some(home.path("nowhere")), ..home.options() };
    assert_eq!(refused(&nowhere).await.code(), "cluster-binaries-folder");

    let error = refused(&home.with_scripts("echo 'postgres (PostgreSQL) 14.19'", "exit 1")).await;
    assert!(matches!(error, ClusterError::TooOld { major: 14, .. }), "{error}");
    assert!(error.cure().contains("apt-get install postgresql"), "{}", error.cure());
    assert!(!home.data_directory().exists());
}

#[tokio::test]
async fn a_failed_initdb_quotes_it_and_leaves_no_data() {
    let home = Home::new();
    let error =
        refused(&home.with_scripts("echo 'postgres (PostgreSQL) 15.1'", "echo the floor is wet >&2; exit 3")).await;
    assert_eq!(error.code(), "cluster-initdb-failed");
    assert!(error.to_string().contains("the floor is wet") && error.to_string().contains("exit status: 3"), "{error}");
    assert!(!home.path("postgres").exists());
    Cluster::start(&home.options()).await.unwrap().stop().await.unwrap();
}

#[tokio::test]
async fn root_is_told_which_folder_keeps_postgresql_out() {
    let home = Home::new();
    let closed = home.folder.path().join("closed");
    fs::create_dir(&closed).unwrap();
    fs::set_permissions(&closed, Permissions::from_mode(0o700)).unwrap();
    let options = ClusterOptions { data_directory: closed.join("a/b"), ..home.options() };
    if !geteuid().is_root() {
        // The folder is the user's own, who is also PostgreSQL's: nothing is in the way.
        return Cluster::start(&options).await.unwrap().stop().await.unwrap();
    }
    let error = refused(&options).await;
    let ClusterError::NotTraversable { blocked, .. } = &error else { panic!("{error}") };
    assert_eq!(*blocked, closed.canonicalize().unwrap());
    assert!(!closed.join("a").exists(), "nothing was created");
    fs::set_permissions(&closed, Permissions::from_mode(0o711)).unwrap();
    Cluster::start(&options).await.unwrap().stop().await.unwrap();
}
