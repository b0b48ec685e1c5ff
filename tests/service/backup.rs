//! Backups by the program as people run it: everything comes back, in another database and under another owner, with
//! row security and the login role's rights; and whatever is refused or fails leaves everything as it was.

use crate::common::app::{Caller, furnish, job};
use crate::common::postgres::{execute, server, text};
use crate::common::program::{Program, command, run};
use crate::common::store::{TestStore, fresh_store};
use serde_json::json;
use sqlx::postgres::{PgConnectOptions, PgConnection};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tackfree::store::{AppLogin, CompanyId, Store};

/// Every table with how many rows it has and a checksum over all of them.
async fn contents(owner: &PgConnectOptions) -> BTreeMap<String, (i64, String)> {
    let mut connection = owner.connect().await.unwrap();
    // A superuser is not held; an owner who is none says that it makes a backup.
    execute_on(&mut connection, "SET app.backup = 'on'").await;
    let tables: Vec<String> = sqlx::query_scalar(
        "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    let mut out = BTreeMap::new();
    for table in tables {
        let sum = format!(
            "SELECT count(*), coalesce(md5(string_agg(t::text, E'\\n' ORDER BY t::text COLLATE \"C\")), '') FROM {table} t"
        );
        let row = sqlx::query_as(AssertSqlSafe(sum)).fetch_one(&mut connection).await.unwrap();
        out.insert(table, row);
    }
    connection.close().await.unwrap();
    out
}

async fn execute_on(connection: &mut PgConnection, statement: &'static str) {
    sqlx::raw_sql(statement).execute(connection).await.unwrap();
}

/// Row security, triggers, constraints, indexes, functions, and what the login role may do, as text.
async fn rules(owner: &PgConnectOptions) -> String {
    let own = owner.get_username();
    let rules = text(
        owner,
        "SELECT string_agg(line, E'\\n' ORDER BY line COLLATE \"C\") FROM (
             SELECT format('policy %s %s %s %s %s %s', tablename, policyname, roles, cmd, qual, with_check) FROM pg_policies
             UNION SELECT format('table %s %s %s', relname, relrowsecurity, relforcerowsecurity) FROM pg_class
                   WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'v')
             UNION SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal
             UNION SELECT format('%s %s', conrelid::regclass, pg_get_constraintdef(oid)) FROM pg_constraint
                   WHERE connamespace = 'public'::regnamespace
             UNION SELECT indexdef FROM pg_indexes WHERE schemaname = 'public'
             UNION SELECT format('%s %s %s', p.oid::regprocedure, prosecdef, md5(prosrc)) FROM pg_proc p
                   WHERE pronamespace = 'public'::regnamespace
             UNION SELECT format('right %s %s %s %s', grantee, table_name, privilege_type, is_grantable)
                   FROM information_schema.role_table_grants WHERE table_schema = 'public'
             UNION SELECT format('run %s %s', grantee, routine_name) FROM information_schema.routine_privileges
                   WHERE routine_schema = 'public' AND grantee LIKE '%app%') t (line)",
    )
    .await;
    assert!(rules.contains("policy house own_company") && rules.contains("run "), "{rules}");
    rules.replace(own, "OWNER")
}

/// A new database for this test.
async fn empty(name: &str, owner: &PgConnectOptions) -> PgConnectOptions {
    let database = format!("test_{}_{name}", std::process::id());
    let superuser = server().owner_options("postgres");
    execute(&superuser, &format!("DROP DATABASE IF EXISTS {database} WITH (FORCE)")).await;
    let create = format!("CREATE DATABASE {database} OWNER {} TEMPLATE template0", owner.get_username());
    execute(&superuser, &create).await;
    owner.clone().database(&database)
}

/// A company with something of most kinds.
async fn populated(program: &Program, name: &str) -> Caller {
    let office = program.company(name).await;
    furnish(&office).await;
    let reading = json!({"at": "2026-03-09T07:00:00-04:00", "temp_c": 19.5, "rh_percent": 48.0});
    office.post("/v1/houses/linden-4/air-readings", &reading).await.expect(201);
    let begun = json!({"id": uuid::Uuid::now_v7(), "at": "2026-03-09T07:00:10-04:00",
        "event": {"kind": "step_started", "job": "linden-4-floors", "step": "sand", "crew": "north"}});
    office.post("/v1/events", &begun).await.expect(201);
    office.publish().await;
    office.post("/v1/jobs", &job("linden-4-again", "linden-4")).await.expect(201);
    office.post("/v1/webhooks", &json!({"address": "https://example.com/", "types": []})).await.expect(201);
    office.post("/v1/feeds", &json!({"kind": "office"})).await.expect(201);
    office.token(&json!({"name": "phone", "role": "crew", "crew": "south"})).await;
    office
}

