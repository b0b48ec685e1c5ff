//! `GET /houses/{key}`: one house and one of its jobs, with everything that is known. The parts are in files of their own.

use super::houses::{LOOKERS, against, count, marks, stands, status_word};
use super::shell::{self, Place, csrf};
use super::visitor::Visitor;
use super::{house_chain, house_floor, house_letter, house_work, pattern, reply, words};
use crate::domain::time::Minute;
use crate::dto::StepKindDto;
use crate::service::{FeedKindDto, HousePage, JobLine, JobPage, Service, ServiceError, kind_word};
use crate::store::{StoreError, TokenRole};
use actix_web::http::StatusCode;
use actix_web::{HttpResponse, web};
use maud::{Markup, html};
use serde::Deserialize;

/// Which job of the house.
#[derive(Debug, Default, Deserialize)]
pub(super) struct JobQuery {
    job: Option<String>,
}

fn job(query: Option<web::Query<JobQuery>>) -> Option<String> {
    query.and_then(|query| query.into_inner().job).filter(|key| !key.is_empty())
}

fn failed(visitor: &Visitor, error: &ServiceError) -> HttpResponse {
    if !matches!(error, ServiceError::Store(StoreError::NotFound { .. })) {
        return reply::failed(error);
    }
    let body = html! {
        main.notice #content {
            h1 { "There is no such house or job" }
            p { "It may have another key, or be another company's." }
            p { a href="/houses" { "All houses" } }
        }
    };
    reply::inside_with(StatusCode::NOT_FOUND, &shell::inside(visitor, Place::Houses, "No such house", &[], &body))
}

/// `GET /houses/{key}`.
pub(super) async fn look(
    service: web::Data<Service>,
    visitor: Visitor,
    key: web::Path<String>,
    query: Option<web::Query<JobQuery>>,
) -> HttpResponse {
    if let Err(page) = visitor.only(LOOKERS) {
        return page;
    }
    match service.house_page(visitor.company, &key, job(query).as_deref()).await {
        Ok(view) => reply::inside(&page(&visitor, &view)),
        Err(error) => failed(&visitor, &error),
    }
}

/// `GET /houses/{key}/letter`.
pub(super) async fn letter(
    service: web::Data<Service>,
    visitor: Visitor,
    key: web::Path<String>,
    query: Option<web::Query<JobQuery>>,
) -> HttpResponse {
    if let Err(page) = visitor.only(LOOKERS) {
        return page;
    }
    match service.house_letter(visitor.company, &key, job(query).as_deref()).await {
        Ok(letter) => reply::inside(&house_letter::page(&visitor, &key, &letter)),
        Err(error) => failed(&visitor, &error),
    }
}

fn page(visitor: &Visitor, view: &HousePage) -> Markup {
    let house = &view.house;
    let sqft: i64 = house.areas.iter().map(|area| area.area_sqft).sum();
    let body = html! {
        main.house-page #content {
            (pattern::patterns())
            header.head {
                div {
                    p.about { a href="/houses" { "Houses" } }
                    h1 { (house.name) }
                    p.place {
                        @if let Some(address) = house.address.as_ref().filter(|address| **address != house.name) { (address) " · " }
                        (sqft) " sq ft in " (count(house.areas.len(), "area", "areas"))
                        @if let Some(year) = house.built_year { " · built " (year) }
                    }
                }
                div.which { p.zone { "Now " (words::day_clock(view.zone, view.now)) " · times in " (view.zone.name()) } }
                @if view.jobs.len() > 1 { (jobs(view)) }
            }
            @match &view.shown {
                Some(shown) => (job_page(visitor, view, shown)),
                None => p.empty { "This house has no job yet." },
            }
        }
    };
    shell::inside(visitor, Place::Houses, &house.name, &[], &body)
}

fn jobs(view: &HousePage) -> Markup {
    let shown = view.shown.as_ref().map(|shown| shown.line.job.as_str());
    html! {
        nav.ways-on aria-label="Jobs of this house" {
            @for line in &view.jobs {
                @if Some(line.job.as_str()) == shown { span.here aria-current="page" { (line.job_name) " · " (status_word(line.status)) } }
                @else { a href={ "?job=" (line.job) } { (line.job_name) " · " (status_word(line.status)) } }
            }
        }
    }
}

