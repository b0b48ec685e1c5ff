//! How often somebody may try to sign in: each name and each address has some tries, then waits, longer each time. Counted
//! in the memory of one server, before the password is compared; with several servers there are as many times the tries.

use chrono::{DateTime, Duration, Utc};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};

/// Tries with one name before there are pauses: people mistype.
const FREE_OF_NAME: u32 = 5;
/// Tries from one address: a whole office may share one.
const FREE_OF_ADDRESS: u32 = 30;
/// The first pause; each further one is twice as long.
const PAUSE_FIRST_SECONDS: i64 = 30;
/// The longest: whoever guesses at somebody's name does not keep them out for longer.
const PAUSE_MAX_SECONDS: i64 = 900;
/// Tries are forgotten when there was none for so long.
const FORGOTTEN_AFTER: Duration = Duration::hours(1);
/// Names and addresses remembered, each. When there are more, the one that was tried longest ago is forgotten.
const REMEMBERED_MAX: usize = 20_000;

#[derive(Debug, Clone, Copy)]
struct Tried {
    count: u32,
    last: DateTime<Utc>,
    until: DateTime<Utc>,
}

#[derive(Debug)]
struct Tally<K>(BTreeMap<K, Tried>);

impl<K> Default for Tally<K> {
    fn default() -> Tally<K> {
        Tally(BTreeMap::new())
    }
}

impl<K: Ord + Clone> Tally<K> {
    /// Until when it is to wait, if it is.
    fn waits(&self, key: &K, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        self.0.get(key).map(|tried| tried.until).filter(|until| *until > now)
    }

    fn count(&mut self, key: K, free: u32, now: DateTime<Utc>) {
        if !self.0.contains_key(&key) {
            self.make_room(now);
        }
        let tried = self.0.entry(key).or_insert(Tried { count: 0, last: now, until: now });
        if now - tried.last > FORGOTTEN_AFTER {
            tried.count = 0;
        }
        tried.count = tried.count.saturating_add(1);
        tried.last = now;
        if let Some(over) = tried.count.checked_sub(free) {
            let seconds = PAUSE_FIRST_SECONDS.saturating_mul(1 << over.min(16)).min(PAUSE_MAX_SECONDS);
            tried.until = now + Duration::seconds(seconds);
        }
    }

    fn make_room(&mut self, now: DateTime<Utc>) {
        if self.0.len() < REMEMBERED_MAX {
            return;
        }
        self.0.retain(|_, tried| now - tried.last <= FORGOTTEN_AFTER);
        if self.0.len() >= REMEMBERED_MAX
            && let Some(oldest) = self.0.iter().min_by_key(|(_, tried)| tried.last).map(|(key, _)| key.clone())
        {
            self.0.remove(&oldest);
        }
    }
}

#[derive(Debug, Default)]
struct Tallies {
    names: Tally<[u8; 32]>,
    addresses: Tally<IpAddr>,
}

/// All tries on this server.
#[derive(Debug, Default)]
pub(super) struct Attempts(Mutex<Tallies>);

impl Attempts {
    /// Counts a try before it is made, so that many at once are not more than one after the other. `Err`: not now, but
    /// at this instant again.
    pub(super) fn begin(&self, name: &str, address: IpAddr, now: DateTime<Utc>) -> Result<(), DateTime<Utc>> {
        let mut tallies = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (name, address) = (hashed(name), network(address));
        let waits = tallies.names.waits(&name, now).max(tallies.addresses.waits(&address, now));
        if let Some(until) = waits {
            return Err(until);
        }
        tallies.names.count(name, FREE_OF_NAME, now);
        tallies.addresses.count(address, FREE_OF_ADDRESS, now);
        Ok(())
    }

    /// The try was good: the name begins anew. The address gets back this one try and no more, or somebody with a
    /// password of his own could go on guessing at others'.
    pub(super) fn succeeded(&self, name: &str, address: IpAddr) {
        let mut tallies = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        tallies.names.0.remove(&hashed(name));
        if let Some(tried) = tallies.addresses.0.get_mut(&network(address)) {
            tried.count = tried.count.saturating_sub(1);
        }
    }
}

/// Names of any length take the same room.
fn hashed(name: &str) -> [u8; 32] {
    Sha256::digest(name.as_bytes()).into()
}

/// One household has a whole /64 of IPv6 addresses to try from.
fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V4(address) => IpAddr::V4(address),
        IpAddr::V6(address) => IpAddr::V6(Ipv6Addr::from_bits(address.to_bits() & (u128::MAX << 64))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_800_000_000 + seconds, 0).unwrap()
    }

    fn address(last: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, last])
    }

    #[test]
    fn a_name_waits_longer_each_time_whatever_the_address() {
        let attempts = Attempts::default();
        for last in 0..5 {
            assert_eq!(attempts.begin("anna", address(last), at(0)), Ok(()));
        }
        assert_eq!(attempts.begin("anna", address(9), at(0)), Err(at(30)));
        assert_eq!(attempts.begin("bert", address(9), at(0)), Ok(()));
        assert_eq!(attempts.begin("anna", address(9), at(30)), Ok(()));
        assert_eq!(attempts.begin("anna", address(9), at(31)), Err(at(90)));
        let mut now = at(90);
        for _ in 0..20 {
            attempts.begin("anna", address(9), now).unwrap();
            now = attempts.begin("anna", address(9), now).unwrap_err();
        }
        attempts.begin("anna", address(9), now).unwrap();
        assert_eq!(attempts.begin("anna", address(9), now), Err(now + Duration::seconds(PAUSE_MAX_SECONDS)));
    }

    #[test]
    fn a_good_try_frees_the_name_but_not_the_address() {
        let attempts = Attempts::default();
        for number in 0..FREE_OF_ADDRESS {
            assert_eq!(attempts.begin(&format!("name {number}"), address(1), at(0)), Ok(()));
        }
        attempts.succeeded("name 1", address(1));
        assert_eq!(attempts.begin("another", address(1), at(1)), Err(at(30)));
        for _ in 0..4 {
            assert_eq!(attempts.begin("anna", address(2), at(0)), Ok(()));
        }
        attempts.succeeded("anna", address(2));
        for _ in 0..5 {
            assert_eq!(attempts.begin("anna", address(2), at(0)), Ok(()));
        }
        assert!(attempts.begin("anna", address(2), at(0)).is_err());
        // An hour of quiet, and it begins anew.
        assert_eq!(attempts.begin("anna", address(2), at(4_000)), Ok(()));
        assert_eq!(attempts.begin("anna", address(2), at(4_000)), Ok(()));
    }

    #[test]
    fn neighbours_in_a_network_are_one() {
        let [one, two, other] =
            ["2001:db8::1", "2001:db8::ffff:2", "2001:db8:0:1::1"].map(|text| text.parse().unwrap());
        assert_eq!(network(one), network(two));
        assert_ne!(network(one), network(other));
        assert_eq!(network("::ffff:192.0.2.1".parse().unwrap()), address(1));
    }

    #[test]
    fn memory_is_bounded() {
        let mut tally = Tally(BTreeMap::new());
        for number in 0..REMEMBERED_MAX as i64 + 10 {
            tally.count(number, 5, at(number / 100));
        }
        assert_eq!(tally.0.len(), REMEMBERED_MAX);
        assert!(!tally.0.contains_key(&0));
    }
}
