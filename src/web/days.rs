//! A crew's, a house's or a customer's week: one column a day, beside each other where there is room.

use super::load;
use super::visit::{Visit, days, shown_on, visits, work};
use super::words;
use crate::domain::time::Minute;
use crate::dto::PlacedStateDto;
use crate::service::{FeedKindDto, FeedWait, FeedWeek, FeedWork};
use chrono::NaiveDate;
use maud::{Markup, html};

/// Shorter times between steps that need none are not worth a word.
const GAP_MIN_MINUTES: i64 = 30;

/// What stands in a day's column, by time.
enum Item<'a> {
    Visit(Visit<'a>),
    Wait(&'a FeedWait),
}

impl Item<'_> {
    fn start(&self) -> Minute {
        match self {
            Item::Visit(visit) => visit[0].start,
            Item::Wait(wait) => wait.start,
        }
    }
}

/// All columns.
pub(super) fn columns(week: &FeedWeek) -> Markup {
    let today = week.zone.date(week.now);
    let waits: Vec<&FeedWait> = week.waits.iter().filter(|wait| is_told(week, wait)).collect();
    html! {
        div.days {
            @for date in days(week) {
                @let items = items(week, &waits, date);
                section.day.today[date == today].free[items.is_empty()] id=[(date == today).then_some("today")] {
                    h2 { (words::day(date)) @if date == today { " " span.mark { "today" } } }
                    @if items.is_empty() { p.nothing { "Nothing due" } }
                    @for item in &items {
                        @match item {
                            Item::Visit(visit) => (visit_in(week, visit, date)),
                            Item::Wait(one) => (wait(week, one, date)),
                        }
                    }
                    @if let Some(list) = week.loads.iter().find(|list| list.date == date) {
                        (load::list(list, date == today))
                    }
                }
            }
        }
    }
}

/// What the customer may do after the last coat.
pub(super) fn cares(week: &FeedWeek) -> Markup {
    html! {
        @for care in &week.cares {
            section.care {
                h2 { "After the last coat" @if week.cares.len() > 1 { ": " (care.job) } }
                ul { @for line in &care.lines { li { (line) } } }
                p.aside { "Weather, readings and the label of the finish may change these dates: look again before you "
                    "move anything." }
            }
        }
    }
}

/// What a floor needs is always told; a mere pause only where nothing else is.
pub(super) fn is_told(week: &FeedWeek, wait: &FeedWait) -> bool {
    let over = |start: Minute, finish: Minute| start < wait.finish && finish > wait.start;
    let other = |one: &FeedWait| one != wait && one.is_needed() && over(one.start, one.finish);
    wait.is_needed()
        || (wait.finish.since(wait.start) >= GAP_MIN_MINUTES
            && !week.works.iter().any(|work| over(work.start, work.finish))
            && !week.waits.iter().any(other))
}

fn items<'a>(week: &'a FeedWeek, waits: &[&'a FeedWait], date: NaiveDate) -> Vec<Item<'a>> {
    let (opens, closes) = (week.zone.day_start(date), week.zone.next_day_start(week.zone.day_start(date)));
    let here = waits.iter().filter(|wait| wait.start < closes && wait.finish > opens);
    let waits: Vec<&FeedWait> = here.copied().collect();
    let mut items: Vec<Item<'a>> = Vec::new();
    // A wait that begins between two works of one crew comes between them.
    for one in week.works.iter().filter(|work| shown_on(week, work) == date) {
        let parted = |since: Minute| waits.iter().any(|wait| wait.start >= since && wait.start < one.start);
        match items.last_mut() {
            Some(Item::Visit(visit))
                if visits([visit[0], one].into_iter()).len() == 1 && !parted(visit[visit.len() - 1].start) =>
            {
                visit.push(one);
            }
            _ => items.push(Item::Visit(vec![one])),
        }
    }
    items.extend(waits.into_iter().map(Item::Wait));
    items.sort_by_key(Item::start);
    items
}

fn visit_in(week: &FeedWeek, visit: &Visit<'_>, date: NaiveDate) -> Markup {
    let first = visit[0];
    let done = visit.iter().all(|work| work.state == Some(PlacedStateDto::Done));
    html! {
        div.visit.done[done] {
            @match week.kind {
                FeedKindDto::Crew | FeedKindDto::Office => {
                    h3 { (first.house) }
                    @if let Some(address) = &first.address { p.aside { (address) } }
                }
                FeedKindDto::House => @if let Some((_, crew)) = &first.crew { h3 { (crew) } },
                FeedKindDto::Customer => h3 { (first.job) },
            }
            ul {
                @for one in visit {
                    (work(one, week.zone, date))
                    (details(one, week.kind))
                }
            }
            @if !done { (load::beware(visit)) }
        }
    }
}

/// What to bring and to heed: before the eyes of the crew, folded up for those who look at a house.
fn details(work: &FeedWork, kind: FeedKindDto) -> Markup {
    let told = html! {
        @if !work.gear.is_empty() { p { b { "Bring " } (gear(work.gear.iter())) } }
        @for line in &work.tried { p.tried { (line) } }
        @if let Some(notes) = &work.notes { p { (notes) } }
        @if !work.sections.is_empty() {
            details { summary { "Section by section" } @for line in &work.sections { p { (line) } } }
        }
    };
    html! {
        @if work.gear.is_empty() && work.notes.is_none() && work.tried.is_empty() && work.sections.is_empty() {
        } @else if kind == FeedKindDto::Crew {
            li.details { (told) }
        } @else {
            li.details { details { summary { "Gear and notes" } (told) } }
        }
    }
}

fn gear<'a>(gear: impl Iterator<Item = (&'a String, &'a i64)>) -> String {
    gear.map(|(key, units)| format!("{units} × {key}")).collect::<Vec<String>>().join(", ")
}

/// A wait on one of its days: whole on the first one shown, shortly on those that follow.
fn wait(week: &FeedWeek, wait: &FeedWait, date: NaiveDate) -> Markup {
    let zone = week.zone;
    let begins = zone.date(wait.start).max(week.from) == date;
    let until = words::soon(zone, wait.finish, date);
    let needed = wait.is_needed();
    html! {
        div.wait.ready[!needed].goes-on[!begins] {
            p.when {
                @if begins { (words::span(zone, wait.start, wait.finish, date)) } @else { "until " (until) }
            }
            @if needed {
                p.what {
                    @if begins { "Floor waits " b { (words::length(wait.finish.since(wait.start))) } }
                    @else { "Floor still waits" }
                }
                @if wait.keep_off { p.keep-off { "Keep off until dry" } }
            } @else {
                p.what { "Floor is ready" }
            }
            @if begins {
                p.aside { (wait.after) " → " (wait.before) }
                @if needed { p.aside { (least(wait)) } }
            } @else {
                p.aside { "then " (wait.before) }
            }
        }
    }
}

/// The least the floor needs, as far as it is known before the weather is.
fn least(wait: &FeedWait) -> String {
    let mut parts = Vec::new();
    if wait.min_minutes > 0 {
        let longer = if wait.film.is_some() { ", more when cool or damp" } else { "" };
        parts.push(format!("at least {}{longer}", words::length(wait.min_minutes)));
    }
    if wait.overnight {
        parts.push("a night between".to_owned());
    }
    if let Some(film) = wait.film {
        parts.push(format!("dries: {}", film.word()));
    }
    parts.join("; ")
}
