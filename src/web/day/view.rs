//! The page of a crew's day.

use super::super::shell::{self, Place};
use super::super::visitor::Visitor;
use super::super::{load, words};
use super::card;
use crate::dto::FilmDto;
use crate::service::{CrewDayDto, CrewWorkDto, CrewWorksDto, RunningWaitDto, StepStandingDto};
use crate::store::NounRow;
use maud::{Markup, html};

/// The day of one crew.
pub(super) fn page(visitor: &Visitor, day: &CrewDayDto) -> Markup {
    let body = html! {
        main.crew-day #content data-crew=(day.crew) data-crew-name=(day.crew_name) data-date=(day.day.date) data-zone=(day.time_zone) {
            time #server-now hidden datetime=(day.now) {}
            header.day-head {
                h1 { (words::day(day.day.date)) }
                p.aside { (day.crew_name) @if let Some(plan) = day.plan { " · plan " (plan) } }
            }
            p.net #net role="status" { "Reports are kept on this phone and sent when there is a net." }
            noscript { p.fault { "Reporting needs scripts, which this browser has switched off. The day can be read all the same." } }
            div #alarms {}
            div #outbox {}
            div #shown { (shown(day)) }
            div #told {}
        }
    };
    shell::inside(visitor, Place::Day, &format!("{}, {}", day.crew_name, words::day(day.day.date)), &["day"], &body)
}

/// What changes with what is known. The script puts it in anew.
fn shown(day: &CrewDayDto) -> Markup {
    let over = |work: &&CrewWorkDto| matches!(work.standing, StepStandingDto::Done | StepStandingDto::Failed);
    let open: Vec<&CrewWorkDto> = day.day.works.iter().filter(|work| !over(work)).collect();
    let done: Vec<&CrewWorkDto> = day.day.works.iter().filter(over).collect();
    let first = open.iter().position(|work| work.standing == StepStandingDto::Running).unwrap_or(0);
    html! {
        section.todo aria-label="Today" {
            @if open.is_empty() && done.is_empty() { p.empty { "Nothing is promised for today." } }
            div #todo {
                @for (index, work) in open.iter().enumerate() { (card::work(work, &day.waits, index == first)) }
            }
        }
        @if !day.unreported.is_empty() {
            section {
                h2 { "Not reported yet" }
                @for work in &day.unreported { (card::work(work, &day.waits, false)) }
            }
        }
        @if !day.waits.is_empty() {
            section {
                h2 { "Waits that run" }
                ul.running { @for wait in &day.waits { (running(wait)) } }
            }
        }
        (load::list(&day.day.load, false))
        @if let Some(next) = &day.next_day { (next_day(next, &day.waits)) }
        section.over hidden[done.is_empty()] {
            h2 { "Done today" }
            div #over { @for work in &done { (card::work(work, &day.waits, false)) } }
        }
    }
}

fn next_day(next: &CrewWorksDto, waits: &[RunningWaitDto]) -> Markup {
    html! {
        section.next-day {
            h2 { (words::day(next.date)) }
            @for work in &next.works { (card::work(work, waits, false)) }
            (load::list(&next.load, false))
        }
    }
}

fn running(wait: &RunningWaitDto) -> Markup {
    let what = match wait.film {
        Some(FilmDto::Treatment) => "Treatment dries",
        Some(_) => "Film dries",
        None => "Wait",
    };
    html! {
        li.wait data-until=(wait.ready_at) data-latest=[wait.latest_at.as_deref()] {
            p { b { (wait.house_name) } " " span.aside { (what) " after " (wait.after) } }
            p.when { span.left {} " until " time datetime=(wait.ready_at) { (card::day_clock(&wait.ready_at)) } ", then " (wait.before) }
            @if wait.keep_off { p.keep-off { "Keep off until then." } }
            @if let Some(latest) = &wait.latest_at { p { "Begin no later than " time datetime=(latest) { (card::day_clock(latest)) } "." } }
        }
    }
}

/// For the office: whose day?
pub(super) fn choice(visitor: &Visitor, crews: &[NounRow]) -> Markup {
    let body = html! {
        main.crew-day #content {
            header.day-head { h1 { "Whose day?" } }
            @if crews.is_empty() { p.empty { "There are no crews yet." } }
            ul.choice-of-crews {
                @for crew in crews { li { a.button href={ "/day?crew=" (crew.key) } { (crew.name) } } }
            }
        }
    };
    shell::inside(visitor, Place::Day, "Whose day?", &[], &body)
}
