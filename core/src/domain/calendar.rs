//! Weekly working or access hours with exceptions by date, and their expansion into spans of time. Wall-clock rules
//! live in an IANA zone; which instants a wall time means is asked of `zone` alone.

use super::bounds::{EXCEPTIONS_MAX, WINDOWS_PER_WEEK_MAX};
use super::fault::Fault;
use super::time::{Minute, Span, joined};
use super::zone::Zone;
use chrono::{Datelike, Days, NaiveDate, Weekday};
use std::collections::BTreeMap;

/// Minutes of a wall-clock day; 1440 is midnight at its end.
pub const DAY_MINUTES: i32 = 1440;

/// Whether time counts as ordinary or is paid as overtime.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Pay {
    /// Ordinary hours.
    Regular,
    /// Allowed when it helps, and charged by the cost.
    Overtime,
}

/// A part of a wall-clock day, `from` included and `to` excluded, in minutes after midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Window {
    from_minute: i32,
    to_minute: i32,
    pay: Pay,
}

impl Window {
    /// Refuses windows that are empty, reversed or outside the day.
    pub fn new(from_minute: i32, to_minute: i32, pay: Pay) -> Result<Window, Fault> {
        if !(0..DAY_MINUTES).contains(&from_minute) || to_minute <= from_minute || to_minute > DAY_MINUTES {
            return Err(Fault::new(
                "bad-hours",
                format!("hours from minute {from_minute} to minute {to_minute} of a day are empty or reversed"),
                "let hours begin before they end, between 00:00 and 24:00; split a night shift at midnight",
            ));
        }
        Ok(Window { from_minute, to_minute, pay })
    }

    /// Minutes after midnight at which it opens.
    pub const fn from_minute(self) -> i32 {
        self.from_minute
    }

    /// Minutes after midnight at which it closes.
    pub const fn to_minute(self) -> i32 {
        self.to_minute
    }

    /// Ordinary or overtime.
    pub const fn pay(self) -> Pay {
        self.pay
    }
}

/// A week of windows and the dates that differ from it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Calendar {
    /// By days from Monday.
    week: [Vec<Window>; 7],
    /// Replaces the whole day; an empty list closes it.
    exceptions: BTreeMap<NaiveDate, Vec<Window>>,
}

impl Calendar {
    /// Refuses overlapping windows and absurd counts.
    pub fn new(week: [Vec<Window>; 7], exceptions: BTreeMap<NaiveDate, Vec<Window>>) -> Result<Calendar, Fault> {
        let count: usize = week.iter().map(Vec::len).sum();
        let longest_exception = exceptions.values().map(Vec::len).max().unwrap_or(0);
        if count > WINDOWS_PER_WEEK_MAX || exceptions.len() > EXCEPTIONS_MAX || longest_exception > WINDOWS_PER_WEEK_MAX
        {
            return Err(Fault::new(
                "too-many-hours",
                format!("{count} windows a week and {} exceptions are too many", exceptions.len()),
                format!("give at most {WINDOWS_PER_WEEK_MAX} windows and {EXCEPTIONS_MAX} exceptions; drop past ones"),
            ));
        }
        let mut calendar = Calendar { week, exceptions };
        for day in calendar.week.iter_mut().chain(calendar.exceptions.values_mut()) {
            day.sort_unstable();
            if let Some(pair) = day.windows(2).find(|pair| pair[1].from_minute < pair[0].to_minute) {
                return Err(Fault::new(
                    "overlapping-hours",
                    format!("two windows of one day overlap at minute {}", pair[1].from_minute),
                    "join the two windows, or move one",
                ));
            }
        }
        Ok(calendar)
    }

    /// Open at every hour of every day.
    pub fn always() -> Calendar {
        let whole = Window { from_minute: 0, to_minute: DAY_MINUTES, pay: Pay::Regular };
        Calendar { week: std::array::from_fn(|_| vec![whole]), exceptions: BTreeMap::new() }
    }

    /// The windows of an ordinary week, by day.
    pub fn week(&self) -> &[Vec<Window>; 7] {
        &self.week
    }

    /// The dates that differ.
    pub fn exceptions(&self) -> &BTreeMap<NaiveDate, Vec<Window>> {
        &self.exceptions
    }

    fn windows_on(&self, date: NaiveDate) -> &[Window] {
        let weekday: Weekday = date.weekday();
        self.exceptions.get(&date).unwrap_or(&self.week[weekday.num_days_from_monday() as usize])
    }

    /// All open spans that touch `within`, cut to it: sorted, disjoint, joined where they touch (so a shift that runs
    /// over midnight is one unbroken span). Regular and overtime together.
    pub fn spans(&self, zone: Zone, within: Span) -> Vec<Span> {
        self.spans_where(zone, within, |_| true)
    }

    /// As [`Calendar::spans`], ordinary hours only.
    pub fn regular_spans(&self, zone: Zone, within: Span) -> Vec<Span> {
        self.spans_where(zone, within, |pay| pay == Pay::Regular)
    }

    fn spans_where(&self, zone: Zone, within: Span, wanted: impl Fn(Pay) -> bool) -> Vec<Span> {
        let last = zone.date(within.end());
        let mut date = zone.date(within.start());
        let mut out = Vec::new();
        while date <= last {
            for window in self.windows_on(date).iter().filter(|window| wanted(window.pay)) {
                let open = zone.opening(date, window.from_minute);
                let close = zone.closing(date, window.to_minute);
                out.extend(Span::new(open, close).and_then(|span| span.intersection(within)));
            }
            let Some(next) = date.checked_add_days(Days::new(1)) else { break };
            date = next;
        }
        joined(out)
    }

    /// The longest unbroken open span of an ordinary week or an exception, in wall-clock minutes; 0 when never open.
    /// Windows that meet at midnight count together, a week open throughout as seven days.
    pub fn longest_minutes(&self) -> i64 {
        let mut longest = 0;
        let mut run = 0;
        let mut reached = 0;
        for (day, window) in (0..14).flat_map(|day| self.week[day % 7].iter().map(move |window| (day, window))) {
            let from = day as i64 * i64::from(DAY_MINUTES) + i64::from(window.from_minute);
            let length = i64::from(window.to_minute - window.from_minute);
            run = if from == reached && run > 0 { run + length } else { length };
            reached = from + length;
            longest = longest.max(run);
        }
        let exceptional = self.exceptions.values().flatten().map(|w| i64::from(w.to_minute - w.from_minute));
        longest.min(7 * i64::from(DAY_MINUTES)).max(exceptional.max().unwrap_or(0))
    }

    /// Whether there is no open minute at all.
    pub fn is_never(&self) -> bool {
        self.longest_minutes() == 0
    }
}

/// The whole days `[from, until)` in `zone` as one span; for planning "Thursday" without assuming 24 hours.
pub fn day_span(zone: Zone, from: NaiveDate, until: NaiveDate) -> Option<Span> {
    Span::new(zone.day_start(from), zone.day_start(until))
}

/// The span of the calendar day that contains `at`.
pub fn day_of(zone: Zone, at: Minute) -> Span {
    let start = zone.day_start(zone.date(at));
    Span::new(start, zone.next_day_start(at)).unwrap_or_else(|| unreachable!("a day ends after it starts"))
}
