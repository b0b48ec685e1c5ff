//! Calendars that have been written once, as the bytes that go out: plain and compressed. One is good for as long as the
//! company's revision is the one it was written from, which every request reads from the database, and the day is the
//! same; so servers need not tell each other anything, and nothing can be missed. What is kept is bounded for each company
//! and in all; what was not asked for the longest goes first.

use crate::store::CompanyId;
use bytes::Bytes;
use chrono::{DateTime, Utc};
use flate2::Compression;
use flate2::write::GzEncoder;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap};
use std::io::Write;
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

/// Bytes kept of one company's calendars: an office with a hundred houses and twenty crews, and all of them with waits.
const COMPANY_BYTES_MAX: usize = 16 << 20;
/// Bytes kept in all.
const ALL_BYTES_MAX: usize = 128 << 20;
/// What an entry takes besides its bytes, roughly.
const ENTRY_BYTES: usize = 512;

/// Which feed, and whether with waits.
pub(super) type CalendarKey = (Uuid, bool);

/// A calendar as it is sent.
#[derive(Debug, Clone)]
pub struct RenderedCalendar {
    /// As in RFC 5545.
    pub text: Bytes,
    /// The same, compressed.
    pub gzip: Bytes,
    /// Strong tag of `text`, with its quotes.
    pub text_etag: String,
    /// Strong tag of `gzip`: other bytes, another tag.
    pub gzip_etag: String,
    /// When it last became what it is: by a change, or because a day began. Whole seconds.
    pub last_modified: DateTime<Utc>,
    revision: i64,
    day: (DateTime<Utc>, DateTime<Utc>),
}

impl RenderedCalendar {
    /// `text`, as of a revision that is since when; written for one day.
    pub(super) fn new(
        text: String,
        (revision, changed_at): (i64, DateTime<Utc>),
        day: (DateTime<Utc>, DateTime<Utc>),
    ) -> RenderedCalendar {
        let gzip = compressed(text.as_bytes());
        RenderedCalendar {
            text_etag: tag(text.as_bytes()),
            gzip_etag: tag(&gzip),
            text: Bytes::from(text),
            gzip: Bytes::from(gzip),
            last_modified: changed_at.max(day.0),
            revision,
            day,
        }
    }

    fn is_good(&self, revision: i64, now: DateTime<Utc>) -> bool {
        self.revision == revision && (self.day.0..self.day.1).contains(&now)
    }

    fn bytes(&self) -> usize {
        self.text.len() + self.gzip.len() + ENTRY_BYTES
    }
}

fn tag(content: &[u8]) -> String {
    let hex: String = Sha256::digest(content).iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    format!("\"{hex}\"")
}

/// Without name and time, so that the same text gives the same bytes.
fn compressed(text: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::with_capacity(text.len() / 4), Compression::default());
    // Writing to memory does not fail; if it did, the checksum would be missing and the reader would refuse it.
    let _ = encoder.write_all(text);
    encoder.finish().unwrap_or_default()
}

/// Shared by all that answer on this server.
#[derive(Clone, Default)]
pub(super) struct CalendarCache(Arc<Mutex<Kept>>);

#[derive(Default)]
struct Kept {
    entries: HashMap<CalendarKey, Entry>,
    /// By when they were last asked for, of each company and in all.
    by_use: BTreeMap<u64, CalendarKey>,
    companies: HashMap<CompanyId, OfCompany>,
    uses: u64,
    bytes: usize,
}

struct Entry {
    company: CompanyId,
    used: u64,
    calendar: Arc<RenderedCalendar>,
}

#[derive(Default)]
struct OfCompany {
    by_use: BTreeMap<u64, CalendarKey>,
    bytes: usize,
}

impl CalendarCache {
    /// What is kept, if it is still good.
    pub(super) fn get(&self, key: CalendarKey, revision: i64, now: DateTime<Utc>) -> Option<Arc<RenderedCalendar>> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let good = kept.entries.get(&key)?.calendar.is_good(revision, now);
        if good { kept.use_again(key) } else { None }
    }

    /// Keeps it in the place of what was kept of the same feed, as far as there is room.
    pub(super) fn put(
        &self,
        company: CompanyId,
        key: CalendarKey,
        calendar: RenderedCalendar,
    ) -> Arc<RenderedCalendar> {
        let calendar = Arc::new(calendar);
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.forget(key);
        if calendar.bytes() <= COMPANY_BYTES_MAX {
            kept.keep(company, key, calendar.clone());
            kept.make_room(company, COMPANY_BYTES_MAX, ALL_BYTES_MAX);
        }
        calendar
    }
}

