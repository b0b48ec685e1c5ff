//! Passwords: how they are hashed and compared, what a new one must be, and new ones made up. Argon2id with the parameters
//! of OWASP's Password Storage Cheat Sheet (19 MiB, 2 passes, 1 lane); rules for new ones after NIST SP 800-63B-4,
//! section 3.1.1.2: at least 15 characters where nothing else is asked, no rules of composition.

use super::ServiceError;
use crate::domain::fault::Fault;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use std::collections::BTreeSet;
use std::sync::Arc;
use tokio::sync::Semaphore;

/// OWASP: m = 19456 (19 MiB).
const MEMORY_KIB: u32 = 19_456;
/// OWASP: t = 2.
const PASSES: u32 = 2;
/// OWASP: p = 1.
const LANES: u32 = 1;
/// Bytes of salt (RFC 9106, section 3.1: 16 are recommended).
const SALT_BYTES: usize = 16;
/// Hashings at once: each takes a core and 19 MiB for a blink, and what is left must go on answering.
const HASHINGS_MAX: usize = 2;
/// Hashings waiting for their turn: whoever comes when so many wait is asked to come again.
const WAITING_MAX: usize = 64;
/// Characters of a new password (NIST SP 800-63B-4).
pub const PASSWORD_CHARS_MIN: usize = 15;
/// A sentence fits; more would only be work for the server.
pub const PASSWORD_CHARS_MAX: usize = 128;
/// Different characters of a new password: `aaaaaaaaaaaaaaa` is none.
const DISTINCT_MIN: usize = 5;
/// Of passwords that are made up: none that could be read as another.
const LETTERS: &[u8; 31] = b"abcdefghjkmnpqrstuvwxyz23456789";
/// Groups of letters, and letters in each: 20 of 31 are 99 bits.
const GROUPS: (usize, usize) = (4, 5);

/// Compared with when there is nobody of that name, so that it takes as long. Of random bytes that nobody has kept.
const NOBODY: &str = "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5J3Mgc2FsdCE$J2wTbMNTgb9yBGY5VbSYpYbLnYVn2bJXAZzOjdcT0dY";

/// Too many at once; nothing was compared.
#[derive(Debug)]
pub(super) struct Crowded;

/// Hashes and compares, a few at a time.
#[derive(Debug, Clone)]
pub(super) struct Passwords {
    places: Arc<Semaphore>,
    turns: Arc<Semaphore>,
}

impl Default for Passwords {
    fn default() -> Passwords {
        let semaphore = |permits| Arc::new(Semaphore::new(permits));
        Passwords { places: semaphore(HASHINGS_MAX + WAITING_MAX), turns: semaphore(HASHINGS_MAX) }
    }
}

fn hasher() -> Argon2<'static> {
    let params = Params::new(MEMORY_KIB, PASSES, LANES, None).unwrap_or_default();
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

impl Passwords {
    /// Off the threads that answer. `Err`: too many are waiting.
    async fn run<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<Result<T, ServiceError>, Crowded> {
        let _place = self.places.try_acquire().map_err(|_| Crowded)?;
        let _turn = self.turns.acquire().await.map_err(|_| Crowded)?;
        Ok(tokio::task::spawn_blocking(work).await.map_err(ServiceError::from))
    }

    /// Hashes a new password, waiting for its turn among others.
    pub(super) async fn hash(&self, password: String) -> Result<String, ServiceError> {
        let _turn = self.turns.acquire().await.ok();
        let mut salt = [0u8; SALT_BYTES];
        getrandom::fill(&mut salt).expect("an operating system without randomness cannot run a server");
        let hashed = tokio::task::spawn_blocking(move || {
            let salt = SaltString::encode_b64(&salt)?;
            hasher().hash_password(password.as_bytes(), &salt).map(|hash| hash.to_string())
        });
        let hashed = hashed.await?;
        Ok(hashed.expect("salt and parameters are constants that the algorithm takes"))
    }

    /// Whether the password is the one that was hashed; never, but after the same work, when there is nobody of that name.
    pub(super) async fn fits(
        &self,
        password: String,
        hash: Option<String>,
    ) -> Result<Result<bool, ServiceError>, Crowded> {
        self.run(move || {
            let known = hash.is_some();
            let hash = hash.unwrap_or_else(|| NOBODY.to_owned());
            let parsed = PasswordHash::new(&hash);
            let fits = parsed.is_ok_and(|parsed| hasher().verify_password(password.as_bytes(), &parsed).is_ok());
            fits && known
        })
        .await
    }
}

