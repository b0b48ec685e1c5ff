//! Weekly hours and the dates that differ from them, as they are written by people.

use super::fault::{At, Faults};
use super::scalar;
use crate::domain::bounds::{EXCEPTIONS_MAX, WINDOWS_PER_WEEK_MAX};
use crate::domain::calendar::{Calendar, Pay, Window};
use crate::domain::fault::Fault;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// A day of the week.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "the days of the week")]
pub enum WeekdayDto {
    Monday,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

const WEEK: [WeekdayDto; 7] = [
    WeekdayDto::Monday,
    WeekdayDto::Tuesday,
    WeekdayDto::Wednesday,
    WeekdayDto::Thursday,
    WeekdayDto::Friday,
    WeekdayDto::Saturday,
    WeekdayDto::Sunday,
];

/// Hours of one or more days of every week.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WeekWindowDto {
    /// On which days.
    pub days: Vec<WeekdayDto>,
    /// First minute, wall clock.
    #[schema(example = "07:00", pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$")]
    pub from: String,
    /// First minute after, wall clock; `24:00` is the end of the day. A shift over midnight is two windows.
    #[schema(example = "15:30", pattern = "^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$")]
    pub to: String,
    /// Allowed, and charged as overtime.
    #[serde(default, skip_serializing_if = "is_false")]
    pub overtime: bool,
}

/// Hours of a date.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WindowDto {
    /// First minute, wall clock.
    #[schema(example = "08:00", pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$")]
    pub from: String,
    /// First minute after, wall clock; `24:00` is the end of the day.
    #[schema(example = "12:00", pattern = "^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$")]
    pub to: String,
    /// Allowed, and charged as overtime.
    #[serde(default, skip_serializing_if = "is_false")]
    pub overtime: bool,
}

/// Dates that differ from the week: either one `date`, or all dates `from` ... `until`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ExceptionDto {
    /// The one date.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-11-26", format = Date)]
    pub date: Option<String>,
    /// First of several dates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = Date)]
    pub from: Option<String>,
    /// The first date that is ordinary again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = Date)]
    pub until: Option<String>,
    /// Hours that replace those of the week; none: closed.
    #[serde(default)]
    pub windows: Vec<WindowDto>,
    /// For people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Thanksgiving", max_length = 2000)]
    pub note: Option<String>,
}

/// A week of hours and the dates that differ from it.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CalendarDto {
    /// Hours of every week; they may meet, and not overlap.
    pub week: Vec<WeekWindowDto>,
    /// Dates that differ, each named once.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub exceptions: Vec<ExceptionDto>,
}

/// For members that are written only when true.
pub(super) fn is_false(value: &bool) -> bool {
    !value
}

impl CalendarDto {
    /// `who` has these hours; a calendar without an open minute is told as `never_code`.
    pub(super) fn to_domain(
        &self,
        at: &At,
        who: &str,
        never_code: &'static str,
        faults: &mut Faults,
    ) -> Option<Calendar> {
        let exceptions_at = at.field("exceptions");
        let counted = faults.count(&at.field("week"), self.week.len(), WINDOWS_PER_WEEK_MAX, "windows of a week")
            & faults.count(&exceptions_at, self.exceptions.len(), EXCEPTIONS_MAX, "exceptions");
        if !counted {
            return None;
        }
        let week = self.week_to_domain(&at.field("week"), faults);
        let exceptions = self.exceptions_to_domain(&exceptions_at, faults);
        let calendar = faults.take(at, Calendar::new(week?, exceptions?))?;
        if calendar.is_never() {
            let cure = "give at least one window, such as monday to friday from 07:00 to 15:30";
            faults.push(at, Fault::new(never_code, format!("{who} has no hours at all"), cure));
            return None;
        }
        Some(calendar)
    }

    fn week_to_domain(&self, at: &At, faults: &mut Faults) -> Option<[Vec<Window>; 7]> {
        let mut week: [Vec<Window>; 7] = Default::default();
        let mut good = true;
        for (index, entry) in self.week.iter().enumerate() {
            let at = at.item(index);
            if entry.days.is_empty() {
                faults.push(&at.field("days"), Fault::new("no-days", "a window is on no day", "name its days"));
            }
            let window = window(&at, &entry.from, &entry.to, entry.overtime, faults);
            good &= window.is_some() && !entry.days.is_empty();
            for day in entry.days.iter().take(WEEK.len() + 1) {
                week[*day as usize].extend(window);
            }
        }
        good.then_some(week)
    }

