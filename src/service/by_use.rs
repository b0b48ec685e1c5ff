//! What has been worked out once and may be asked for again: bounded by its bytes, for each company and in all, so that a busy
//! company does not push out everybody else's. What was not asked for the longest goes first.

use crate::store::CompanyId;
use std::collections::{BTreeMap, HashMap};
use std::hash::Hash;
use std::sync::Arc;

/// What an entry takes besides its bytes, roughly.
const ENTRY_BYTES: usize = 512;

/// Values by their keys.
pub(super) struct ByUse<K, V> {
    company_bytes_max: usize,
    all_bytes_max: usize,
    entries: HashMap<K, Entry<V>>,
    /// By when they were last asked for, of each company and in all.
    by_use: BTreeMap<u64, K>,
    companies: HashMap<CompanyId, OfCompany<K>>,
    uses: u64,
    bytes: usize,
}

struct Entry<V> {
    company: CompanyId,
    used: u64,
    bytes: usize,
    value: Arc<V>,
}

struct OfCompany<K> {
    by_use: BTreeMap<u64, K>,
    bytes: usize,
}

impl<K: Copy + Eq + Hash, V> ByUse<K, V> {
    /// Nothing yet, and so many bytes at most.
    pub(super) fn new(company_bytes_max: usize, all_bytes_max: usize) -> ByUse<K, V> {
        ByUse {
            company_bytes_max,
            all_bytes_max,
            entries: HashMap::new(),
            by_use: BTreeMap::new(),
            companies: HashMap::new(),
            uses: 0,
            bytes: 0,
        }
    }

    /// What is kept, if it is still good.
    pub(super) fn get(&mut self, key: &K, is_good: impl FnOnce(&V) -> bool) -> Option<Arc<V>> {
        let entry = self.entries.get_mut(key).filter(|entry| is_good(&entry.value))?;
        self.uses += 1;
        let before = std::mem::replace(&mut entry.used, self.uses);
        self.by_use.remove(&before);
        self.by_use.insert(self.uses, *key);
        if let Some(own) = self.companies.get_mut(&entry.company) {
            own.by_use.remove(&before);
            own.by_use.insert(self.uses, *key);
        }
        Some(entry.value.clone())
    }

    /// Keeps it in the place of what was kept by the same key, as far as there is room.
    pub(super) fn put(&mut self, company: CompanyId, key: K, value: Arc<V>, bytes: usize) {
        self.forget(key);
        let bytes = bytes + ENTRY_BYTES;
        if bytes > self.company_bytes_max {
            return;
        }
        self.uses += 1;
        let own = self.companies.entry(company).or_insert_with(|| OfCompany { by_use: BTreeMap::new(), bytes: 0 });
        own.by_use.insert(self.uses, key);
        own.bytes += bytes;
        self.bytes += bytes;
        self.by_use.insert(self.uses, key);
        self.entries.insert(key, Entry { company, used: self.uses, bytes, value });
        self.make_room(company);
    }

    fn forget(&mut self, key: K) {
        let Some(gone) = self.entries.remove(&key) else { return };
        self.by_use.remove(&gone.used);
        self.bytes -= gone.bytes;
        if let Some(own) = self.companies.get_mut(&gone.company) {
            own.by_use.remove(&gone.used);
            own.bytes -= gone.bytes;
            if own.by_use.is_empty() {
                self.companies.remove(&gone.company);
            }
        }
    }

    fn make_room(&mut self, company: CompanyId) {
        while let Some(own) = self.companies.get(&company).filter(|own| own.bytes > self.company_bytes_max) {
            let Some(&oldest) = own.by_use.values().next() else { return };
            self.forget(oldest);
        }
        while self.bytes > self.all_bytes_max {
            let Some(&oldest) = self.by_use.values().next() else { return };
            self.forget(oldest);
        }
    }

    /// How many there are.
    #[cfg(test)]
    pub(super) fn len(&self) -> usize {
        self.entries.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    const EACH: usize = 100 + ENTRY_BYTES;

    #[test]
    fn what_was_not_asked_for_the_longest_goes_first() {
        let mut kept: ByUse<u8, ()> = ByUse::new(EACH * 4, EACH * 5);
        let (one, other) = (CompanyId(Uuid::from_u128(1)), CompanyId(Uuid::from_u128(2)));
        let left = |kept: &ByUse<u8, ()>| (0..20).filter(|key| kept.entries.contains_key(key)).collect::<Vec<_>>();
        for key in 0..4 {
            kept.put(one, key, Arc::new(()), 100);
        }
        kept.put(other, 9, Arc::new(()), 100);
        assert!(kept.get(&0, |()| true).is_some() && kept.get(&1, |()| false).is_none());
        kept.put(one, 4, Arc::new(()), 100);
        assert_eq!(left(&kept), [0, 2, 3, 4, 9], "the other company keeps its own");
        kept.put(other, 10, Arc::new(()), 100);
        assert_eq!(left(&kept), [0, 3, 4, 9, 10]);
        kept.put(other, 10, Arc::new(()), 100);
        assert_eq!((kept.bytes, kept.by_use.len(), kept.companies.len()), (EACH * 5, 5, 2));
        kept.put(other, 10, Arc::new(()), EACH * 4);
        assert_eq!(left(&kept), [0, 3, 4, 9], "what is larger than all that is allowed is not kept");
        left(&kept).into_iter().for_each(|key| kept.forget(key));
        assert_eq!((kept.bytes, kept.by_use.len(), kept.companies.len()), (0, 0, 0));
    }
}
