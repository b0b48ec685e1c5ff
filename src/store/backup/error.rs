//! Why a backup was not made or not put back: code, cause and cure.

use crate::store::StoreError;
use crate::store::cluster::BINARIES_SETTING;
use std::io;
use std::path::{Path, PathBuf};

/// A refusal or a failure. After any of them the database is as it was before.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// A backup takes no other file's place.
    #[error("{} is there already", .file.display())]
    FileExists {
        /// What was to be written.
        file: PathBuf,
    },
    /// There is nothing of this program in the database.
    #[error("the database has no tables of this program")]
    NothingThere,
    /// PostgreSQL's programs are missing, or older than the server.
    #[error("no programs `pg_dump`, `pg_restore` and `psql` for PostgreSQL {server} were found{}", others(.found))]
    NoTools {
        /// Major version of the server.
        server: u32,
        /// Those that were found, all older.
        found: Vec<u32>,
    },
    /// One of PostgreSQL's programs failed.
    #[error("{program} failed:\n{said}")]
    ToolFailed {
        /// Which.
        program: &'static str,
        /// What it said.
        said: String,
    },
    /// The file cannot be read as a backup.
    #[error("{} is no backup in pg_dump's custom format: {said}", .file.display())]
    NotABackup {
        /// The file.
        file: PathBuf,
        /// What `pg_restore` said.
        said: String,
    },
    /// A backup of something else.
    #[error("{} is a backup, but holds no tables of this program", .file.display())]
    NotOurs {
        /// The file.
        file: PathBuf,
    },
    /// A backup that a newer program has made.
    #[error("{} has the schema of version {version}; this program knows versions up to {known}", .file.display())]
    Newer {
        /// The file.
        file: PathBuf,
        /// Of its schema.
        version: i64,
        /// Of the newest schema known.
        known: i64,
    },
    /// A schema that goes by the same number and is another.
    #[error("{} was made by a program whose schema {version} is another than this program's", .file.display())]
    OtherSchema {
        /// The file.
        file: PathBuf,
        /// Of the schema.
        version: i64,
    },
    /// What is there would be lost.
    #[error("the database holds {companies} companies already")]
    Occupied {
        /// How many.
        companies: i64,
    },
    /// What is there is somebody else's.
    #[error("the database holds tables of something else: {tables}")]
    Foreign {
        /// Some of them.
        tables: String,
    },
    /// Somebody is at work in the database.
    #[error("{sessions} other connections to the database are open")]
    Busy {
        /// How many.
        sessions: i64,
    },
    /// From the operating system.
    #[error("{action} {}: {source}", .path.display())]
    Io {
        /// As a verb: "cannot write".
        action: &'static str,
        /// What.
        path: PathBuf,
        /// Its reason.
        source: io::Error,
    },
    /// From the database.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl BackupError {
    /// Stable, for programs.
    pub fn code(&self) -> &'static str {
        match self {
            BackupError::FileExists { .. } => "backup-file-exists",
            BackupError::NothingThere => "backup-nothing-there",
            BackupError::NoTools { .. } => "backup-no-tools",
            BackupError::ToolFailed { .. } => "backup-tool-failed",
            BackupError::NotABackup { .. } => "backup-unreadable",
            BackupError::NotOurs { .. } => "backup-of-something-else",
            BackupError::Newer { .. } => "backup-newer",
            BackupError::OtherSchema { .. } => "backup-other-schema",
            BackupError::Occupied { .. } => "restore-occupied",
            BackupError::Foreign { .. } => "restore-foreign-tables",
            BackupError::Busy { .. } => "restore-busy",
            BackupError::Io { .. } => "backup-io",
            BackupError::Store(error) => error.code(),
        }
    }

    /// What a person can do about it.
    pub fn cure(&self) -> String {
        match self {
            BackupError::FileExists { .. } => "name another file, for example with the date in it".into(),
            BackupError::NothingThere => {
                "check DATABASE_URL or the data directory; `tackfree migrate` makes the tables".into()
            }
            BackupError::NoTools { server, .. } => format!(
                "install PostgreSQL's client programs, version {server} or later (Debian, Ubuntu: apt-get install \
                 postgresql-client-{server}), or let {BINARIES_SETTING} name the folder that holds them"
            ),
            BackupError::ToolFailed { .. } => {
                "put right what it says and start again; the database is as it was, and no unfinished file is left"
                    .into()
            }
            BackupError::NotABackup { .. } => {
                "name a file that `tackfree backup` or `pg_dump --format=custom` has written, whole".into()
            }
            BackupError::NotOurs { .. } => "name a backup of this program's database".into(),
            BackupError::Newer { .. } => "restore it with the program that made it, or a newer one".into(),
            BackupError::OtherSchema { .. } => "restore it with the program that made it".into(),
            BackupError::Occupied { .. } => {
                "restore into an empty database; or add --replace to throw away everything that is there now".into()
            }
            BackupError::Foreign { .. } => "restore into a database of its own: CREATE DATABASE ... OWNER ...".into(),
            BackupError::Busy { .. } => {
                "stop every server that uses this database, and whoever else is connected, and start again".into()
            }
            BackupError::Io { .. } => {
                "name a file that can be read or written, on a disk with room, and start again".into()
            }
            BackupError::Store(error) => error.cure(),
        }
    }

    pub(super) fn failed(program: &'static str, said: String) -> BackupError {
        BackupError::ToolFailed { program, said }
    }

    /// For `map_err`.
    pub(super) fn io(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> BackupError {
        move |source| BackupError::Io { action, path: path.to_owned(), source }
    }
}

fn others(found: &[u32]) -> String {
    let found: Vec<String> = found.iter().map(u32::to_string).collect();
    if found.is_empty() { String::new() } else { format!(", only older ones: {}", found.join(", ")) }
}
