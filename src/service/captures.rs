//! Plannings that took too long, or that the audit refused, kept as planning files to be replayed with `tackfree plan
//! FILE`. Off unless the operator names a folder: the files hold a company's houses, addresses and people. The folder
//! never holds more than so many of them and so many bytes: the oldest make room, those that were only slow first.

use super::ServiceError;
use crate::dto::{FILE_BYTES_MAX, PlanningFile};
use crate::measure::Planning;
use crate::planner::{Basis, Request};
use std::fs::{self, DirBuilder, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use uuid::Uuid;

/// Files kept: enough to see a pattern.
const FILES_MAX: usize = 20;
/// Bytes kept: a large company's file has some megabytes.
const BYTES_MAX: u64 = 256 << 20;
/// How our files' names begin; others in the folder are let be.
const NAME: &str = "planning-";

/// Why a planning is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Why {
    Slow,
    Refused,
}

impl Why {
    const fn word(self) -> &'static str {
        match self {
            Why::Slow => "slow",
            Why::Refused => "refused",
        }
    }
}

/// Where captured plannings go, and what is too long. The default keeps none. Cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct Captures(Option<Arc<Inner>>);

#[derive(Debug)]
struct Inner {
    directory: PathBuf,
    slow_after: Duration,
    /// One at a time makes room and writes.
    turn: Mutex<()>,
}

impl Captures {
    /// Into this folder, which is made if it is missing, and tried out.
    ///
    /// # Errors
    /// When nothing can be written there.
    pub fn into(directory: &Path, slow_after: Duration) -> io::Result<Captures> {
        DirBuilder::new().recursive(true).mode(0o700).create(directory)?;
        let trial = directory.join(format!(".{NAME}{}", Uuid::now_v7()));
        create(&trial)?;
        fs::remove_file(&trial)?;
        let inner = Inner { directory: directory.to_owned(), slow_after, turn: Mutex::new(()) };
        Ok(Captures(Some(Arc::new(inner))))
    }

    /// Plans, and keeps the file planned from if that took too long or was refused. Whatever goes wrong in keeping it is
    /// only logged.
    pub(super) fn watched<T>(
        &self,
        kind: Planning,
        (file, request): (&PlanningFile, Request),
        plan: impl FnOnce() -> Result<T, ServiceError>,
    ) -> Result<T, ServiceError> {
        let Some(inner) = &self.0 else { return plan() };
        let began = Instant::now();
        let planned = plan();
        let took = began.elapsed();
        let why = match &planned {
            Err(ServiceError::PlanRejected(_)) => Some(Why::Refused),
            _ if took >= inner.slow_after => Some(Why::Slow),
            _ => None,
        };
        if let Some(why) = why {
            let took_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
            match inner.keep(kind, why, file, request) {
                Ok(path) => {
                    let path = path.display().to_string();
                    let replay = format!("tackfree plan {path}{}", flags(request));
                    tracing::warn!(
                        path,
                        replay,
                        kind = kind.word(),
                        why = why.word(),
                        took_ms,
                        "a planning was captured"
                    );
                }
                Err(error) => {
                    tracing::warn!(%error, kind = kind.word(), why = why.word(), took_ms, "a planning was not captured");
                }
            }
        }
        planned
    }
}

/// What `tackfree plan` is asked for to plan the same way.
fn flags(request: Request) -> String {
    let basis = match request.basis {
        Basis::Published => "",
        Basis::Anew => " --anew",
        Basis::Repair => " --repair",
    };
    format!(" --seed {} --moves {}{basis}", request.seed, request.move_budget)
}

/// For its owner's eyes alone.
fn create(path: &Path) -> io::Result<fs::File> {
    OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)
}

impl Inner {
    fn keep(&self, kind: Planning, why: Why, file: &PlanningFile, request: Request) -> io::Result<PathBuf> {
        let text = serde_json::to_vec(file).map_err(io::Error::other)?;
        if text.len() > FILE_BYTES_MAX {
            return Err(io::Error::other(format!("{} bytes are more than can be replayed", text.len())));
        }
        let basis = flags(request).replace(" --", "-").replace(' ', "");
        // Identifiers rise with time, and so do the names.
        let name = format!("{NAME}{}-{}-{}{basis}.json", Uuid::now_v7(), kind.word(), why.word());
        let path = self.directory.join(&name);
        let _turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        self.make_room(text.len() as u64)?;
        let part = self.directory.join(format!(".{name}.part"));
        let written = create(&part).and_then(|mut out| out.write_all(&text)).and_then(|()| fs::rename(&part, &path));
        written.inspect_err(|_| drop(fs::remove_file(&part)))?;
        Ok(path)
    }

