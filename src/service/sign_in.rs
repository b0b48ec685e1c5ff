//! Coming in by browser: with a name and a password, or with a crew's link; who is there; going out again.

use super::passwords::{self, Crowded};
use super::{Service, ServiceError};
use crate::domain::fault::Fault;
use crate::store::{
    Act, Doer, FoundBrowser, FoundCrewLink, Holder, NewBrowserSession, Noun, Secret, StoreError, TokenRole,
};
use chrono::{DateTime, Duration, Utc};
use std::net::IpAddr;

/// A browser of a person is signed out when it was not used for so long: from Friday evening to Monday is less.
pub const PERSON_IDLE: Duration = Duration::days(3);
/// And in any case after so long (NIST SP 800-63B-4, section 2.1.3: at least every 30 days).
pub const PERSON_STAYS: Duration = Duration::days(30);
/// A crew's phone: through the winter.
pub const PHONE_IDLE: Duration = Duration::days(90);
/// And in any case. The link that signed it in does it again.
pub const PHONE_STAYS: Duration = Duration::days(365);
/// Use is noted at most so often.
const NOTED_EVERY: Duration = Duration::minutes(5);
/// When too many passwords are waiting to be compared, try again after so long.
const CROWDED_SECONDS: i64 = 5;
/// Characters kept of what a browser says it is.
const DEVICE_CHARS_MAX: usize = 200;

/// A browser that has come in.
#[derive(Debug)]
pub struct SignedIn {
    /// For the browser's cookie.
    pub secret: Secret,
    /// What its holder may do.
    pub role: TokenRole,
    /// How long the browser is to keep it.
    pub stays: Duration,
}

/// Why a browser does not come in, or a password is not changed.
#[derive(Debug, thiserror::Error)]
pub enum SignInError {
    /// Name or password; which of them is not told.
    #[error("the name or the password is wrong")]
    Wrong,
    /// Too many tries.
    #[error("too many tries; the next at {until}")]
    TooMany {
        /// When to try again.
        until: DateTime<Utc>,
    },
    /// The new password cannot be used.
    #[error("{0}")]
    BadPassword(Fault),
    /// From further down.
    #[error(transparent)]
    Service(#[from] ServiceError),
}

impl From<StoreError> for SignInError {
    fn from(error: StoreError) -> SignInError {
        SignInError::Service(error.into())
    }
}

/// From where somebody comes.
#[derive(Debug, Clone)]
pub struct Origin {
    /// The browser's address.
    pub address: IpAddr,
    /// What it says it is.
    pub device: String,
}

impl Service {
    /// Whether the password fits, each try counted.
    async fn check_password(
        &self,
        sign_in_name: &str,
        password: &str,
        hash: Option<String>,
        address: IpAddr,
    ) -> Result<(), SignInError> {
        // Longer ones are nobody's: not worth the work.
        let hash = hash.filter(|_| password.chars().count() <= passwords::PASSWORD_CHARS_MAX);
        let password = password.chars().take(passwords::PASSWORD_CHARS_MAX).collect();
        match self.passwords.fits(password, hash).await {
            Ok(Ok(true)) => {
                self.attempts.succeeded(sign_in_name, address);
                Ok(())
            }
            Ok(Ok(false)) => Err(SignInError::Wrong),
            Ok(Err(error)) => Err(error.into()),
            Err(Crowded) => Err(SignInError::TooMany { until: self.now() + Duration::seconds(CROWDED_SECONDS) }),
        }
    }

    /// Signs a person in.
    ///
    /// # Errors
    /// `Wrong`, `TooMany`.
    pub async fn sign_in(&self, name: &str, password: &str, from: &Origin) -> Result<SignedIn, SignInError> {
        let name = super::people::folded(name);
        let begun = self.attempts.begin(&name, from.address, self.now());
        begun.map_err(|until| SignInError::TooMany { until })?;
        let found = self.store().find_person(&name).await?;
        let hash = found.as_ref().map(|found| found.password_hash.clone());
        self.check_password(&name, password, hash, from.address).await?;
        let found = found.ok_or(SignInError::Wrong)?;
        Act::by(Doer::Person(found.id), None);
        let mut session = self.store().session(found.company()).await?;
        let person = session.person(found.id).await?;
        let new = self.new_session(Holder::Person(found.id), &from.device, PERSON_IDLE, PERSON_STAYS);
        let (_, secret) = session.insert_browser_session(&new).await?;
        session.commit().await?;
        Ok(SignedIn { secret, role: person.role, stays: PERSON_STAYS })
    }

