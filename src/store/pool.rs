//! The pool of connections as the login role, and sessions: transactions that begin with their company. Nothing else
//! hands out connections.

use super::StoreError;
use super::act::Act;
use super::migrate::{AppLogin, migrate};
use super::notices::NewNotice;
use super::shelf::Shelf;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{AssertSqlSafe, Executor, PgConnection, PgPool, PgTransaction};
use std::fmt;
use std::sync::Arc;
use std::time::Duration;
use uuid::Uuid;

/// Connections of one copy of the server: more gain nothing on few cores, and every copy has as many.
pub const POOL_SIZE_DEFAULT: u32 = 8;
/// How long a request waits for a connection before it is told that there is too much to do, or no database.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(3);
/// How long the beginning of a transaction may take, connecting included. A way that is half open says nothing at all, for
/// as long as the operating system hopes: many minutes.
const BEGIN_TIMEOUT: Duration = Duration::from_secs(5);
/// How long the database may take to show that it answers: whoever watches the server does not wait much longer.
const PING_TIMEOUT: Duration = Duration::from_secs(2);
/// How long connections may take to end when the server does.
const CLOSE_TIMEOUT: Duration = Duration::from_secs(5);
/// On every connection: no statement, lock or forgotten transaction holds others up for ever, and the planning input of
/// a large company is sorted in memory.
const CONNECTION_SETTINGS: &str = "SET statement_timeout = '30s'; SET lock_timeout = '5s'; \
     SET idle_in_transaction_session_timeout = '60s'; SET TimeZone = 'UTC'; SET work_mem = '32MB'; SET client_min_messages = warning";

/// The tenant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CompanyId(pub Uuid);

impl fmt::Display for CompanyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// The pool. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Store {
    pool: PgPool,
    shelf: Arc<Shelf>,
}

/// One transaction of one company. Dropped without [`Session::commit`], nothing of it has happened.
#[derive(Debug)]
pub struct Session {
    pub(super) tx: PgTransaction<'static>,
    pub(super) company: CompanyId,
    /// Written when the session commits.
    pub(super) told: Vec<NewNotice>,
    /// Where it only reads.
    pub(super) shelf: Option<Arc<Shelf>>,
}

impl Store {
    /// Brings the schema up to date as `owner`, then opens the pool as `login` on the same server and database.
    ///
    /// # Errors
    /// As [`migrate`] and [`Store::open`].
    pub async fn connect(owner: &PgConnectOptions, login: &AppLogin) -> Result<Store, StoreError> {
        migrate(owner, login).await?;
        let mut app = owner.clone().username(&login.role);
        if let Some(password) = &login.password {
            app = app.password(password);
        }
        Store::open(app, POOL_SIZE_DEFAULT).await
    }

    /// Opens the pool on a database whose schema is up to date.
    ///
    /// # Errors
    /// `Unavailable`; `UnsafeRole` when row security would not hold `app` back.
    pub async fn open(app: PgConnectOptions, connections_max: u32) -> Result<Store, StoreError> {
        let pool = PgPoolOptions::new()
            .max_connections(connections_max)
            .acquire_timeout(ACQUIRE_TIMEOUT)
            // A round trip saved on each request; `begin` copes with connections that died unnoticed.
            .test_before_acquire(false)
            .after_connect(|connection, _| {
                Box::pin(async move { connection.execute(CONNECTION_SETTINGS).await.map(drop) })
            })
            .connect_with(app)
            .await?;
        refuse_unsafe_role(&pool).await?;
        Ok(Store { pool, shelf: Arc::default() })
    }

