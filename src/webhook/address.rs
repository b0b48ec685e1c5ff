//! Which addresses notices are sent to. Whoever may make webhooks makes this server send requests, so it must not reach
//! what is only reachable from here: the machine itself, its network, and the addresses at which clouds hand out keys.

use crate::domain::fault::Fault;
use reqwest::Url;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// Longest address: a line or two.
pub const ADDRESS_CHARS_MAX: usize = 500;

/// What the operator allows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Targets {
    /// `https` to public addresses.
    #[default]
    Public,
    /// Also `https` to private ones, and `http` to this machine: for tests, and where all offices are one's own.
    Private,
}

/// The host of a checked address.
enum Host {
    Ip(IpAddr),
    Name(String),
}

fn bad(what: String) -> Fault {
    Fault::new("bad-webhook-address", what, "write it like https://example.com/notices, without a user or a fragment")
}

fn not_public(host: &str) -> Fault {
    Fault::new(
        "webhook-address-not-public",
        format!("{host} is on this machine or in its own network"),
        "name a public address with https; the operator can allow private ones with --webhook-targets private",
    )
}

fn host(url: &Url) -> Option<Host> {
    let text = url.host_str()?;
    // An IPv6 address stands in brackets; the parser has turned all spellings of IPv4 into the usual one.
    let bare = text.trim_start_matches('[').trim_end_matches(']');
    Some(bare.parse().map_or_else(|_| Host::Name(text.trim_end_matches('.').to_lowercase()), Host::Ip))
}

/// The address, if notices may be sent there. What a name leads to is looked at when it is sent to: see [`is_public`].
///
/// # Errors
/// `bad-webhook-address`, `webhook-address-not-public`.
pub fn check_address(text: &str, targets: Targets) -> Result<Url, Fault> {
    let shown: String = text.chars().take(64).collect();
    if text.chars().count() > ADDRESS_CHARS_MAX {
        return Err(bad(format!("{shown:?}... is longer than {ADDRESS_CHARS_MAX} characters")));
    }
    let url = Url::parse(text).map_err(|error| bad(format!("{shown:?} is no address: {error}")))?;
    if !url.username().is_empty() || url.password().is_some() || url.fragment().is_some() {
        return Err(bad(format!("{shown:?} names a user or a fragment")));
    }
    let host = host(&url).ok_or_else(|| bad(format!("{shown:?} names no host")))?;
    let named = url.host_str().unwrap_or_default();
    let here = match &host {
        Host::Ip(ip) => ip.to_canonical().is_loopback(),
        Host::Name(name) => name == "localhost" || name.ends_with(".localhost"),
    };
    let private = match &host {
        Host::Ip(ip) => !is_public(*ip),
        Host::Name(_) => here,
    };
    match (url.scheme(), targets) {
        ("https", Targets::Private) => Ok(url),
        ("http", Targets::Private) if here => Ok(url),
        ("https" | "http", Targets::Public) if private => Err(not_public(named)),
        ("https", Targets::Public) => Ok(url),
        _ => Err(bad(format!("{shown:?} is not https"))),
    }
}

/// Whether this is an address on the public Internet: RFC 6890 and the IANA registries of special addresses, the ways
/// in which IPv6 wraps IPv4 included.
pub fn is_public(ip: IpAddr) -> bool {
    match ip {
        IpAddr::V4(ip) => is_public_v4(ip),
        IpAddr::V6(ip) => is_public_v6(ip),
    }
}

fn is_public_v4(ip: Ipv4Addr) -> bool {
    let [a, b, c, _] = ip.octets();
    let special = ip.is_private() || ip.is_loopback() || ip.is_link_local() || ip.is_documentation();
    // This network; shared between a provider and its customers; protocols; 6to4 relays; benchmarks; multicast and what
    // is reserved.
    let other = a == 0
        || (a == 100 && (64..128).contains(&b))
        || (a, b, c) == (192, 0, 0)
        || (a, b, c) == (192, 88, 99)
        || (a == 198 && (18..20).contains(&b))
        || a >= 224;
    !special && !other
}

fn is_public_v6(ip: Ipv6Addr) -> bool {
    let parts = ip.segments();
    let wrapped = |high: u16, low: u16| Ipv4Addr::from((u32::from(high) << 16) | u32::from(low));
    match parts {
        [0, 0, 0, 0, 0, 0xffff, high, low] | [0x64, 0xff9b, 0, 0, 0, 0, high, low] => is_public_v4(wrapped(high, low)),
        [0x2002, high, low, ..] => is_public_v4(wrapped(high, low)),
        // Protocols (Teredo among them), documentation.
        [0x2001, second, ..] if second < 0x200 || second == 0xdb8 => false,
        [0x3fff, second, ..] if second < 0x1000 => false,
        // Only these are given out as global unicast addresses.
        [first, ..] => first & 0xe000 == 0x2000,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn code(text: &str, targets: Targets) -> &'static str {
        check_address(text, targets).map_or_else(|fault| fault.code, |_| "taken")
    }

    #[test]
    fn only_https_to_public_addresses_is_taken() {
        for text in [
            "https://example.com/in?key=1",
            "https://example.com:8443",
            "https://93.184.216.34/",
            "https://[2606:2800:220:1::1]/",
        ] {
            assert_eq!(code(text, Targets::Public), "taken", "{text}");
        }
        let long = format!("https://example.com/{}", "x".repeat(500));
        for text in [
            "",
            "example.com",
            "ftp://example.com",
            "http://example.com/",
            "https://",
            "https://me@example.com/",
            "https://example.com/#x",
            "file:///etc/passwd",
            "data:,x",
            &long,
        ] {
            assert_eq!(code(text, Targets::Public), "bad-webhook-address", "{text}");
        }
        for text in [
            "https://localhost/",
            "https://a.localhost./",
            "http://127.0.0.1:1/",
            "https://127.1/",
            "https://2130706433/",
            "https://0x7f.0.0.1/",
            "https://0/",
            "https://10.0.0.1/",
            "https://172.16.0.1/",
            "https://192.168.1.1/",
            "https://169.254.169.254/latest/meta-data/",
            "https://100.64.0.1/",
            "https://[::1]/",
            "https://[::]/",
            "https://[::ffff:169.254.169.254]/",
            "https://[64:ff9b::10.0.0.1]/",
            "https://[fd00:ec2::254]/",
            "https://[fe80::1]/",
            "https://[2002:7f00:1::]/",
            "https://[2001:0:1::]/",
            "https://224.0.0.1/",
            "https://255.255.255.255/",
            "https://198.18.0.1/",
            "https://192.0.2.1/",
            "https://[2001:db8::1]/",
        ] {
            assert_eq!(code(text, Targets::Public), "webhook-address-not-public", "{text}");
        }
    }

    #[test]
    fn an_operator_can_allow_private_addresses_and_no_plain_text_on_a_network() {
        for text in [
            "https://10.0.0.1/",
            "https://localhost/",
            "http://localhost:9/x",
            "http://127.0.0.1:9/",
            "http://[::1]:9/",
        ] {
            assert_eq!(code(text, Targets::Private), "taken", "{text}");
        }
        for text in ["http://10.0.0.1/", "http://example.com/", "http://169.254.169.254/"] {
            assert_eq!(code(text, Targets::Private), "bad-webhook-address", "{text}");
        }
    }
}
