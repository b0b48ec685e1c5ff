//! From which site and which address a request comes. Browsers tell the site in headers that no script can set:
//! `Sec-Fetch-Site` (W3C Fetch Metadata) where they have it, `Origin` (RFC 6454) with every POST.

use actix_web::HttpRequest;
use actix_web::http::header;
use std::net::{IpAddr, Ipv4Addr};

const SEC_FETCH_SITE: &str = "sec-fetch-site";
const X_FORWARDED_FOR: &str = "x-forwarded-for";

fn text<'a>(request: &'a HttpRequest, name: &str) -> Option<&'a str> {
    request.headers().get(name).map(|value| value.to_str().unwrap_or("unreadable"))
}

/// Whether a request that changes something comes from a page of this server, or from no browser at all.
pub fn same_origin(request: &HttpRequest) -> bool {
    match (text(request, SEC_FETCH_SITE), text(request, header::ORIGIN.as_str())) {
        // `none`: typed by the user, which no page can do.
        (Some(site), _) => matches!(site, "same-origin" | "none"),
        (None, Some(origin)) => {
            let host = origin.split_once("://").map(|(_, host)| host);
            let own = text(request, header::HOST.as_str());
            host.zip(own).is_some_and(|(host, own)| host.eq_ignore_ascii_case(own))
        }
        (None, None) => true,
    }
}

/// Whether the page was loaded without TLS and not from this machine: browsers throw cookies for https away then.
pub(super) fn is_plain_http_from_afar(request: &HttpRequest) -> bool {
    let origin = text(request, header::ORIGIN.as_str()).and_then(|origin| origin.strip_prefix("http://"));
    let near = |host: &str| {
        let name = host.rsplit_once(':').map_or(host, |(name, _)| name);
        name == "localhost" || name.ends_with(".localhost") || name == "[::1]" || name.starts_with("127.")
    };
    origin.is_some_and(|host| !near(host))
}

/// This server's address: as the form that was sent knows it, or else by the host that was asked.
pub(super) fn own_address(request: &HttpRequest, https: bool) -> String {
    let origin = text(request, header::ORIGIN.as_str()).filter(|origin| origin.contains("://"));
    let scheme = if https { "https" } else { "http" };
    let host = || format!("{scheme}://{}", text(request, header::HOST.as_str()).unwrap_or("localhost"));
    origin.map_or_else(host, str::to_owned)
}

/// The browser's address. What a proxy of ours appended counts, and nothing before it: that is what anybody can write.
pub(crate) fn address(request: &HttpRequest, behind_proxy: bool) -> IpAddr {
    let peer = request.peer_addr().map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |address| address.ip());
    if !behind_proxy {
        return peer;
    }
    let last = request.headers().get_all(X_FORWARDED_FOR).last().and_then(|value| value.to_str().ok());
    let last = last.and_then(|list| list.rsplit(',').next()).and_then(|text| text.trim().parse().ok());
    last.unwrap_or(peer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    fn request(headers: &[(&str, &str)]) -> HttpRequest {
        let start = TestRequest::post().peer_addr(([192, 0, 2, 1], 4000).into());
        headers.iter().fold(start, |request, header| request.insert_header(*header)).to_http_request()
    }

    #[test]
    fn other_sites_are_told_apart() {
        let host = ("host", "office.example");
        for (good, headers) in [
            (true, vec![host]),
            (true, vec![host, ("sec-fetch-site", "same-origin"), ("origin", "null")]),
            (true, vec![host, ("sec-fetch-site", "none")]),
            (false, vec![host, ("sec-fetch-site", "cross-site"), ("origin", "https://office.example")]),
            (false, vec![host, ("sec-fetch-site", "same-site")]),
            (true, vec![host, ("origin", "https://office.example")]),
            (false, vec![host, ("origin", "https://office.example.net")]),
            (false, vec![host, ("origin", "https://office.example:8443")]),
            (false, vec![host, ("origin", "null")]),
            (false, vec![("origin", "https://office.example")]),
        ] {
            assert_eq!(same_origin(&request(&headers)), good, "{headers:?}");
        }
    }

    #[test]
    fn the_proxy_is_believed_only_where_there_is_one() {
        let forwarded = request(&[("x-forwarded-for", "198.51.100.9, 203.0.113.7")]);
        assert_eq!(address(&forwarded, true), IpAddr::from([203, 0, 113, 7]));
        assert_eq!(address(&forwarded, false), IpAddr::from([192, 0, 2, 1]));
        assert_eq!(address(&request(&[("x-forwarded-for", "rubbish")]), true), IpAddr::from([192, 0, 2, 1]));
    }

    #[test]
    fn cookies_for_https_are_lost_on_plain_http_but_for_this_machine() {
        let lost = |origin: &str| is_plain_http_from_afar(&request(&[("origin", origin)]));
        assert!(lost("http://office.example:8080") && lost("http://192.168.1.4"));
        for kept in
            ["https://office.example", "http://localhost:8080", "http://127.0.0.1:8080", "http://[::1]:80", "null"]
        {
            assert!(!lost(kept), "{kept}");
        }
    }
}