/// What is wrong with a new password.
pub(super) fn check_new(password: &str, sign_in_name: &str) -> Result<(), Fault> {
    let cure = format!(
        "use {PASSWORD_CHARS_MIN} to {PASSWORD_CHARS_MAX} characters: four or five words that do not belong together"
    );
    let fault = |what: String| Err(Fault::new("bad-password", what, cure.clone()));
    let length = password.chars().take(PASSWORD_CHARS_MAX + 1).count();
    if length < PASSWORD_CHARS_MIN {
        return fault(format!("the password has {length} characters, fewer than {PASSWORD_CHARS_MIN}"));
    }
    if length > PASSWORD_CHARS_MAX {
        return fault(format!("the password has more than {PASSWORD_CHARS_MAX} characters"));
    }
    if password.to_lowercase().contains(sign_in_name) {
        return fault("the password contains the sign-in name".to_owned());
    }
    if password.chars().collect::<BTreeSet<char>>().len() < DISTINCT_MIN {
        return fault(format!("the password is made of fewer than {DISTINCT_MIN} different characters"));
    }
    Ok(())
}

/// A new password that nobody can guess and everybody can type.
pub(super) fn made_up() -> String {
    let (groups, letters) = GROUPS;
    let mut text = String::with_capacity(groups * (letters + 1));
    let mut count = 0;
    while count < groups * letters {
        let mut byte = [0u8; 1];
        getrandom::fill(&mut byte).expect("an operating system without randomness cannot run a server");
        // Five bits; the one value too many is drawn again, so that all letters are equally likely.
        let Some(letter) = LETTERS.get(usize::from(byte[0] & 31)) else { continue };
        if count > 0 && count % letters == 0 {
            text.push('-');
        }
        text.push(char::from(*letter));
        count += 1;
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn only_the_password_itself_fits_and_nobody_has_one() {
        let passwords = Passwords::default();
        let hash = passwords.hash("correct horse battery".into()).await.unwrap();
        assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{hash}");
        assert_ne!(hash, passwords.hash("correct horse battery".into()).await.unwrap(), "salted");
        let fits = async |password: &str, hash: Option<String>| {
            passwords.fits(password.into(), hash).await.map_err(|_| "crowded").unwrap().unwrap()
        };
        assert!(fits("correct horse battery", Some(hash.clone())).await);
        assert!(!fits("correct horse batterz", Some(hash)).await);
        assert!(!fits("", None).await);
        assert!(!fits("x", Some("no hash at all".into())).await);
        // As much work as for a real one: it is read, and its parameters are the same.
        let nobody = PasswordHash::new(NOBODY).unwrap();
        let work = |params: &Params| (params.m_cost(), params.t_cost(), params.p_cost());
        assert_eq!(work(&Params::try_from(&nobody).unwrap()), work(hasher().params()));
    }

    /// A published value of the algorithm (argon2 reference implementation, test.c: version 0x13, t=2, m=2^16, p=1).
    #[test]
    fn it_is_the_published_argon2id() {
        let mut out = [0u8; 32];
        let params = Params::new(65_536, 2, 1, Some(32)).unwrap();
        let published = "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7";
        Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
            .hash_password_into(b"password", b"somesalt", &mut out)
            .unwrap();
        assert_eq!(out.iter().map(|byte| format!("{byte:02x}")).collect::<String>(), published);
    }

    #[test]
    fn new_passwords_are_long_and_not_the_name() {
        assert!(check_new("four words not related", "anna").is_ok());
        for bad in ["fourteen chars", "aaaaaaaaaaaaaaaaaaaa", "my name is anna and more", &"xyzab".repeat(40)] {
            assert!(check_new(bad, "anna").is_err(), "{bad}");
        }
        let made: BTreeSet<String> = (0..50).map(|_| made_up()).collect();
        assert_eq!(made.len(), 50);
        assert!(made.iter().all(|text| text.len() == 23 && check_new(text, "anna-office").is_ok()), "{made:?}");
    }
}