fn back_up(owner: &PgConnectOptions, file: &Path) -> (bool, String, String) {
    run(command(owner).arg("backup").arg(file))
}

fn restore(owner: &PgConnectOptions, file: &Path, more: &[&str]) -> (bool, String, String) {
    run(command(owner).arg("restore").arg(file).args(more))
}

/// The refusal has this code, and says what cures it.
fn refused(outcome: (bool, String, String), code: &str) -> String {
    let (done, said, told) = outcome;
    assert!(!done, "{said}");
    assert!(told.contains(&format!("code: {code}")) && told.contains("what to do: "), "{told}");
    told
}

fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("all.dump");
    (folder, file)
}

#[tokio::test]
async fn everything_comes_back_and_is_served() {
    let (test, (folder, file)) = (fresh_store().await, folder());
    let program = Program::serve(&test, &[("TACKFREE_WEBHOOK_TARGETS", "private")]).await;
    let (one, two) = (populated(&program, "Plane & Sons").await, populated(&program, "Rivals").await);
    let board = one.get("/v1/plans/published").await.expect(200);
    // Under way: the server serves on.
    let (done, said, told) = back_up(&test.owner, &file);
    assert!(done && said.contains("2 companies"), "{said}{told}");
    one.get("/v1/crews").await.expect(200);
    let (ended, log) = program.stop();
    assert!(ended, "{log}");
    let mode = std::fs::metadata(&file).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "for its owner alone");
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "no unfinished file is left: {left:?}");

    // Nothing happens in the first database any more: this backup is compared row by row.
    let quiet = folder.path().join("quiet.dump");
    assert!(back_up(&test.owner, &quiet).0);
    let there = empty("restored", &test.owner).await;
    let (done, said, told) = restore(&there, &quiet, &[]);
    assert!(done && said.contains("2 companies"), "{said}{told}");
    let (before, after) = (contents(&test.owner).await, contents(&there).await);
    assert_eq!(before, after);
    let full = before.values().filter(|(rows, _)| *rows > 0).count();
    assert!(before.len() >= 30 && full >= 25, "{before:?}");
    assert_eq!(rules(&test.owner).await, rules(&there).await);

    // The login role comes in, and is held by row security.
    let login = AppLogin::default();
    let store = Store::connect(&there, &login).await.unwrap();
    let app = there.clone().username(&login.role);
    let names = "SELECT count(*)::text FROM house";
    assert_eq!(text(&app, names).await, "0", "no company, no rows");
    let company: uuid::Uuid = text(&there, "SELECT id::text FROM company ORDER BY created_at").await.parse().unwrap();
    let mut session = store.session(CompanyId(company)).await.unwrap();
    assert_eq!(session.company_row().await.unwrap().name, "Plane & Sons");
    drop(session);
    store.close().await;

    // Tokens, plans and calendars are good where they were.
    let other = TestStore { store: test.store.clone(), owner: there.clone(), app };
    let program = Program::serve(&other, &[]).await;
    let same = program.caller(&one.token).get("/v1/plans/published").await.expect(200);
    assert_eq!(same, board);
    program.caller(&two.token).get("/v1/jobs/linden-4-again").await.expect(200);
    program.caller(&one.token).publish().await;
}

#[tokio::test]
async fn whatever_is_refused_or_fails_leaves_everything_as_it_was() {
    let (test, (folder, file)) = (fresh_store().await, folder());
    let program = Program::serve(&test, &[]).await;
    populated(&program, "Plane & Sons").await;
    assert!(back_up(&test.owner, &file).0);
    refused(back_up(&test.owner, &file), "backup-file-exists");
    let told = refused(restore(&test.owner, &file, &["--replace"]), "restore-busy");
    assert!(told.contains("stop every server"), "{told}");
    program.stop();
    test.store.close().await;

    let before = contents(&test.owner).await;
    refused(restore(&test.owner, &file, &[]), "restore-occupied");
    let missing = folder.path().join("missing.dump");
    refused(restore(&test.owner, &missing, &["--replace"]), "backup-io");
    let garbage = folder.path().join("garbage.dump");
    std::fs::write(&garbage, "CREATE TABLE company ();").unwrap();
    refused(restore(&test.owner, &garbage, &["--replace"]), "backup-unreadable");
    // Cut short anywhere: the beginning of it could be put back, and is not.
    let whole = std::fs::read(&file).unwrap();
    let cut = folder.path().join("cut.dump");
    for part in [10, 50, 80, 99] {
        std::fs::write(&cut, &whole[..whole.len() * part / 100]).unwrap();
        let (done, said, _) = restore(&test.owner, &cut, &["--replace"]);
        assert!(!done, "{part} percent of a backup: {said}");
        assert_eq!(contents(&test.owner).await, before, "{part} percent of a backup");
    }

    // What is there goes when that is asked for, and only then.
    execute(&test.owner, "UPDATE company SET name = 'Changed since'").await;
    let (done, said, told) = restore(&test.owner, &file, &["--replace"]);
    assert!(done, "{said}{told}");
    assert_eq!(text(&test.owner, "SELECT name FROM company").await, "Plane & Sons");

    // Other people's tables are never touched, and nothing is no backup.
    let foreign = empty("foreign", &test.owner).await;
    refused(back_up(&foreign, &folder.path().join("nothing.dump")), "backup-nothing-there");
    execute(&foreign, "CREATE TABLE ledger (entry text)").await;
    let told = refused(restore(&foreign, &file, &["--replace"]), "restore-foreign-tables");
    assert!(told.contains("ledger"), "{told}");
    let other = folder.path().join("other.dump");
    let mut dump = std::process::Command::new("pg_dump");
    dump.args(["--format=custom", "--username", foreign.get_username(), "--host"]).arg(server().socket_directory());
    dump.arg("--file").arg(&other).arg(foreign.get_database().unwrap());
    assert!(dump.status().unwrap().success());
    refused(restore(&test.owner, &other, &["--replace"]), "backup-of-something-else");
}

