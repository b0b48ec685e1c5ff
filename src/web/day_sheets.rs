//! `GET /day-sheet`: a crew's day on paper, for whoever is signed in. The sheet itself is `day_sheet`'s.

use super::day_sheet::{self, From};
use super::visitor::Visitor;
use super::{reply, shell};
use crate::service::Service;
use crate::store::TokenRole;
use actix_web::{HttpResponse, web};
use chrono::NaiveDate;
use serde::Deserialize;

/// Whose day, and which.
#[derive(Debug, Default, Deserialize)]
pub(super) struct SheetQuery {
    crew: Option<String>,
    date: Option<String>,
}

/// `GET /day-sheet?crew=KEY&date=DAY`. Left out: a crew's own or else the first by name, and today.
pub(super) async fn look(
    service: web::Data<Service>,
    visitor: Visitor,
    query: Option<web::Query<SheetQuery>>,
) -> HttpResponse {
    let query = query.map(web::Query::into_inner).unwrap_or_default();
    let date = query.date.filter(|text| !text.is_empty());
    let Ok(date) = date.map(|text| NaiveDate::parse_from_str(&text, "%Y-%m-%d")).transpose() else {
        return reply::bad_date();
    };
    let asked = query.crew.filter(|key| !key.is_empty());
    match sheet(&service, &visitor, asked, date).await {
        Ok(page) => page,
        Err(error) => reply::failed(&error),
    }
}

async fn sheet(
    service: &Service,
    visitor: &Visitor,
    asked: Option<String>,
    date: Option<NaiveDate>,
) -> Result<HttpResponse, crate::service::ServiceError> {
    let own = match visitor.crew_id {
        Some(id) => Some(service.crew_key(visitor.company, id).await?),
        None => None,
    };
    let of_crew = visitor.role == TokenRole::Crew;
    if of_crew && (own.is_none() || asked.as_ref().is_some_and(|key| Some(key) != own.as_ref())) {
        return Ok(reply::forbidden(visitor));
    }
    let wanted = asked.or(own);
    let Some((feed, key)) = service.crew_calendar(visitor.company, wanted.as_deref()).await? else {
        return Ok(reply::nothing_here());
    };
    let crews = if of_crew { Vec::new() } else { service.calendar_addresses(visitor.company).await?.crews };
    let shown = service.feed_day(&feed, date).await?;
    let reader = From::Inside { crew: &key, crews: &crews, back: shell::home(visitor.role) };
    Ok(reply::inside(&day_sheet::page(&shown, &reader)))
}
