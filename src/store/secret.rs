//! Unguessable secrets of tokens and calendar addresses. Only their SHA-256 is stored: 256 random bits need no slow
//! hash, and a look-up by hash tells an onlooker nothing about the secret by the time it takes.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};
use std::fmt;

/// Characters of 32 bytes in base64url.
const SECRET_CHARS: usize = 43;

/// A secret in clear: shown once to whoever asked for it, then gone.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// A new one: `prefix`, then 32 random bytes in base64url.
    pub(super) fn random(prefix: &str) -> Secret {
        let mut bytes = [0u8; 32];
        getrandom::fill(&mut bytes).expect("an operating system without randomness cannot run a server");
        Secret(format!("{prefix}{}", URL_SAFE_NO_PAD.encode(bytes)))
    }

    /// Whether `text` could be a secret with this prefix at all.
    pub(super) fn parse(prefix: &str, text: &str) -> Option<Secret> {
        let rest = text.strip_prefix(prefix)?;
        let plain = rest.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_');
        (rest.len() == SECRET_CHARS && plain).then(|| Secret(text.to_owned()))
    }

    /// The text to hand out.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// What is stored.
    pub(super) fn sha256(&self) -> Vec<u8> {
        Sha256::digest(self.0.as_bytes()).to_vec()
    }
}

/// Not in logs.
impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(..)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_are_long_distinct_and_not_shown() {
        let (one, two) = (Secret::random("tf_"), Secret::random("tf_"));
        assert_ne!(one, two);
        assert_eq!(one.reveal().len(), 3 + SECRET_CHARS);
        assert_eq!(Secret::parse("tf_", one.reveal()), Some(one.clone()));
        assert_eq!(format!("{one:?}"), "Secret(..)");
        for bad in ["", "tf_", &one.reveal()[..45], &one.reveal()[3..], &format!("{}=", one.reveal())] {
            assert_eq!(Secret::parse("tf_", bad), None, "{bad}");
        }
    }
}
