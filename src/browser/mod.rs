//! Browsers over HTTP, for pages and API alike: the session's cookie, whose it is, and whether a request that changes
//! something really comes from a page of ours. Who may come in is decided by `service`; what the pages look like is `web`'s.
//!
//! | module | what |
//! |---|---|
//! | `cookie` | the session's cookie, read and written |
//! | `origin` | from which site and which address a request comes |

mod cookie;
mod origin;

pub use cookie::Cookies;
pub(crate) use origin::address;
pub use origin::same_origin;

use crate::service::{Service, ServiceError, SignedIn};
use crate::store::FoundBrowser;
use actix_web::HttpRequest;
use actix_web::http::header;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

/// The header in which a script sends what a form sends in its hidden field.
pub const CSRF_HEADER: &str = "x-csrf-token";

/// How browsers reach this server.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Settings {
    /// Over what the session's cookie is sent.
    pub cookies: Cookies,
    /// Whether a proxy of ours passes requests on: then the last address in `X-Forwarded-For` is the browser's.
    pub behind_proxy: bool,
}

/// What finds out who is there: shared by pages and API.
#[derive(Clone)]
pub struct Browsers {
    service: Service,
    settings: Settings,
}

/// A browser that is signed in.
#[derive(Clone)]
pub struct Browser {
    /// Who it is.
    pub found: FoundBrowser,
    /// The cookie's secret: it may be taken back while a reply is still under way.
    pub secret: String,
}

impl Browsers {
    /// On this service.
    pub fn new(service: Service, settings: Settings) -> Browsers {
        Browsers { service, settings }
    }

    /// Who is there, if anybody is signed in.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn find(&self, request: &HttpRequest) -> Result<Option<Browser>, ServiceError> {
        let Some(secret) = self.settings.cookies.read(request) else { return Ok(None) };
        let found = self.service.browser(&secret).await?;
        Ok(found.map(|found| Browser { found, secret }))
    }

    /// The `Set-Cookie` of a browser that comes in.
    pub fn come_in(&self, signed_in: &SignedIn) -> String {
        self.settings.cookies.set(signed_in.secret.reveal(), signed_in.stays)
    }

    /// The `Set-Cookie` of a browser that goes out.
    pub fn go_out(&self) -> String {
        self.settings.cookies.clear()
    }

    /// Whether the browser would throw the cookie away, because it came without TLS.
    pub fn would_lose_cookie(&self, request: &HttpRequest) -> bool {
        self.settings.cookies == Cookies::OnlyHttps && origin::is_plain_http_from_afar(request)
    }

    /// This server's own address as the browser of a form knows it, such as `https://office.example`.
    pub fn own_address(&self, request: &HttpRequest) -> String {
        origin::own_address(request, self.settings.cookies == Cookies::OnlyHttps)
    }

    /// From where a request comes.
    pub fn origin(&self, request: &HttpRequest) -> crate::service::Origin {
        let device = request.headers().get(header::USER_AGENT).and_then(|value| value.to_str().ok());
        let address = origin::address(request, self.settings.behind_proxy);
        crate::service::Origin { address, device: device.unwrap_or_default().to_owned() }
    }
}

impl Browser {
    /// What forms and scripts of this session must send along. Derived from the secret, so that it is stored nowhere and
    /// ends with the session.
    pub fn csrf(&self) -> String {
        URL_SAFE_NO_PAD.encode(self.mac().finalize().into_bytes())
    }

    /// Whether that was sent along; the comparison takes as long whatever is sent.
    pub fn csrf_fits(&self, given: &str) -> bool {
        URL_SAFE_NO_PAD.decode(given).is_ok_and(|given| self.mac().verify_slice(&given).is_ok())
    }

    /// Whether a script's request comes from a page of this session.
    pub fn sent(&self, request: &HttpRequest) -> bool {
        let given = request.headers().get(CSRF_HEADER).and_then(|value| value.to_str().ok());
        same_origin(request) && given.is_some_and(|given| self.csrf_fits(given))
    }

    fn mac(&self) -> Hmac<Sha256> {
        let mut mac = Hmac::<Sha256>::new_from_slice(self.secret.as_bytes()).expect("HMAC takes keys of any length");
        mac.update(b"tackfree: cross-site request forgery");
        mac
    }
}
