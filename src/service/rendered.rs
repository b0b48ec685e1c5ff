//! Documents as they are sent, kept for whoever asks next: working one out takes a thousand times as long as sending it, and
//! every screen of an office asks at the same moment, when something has changed. Each is good for one state of things, which
//! every request reads from the database, so servers need not tell each other anything.

use super::by_use::ByUse;
use super::calendar_cache::compressed;
use crate::store::CompanyId;
use bytes::Bytes;
use flate2::Compression;
use std::hash::Hash;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

/// Bytes kept of one company: a large office's boards and plans are a few hundred kilobytes each.
const COMPANY_BYTES_MAX: usize = 8 << 20;
/// Bytes kept in all, of one kind of document.
const ALL_BYTES_MAX: usize = 64 << 20;

/// A document as it is sent.
#[derive(Debug)]
pub struct Rendered {
    state: String,
    json: Bytes,
    gzip: OnceLock<Bytes>,
    tag: OnceLock<String>,
}

impl Rendered {
    /// JSON.
    pub fn json(&self) -> Bytes {
        self.json.clone()
    }

    /// The same, compressed when somebody first asks for it: quickly, as it may be asked for only once before it changes.
    pub fn gzip(&self) -> Bytes {
        self.gzip.get_or_init(|| Bytes::from(compressed(&self.json, Compression::fast()))).clone()
    }

    /// The tag of its content, made when somebody first asks for it.
    pub fn tag(&self, of: impl FnOnce(&[u8]) -> String) -> &str {
        self.tag.get_or_init(|| of(&self.json))
    }
}

/// Shared by all that answer on this server.
pub(super) struct RenderedKept<K>(Arc<Mutex<ByUse<K, Rendered>>>);

impl<K> Clone for RenderedKept<K> {
    fn clone(&self) -> RenderedKept<K> {
        RenderedKept(self.0.clone())
    }
}

impl<K: Copy + Eq + Hash> Default for RenderedKept<K> {
    fn default() -> RenderedKept<K> {
        RenderedKept(Arc::new(Mutex::new(ByUse::new(COMPANY_BYTES_MAX, ALL_BYTES_MAX))))
    }
}

impl<K: Copy + Eq + Hash> RenderedKept<K> {
    /// What is kept, if it is of this state.
    pub(super) fn get(&self, key: &K, state: &str) -> Option<Arc<Rendered>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get(key, |document| document.state == state)
    }

    /// In place of what was kept by this key. Room is reckoned for the compressed form, too.
    pub(super) fn put(&self, company: CompanyId, key: K, state: String, json: Vec<u8>) -> Arc<Rendered> {
        let bytes = json.len() + json.len() / 4;
        let (gzip, tag) = (OnceLock::new(), OnceLock::new());
        let document = Arc::new(Rendered { state, json: Bytes::from(json), gzip, tag });
        self.0.lock().unwrap_or_else(PoisonError::into_inner).put(company, key, document.clone(), bytes);
        document
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    #[test]
    fn a_document_is_good_for_one_state_and_one_key() {
        let kept: RenderedKept<u8> = RenderedKept::default();
        let company = CompanyId(Uuid::from_u128(1));
        kept.put(company, 1, "first".into(), b"{}".to_vec());
        assert_eq!(kept.get(&1, "first").unwrap().json(), "{}");
        assert!(kept.get(&1, "second").is_none() && kept.get(&2, "first").is_none());
        let second = kept.put(company, 1, "second".into(), b"[]".to_vec());
        assert_eq!(kept.get(&1, "second").unwrap().json(), second.json());
        assert!(kept.get(&1, "first").is_none());
        assert_eq!((second.tag(|json| format!("{}", json.len())), second.tag(|_| String::new())), ("2", "2"));
        assert_eq!(second.gzip(), second.gzip());
    }
}
