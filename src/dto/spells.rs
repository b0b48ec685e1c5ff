//! Spells in which a crew, a kind of gear or a house is not as usual: away, short of people, broken, closed.

use super::fault::{At, Faults, shown};
use super::scalar;
use crate::domain::bounds::{ABSENCES_MAX, CLOSURES_MAX, OUTAGES_MAX, SHORT_HANDED_MAX};
use crate::domain::fault::Fault;
use crate::domain::time::Span;
use crate::domain::zone::Zone;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A time a crew is away although its calendar says it works.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AbsenceDto {
    /// First minute away.
    #[schema(example = "2026-03-12T07:00:00-04:00", format = DateTime)]
    pub from: String,
    /// First minute back.
    #[schema(example = "2026-03-13T00:00:00-04:00", format = DateTime)]
    pub until: String,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "ill", max_length = 2000)]
    pub note: Option<String>,
}

/// A time in which a crew has fewer people than usual. Where two such times overlap, the smaller number counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ShortHandedDto {
    /// First minute short of people.
    #[schema(example = "2026-03-12T07:00:00-04:00", format = DateTime)]
    pub from: String,
    /// First minute at full strength again.
    #[schema(example = "2026-03-13T00:00:00-04:00", format = DateTime)]
    pub until: String,
    /// How many are there then: fewer than the crew's head count, at least 1. A crew of nobody is absent.
    #[schema(minimum = 1, maximum = 49, example = 1)]
    pub people: i64,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Ramon is at the dentist", max_length = 2000)]
    pub note: Option<String>,
}

/// A time in which units of a kind of gear are out of use. Where two such times overlap, their units add up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OutageDto {
    /// First minute out of use.
    #[schema(example = "2026-03-12T09:30:00-04:00", format = DateTime)]
    pub from: String,
    /// First minute back in use.
    #[schema(example = "2026-03-14T07:00:00-04:00", format = DateTime)]
    pub until: String,
    /// How many units are out, no more than there are. Of gear that must be brought, those with the highest numbers.
    #[schema(minimum = 1, maximum = 1000, example = 1)]
    pub units: i64,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "drum bearing", max_length = 2000)]
    pub note: Option<String>,
}

/// A time nobody may enter a house although its access hours say so.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ClosureDto {
    /// First minute closed.
    #[schema(example = "2026-03-12T07:00:00-04:00", format = DateTime)]
    pub from: String,
    /// First minute open again.
    #[schema(example = "2026-03-13T00:00:00-04:00", format = DateTime)]
    pub until: String,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "the plumber is in", max_length = 2000)]
    pub note: Option<String>,
}

/// How a spell is spoken of in a fault, and the fault's code.
struct Kind {
    code: &'static str,
    noun: &'static str,
}

/// A span that is neither empty nor reversed, with its note looked at.
fn span(at: &At, (from, until): (&str, &str), note: Option<&String>, kind: &Kind, faults: &mut Faults) -> Option<Span> {
    faults.note(&at.field("note"), note);
    let start = faults.instant(&at.field("from"), from);
    let end = faults.instant(&at.field("until"), until);
    let span = Span::new(start?, end?);
    if span.is_none() {
        let what = format!("{} from {} until {} is empty or reversed", kind.noun, shown(from), shown(until));
        faults.push(at, Fault::new(kind.code, what, "let it end after it begins"));
    }
    span
}

/// Every entry of a list that is not too long; `None` when one of them is wrong.
fn each<T, U>(
    list: &[T],
    at: &At,
    (max, things): (usize, &str),
    faults: &mut Faults,
    read: impl Fn(&T, &At, &mut Faults) -> Option<U>,
) -> Option<Vec<U>> {
    if !faults.count(at, list.len(), max, things) {
        return None;
    }
    // All of them are read, so that all faults are told.
    let entries: Vec<Option<U>> =
        list.iter().enumerate().map(|(index, entry)| read(entry, &at.item(index), faults)).collect();
    entries.into_iter().collect()
}

