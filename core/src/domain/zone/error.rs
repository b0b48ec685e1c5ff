//! What to say about a zone name that does not exist, and which names were probably meant.

use chrono_tz::TZ_VARIANTS;
use thiserror::Error;

/// Longest name accepted. The longest IANA name has 32 bytes; more is not a typing mistake.
pub const NAME_MAX_BYTES: usize = 64;

/// How many names are suggested.
const SUGGESTIONS: usize = 3;

/// A name that is no IANA time zone.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ZoneError {
    /// Nothing of that name in the data.
    #[error("there is no IANA time zone {name:?}")]
    Unknown {
        /// As given.
        name: String,
        /// The likeliest meant, best first; empty when nothing is near.
        nearest: Vec<&'static str>,
    },
    /// Longer than any name.
    #[error("a time zone name has at most {NAME_MAX_BYTES} bytes, this one has {bytes}")]
    TooLong {
        /// Length of what was given.
        bytes: usize,
    },
}

impl ZoneError {
    pub(super) fn unknown(name: &str) -> ZoneError {
        ZoneError::Unknown { name: name.to_string(), nearest: nearest(name) }
    }

    pub(super) fn too_long(name: &str) -> ZoneError {
        ZoneError::TooLong { bytes: name.len() }
    }

    /// Stable, for programs.
    pub fn code(&self) -> &'static str {
        match self {
            ZoneError::Unknown { .. } => "zone-unknown",
            ZoneError::TooLong { .. } => "zone-too-long",
        }
    }

    /// What to do about it, for people.
    pub fn cure(&self) -> String {
        match self {
            ZoneError::Unknown { nearest, .. } if !nearest.is_empty() => {
                format!("did you mean {}?", nearest.join(" or "))
            }
            ZoneError::Unknown { .. } | ZoneError::TooLong { .. } => {
                "give the name of a zone in the IANA time zone database, such as America/New_York".to_string()
            }
        }
    }
}

/// Compares with whole names and with the city alone, whatever the case, and takes a space for the underscore.
fn nearest(given: &str) -> Vec<&'static str> {
    let given = plain(given);
    let tolerance = (given.len() / 3).min(3);
    let mut near: Vec<(usize, &'static str)> = TZ_VARIANTS
        .iter()
        .map(|zone| zone.name())
        .filter_map(|name| {
            let whole = plain(name);
            let city = whole.rsplit(|&byte| byte == b'/').next().unwrap_or_default();
            let edits = edits(&given, &whole).min(edits(&given, city));
            (edits <= tolerance).then_some((edits, name))
        })
        .collect();
    near.sort_unstable();
    near.truncate(SUGGESTIONS);
    near.into_iter().map(|(_, name)| name).collect()
}

fn plain(name: &str) -> Vec<u8> {
    name.trim().bytes().map(|byte| if byte == b' ' { b'_' } else { byte.to_ascii_lowercase() }).collect()
}

/// Levenshtein distance, a row at a time.
fn edits(from: &[u8], to: &[u8]) -> usize {
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (i, a) in from.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in to.iter().enumerate() {
            let replaced = diagonal + usize::from(a != b);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j].min(row[j + 1]) + 1);
        }
    }
    row[to.len()]
}
