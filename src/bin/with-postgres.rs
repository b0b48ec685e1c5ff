//! Runs a command beside a private PostgreSQL cluster that exists only as long as the command does: for tests
//! (`cargo run --bin with-postgres -- cargo nextest run`) and for trying things out. Starting and stopping the cluster
//! is the library's work; here are only arguments, signals and the exit code.

use clap::Parser;
use rustix::fs::statvfs;
use rustix::process::{Pid, Signal as ProcessSignal, kill_process};
use std::fs;
use std::io::{self, Read, Write};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{ExitCode, ExitStatus};
use tackfree::store::cluster::{BINARIES_SETTING, Cluster, ClusterError, ClusterOptions};
use tokio::signal::unix::{Signal, SignalKind, signal};

/// Names the socket's folder to the command; the tests' helper looks for it.
const SOCKET_VARIABLE: &str = "TACKFREE_TEST_POSTGRES";
/// The shell's word for "the command could not be run".
const NOT_RUN: u8 = 127;
/// A cluster is 80 MB, a test's database 8 MB. Containers often have 64 MB of memory file system.
const MEMORY_MIN_BYTES: u64 = 2 << 30;

/// Run a command beside a private PostgreSQL cluster, then stop the cluster.
///
/// The command finds the folder of the cluster's Unix socket in TACKFREE_TEST_POSTGRES; its exit code is passed on.
/// Without a command, the folder is written to standard output and the cluster runs until standard input ends.
#[derive(Parser)]
#[command(name = "with-postgres")]
struct Arguments {
    /// Keep the data here (default: a temporary directory, removed afterwards)
    #[arg(long, value_name = "DIR")]
    data_directory: Option<PathBuf>,
    /// The folder that holds `postgres` and `initdb`
    #[arg(long, value_name = "DIR", env = BINARIES_SETTING)]
    postgres_binaries: Option<PathBuf>,
    /// Let commits survive a crash of the machine, as in production
    #[arg(long)]
    durable: bool,
    /// The command and its arguments
    #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
    command: Vec<String>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(error) => return complain(&format!("cannot start: {error}")),
    };
    let code = runtime.block_on(run(arguments));
    // A thread may still be waiting for standard input.
    runtime.shutdown_background();
    code
}

async fn run(arguments: Arguments) -> ExitCode {
    let temporary = arguments.data_directory.is_none();
    let data_directory = arguments.data_directory.unwrap_or_else(|| temporary_directory(arguments.durable));
    let options = ClusterOptions {
        data_directory: data_directory.clone(),
        binaries: arguments.postgres_binaries,
        durable: arguments.durable,
    };
    let code = match beside_cluster(&options, &arguments.command).await {
        Ok(code) => code,
        Err(error) => complain(&format!("{}: {error}\n{}", error.code(), error.cure())),
    };
    if temporary {
        let _ = fs::remove_dir_all(data_directory);
    }
    code
}

async fn beside_cluster(options: &ClusterOptions, command: &[String]) -> Result<ExitCode, ClusterError> {
    let (Ok(interrupt), Ok(terminate)) = (signal(SignalKind::interrupt()), signal(SignalKind::terminate())) else {
        return Ok(complain("cannot listen to signals"));
    };
    let mut cluster = Cluster::start(options).await?;
    let code = match command {
        [] => until_input_ends(&mut cluster, interrupt, terminate).await,
        [program, rest @ ..] => while_command_runs(&mut cluster, program, rest, interrupt, terminate).await,
    };
    cluster.stop().await?;
    Ok(code)
}

async fn until_input_ends(cluster: &mut Cluster, mut interrupt: Signal, mut terminate: Signal) -> ExitCode {
    let mut out = io::stdout();
    let told = writeln!(out, "{}", cluster.socket_directory().display()).and_then(|()| out.flush());
    if told.is_err() {
        // Whoever started us has gone already.
        return ExitCode::SUCCESS;
    }
    let input = tokio::task::spawn_blocking(|| {
        let mut chunk = [0; 1024];
        while io::stdin().read(&mut chunk).is_ok_and(|count| count > 0) {}
    });
    tokio::select! {
        _ = input => ExitCode::SUCCESS,
        _ = interrupt.recv() => ExitCode::SUCCESS,
        _ = terminate.recv() => ExitCode::SUCCESS,
        error = cluster.wait_for_exit() => complain(&error.to_string()),
    }
}

async fn while_command_runs(
    cluster: &mut Cluster,
    program: &str,
    arguments: &[String],
    mut interrupt: Signal,
    mut terminate: Signal,
) -> ExitCode {
    let mut command = tokio::process::Command::new(program);
    command.args(arguments).env(SOCKET_VARIABLE, cluster.socket_directory());
    let mut child = match command.spawn() {
        Ok(child) => child,
        Err(error) => {
            complain(&format!("cannot run {program}: {error}"));
            return ExitCode::from(NOT_RUN);
        }
    };
    let mut lost = false;
    let ended = loop {
        tokio::select! {
            ended = child.wait() => break ended,
            // The terminal has sent it to the command as well; wait for what the command makes of it.
            _ = interrupt.recv() => {}
            _ = terminate.recv() => pass_on_terminate(&child),
            error = cluster.wait_for_exit(), if !lost => {
                complain(&error.to_string());
                lost = true;
            }
        }
    };
    match ended {
        Ok(status) if status.success() && lost => ExitCode::FAILURE,
        Ok(status) => exit_code(status),
        Err(error) => complain(&format!("cannot wait for {program}: {error}")),
    }
}

fn pass_on_terminate(child: &tokio::process::Child) {
    let pid = child.id().and_then(|id| i32::try_from(id).ok()).and_then(Pid::from_raw);
    if let Some(pid) = pid {
        let _ = kill_process(pid, ProcessSignal::TERM);
    }
}

/// As the shell has it: 128 and the signal's number for a command that a signal ended.
fn exit_code(status: ExitStatus) -> ExitCode {
    let number = status.code().or(status.signal().map(|signal| 128 + signal)).unwrap_or(1);
    ExitCode::from(u8::try_from(number).unwrap_or(1))
}

/// A name for a data directory that nobody has yet. In memory if there is enough, unless `TMPDIR` says where: creating
/// the thousand files of a database takes a twentieth of the time there. All these places can be entered by the user
/// that PostgreSQL runs as; a home directory often cannot.
fn temporary_directory(durable: bool) -> PathBuf {
    let memory = Path::new("/dev/shm");
    let roomy = || statvfs(memory).is_ok_and(|disk| disk.f_bavail.saturating_mul(disk.f_frsize) >= MEMORY_MIN_BYTES);
    let in_memory = !durable && std::env::var_os("TMPDIR").is_none() && roomy();
    let parent = if in_memory { memory.to_owned() } else { std::env::temp_dir() };
    parent.join(format!("tackfree-{}", uuid::Uuid::new_v4().simple()))
}

/// Not `eprintln!`, which panics when the reader of our standard error has gone.
fn complain(message: &str) -> ExitCode {
    let _ = writeln!(io::stderr(), "with-postgres: {message}");
    ExitCode::FAILURE
}
