//! Coming in and going out: the sign-in page, a crew's link, one's own password.

use super::reply;
use super::shell::{self, Place, csrf, home};
use super::visitor::{Open, Posted, Visitor, browser, local};
use crate::browser::Browsers;
use crate::service::{PASSWORD_CHARS_MAX, PASSWORD_CHARS_MIN, Service, SignInError};
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, web};
use maud::{Markup, html};
use serde::Deserialize;

/// Where to go when signed in.
#[derive(Debug, Deserialize)]
pub(super) struct Back {
    #[serde(default)]
    to: String,
}

/// What is filled in on the sign-in page.
#[derive(Deserialize)]
pub(super) struct SignInForm {
    name: String,
    password: String,
    #[serde(default)]
    to: String,
}

/// Nothing but a button.
#[derive(Deserialize)]
pub(super) struct Nothing {}

/// What is filled in to change one's password.
#[derive(Deserialize)]
pub(super) struct PasswordForm {
    current: String,
    new: String,
}

fn sign_in_page(name: &str, to: &str, wrong: bool) -> Markup {
    let body = html! {
        main.door {
            div.planks aria-hidden="true" { i.k-sand {} i.k-treat-a {} i.k-check {} i.k-seal {} i.k-coat {} }
            h1 { "Sign in" }
            @if wrong {
                p.fault role="alert" #wrong {
                    "The name or the password is wrong. Look at the keyboard's Caps Lock; the office can give you another \
                     password at once."
                }
            }
            form.fields method="post" action="/sign-in" {
                @if local(to).is_some() { input type="hidden" name="to" value=(to); }
                label { "Sign-in name"
                    input name="name" value=(name) required maxlength="120" autocomplete="username" autocapitalize="none"
                        spellcheck="false" autofocus[name.is_empty()] aria-describedby=[wrong.then_some("wrong")];
                }
                label { "Password"
                    input type="password" name="password" required maxlength=(PASSWORD_CHARS_MAX)
                        autocomplete="current-password" autofocus[!name.is_empty()] aria-describedby=[wrong.then_some("wrong")];
                }
                button.main { "Sign in" }
            }
            p.aside { "Crews come in by a link on their phone; the office sends it." }
        }
    };
    shell::page("Sign in · tackfree", &body)
}

/// `GET /sign-in`.
pub(super) async fn look(request: HttpRequest, back: web::Query<Back>) -> HttpResponse {
    match browser(&request).await {
        Ok(Some(browser)) => reply::see_other(local(&back.to).unwrap_or(home(browser.found.role))),
        Ok(None) => reply::door(StatusCode::OK, &sign_in_page("", &back.to, false)),
        Err(error) => reply::failed(&error),
    }
}

/// `POST /sign-in`.
pub(super) async fn sign_in(
    request: HttpRequest,
    service: web::Data<Service>,
    browsers: web::Data<Browsers>,
    form: Open<SignInForm>,
) -> HttpResponse {
    let form = form.0;
    if browsers.would_lose_cookie(&request) {
        return lost_cookie();
    }
    match service.sign_in(&form.name, &form.password, &browsers.origin(&request)).await {
        Ok(signed_in) => {
            let to = local(&form.to).unwrap_or(home(signed_in.role)).to_owned();
            come_in(&request, &service, &browsers.come_in(&signed_in), &to).await
        }
        Err(SignInError::Wrong | SignInError::BadPassword(_)) => {
            let name: String = form.name.chars().take(120).collect();
            reply::door(StatusCode::UNPROCESSABLE_ENTITY, &sign_in_page(&name, &form.to, true))
        }
        Err(SignInError::TooMany { until }) => reply::too_many(until, service.now()),
        Err(SignInError::Service(error)) => reply::failed(&error),
    }
}

/// Leads on with the new cookie; the session that the browser had is over.
async fn come_in(request: &HttpRequest, service: &Service, cookie: &str, to: &str) -> HttpResponse {
    if let Ok(Some(before)) = browser(request).await
        && let Err(error) = service.sign_out(&before.found).await
    {
        tracing::debug!(%error, "a session that was replaced goes on until it runs out");
    }
    with_cookie(reply::see_other(to), cookie)
}

fn with_cookie(mut page: HttpResponse, cookie: &str) -> HttpResponse {
    if let Ok(value) = HeaderValue::from_str(cookie) {
        page.headers_mut().append(header::SET_COOKIE, value);
    }
    page
}

/// Better told than wondered at.
fn lost_cookie() -> HttpResponse {
    let text = html! {
        p { "This server signs people in over https only, and this page was loaded over http: your browser would forget at \
             once that you are signed in." }
        p { "Open the address with " code { "https://" } ". Where there is no TLS, and the network is trusted, whoever runs \
             the server can start it with " code { "--plain-http" } "." }
    };
    reply::notice(StatusCode::BAD_REQUEST, "Not over http", &text)
}