    /// A pool of its own on the same database. Connections belong to the threads that opened them, and end with those: who
    /// outlives the threads that answer requests must not share theirs.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn beside(&self, connections_max: u32) -> Result<Store, StoreError> {
        let opened = Store::open(self.pool.connect_options().as_ref().clone(), connections_max).await?;
        Ok(Store { shelf: self.shelf.clone(), ..opened })
    }

    /// Begins a transaction for reading and writing what belongs to `company`.
    ///
    /// # Errors
    /// `Unavailable`; `Busy` when other requests had all connections all the time.
    pub async fn session(&self, company: CompanyId) -> Result<Session, StoreError> {
        let act = Act::text();
        self.begin("BEGIN", &format!("; SET LOCAL app.act = '{act}'"), company).await
    }

    /// Begins a transaction that only reads, and sees one state of the company however many questions it asks.
    ///
    /// # Errors
    /// As [`Store::session`].
    pub async fn snapshot(&self, company: CompanyId) -> Result<Session, StoreError> {
        let session = self.begin("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY", "", company).await?;
        Ok(Session { shelf: Some(self.shelf.clone()), ..session })
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn ping(&self) -> Result<(), StoreError> {
        let asked = self.retry_lost(|| async { sqlx::query("SELECT 1").execute(&self.pool).await.map(drop) });
        let answered = tokio::time::timeout(PING_TIMEOUT, asked).await;
        answered.unwrap_or(Err(StoreError::Unavailable(sqlx::Error::PoolTimedOut)))
    }

    /// Ends all connections when their work is done; those that do not end in time end with the program.
    pub async fn close(&self) {
        if tokio::time::timeout(CLOSE_TIMEOUT, self.pool.close()).await.is_err() {
            tracing::warn!("connections to the database do not end");
        }
    }

    pub(super) fn pool(&self) -> &PgPool {
        &self.pool
    }

    /// Beginning and naming the company is one round trip. A UUID is written as hexadecimal digits and hyphens only. The
    /// round trip is a task of its own: whoever asks may go away at any time (browsers do), and a transaction that had begun
    /// without anybody knowing would stay open in the pool, for the next one to fall into.
    async fn begin(&self, begin: &str, more: &str, company: CompanyId) -> Result<Session, StoreError> {
        let statement = format!("{begin}; SET LOCAL app.company = '{company}'{more}");
        let begin = || {
            let (pool, statement) = (self.pool.clone(), statement.clone());
            let begun = tokio::spawn(async move { pool.begin_with(AssertSqlSafe(statement)).await });
            async {
                let begun = tokio::time::timeout(BEGIN_TIMEOUT, begun).await.map_err(|_| sqlx::Error::PoolTimedOut)?;
                begun.map_err(|_| sqlx::Error::WorkerCrashed)?
            }
        };
        let tx = self.retry_lost(begin).await.map_err(|error| self.full_or_gone(error))?;
        Ok(Session { tx, company, told: Vec::new(), shelf: None })
    }

    /// Whoever waited in vain while all connections were in use was kept out by other requests, not by the database.
    fn full_or_gone(&self, error: StoreError) -> StoreError {
        match error {
            StoreError::Unavailable(waited @ sqlx::Error::PoolTimedOut)
                if self.pool.size() >= self.pool.options().get_max_connections() && self.pool.num_idle() == 0 =>
            {
                StoreError::Busy(waited)
            }
            other => other,
        }
    }

    /// Tries again with the next connection when one turns out to be dead: after a restart of PostgreSQL all idle ones
    /// are. Only for what may be done twice.
    pub(super) async fn retry_lost<T, F>(&self, attempt: impl Fn() -> F) -> Result<T, StoreError>
    where
        F: Future<Output = Result<T, sqlx::Error>>,
    {
        let mut left = self.pool.options().get_max_connections();
        loop {
            match attempt().await.map_err(StoreError::from) {
                Err(StoreError::Unavailable(reason)) if left > 0 && !matches!(reason, sqlx::Error::PoolTimedOut) => {
                    tracing::debug!(%reason, "a connection was lost while idle");
                    left -= 1;
                }
                outcome => return outcome,
            }
        }
    }
}

impl Session {
    /// Whose it is.
    pub fn company(&self) -> CompanyId {
        self.company
    }

    /// Makes all of it true, at once, and known.
    ///
    /// # Errors
    /// `Unavailable`: then it is not known whether it has happened; `Busy`: it has not.
    pub async fn commit(mut self) -> Result<(), StoreError> {
        self.write_told().await?;
        Ok(self.tx.commit().await?)
    }

    pub(super) fn db(&mut self) -> &mut PgConnection {
        &mut self.tx
    }
}

/// Superusers and owners pass row security silently: better not to start.
async fn refuse_unsafe_role(pool: &PgPool) -> Result<(), StoreError> {
    let (role, superuser, bypasses, owns): (String, bool, bool, bool) = sqlx::query_as(
        "SELECT rolname::text, rolsuper, rolbypassrls,
                EXISTS (SELECT FROM pg_class WHERE relnamespace = 'public'::regnamespace
                        AND pg_has_role(current_user, relowner, 'MEMBER'))
         FROM pg_roles WHERE rolname = current_user",
    )
    .fetch_one(pool)
    .await?;
    let why = match (superuser, bypasses, owns) {
        (true, _, _) => "it is a superuser",
        (_, true, _) => "it bypasses row security",
        (_, _, true) => "it owns tables, or is a member of the role that does",
        (false, false, false) => return Ok(()),
    };
    Err(StoreError::UnsafeRole { role, why })
}