fn job_page(visitor: &Visitor, view: &HousePage, page: &JobPage) -> Markup {
    let checks = page.line.steps.iter().any(|line| line.step.kind == StepKindDto::Check || line.step.meter.is_some());
    html! {
        (summary(&page.line, view.now))
        section.wide aria-labelledby="chain" {
            h2 #chain { "The chain" }
            (house_chain::line(&page.line, view.now))
            (house_chain::list(&page.line, view.now))
        }
        @if checks {
            section.wide aria-labelledby="readings" { h2 #readings { "Readings" } (house_floor::checks(page, view.zone)) }
        }
        @if !page.treatments.is_empty() {
            section.wide aria-labelledby="treatment" { h2 #treatment { "Treatment, section by section" } (house_work::treatments(page)) }
        }
        div.columns {
            section aria-labelledby="history" { h2 #history { "What happened" } (house_work::history(page, view.zone)) }
            section aria-labelledby="quantities" { h2 #quantities { "Quantities" } (house_work::quantities(&page.loads)) }
            section aria-labelledby="cautions" { h2 #cautions { "Beware" } (house_work::cautions(page)) }
            section.of-customer aria-labelledby="customer" {
                h2 #customer { "What the customer is told" }
                div.letter-in-short { (house_letter::text(&page.letter)) }
                p { a.button href={ "/houses/" (view.house.key) "/letter?job=" (page.line.job) } { "Letter to print" } }
            }
            @if visitor.role == TokenRole::Office {
                section aria-labelledby="calendars" { h2 #calendars { "Its calendars" } (calendars(visitor, view)) }
            }
        }
    }
}

fn summary(line: &JobLine, now: Minute) -> Markup {
    let (zone, today) = (line.zone, line.zone.date(now));
    html! {
        dl.summary {
            div.wide { dt { "Now" } dd { (stands(line, now)) (marks(line)) } }
            div {
                dt { "Next visit" }
                dd {
                    @if let Some(step) = line.next.and_then(|index| line.steps.get(index)) {
                        b { @if let Some((start, finish)) = step.span { (words::span_from(zone, start, finish, today)) } }
                        span.aside { (step.step.name) " · " (kind_word(step.step.kind)) @if let Some(crew) = &step.crew { " · " (crew) } }
                    } @else { span.aside { "none promised" } }
                }
            }
            div {
                dt { "Promised" }
                dd { @if let Some(finish) = line.finish { b { (words::day_clock(zone, finish)) } } @else { span.aside { "no finish promised" } } }
            }
            div {
                dt { "Due" }
                dd { @if let Some(due) = line.due { b { (words::day_clock(zone, due)) } (against(line, due, line.late_minutes())) } @else { span.aside { "no date" } } }
            }
            div {
                dt { "Done" }
                dd { b { (line.done()) " of " (line.steps.len()) } span.aside { "steps" @if let Some(method) = &line.copied_from { " · " (method) } } }
            }
        }
    }
}

/// Who has one, and a button for another.
fn calendars(visitor: &Visitor, view: &HousePage) -> Markup {
    let word = |kind| if kind == FeedKindDto::Customer { "For the customer" } else { "All work in the house" };
    html! {
        ul.feeds {
            @for feed in &view.feeds {
                li { b { (word(feed.kind)) } span.aside { "since " (words::day_clock(view.zone, Minute::floor_from(feed.created_at))) } }
            }
        }
        @if view.feeds.is_empty() { p.aside { "Nobody has a calendar of this house yet." } }
        div.doing {
            @for (kind, name) in [("customer", "Calendar for the customer"), ("house", "Calendar of all work")] {
                form method="post" action="/calendars" {
                    (csrf(visitor))
                    input type="hidden" name="kind" value=(kind);
                    input type="hidden" name="house" value=(view.house.key);
                    button { (name) }
                }
            }
            a.button href="/calendars" { "All calendars" }
        }
    }
}
