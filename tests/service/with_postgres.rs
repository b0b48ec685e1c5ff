//! The tests' own PostgreSQL: the program that keeps it, and the databases that tests get from it.

use crate::common::postgres::{execute, server, text};
use sqlx::postgres::PgConnectOptions;
use std::path::PathBuf;
use std::process::Command;

#[test]
fn with_postgres_passes_the_socket_in_and_the_exit_code_out() {
    let mut command = Command::new(env!("CARGO_BIN_EXE_with-postgres"));
    let script = "test -S \"$TACKFREE_TEST_POSTGRES/.s.PGSQL.5432\" && echo $TACKFREE_TEST_POSTGRES && exit 42";
    let output = command.args(["sh", "-c", script]).output().unwrap();
    assert_eq!(output.status.code(), Some(42), "{}", String::from_utf8_lossy(&output.stderr));
    let socket = PathBuf::from(String::from_utf8(output.stdout).unwrap().trim());
    assert!(!socket.parent().unwrap().exists(), "its temporary directory is removed");
}

#[tokio::test]
async fn fresh_databases_are_copies_that_do_not_see_each_other() {
    let server = server();
    let template = format!("crews_{}", std::process::id());
    let migrate = |options: PgConnectOptions| async move { execute(&options, "CREATE TABLE crew (name text)").await };
    let first = server.fresh_database(&template, migrate).await;
    let again = |_| async { panic!("the template is made once") };
    let second = server.fresh_database(&template, again).await;
    execute(&first, "INSERT INTO crew VALUES ('North')").await;
    assert_eq!(text(&first, "SELECT count(*)::text FROM crew").await, "1");
    assert_eq!(text(&second, "SELECT count(*)::text FROM crew").await, "0");
}

#[tokio::test]
async fn databases_of_ended_test_processes_are_removed() {
    let server = server();
    let mut ended = Command::new("true").spawn().unwrap();
    ended.wait().unwrap();
    let name = format!("test_{}_0", ended.id());
    let owner = server.owner_options("postgres");
    execute(&owner, &format!("CREATE DATABASE {name}")).await;
    server.fresh_database(&format!("empty_{}", std::process::id()), |_| async {}).await;
    let left = format!("SELECT count(*)::text FROM pg_database WHERE datname = '{name}'");
    assert_eq!(text(&owner, &left).await, "0");
}
