//! A crew's day on paper: one sheet of A4 with the houses in order, what to load, and room to write. Behind the address of
//! the crew's calendar, and for whoever is signed in: the office and viewers of any crew, a crew its own.

use super::visit::{Visit, visits};
use super::visitor::escaped;
use super::{load, shell, words};
use crate::dto::{CautionDto, StepKindDto};
use crate::service::{FeedWeek, FeedWork, kind_word};
use chrono::{Days, NaiveDate};
use maud::{Markup, html};
use std::sync::LazyLock;

/// How it looks on paper and before it is printed.
pub(super) const STYLE: &str = include_str!("day_sheet.css");
static STYLE_ADDRESS: LazyLock<String> = LazyLock::new(|| shell::address("/day-sheet.css", STYLE));
/// Readings of an area that there is room for; a large one goes on to the back.
const READINGS_ROOM: usize = 6;

/// How the reader came.
pub(super) enum From<'a> {
    /// By the address of the crew's calendar.
    Address(&'a str),
    /// Signed in: the crew's key, the crews that may be chosen (keys and names), and where the way back leads.
    Inside { crew: &'a str, crews: &'a [(String, String)], back: &'static str },
}

/// The sheet of the first day of `week`.
pub(super) fn page(week: &FeedWeek, reader: &From<'_>) -> Markup {
    let date = week.from;
    let works = week.works.iter().filter(|work| touches(week, work, date));
    let visits = visits(works);
    let told = date.format("%A, %-d %B %Y").to_string();
    let body = html! {
        link rel="stylesheet" href=(*STYLE_ADDRESS);
        (ways(date, reader))
        main.sheet {
            header {
                div {
                    h1 { (week.subject) }
                    p { (week.company) }
                }
                div.right {
                    p.date { (told) }
                    p { "Times in " (week.zone.name())
                        @if let Some(plan) = &week.plan { " · plan " (plan.number) } }
                }
            }
            @if visits.is_empty() { p.empty { "Nothing is promised on this day." } }
            @for (index, visit) in visits.iter().enumerate() { (house(week, visit, index + 1, date)) }
            @for list in week.loads.iter().filter(|list| list.date == date) {
                section.take { h2 { "What to load" } (load::list(list, true)) }
            }
            (signatures())
        }
    };
    shell::page(&format!("{} · {told}", week.subject), &body)
}

fn touches(week: &FeedWeek, work: &FeedWork, date: NaiveDate) -> bool {
    week.zone.date(work.start) <= date && date <= week.zone.date(work.finish.plus(-1))
}

/// To the days before and after, and back; not printed.
fn ways(date: NaiveDate, reader: &From<'_>) -> Markup {
    let day = |date: NaiveDate| date.format("%Y-%m-%d").to_string();
    let of = |crew: &str, date: NaiveDate| format!("?crew={}&date={}", escaped(crew), day(date));
    let at = |date: Option<NaiveDate>| {
        date.map(|date| match reader {
            From::Address(_) => format!("?date={}", day(date)),
            From::Inside { crew, .. } => of(crew, date),
        })
    };
    let today = match reader {
        From::Address(_) => "?".to_owned(),
        From::Inside { crew, .. } => format!("?crew={}", escaped(crew)),
    };
    html! {
        nav.ways-on aria-label="Other days" {
            @if let From::Inside { back, .. } = reader { a href=(back) { "← Back" } }
            @if let Some(before) = at(date.checked_sub_days(Days::new(1))) { a rel="prev" href=(before) { "← Day before" } }
            a href=(today) { "Today" }
            @if let Some(after) = at(date.checked_add_days(Days::new(1))) { a rel="next" href=(after) { "Day after →" } }
            @match reader {
                From::Address(secret) => a href={ "/week/" (secret) "?from=" (day(date)) } { "The week" },
                From::Inside { crew, crews, .. } => {
                    @for (key, name) in crews.iter() {
                        @if key == crew { span.here aria-current="page" { (name) } } @else { a href=(of(key, date)) { (name) } }
                    }
                }
            }
        }
    }
}

fn house(week: &FeedWeek, visit: &Visit<'_>, number: usize, date: NaiveDate) -> Markup {
    let first = visit[0];
    let checks = visit.iter().filter(|work| work.kind == StepKindDto::Check);
    html! {
        section.house {
            h2 {
                span.number { (number) } " " (first.house)
                @if let Some(address) = first.address.as_ref().filter(|address| **address != first.house) {
                    span.address { (address) }
                }
            }
            table.steps {
                tbody {
                    @for work in visit { (step(week, work, date)) }
                }
            }
            (beware(visit))
            @for work in visit.iter().filter(|work| !work.sections.is_empty()) {
                div.plan {
                    h3 { (work.step) ", section by section" }
                    ol { @for line in &work.sections { li { (line) } } }
                }
            }
            @for check in checks { (readings(check)) }
        }
    }
}

fn step(week: &FeedWeek, work: &FeedWork, date: NaiveDate) -> Markup {
    let gear: Vec<String> = work.gear.iter().map(|(key, units)| format!("{units} × {key}")).collect();
    html! {
        tr {
            td.box aria-hidden="true" { "☐" }
            td.when { (words::span(week.zone, work.start, work.finish, date)) }
            td.what {
                b { (work.step) } " "
                span.kind { (kind_word(work.kind)) }
                @if let Some((piece, of)) = work.part { " (part " (piece) " of " (of) ")" }
                @if !gear.is_empty() { p { "Gear: " (gear.join(", ")) } }
                @if let Some(notes) = &work.notes { p { (notes) } }
                @for line in &work.tried { p { (line) } }
            }
            td.wrote { "from" span.write {} "to" span.write {} }
        }
    }
}

fn beware(visit: &Visit<'_>) -> Markup {
    let mut told: Vec<&CautionDto> = Vec::new();
    for caution in visit.iter().flat_map(|work| &work.cautions) {
        if !told.contains(&caution) {
            told.push(caution);
        }
    }
    let short: Vec<&str> = told.iter().map(|caution| caution.short.as_str()).collect();
    html! { @if !short.is_empty() { p.beware { b { "Beware: " } (short.join(" · ")) } } }
}

/// Room for what the meter shows, area by area.
fn readings(check: &FeedWork) -> Markup {
    html! {
        table.readings {
            caption { (check.step) ": percent of moisture, meter and number ________________" }
            thead {
                tr {
                    th { "Area" }
                    @for number in 1..=READINGS_ROOM { th { (number) } }
                    th { "Average" }
                }
            }
            tbody {
                @for area in &check.areas {
                    tr { th { (area) } @for _ in 0..=READINGS_ROOM { td {} } }
                }
                tr { th { "Whole floor" } td.void colspan=(READINGS_ROOM) {} td {} }
            }
        }
    }
}

fn signatures() -> Markup {
    html! {
        footer.signatures {
            p { span.write {} "Crew lead" }
            p { span.write {} "Customer or general contractor" }
            p { span.write {} "Date and time" }
        }
        p.last { "Label, safety data sheet and local codes come before this sheet." }
    }
}