    /// Names of a link's crew and of the link itself; `None` where it is none, or no longer.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn crew_link(&self, text: &str) -> Result<Option<(String, String)>, ServiceError> {
        let Some(found) = self.store().find_crew_link(text).await? else { return Ok(None) };
        let crew = self.store().session(found.company).await?.noun(Noun::Crew, found.crew_id).await?;
        Ok(Some((crew.name, found.name)))
    }

    /// Signs a crew's phone in by its link; `None` where it is none, or no longer.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn sign_in_by_link(&self, text: &str, device: &str) -> Result<Option<SignedIn>, ServiceError> {
        let Some(FoundCrewLink { company, id, .. }) = self.store().find_crew_link(text).await? else { return Ok(None) };
        Act::by(Doer::CrewLink(id), Some(TokenRole::Crew));
        let mut session = self.store().session(company).await?;
        let new = self.new_session(Holder::CrewLink(id), device, PHONE_IDLE, PHONE_STAYS);
        let (_, secret) = session.insert_browser_session(&new).await?;
        session.touch_crew_link(id, new.at).await?;
        session.commit().await?;
        Ok(Some(SignedIn { secret, role: TokenRole::Crew, stays: PHONE_STAYS }))
    }

    fn new_session(&self, holder: Holder, device: &str, idle: Duration, stays: Duration) -> NewBrowserSession {
        let at = self.now();
        let device = device.chars().filter(|c| !c.is_control()).take(DEVICE_CHARS_MAX).collect();
        NewBrowserSession { holder, device, at, idle_until: at + idle, expires_at: at + stays }
    }

    /// Whose browser has this secret; its use is noted now and then.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn browser(&self, secret: &str) -> Result<Option<FoundBrowser>, ServiceError> {
        let now = self.now();
        let Some(found) = self.store().find_browser(secret, now).await? else { return Ok(None) };
        if now - found.seen_at >= NOTED_EVERY {
            let idle = match found.holder {
                Holder::Person(_) => PERSON_IDLE,
                Holder::CrewLink(_) => PHONE_IDLE,
            };
            let noted = async {
                let mut session = self.store().session(found.company).await?;
                session.touch_browser_session(found.id, now, now + idle).await?;
                session.commit().await
            };
            // No reason to send anybody away.
            if let Err(error) = noted.await {
                tracing::debug!(%error, "the use of a session was not noted");
            }
        }
        Ok(Some(found))
    }

    /// Signs a browser out.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn sign_out(&self, browser: &FoundBrowser) -> Result<(), ServiceError> {
        let mut session = self.store().session(browser.company).await?;
        session.revoke_browser_session(browser.id, self.now()).await?;
        Ok(session.commit().await?)
    }

    /// Changes a person's own password, and signs their other browsers out.
    ///
    /// # Errors
    /// `Wrong` for the current one, `TooMany`, `BadPassword`.
    pub async fn change_password(
        &self,
        browser: &FoundBrowser,
        current: &str,
        new: &str,
        address: IpAddr,
    ) -> Result<(), SignInError> {
        let Holder::Person(id) = browser.holder else { return Err(SignInError::Wrong) };
        let person = self.store().session(browser.company).await?.person(id).await?;
        passwords::check_new(new, &person.sign_in_name).map_err(SignInError::BadPassword)?;
        let begun = self.attempts.begin(&person.sign_in_name, address, self.now());
        begun.map_err(|until| SignInError::TooMany { until })?;
        let found = self.store().find_person(&person.sign_in_name).await?;
        let hash = found.map(|found| found.password_hash);
        self.check_password(&person.sign_in_name, current, hash, address).await?;
        let hash = self.passwords.hash(new.to_owned()).await?;
        let mut session = self.store().session(browser.company).await?;
        session.set_person_password(id, &hash, self.now()).await?;
        session.revoke_browser_sessions_of(browser.holder, Some(browser.id), self.now()).await?;
        Ok(session.commit().await?)
    }
}