impl Kept {
    fn use_again(&mut self, key: CalendarKey) -> Option<Arc<RenderedCalendar>> {
        self.uses += 1;
        let uses = self.uses;
        let entry = self.entries.get_mut(&key)?;
        let before = std::mem::replace(&mut entry.used, uses);
        self.by_use.remove(&before);
        self.by_use.insert(uses, key);
        if let Some(own) = self.companies.get_mut(&entry.company) {
            own.by_use.remove(&before);
            own.by_use.insert(uses, key);
        }
        Some(entry.calendar.clone())
    }

    fn keep(&mut self, company: CompanyId, key: CalendarKey, calendar: Arc<RenderedCalendar>) {
        self.uses += 1;
        let own = self.companies.entry(company).or_default();
        own.by_use.insert(self.uses, key);
        own.bytes += calendar.bytes();
        self.bytes += calendar.bytes();
        self.by_use.insert(self.uses, key);
        self.entries.insert(key, Entry { company, used: self.uses, calendar });
    }

    fn forget(&mut self, key: CalendarKey) {
        let Some(gone) = self.entries.remove(&key) else { return };
        self.by_use.remove(&gone.used);
        self.bytes -= gone.calendar.bytes();
        if let Some(own) = self.companies.get_mut(&gone.company) {
            own.by_use.remove(&gone.used);
            own.bytes -= gone.calendar.bytes();
            if own.by_use.is_empty() {
                self.companies.remove(&gone.company);
            }
        }
    }

    fn make_room(&mut self, company: CompanyId, company_bytes_max: usize, all_bytes_max: usize) {
        while let Some(own) = self.companies.get(&company).filter(|own| own.bytes > company_bytes_max) {
            let Some(&oldest) = own.by_use.values().next() else { return };
            self.forget(oldest);
        }
        while self.bytes > all_bytes_max {
            let Some(&oldest) = self.by_use.values().next() else { return };
            self.forget(oldest);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::read::GzDecoder;
    use std::io::Read;

    fn at(second: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(second, 0).unwrap()
    }

    fn written(text: &str, revision: i64) -> RenderedCalendar {
        RenderedCalendar::new(text.to_owned(), (revision, at(50)), (at(0), at(100)))
    }

    fn key(number: u128) -> CalendarKey {
        (Uuid::from_u128(number), false)
    }

    #[test]
    fn it_is_good_for_one_revision_and_one_day() {
        let cache = CalendarCache::default();
        let company = CompanyId(Uuid::from_u128(1));
        cache.put(company, key(1), written("one", 7));
        assert_eq!(cache.get(key(1), 7, at(60)).unwrap().text, "one");
        assert!(cache.get(key(1), 7, at(100)).is_none() && cache.get(key(1), 7, at(-1)).is_none());
        assert!(cache.get(key(1), 8, at(60)).is_none() && cache.get(key(1), 6, at(60)).is_none());
        assert!(cache.get((Uuid::from_u128(1), true), 7, at(60)).is_none());
        cache.put(company, key(1), written("two", 8));
        assert_eq!(cache.get(key(1), 8, at(60)).unwrap().text, "two");
        assert_eq!(cache.0.lock().unwrap().entries.len(), 1);
    }

    #[test]
    fn both_forms_say_the_same_and_have_tags_of_their_own() {
        let text = "BEGIN:VCALENDAR\r\n".repeat(50);
        let one = written(&text, 1);
        let mut read = String::new();
        GzDecoder::new(one.gzip.as_ref()).read_to_string(&mut read).unwrap();
        assert_eq!(read, text);
        assert!(one.gzip.len() < text.len() / 4);
        assert_ne!(one.text_etag, one.gzip_etag);
        let again = written(&text, 2);
        assert_eq!((one.gzip, one.text_etag, one.gzip_etag), (again.gzip, again.text_etag, again.gzip_etag));
        assert_eq!(one.last_modified, at(50));
    }

    #[test]
    fn what_was_not_asked_for_the_longest_goes_first() {
        let mut kept = Kept::default();
        let (one, other) = (CompanyId(Uuid::from_u128(1)), CompanyId(Uuid::from_u128(2)));
        let calendar = Arc::new(written("text", 1));
        let each = calendar.bytes();
        for number in 0..4 {
            kept.keep(one, key(number), calendar.clone());
        }
        kept.keep(other, key(9), calendar.clone());
        assert!(kept.use_again(key(0)).is_some());
        kept.make_room(one, each * 3, each * 100);
        let left = |kept: &Kept| (0..10).filter(|number| kept.entries.contains_key(&key(*number))).collect::<Vec<_>>();
        assert_eq!(left(&kept), [0, 2, 3, 9], "the other company keeps its own");
        kept.make_room(one, each * 3, each * 2);
        assert_eq!(left(&kept), [0, 9]);
        assert_eq!((kept.bytes, kept.by_use.len(), kept.companies.len()), (each * 2, 2, 2));
        kept.forget(key(0));
        kept.forget(key(9));
        assert_eq!((kept.bytes, kept.by_use.len(), kept.companies.len()), (0, 0, 0));
    }
}
