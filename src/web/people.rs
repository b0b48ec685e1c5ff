//! The office's page of people: who may sign in, the links of crews' phones, and where anybody is signed in.

use super::people_view as view;
use super::reply;
use super::sign_in::Nothing;
use super::visitor::{Posted, Visitor};
use crate::browser::Browsers;
use crate::domain::time::Minute;
use crate::dto::FaultDto;
use crate::service::{PersonBody, RoleDto, Service, ServiceError};
use crate::store::{Holder, StoreError, TokenRole};
use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use maud::{Markup, html};
use serde::Deserialize;
use uuid::Uuid;

const OFFICE: &[TokenRole] = &[TokenRole::Office];

/// Somebody to add.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct PersonForm {
    pub(super) name: String,
    pub(super) sign_in_name: String,
    pub(super) role: String,
    #[serde(default)]
    pub(super) crew: String,
}

/// A link to make.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct LinkForm {
    crew: String,
    #[serde(default)]
    name: String,
}

/// What is said above the list.
#[derive(Default)]
pub(super) struct Said {
    /// Shown once, or that something was not done.
    pub(super) news: Option<Markup>,
    /// What was filled in, to be mended.
    pub(super) filled: Option<PersonForm>,
}

async fn shown(service: &Service, visitor: &Visitor, status: StatusCode, said: Said) -> HttpResponse {
    match service.people(visitor.company).await {
        Ok(people) => {
            let now = Minute::floor_from(service.now());
            reply::inside_with(status, &view::page(visitor, &people, now, &said))
        }
        Err(error) => reply::failed(&error),
    }
}

async fn refused(
    service: &Service,
    visitor: &Visitor,
    faults: &[FaultDto],
    filled: Option<PersonForm>,
) -> HttpResponse {
    let news = html! {
        div.fault role="alert" {
            p { b { "Nothing was done." } }
            @for fault in faults { p { (view::sentence(&fault.what)) " " (view::sentence(&fault.cure)) } }
        }
    };
    shown(service, visitor, StatusCode::UNPROCESSABLE_ENTITY, Said { news: Some(news), filled }).await
}

async fn failed(service: &Service, visitor: &Visitor, error: ServiceError, filled: Option<PersonForm>) -> HttpResponse {
    match error {
        ServiceError::Invalid(faults) => refused(service, visitor, &faults, filled).await,
        ServiceError::Store(StoreError::NotFound { .. }) => reply::see_other("/people"),
        error => reply::failed(&error),
    }
}

/// `GET /people`.
pub(super) async fn look(service: web::Data<Service>, visitor: Visitor) -> HttpResponse {
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    shown(&service, &visitor, StatusCode::OK, Said::default()).await
}

/// `POST /people`.
pub(super) async fn add(service: web::Data<Service>, posted: Posted<PersonForm>) -> HttpResponse {
    let Posted { visitor, form } = posted;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    let role = match form.role.as_str() {
        "office" => RoleDto::Office,
        "crew" => RoleDto::Crew,
        "viewer" => RoleDto::Viewer,
        _ => return reply::bad_form("There is no such role."),
    };
    // The list of crews is sent along whatever the role.
    let crew = (role == RoleDto::Crew && !form.crew.is_empty()).then(|| form.crew.clone());
    let body = PersonBody { name: form.name.clone(), sign_in_name: form.sign_in_name.clone(), role, crew };
    match service.add_person(visitor.company, &body, None).await {
        Ok(added) => {
            let news = view::password_once(&added, "is added");
            reply::unkept(shown(&service, &visitor, StatusCode::OK, Said { news: Some(news), filled: None }).await)
        }
        Err(error) => failed(&service, &visitor, error, Some(form)).await,
    }
}

