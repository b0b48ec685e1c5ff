//! Processes of PostgreSQL: how each is started (user, environment, folder), the running postmaster, and the one
//! that a killed program has left behind. Every process is told to stop by its own number only.

use super::account::Account;
use super::binaries::Binaries;
use super::place::{Place, last_lines};
use super::{ClusterError, settings};
use rustix::process::{Pid, Signal, kill_process, test_kill_process};
use std::ffi::OsStr;
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::process::{ExitStatus, Stdio};
use std::time::{Duration, Instant};
use tokio::process::{Child, Command};
use tokio::time::{sleep, timeout};

/// What postgres and initdb get of our environment: how to find programs and libraries, nothing else. `DATABASE_URL`,
/// `PG*` and secrets stay here.
const PASSED_ON: [&str; 4] = ["PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "DYLD_FALLBACK_LIBRARY_PATH"];
/// Crash recovery of a full write-ahead log takes minutes on a slow disk.
const START_PATIENCE: Duration = Duration::from_secs(300);
/// Backends of a killed postmaster end when they next look up from their work; until then a new one refuses to start.
const PREDECESSOR_PATIENCE: Duration = Duration::from_secs(20);
/// initdb takes half a second; a very slow disk may need a hundred times as long.
const INITDB_PATIENCE: Duration = Duration::from_secs(300);
const READY_POLL: Duration = Duration::from_millis(4);
const STOP_POLL: Duration = Duration::from_millis(10);
/// Fast shutdown (sessions ended, checkpoint written), immediate shutdown (recovery at the next start), then force.
const STOP_STAGES: [(Signal, Duration); 3] = [
    (Signal::INT, Duration::from_secs(30)),
    (Signal::QUIT, Duration::from_secs(6)),
    (Signal::KILL, Duration::from_secs(6)),
];
/// What postgres says when a predecessor has not quite gone. In English: `LC_ALL` is C until its configuration is
/// read, and `lc_messages` is C after that.
const PREDECESSOR_SIGNS: [&str; 2] =
    ["lock file \"postmaster.pid\" already exists", "pre-existing shared memory block"];

/// A command for a program of PostgreSQL, as the right user, in a folder that this user can enter.
pub(super) fn command(program: &Path, folder: &Path, account: Option<&Account>) -> Command {
    let mut command = Command::new(program);
    command.env_clear().env("LC_ALL", "C").current_dir(folder).stdin(Stdio::null());
    for name in PASSED_ON {
        if let Some(value) = std::env::var_os(name) {
            command.env(name, value);
        }
    }
    if let Some(account) = account {
        // The standard library also empties the list of supplementary groups here.
        command.uid(account.uid).gid(account.gid);
    }
    command
}

/// Creates the data in a folder of its own and puts it in place only when it is whole.
pub(super) async fn initdb(
    place: &Place,
    binaries: &Binaries,
    account: Option<&Account>,
    durable: bool,
) -> Result<(), ClusterError> {
    let unfinished = place.create_unfinished(account)?;
    let program = binaries.initdb();
    let mut run = command(&program, &unfinished, account);
    run.arg("--pgdata").arg(&unfinished).args(settings::initdb()).kill_on_drop(true);
    if !durable {
        run.arg("--no-sync");
    }
    let output = match timeout(INITDB_PATIENCE, run.output()).await {
        Ok(output) => output.map_err(ClusterError::io("cannot run", &program))?,
        Err(elapsed) => return Err(ClusterError::io("no end of", &program)(elapsed.into())),
    };
    if !output.status.success() {
        let said = [output.stdout, output.stderr].concat();
        return Err(ClusterError::InitdbFailed { status: output.status, output: last_lines(&said) });
    }
    place.accept(&unfinished, durable)
}

/// A postmaster that is our child. Dropped without [`Postmaster::stop`], it is told to shut down but not waited for.
#[derive(Debug)]
pub(super) struct Postmaster {
    child: Child,
    log_begin: u64,
}

impl Postmaster {
    /// Starts PostgreSQL and returns when it accepts connections.
    pub async fn start(
        place: &Place,
        binaries: &Binaries,
        account: Option<&Account>,
        durable: bool,
    ) -> Result<Postmaster, ClusterError> {
        let begin = Instant::now();
        loop {
            stop_orphan(place).await?;
            place.renew_socket_directory(account)?;
            let mut postmaster = Postmaster::spawn(place, binaries, account, durable)?;
            let Some(status) = postmaster.ready(place).await? else { return Ok(postmaster) };
            let output = place.log_tail(postmaster.log_begin);
            let predecessor = PREDECESSOR_SIGNS.iter().any(|sign| output.contains(sign));
            if !predecessor || begin.elapsed() > PREDECESSOR_PATIENCE {
                return Err(ClusterError::StartFailed { status, log: place.log(), output });
            }
            sleep(STOP_POLL * 10).await;
        }
    }

    fn spawn(
        place: &Place,
        binaries: &Binaries,
        account: Option<&Account>,
        durable: bool,
    ) -> Result<Self, ClusterError> {
        let (log, log_begin) = place.open_log()?;
        let also = log.try_clone().map_err(ClusterError::io("cannot open", &place.log()))?;
        let data = place.data();
        let mut run = command(&binaries.postgres(), &data, account);
        run.arg("-D").arg(&data).args(settings::postgres(&place.socket(), durable)).stdout(log).stderr(also);
        // Ctrl-C reaches the whole foreground group; the order to stop must come from us, after the last commit.
        run.process_group(0);
        let child = run.spawn().map_err(ClusterError::io("cannot run", &binaries.postgres()))?;
        Ok(Postmaster { child, log_begin })
    }

    /// `None` when ready; how it ended when it did so before.
    async fn ready(&mut self, place: &Place) -> Result<Option<ExitStatus>, ClusterError> {
        let begin = Instant::now();
        let pid_file = place.data().join("postmaster.pid");
        while begin.elapsed() < START_PATIENCE {
            if let Ok(ended) = timeout(READY_POLL, self.child.wait()).await {
                return ended.map(Some).map_err(ClusterError::io("cannot wait for", &place.data()));
            }
            let text = fs::read_to_string(&pid_file).unwrap_or_default();
            let mut lines = text.lines().map(str::trim);
            // Line 1 is the number of the process, line 8 its state.
            if lines.next().and_then(|line| line.parse().ok()) == self.child.id() && lines.nth(6) == Some("ready") {
                return Ok(None);
            }
        }
        let output = place.log_tail(self.log_begin);
        self.stop().await?;
        Err(ClusterError::StartTimedOut { seconds: START_PATIENCE.as_secs(), log: place.log(), output })
    }

    /// The number of the process, until it has ended.
    pub fn pid(&self) -> Option<Pid> {
        self.child.id().and_then(|id| i32::try_from(id).ok()).and_then(Pid::from_raw)
    }

    /// Waits for an end that nobody asked for and says all that is known about it.
    pub async fn wait_for_exit(&mut self, place: &Place) -> ClusterError {
        match self.child.wait().await {
            Ok(status) => {
                let output = place.log_tail(self.log_begin);
                ClusterError::Exited { status, log: place.log(), output }
            }
            Err(error) => ClusterError::io("cannot wait for", &place.data())(error),
        }
    }

    /// Stops PostgreSQL, gently first, and waits until it has gone.
    pub async fn stop(&mut self) -> Result<(), ClusterError> {
        let Some(pid) = self.pid() else { return Ok(()) };
        for (signal, patience) in STOP_STAGES {
            // It may have ended by itself just now; the wait will tell.
            let _ = kill_process(pid, signal);
            if timeout(patience, self.child.wait()).await.is_ok() {
                return Ok(());
            }
            tracing::warn!(pid = pid.as_raw_nonzero(), ?signal, "PostgreSQL does not stop");
        }
        Err(ClusterError::WillNotStop { pid: pid.as_raw_nonzero().get() })
    }
}

impl Drop for Postmaster {
    fn drop(&mut self) {
        if let Some(pid) = self.pid() {
            let _ = kill_process(pid, Signal::INT);
        }
    }
}

/// Stops the postmaster of a killed predecessor, if one still runs on this data. We hold the lock, so nobody else
/// is using it. Adopting it instead would save a tenth of a second and lose the child to wait for.
async fn stop_orphan(place: &Place) -> Result<(), ClusterError> {
    let data = place.data();
    let pid_file = data.join("postmaster.pid");
    let Ok(text) = fs::read_to_string(&pid_file) else { return Ok(()) };
    let first = text.lines().next().and_then(|line| line.trim().parse::<i32>().ok());
    let Some(pid) = first.filter(|pid| *pid > 0).and_then(Pid::from_raw) else { return Ok(()) };
    if test_kill_process(pid).is_err() {
        // Gone; PostgreSQL sees that itself and recovers.
        return Ok(());
    }
    if !is_postmaster_of(pid, &data) {
        return disown(&pid_file, &text).map_err(ClusterError::io("cannot write", &pid_file));
    }
    tracing::info!(pid = pid.as_raw_nonzero(), "stopping the PostgreSQL of a program that was killed");
    for (signal, patience) in STOP_STAGES {
        let _ = kill_process(pid, signal);
        let begin = Instant::now();
        while begin.elapsed() < patience {
            // Asked this way and not by a signal 0: a zombie that nobody collects would seem alive for ever.
            if !is_postmaster_of(pid, &data) {
                return Ok(());
            }
            sleep(STOP_POLL).await;
        }
    }
    Err(ClusterError::WillNotStop { pid: pid.as_raw_nonzero().get() })
}

/// The number in the file now belongs to some other process (after a reboot, say), which would keep PostgreSQL from
/// starting. The number of its own parent does not; the rest of the file must stay, because the shared memory
/// named there is how PostgreSQL finds out whether orphaned backends still write to the data.
fn disown(pid_file: &Path, text: &str) -> std::io::Result<()> {
    let rest = text.split_once('\n').map_or("", |(_, rest)| rest);
    let mut file = OpenOptions::new().write(true).truncate(true).open(pid_file)?;
    write!(file, "{}\n{rest}", std::process::id())
}

/// Whether the process is a `postgres` that works in this data directory (a postmaster makes it its own folder).
fn is_postmaster_of(pid: Pid, data: &Path) -> bool {
    let proc = Path::new("/proc").join(pid.as_raw_nonzero().to_string());
    if !Path::new("/proc/self/cwd").exists() {
        return is_postmaster_by_ps(pid, data);
    }
    let named_so = fs::read_to_string(proc.join("comm")).is_ok_and(|name| name.trim() == "postgres");
    let identity = |path: &Path| fs::metadata(path).ok().map(|m| (m.dev(), m.ino()));
    let folder = identity(&proc.join("cwd"));
    named_so && folder.is_some() && folder == identity(data)
}

/// The same for systems without `/proc`: the postmaster shows the arguments we gave it.
fn is_postmaster_by_ps(pid: Pid, data: &Path) -> bool {
    let pid = pid.as_raw_nonzero().to_string();
    let Ok(output) = std::process::Command::new("ps").args(["-ww", "-o", "command=", "-p", &pid]).output() else {
        return false;
    };
    let line = String::from_utf8_lossy(&output.stdout);
    let program = line.split(" -D ").next().and_then(|word| Path::new(word.trim()).file_name());
    program == Some(OsStr::new("postgres")) && line.contains(&format!(" -D {} ", data.display()))
}
