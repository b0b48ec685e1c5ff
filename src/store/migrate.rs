//! The schema, the login role, and what that role may do. Run by the owner of the database, at every start if need be,
//! by any number of copies at once.

use super::StoreError;
use super::backup::let_owner_back_up;
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions, Connection, PgConnection};
use std::fmt;

/// Every version of the schema there was.
pub(super) static MIGRATOR: sqlx::migrate::Migrator = sqlx::migrate!();

/// The role that servers log in as, unless told otherwise.
pub const DEFAULT_APP_ROLE: &str = "tackfree_app";
/// Taken while roles and rights are put in order, so that copies that start together do it one after the other.
const RIGHTS_LOCK: i64 = 0x7461_636b_6672_6565;

/// What the login role may do with each table: no more than this program does. History is only added to; steps, crews
/// and plans that something may name are never deleted.
const RIGHTS: &[(&str, &str)] = &[
    ("company", "SELECT, INSERT, UPDATE"),
    ("house", "SELECT, INSERT, UPDATE"),
    ("crew", "SELECT, INSERT, UPDATE"),
    ("equipment", "SELECT, INSERT, UPDATE"),
    ("method", "SELECT, INSERT, UPDATE"),
    ("region", "SELECT, INSERT, UPDATE"),
    ("job", "SELECT, INSERT, UPDATE"),
    ("job_step", "SELECT, INSERT, UPDATE"),
    ("job_wait", "SELECT, INSERT, DELETE"),
    ("step_record", "SELECT, INSERT"),
    ("plan", "SELECT, INSERT, UPDATE"),
    ("plan_row", "SELECT, INSERT, DELETE"),
    ("plan_job", "SELECT, INSERT, DELETE"),
    ("plan_piece", "SELECT"),
    ("booking", "SELECT, INSERT, UPDATE, DELETE"),
    ("token", "SELECT, INSERT, UPDATE"),
    ("feed", "SELECT, INSERT, UPDATE"),
    ("feed_revision", "SELECT, INSERT, UPDATE"),
    ("feed_touch", "SELECT, INSERT, DELETE"),
    ("house_air_reading", "SELECT, INSERT"),
    ("event", "SELECT, INSERT, UPDATE (standing, reason)"),
    ("step_restated", "SELECT, INSERT"),
    ("region_fetch", "SELECT, INSERT, UPDATE"),
    ("idempotency", "SELECT, INSERT, UPDATE, DELETE"),
    ("repair_change", "SELECT, INSERT, DELETE"),
    ("repair_turn", "SELECT, INSERT, UPDATE"),
    ("repair", "SELECT, INSERT"),
    ("notice_counter", "SELECT, INSERT, UPDATE"),
    ("notice", "SELECT, INSERT, DELETE"),
    ("webhook", "SELECT, INSERT, UPDATE, DELETE"),
    ("delivery", "SELECT, INSERT, UPDATE, DELETE"),
    ("person", "SELECT, INSERT, UPDATE"),
    ("crew_link", "SELECT, INSERT, UPDATE"),
    ("browser_session", "SELECT, INSERT, UPDATE, DELETE"),
    ("change_line", "SELECT"),
];

/// What goes across companies: functions that run as the owner and tell as little as can be.
const FUNCTIONS: &str = "find_token(bytea), find_feed(bytea), claim_repair(uuid, double precision), \
     lease_deliveries(timestamptz, timestamptz, integer, integer), companies_to_prune(timestamptz, timestamptz, integer), \
     find_person(text), find_browser_session(bytea, timestamptz), find_crew_link(bytea), backlog(timestamptz), \
     prune_change_lines(timestamptz, integer), companies_with_old_plans(timestamptz, integer)";

/// How servers log in.
#[derive(Clone)]
pub struct AppLogin {
    /// Name of the role: up to 63 lower-case letters, digits and underscores.
    pub role: String,
    /// Given to the role when it is created, never changed afterwards. `None` where the server trusts the socket.
    pub password: Option<String>,
}

