//! Who looks at a page: found before a handler sees the request. Whoever is not signed in is led to the sign-in page and
//! back; a form is taken only from a page of the same session.

use super::reply;
use crate::browser::{Browser, Browsers, same_origin};
use crate::service::ServiceError;
use crate::store::{Act, CompanyId, FoundBrowser, Holder, TokenRole};
use actix_web::dev::Payload;
use actix_web::error::InternalError;
use actix_web::http::header;
use actix_web::{FromRequest, HttpRequest, HttpResponse, web};
use futures_util::StreamExt;
use futures_util::future::LocalBoxFuture;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::time::Duration;
use uuid::Uuid;

/// Bytes of a form: a few short fields.
const FORM_BYTES_MAX: usize = 16 * 1024;
/// How much of a form that is too large is read all the same, so that its sender gets to see the reply.
const DRAINED_MAX: usize = 16 << 20;
/// A form that takes longer to arrive is not waited for.
const FORM_TIMEOUT: Duration = Duration::from_secs(15);
/// Characters of an address to come back to.
const TO_CHARS_MAX: usize = 1_000;

/// Whoever is signed in.
#[derive(Clone)]
pub struct Visitor {
    /// The tenant.
    pub company: CompanyId,
    /// What they may do.
    pub role: TokenRole,
    /// Which crew, for the role crew.
    pub crew_id: Option<Uuid>,
    /// The person's name, or the name of the crew's phone.
    pub name: String,
    /// For the hidden field of forms, and for `X-CSRF-Token`.
    pub csrf: String,
    pub(super) browser: FoundBrowser,
}

impl Visitor {
    fn of(browser: Browser) -> Visitor {
        let (csrf, found) = (browser.csrf(), browser.found);
        Act::by(found.holder.doer(), Some(found.role));
        Visitor {
            company: found.company,
            role: found.role,
            crew_id: found.crew_id,
            name: found.name.clone(),
            csrf,
            browser: found,
        }
    }

    /// Lets in whoever has one of these roles.
    ///
    /// # Errors
    /// The page that says that this one is for others.
    #[allow(clippy::result_large_err, reason = "the page is made only to be sent, at once")]
    pub fn only(&self, roles: &[TokenRole]) -> Result<(), HttpResponse> {
        if roles.contains(&self.role) { Ok(()) } else { Err(reply::forbidden(self)) }
    }

    /// The person, if it is not a crew's phone.
    pub(super) fn person(&self) -> Option<Uuid> {
        match self.browser.holder {
            Holder::Person(id) => Some(id),
            Holder::CrewLink(_) => None,
        }
    }
}

impl FromRequest for Visitor {
    type Error = actix_web::Error;
    type Future = LocalBoxFuture<'static, Result<Visitor, actix_web::Error>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let request = request.clone();
        Box::pin(async move {
            match browser(&request).await {
                Ok(Some(browser)) => Ok(Visitor::of(browser)),
                Ok(None) => Err(turn_away(reply::see_other(&sign_in_and_back(&request)))),
                Err(error) => Err(turn_away(reply::failed(&error))),
            }
        })
    }
}

/// The browser that asks, if it is signed in.
pub(super) async fn browser(request: &HttpRequest) -> Result<Option<Browser>, ServiceError> {
    match request.app_data::<web::Data<Browsers>>() {
        Some(browsers) => browsers.find(request).await,
        None => Ok(None),
    }
}

fn turn_away(page: HttpResponse) -> actix_web::Error {
    InternalError::from_response("turned away", page).into()
}

/// The sign-in page, which leads back to what was asked for.
fn sign_in_and_back(request: &HttpRequest) -> String {
    let to = request.uri().path_and_query().map_or("/", |to| to.as_str());
    if !request.method().is_safe() || local(to).is_none() {
        return "/sign-in".to_owned();
    }
    format!("/sign-in?to={}", escaped(to))
}

/// The address, if it is one of this server's own: no page leads elsewhere from here.
pub(super) fn local(to: &str) -> Option<&str> {
    let plain = to.chars().all(|c| c.is_ascii_graphic() && c != '\\');
    let own = to.starts_with('/') && !to.starts_with("//") && to.len() <= TO_CHARS_MAX;
    (plain && own && !to.starts_with("/sign-")).then_some(to)
}

