//! A store on a fresh database, and companies to put into it.

#![allow(dead_code, reason = "no test program needs everything here")]

use super::postgres::server;
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use sqlx::migrate::Migrator;
use sqlx::postgres::{PgConnectOptions, PgConnection};
use sqlx::{AssertSqlSafe, ConnectOptions};
use tackfree::store::{
    AppLogin, CompanyId, Document, JobRow, NewJob, NewNoun, NewPlan, NewStep, NewWait, Noun, NounRow, PlanRow, Session,
    Store, new_id,
};
use tokio::task::JoinHandle;
use uuid::Uuid;

static MIGRATOR: Migrator = sqlx::migrate!();

/// A store, and how its owner and its login role connect.
pub struct TestStore {
    pub store: Store,
    pub owner: PgConnectOptions,
    pub app: PgConnectOptions,
}

/// A store on a database of its own.
pub async fn fresh_store() -> TestStore {
    let login = AppLogin::default();
    let hash = MIGRATOR
        .iter()
        .flat_map(|step| step.checksum.iter())
        .fold(0u64, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3));
    let owner = server()
        .fresh_database(&format!("tackfree_{hash:x}"), |owner| async move {
            tackfree::store::migrate(&owner, &AppLogin::default()).await.unwrap();
        })
        .await;
    // Rights are not part of the template's name: the store's own migration puts them in order.
    let store = Store::connect(&owner, &login).await.unwrap();
    let app = owner.clone().username(&login.role);
    TestStore { store, owner, app }
}

impl TestStore {
    /// A session of a new company.
    pub async fn company(&self, name: &str) -> CompanyId {
        let company = CompanyId(new_id());
        let mut session = self.store.session(company).await.unwrap();
        session.insert_company(name, &doc(json!({"zone": "America/New_York"}))).await.unwrap();
        session.commit().await.unwrap();
        company
    }

    pub async fn session(&self, company: CompanyId) -> Session {
        self.store.session(company).await.unwrap()
    }

    /// A connection of the login role that is no session: what an attacker with its password has.
    pub async fn raw(&self) -> PgConnection {
        self.app.connect().await.unwrap()
    }

    pub async fn owner(&self) -> PgConnection {
        self.owner.connect().await.unwrap()
    }
}

pub fn doc(value: Value) -> Document {
    Document::of(&value).unwrap()
}

pub fn noun(key: &str) -> NewNoun {
    NewNoun { key: key.into(), name: key.to_uppercase(), doc: doc(json!({"about": key})), refers: vec![] }
}

pub fn step(key: &str) -> NewStep {
    NewStep { key: key.into(), doc: doc(json!({"step": key})), refers: vec![] }
}

pub fn wait(from: &str, to: &str) -> NewWait {
    NewWait { from: from.into(), to: to.into(), doc: doc(json!({"min_minutes": 60})) }
}

pub fn job(key: &str, house: Uuid, steps: &[&str]) -> NewJob {
    NewJob {
        key: key.into(),
        name: key.to_uppercase(),
        house_id: house,
        method_id: None,
        release_at: at(0),
        due_at: None,
        doc: doc(json!({"weight": 1})),
        steps: steps.iter().map(|key| step(key)).collect(),
        waits: steps.windows(2).map(|pair| wait(pair[0], pair[1])).collect(),
    }
}

/// So many minutes into an invented Monday.
pub fn at(minutes: i64) -> DateTime<Utc> {
    "2026-03-02T08:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::minutes(minutes)
}

pub fn plan() -> NewPlan {
    NewPlan {
        made_for: at(0),
        seed: u64::MAX,
        move_budget: 1_000,
        cost_total: 12,
        lower_bound: 10,
        input_sha256: [7; 32],
        doc: doc(json!({"unplaced": []})),
    }
}

/// Work of `crew` on a step from one minute to another.
pub fn row(job: Uuid, step: &str, crew: Uuid, from: i64, until: i64) -> PlanRow {
    PlanRow {
        job_id: job,
        step_key: step.into(),
        piece_no: 0,
        run_key: step.into(),
        crew_id: crew,
        start: at(from),
        end: at(until),
        fixed: false,
        units: None,
        moved_because: None,
    }
}

/// One house, two crews, one job of the steps sand, treat-a, treat-b, coat.
pub struct Small {
    pub company: CompanyId,
    pub house: NounRow,
    pub crews: [NounRow; 2],
    pub job: JobRow,
}

pub async fn small(test: &TestStore) -> Small {
    let company = test.company("Plane & Sons").await;
    let mut session = test.session(company).await;
    let house = session.insert_noun(Noun::House, &noun("elm-12")).await.unwrap();
    let north = session.insert_noun(Noun::Crew, &noun("north")).await.unwrap();
    let south = session.insert_noun(Noun::Crew, &noun("south")).await.unwrap();
    let job =
        session.insert_job(&job("elm-12-floors", house.id, &["sand", "treat-a", "treat-b", "coat"])).await.unwrap();
    session.commit().await.unwrap();
    Small { company, house, crews: [north, south], job }
}

/// Runs a statement put together by the test itself.
pub async fn run(connection: &mut PgConnection, statement: String) -> Result<u64, sqlx::Error> {
    sqlx::query(AssertSqlSafe(statement)).execute(connection).await.map(|done| done.rows_affected())
}

/// PostgreSQL's five-character code of an error.
pub fn sqlstate(error: &sqlx::Error) -> String {
    error.as_database_error().and_then(|error| error.code()).unwrap_or_default().into_owned()
}

/// Until the task, in the database that `options` lead to, has to wait for a transaction: seen in PostgreSQL's own
/// list, not guessed.
pub async fn waits_for_lock<T>(options: &PgConnectOptions, task: &JoinHandle<T>) {
    let mut connection = options.connect().await.unwrap();
    let waiting = "SELECT EXISTS (SELECT FROM pg_stat_activity
         WHERE datname = current_database() AND wait_event_type = 'Lock')";
    while !sqlx::query_scalar::<_, bool>(waiting).fetch_one(&mut connection).await.unwrap() {
        assert!(!task.is_finished(), "it did not wait");
        tokio::task::yield_now().await;
    }
}
