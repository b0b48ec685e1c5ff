//! What initdb and postgres are told: the private cluster's settings and the reason for each.

use super::{OWNER_ROLE, SOCKET_PORT};
use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::Path;

/// Arguments of initdb, apart from the folder.
///
/// *Trust* on the socket: it lies in a folder that only PostgreSQL's own user (and root) can enter, and whoever can
/// enter it could read and write the data files as well, so a password or `peer` would guard nothing. `peer` would
/// even be in the way: root's program would need a map from root to each role, the login role among them.
/// There is no TCP, and should somebody switch it on, its connections are rejected.
///
/// *Locale C, UTF-8*: the same order on every machine, and indexes that survive an update of the C library.
pub(super) fn initdb() -> Vec<String> {
    let fixed = ["--encoding=UTF8", "--locale=C", "--auth-local=trust", "--auth-host=reject", "--data-checksums"];
    let username = format!("--username={OWNER_ROLE}");
    fixed.into_iter().map(str::to_owned).chain([username, "--no-instructions".to_owned()]).collect()
}

/// Settings of every private cluster. Sized for a small machine of two cores that also runs the program: a company's
/// data is a few hundred megabytes at most, and all statements are short.
const ALWAYS: [(&str, &str); 16] = [
    ("cluster_name", "tackfree"),
    ("listen_addresses", ""),
    ("unix_socket_permissions", "0700"),
    ("timezone", "UTC"),
    ("log_timezone", "UTC"),
    ("shared_buffers", "128MB"),
    ("effective_cache_size", "512MB"),
    ("work_mem", "8MB"),
    // Compiling or spreading a statement of a few milliseconds over processes costs more than it brings.
    ("jit", "off"),
    ("max_parallel_workers_per_gather", "0"),
    ("random_page_cost", "1.1"),
    // The log is for starts, stops and crashes; errors of statements are the program's to report, and their texts
    // could hold customers' data.
    ("log_min_messages", "log"),
    ("log_checkpoints", "off"),
    ("logging_collector", "off"),
    ("log_destination", "stderr"),
    ("log_line_prefix", "%m [%p] "),
];

/// Real data: PostgreSQL's own defaults for what a commit means. Said aloud, so that no file can say otherwise.
const DURABLE: [(&str, &str); 4] =
    [("fsync", "on"), ("synchronous_commit", "on"), ("full_page_writes", "on"), ("max_connections", "100")];

/// After a crash PostgreSQL has the system write everything it holds before it recovers. Asked file by file, that takes
/// several seconds for a database that has hardly anything in it; asked once for the whole file system, a tenth of that.
#[cfg(target_os = "linux")]
const SYNCED: &[(&str, &str)] = &[("recovery_init_sync_method", "syncfs")];
#[cfg(not(target_os = "linux"))]
const SYNCED: &[(&str, &str)] = &[];

/// Tests: nothing survives a crash of the machine, and many test processes connect at once.
const FLEETING: [(&str, &str); 6] = [
    ("fsync", "off"),
    ("synchronous_commit", "off"),
    ("full_page_writes", "off"),
    ("wal_level", "minimal"),
    ("max_wal_senders", "0"),
    ("max_connections", "300"),
];

/// Arguments of postgres, apart from the data directory.
pub(super) fn postgres(socket: &Path, durable: bool) -> Vec<OsString> {
    let by_purpose: &[(&str, &str)] = if durable { &DURABLE } else { &FLEETING };
    let pairs =
        ALWAYS.iter().chain(by_purpose).chain(SYNCED).map(|(name, value)| OsString::from(format!("{name}={value}")));
    let port = OsString::from(format!("port={SOCKET_PORT}"));
    let mut directory = OsString::from("unix_socket_directories=");
    directory.push(quoted(socket.as_os_str()));
    let settings = pairs.chain([port, directory]);
    settings.flat_map(|setting| [OsString::from("-c"), setting]).collect()
}

/// The value is a list, in which a path with a comma or a blank must be quoted.
fn quoted(path: &OsStr) -> OsString {
    let mut bytes = vec![b'"'];
    for byte in path.as_bytes() {
        if *byte == b'"' {
            bytes.push(b'"');
        }
        bytes.push(*byte);
    }
    bytes.push(b'"');
    OsString::from_vec(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_socket_path_is_quoted_as_one_element_of_a_list() {
        assert_eq!(quoted(OsStr::new("/a, b/\"c\"")), OsStr::new("\"/a, b/\"\"c\"\"\""));
    }

    #[test]
    fn only_a_durable_cluster_waits_for_the_disk() {
        let has = |durable, setting: &str| postgres(Path::new("/s"), durable).iter().any(|word| word == setting);
        assert!(has(true, "fsync=on") && !has(true, "fsync=off"));
        assert!(has(false, "fsync=off") && !has(false, "fsync=on"));
        assert!(has(true, "listen_addresses=") && has(false, "listen_addresses="));
    }
}
