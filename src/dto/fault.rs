//! Where in a document a fault was found (RFC 6901), and a collector that keeps on reading after the first one, so that
//! whoever sent the document hears of everything at once. What is wrong is `domain::fault`'s matter.

use crate::domain::fault::Fault;
use crate::domain::text::{Key, Name};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::RangeInclusive;
use utoipa::ToSchema;

use super::scalar;

/// More faults than this in one document are not told one by one: nobody reads them.
pub const FAULTS_MAX: usize = 500;
/// Free text for people: a page of it.
pub const NOTE_CHARS_MAX: usize = 2_000;
/// For how many unknown keys the nearest known one is searched: each search looks at all keys of its kind.
const SEARCHES_MAX: usize = 20;
/// How much of an offending value is repeated to its sender.
const SHOWN_CHARS: usize = 64;

/// A fault and the place in the document where it was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Located {
    /// JSON pointer (RFC 6901); empty for the document as a whole.
    pub pointer: String,
    /// What is wrong there.
    pub fault: Fault,
}

impl fmt::Display for Located {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let place = if self.pointer.is_empty() { "/" } else { &self.pointer };
        write!(f, "{place}: {}", self.fault)
    }
}

/// One thing wrong with a document, or worth knowing about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FaultDto {
    /// Where: a JSON pointer (RFC 6901), empty for the document as a whole.
    #[schema(example = "/jobs/0/house")]
    pub pointer: String,
    /// Stable, for programs.
    #[schema(example = "unknown-house")]
    pub code: String,
    /// What is wrong, naming the offending value.
    pub what: String,
    /// What would make it right.
    pub cure: String,
}

impl From<&Located> for FaultDto {
    fn from(located: &Located) -> FaultDto {
        let Located { pointer, fault } = located;
        FaultDto {
            pointer: pointer.clone(),
            code: fault.code.to_string(),
            what: fault.what.clone(),
            cure: fault.cure.clone(),
        }
    }
}

/// A place in a document. Costs nothing until a fault is found there.
#[derive(Debug, Clone, Copy)]
pub(crate) enum At<'a> {
    /// The document as a whole.
    Root,
    /// A member of an object.
    Field(&'a At<'a>, &'a str),
    /// An element of an array.
    Item(&'a At<'a>, usize),
    /// A place that stands for everything below it, because what is below is in another document.
    Whole(&'a At<'a>),
    /// An object some of whose members were replaced by those of another.
    Patched {
        /// Holds the replacing members.
        patch: &'a At<'a>,
        /// Their names.
        fields: &'a [&'static str],
        /// Holds the others.
        under: &'a At<'a>,
    },
}

impl<'a> At<'a> {
    /// A member of the object here.
    pub(crate) fn field(&'a self, name: &'a str) -> At<'a> {
        match self {
            At::Whole(_) => *self,
            At::Patched { patch, fields, .. } if fields.contains(&name) => At::Field(patch, name),
            At::Patched { under, .. } => under.field(name),
            At::Root | At::Field(..) | At::Item(..) => At::Field(self, name),
        }
    }

    /// An element of the array here.
    pub(crate) fn item(&'a self, index: usize) -> At<'a> {
        match self {
            At::Whole(_) => *self,
            At::Patched { under, .. } => under.item(index),
            At::Root | At::Field(..) | At::Item(..) => At::Item(self, index),
        }
    }

    /// RFC 6901.
    pub(crate) fn pointer(&self) -> String {
        match self {
            At::Root => String::new(),
            At::Field(parent, name) => format!("{}/{}", parent.pointer(), escaped(name)),
            At::Item(parent, index) => format!("{}/{index}", parent.pointer()),
            At::Whole(place) | At::Patched { patch: place, .. } => place.pointer(),
        }
    }
}

/// A reference token of RFC 6901: `~` and `/` are written as `~0` and `~1`; an absurdly long one is cut.
pub(crate) fn escaped(token: &str) -> String {
    let cut: String = token.chars().take(SHOWN_CHARS).collect();
    cut.replace('~', "~0").replace('/', "~1")
}

/// An offending text as it is repeated to its sender: quoted, and cut when long.
pub(crate) fn shown(text: &str) -> String {
    let cut: String = text.chars().take(SHOWN_CHARS).collect();
    if cut.len() < text.len() { format!("{cut:?}...") } else { format!("{cut:?}") }
}

/// All faults of a document so far, in the order they were found, each told once.
#[derive(Debug, Default)]
pub(crate) struct Faults {
    list: Vec<Located>,
    untold: usize,
    searches: usize,
}

impl Faults {
    /// Adds a fault.
    pub(crate) fn push(&mut self, at: &At, fault: Fault) {
        if self.is_full() {
            self.untold += 1;
            return;
        }
        let located = Located { pointer: at.pointer(), fault };
        if !self.list.contains(&located) {
            self.list.push(located);
        }
    }

    /// Whether more faults would go untold.
    pub(crate) fn is_full(&self) -> bool {
        self.list.len() >= FAULTS_MAX
    }

    /// Whether one more search for the nearest spelling is worth its time.
    pub(crate) fn may_search(&mut self) -> bool {
        self.searches += 1;
        self.searches <= SEARCHES_MAX
    }

