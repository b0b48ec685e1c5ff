//! Databases of every older version of the schema, with what a program of that version had stored, brought up to date as
//! a server does when it starts: nothing is lost or changed, and people go on working with it.
//!
//! `tests/data/versions/` holds what each version added, as it was stored once; it is not made anew, so that documents of
//! old programs stay readable. A new migration needs a file beside the others.

use crate::common::postgres::{execute, execute_all, server};
use serde_json::Value;
use sqlx::migrate::Migrator;
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use tackfree::dto::{PlanningFile, assemble};
use tackfree::service::clock::SetClock;
use tackfree::service::{AirReadingBody, DraftBody, Reporter, Service};
use tackfree::store::{AppLogin, CompanyId, Noun, Store, StoreError, migrate};

/// The company in the files: triggers that run as the owner write its lines.
const COMPANY: &str = "01a228c4-dc47-7655-94e4-26960d9a21f5";
const PLAIN_OWNER: &str = "test_plain_owner";
static MIGRATOR: Migrator = sqlx::migrate!();
/// The secret of the token in the second version's file.
const TOKEN: &str = "tf_OfAnOlderVersion-OfAnOlderVersion-OfAnOlder";

fn versions() -> Vec<i64> {
    MIGRATOR.iter().map(|migration| migration.version).collect()
}

/// What programs of this version stored that those before it did not.
fn stored_since(version: i64) -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/data/versions/{version:04}.sql"));
    std::fs::read_to_string(&file)
        .unwrap_or_else(|_| panic!("what schema {version} adds belongs into {}", file.display()))
}

/// As the owner of the database, whom row security holds as it holds everybody else.
fn plain(options: &PgConnectOptions) -> PgConnectOptions {
    options.clone().username(PLAIN_OWNER)
}

/// A database of this version, owned by a role that is no superuser, with everything that programs up to it stored.
async fn database_of(version: i64) -> PgConnectOptions {
    let name = format!("test_{}_version_{version}", std::process::id());
    let superuser = server().owner_options("postgres");
    execute(&superuser, &format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).await;
    execute(
        &superuser,
        &format!(
            "DO $$ BEGIN CREATE ROLE {PLAIN_OWNER} LOGIN CREATEROLE; EXCEPTION WHEN duplicate_object OR unique_violation THEN END $$"
        ),
    )
    .await;
    execute(&superuser, &format!("CREATE DATABASE {name} TEMPLATE template0 OWNER {PLAIN_OWNER}")).await;
    let owner = server().owner_options(&name);
    let mut connection = plain(&owner).connect().await.unwrap();
    MIGRATOR.run_direct(Some(version), &mut connection, false).await.unwrap();
    connection.close().await.unwrap();
    for version in versions().into_iter().filter(|older| *older <= version) {
        execute_all(&owner.clone().options([("app.company", COMPANY)]), &stored_since(version)).await;
    }
    owner
}

