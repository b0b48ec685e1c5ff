//! Secrets and signatures by the published scheme "Standard Webhooks" (specification 1.0.0): HMAC with SHA-256 over
//! `id.timestamp.body`, in base64 behind `v1,`; several signatures are parted by blanks.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, Utc};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use std::fmt;

/// Bytes of a secret; the scheme wants 24 to 64.
pub const SECRET_BYTES: usize = 32;
/// Secrets begin with it, so that people and scanners of leaked secrets know one when they see it.
const PREFIX: &str = "whsec_";

/// What both sides sign with.
#[derive(Clone, PartialEq, Eq)]
pub struct SigningSecret(Vec<u8>);

/// The headers of a delivery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Headers {
    /// `webhook-id`: the same at every try.
    pub id: String,
    /// `webhook-timestamp`: seconds since 1970, of this try.
    pub timestamp: String,
    /// `webhook-signature`.
    pub signature: String,
}

impl SigningSecret {
    /// A new one.
    pub fn random() -> SigningSecret {
        let mut bytes = vec![0u8; SECRET_BYTES];
        getrandom::fill(&mut bytes).expect("an operating system without randomness cannot run a server");
        SigningSecret(bytes)
    }

    /// One that was stored.
    pub fn from_bytes(bytes: Vec<u8>) -> SigningSecret {
        SigningSecret(bytes)
    }

    /// To store.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// To show once.
    pub fn reveal(&self) -> String {
        format!("{PREFIX}{}", STANDARD.encode(&self.0))
    }

    fn signature(&self, signed: &[u8]) -> String {
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.0).expect("HMAC takes keys of any length");
        mac.update(signed);
        format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
    }
}

/// Not in logs.
impl fmt::Debug for SigningSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SigningSecret(..)")
    }
}

/// The headers of a body sent `at` this instant; signed with each of the secrets, one after the other.
pub fn headers(id: &str, at: DateTime<Utc>, body: &[u8], secrets: &[SigningSecret]) -> Headers {
    let timestamp = at.timestamp().to_string();
    let mut signed = format!("{id}.{timestamp}.").into_bytes();
    signed.extend_from_slice(body);
    let signatures: Vec<String> = secrets.iter().map(|secret| secret.signature(&signed)).collect();
    Headers { id: id.to_owned(), timestamp, signature: signatures.join(" ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the scheme's own libraries (`test_sign` of the Python one, `standardwebhooks` 1.0).
    #[test]
    fn the_published_example_is_signed_so() {
        let key = STANDARD.decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let secret = SigningSecret::from_bytes(key);
        let at = DateTime::from_timestamp(1_614_265_330, 0).unwrap();
        let said =
            headers("msg_p5jXN8AQM9LWM0D4loKWxJek", at, br#"{"test": 2432232314}"#, std::slice::from_ref(&secret));
        assert_eq!(said.signature, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
        assert_eq!(said.timestamp, "1614265330");
        let both = headers(&said.id, at, b"", &[SigningSecret::random(), secret]);
        assert_eq!(both.signature.split(' ').count(), 2);
    }

    #[test]
    fn secrets_are_shown_only_when_asked() {
        let (one, other) = (SigningSecret::random(), SigningSecret::random());
        assert_ne!(one, other);
        assert_eq!(format!("{one:?}"), "SigningSecret(..)");
        let shown = one.reveal();
        assert_eq!(STANDARD.decode(shown.strip_prefix("whsec_").unwrap()).unwrap(), one.bytes());
        assert_eq!(one.bytes().len(), SECRET_BYTES);
    }
}