    /// Whether nothing was found.
    pub(crate) fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// The value, or a fault here.
    pub(crate) fn take<T>(&mut self, at: &At, result: Result<T, Fault>) -> Option<T> {
        result.map_err(|fault| self.push(at, fault)).ok()
    }

    /// The list for whoever sent the document.
    pub(crate) fn into_list(mut self) -> Vec<Located> {
        if self.untold > 0 {
            self.list.push(Located {
                pointer: String::new(),
                fault: Fault::new(
                    "too-many-faults",
                    format!("{} more faults are not listed", self.untold),
                    "cure the listed ones first",
                ),
            });
        }
        self.list
    }

    /// An identifier.
    pub(crate) fn key(&mut self, at: &At, text: &str) -> Option<Key> {
        self.take(at, Key::parse(text))
    }

    /// A name.
    pub(crate) fn name(&mut self, at: &At, text: &str) -> Option<Name> {
        self.take(at, Name::parse(text))
    }

    /// Free text for people, which planning does not heed.
    pub(crate) fn note(&mut self, at: &At, text: Option<&String>) {
        let length = text.map_or(0, |text| text.chars().take(NOTE_CHARS_MAX + 1).count());
        if length > NOTE_CHARS_MAX {
            let what = format!("a note is longer than {NOTE_CHARS_MAX} characters");
            self.push(at, Fault::new("long-note", what, "shorten it, or link to the full text"));
        }
    }

    /// A whole number within bounds; `unit` says of what.
    pub(crate) fn whole(&mut self, at: &At, value: i64, bounds: RangeInclusive<i64>, unit: &str) -> Option<i64> {
        if bounds.contains(&value) {
            return Some(value);
        }
        let (least, most) = (bounds.start(), bounds.end());
        self.push(at, out_of_range(&format!("{value} {unit}"), &format!("{least} to {most} {unit}")));
        None
    }

    /// A decimal number within bounds, as the nearest whole number of parts (100 parts: hundredths).
    pub(crate) fn parts(
        &mut self,
        at: &At,
        value: f64,
        parts: i32,
        bounds: RangeInclusive<i32>,
        unit: &str,
    ) -> Option<i32> {
        let scaled = (value * f64::from(parts)).round();
        if f64::from(*bounds.start()) <= scaled && scaled <= f64::from(*bounds.end()) {
            return Some(scaled as i32);
        }
        let (least, most) = (bounds.start() / parts, bounds.end() / parts);
        self.push(at, out_of_range(&format!("{value} {unit}"), &format!("{least} to {most} {unit}")));
        None
    }

    /// A list that is not longer than planned for; says whether it may be read.
    pub(crate) fn count(&mut self, at: &At, count: usize, max: usize, things: &str) -> bool {
        if count > max {
            let what = format!("{count} {things} are more than one document may hold");
            self.push(at, Fault::new("too-many", what, format!("give at most {max}")));
        }
        count <= max
    }

    /// An instant on a whole minute.
    pub(crate) fn instant(&mut self, at: &At, text: &str) -> Option<Minute> {
        self.take(at, scalar::instant(text))
    }

    /// An instant that may be left out; `None` only when it is there and wrong.
    pub(crate) fn instant_if(&mut self, at: &At, text: Option<&String>) -> Option<Option<Minute>> {
        text.map_or(Some(None), |text| self.instant(at, text).map(Some))
    }

    /// An IANA time zone.
    pub(crate) fn zone(&mut self, at: &At, name: &str) -> Option<Zone> {
        self.take(at, scalar::zone(name))
    }

    /// A time zone that may be left out in favour of `otherwise`.
    pub(crate) fn zone_or(&mut self, at: &At, name: Option<&String>, otherwise: Zone) -> Option<Zone> {
        name.map_or(Some(otherwise), |name| self.take(at, scalar::zone(name)))
    }
}

fn out_of_range(value: &str, range: &str) -> Fault {
    Fault::new("out-of-range", format!("{value} is out of range"), format!("give {range}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pointers_escape_and_follow_patches() {
        let list = At::Field(&At::Root, "a/b");
        let item = At::Item(&list, 3);
        assert_eq!(item.field("m~n").pointer(), "/a~1b/3/m~0n");
        let whole = At::Whole(&item);
        assert_eq!(whole.field("x").item(1).pointer(), "/a~1b/3");
        let patch = At::Field(&At::Root, "patch");
        let patched = At::Patched { patch: &patch, fields: &["minutes"], under: &item };
        assert_eq!(patched.field("minutes").pointer(), "/patch/minutes");
        assert_eq!(patched.field("areas").pointer(), "/a~1b/3/areas");
    }

    #[test]
    fn a_flood_of_faults_is_cut_and_said_to_be() {
        let mut faults = Faults::default();
        for index in 0..=FAULTS_MAX {
            faults.push(&At::Item(&At::Root, index), Fault::new("x", "y", "z"));
            faults.push(&At::Item(&At::Root, 0), Fault::new("x", "y", "z"));
        }
        let list = faults.into_list();
        assert_eq!(list.len(), FAULTS_MAX + 1);
        assert_eq!(list[FAULTS_MAX].fault.code, "too-many-faults");
        assert_eq!(list[1].pointer, "/1");
    }
}
