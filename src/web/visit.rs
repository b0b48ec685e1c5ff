//! Works that follow each other on one day under one heading: a crew in a house.

use super::words;
use crate::domain::zone::Zone;
use crate::service::{FeedWeek, FeedWork, kind_word};
use chrono::{Days, NaiveDate};
use maud::{Markup, html};

/// Works in a row with the same crew, house and job.
pub(super) type Visit<'a> = Vec<&'a FeedWork>;

/// The days of a week.
pub(super) fn days(week: &FeedWeek) -> Vec<NaiveDate> {
    (0..crate::service::FEED_WEEK_DAYS).filter_map(|day| week.from.checked_add_days(Days::new(day))).collect()
}

/// The day a work is shown on: the one it starts on, or the week's first when it started before.
pub(super) fn shown_on(week: &FeedWeek, work: &FeedWork) -> NaiveDate {
    week.zone.date(work.start).max(week.from)
}

/// Puts works, which are in order, under headings.
pub(super) fn visits<'a>(works: impl Iterator<Item = &'a FeedWork>) -> Vec<Visit<'a>> {
    let mut visits: Vec<Visit<'a>> = Vec::new();
    for work in works {
        match visits.last_mut() {
            Some(visit) if visit.first().is_some_and(|first| together(first, work)) => visit.push(work),
            _ => visits.push(vec![work]),
        }
    }
    visits
}

fn together(one: &FeedWork, other: &FeedWork) -> bool {
    (&one.crew, &one.house, &one.address, &one.job) == (&other.crew, &other.house, &other.address, &other.job)
}

/// One work: strip of colour and pattern, time, kind in words, name.
pub(super) fn work(work: &FeedWork, zone: Zone, on: NaiveDate) -> Markup {
    let state = work.state.and_then(words::state);
    let start = work.start.to_utc().format("%Y-%m-%dT%H:%MZ").to_string();
    html! {
        li.work.(words::class(work.kind)) {
            span.when {
                time datetime=(start) { (words::span(zone, work.start, work.finish, on)) }
                @if zone.offset_minutes(work.start) != work.house_zone.offset_minutes(work.start) {
                    " " span.aside { "(" (words::clock(work.house_zone, work.start)) " at the house)" }
                }
            }
            span.step {
                (work.step)
                @if let Some((piece, of)) = work.part { " " span.aside { "part " (piece) " of " (of) } }
                @if let Some(state) = state { " " span.state { (state) } }
            }
            " "
            span.kind { (kind_word(work.kind)) }
        }
    }
}