impl fmt::Debug for AppLogin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("AppLogin").field("role", &self.role).finish_non_exhaustive()
    }
}

impl Default for AppLogin {
    fn default() -> AppLogin {
        AppLogin { role: DEFAULT_APP_ROLE.to_owned(), password: None }
    }
}

/// Creates the login role if it is missing, brings the schema up to date, and grants the role its rights.
///
/// # Errors
/// `Unavailable`, `Migration`, `CannotCreateRole`, `BadRoleName`.
pub async fn migrate(owner: &PgConnectOptions, login: &AppLogin) -> Result<(), StoreError> {
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    if login.role.is_empty() || login.role.len() > 63 || !login.role.chars().all(plain) {
        return Err(StoreError::BadRoleName(login.role.clone()));
    }
    // One of the statements holds a password.
    let mut connection = owner.clone().disable_statement_logging().connect().await?;
    // What exists already is no news.
    sqlx::query("SET client_min_messages = warning").execute(&mut connection).await?;
    ensure_role(&mut connection, login).await?;
    // It takes an advisory lock of its own. (`run` asks the same, but its future cannot be sent to another thread.)
    let outcome = MIGRATOR.run_direct(None, &mut connection, false).await;
    outcome.map_err(|error| match error {
        sqlx::migrate::MigrateError::Execute(error) => match StoreError::from(error) {
            StoreError::Broken(error) => StoreError::Migration(Box::new(error.into())),
            known => known,
        },
        other => StoreError::Migration(Box::new(other)),
    })?;
    grant(&mut connection, &login.role).await?;
    Ok(connection.close().await?)
}

/// Roles belong to the whole server, and locks to one database: another database's copy may create it at the same time.
async fn ensure_role(connection: &mut PgConnection, login: &AppLogin) -> Result<(), StoreError> {
    let known = sqlx::query("SELECT 1 FROM pg_roles WHERE rolname = $1").bind(&login.role);
    if known.fetch_optional(&mut *connection).await?.is_some() {
        return Ok(());
    }
    let statement: String = sqlx::query_scalar(
        "SELECT format('CREATE ROLE %I LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION PASSWORD %L',
                       $1, $2)",
    )
    .bind(&login.role)
    .bind(&login.password)
    .fetch_one(&mut *connection)
    .await?;
    match sqlx::query(AssertSqlSafe(statement)).execute(&mut *connection).await {
        Ok(_) => Ok(()),
        Err(sqlx::Error::Database(error)) if matches!(error.code().as_deref(), Some("42710" | "23505")) => Ok(()),
        Err(source @ sqlx::Error::Database(_)) => {
            Err(StoreError::CannotCreateRole { role: login.role.clone(), source })
        }
        Err(error) => Err(error.into()),
    }
}

/// In one transaction, so that running copies never see rights missing.
async fn grant(connection: &mut PgConnection, role: &str) -> Result<(), StoreError> {
    // `role` has been checked: it needs no quotes, except that it might be a keyword.
    let role = format!("\"{role}\"");
    let mut statements = vec![
        format!("REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {role}"),
        format!("GRANT USAGE ON SCHEMA public TO {role}"),
        format!("GRANT EXECUTE ON FUNCTION {FUNCTIONS} TO {role}"),
    ];
    statements.extend(RIGHTS.iter().map(|(table, rights)| format!("GRANT {rights} ON {table} TO {role}")));
    let mut tx = connection.begin().await?;
    sqlx::query("SELECT pg_advisory_xact_lock($1)").bind(RIGHTS_LOCK).execute(&mut *tx).await?;
    // New plans pass through a temporary table.
    let database: String =
        sqlx::query_scalar("SELECT format('GRANT TEMPORARY ON DATABASE %I TO ', current_database())")
            .fetch_one(&mut *tx)
            .await?;
    statements.push(database + &role);
    let_owner_back_up(&mut tx).await?;
    sqlx::raw_sql(AssertSqlSafe(statements.join("; "))).execute(&mut *tx).await?;
    Ok(tx.commit().await?)
}