/// `POST /people/{id}/password`.
pub(super) async fn set_password(
    service: web::Data<Service>,
    id: web::Path<Uuid>,
    posted: Posted<Nothing>,
) -> HttpResponse {
    let visitor = posted.visitor;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    match service.set_password(visitor.company, *id, None).await {
        Ok(set) => {
            let news = view::password_once(&set, "has a new password, and is signed out everywhere");
            if visitor.person() == Some(*id) {
                // This browser is signed out as well: the page is the last one it sees.
                return reply::unkept(reply::inside(&view::own_password(&visitor, &news)));
            }
            reply::unkept(shown(&service, &visitor, StatusCode::OK, Said { news: Some(news), filled: None }).await)
        }
        Err(error) => failed(&service, &visitor, error, None).await,
    }
}

/// `POST /people/{id}/shut-out`.
pub(super) async fn shut_out(
    service: web::Data<Service>,
    id: web::Path<Uuid>,
    posted: Posted<Nothing>,
) -> HttpResponse {
    let visitor = posted.visitor;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    if visitor.person() == Some(*id) {
        let (what, cure) = ("nobody shuts out themselves", "let somebody else of the office do it");
        let (code, pointer) = ("own-access".to_owned(), String::new());
        let fault = FaultDto { pointer, code, what: what.to_owned(), cure: cure.to_owned() };
        return refused(&service, &visitor, &[fault], None).await;
    }
    match service.shut_out(visitor.company, *id).await {
        Ok(_) => reply::see_other("/people"),
        Err(error) => failed(&service, &visitor, error, None).await,
    }
}

/// `POST /people/browsers/{id}/sign-out`.
pub(super) async fn sign_out_browser(
    service: web::Data<Service>,
    id: web::Path<Uuid>,
    posted: Posted<Nothing>,
) -> HttpResponse {
    let visitor = posted.visitor;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    match service.end_session(visitor.company, *id).await {
        Ok(()) => reply::see_other("/people"),
        Err(error) => failed(&service, &visitor, error, None).await,
    }
}

/// `POST /people/links`.
pub(super) async fn make_link(
    request: HttpRequest,
    service: web::Data<Service>,
    browsers: web::Data<Browsers>,
    posted: Posted<LinkForm>,
) -> HttpResponse {
    let Posted { visitor, form } = posted;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    match service.make_crew_link(visitor.company, &form.crew, &form.name).await {
        Ok((link, secret)) => {
            let address = format!("{}/crew/{}", browsers.own_address(&request), secret.reveal());
            let news = view::link_once(&link.name, &address);
            reply::unkept(shown(&service, &visitor, StatusCode::OK, Said { news: Some(news), filled: None }).await)
        }
        Err(error) => failed(&service, &visitor, error, None).await,
    }
}

/// `POST /people/links/{id}/revoke`.
pub(super) async fn revoke_link(
    service: web::Data<Service>,
    id: web::Path<Uuid>,
    posted: Posted<Nothing>,
) -> HttpResponse {
    let visitor = posted.visitor;
    if let Err(page) = visitor.only(OFFICE) {
        return page;
    }
    match service.revoke_crew_link(visitor.company, *id).await {
        Ok(()) => reply::see_other("/people"),
        Err(error) => failed(&service, &visitor, error, None).await,
    }
}

/// Whether this browser is the visitor's own.
pub(super) fn is_own(visitor: &Visitor, holder: Holder, id: Uuid) -> bool {
    visitor.browser.holder == holder && visitor.browser.id == id
}

/// Addresses of this page, for the application.
pub(super) fn configure(config: &mut web::ServiceConfig) {
    let post = |path: &str| web::resource(path).default_service(web::to(async || reply::only_post()));
    config
        .service(
            web::resource("/people")
                .route(web::get().to(look))
                .route(web::post().to(add))
                .default_service(web::to(async || reply::get_or_post())),
        )
        .service(post("/people/links").route(web::post().to(make_link)))
        .service(post("/people/links/{id}/revoke").route(web::post().to(revoke_link)))
        .service(post("/people/browsers/{id}/sign-out").route(web::post().to(sign_out_browser)))
        .service(post("/people/{id}/password").route(web::post().to(set_password)))
        .service(post("/people/{id}/shut-out").route(web::post().to(shut_out)));
}
