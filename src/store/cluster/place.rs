//! The data directory: what lies where in it, who may enter, and the lock that makes one program its owner.
//! No process is started here.
//!
//! ```text
//! lock                 held (flock) while a program owns the directory; its text is that program's number
//! postgres/            PostgreSQL's own data directory, 0700
//! postgres.new-*/      an initdb that has not finished; removed by the next start
//! postgres.log         what PostgreSQL writes to its standard error
//! socket/              the Unix socket, 0700
//! ```
//! When the program is root, only `postgres/` and `socket/` belong to the unprivileged user: that user can then
//! neither replace the files that root opens (lock, log) nor the folders that root renames.

use super::account::Account;
use super::{ClusterError, SOCKET_PORT};
use rustix::fs::OFlags;
use rustix::process::geteuid;
use std::fs::{self, DirBuilder, File, OpenOptions, Permissions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt, lchown};
use std::path::{Path, PathBuf};

/// The longest path of a Unix socket in bytes: the size of `sun_path` less the closing zero.
const SOCKET_PATH_MAX_BYTES: usize = if cfg!(target_os = "linux") { 107 } else { 103 };
/// A log longer than this is set aside at the next start; one older log is kept.
const LOG_MAX_BYTES: u64 = 4 << 20;
/// How much of a log's end an error may quote.
const QUOTE_MAX_BYTES: u64 = 8 << 10;
const QUOTE_MAX_LINES: usize = 20;
const UNFINISHED: &str = "postgres.new-";

/// A data directory whose path has been resolved; it need not exist yet.
#[derive(Debug, Clone)]
pub(super) struct Place {
    root: PathBuf,
}

/// The lock on a data directory; given back when dropped, or by the system when the program dies.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Place {
    /// Resolves `directory` (links followed as far as it exists) and checks that the socket's path is not too long.
    pub fn resolve(directory: &Path) -> Result<Place, ClusterError> {
        let absolute = std::path::absolute(directory).map_err(ClusterError::io("cannot resolve", directory))?;
        let existing = nearest_existing(&absolute);
        let resolved = existing.canonicalize().map_err(ClusterError::io("cannot resolve", existing))?;
        let rest = absolute.strip_prefix(existing).unwrap_or(Path::new(""));
        // `join` with nothing would add a slash at the end.
        let root = if rest.as_os_str().is_empty() { resolved } else { resolved.join(rest) };
        let place = Place { root };
        let socket = place.socket().join(format!(".s.PGSQL.{SOCKET_PORT}"));
        let bytes = socket.as_os_str().as_bytes().len();
        if bytes > SOCKET_PATH_MAX_BYTES {
            return Err(ClusterError::SocketPathTooLong { path: socket, bytes, limit: SOCKET_PATH_MAX_BYTES });
        }
        Ok(place)
    }

    pub fn root(&self) -> &Path {
        &self.root
    }

    pub fn data(&self) -> PathBuf {
        self.root.join("postgres")
    }

    pub fn socket(&self) -> PathBuf {
        self.root.join("socket")
    }

    pub fn log(&self) -> PathBuf {
        self.root.join("postgres.log")
    }

    /// The directory itself, or the folder in which it will be created.
    pub fn nearest_existing(&self) -> &Path {
        nearest_existing(&self.root)
    }

    /// The major version that wrote the data; `None` when there is none yet.
    pub fn major(&self) -> Result<Option<u32>, ClusterError> {
        let data = self.data();
        if !data.exists() {
            return Ok(None);
        }
        let text = fs::read_to_string(data.join("PG_VERSION")).unwrap_or_default();
        let major = text.trim().split('.').next().and_then(|word| word.parse().ok());
        major.map(Some).ok_or(ClusterError::NotACluster { path: data })
    }

    /// Creates the directory and its missing parents: for the program's user alone or, when that is root, with
    /// passage (but no listing) for the user that PostgreSQL runs as.
    pub fn create(&self) -> Result<(), ClusterError> {
        let mode = if geteuid().is_root() { 0o711 } else { 0o700 };
        let existing = self.nearest_existing().to_owned();
        let mut missing: Vec<&Path> = self.root.ancestors().take_while(|folder| *folder != existing).collect();
        missing.reverse();
        for folder in missing {
            match DirBuilder::new().mode(mode).create(folder) {
                Ok(()) => {
                    // A strict umask would have taken the passage away again.
                    fs::set_permissions(folder, Permissions::from_mode(mode))
                        .map_err(ClusterError::io("cannot open up", folder))?;
                }
                // Another program may be starting in the same place; the lock will tell.
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(ClusterError::io("cannot create", folder)(error)),
            }
        }
        Ok(())
    }

    /// Takes the lock, or says who has it.
    pub fn lock(&self) -> Result<Lock, ClusterError> {
        let path = self.root.join("lock");
        let mut file = open_own(OpenOptions::new().read(true).write(true).create(true).truncate(false), &path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut text = String::new();
                let pid = file.read_to_string(&mut text).ok().and_then(|_| text.trim().parse().ok());
                return Err(ClusterError::InUse { directory: self.root.clone(), pid });
            }
            Err(TryLockError::Error(error)) => return Err(ClusterError::io("cannot lock", &path)(error)),
        }
        let write = |file: &mut File| {
            file.set_len(0)?;
            file.seek(SeekFrom::Start(0))?;
            writeln!(file, "{}", std::process::id())
        };
        write(&mut file).map_err(ClusterError::io("cannot write", &path))?;
        Ok(Lock { _file: file })
    }

    /// Makes an empty socket directory. Whatever an earlier PostgreSQL left there is gone: a stale `.lock` whose
    /// process number has been given to somebody else would keep the next one from starting.
    pub fn renew_socket_directory(&self, account: Option<&Account>) -> Result<(), ClusterError> {
        let socket = self.socket();
        remove_tree(&socket)?;
        create_private(&socket, account)
    }

    /// Removes what unfinished initdb runs have left.
    pub fn remove_unfinished(&self) -> Result<(), ClusterError> {
        let entries = fs::read_dir(&self.root).map_err(ClusterError::io("cannot read", &self.root))?;
        for entry in entries.flatten() {
            if entry.file_name().as_bytes().starts_with(UNFINISHED.as_bytes())
                && let Err(error) = remove_tree(&entry.path())
            {
                // An orphaned initdb may still be writing into it; it fails by itself and the next start removes the rest.
                tracing::warn!(%error, "an unfinished initdb could not be removed");
            }
        }
        Ok(())
    }

    /// Makes an empty folder for an initdb. Its name is new each time, so that an orphaned initdb of a killed
    /// program can never write into the folder of its successor.
    pub fn create_unfinished(&self, account: Option<&Account>) -> Result<PathBuf, ClusterError> {
        let folder = self.root.join(format!("{UNFINISHED}{}", uuid::Uuid::new_v4().simple()));
        create_private(&folder, account)?;
        Ok(folder)
    }

    /// Turns a finished initdb into the data directory, in one step; with `durable`, for good.
    pub fn accept(&self, finished: &Path, durable: bool) -> Result<(), ClusterError> {
        let data = self.data();
        fs::rename(finished, &data).map_err(ClusterError::io("cannot put in place", &data))?;
        if durable {
            let sync = || File::open(&self.root)?.sync_all();
            sync().map_err(ClusterError::io("cannot sync", &self.root))?;
        }
        Ok(())
    }

    /// Opens the log for appending and tells where the coming run's lines begin.
    pub fn open_log(&self) -> Result<(File, u64), ClusterError> {
        let path = self.log();
        if fs::symlink_metadata(&path).is_ok_and(|log| log.len() > LOG_MAX_BYTES) {
            let aside = self.root.join("postgres.log.1");
            fs::rename(&path, &aside).map_err(ClusterError::io("cannot set aside", &path))?;
        }
        let file = open_own(OpenOptions::new().append(true).create(true), &path)?;
        let begin = file.metadata().map_err(ClusterError::io("cannot read", &path))?.len();
        Ok((file, begin))
    }

    /// The log's last lines, none of them before byte `begin`.
    pub fn log_tail(&self, begin: u64) -> String {
        let read = || -> std::io::Result<Vec<u8>> {
            let mut file = File::open(self.log())?;
            let end = file.metadata()?.len();
            file.seek(SeekFrom::Start(begin.max(end.saturating_sub(QUOTE_MAX_BYTES))))?;
            let mut bytes = Vec::new();
            file.take(QUOTE_MAX_BYTES).read_to_end(&mut bytes)?;
            Ok(bytes)
        };
        last_lines(&read().unwrap_or_default())
    }
}

