//! A crew's day on its phone: what comes next at the top, then the rest. The page is whole without its script; the script
//! reports, runs the clocks, and works where there is no net.
//!
//! | module | what |
//! |---|---|
//! | `view` | the page |
//! | `card` | one work with what it needs |

mod card;
mod view;

use super::reply;
use super::visitor::Visitor;
use crate::service::{Service, ServiceError};
use crate::store::{Noun, Session, TokenRole};
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, web};
use chrono::NaiveDate;
use serde::Deserialize;

const REPORTERS: &[TokenRole] = &[TokenRole::Office, TokenRole::Crew];
/// Crews to choose from; a company has no more.
const CREWS_MAX: u32 = crate::domain::bounds::CREWS_MAX as u32;
/// What keeps the page at hand where there is no net.
const WORKER: &str = include_str!("../script/day/worker.js");

/// A worker asks under a policy of its own: of this server only.
const WORKER_POLICY: HeaderValue = HeaderValue::from_static("default-src 'none'; connect-src 'self'");

/// Whose day, and which.
#[derive(Debug, Deserialize)]
pub(super) struct DayQuery {
    crew: Option<String>,
    date: Option<String>,
}

/// `GET /day`: of the crew whose phone or person it is; the office says which.
pub(super) async fn look(
    service: web::Data<Service>,
    visitor: Visitor,
    query: Option<web::Query<DayQuery>>,
) -> HttpResponse {
    if let Err(page) = visitor.only(REPORTERS) {
        return page;
    }
    let asked = query.map(web::Query::into_inner).unwrap_or(DayQuery { crew: None, date: None });
    let date = asked.date.filter(|text| !text.is_empty());
    let Ok(date) = date.map(|text| NaiveDate::parse_from_str(&text, "%Y-%m-%d")).transpose() else {
        return reply::bad_date();
    };
    match page(&service, &visitor, asked.crew.as_deref(), date).await {
        Ok(page) => reply::inside(&page),
        Err(error) => reply::failed(&error),
    }
}

async fn page(
    service: &Service,
    visitor: &Visitor,
    crew: Option<&str>,
    date: Option<NaiveDate>,
) -> Result<maud::Markup, ServiceError> {
    let mut session = service.store().snapshot(visitor.company).await?;
    match whose(&mut session, visitor, crew).await? {
        Some(key) => Ok(view::page(visitor, &service.crew_day(&mut session, &key, date).await?)),
        None => Ok(view::choice(visitor, &session.nouns(Noun::Crew, None, CREWS_MAX).await?)),
    }
}

/// Key of the crew: a crew has its own, whatever the address says.
async fn whose(session: &mut Session, visitor: &Visitor, asked: Option<&str>) -> Result<Option<String>, ServiceError> {
    match (visitor.crew_id, asked) {
        (Some(own), _) => Ok(Some(session.noun(Noun::Crew, own).await?.key)),
        (None, Some(key)) => Ok(Some(session.noun_by_key(Noun::Crew, key).await?.key)),
        (None, None) => Ok(None),
    }
}

/// `GET /day-worker.js`: it stands at the top because it may answer only for what is below its own address.
pub(super) async fn worker(request: HttpRequest) -> HttpResponse {
    let mut reply = reply::revalidated(&request, "text/javascript; charset=utf-8", WORKER);
    reply.headers_mut().insert(header::CONTENT_SECURITY_POLICY, WORKER_POLICY);
    reply
}
