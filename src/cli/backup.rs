//! `backup` and `restore`: everything of all companies into one file, and back.

use super::Refusal;
use super::database::DatabaseArguments;
use crate::store::backup::{BackedUp, Restored};
use std::path::PathBuf;

/// What `backup` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct BackupArguments {
    /// File to write (pg_dump's custom format); it must not be there yet
    pub file: PathBuf,
}

/// What `restore` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct RestoreArguments {
    /// File that `backup` has written
    pub file: PathBuf,
    /// Throw away all companies that are in the database now
    #[arg(long)]
    pub replace: bool,
}

/// Writes everything into a file, while servers go on serving.
pub async fn back_up(database: &DatabaseArguments, arguments: &BackupArguments) -> Result<String, Refusal> {
    let BackedUp { bytes, companies } = database.back_up(&arguments.file).await?;
    let file = arguments.file.display();
    Ok(format!("{file}: {companies} companies, {bytes} bytes; everybody's data and every secret's hash are in it\n"))
}

/// Puts a backup back.
pub async fn restore(database: &DatabaseArguments, arguments: &RestoreArguments) -> Result<String, Refusal> {
    let Restored { companies, schema } = database.restore(&arguments.file, arguments.replace).await?;
    let file = arguments.file.display();
    Ok(format!("{file} is restored: {companies} companies; its schema was version {schema} and is the newest now\n"))
}