/// Absences of a crew.
pub(super) fn absences(list: &[AbsenceDto], at: &At, faults: &mut Faults) -> Option<Vec<Span>> {
    const KIND: Kind = Kind { code: "bad-absence", noun: "an absence" };
    each(list, at, (ABSENCES_MAX, "absences"), faults, |entry, at, faults| {
        span(at, (&entry.from, &entry.until), entry.note.as_ref(), &KIND, faults)
    })
}

/// Closures of a house.
pub(super) fn closures(list: &[ClosureDto], at: &At, faults: &mut Faults) -> Option<Vec<Span>> {
    const KIND: Kind = Kind { code: "bad-closure", noun: "a closure" };
    each(list, at, (CLOSURES_MAX, "closures"), faults, |entry, at, faults| {
        span(at, (&entry.from, &entry.until), entry.note.as_ref(), &KIND, faults)
    })
}

/// Short-handed times of a crew of `head_count` people (`None`: not known), with how many are there.
pub(super) fn short_handed(
    list: &[ShortHandedDto],
    at: &At,
    head_count: Option<i64>,
    faults: &mut Faults,
) -> Option<Vec<(Span, u32)>> {
    const KIND: Kind = Kind { code: "bad-short-handed", noun: "a short-handed time" };
    each(list, at, (SHORT_HANDED_MAX, "short-handed times"), faults, |entry, at, faults| {
        let span = span(at, (&entry.from, &entry.until), entry.note.as_ref(), &KIND, faults);
        let most = head_count.map_or(i64::MAX, |head_count| head_count - 1);
        if (1..=most).contains(&entry.people) {
            return Some((span?, u32::try_from(entry.people).unwrap_or(u32::MAX)));
        }
        let (what, cure) = if entry.people < 1 {
            (format!("{} people are nobody", entry.people), "give an absence where nobody is there")
        } else {
            (format!("{} people are not fewer than the crew has", entry.people), "give fewer than its head_count")
        };
        faults.push(&at.field("people"), Fault::new("bad-short-handed", what, cure));
        None
    })
}

/// Outages of a kind of gear with so many units (`None`: not known), with how many are out.
pub(super) fn outages(
    list: &[OutageDto],
    at: &At,
    units: Option<i64>,
    faults: &mut Faults,
) -> Option<Vec<(Span, u32)>> {
    const KIND: Kind = Kind { code: "bad-outage", noun: "an outage" };
    each(list, at, (OUTAGES_MAX, "outages"), faults, |entry, at, faults| {
        let span = span(at, (&entry.from, &entry.until), entry.note.as_ref(), &KIND, faults);
        if entry.units >= 1 && units.is_none_or(|units| entry.units <= units) {
            return Some((span?, u32::try_from(entry.units).unwrap_or(u32::MAX)));
        }
        let what = format!("{} units are out of use", entry.units);
        let cure = "give at least 1 unit, and no more than there are";
        faults.push(&at.field("units"), Fault::new("bad-outage", what, cure));
        None
    })
}

/// From and until on the wall clock of `zone`.
fn wall(zone: Zone, span: Span) -> (String, String) {
    (scalar::local(zone, span.start()), scalar::local(zone, span.end()))
}

impl AbsenceDto {
    pub(super) fn from_domain(zone: Zone, span: Span) -> AbsenceDto {
        let (from, until) = wall(zone, span);
        AbsenceDto { from, until, note: None }
    }
}

impl ClosureDto {
    pub(super) fn from_domain(zone: Zone, span: Span) -> ClosureDto {
        let (from, until) = wall(zone, span);
        ClosureDto { from, until, note: None }
    }
}

impl ShortHandedDto {
    pub(super) fn from_domain(zone: Zone, (span, people): (Span, u32)) -> ShortHandedDto {
        let (from, until) = wall(zone, span);
        ShortHandedDto { from, until, people: i64::from(people), note: None }
    }
}

impl OutageDto {
    pub(super) fn from_domain((span, units): (Span, u32)) -> OutageDto {
        // Gear has no zone of its own.
        let (from, until) = wall(Zone::UTC, span);
        OutageDto { from, until, units: i64::from(units), note: None }
    }
}
