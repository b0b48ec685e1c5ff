//! Which operating-system user PostgreSQL runs as, and why that user cannot reach a folder. Nothing here
//! starts a process or changes a file.

use super::ClusterError;
use rustix::process::geteuid;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// The user that PostgreSQL runs as when the program itself is root.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Account {
    pub name: String,
    pub uid: u32,
    pub gid: u32,
}

/// The account to drop to, or `None` when PostgreSQL runs as the program's own user.
///
/// Data that exists decides: only its owner can run PostgreSQL on it, also when the user `postgres` has been
/// created in the meantime. Otherwise root becomes `postgres`, or else `nobody`; in the second case every other
/// process of `nobody` could read the data, which is why `postgres` comes first.
pub(super) fn choose(data: &Path) -> Result<Option<Account>, ClusterError> {
    let me = geteuid().as_raw();
    let owner = fs::metadata(data).ok().map(|m| (m.uid(), m.gid()));
    match owner {
        Some((uid, _)) if uid == me && me != 0 => Ok(None),
        Some((uid, gid)) if me == 0 && uid != 0 => {
            let name =
                users().into_iter().find(|user| user.uid == uid).map_or_else(|| uid.to_string(), |user| user.name);
            Ok(Some(Account { name, uid, gid }))
        }
        Some((owner, _)) => Err(ClusterError::WrongOwner { path: data.to_owned(), owner }),
        None if me != 0 => Ok(None),
        None => unprivileged(&users()).map(Some).ok_or(ClusterError::NoAccount),
    }
}

fn unprivileged(users: &[Account]) -> Option<Account> {
    ["postgres", "nobody"]
        .iter()
        .find_map(|name| users.iter().find(|user| user.name == *name && user.uid != 0))
        .cloned()
}

/// System users are in `/etc/passwd` on every machine we run on; directories of people (LDAP) need not be asked.
fn users() -> Vec<Account> {
    fs::read_to_string("/etc/passwd").map(|text| parse_users(&text)).unwrap_or_default()
}

fn parse_users(passwd: &str) -> Vec<Account> {
    let parse = |line: &str| {
        let mut fields = line.split(':');
        let name = fields.next()?.to_owned();
        let uid = fields.nth(1)?.parse().ok()?;
        let gid = fields.next()?.parse().ok()?;
        Some(Account { name, uid, gid })
    };
    passwd.lines().filter_map(parse).collect()
}

/// The topmost folder on the way to `path` whose permission bits keep `account` out.
///
/// Only a diagnosis after a refused access: bits know nothing of access-control lists, so they must not refuse by
/// themselves.
pub(super) fn blocked_at(path: &Path, account: &Account) -> Option<PathBuf> {
    let mut ancestors: Vec<&Path> = path.ancestors().collect();
    ancestors.reverse();
    let closed =
        |folder: &&&Path| fs::metadata(folder).is_ok_and(|m| !lets_through(m.mode(), m.uid(), m.gid(), account));
    ancestors.iter().find(closed).map(|folder| folder.to_path_buf())
}

fn lets_through(mode: u32, uid: u32, gid: u32, account: &Account) -> bool {
    let bit = if uid == account.uid {
        0o100
    } else if gid == account.gid {
        0o010
    } else {
        0o001
    };
    mode & bit != 0
}

#[cfg(test)]
mod tests {
    use super::*;

    const PASSWD: &str = "root:x:0:0:root:/root:/bin/bash\nnobody:x:65534:65534::/:/bin/false\n\
                          broken line\npostgres:x:101:104:,,,:/var/lib/postgresql:/bin/bash\n";

    #[test]
    fn postgres_is_preferred_to_nobody() {
        let users = parse_users(PASSWD);
        assert_eq!(users.len(), 3, "a broken line is skipped");
        assert_eq!(unprivileged(&users), Some(Account { name: "postgres".into(), uid: 101, gid: 104 }));
        assert_eq!(unprivileged(&users[..2]).map(|user| user.uid), Some(65534));
        assert_eq!(unprivileged(&users[..1]), None, "root is never an answer");
    }

    #[test]
    fn the_most_specific_permission_class_counts() {
        let account = Account { name: "postgres".into(), uid: 101, gid: 104 };
        assert!(lets_through(0o700, 101, 0, &account));
        assert!(!lets_through(0o077, 101, 104, &account), "an owner is not helped by the bits of others");
        assert!(lets_through(0o010, 0, 104, &account));
        assert!(!lets_through(0o701, 0, 104, &account), "nor a member of the group");
        assert!(lets_through(0o701, 0, 0, &account));
        assert!(!lets_through(0o770, 0, 0, &account));
    }
}