/// `POST /sign-out`.
pub(super) async fn sign_out(
    service: web::Data<Service>,
    browsers: web::Data<Browsers>,
    posted: Posted<Nothing>,
) -> HttpResponse {
    match service.sign_out(&posted.visitor.browser).await {
        Ok(()) => with_cookie(reply::see_other("/sign-in"), &browsers.go_out()),
        Err(error) => reply::failed(&error),
    }
}

/// `GET /crew/SECRET`: nothing happens yet, because programs that show what is behind a link look at it too.
pub(super) async fn link(service: web::Data<Service>, secret: web::Path<String>) -> HttpResponse {
    let (crew, name) = match service.crew_link(&secret).await {
        Ok(Some(names)) => names,
        Ok(None) => return no_such_link(),
        Err(error) => return reply::failed(&error),
    };
    let body = html! {
        main.door {
            div.planks aria-hidden="true" { i.k-sand {} i.k-treat-a {} i.k-check {} i.k-seal {} i.k-coat {} }
            h1 { (crew) }
            @if name != crew { p.place { (name) } }
            p { "This link is for a phone of this crew. The phone shows the crew's work, and what is reported from it is \
                 reported by the crew." }
            form.fields method="post" { button.main { "Use this phone for " (crew) } }
            p.aside { "The phone stays signed in until the office takes the link back. Keep the link to yourself." }
        }
    };
    reply::unkept(reply::door(StatusCode::OK, &shell::page(&crew, &body)))
}

/// `POST /crew/SECRET`.
pub(super) async fn use_link(
    request: HttpRequest,
    service: web::Data<Service>,
    browsers: web::Data<Browsers>,
    secret: web::Path<String>,
    _: Open<Nothing>,
) -> HttpResponse {
    if browsers.would_lose_cookie(&request) {
        return lost_cookie();
    }
    match service.sign_in_by_link(&secret, &browsers.origin(&request).device).await {
        Ok(Some(signed_in)) => come_in(&request, &service, &browsers.come_in(&signed_in), home(signed_in.role)).await,
        Ok(None) => no_such_link(),
        Err(error) => reply::failed(&error),
    }
}

fn no_such_link() -> HttpResponse {
    let text = html! {
        p { "It was taken back, or a part of it got lost on the way: it ends in a long row of letters and digits." }
        p { "Ask the office for a new one." }
    };
    reply::notice(StatusCode::NOT_FOUND, "This link does not work", &text)
}

fn password_page(visitor: &Visitor, fault: Option<&str>, done: bool) -> Markup {
    let body = html! {
        main.door #content {
            h1 { "Your password" }
            @if done { p.good role="status" { "Your password is changed. Other browsers that were signed in with the old one are signed out." } }
            @if let Some(fault) = fault { p.fault role="alert" #wrong { (fault) } }
            form.fields method="post" action="/password" {
                (csrf(visitor))
                label { "The one you have"
                    input type="password" name="current" required maxlength=(PASSWORD_CHARS_MAX) autocomplete="current-password";
                }
                label { "The new one"
                    input type="password" name="new" required minlength=(PASSWORD_CHARS_MIN) maxlength=(PASSWORD_CHARS_MAX)
                        autocomplete="new-password" aria-describedby="rule";
                }
                p.aside #rule { (PASSWORD_CHARS_MIN) " characters or more. Four or five words that do not belong together are easy to \
                                 remember and hard to guess." }
                button.main { "Change it" }
            }
        }
    };
    shell::inside(visitor, Place::Elsewhere, "Your password", &[], &body)
}

/// `GET /password`.
pub(super) async fn password(visitor: Visitor) -> HttpResponse {
    match visitor.person() {
        Some(_) => reply::inside(&password_page(&visitor, None, false)),
        None => reply::forbidden(&visitor),
    }
}

/// `POST /password`.
pub(super) async fn change_password(
    request: HttpRequest,
    service: web::Data<Service>,
    browsers: web::Data<Browsers>,
    posted: Posted<PasswordForm>,
) -> HttpResponse {
    let Posted { visitor, form } = posted;
    if visitor.person().is_none() {
        return reply::forbidden(&visitor);
    }
    let address = browsers.origin(&request).address;
    let fault = match service.change_password(&visitor.browser, &form.current, &form.new, address).await {
        Ok(()) => return reply::inside(&password_page(&visitor, None, true)),
        Err(SignInError::Wrong) => "The password you have is another one.".to_owned(),
        Err(SignInError::BadPassword(fault)) => {
            format!("This cannot be your new password: {}; {}.", fault.what, fault.cure)
        }
        Err(SignInError::TooMany { until }) => return reply::too_many(until, service.now()),
        Err(SignInError::Service(error)) => return reply::failed(&error),
    };
    reply::inside_with(StatusCode::UNPROCESSABLE_ENTITY, &password_page(&visitor, Some(&fault), false))
}
