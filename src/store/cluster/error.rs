//! What can go wrong with the private cluster, each with a stable code, a cause (`Display`) and a cure.

use super::{BINARIES_SETTING, DATA_DIRECTORY_SETTING, OLDEST_MAJOR};
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitStatus;

/// Why the private cluster could not be started, kept or stopped.
///
/// `Display` is the cause; [`ClusterError::code`] is stable for programs and [`ClusterError::cure`] is for people.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClusterError {
    /// Another program holds the lock of the data directory.
    #[error("the data directory {} is in use by {}", .directory.display(), holder(*.pid))]
    InUse {
        /// The data directory.
        directory: PathBuf,
        /// The holder's process number, when it could be read.
        pid: Option<i32>,
    },
    /// Neither the setting, nor PATH, nor a usual folder leads to `postgres` and `initdb`.
    #[error("no PostgreSQL server programs (`postgres` and `initdb`) were found on this machine")]
    NoBinaries,
    /// The folder named by the setting lacks one of the programs.
    #[error("the folder {} does not hold both `postgres` and `initdb`", .folder.display())]
    BinariesFolder {
        /// The folder as configured.
        folder: PathBuf,
    },
    /// All programs found are older than [`OLDEST_MAJOR`].
    #[error("PostgreSQL {major} in {} is too old: version {OLDEST_MAJOR} or later is needed", .folder.display())]
    TooOld {
        /// Where the newest one was found.
        folder: PathBuf,
        /// Its major version.
        major: u32,
    },
    /// The data was written by a major version that is not installed.
    #[error("{} was written by PostgreSQL {data}, but only PostgreSQL {} was found", .directory.display(), list(.found))]
    OtherMajor {
        /// The folder with the data.
        directory: PathBuf,
        /// The major version that wrote it.
        data: u32,
        /// The major versions found.
        found: Vec<u32>,
    },
    /// `postgres --version` failed or said something unexpected.
    #[error("{} cannot be used: {reason}", .binary.display())]
    BinaryUnusable {
        /// The program that was tried.
        binary: PathBuf,
        /// What happened.
        reason: String,
    },
    /// The unprivileged user that PostgreSQL must run as cannot reach a folder.
    #[error("{} cannot be reached by user {user}, whom PostgreSQL runs as: {} does not let that user through",
        .path.display(), .blocked.display())]
    NotTraversable {
        /// The folder or program that must be reached.
        path: PathBuf,
        /// The first folder on the way without execute permission.
        blocked: PathBuf,
        /// The user's name.
        user: String,
    },
    /// The data belongs to a user whom this program can neither be nor become.
    #[error("{} belongs to user number {owner}; PostgreSQL can only be run by its owner, who may not be root", .path.display())]
    WrongOwner {
        /// The folder with the data.
        path: PathBuf,
        /// Its owner.
        owner: u32,
    },
    /// The program is root and there is no unprivileged user to become.
    #[error("PostgreSQL refuses to run as root, and this machine has neither a user `postgres` nor a user `nobody`")]
    NoAccount,
    /// The place of the data holds something else.
    #[error("{} exists but holds no PostgreSQL data", .path.display())]
    NotACluster {
        /// The folder in question.
        path: PathBuf,
    },
    /// The operating system limits the length of a socket's path.
    #[error("the socket's path {} is {bytes} bytes long; at most {limit} are possible", .path.display())]
    SocketPathTooLong {
        /// The socket.
        path: PathBuf,
        /// Its length in bytes.
        bytes: usize,
        /// The longest possible length in bytes.
        limit: usize,
    },
    /// `initdb` failed.
    #[error("initdb failed ({status}):\n{output}")]
    InitdbFailed {
        /// How it ended.
        status: ExitStatus,
        /// The last lines it wrote.
        output: String,
    },
    /// PostgreSQL ended before it was ready.
    #[error("PostgreSQL ended before it was ready ({status}); the last lines of {}:\n{output}", .log.display())]
    StartFailed {
        /// How it ended.
        status: ExitStatus,
        /// The log file.
        log: PathBuf,
        /// Its last lines.
        output: String,
    },
    /// PostgreSQL was not ready in time and has been told to stop.
    #[error("PostgreSQL was not ready after {seconds} seconds; the last lines of {}:\n{output}", .log.display())]
    StartTimedOut {
        /// How long it was given.
        seconds: u64,
        /// The log file.
        log: PathBuf,
        /// Its last lines.
        output: String,
    },
    /// PostgreSQL ended without having been told to.
    #[error("PostgreSQL ended unexpectedly ({status}); the last lines of {}:\n{output}", .log.display())]
    Exited {
        /// How it ended.
        status: ExitStatus,
        /// The log file.
        log: PathBuf,
        /// Its last lines.
        output: String,
    },
    /// A PostgreSQL process did not end although it was told to with rising force.
    #[error("PostgreSQL process {pid} did not end although it was told to")]
    WillNotStop {
        /// Its process number.
        pid: i32,
    },
    /// A system call on a file or process failed.
    #[error("{action} {}: {source}", .path.display())]
    Io {
        /// What was being done, as a verb with its article: "cannot create".
        action: &'static str,
        /// To what.
        path: PathBuf,
        /// The operating system's reason.
        source: io::Error,
    },
    /// The running cluster refused a statement.
    #[error("the private cluster refused: {0}")]
    Database(#[from] sqlx::Error),
}

