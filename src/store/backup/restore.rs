//! Putting a backup back: everything that was there goes and everything that was backed up comes, in one transaction.
//! The backup's owner may have had another name, and its schema may be older: afterwards the schema is the newest, and
//! the login role has its rights.

use super::tools::{self, Tools};
use super::{BackupError, companies};
use crate::store::migrate::MIGRATOR;
use crate::store::{AppLogin, StoreError, migrate};
use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions, Connection, PgConnection};
use std::path::Path;
use std::process::Stdio;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::process::{ChildStdin, ChildStdout};

/// What is in the way of the backup's own tables. An extension stays: only who has the right to make it may drop it.
const CLEAR: &str = r"
DO $$
DECLARE statement text;
BEGIN
    FOR statement IN
        SELECT format('DROP TABLE public.%I CASCADE', relname) FROM pg_class
        WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
    LOOP EXECUTE statement; END LOOP;
    FOR statement IN
        SELECT format('DROP FUNCTION %s CASCADE', p.oid::regprocedure) FROM pg_proc p
        WHERE p.pronamespace = 'public'::regnamespace
          AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e')
    LOOP EXECUTE statement; END LOOP;
END $$;
";
/// What this program's backups hold.
const OUR_TABLE: &str = " TABLE DATA public company ";

/// A backup that was put back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Restored {
    /// Companies there are now.
    pub companies: i64,
    /// Of the schema that the backup had.
    pub schema: i64,
}

/// Puts a backup back. Whatever is refused or fails leaves everything as it was. With `replace`, companies that are there
/// are thrown away.
///
/// # Errors
/// `Occupied`, `Foreign`, `Busy`; `NotABackup`, `NotOurs`, `Newer`, `OtherSchema`; `NoTools`, `ToolFailed`, and those of
/// the database.
pub async fn restore(
    owner: &PgConnectOptions,
    login: &AppLogin,
    binaries: Option<&Path>,
    file: &Path,
    replace: bool,
) -> Result<Restored, BackupError> {
    let mut connection = owner.connect().await.map_err(StoreError::from)?;
    let tools = Tools::find(&mut connection, binaries).await?;
    let schema = examine(&tools, file).await?;
    refuse_unsuited(&mut connection, replace).await?;
    connection.close().await.map_err(StoreError::from)?;
    put_back(owner, &tools, file).await?;
    migrate(owner, login).await?;
    let mut connection = owner.connect().await.map_err(StoreError::from)?;
    let companies = companies(&mut connection).await?.unwrap_or_default();
    connection.close().await.map_err(StoreError::from)?;
    Ok(Restored { companies, schema })
}

/// Whether the file is a backup that this program can use; the version of its schema.
pub(super) async fn examine(tools: &Tools, file: &Path) -> Result<i64, BackupError> {
    std::fs::File::open(file).map_err(BackupError::io("cannot read", file))?;
    let unreadable = |error| match error {
        BackupError::ToolFailed { said, .. } => BackupError::NotABackup { file: file.to_owned(), said },
        other => other,
    };
    let mut list = tools.command("pg_restore", None);
    list.arg("--list").arg(file).stdout(Stdio::piped());
    let list = tools::run("pg_restore", list).await.map_err(unreadable)?;
    if !String::from_utf8_lossy(&list).contains(OUR_TABLE) {
        return Err(BackupError::NotOurs { file: file.to_owned() });
    }
    let mut rows = tools.command("pg_restore", None);
    rows.args(["--data-only", "--table=_sqlx_migrations", "--file=-"]).arg(file).stdout(Stdio::piped());
    let rows = tools::run("pg_restore", rows).await.map_err(unreadable)?;
    known_schema(&String::from_utf8_lossy(&rows), file)
}

