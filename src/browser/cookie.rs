//! The session's cookie. Never within reach of scripts, not sent along from other sites' pages but when somebody follows
//! a link, and for https only unless the server is told that there is none.

use actix_web::HttpRequest;
use actix_web::http::header;
use chrono::Duration;

/// The prefix makes browsers refuse it without `Secure`, with a domain, or with another path, so that no neighbour in the
/// domain can plant one.
const NAME_HTTPS: &str = "__Host-tackfree";
const NAME_PLAIN: &str = "tackfree";
/// Cookies looked at: other programs on the same host have some too.
const COOKIES_MAX: usize = 100;

/// Over what the cookie is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Cookies {
    /// Over https: a proxy in front of the server ends TLS.
    #[default]
    OnlyHttps,
    /// Over http as well: this machine only, or a network that is trusted.
    PlainHttp,
}

impl Cookies {
    const fn name(self) -> &'static str {
        match self {
            Cookies::OnlyHttps => NAME_HTTPS,
            Cookies::PlainHttp => NAME_PLAIN,
        }
    }

    const fn secure(self) -> &'static str {
        match self {
            Cookies::OnlyHttps => "; Secure",
            Cookies::PlainHttp => "",
        }
    }

    /// The secret in a request.
    pub(super) fn read(self, request: &HttpRequest) -> Option<String> {
        let lines = request.headers().get_all(header::COOKIE).filter_map(|value| value.to_str().ok());
        let pairs =
            lines.flat_map(|line| line.split(';')).take(COOKIES_MAX).filter_map(|pair| pair.trim().split_once('='));
        let mut own = pairs.filter(|(name, _)| *name == self.name());
        own.next().map(|(_, value)| value.to_owned())
    }

    /// `Set-Cookie` for a new one.
    pub(super) fn set(self, secret: &str, stays: Duration) -> String {
        let (name, secure, seconds) = (self.name(), self.secure(), stays.num_seconds());
        format!("{name}={secret}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{secure}")
    }

    /// `Set-Cookie` that takes it away.
    pub(super) fn clear(self) -> String {
        format!("{}=; Path=/; Max-Age=0; HttpOnly; SameSite=Lax{}", self.name(), self.secure())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn cookies_are_read_under_their_own_name_only() {
        let read = |cookies: Cookies, line: &str| {
            cookies.read(&TestRequest::get().insert_header(("cookie", line)).to_http_request())
        };
        assert_eq!(read(Cookies::OnlyHttps, "a=b; __Host-tackfree=x=y").as_deref(), Some("x=y"));
        assert_eq!(read(Cookies::OnlyHttps, "tackfree=planted"), None);
        assert_eq!(read(Cookies::PlainHttp, "tackfree=1; tackfree=2").as_deref(), Some("1"));
        assert_eq!(read(Cookies::PlainHttp, ";;=;tackfree"), None);
    }

    #[test]
    fn they_are_out_of_reach_of_scripts_and_other_sites() {
        let set = Cookies::OnlyHttps.set("s", Duration::days(1));
        assert_eq!(set, "__Host-tackfree=s; Path=/; Max-Age=86400; HttpOnly; SameSite=Lax; Secure");
        assert!(!Cookies::PlainHttp.set("s", Duration::days(1)).contains("Secure"));
        assert!(Cookies::OnlyHttps.clear().contains("Max-Age=0"));
    }
}
