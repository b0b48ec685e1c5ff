//! Backups of the whole database, all companies at once, and putting one back: `pg_dump` and `pg_restore` do it, and
//! here is what they cannot know: that row security hides nothing from a backup, that nothing is overwritten unasked,
//! that it happens wholly or not at all, and that the rights of the login role are there afterwards.
//!
//! | file | what |
//! |---|---|
//! | `mod` | making a backup |
//! | `restore` | putting one back |
//! | `tools` | finding PostgreSQL's own programs, and running them |
//! | `error` | code, cause and cure |

mod error;
mod restore;
mod tools;

pub use error::BackupError;
pub use restore::{Restored, restore};

use super::StoreError;
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions, Connection, PgConnection};
use std::fs::{self, File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use tools::Tools;

/// While this is set, the owner sees all rows: row security holds it, too, where it is no superuser. Nobody else gains
/// anything by setting it.
const BACKUP_SETTING: &str = "app.backup";

/// A backup that was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BackedUp {
    /// Its size.
    pub bytes: u64,
    /// Companies in it, as far as nobody has founded or restored one meanwhile.
    pub companies: i64,
}

/// Writes everything into `file`, as of one moment, while servers go on serving. The file has its name only when it is
/// whole, is for its owner's eyes alone, and never takes another's place.
///
/// # Errors
/// `FileExists`, `NoTools`, `ToolFailed`, `Io`, and those of the database.
pub async fn back_up(owner: &PgConnectOptions, binaries: Option<&Path>, file: &Path) -> Result<BackedUp, BackupError> {
    if file.exists() {
        return Err(BackupError::FileExists { file: file.to_owned() });
    }
    let mut connection = owner.connect().await.map_err(StoreError::from)?;
    let companies = companies(&mut connection).await?.ok_or(BackupError::NothingThere)?;
    let_owner_back_up(&mut connection).await?;
    let tools = Tools::find(&mut connection, binaries).await?;
    connection.close().await.map_err(StoreError::from)?;

    let part = part_of(file);
    let dumped = dump(owner, &tools, &part).await;
    let bytes = match dumped {
        Ok(bytes) => bytes,
        Err(error) => {
            let _ = fs::remove_file(&part);
            return Err(error);
        }
    };
    if file.exists() {
        let _ = fs::remove_file(&part);
        return Err(BackupError::FileExists { file: file.to_owned() });
    }
    fs::rename(&part, file).map_err(BackupError::io("cannot name", file))?;
    sync_folder(file)?;
    Ok(BackedUp { bytes, companies })
}

async fn dump(owner: &PgConnectOptions, tools: &Tools, part: &Path) -> Result<u64, BackupError> {
    let out = OpenOptions::new().write(true).create_new(true).mode(0o600).open(part);
    let out = out.map_err(BackupError::io("cannot write", part))?;
    let copy = out.try_clone().map_err(BackupError::io("cannot write", part))?;
    let mut dump = tools.command("pg_dump", Some(owner));
    dump.args(["--format=custom", "--enable-row-security", "--no-password"]).stdout(copy);
    dump.env("PGOPTIONS", format!("-c {BACKUP_SETTING}=on"));
    tools::run("pg_dump", dump).await?;
    out.sync_all().map_err(BackupError::io("cannot write", part))?;
    // What cannot be read back is no backup.
    restore::examine(tools, part).await?;
    Ok(out.metadata().map_err(BackupError::io("cannot read", part))?.len())
}

/// Beside the file, so that it can be named in one step; of this process, so that two do not meet.
fn part_of(file: &Path) -> PathBuf {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    file.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

/// A name is kept when the folder is.
fn sync_folder(file: &Path) -> Result<(), BackupError> {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(BackupError::io("cannot write", folder))
}

/// How many companies the database holds; `None` where it is not this program's.
async fn companies(connection: &mut PgConnection) -> Result<Option<i64>, StoreError> {
    let ours =
        "SELECT to_regclass('public.company') IS NOT NULL AND to_regclass('public._sqlx_migrations') IS NOT NULL";
    if !sqlx::query_scalar::<_, bool>(ours).fetch_one(&mut *connection).await? {
        return Ok(None);
    }
    Ok(Some(sqlx::query_scalar("SELECT count(*) FROM company").fetch_one(connection).await?))
}

/// Every table under row security has a policy by which the owner sees all of it while it says that it makes a backup.
/// Not in a migration, so that no table that comes later can be forgotten.
///
/// # Errors
/// `Unavailable`, `Broken`.
pub(super) async fn let_owner_back_up(connection: &mut PgConnection) -> Result<(), StoreError> {
    let statements: Vec<String> = sqlx::query_scalar(
        "SELECT format('CREATE POLICY owner_backs_up ON %I FOR SELECT TO CURRENT_USER
                            USING (current_setting(''app.backup'', true) = ''on'')', c.relname)
         FROM pg_class c
         WHERE c.relnamespace = 'public'::regnamespace AND c.relrowsecurity
           AND NOT EXISTS (SELECT FROM pg_policy p WHERE p.polrelid = c.oid AND p.polname = 'owner_backs_up')
         ORDER BY c.relname",
    )
    .fetch_all(&mut *connection)
    .await?;
    if !statements.is_empty() {
        sqlx::raw_sql(AssertSqlSafe(statements.join("; "))).execute(connection).await?;
    }
    Ok(())
}