impl ClusterError {
    /// A stable word for programs, logs and documentation.
    pub fn code(&self) -> &'static str {
        match self {
            Self::InUse { .. } => "cluster-in-use",
            Self::NoBinaries => "cluster-no-binaries",
            Self::BinariesFolder { .. } => "cluster-binaries-folder",
            Self::TooOld { .. } => "cluster-too-old",
            Self::OtherMajor { .. } => "cluster-other-major",
            Self::BinaryUnusable { .. } => "cluster-binary-unusable",
            Self::NotTraversable { .. } => "cluster-not-traversable",
            Self::WrongOwner { .. } => "cluster-wrong-owner",
            Self::NoAccount => "cluster-no-account",
            Self::NotACluster { .. } => "cluster-not-a-cluster",
            Self::SocketPathTooLong { .. } => "cluster-socket-path-too-long",
            Self::InitdbFailed { .. } => "cluster-initdb-failed",
            Self::StartFailed { .. } => "cluster-start-failed",
            Self::StartTimedOut { .. } => "cluster-start-timed-out",
            Self::Exited { .. } => "cluster-exited",
            Self::WillNotStop { .. } => "cluster-will-not-stop",
            Self::Io { .. } => "cluster-io",
            Self::Database(_) => "cluster-database",
        }
    }

    /// What a person can do about it.
    pub fn cure(&self) -> String {
        let elsewhere = format!("name another data directory with {DATA_DIRECTORY_SETTING}");
        match self {
            Self::InUse { pid: Some(pid), .. } => format!("stop process {pid}, or {elsewhere}"),
            Self::InUse { pid: None, .. } => format!("stop the other program, or {elsewhere}"),
            Self::NoBinaries => install_hint(),
            Self::BinariesFolder { .. } | Self::BinaryUnusable { .. } => format!(
                "let {BINARIES_SETTING} name the folder that holds both programs \
                 (on Debian /usr/lib/postgresql/VERSION/bin), or leave it out to have the usual places searched"
            ),
            Self::TooOld { .. } => format!(
                "{}\nWhere the distribution's own version is older than {OLDEST_MAJOR}: the package postgresql-common brings \
                 /usr/share/postgresql-common/pgdg/apt.postgresql.org.sh, which adds PostgreSQL's own packages",
                install_hint()
            ),
            Self::OtherMajor { data, .. } => format!(
                "install PostgreSQL {data} beside the others (Debian, Ubuntu: apt-get install postgresql-{data}) or let \
                 {BINARIES_SETTING} name its folder; to move to a newer version, use its pg_upgrade; or {elsewhere}"
            ),
            Self::NotTraversable { blocked, user, .. } => {
                format!("{elsewhere}, or let user {user} pass, for example by chmod o+x {}", blocked.display())
            }
            Self::WrongOwner { path, .. } => {
                format!(
                    "run the program as that user, or give {} to the right one with chown -R, or {elsewhere}",
                    path.display()
                )
            }
            Self::NoAccount => "create a user `postgres`, or run the program as an ordinary user".to_owned(),
            Self::NotACluster { path } => format!("move {} out of the way, or {elsewhere}", path.display()),
            Self::SocketPathTooLong { .. } => format!("choose a shorter path: {elsewhere}"),
            Self::InitdbFailed { .. } | Self::StartFailed { .. } | Self::StartTimedOut { .. } => {
                "the lines above name the reason; put it right and start again (no data has been removed)".to_owned()
            }
            Self::Exited { .. } => "start again: committed data is recovered from the write-ahead log".to_owned(),
            Self::WillNotStop { pid } => format!("end process {pid} by hand, then start again"),
            Self::Io { source, .. } if source.kind() == io::ErrorKind::PermissionDenied => {
                format!("give the program's user access, or {elsewhere}")
            }
            Self::Io { .. } | Self::Database(_) => "put the reason right and start again".to_owned(),
        }
    }

    /// A closure for `map_err` that remembers what was done to which path.
    pub(super) fn io(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> ClusterError {
        move |source| ClusterError::Io { action, path: path.to_owned(), source }
    }
}

fn install_hint() -> String {
    format!(
        "install the PostgreSQL server, version {OLDEST_MAJOR} or later:\n  \
           Debian, Ubuntu   apt-get install postgresql\n  \
           Fedora           dnf install postgresql-server\n  \
           macOS            brew install postgresql@17\n\
         or let {BINARIES_SETTING} name the folder that holds `postgres` and `initdb`, or set DATABASE_URL to use a server \
         that runs elsewhere"
    )
}

fn holder(pid: Option<i32>) -> String {
    pid.map_or_else(|| "another program".to_owned(), |pid| format!("process {pid}"))
}

fn list(majors: &[u32]) -> String {
    majors.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}
