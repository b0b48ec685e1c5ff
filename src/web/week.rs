//! A week: what it is about, the ways to other weeks, and the body that its reader needs.

use super::{board, days, line, shell, visit, words};
use crate::domain::time::Minute;
use crate::dto::StepKindDto;
use crate::service::{FeedKindDto, FeedWeek, kind_word};
use chrono::{Days, NaiveDate};
use maud::{Markup, html};

/// The whole page; `secret` is what the reader came with.
pub(super) fn page(week: &FeedWeek, secret: &str) -> Markup {
    let last = visit::days(week).last().copied().unwrap_or(week.from);
    let dates = words::dates(week.from, last);
    let title = format!("{} · {dates}", week.subject);
    let body = html! {
        header.head {
            div.what {
                p.about { (about(week)) }
                h1 { (week.subject) }
                @if let Some(address) = week.address.as_ref().filter(|address| **address != week.subject) {
                    p.place { (address) }
                }
            }
            div.which {
                p.dates { (dates) }
                p.zone { "Times in " (week.zone.name()) " (" (clocks(week)) ")" }
            }
            (ways(week))
        }
        main class={ "week " (shape(week.kind)) } {
            @match week.kind {
                FeedKindDto::Office => (board::board(week)),
                FeedKindDto::House | FeedKindDto::Customer => { (line::line(week)) (days::columns(week)) }
                FeedKindDto::Crew => (days::columns(week)),
            }
            @if week.works.is_empty() { (empty(week)) }
            (days::cares(week))
        }
        footer.foot {
            (legend(week))
            p.source {
                @if let Some(plan) = &week.plan {
                    "Plan " (plan.number)
                    @if let Some(at) = plan.published_at {
                        ", published " (words::day_clock(week.zone, Minute::floor_from(at)))
                    }
                    ". "
                    @for guess in &plan.guesses { (guess.told(|at| words::day_clock(week.zone, at))) ". " }
                } @else if week.kind != FeedKindDto::Customer {
                    "Nothing has been published yet. "
                }
                a href={ "/feeds/" (secret) ".ics" } { "The same as a calendar (.ics)" }
                @if week.kind == FeedKindDto::Crew {
                    " · " a href={ "/day-sheet/" (secret) } { "Today on paper" }
                }
            }
        }
    };
    shell::page(&title, &body)
}

fn about(week: &FeedWeek) -> Markup {
    html! {
        @match week.kind {
            FeedKindDto::Office => "All crews",
            FeedKindDto::Crew => { (week.company) " · crew" }
            FeedKindDto::House => { (week.company) " · house" }
            FeedKindDto::Customer => "Work on your floors",
        }
    }
}

const fn shape(kind: FeedKindDto) -> &'static str {
    match kind {
        FeedKindDto::Office => "of-office",
        FeedKindDto::Crew => "of-crew",
        FeedKindDto::House => "of-house",
        FeedKindDto::Customer => "of-customer",
    }
}

/// Letters of the clock, of both when it changes within the week.
fn clocks(week: &FeedWeek) -> String {
    let opens = week.zone.day_start(week.from);
    let closes = week.zone.day_start(week.from.checked_add_days(Days::new(7)).unwrap_or(week.from));
    let (first, last) = (week.zone.clock(opens).abbreviation, week.zone.clock(closes.plus(-1)).abbreviation);
    if first == last { first } else { format!("{first}, then {last}") }
}

/// To the weeks before and after, as far as the calendar reaches, and to any other day.
fn ways(week: &FeedWeek) -> Markup {
    let at = |date: Option<NaiveDate>| date.map(|date| format!("?from={}", iso(date)));
    let before = week.from.checked_sub_days(Days::new(7)).filter(|_| week.from > week.reach.0);
    let after = week.from.checked_add_days(Days::new(7)).filter(|date| *date <= week.reach.1);
    let today = week.zone.date(week.now);
    let current = week.from <= today && today.signed_duration_since(week.from).num_days() < 7;
    html! {
        nav.ways-on aria-label="Other weeks" {
            @if let Some(address) = at(before) { a rel="prev" href=(address) { "← Earlier" } }
            @if current { span.here aria-current="date" { "This week" } } @else { a href="?" { "This week" } }
            @if let Some(address) = at(after) { a rel="next" href=(address) { "Later →" } }
            @if current && week.kind != FeedKindDto::Office { a.to-today href="#today" { "Today ↓" } }
            form method="get" {
                label { span { "From" } " " input type="date" name="from" required value=(iso(week.from))
                    min=(iso(week.reach.0)) max=(iso(week.reach.1)); }
                button { "Show" }
            }
        }
    }
}

fn iso(date: NaiveDate) -> String {
    date.format("%Y-%m-%d").to_string()
}

fn empty(week: &FeedWeek) -> Markup {
    html! {
        p.empty {
            "Nothing is promised in these seven days."
            @if let Some(next) = week.next {
                @let date = week.zone.date(next);
                " Next: " a href={ "?from=" (iso(date)) } { (words::day_clock(week.zone, next)) } "."
            }
        }
    }
}

/// The kinds of work on the page, as they come.
fn legend(week: &FeedWeek) -> Markup {
    let mut kinds: Vec<StepKindDto> = Vec::new();
    for work in &week.works {
        if !kinds.contains(&work.kind) {
            kinds.push(work.kind);
        }
    }
    let waits = week.waits.iter().any(|wait| wait.is_needed());
    html! {
        @if !kinds.is_empty() {
            ul.legend aria-label="Kinds of work" {
                @for kind in kinds { li.(words::class(kind)) { (kind_word(kind)) } }
                @if waits { li.drying { "Floor waits" } }
            }
        }
    }
}