    /// For one more of so many bytes. Another server may share the folder and do the same.
    fn make_room(&self, bytes: u64) -> io::Result<()> {
        let mut kept = Vec::new();
        for entry in fs::read_dir(&self.directory)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.starts_with(NAME) && name.ends_with(".json") {
                // Gone meanwhile: it takes no room.
                let Ok(about) = entry.metadata() else { continue };
                kept.push((!name.contains("-slow-"), name, about.len()));
            }
        }
        // What is refused shows a defect, so it goes last.
        kept.sort();
        let mut total: u64 = kept.iter().map(|(_, _, bytes)| bytes).sum();
        let mut left = kept.len();
        for (_, name, own) in kept {
            if left < FILES_MAX && total + bytes <= BYTES_MAX {
                break;
            }
            match fs::remove_file(self.directory.join(name)) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
                _ => {}
            }
            (left, total) = (left - 1, total - own);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dto::read_json;

    fn file() -> PlanningFile {
        let text = r#"{"format": "tackfree-planning/1", "now": "2026-03-09T06:00:00-04:00",
            "settings": {"time_zone": "America/New_York"}, "crews": [], "houses": [], "jobs": []}"#;
        read_json(text, FILE_BYTES_MAX).unwrap()
    }

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn what_is_refused_or_slow_is_kept_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let watched = |slow_after: Duration, outcome: Result<(), ServiceError>| {
            let captures = Captures::into(&folder.path().join("captured"), slow_after).unwrap();
            let _ = captures.watched(Planning::Draft, (&file(), Request::repair()), || outcome);
            names(&folder.path().join("captured"))
        };
        let hour = Duration::from_secs(3_600);
        assert_eq!(watched(hour, Ok(())), [""; 0]);
        assert_eq!(watched(hour, Err(ServiceError::PlanningBusy)), [""; 0]);
        let refused = watched(hour, Err(ServiceError::PlanRejected(2)));
        assert!(matches!(&refused[..], [name] if name.contains("-draft-refused-seed1-moves")), "{refused:?}");
        let both = watched(Duration::ZERO, Ok(()));
        assert!(
            matches!(&both[..], [_, name] if name.contains("-draft-slow-") && name.ends_with("-repair.json")),
            "{both:?}"
        );
        let kept = fs::read_to_string(folder.path().join("captured").join(&both[1])).unwrap();
        assert_eq!(kept, serde_json::to_string(&file()).unwrap());
    }

    #[test]
    fn the_oldest_make_room_and_those_that_were_only_slow_first() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("notes.txt"), "not ours").unwrap();
        let captures = Captures::into(folder.path(), Duration::ZERO).unwrap();
        let capture = |outcome| drop(captures.watched(Planning::Repair, (&file(), Request::new()), || outcome));
        let all = || names(folder.path()).into_iter().filter(|name| name.starts_with(NAME)).collect::<Vec<String>>();
        capture(Err::<(), _>(ServiceError::PlanRejected(1)));
        let refused = all();
        for _ in 0..FILES_MAX + 5 {
            capture(Ok(()));
        }
        assert_eq!(all().len(), FILES_MAX);
        assert!(all().contains(&refused[0]), "it outlives younger ones that were only slow");
        for _ in 0..FILES_MAX {
            capture(Err(ServiceError::PlanRejected(1)));
        }
        assert_eq!(all().len(), FILES_MAX);
        assert!(!all().contains(&refused[0]) && all().iter().all(|name| name.contains("-refused-")));
        assert!(folder.path().join("notes.txt").exists());
        // By bytes as well: a large one of ours makes room for a small one.
        let large = folder.path().join(format!("{NAME}0-draft-slow-.json"));
        fs::File::create(&large).unwrap().set_len(BYTES_MAX).unwrap();
        capture(Err(ServiceError::PlanRejected(1)));
        assert!(!large.exists());
    }

    #[test]
    fn a_folder_that_cannot_be_written_to_is_told_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        fs::write(&file, "").unwrap();
        assert!(Captures::into(&file.join("within"), Duration::ZERO).is_err());
    }
}