/// Percent-encoded as part of a query (RFC 3986, section 2.1).
pub(super) fn escaped(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte);
    text.bytes().map(|byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") }).collect()
}

/// A form of at most `MAX` bytes that was sent from a page of the visitor's own session.
pub struct Posted<T, const MAX: usize = FORM_BYTES_MAX> {
    /// Who sent it.
    pub visitor: Visitor,
    /// What was filled in.
    pub form: T,
}

#[derive(Deserialize)]
struct Csrf {
    #[serde(default)]
    csrf: String,
}

impl<T: DeserializeOwned, const MAX: usize> FromRequest for Posted<T, MAX> {
    type Error = actix_web::Error;
    type Future = LocalBoxFuture<'static, Result<Posted<T, MAX>, actix_web::Error>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, mut payload) = (request.clone(), payload.take());
        Box::pin(async move {
            let browser = match browser(&request).await {
                Ok(Some(browser)) => browser,
                Ok(None) => return Err(turn_away(reply::see_other("/sign-in"))),
                Err(error) => return Err(turn_away(reply::failed(&error))),
            };
            let text = form_text(&request, &mut payload, MAX).await?;
            let csrf: Csrf = filled_in(&text)?;
            if !same_origin(&request) || !browser.csrf_fits(&csrf.csrf) {
                return Err(turn_away(reply::foreign_form()));
            }
            Ok(Posted { visitor: Visitor::of(browser), form: filled_in(&text)? })
        })
    }
}

/// A form that was sent by somebody who is not signed in yet, from a page of this server.
pub(super) struct Open<T>(pub(super) T);

impl<T: DeserializeOwned> FromRequest for Open<T> {
    type Error = actix_web::Error;
    type Future = LocalBoxFuture<'static, Result<Open<T>, actix_web::Error>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, mut payload) = (request.clone(), payload.take());
        Box::pin(async move {
            if !same_origin(&request) {
                return Err(turn_away(reply::foreign_form()));
            }
            let text = form_text(&request, &mut payload, FORM_BYTES_MAX).await?;
            Ok(Open(filled_in(&text)?))
        })
    }
}

/// A form as browsers send it.
async fn form_text(request: &HttpRequest, payload: &mut Payload, most: usize) -> Result<String, actix_web::Error> {
    let kind = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or("");
    let is_form = kind.split(';').next().is_some_and(|kind| kind.trim() == "application/x-www-form-urlencoded");
    let text = match tokio::time::timeout(FORM_TIMEOUT, read(payload, most)).await {
        Ok(Some(bytes)) if is_form || kind.is_empty() => String::from_utf8(bytes).ok(),
        Ok(_) | Err(_) => None,
    };
    text.ok_or_else(|| turn_away(reply::bad_form("It did not arrive whole, or it is too long.")))
}

async fn read(payload: &mut Payload, most: usize) -> Option<Vec<u8>> {
    let (mut bytes, mut seen) = (Vec::new(), 0_usize);
    while let Some(piece) = payload.next().await {
        let piece = piece.ok()?;
        seen += piece.len();
        if seen <= most {
            bytes.extend_from_slice(&piece);
        } else if seen > most.max(DRAINED_MAX) {
            break;
        }
    }
    (seen <= most).then_some(bytes)
}

fn filled_in<T: DeserializeOwned>(text: &str) -> Result<T, actix_web::Error> {
    let form = web::Query::<T>::from_query(text);
    form.map(web::Query::into_inner).map_err(|error| turn_away(reply::bad_form(&error.to_string())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_led_elsewhere() {
        for own in ["/board", "/week?from=2026-03-09", "/"] {
            assert_eq!(local(own), Some(own));
        }
        for other in
            ["", "board", "//evil.example", "/\\evil.example", "https://evil.example", "/a\nb", "/ä", "/sign-in"]
        {
            assert_eq!(local(other), None, "{other}");
        }
        assert_eq!(local(&format!("/{}", "x".repeat(TO_CHARS_MAX))), None);
        assert_eq!(escaped("/week?from=1&b=ä"), "/week%3Ffrom%3D1%26b%3D%C3%A4");
    }
}
