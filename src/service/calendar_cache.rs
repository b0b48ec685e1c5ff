//! Calendars that have been written once, as the bytes that go out: plain and compressed. One is good for as long as the
//! company's revision is the one it was written from, which every request reads from the database, and the day is the
//! same; so servers need not tell each other anything, and nothing can be missed. What is kept is bounded for each company
//! and in all; what was not asked for the longest goes first.

use super::by_use::ByUse;
use crate::store::CompanyId;
use bytes::Bytes;
use chrono::{DateTime, Utc};
use flate2::Compression;
use flate2::write::GzEncoder;
use sha2::{Digest, Sha256};
use std::io::Write;
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

/// Bytes kept of one company's calendars: an office with a hundred houses and twenty crews, and all of them with waits.
const COMPANY_BYTES_MAX: usize = 16 << 20;
/// Bytes kept in all.
const ALL_BYTES_MAX: usize = 128 << 20;

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
        let gzip = compressed(text.as_bytes(), Compression::default());
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
}

fn tag(content: &[u8]) -> String {
    let hex: String = Sha256::digest(content).iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    format!("\"{hex}\"")
}

/// Without name and time, so that the same text gives the same bytes.
pub(super) fn compressed(text: &[u8], how: Compression) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::with_capacity(text.len() / 4), how);
    // Writing to memory does not fail; if it did, the checksum would be missing and the reader would refuse it.
    let _ = encoder.write_all(text);
    encoder.finish().unwrap_or_default()
}

/// Shared by all that answer on this server.
#[derive(Clone)]
pub(super) struct CalendarCache(Arc<Mutex<ByUse<CalendarKey, RenderedCalendar>>>);

impl Default for CalendarCache {
    fn default() -> CalendarCache {
        CalendarCache(Arc::new(Mutex::new(ByUse::new(COMPANY_BYTES_MAX, ALL_BYTES_MAX))))
    }
}

impl CalendarCache {
    /// What is kept, if it is still good.
    pub(super) fn get(&self, key: CalendarKey, revision: i64, now: DateTime<Utc>) -> Option<Arc<RenderedCalendar>> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(&key, |calendar| calendar.is_good(revision, now))
    }

    /// Keeps it in the place of what was kept of the same feed, as far as there is room.
    pub(super) fn put(
        &self,
        company: CompanyId,
        key: CalendarKey,
        calendar: RenderedCalendar,
    ) -> Arc<RenderedCalendar> {
        let bytes = calendar.text.len() + calendar.gzip.len();
        let calendar = Arc::new(calendar);
        self.0.lock().unwrap_or_else(PoisonError::into_inner).put(company, key, calendar.clone(), bytes);
        calendar
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
        assert_eq!(cache.0.lock().unwrap().len(), 1);
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
}
