//! Finding `postgres` and `initdb`: the setting, then PATH, then the folders in which distributions put them.
//! Their versions are asked here, too.

use super::account::{Account, blocked_at};
use super::place::Place;
use super::process::command;
use super::{ClusterError, OLDEST_MAJOR};
use std::env;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Folders with versions in them: (parent, what the version's folder begins with, what follows it).
///
/// Debian and Ubuntu; PostgreSQL's own packages for Fedora and its kin; openSUSE; Alpine; Homebrew on both kinds
/// of Mac and on Linux; Postgres.app.
const VERSIONED: [(&str, &str, &str); 8] = [
    ("/usr/lib/postgresql", "", "bin"),
    ("/usr", "pgsql-", "bin"),
    ("/usr/lib", "postgresql", "bin"),
    ("/usr/libexec", "postgresql", ""),
    ("/opt/homebrew/opt", "postgresql@", "bin"),
    ("/usr/local/opt", "postgresql@", "bin"),
    ("/home/linuxbrew/.linuxbrew/opt", "postgresql@", "bin"),
    ("/Applications/Postgres.app/Contents/Versions", "", "bin"),
];
/// `postgres --version` answers in milliseconds; a program that does not is not PostgreSQL.
const VERSION_PATIENCE: Duration = Duration::from_secs(10);

/// A folder that holds `postgres` and `initdb` of one version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Binaries {
    pub folder: PathBuf,
    pub major: u32,
}

impl Binaries {
    pub fn postgres(&self) -> PathBuf {
        self.folder.join("postgres")
    }

    pub fn initdb(&self) -> PathBuf {
        self.folder.join("initdb")
    }
}

/// The programs to use: those of the data's own version when there is data, otherwise the first that are new enough.
///
/// They are asked for their version as the user who will run PostgreSQL and from where the data is, so that both
/// are known to be reachable afterwards.
pub(super) async fn find(
    setting: Option<&Path>,
    place: &Place,
    account: Option<&Account>,
) -> Result<Binaries, ClusterError> {
    let data = place.major()?;
    let folders = match setting {
        Some(folder) => vec![complete(folder).ok_or(ClusterError::BinariesFolder { folder: folder.to_owned() })?],
        None => candidates(),
    };
    let mut found: Vec<Binaries> = Vec::new();
    let mut unusable = None;
    for folder in folders {
        match major_of(&folder, place, account).await {
            Ok(major) if major >= OLDEST_MAJOR && data.is_none_or(|data| data == major) => {
                return Ok(Binaries { folder, major });
            }
            Ok(major) => found.push(Binaries { folder, major }),
            Err(error) => unusable = unusable.or(Some(error)),
        }
    }
    let newest = found.iter().max_by_key(|binaries| binaries.major);
    match (newest, data) {
        (None, _) => Err(unusable.unwrap_or(ClusterError::NoBinaries)),
        (Some(newest), _) if newest.major < OLDEST_MAJOR => {
            Err(ClusterError::TooOld { folder: newest.folder.clone(), major: newest.major })
        }
        (Some(newest), data) => {
            let mut majors: Vec<u32> = found.iter().map(|binaries| binaries.major).collect();
            majors.sort_unstable();
            majors.dedup();
            let data = data.unwrap_or(newest.major);
            Err(ClusterError::OtherMajor { directory: place.data(), data, found: majors })
        }
    }
}

/// Every folder in the usual places that holds both programs, in order of preference, none twice.
fn candidates() -> Vec<PathBuf> {
    let on_path: Vec<PathBuf> = env::var_os("PATH").map(|path| env::split_paths(&path).collect()).unwrap_or_default();
    let versioned = VERSIONED.iter().flat_map(|(parent, prefix, rest)| newest_first(Path::new(parent), prefix, rest));
    let mut folders = Vec::new();
    for folder in on_path.into_iter().filter(|folder| folder.is_absolute()).chain(versioned) {
        if let Some(folder) = complete(&folder)
            && !folders.contains(&folder)
        {
            folders.push(folder);
        }
    }
    folders
}

/// Folders that hold `pg_dump`, `pg_restore` and `psql`, with their major version: the setting's alone, or those of
/// versions before PATH, because Debian's on PATH choose a version of their own.
pub(in crate::store) async fn client_folders(setting: Option<&Path>) -> Vec<(PathBuf, u32)> {
    let on_path: Vec<PathBuf> = env::var_os("PATH").map(|path| env::split_paths(&path).collect()).unwrap_or_default();
    let versioned = VERSIONED.iter().flat_map(|(parent, prefix, rest)| newest_first(Path::new(parent), prefix, rest));
    let folders: Vec<PathBuf> = match setting {
        Some(folder) => vec![folder.to_owned()],
        None => versioned.chain(on_path.into_iter().filter(|folder| folder.is_absolute())).collect(),
    };
    let mut found = Vec::new();
    for folder in folders {
        if ["pg_dump", "pg_restore", "psql"].iter().all(|program| folder.join(program).is_file())
            && let Some(major) = client_major(&folder).await
        {
            found.push((folder, major));
        }
    }
    found
}

