//! A PostgreSQL of the test's own, as durable as in production: its postmaster is killed, by its own number, and started
//! again on the same data.

use rustix::process::{Pid, Signal, kill_process};
use sqlx::postgres::{PgConnectOptions, PgConnection};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tackfree::store::cluster::{Cluster, ClusterOptions, OWNER_ROLE, connect_options};
use tempfile::TempDir;

pub const DATABASE: &str = "tackfree";

pub struct Database {
    folder: TempDir,
    cluster: Option<Cluster>,
}

impl Database {
    pub async fn start() -> Database {
        let open = Permissions::from_mode(0o711);
        let folder = tempfile::Builder::new().permissions(open).tempdir().unwrap();
        let mut database = Database { folder, cluster: None };
        database.restart().await;
        database.cluster.as_ref().unwrap().ensure_database(DATABASE).await.unwrap();
        database
    }

    /// For what else the test keeps.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Where PostgreSQL's socket is: always the same.
    pub fn socket_directory(&self) -> PathBuf {
        self.cluster.as_ref().unwrap().socket_directory().to_owned()
    }

    pub fn owner(&self) -> PgConnectOptions {
        self.cluster.as_ref().unwrap().owner_options(DATABASE)
    }

    /// What the server is given, when PostgreSQL's socket is found in `folder`.
    pub fn url_through(folder: &Path) -> String {
        connect_options(folder, OWNER_ROLE, DATABASE).to_url_lossy().to_string()
    }

    /// SIGKILL, or SIGQUIT, which is an immediate shutdown; returns when the postmaster has gone.
    pub async fn kill(&mut self, signal: Signal) {
        let mut cluster = self.cluster.take().unwrap();
        kill_process(Pid::from_raw(cluster.pid().unwrap()).unwrap(), signal).unwrap();
        let _ = cluster.wait_for_exit().await;
    }

    /// Starts it on what is there.
    pub async fn restart(&mut self) {
        let data_directory = self.folder.path().join("data");
        let options = ClusterOptions { data_directory, binaries: None, durable: durable() };
        self.cluster = Some(Cluster::start(&options).await.unwrap());
    }

    pub async fn connect(&self) -> PgConnection {
        self.owner().connect().await.unwrap()
    }

    /// Runs statements of the test's own.
    pub async fn run(&self, statement: &str) -> u64 {
        let mut connection = self.connect().await;
        let done = sqlx::query(AssertSqlSafe(statement.to_owned())).execute(&mut connection).await.unwrap();
        connection.close().await.unwrap();
        done.rows_affected()
    }

    /// Ends all sessions but the owner's, as an administrator may.
    pub async fn end_sessions(&self) {
        self.run("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename <> current_user AND usename IS NOT NULL")
            .await;
    }

    /// As if so much time had passed that leases of the killed have run out, and rests are over.
    pub async fn leases_run_out(&self) {
        for statement in [
            "UPDATE repair_turn SET lease_until = clock_timestamp() WHERE lease_until > clock_timestamp()",
            "UPDATE repair_turn SET rest_until = clock_timestamp() WHERE rest_until > clock_timestamp()",
            "UPDATE idempotency SET lease_until = clock_timestamp() WHERE status = 'in_progress'",
            "UPDATE delivery SET lease_until = clock_timestamp() - interval '1 second'
             WHERE status = 'waiting' AND lease_until > clock_timestamp()",
            "UPDATE delivery SET due_at = clock_timestamp() - interval '1 second'
             WHERE status = 'waiting' AND due_at > clock_timestamp()",
        ] {
            self.run(statement).await;
        }
    }
}

/// Unset in all runs but the one that shows that the judge would notice: without it, commits are lost with PostgreSQL.
fn durable() -> bool {
    std::env::var_os("TACKFREE_CRASH_FORGETFUL").is_none()
}