/// The private cluster belongs to the server that runs it; a backup is made beside it, and put back when it has stopped.
#[tokio::test]
async fn a_private_cluster_is_backed_up_while_it_serves() {
    let (folder, file) = folder();
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    let own = |name: &str| {
        let mut command = command(&server().owner_options("postgres"));
        command.env_remove("DATABASE_URL").env("TACKFREE_DATA_DIRECTORY", folder.path().join(name));
        command
    };
    let program = Program::serve_by(own("one"), &[]).await;
    let office = program.company("Plane & Sons").await;
    furnish(&office).await;
    let (done, said, told) = run(own("one").arg("backup").arg(&file));
    assert!(done, "{said}{told}");
    let told = refused(run(own("one").arg("restore").arg(&file).arg("--replace")), "cluster-in-use");
    assert!(told.contains("stop process"), "{told}");
    let (ended, log) = program.stop();
    assert!(ended, "{log}");

    let (done, said, told) = run(own("two").arg("restore").arg(&file));
    assert!(done, "{said}{told}");
    let program = Program::serve_by(own("two"), &[]).await;
    program.caller(&office.token).get("/v1/jobs/linden-4-floors").await.expect(200);
}

/// On servers of others the owner is no superuser, and row security holds it, too: a backup has all rows all the same,
/// and another owner puts it back.
#[tokio::test]
async fn an_owner_that_is_no_superuser_backs_up_everything() {
    let (_folder, file) = folder();
    let superuser = server().owner_options("postgres");
    let names = [0, 1].map(|number| format!("owner_{}_{number}", std::process::id()));
    let app = AppLogin { role: format!("app_{}", std::process::id()), password: None };
    for name in &names {
        execute(&superuser, &format!("CREATE ROLE {name} LOGIN CREATEROLE")).await;
    }
    let [from, to] = [0, 1].map(|number| superuser.clone().username(&names[number]));
    let (from, to) = (empty("from", &from).await, empty("to", &to).await);
    let store = Store::connect(&from, &app).await.unwrap();
    let test = TestStore { store: store.clone(), owner: from.clone(), app: from.clone().username(&app.role) };
    let program = Program::serve(&test, &[("TACKFREE_APP_ROLE", &app.role)]).await;
    let office = populated(&program, "Plane & Sons").await;
    program.stop();
    store.close().await;
    assert_eq!(text(&from, "SELECT count(*)::text FROM house").await, "0", "row security holds the owner");

    let (done, said, told) = back_up(&from, &file);
    assert!(done, "{said}{told}");
    let (done, said, told) = run(command(&to).env("TACKFREE_APP_ROLE", &app.role).arg("restore").arg(&file));
    assert!(done, "{said}{told}");
    let (before, after) = (contents(&from).await, contents(&to).await);
    assert_eq!(before, after);
    assert!(before["house"].0 == 1 && before["plan_job"].0 > 0, "{before:?}");
    assert_eq!(rules(&from).await, rules(&to).await);

    // What the owner answers across companies is answered by the new one: whose token is it, whose turn.
    let app_at_new = to.clone().username(&app.role);
    let test = TestStore { store, owner: to.clone(), app: app_at_new };
    let program = Program::serve(&test, &[("TACKFREE_APP_ROLE", &app.role)]).await;
    program.caller(&office.token).get("/v1/plans/published").await.expect(200);
    program.caller(&office.token).publish().await;
    drop(program);
    for database in [from, to] {
        execute(&superuser, &format!("DROP DATABASE {} WITH (FORCE)", database.get_database().unwrap())).await;
    }
    execute(&superuser, &format!("DROP ROLE {}, {}, {}", app.role, names[0], names[1])).await;
}