/// The newest migration among those rows, if this program knows all of them.
fn known_schema(rows: &str, file: &Path) -> Result<i64, BackupError> {
    let known = MIGRATOR.iter().map(|migration| migration.version).max().unwrap_or_default();
    let mut columns: Vec<&str> = Vec::new();
    let mut newest = None;
    for line in rows.lines() {
        if let Some(names) =
            line.strip_prefix("COPY ").and_then(|rest| Some(rest.split_once('(')?.1.split_once(')')?.0))
        {
            columns = names.split(", ").collect();
            continue;
        }
        let values: Vec<&str> = line.split('\t').collect();
        let of = |name| columns.iter().position(|column| *column == name).and_then(|place| values.get(place));
        let Some(version) = of("version").and_then(|text| text.parse::<i64>().ok()) else { continue };
        if version > known {
            return Err(BackupError::Newer { file: file.to_owned(), version, known });
        }
        // In the text format, a backslash is written twice.
        let checksum = of("checksum").map_or("", |text| text.trim_start_matches("\\\\x"));
        let migration = MIGRATOR.iter().find(|migration| migration.version == version);
        if migration.is_none_or(|migration| hex(&migration.checksum) != checksum) {
            return Err(BackupError::OtherSchema { file: file.to_owned(), version });
        }
        newest = newest.max(Some(version));
    }
    newest.ok_or_else(|| BackupError::NotOurs { file: file.to_owned() })
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Nothing is thrown away unasked, and nothing of others ever.
async fn refuse_unsuited(connection: &mut PgConnection, replace: bool) -> Result<(), BackupError> {
    match companies(connection).await? {
        Some(companies) if companies > 0 && !replace => return Err(BackupError::Occupied { companies }),
        Some(_) => {}
        None => {
            let tables: Option<String> = sqlx::query_scalar(
                "SELECT string_agg(relname, ', ') FROM (
                     SELECT relname::text FROM pg_class
                     WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p') ORDER BY 1 LIMIT 5) t",
            )
            .fetch_one(&mut *connection)
            .await
            .map_err(StoreError::from)?;
            if let Some(tables) = tables {
                return Err(BackupError::Foreign { tables });
            }
        }
    }
    let sessions: i64 = sqlx::query_scalar(
        "SELECT count(*) FROM pg_stat_activity
         WHERE datname = current_database() AND pid <> pg_backend_pid() AND backend_type = 'client backend'",
    )
    .fetch_one(connection)
    .await
    .map_err(StoreError::from)?;
    if sessions > 0 { Err(BackupError::Busy { sessions }) } else { Ok(()) }
}

/// `pg_restore` writes statements, `psql` carries them out. The last word is said here, when both have come to a good
/// end: without it, nothing has happened.
async fn put_back(owner: &PgConnectOptions, tools: &Tools, file: &Path) -> Result<(), BackupError> {
    let mut from = tools.command("pg_restore", None);
    from.args(["--no-owner", "--no-privileges", "--no-comments", "--file=-"]).arg(file);
    let mut to = tools.command("psql", Some(owner));
    to.args(["--no-psqlrc", "--quiet", "--no-password", "--set=ON_ERROR_STOP=1", "--file=-"]).stdin(Stdio::piped());
    let spawn = |program, mut command: tokio::process::Command| {
        command.stderr(Stdio::piped()).spawn().map_err(|error| BackupError::failed(program, error.to_string()))
    };
    from.stdout(Stdio::piped());
    let (mut from, mut to) = (spawn("pg_restore", from)?, spawn("psql", to)?);
    let (Some(statements), Some(mut into)) = (from.stdout.take(), to.stdin.take()) else {
        return Err(BackupError::failed("pg_restore", "it has no output".into()));
    };
    let (said, heard) = (from.stderr.take(), to.stderr.take());
    let (said, heard) = (tokio::spawn(all(said)), tokio::spawn(all(heard)));
    let passed = pass_on(statements, &mut into).await;
    let written = from.wait().await.map_err(|error| BackupError::failed("pg_restore", error.to_string()))?;
    if written.success() && passed.is_ok() {
        let _ = into.write_all(b"\nCOMMIT;\n").await;
    }
    // Its input ends; a transaction that was not committed is undone.
    drop(into);
    let done = to.wait().await.map_err(|error| BackupError::failed("psql", error.to_string()))?;
    let (said, heard) = (said.await.unwrap_or_default(), heard.await.unwrap_or_default());
    // Of the two, whoever could not go on first has the reason: the other one only lost its partner.
    match (done.success(), written.success(), passed) {
        (true, true, Ok(())) => Ok(()),
        (false, _, _) => Err(tools::refused("psql", &heard)),
        (true, false, _) => Err(tools::refused("pg_restore", &said)),
        (true, true, Err(error)) => Err(BackupError::failed("psql", error.to_string())),
    }
}

async fn all(pipe: Option<impl AsyncReadExt + Unpin>) -> Vec<u8> {
    let mut text = Vec::new();
    if let Some(mut pipe) = pipe {
        let _ = pipe.read_to_end(&mut text).await;
    }
    text
}

/// Line by line, in a transaction that nobody has ended yet.
async fn pass_on(statements: ChildStdout, into: &mut ChildStdin) -> std::io::Result<()> {
    into.write_all(format!("BEGIN;\n{CLEAR}").as_bytes()).await?;
    let mut statements = BufReader::with_capacity(1 << 16, statements);
    let mut line = Vec::new();
    loop {
        line.clear();
        if statements.read_until(b'\n', &mut line).await? == 0 {
            return into.flush().await;
        }
        match for_this_owner(&line) {
            Some(own) => into.write_all(own.as_bytes()).await?,
            None => into.write_all(&line).await?,
        }
    }
}

/// Policies for the owner name the owner there was. Rows do not look like this: each begins with an identifier.
fn for_this_owner(line: &[u8]) -> Option<String> {
    let text = line.strip_prefix(b"CREATE POLICY owner_").and_then(|_| std::str::from_utf8(line).ok())?;
    let (head, rest) = text.split_once(" TO ")?;
    let ends = [" USING (", " WITH CHECK ("];
    let end = ends.iter().filter_map(|end| rest.find(end)).min()?;
    Some(format!("{head} TO CURRENT_USER{}", &rest[end..]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn policies_of_the_owner_are_for_whoever_restores() {
        let own = |line: &str| for_this_owner(line.as_bytes());
        assert_eq!(
            own("CREATE POLICY owner_reads ON public.token FOR SELECT TO \"Anna USING\" USING (true);\n").as_deref(),
            Some("CREATE POLICY owner_reads ON public.token FOR SELECT TO CURRENT_USER USING (true);\n")
        );
        assert_eq!(own("CREATE POLICY own_company ON public.crew USING (company_id = 1);\n"), None);
        assert_eq!(own("0195a9c6\tCREATE POLICY owner_reads TO x USING (\n"), None);
    }

    #[test]
    fn only_schemas_that_are_known_are_restored() {
        let file = Path::new("a.dump");
        let newest = MIGRATOR.iter().last().unwrap();
        let rows = |version: i64, checksum: &str| {
            format!(
                "--\nCOPY public._sqlx_migrations (version, success, checksum) FROM stdin;\n{version}\tt\t\\\\x{checksum}\n\\.\n"
            )
        };
        let sum = hex(&newest.checksum);
        assert_eq!(known_schema(&rows(newest.version, &sum), file).unwrap(), newest.version);
        let newer = known_schema(&rows(9_999, &sum), file).unwrap_err();
        assert!(matches!(newer, BackupError::Newer { version: 9_999, .. }), "{newer}");
        let other = known_schema(&rows(1, &sum), file).unwrap_err();
        assert!(matches!(other, BackupError::OtherSchema { version: 1, .. }), "{other}");
        assert!(matches!(known_schema("", file).unwrap_err(), BackupError::NotOurs { .. }));
    }
}
