//! The office's page of calendar addresses: who has one, making and taking back; and tables in and out.

use super::calendars_view as view;
use super::reply;
use super::sign_in::Nothing;
use super::visitor::{Posted, Visitor};
use crate::browser::Browsers;
use crate::dto::FaultDto;
use crate::service::{FeedBody, FeedKindDto, ImportTable, Service, ServiceError};
use crate::store::{StoreError, TokenRole};
use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use maud::Markup;
use serde::Deserialize;
use uuid::Uuid;

const OFFICE: &[TokenRole] = &[TokenRole::Office];
/// Bytes of a form with a table: as large as the API takes tables, each byte written as three.
const TABLE_FORM_BYTES_MAX: usize = 12 << 20;

/// An address to make.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct FeedForm {
    kind: String,
    #[serde(default)]
    crew: String,
    #[serde(default)]
    house: String,
}

/// A table to take in.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct TableForm {
    pub(super) of: String,
    pub(super) table: String,
    #[serde(default)]
    pub(super) act: String,
}

async fn shown(service: &Service, visitor: &Visitor, status: StatusCode, news: Option<&Markup>) -> HttpResponse {
    match service.calendar_addresses(visitor.company).await {
        Ok(all) => reply::inside_with(status, &view::page(visitor, &all, news)),
        Err(error) => reply::failed(&error),
    }
}

async fn refused(service: &Service, visitor: &Visitor, faults: &[FaultDto]) -> HttpResponse {
    shown(service, visitor, StatusCode::UNPROCESSABLE_ENTITY, Some(&view::faults(faults))).await
}

/// `GET /calendars`.
pub(super) async fn look(service: web::Data<Service>, visitor: Visitor) -> HttpResponse {
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    shown(&service, &visitor, StatusCode::OK, None).await
}

/// `POST /calendars`.
pub(super) async fn make(
    request: HttpRequest,
    service: web::Data<Service>,
    browsers: web::Data<Browsers>,
    posted: Posted<FeedForm>,
) -> HttpResponse {
    let Posted { visitor, form } = posted;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    // Both lists are sent along whatever the kind.
    let (crew, house) = (Some(form.crew).filter(|key| !key.is_empty()), Some(form.house).filter(|key| !key.is_empty()));
    let body = match form.kind.as_str() {
        "crew" => FeedBody { kind: FeedKindDto::Crew, crew, house: None },
        "house" => FeedBody { kind: FeedKindDto::House, crew: None, house },
        "customer" => FeedBody { kind: FeedKindDto::Customer, crew: None, house },
        "office" => FeedBody { kind: FeedKindDto::Office, crew: None, house: None },
        _ => return reply::bad_form("There is no such kind of calendar."),
    };
    match service.make_calendar(visitor.company, &body).await {
        Ok((made, secret)) => {
            let news = view::address_once(&made, &browsers.own_address(&request), &secret);
            reply::unkept(shown(&service, &visitor, StatusCode::OK, Some(&news)).await)
        }
        Err(ServiceError::Invalid(faults)) => refused(&service, &visitor, &faults).await,
        Err(error) => reply::failed(&error),
    }
}

/// `POST /calendars/{id}/revoke`.
pub(super) async fn take_back(
    service: web::Data<Service>,
    id: web::Path<Uuid>,
    posted: Posted<Nothing>,
) -> HttpResponse {
    let visitor = posted.visitor;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    match service.take_calendar_back(visitor.company, *id).await {
        Ok(()) | Err(ServiceError::Store(StoreError::NotFound { .. })) => reply::see_other("/calendars"),
        Err(error) => reply::failed(&error),
    }
}

/// `POST /calendars/import`: looks at a table, or takes it in.
pub(super) async fn import(
    service: web::Data<Service>,
    posted: Posted<TableForm, TABLE_FORM_BYTES_MAX>,
) -> HttpResponse {
    let Posted { visitor, form } = posted;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    let table = match form.of.as_str() {
        "houses" => ImportTable::Houses,
        "crews" => ImportTable::Crews,
        _ => return reply::bad_form("It is a table of neither houses nor crews."),
    };
    let keep = form.act == "keep";
    match service.import_table(visitor.company, table, &form.table, keep).await {
        Ok(found) => reply::inside(&view::imported(&visitor, &form, &found)),
        Err(ServiceError::Invalid(faults)) => {
            reply::inside_with(StatusCode::UNPROCESSABLE_ENTITY, &view::not_imported(&visitor, &form, &faults))
        }
        Err(error) => reply::failed(&error),
    }
}

/// Addresses of this page, for the application.
pub(super) fn configure(config: &mut web::ServiceConfig) {
    let post = |path: &str| web::resource(path).default_service(web::to(async || reply::only_post()));
    config
        .service(
            web::resource("/calendars")
                .route(web::get().to(look))
                .route(web::post().to(make))
                .default_service(web::to(async || reply::get_or_post())),
        )
        .service(post("/calendars/import").route(web::post().to(import)))
        .service(post("/calendars/{id}/revoke").route(web::post().to(take_back)));
}
