//! Every refusal of the store: a stable code, the cause, and the cure. PostgreSQL's own errors are told apart by
//! SQLSTATE and by the names of constraints, which the migrations choose and this file knows.

use sqlx::error::DatabaseError;
use sqlx::migrate::MigrateError;
use uuid::Uuid;

/// A piece of work, as an error names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookedWork {
    /// Which job.
    pub job_id: Uuid,
    /// Which step of its chain.
    pub step_key: String,
}

/// Why the store did not do what was asked. After any error a session can only be dropped, which undoes all of it.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No such row in this company.
    #[error("there is no such {what}")]
    NotFound {
        /// The kind of thing.
        what: &'static str,
    },
    /// Somebody else changed it first.
    #[error("it has been changed in the meantime and is at version {current} now")]
    Stale {
        /// The version it has now.
        current: i64,
    },
    /// Keys are unique in a company.
    #[error("there is already a {what} with the key {key}")]
    KeyTaken {
        /// The kind of thing.
        what: &'static str,
        /// The key.
        key: String,
    },
    /// What is in use is not archived or taken out.
    #[error("the {what} is in use: {by}")]
    InUse {
        /// The kind of thing.
        what: &'static str,
        /// What uses it.
        by: String,
    },
    /// It names something that does not exist or is archived.
    #[error("there is no {what} {key} to refer to")]
    UnknownReference {
        /// The kind of thing.
        what: &'static str,
        /// Its key or identifier, as far as known.
        key: String,
    },
    /// The database's own refusal to publish one crew in two places.
    #[error("crew {crew_id} is given two works at the same time: {} and {}", first.step_key, second.step_key)]
    CrewDoubleBooked {
        /// Who.
        crew_id: Uuid,
        /// The earlier of the two.
        first: BookedWork,
        /// The later.
        second: BookedWork,
    },
    /// A wait, record or work that names a step which its job does not have.
    #[error("the chain does not hold together: {detail}")]
    DanglingChain {
        /// In PostgreSQL's words.
        detail: String,
    },
    /// Only drafts are published or rejected.
    #[error("the plan is no draft any more, but {status}")]
    NotADraft {
        /// What it is.
        status: String,
    },
    /// Another copy of the request has taken over, because this one took too long.
    #[error("the request took longer than its lease, and another copy of it is being answered")]
    LeaseLost,
    /// A document that cannot be written or read.
    #[error("a stored document has another shape than expected: {0}")]
    BadDocument(#[source] serde_json::Error),
    /// Locks or time ran out; nothing was done.
    #[error("the database was too busy: {0}")]
    Busy(#[source] sqlx::Error),
    /// No connection to be had.
    #[error("the database cannot be reached: {0}")]
    Unavailable(#[source] sqlx::Error),
    /// The schema could not be brought up to date.
    #[error("the schema could not be brought up to date: {0}")]
    Migration(#[source] Box<MigrateError>),
    /// The login role may not be created by the owner.
    #[error("the login role {role} does not exist and cannot be created: {source}")]
    CannotCreateRole {
        /// Its name.
        role: String,
        /// PostgreSQL's answer.
        source: sqlx::Error,
    },
    /// Row security would not hold for this role, so the store does not open.
    #[error("the login role {role} is not held by row security: {why}")]
    UnsafeRole {
        /// Its name.
        role: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// A name that is not used as a role's.
    #[error("{0:?} cannot be used as the name of a login role")]
    BadRoleName(String),
    /// A mistake in this program.
    #[error("the database refused a statement: {0}")]
    Broken(#[source] sqlx::Error),
}

impl StoreError {
    /// Stable, machine-readable, kebab-case.
    pub fn code(&self) -> &'static str {
        match self {
            StoreError::NotFound { .. } => "not-found",
            StoreError::Stale { .. } => "stale",
            StoreError::KeyTaken { .. } => "key-taken",
            StoreError::InUse { .. } => "in-use",
            StoreError::UnknownReference { .. } => "unknown-reference",
            StoreError::CrewDoubleBooked { .. } => "crew-double-booked",
            StoreError::DanglingChain { .. } => "dangling-chain",
            StoreError::NotADraft { .. } => "not-a-draft",
            StoreError::LeaseLost => "lease-lost",
            StoreError::BadDocument(_) => "bad-document",
            StoreError::Busy(_) => "database-busy",
            StoreError::Unavailable(_) => "database-unavailable",
            StoreError::Migration(_) => "migration-failed",
            StoreError::CannotCreateRole { .. } => "cannot-create-role",
            StoreError::UnsafeRole { .. } => "unsafe-role",
            StoreError::BadRoleName(_) => "bad-role-name",
            StoreError::Broken(_) => "database-refused",
        }
    }

    /// What would make it right.
    pub fn cure(&self) -> String {
        match self {
            StoreError::NotFound { .. } => "look it up again; it may belong to another company".into(),
            StoreError::Stale { .. } => "read it again, apply the change to what it is now, and send that".into(),
            StoreError::KeyTaken { .. } => "choose another key, or change the one that has it".into(),
            StoreError::InUse { .. } => "end that use first".into(),
            StoreError::UnknownReference { .. } => {
                "create it first, or name one that exists and is not archived".into()
            }
            StoreError::CrewDoubleBooked { .. } => "plan again, and publish the new plan".into(),
            StoreError::DanglingChain { .. } => "name steps that the job has".into(),
            StoreError::NotADraft { .. } => "make a new plan".into(),
            StoreError::LeaseLost => "ask again with the same key, and take that answer".into(),
            StoreError::BadDocument(_) => "run the version of the program that wrote it, or migrate".into(),
            StoreError::Busy(_) => "try again".into(),
            StoreError::Unavailable(_) => "try again in a few seconds; if that does not help, start PostgreSQL".into(),
            StoreError::Migration(error) if matches!(**error, MigrateError::VersionMissing(_)) => {
                "a newer program has migrated this database: run that one, or restore the backup from before".into()
            }
            StoreError::Migration(error) if matches!(**error, MigrateError::VersionMismatch(_)) => {
                "another program of this name has migrated this database: run that one, or use another database".into()
            }
            StoreError::Migration(_) => "use an owner role that may create tables, on PostgreSQL 15 or later".into(),
            StoreError::CannotCreateRole { role, .. } => {
                format!("let an administrator run: CREATE ROLE {role} LOGIN NOSUPERUSER NOBYPASSRLS PASSWORD '...'")
            }
            StoreError::UnsafeRole { .. } => {
                "connect as a role that is no superuser, does not bypass row security and owns no table".into()
            }
            StoreError::BadRoleName(_) => "use up to 63 lower-case letters, digits and underscores".into(),
            StoreError::Broken(_) => "report it, with the log of the server".into(),
        }
    }

    /// The violated constraint, when that is what went wrong and this file has no better word for it.
    pub(super) fn constraint(&self) -> Option<&str> {
        match self {
            StoreError::Broken(sqlx::Error::Database(error)) => error.constraint(),
            _ => None,
        }
    }
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> StoreError {
        match &error {
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::PoolTimedOut
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed
            | sqlx::Error::BeginFailed => StoreError::Unavailable(error),
            sqlx::Error::Database(reason) => match refusal(reason.as_ref()) {
                Refusal::Said(said) => said,
                Refusal::Busy => StoreError::Busy(error),
                Refusal::Unavailable => StoreError::Unavailable(error),
                Refusal::Other => StoreError::Broken(error),
            },
            _ => StoreError::Broken(error),
        }
    }
}

enum Refusal {
    Said(StoreError),
    Busy,
    Unavailable,
    Other,
}

fn refusal(error: &dyn DatabaseError) -> Refusal {
    let code = error.code().unwrap_or_default().into_owned();
    match (code.as_str(), error.constraint()) {
        // Foreign keys.
        ("23503", Some(constraint)) => broken_link(constraint, error.message()),
        // Serialisation failure, deadlock, lock not available, cancelled by a timeout.
        ("40001" | "40P01" | "55P03" | "57014", _) => Refusal::Busy,
        // Connection exceptions; shutting down or starting up; too many connections or no memory; a standby that was
        // the primary a moment ago; a session ended for idling in a transaction.
        (code, _) if code.starts_with("08") || code.starts_with("57P") || code.starts_with("53") => {
            Refusal::Unavailable
        }
        ("25006" | "25P03", _) => Refusal::Unavailable,
        _ => Refusal::Other,
    }
}

fn broken_link(constraint: &str, message: &str) -> Refusal {
    let unknown = |what| Refusal::Said(StoreError::UnknownReference { what, key: String::new() });
    match constraint {
        "job_wait_from_fkey"
        | "job_wait_to_fkey"
        | "step_record_step_fkey"
        | "plan_row_step_fkey"
        | "booking_step_fkey" => Refusal::Said(StoreError::DanglingChain { detail: message.to_owned() }),
        "job_house_fkey" | "feed_house_fkey" => unknown("house"),
        "job_method_fkey" => unknown("method"),
        "step_record_crew_fkey"
        | "plan_row_crew_fkey"
        | "booking_crew_fkey"
        | "token_crew_fkey"
        | "feed_crew_fkey"
        | "person_crew_fkey"
        | "crew_link_crew_fkey" => unknown("crew"),
        "plan_row_plan_fkey" | "plan_job_plan_fkey" | "plan_job_rows_fkey" => unknown("plan"),
        _ => Refusal::Other,
    }
}