async fn client_major(folder: &Path) -> Option<u32> {
    let mut run = command(&folder.join("pg_dump"), folder, None);
    run.arg("--version").kill_on_drop(true);
    let output = tokio::time::timeout(VERSION_PATIENCE, run.output()).await.ok()?.ok()?;
    parse_major(&String::from_utf8_lossy(&output.stdout))
}

/// The folder where `postgres` really is (on PATH it may be a link), if `initdb` is there as well.
fn complete(folder: &Path) -> Option<PathBuf> {
    let postgres = folder.join("postgres").canonicalize().ok()?;
    let real = postgres.parent()?;
    let whole = |folder: &Path| folder.join("postgres").is_file() && folder.join("initdb").is_file();
    [real, folder].into_iter().find(|folder| whole(folder)).map(Path::to_path_buf)
}

fn newest_first(parent: &Path, prefix: &str, rest: &str) -> Vec<PathBuf> {
    let version = |name: &str| {
        let digits: String = name.strip_prefix(prefix)?.chars().take_while(char::is_ascii_digit).collect();
        digits.parse::<u32>().ok()
    };
    let entries = fs::read_dir(parent).into_iter().flatten().flatten();
    let mut folders: Vec<(u32, PathBuf)> =
        entries.filter_map(|entry| Some((version(entry.file_name().to_str()?)?, entry.path().join(rest)))).collect();
    folders.sort_by(|a, b| b.cmp(a));
    folders.into_iter().map(|(_, folder)| folder).collect()
}

async fn major_of(folder: &Path, place: &Place, account: Option<&Account>) -> Result<u32, ClusterError> {
    let binary = folder.join("postgres");
    let unusable = |reason: String| ClusterError::BinaryUnusable { binary: binary.clone(), reason };
    let mut run = command(&binary, place.nearest_existing(), account);
    run.arg("--version").kill_on_drop(true);
    let output = match tokio::time::timeout(VERSION_PATIENCE, run.output()).await {
        Ok(Ok(output)) => output,
        Ok(Err(error)) => return Err(refused(error, &binary, place, account)),
        Err(_) => return Err(unusable(format!("no answer to --version in {} s", VERSION_PATIENCE.as_secs()))),
    };
    let text = String::from_utf8_lossy(&output.stdout);
    parse_major(&text).ok_or_else(|| {
        let said = if text.trim().is_empty() { String::from_utf8_lossy(&output.stderr) } else { text.clone() };
        unusable(format!("it says {:?} when asked for its version", said.trim()))
    })
}

/// A program that cannot be started is not allowed to us itself, or the folder it is to start in is not.
fn refused(error: io::Error, binary: &Path, place: &Place, account: Option<&Account>) -> ClusterError {
    if error.kind() == io::ErrorKind::PermissionDenied
        && let Some(account) = account
    {
        for path in [place.nearest_existing(), binary] {
            if let Some(blocked) = blocked_at(path, account) {
                return ClusterError::NotTraversable { path: path.to_owned(), blocked, user: account.name.clone() };
            }
        }
    }
    ClusterError::BinaryUnusable { binary: binary.to_owned(), reason: error.to_string() }
}

/// The major version in a line such as `postgres (PostgreSQL) 15.14 (Debian 15.14-0+deb12u1)` or `... 18beta1`.
fn parse_major(line: &str) -> Option<u32> {
    let version = line.split("(PostgreSQL) ").nth(1)?;
    let digits = version.split(|c: char| !c.is_ascii_digit()).next()?;
    digits.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_read_from_every_form_of_the_line() {
        assert_eq!(parse_major("postgres (PostgreSQL) 15.14 (Debian 15.14-0+deb12u1)\n"), Some(15));
        assert_eq!(parse_major("postgres (PostgreSQL) 18beta1\n"), Some(18));
        assert_eq!(parse_major("postgres (PostgreSQL) 9.6.24"), Some(9));
        assert_eq!(parse_major("BusyBox 1.36"), None);
    }

    #[test]
    fn newer_versions_come_first_and_other_names_are_skipped() {
        let parent = tempfile::tempdir().unwrap();
        for name in ["postgresql@9", "postgresql@17", "postgresql@15", "postgresql", "python@3"] {
            fs::create_dir(parent.path().join(name)).unwrap();
        }
        let names: Vec<PathBuf> = newest_first(parent.path(), "postgresql@", "bin");
        let expected = ["postgresql@17", "postgresql@15", "postgresql@9"];
        assert_eq!(names, expected.map(|name| parent.path().join(name).join("bin")));
    }

    #[test]
    fn a_linked_postgres_leads_to_the_folder_that_holds_initdb_too() {
        let parent = tempfile::tempdir().unwrap();
        let (real, path) = (parent.path().join("real"), parent.path().join("path"));
        fs::create_dir(&real).unwrap();
        fs::create_dir(&path).unwrap();
        fs::write(real.join("postgres"), "").unwrap();
        std::os::unix::fs::symlink(real.join("postgres"), path.join("postgres")).unwrap();
        assert_eq!(complete(&path), None, "no initdb anywhere");
        fs::write(real.join("initdb"), "").unwrap();
        assert_eq!(complete(&path), Some(real.canonicalize().unwrap()));
    }
}