/// The last lines of a program's output, as far as they are worth quoting.
pub(super) fn last_lines(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let lines: Vec<&str> = text.trim_end().lines().collect();
    lines[lines.len().saturating_sub(QUOTE_MAX_LINES)..].join("\n")
}

fn nearest_existing(path: &Path) -> &Path {
    path.ancestors().find(|folder| folder.exists()).unwrap_or(Path::new("/"))
}

/// Opens a file of ours: private, and never through a link that somebody else may have put there.
fn open_own(options: &mut OpenOptions, path: &Path) -> Result<File, ClusterError> {
    let no_link = i32::try_from(OFlags::NOFOLLOW.bits()).unwrap_or(0);
    options.mode(0o600).custom_flags(no_link).open(path).map_err(ClusterError::io("cannot open", path))
}

fn create_private(folder: &Path, account: Option<&Account>) -> Result<(), ClusterError> {
    DirBuilder::new().mode(0o700).create(folder).map_err(ClusterError::io("cannot create", folder))?;
    if let Some(account) = account {
        lchown(folder, Some(account.uid), Some(account.gid)).map_err(ClusterError::io("cannot hand over", folder))?;
    }
    Ok(())
}

fn remove_tree(path: &Path) -> Result<(), ClusterError> {
    match fs::remove_dir_all(path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            Err(ClusterError::io("cannot remove", path)(error))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_too_long_for_a_socket_is_refused_before_anything_is_created() {
        let fits = format!("/nowhere/{}", "x".repeat(SOCKET_PATH_MAX_BYTES - "/nowhere//socket/.s.PGSQL.5432".len()));
        assert!(Place::resolve(Path::new(&fits)).is_ok());
        let error = Place::resolve(Path::new(&(fits + "x"))).unwrap_err();
        assert_eq!(error.code(), "cluster-socket-path-too-long");
        assert!(error.to_string().contains(&format!("{} bytes long", SOCKET_PATH_MAX_BYTES + 1)), "{error}");
    }

    #[test]
    fn only_the_last_lines_are_quoted() {
        let text: String = (0..50).map(|line| format!("line {line}\n")).collect();
        let tail = last_lines(text.as_bytes());
        assert_eq!(tail.lines().count(), QUOTE_MAX_LINES);
        assert!(tail.ends_with("line 49"));
    }
}