    fn exceptions_to_domain(&self, at: &At, faults: &mut Faults) -> Option<BTreeMap<NaiveDate, Vec<Window>>> {
        let mut dates: BTreeMap<NaiveDate, Vec<Window>> = BTreeMap::new();
        let mut good = true;
        for (index, entry) in self.exceptions.iter().enumerate() {
            let at = at.item(index);
            faults.note(&at.field("note"), entry.note.as_ref());
            let windows = entry.windows_to_domain(&at.field("windows"), faults);
            let span = entry.dates(&at, faults);
            let (Some(windows), Some((first, until))) = (windows, span) else {
                good = false;
                continue;
            };
            for date in first.iter_days().take_while(|date| *date < until) {
                if dates.insert(date, windows.clone()).is_some() {
                    let what = format!("{date} is named by two exceptions");
                    faults.push(&at, Fault::new("duplicate-date", what, "name each date once"));
                    good = false;
                    break;
                }
            }
        }
        good.then_some(dates)
    }

    /// Windows that are alike on several days are written once.
    pub(super) fn from_domain(calendar: &Calendar) -> CalendarDto {
        let mut alike: BTreeMap<Window, Vec<WeekdayDto>> = BTreeMap::new();
        for (day, windows) in WEEK.iter().zip(calendar.week()) {
            windows.iter().for_each(|window| alike.entry(*window).or_default().push(*day));
        }
        let text = |window: &Window| {
            let overtime = window.pay() == Pay::Overtime;
            (scalar::time_text(window.from_minute()), scalar::time_text(window.to_minute()), overtime)
        };
        let week = alike.into_iter().map(|(window, days)| {
            let (from, to, overtime) = text(&window);
            WeekWindowDto { days, from, to, overtime }
        });
        let exceptions = calendar.exceptions().iter().map(|(date, windows)| ExceptionDto {
            date: Some(date.to_string()),
            from: None,
            until: None,
            windows: windows.iter().map(text).map(|(from, to, overtime)| WindowDto { from, to, overtime }).collect(),
            note: None,
        });
        CalendarDto { week: week.collect(), exceptions: exceptions.collect() }
    }
}

impl ExceptionDto {
    fn windows_to_domain(&self, at: &At, faults: &mut Faults) -> Option<Vec<Window>> {
        if !faults.count(at, self.windows.len(), WINDOWS_PER_WEEK_MAX, "windows of a day") {
            return None;
        }
        let windows: Vec<Option<Window>> = self
            .windows
            .iter()
            .enumerate()
            .map(|(index, entry)| window(&at.item(index), &entry.from, &entry.to, entry.overtime, faults))
            .collect();
        windows.into_iter().collect()
    }

    /// First date and first date after.
    fn dates(&self, at: &At, faults: &mut Faults) -> Option<(NaiveDate, NaiveDate)> {
        match (&self.date, &self.from, &self.until) {
            (Some(date), None, None) => {
                let date = faults.take(&at.field("date"), scalar::date(date))?;
                Some((date, date.succ_opt()?))
            }
            (None, Some(from), Some(until)) => {
                let from = faults.take(&at.field("from"), scalar::date(from));
                let until = faults.take(&at.field("until"), scalar::date(until));
                let (from, until) = (from?, until?);
                let days = until.signed_duration_since(from).num_days();
                if !(1..=EXCEPTIONS_MAX as i64).contains(&days) {
                    let what = format!("an exception from {from} until {until} has {days} days");
                    let cure = format!("let it have 1 to {EXCEPTIONS_MAX} days; `until` is not included");
                    faults.push(at, Fault::new("bad-dates", what, cure));
                    return None;
                }
                Some((from, until))
            }
            _ => {
                let cure = "give either `date`, or both `from` and `until`";
                faults.push(at, Fault::new("bad-dates", "an exception does not say when it is", cure));
                None
            }
        }
    }
}

fn window(at: &At, from: &str, to: &str, overtime: bool, faults: &mut Faults) -> Option<Window> {
    let from = faults.take(&at.field("from"), scalar::time_of_day(from));
    let to = faults.take(&at.field("to"), scalar::time_of_day(to));
    let pay = if overtime { Pay::Overtime } else { Pay::Regular };
    faults.take(at, Window::new(from?, to?, pay))
}
