//! Pages for people who would rather look than read: the welcome page, the promised week behind a calendar's address, and
//! behind the sign-in what each role needs. Everything comes from this server. What is promised to whom is decided by
//! `service`; here is only how it looks.
//!
//! | module | what |
//! |---|---|
//! | `reply` | headers of pages, and pages that say what went wrong |
//! | `shell` | what every page has around it; the ways between pages, by role |
//! | `visitor` | who looks, and whether a form is theirs |
//! | `script` | scripts of the pages |
//! | `sign_in` | coming in and going out, a crew's link, one's own password |
//! | `people`, `people_view` | the office's page of people |
//! | `houses` | all houses and where each stands |
//! | `house` | one house; its parts: `house_chain`, `house_floor`, `house_trend`, `house_work`, `house_letter` |
//! | `changes` | the office's page of who changed what |
//! | `calendars`, `calendars_view` | the office's page of calendar addresses, and tables in and out |
//! | `pattern` | patterns of works for drawings |
//! | `welcome` | the first page |
//! | `week` | head and foot of a week, and which body it gets |
//! | `board_page` | the office's board, drawn by its script |
//! | `board` | the body for the office: crews down, days across |
//! | `day` | a crew's day on its phone |
//! | `days` | the body for a crew, a house, a customer: one column a day |
//! | `day_sheet`, `day_sheets` | a crew's day on paper; for whoever is signed in |
//! | `line` | a house's week drawn to scale |
//! | `load` | what to load for a day, what to beware of in a house |
//! | `visit` | works of one crew in one house on one day |
//! | `words` | times, dates and kinds of work |

mod board;
mod board_page;
mod calendars;
mod calendars_view;
mod changes;
mod day;
mod day_sheet;
mod day_sheets;
mod days;
mod house;
mod house_chain;
mod house_floor;
mod house_letter;
mod house_trend;
mod house_work;
mod houses;
mod line;
mod load;
mod pattern;
mod people;
mod people_view;
mod reply;
mod script;
mod shell;
mod sign_in;
mod visit;
mod visitor;
mod week;
mod welcome;
mod words;

pub use visitor::{Posted, Visitor};

use crate::browser::{Browsers, Settings};
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

/// Adds the pages to an application, and for the API too who is signed in.
pub fn configure(service: Service, settings: Settings) -> impl Fn(&mut web::ServiceConfig) + Clone + Send + 'static {
    move |config| {
        config
            .app_data(web::Data::new(service.clone()))
            .app_data(web::Data::new(Browsers::new(service.clone(), settings)))
            .configure(door)
            .configure(people::configure)
            .configure(calendars::configure)
            .service(page("/script/{name:[a-z/]+}.js").route(web::get().to(script::serve)))
            .service(page("/board").route(web::get().to(board_page::look)))
            .service(page("/changes").route(web::get().to(changes::look)))
            .service(page("/day").route(web::get().to(day::look)))
            .service(page("/day-worker.js").route(web::get().to(day::worker)))
            .service(page("/").route(web::get().to(welcome)))
            .service(page("/week/{secret}").route(web::get().to(week)))
            .service(page("/day-sheet/{secret}").route(web::get().to(sheet)))
            .service(page("/day-sheet").route(web::get().to(day_sheets::look)))
            .service(page("/houses").route(web::get().to(houses::look)))
            .service(page("/houses/{key}").route(web::get().to(house::look)))
            .service(page("/houses/{key}/letter").route(web::get().to(house::letter)))
            .service(page("/day-sheet.css").route(web::get().to(sheet_style)))
            .service(page("/page.css").route(web::get().to(style)))
            .service(page("/mark.svg").route(web::get().to(mark)));
    }
}

fn page(path: &str) -> actix_web::Resource {
    web::resource(path).default_service(web::to(async || reply::only_get()))
}

/// Where people come in and go out.
fn door(config: &mut web::ServiceConfig) {
    let form = |path: &str| web::resource(path).default_service(web::to(async || reply::get_or_post()));
    config
        .service(form("/sign-in").route(web::get().to(sign_in::look)).route(web::post().to(sign_in::sign_in)))
        .service(form("/sign-out").route(web::post().to(sign_in::sign_out)))
        .service(form("/crew/{secret}").route(web::get().to(sign_in::link)).route(web::post().to(sign_in::use_link)))
        .service(
            form("/password").route(web::get().to(sign_in::password)).route(web::post().to(sign_in::change_password)),
        );
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
        Ok(shown) => reply::page(&day_sheet::page(&shown, &day_sheet::From::Address(&secret))),
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
