//! Who asks: the company and role of a token, or of a browser that is signed in, found before a handler sees the request.

use super::Api;
use super::problem::Problem;
use super::registry;
use crate::browser::Browsers;
use crate::store::{Act, CompanyId, Doer, FoundToken, TokenRole};
use actix_web::body::{EitherBody, MessageBody};
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::http::header;
use actix_web::middleware::Next;
use actix_web::{FromRequest, HttpMessage, HttpRequest, ResponseError, web};
use std::future::{Ready, ready};
use std::marker::PhantomData;
use uuid::Uuid;

/// Which roles may do something.
pub trait Allowed: 'static {
    /// Whether this one may.
    fn allows(role: TokenRole) -> bool;
    /// For people.
    const WHO: &'static str;
}

/// What a request came in with: it may be taken back while a reply is still under way.
#[derive(Debug, Clone)]
pub(super) enum Credential {
    /// A token in `Authorization`.
    Token(String),
    /// The cookie of a browser.
    Browser(String),
}

/// Everybody with a token.
#[derive(Debug)]
pub struct Anybody;
/// Crews and the office.
#[derive(Debug)]
pub struct Reporters;
/// The office and viewers: whoever looks at everything.
#[derive(Debug)]
pub struct Lookers;
/// The office.
#[derive(Debug)]
pub struct Office;

impl Allowed for Anybody {
    fn allows(_: TokenRole) -> bool {
        true
    }
    const WHO: &'static str = "any role";
}

impl Allowed for Reporters {
    fn allows(role: TokenRole) -> bool {
        matches!(role, TokenRole::Office | TokenRole::Crew)
    }
    const WHO: &'static str = "the role office or crew";
}

impl Allowed for Lookers {
    fn allows(role: TokenRole) -> bool {
        matches!(role, TokenRole::Office | TokenRole::Viewer)
    }
    const WHO: &'static str = "the role office or viewer";
}

impl Allowed for Office {
    fn allows(role: TokenRole) -> bool {
        role == TokenRole::Office
    }
    const WHO: &'static str = "the role office";
}

/// Whoever asks, if his role is among those of `A`.
#[derive(Debug)]
pub struct Caller<A> {
    /// The tenant.
    pub company: CompanyId,
    /// The token itself, or the person or crew link behind a browser.
    pub token_id: Uuid,
    /// Whose phone it is.
    pub crew_id: Option<Uuid>,
    allowed: PhantomData<A>,
}

impl<A: Allowed> FromRequest for Caller<A> {
    type Error = Problem;
    type Future = Ready<Result<Caller<A>, Problem>>;

    /// Ready at once, so that a request without the right is refused before its body is read.
    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let extensions = request.extensions();
        let Some(token) = extensions.get::<FoundToken>() else { return ready(Err(unauthenticated())) };
        if !A::allows(token.role) {
            let detail = format!("this needs {}; the token has the role {}", A::WHO, token.role.word());
            return ready(Err(Problem::new(registry::ROLE_NEEDED, detail)));
        }
        ready(Ok(Caller { company: token.company, token_id: token.id, crew_id: token.crew_id, allowed: PhantomData }))
    }
}

fn unauthenticated() -> Problem {
    Problem::new(registry::UNAUTHENTICATED, "the request has no token that is valid here")
        .header(header::WWW_AUTHENTICATE, "Bearer realm=\"tackfree\"")
}

/// The token in `Authorization: Bearer TOKEN`.
pub(super) fn bearer(request: &HttpRequest) -> Option<&str> {
    let value = request.headers().get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// Finds who asks with every request that passes, and refuses those that nobody known asks.
pub(super) async fn authenticate<B: MessageBody + 'static>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<EitherBody<B>>, actix_web::Error> {
    let found = match (found(&request).await, request.app_data::<web::Data<Api>>()) {
        (Ok(found), Some(api)) => api.limits.count(found.0.id).map(|()| found),
        (Err(problem), Some(api)) if problem.is(registry::UNAUTHENTICATED) => {
            Err(api.limits.count_unknown(&request, problem))
        }
        (found, _) => found,
    };
    match found {
        Ok((token, credential)) => {
            request.extensions_mut().insert(token);
            request.extensions_mut().insert(credential);
            Ok(next.call(request).await?.map_into_left_body())
        }
        // A reply and no error, so that it gets the headers that every reply has.
        Err(problem) => Ok(request.into_response(problem.error_response()).map_into_right_body()),
    }
}

async fn found(request: &ServiceRequest) -> Result<(FoundToken, Credential), Problem> {
    if !request.headers().contains_key(header::AUTHORIZATION)
        && let Some(browsers) = request.app_data::<web::Data<Browsers>>()
    {
        return signed_in(request.request(), browsers).await;
    }
    let text = bearer(request.request()).ok_or_else(unauthenticated)?;
    let api = request.app_data::<web::Data<Api>>().ok_or_else(unauthenticated)?;
    let token = api.service.store().find_token(text).await?.ok_or_else(unauthenticated)?;
    api.touched.note(&api.service, &token).await;
    Act::by(Doer::Token(token.id), Some(token.role));
    Ok((token, Credential::Token(text.to_owned())))
}

/// A browser sends its cookie with whatever any page makes it send, so a change must show that it comes from ours.
async fn signed_in(request: &HttpRequest, browsers: &Browsers) -> Result<(FoundToken, Credential), Problem> {
    let browser = browsers.find(request).await?.ok_or_else(unauthenticated)?;
    if !request.method().is_safe() && !browser.sent(request) {
        let detail =
            "the request came with a browser's cookie, but without that session's X-CSRF-Token, or from elsewhere";
        return Err(Problem::new(registry::CSRF_TOKEN_NEEDED, detail));
    }
    let found = browser.found;
    Act::by(found.holder.doer(), Some(found.role));
    let token = FoundToken { company: found.company, id: found.holder.id(), role: found.role, crew_id: found.crew_id };
    Ok((token, Credential::Browser(browser.secret)))
}