/// All rows as documents, table by table.
async fn rows(owner: &PgConnectOptions) -> BTreeMap<String, Vec<Value>> {
    let mut connection = owner.connect().await.unwrap();
    let tables: Vec<String> = sqlx::query_scalar(
        "SELECT relname::text FROM pg_class
         WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND relname <> '_sqlx_migrations'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    let mut out = BTreeMap::new();
    for table in tables {
        let all = format!("SELECT to_jsonb(t) FROM {table} t ORDER BY t::text COLLATE \"C\"");
        out.insert(table, sqlx::query_scalar(AssertSqlSafe(all)).fetch_all(&mut connection).await.unwrap());
    }
    connection.close().await.unwrap();
    out
}

/// Whether a row still says what it said, however much more it says.
fn holds(now: &Value, then: &Value) -> bool {
    then.as_object().unwrap().iter().all(|(column, value)| now.get(column) == Some(value))
}

#[tokio::test]
async fn data_of_every_older_version_is_taken_along() {
    let newest = *versions().last().unwrap();
    for version in versions() {
        let owner = database_of(version).await;
        let before = rows(&owner).await;
        migrate(&plain(&owner), &AppLogin::default())
            .await
            .unwrap_or_else(|error| panic!("from schema {version}: {error}"));
        let mut after = rows(&owner).await;
        for (table, then) in &before {
            let now = after.get_mut(table).unwrap_or_else(|| panic!("{table} of schema {version} is gone"));
            assert_eq!(now.len(), then.len(), "rows of {table} of schema {version}");
            for row in then {
                let place = now.iter().position(|now| holds(now, row));
                let place = place.unwrap_or_else(|| panic!("from schema {version} to {newest}, {table} lost {row}"));
                now.remove(place);
            }
        }
        let stored = before.values().filter(|rows| !rows.is_empty()).count();
        assert!(stored >= 10 && before["step_record"].len() >= 10, "schema {version} has something to lose: {stored}");
        work_with(&owner, version).await;
    }
}

/// What people do on the first morning after an upgrade.
async fn work_with(owner: &PgConnectOptions, version: i64) {
    let login = AppLogin::default();
    let store = Store::connect(owner, &login).await.unwrap();
    let mut connection = owner.connect().await.unwrap();
    let company: uuid::Uuid = sqlx::query_scalar("SELECT id FROM company").fetch_one(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    let company = CompanyId(company);
    let clock = SetClock::new("2026-03-13T10:00:00Z".parse().unwrap());
    let service = Service::with_clock(store.clone(), Arc::new(clock));

    let file: PlanningFile = service.capture(company).await.unwrap();
    assemble(&file).unwrap_or_else(|faults| panic!("of schema {version}: {faults:?}"));
    let tries = |file: &PlanningFile| file.jobs.iter().map(|job| job.history.len()).sum::<usize>();
    assert!(tries(&file) >= 10, "schema {version}: {}", tries(&file));
    let air = |file: &PlanningFile| file.houses.iter().map(|house| house.air_readings.len()).sum::<usize>();
    assert_eq!(air(&file), usize::from(version >= 5), "schema {version}");

    let mut session = store.session(company).await.unwrap();
    assert_eq!(session.nouns(Noun::Crew, None, 10).await.unwrap().len(), 2);
    let checks = service.checks(&mut session, "treated").await.unwrap();
    let told = serde_json::to_string(&checks).unwrap();
    assert!(
        told.contains("does not pass: Hall at 13.0 %") && told.contains("passes: every"),
        "schema {version}: {told}"
    );
    let body: AirReadingBody =
        serde_json::from_str(r#"{"at": "2026-03-13T06:00:00-04:00", "temp_c": 20.0, "rh_percent": 45.0}"#).unwrap();
    service.report_air(&mut session, "linden-4", &Reporter { crew_id: None }, &body).await.unwrap();
    session.commit().await.unwrap();
    assert_eq!(air(&service.capture(company).await.unwrap()), 1 + usize::from(version >= 5));

    let promised = store.session(company).await.unwrap().published_plan().await.unwrap();
    assert_eq!(promised.is_some(), version >= 2, "schema {version}");
    if let Some(promised) = promised {
        let rows = store.session(company).await.unwrap().plan_rows(promised.id).await.unwrap();
        assert_eq!(rows.len(), usize::try_from(promised.row_count).unwrap(), "rows of the promise of schema {version}");
    }
    let draft = service.draft(company, &DraftBody { move_budget: Some(50), ..DraftBody::default() }).await;
    let draft = draft.unwrap_or_else(|error| panic!("of schema {version}: {error}"));
    let mut session = store.session(company).await.unwrap();
    let view = service.keep_draft(&mut session, &draft).await.unwrap();
    session.commit().await.unwrap();
    assert!(!view.placements.is_empty(), "schema {version}");
    let mut session = store.session(company).await.unwrap();
    let head = session.plan(view.plan.id).await.unwrap();
    session.publish_plan(head.id, head.version, service.now()).await.unwrap();
    session.commit().await.unwrap();
    let token = store.find_token(TOKEN).await.unwrap();
    assert_eq!(token.map(|token| token.company), (version >= 2).then_some(company), "schema {version}");
    store.close().await;
}

/// A database that a newer program has migrated is left alone, and the refusal says what to do.
#[tokio::test]
async fn an_older_program_leaves_a_newer_database_alone() {
    let owner = database_of(*versions().last().unwrap()).await;
    execute(
        &owner,
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'of a later year', true, '\\x00', 0)",
    )
    .await;
    let refused = migrate(&owner, &AppLogin::default()).await.unwrap_err();
    assert!(matches!(refused, StoreError::Migration(_)), "{refused:?}");
    assert!(
        refused.cure().contains("newer program") && refused.to_string().contains("9999"),
        "{refused}: {}",
        refused.cure()
    );
}
