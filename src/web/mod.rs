//! Pages for people who would rather look than read: the welcome page, and the promised week behind a calendar's
//! address. Plain HTML that works without scripts; everything comes from this server. What is promised to whom is
//! decided by `service`; here is only how it looks.
//!
//! | module | what |
//! |---|---|
//! | `reply` | headers of pages, and pages that say what went wrong |
//! | `shell` | what every page has around it |
//! | `welcome` | the first page |
//! | `week` | head and foot of a week, and which body it gets |
//! | `board` | the body for the office: crews down, days across |
//! | `days` | the body for a crew, a house, a customer: one column a day |
//! | `day_sheet` | a crew's day on paper |
//! | `line` | a house's week drawn to scale |
//! | `load` | what to load for a day, what to beware of in a house |
//! | `visit` | works of one crew in one house on one day |
//! | `words` | times, dates and kinds of work |

mod board;
mod day_sheet;
mod days;
mod line;
mod load;
mod reply;
mod shell;
mod visit;
mod week;
mod welcome;
mod words;

use crate::service::Service;
use crate::store::FeedKind;
use actix_web::{HttpResponse, web};
use chrono::NaiveDate;
use serde::Deserialize;

/// Which week.
#[derive(Debug, Deserialize)]
struct WeekQuery {
    from: Option<String>,
}

/// Adds the pages to an application.
pub fn configure(service: Service) -> impl Fn(&mut web::ServiceConfig) + Clone + Send + 'static {
    move |config| {
        config
            .app_data(web::Data::new(service.clone()))
            .service(page("/").route(web::get().to(welcome)))
            .service(page("/week/{secret}").route(web::get().to(week)))
            .service(page("/day-sheet/{secret}").route(web::get().to(sheet)))
            .service(page("/day-sheet.css").route(web::get().to(sheet_style)))
            .service(page("/page.css").route(web::get().to(style)))
            .service(page("/mark.svg").route(web::get().to(mark)));
    }
}

fn page(path: &str) -> actix_web::Resource {
    web::resource(path).default_service(web::to(async || reply::only_get()))
}

async fn welcome() -> HttpResponse {
    reply::page(&welcome::page())
}

async fn week(
    service: web::Data<Service>,
    secret: web::Path<String>,
    query: Option<web::Query<WeekQuery>>,
) -> HttpResponse {
    let feed = match service.store().find_feed(&secret).await {
        Ok(Some(feed)) => feed,
        Ok(None) => return reply::not_found(),
        Err(error) => return reply::failed(&error.into()),
    };
    let from = query.and_then(|query| query.into_inner().from).filter(|text| !text.is_empty());
    let from = match from.map(|text| NaiveDate::parse_from_str(&text, "%Y-%m-%d")).transpose() {
        Ok(from) => from,
        Err(_) => return reply::bad_date(),
    };
    match service.feed_week(&feed, from).await {
        Ok(shown) => reply::page(&week::page(&shown, &secret)),
        Err(error) => reply::failed(&error),
    }
}

/// Which day.
#[derive(Debug, Deserialize)]
struct DayQuery {
    date: Option<String>,
}

/// Only crews have one: others' calendars know nothing of what to load.
async fn sheet(
    service: web::Data<Service>,
    secret: web::Path<String>,
    query: Option<web::Query<DayQuery>>,
) -> HttpResponse {
    let feed = match service.store().find_feed(&secret).await {
        Ok(Some(feed)) if matches!(feed.kind, FeedKind::Crew(_)) => feed,
        Ok(_) => return reply::not_found(),
        Err(error) => return reply::failed(&error.into()),
    };
    let date = query.and_then(|query| query.into_inner().date).filter(|text| !text.is_empty());
    let date = match date.map(|text| NaiveDate::parse_from_str(&text, "%Y-%m-%d")).transpose() {
        Ok(date) => date,
        Err(_) => return reply::bad_date(),
    };
    match service.feed_day(&feed, date).await {
        Ok(shown) => reply::page(&day_sheet::page(&shown, &secret)),
        Err(error) => reply::failed(&error),
    }
}

async fn sheet_style() -> HttpResponse {
    reply::unchanging("text/css; charset=utf-8", day_sheet::STYLE)
}

async fn style() -> HttpResponse {
    reply::unchanging("text/css; charset=utf-8", shell::STYLE)
}

async fn mark() -> HttpResponse {
    reply::unchanging("image/svg+xml", shell::MARK)
}
