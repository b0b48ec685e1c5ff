//! The private PostgreSQL cluster that the program runs when `DATABASE_URL` is unset, so that one command is enough
//! on a fresh machine: found, initialised, locked, started, watched and stopped here. It has a Unix socket and no TCP
//! port, and never runs as root. What is stored in it is no business of this module.
//!
//! | file | what |
//! |---|---|
//! | `place` | the data directory, its layout and lock |
//! | `account` | the unprivileged user that root becomes |
//! | `binaries` | finding `postgres` and `initdb`, and their version |
//! | `settings` | the cluster's configuration |
//! | `process` | starting, watching and stopping processes |
//! | `error` | code, cause and cure of every failure |

mod account;
mod binaries;
mod error;
mod place;
mod process;
mod settings;

pub(super) use binaries::client_folders;
pub use error::ClusterError;

use place::{Lock, Place};
use process::Postmaster;
use sqlx::postgres::{PgConnectOptions, PgSslMode};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::env;
use std::path::{Path, PathBuf};

/// The oldest major version of PostgreSQL that the program's SQL is written for.
pub const OLDEST_MAJOR: u32 = 15;
/// The role that owns the cluster: a superuser, for migrations and maintenance only.
pub const OWNER_ROLE: &str = "tackfree_owner";
/// The environment variable that names the folder with `postgres` and `initdb`.
pub const BINARIES_SETTING: &str = "TACKFREE_POSTGRES_BINARIES";
/// The environment variable that names the data directory.
pub const DATA_DIRECTORY_SETTING: &str = "TACKFREE_DATA_DIRECTORY";
/// Part of the socket's name; there is no TCP port.
const SOCKET_PORT: u16 = 5432;

/// Where and how a private cluster runs.
#[derive(Debug, Clone)]
pub struct ClusterOptions {
    /// Created when missing; see [`default_data_directory`].
    pub data_directory: PathBuf,
    /// The folder that holds `postgres` and `initdb`; the usual places are searched when `None`.
    pub binaries: Option<PathBuf>,
    /// Whether a commit survives a crash of the machine. False only in tests.
    pub durable: bool,
}

/// A running private cluster: its server process, and the lock that keeps other programs away from its data.
///
/// Call [`Cluster::stop`] at the end. When merely dropped, PostgreSQL is told to shut down but not waited for; when
/// the whole program is killed, PostgreSQL runs on until the next [`Cluster::start`] on the same directory stops it.
#[derive(Debug)]
pub struct Cluster {
    place: Place,
    socket: PathBuf,
    postmaster: Postmaster,
    // After the postmaster, so that the lock is the last to go.
    _lock: Lock,
}

impl Cluster {
    /// Starts PostgreSQL on the data directory, which is locked and, the first time, initialised; returns when it
    /// accepts connections.
    ///
    /// What an earlier, killed program has left is put in order first: its PostgreSQL is stopped, an unfinished
    /// initdb is done again, and after a crash PostgreSQL recovers what was committed.
    ///
    /// # Errors
    /// Any [`ClusterError`] but `Exited`. Data is never removed.
    pub async fn start(options: &ClusterOptions) -> Result<Cluster, ClusterError> {
        let place = Place::resolve(&options.data_directory)?;
        let account = account::choose(&place.data())?;
        let account = account.as_ref();
        // Before anything is created: with no programs, or no way to reach the data, nothing is left behind.
        let binaries = binaries::find(options.binaries.as_deref(), &place, account).await?;
        place.create()?;
        let lock = place.lock()?;
        place.remove_unfinished()?;
        if place.major()?.is_none() {
            tracing::info!(directory = %place.root().display(), major = binaries.major, "creating the private cluster");
            process::initdb(&place, &binaries, account, options.durable).await?;
        }
        let postmaster = Postmaster::start(&place, &binaries, account, options.durable).await?;
        Ok(Cluster { socket: place.socket(), place, postmaster, _lock: lock })
    }

    /// How the owner, a superuser, connects to `database`.
    pub fn owner_options(&self, database: &str) -> PgConnectOptions {
        connect_options(&self.socket, OWNER_ROLE, database)
    }

    /// The folder of the Unix socket, for [`connect_options`] and for `psql --host`.
    pub fn socket_directory(&self) -> &Path {
        &self.socket
    }

    /// The number of the server process; `None` once it has ended.
    pub fn pid(&self) -> Option<i32> {
        self.postmaster.pid().map(|pid| pid.as_raw_nonzero().get())
    }

    /// The folder of the Unix socket, where a cluster on that data directory has it while it runs: for whoever needs the
    /// database while another program is its owner.
    ///
    /// # Errors
    /// `Io`, `SocketPathTooLong`.
    pub fn socket_of(data_directory: &Path) -> Result<PathBuf, ClusterError> {
        Ok(Place::resolve(data_directory)?.socket())
    }

    /// Creates `database` unless it exists.
    ///
    /// # Errors
    /// `Database` when the connection or the statement fails.
    pub async fn ensure_database(&self, database: &str) -> Result<(), ClusterError> {
        let mut connection = self.owner_options("postgres").connect().await?;
        let known = sqlx::query("SELECT 1 FROM pg_database WHERE datname = $1").bind(database);
        if known.fetch_optional(&mut connection).await?.is_none() {
            let create = format!("CREATE DATABASE \"{}\"", database.replace('"', "\"\""));
            sqlx::query(AssertSqlSafe(create)).execute(&mut connection).await?;
        }
        connection.close().await?;
        Ok(())
    }

    /// Resolves when PostgreSQL ends without having been told to, with everything known about it. After that, drop
    /// the cluster and start it again, or exit. May be cancelled and called again.
    pub async fn wait_for_exit(&mut self) -> ClusterError {
        self.postmaster.wait_for_exit(&self.place).await
    }

    /// Stops PostgreSQL and gives the data directory back. Sessions are ended and a checkpoint is written; if that
    /// takes longer than half a minute, PostgreSQL is stopped at once and recovers at the next start.
    ///
    /// # Errors
    /// `WillNotStop` when the process survives even a kill.
    pub async fn stop(mut self) -> Result<(), ClusterError> {
        self.postmaster.stop().await
    }
}

/// How `role` connects to `database` of a private cluster through its socket; no password is needed. Connection
/// settings in the environment (`PGHOST`, `PGUSER` and so on) are for other servers and have no effect.
pub fn connect_options(socket_directory: &Path, role: &str, database: &str) -> PgConnectOptions {
    PgConnectOptions::new_without_pgpass()
        .socket(socket_directory)
        .port(SOCKET_PORT)
        .username(role)
        .database(database)
        .ssl_mode(PgSslMode::Disable)
}

/// Where the cluster lives unless told otherwise: `/var/lib/tackfree` for root, whose home PostgreSQL's user cannot
/// enter; for others `tackfree` in the XDG data directory, `~/.local/share` by default.
pub fn default_data_directory() -> PathBuf {
    if rustix::process::geteuid().is_root() {
        return PathBuf::from("/var/lib/tackfree");
    }
    user_data_directory(env::var_os("XDG_DATA_HOME").map(PathBuf::from), env::home_dir())
}

fn user_data_directory(xdg: Option<PathBuf>, home: Option<PathBuf>) -> PathBuf {
    // The XDG specification: a relative path is invalid and must be ignored.
    let xdg = xdg.filter(|path| path.is_absolute());
    let home = home.filter(|path| path.is_absolute()).map(|home| home.join(".local/share"));
    xdg.or(home).map_or_else(|| PathBuf::from(".tackfree"), |data| data.join("tackfree"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_directory_follows_xdg() {
        let home = || Some(PathBuf::from("/home/mara"));
        let default = Path::new("/home/mara/.local/share/tackfree");
        assert_eq!(user_data_directory(Some("/data".into()), home()), Path::new("/data/tackfree"));
        assert_eq!(user_data_directory(Some("relative".into()), home()), default);
        assert_eq!(user_data_directory(None, home()), default);
        assert_eq!(user_data_directory(None, None), Path::new(".tackfree"));
    }
}
