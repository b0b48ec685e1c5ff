//! Who may sign in: people and their roles, links for crews' phones, and the browsers that are signed in.

use super::access::RoleDto;
use super::passwords;
use super::{Service, ServiceError};
use crate::domain::fault::Fault;
use crate::domain::text::Name;
use crate::domain::zone::Zone;
use crate::store::{
    BrowserSessionRow, CompanyId, CrewLinkRow, Holder, NewPerson, Noun, PersonRow, Secret, Session, StoreError,
    TokenRole,
};
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;
use uuid::Uuid;

/// People of one company: more than any contractor has, few enough for one page.
pub const PEOPLE_MAX: usize = 500;
/// Links of one company that are good at the same time.
pub const CREW_LINKS_MAX: usize = 500;
/// A mail address fits.
pub const SIGN_IN_NAME_CHARS_MAX: usize = 120;
/// Crews offered in a list.
const CREWS_SHOWN_MAX: u32 = 1_000;

/// Somebody to add.
#[derive(Debug, Clone)]
pub struct PersonBody {
    /// For people.
    pub name: String,
    /// What they sign in with, in any case of letters.
    pub sign_in_name: String,
    /// What they may do.
    pub role: RoleDto,
    /// Key of the crew; given exactly for the role `crew`.
    pub crew: Option<String>,
}

/// A person and the password to tell them.
#[derive(Debug)]
pub struct WithPassword {
    /// Who.
    pub person: PersonRow,
    /// Shown once.
    pub password: String,
}

/// A browser that is signed in.
#[derive(Debug, Clone)]
pub struct BrowserView {
    /// The session's identifier.
    pub id: Uuid,
    /// What it says it is.
    pub device: String,
    /// When it came in.
    pub created_at: DateTime<Utc>,
    /// When it was last used, to within some minutes.
    pub seen_at: DateTime<Utc>,
}

/// A person as the office sees them.
#[derive(Debug, Clone)]
pub struct PersonView {
    /// As stored.
    pub row: PersonRow,
    /// Name of the crew.
    pub crew: Option<String>,
    /// Where they are signed in, last used first.
    pub browsers: Vec<BrowserView>,
}

/// A crew's link as the office sees it.
#[derive(Debug, Clone)]
pub struct CrewLinkView {
    /// As stored.
    pub row: CrewLinkRow,
    /// Name of the crew.
    pub crew: String,
    /// Phones signed in with it, last used first.
    pub browsers: Vec<BrowserView>,
}

/// Everybody and everything that may come in by browser.
#[derive(Debug, Clone)]
pub struct PeopleView {
    /// By name; those who were shut out too.
    pub people: Vec<PersonView>,
    /// Good ones, oldest first.
    pub links: Vec<CrewLinkView>,
    /// Key and name of every crew, for choosing.
    pub crews: Vec<(String, String)>,
    /// The office's zone.
    pub zone: Zone,
}

/// Names are compared without case.
pub(super) fn folded(sign_in_name: &str) -> String {
    sign_in_name.trim().to_lowercase()
}

fn sign_in_name(text: &str) -> Result<String, ServiceError> {
    let name = folded(text);
    let allowed = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '.' | '_' | '@' | '+' | '-');
    let begins = name.starts_with(|c: char| c.is_ascii_lowercase() || c.is_ascii_digit());
    if !begins || name.len() < 2 || name.len() > SIGN_IN_NAME_CHARS_MAX || !name.chars().all(allowed) {
        let shown: String = name.chars().take(40).collect();
        let cure = format!(
            "use 2 to {SIGN_IN_NAME_CHARS_MAX} letters, digits, dots, hyphens, underscores, + or @, a letter or digit first"
        );
        let fault = Fault::new("bad-sign-in-name", format!("{shown:?} cannot be used as a sign-in name"), cure);
        return Err(ServiceError::fault("/sign_in_name", fault));
    }
    Ok(name)
}

fn full(pointer: &str, what: String) -> ServiceError {
    ServiceError::fault(pointer, Fault::new("too-many", what, "end what is not used any more first"))
}

fn in_use(name: &str) -> ServiceError {
    let what = format!("the sign-in name {name} is in use");
    ServiceError::fault(
        "/sign_in_name",
        Fault::new("key-taken", what, "choose another; a mail address is nobody else's"),
    )
}

async fn crew_of(session: &mut Session, body: &PersonBody) -> Result<Option<Uuid>, ServiceError> {
    match (body.role, &body.crew) {
        (RoleDto::Crew, Some(key)) => Ok(Some(crew_id(session, key).await?.0)),
        (RoleDto::Crew, None) => {
            Err(ServiceError::fault("/crew", Fault::new("missing", "no crew is chosen", "choose whose work it is")))
        }
        (RoleDto::Office | RoleDto::Viewer, Some(_)) => {
            let fault = Fault::new("contradiction", "only people of a crew have one", "leave the crew out");
            Err(ServiceError::fault("/crew", fault))
        }
        (RoleDto::Office | RoleDto::Viewer, None) => Ok(None),
    }
}

/// Identifier and name.
async fn crew_id(session: &mut Session, key: &str) -> Result<(Uuid, String), ServiceError> {
    match session.noun_by_key(Noun::Crew, key).await {
        Ok(row) => Ok((row.id, row.name)),
        Err(StoreError::NotFound { what }) => Err(ServiceError::fault("/crew", super::nouns::unknown(what, key))),
        Err(error) => Err(error.into()),
    }
}

fn browsers(rows: &[BrowserSessionRow], holder: Holder) -> Vec<BrowserView> {
    let own = |row: &&BrowserSessionRow| match holder {
        Holder::Person(id) => row.person_id == Some(id),
        Holder::CrewLink(id) => row.crew_link_id == Some(id),
    };
    let view = |row: &BrowserSessionRow| BrowserView {
        id: row.id,
        device: row.device.clone(),
        created_at: row.created_at,
        seen_at: row.seen_at,
    };
    rows.iter().filter(own).map(view).collect()
}

impl Service {
    /// Everybody and everything that may come in by browser.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn people(&self, company: CompanyId) -> Result<PeopleView, ServiceError> {
        let mut session = self.store().snapshot(company).await?;
        let (people, links) = (session.people().await?, session.crew_links().await?);
        let signed_in = session.browser_sessions(self.now()).await?;
        let ids: Vec<Uuid> =
            people.iter().filter_map(|row| row.crew_id).chain(links.iter().map(|row| row.crew_id)).collect();
        let known = session.nouns_by_ids(Noun::Crew, &ids).await?;
        let names: BTreeMap<Uuid, String> = known.into_iter().map(|row| (row.id, row.name)).collect();
        let crews = session.nouns(Noun::Crew, None, CREWS_SHOWN_MAX).await?;
        let zone = super::companies::office_zone(&session.company_row().await?)?;
        let person = |row: PersonRow| PersonView {
            crew: row.crew_id.and_then(|id| names.get(&id).cloned()),
            browsers: browsers(&signed_in, Holder::Person(row.id)),
            row,
        };
        let link = |row: CrewLinkRow| CrewLinkView {
            crew: names.get(&row.crew_id).cloned().unwrap_or_default(),
            browsers: browsers(&signed_in, Holder::CrewLink(row.id)),
            row,
        };
        Ok(PeopleView {
            people: people.into_iter().map(person).collect(),
            links: links.into_iter().filter(|row| row.revoked_at.is_none()).map(link).collect(),
            crews: crews.into_iter().map(|row| (row.key, row.name)).collect(),
            zone,
        })
    }

    /// Adds a person, with this password or one that is made up.
    ///
    /// # Errors
    /// `Invalid`.
    pub async fn add_person(
        &self,
        company: CompanyId,
        body: &PersonBody,
        password: Option<&str>,
    ) -> Result<WithPassword, ServiceError> {
        let name = Name::parse(&body.name).map_err(|fault| ServiceError::fault("/name", fault))?;
        let sign_in_name = sign_in_name(&body.sign_in_name)?;
        let password = password.map_or_else(passwords::made_up, str::to_owned);
        passwords::check_new(&password, &sign_in_name).map_err(|fault| ServiceError::fault("/password", fault))?;
        let password_hash = self.passwords.hash(password.clone()).await?;
        let mut session = self.store().session(company).await?;
        let crew_id = crew_of(&mut session, body).await?;
        if session.people().await?.len() >= PEOPLE_MAX {
            return Err(full("/name", format!("there are {PEOPLE_MAX} people already")));
        }
        let role = match body.role {
            RoleDto::Office => TokenRole::Office,
            RoleDto::Crew => TokenRole::Crew,
            RoleDto::Viewer => TokenRole::Viewer,
        };
        let at = self.now();
        let new = NewPerson { name: name.to_string(), sign_in_name, password_hash, role, crew_id, at };
        let person = session.insert_person(&new).await.map_err(|error| match error {
            StoreError::KeyTaken { key, .. } => in_use(&key),
            error => error.into(),
        })?;
        session.commit().await?;
        Ok(WithPassword { person, password })
    }

    /// Gives a person another password, this one or one that is made up, and signs all their browsers out. Whoever was
    /// shut out may come in again.
    ///
    /// # Errors
    /// `Invalid`, `NotFound`.
    pub async fn set_password(
        &self,
        company: CompanyId,
        id: Uuid,
        password: Option<&str>,
    ) -> Result<WithPassword, ServiceError> {
        let known = self.store().session(company).await?.person(id).await?;
        let password = password.map_or_else(passwords::made_up, str::to_owned);
        passwords::check_new(&password, &known.sign_in_name)
            .map_err(|fault| ServiceError::fault("/password", fault))?;
        let hash = self.passwords.hash(password.clone()).await?;
        let mut session = self.store().session(company).await?;
        let person = session.set_person_password(id, &hash, self.now()).await?;
        session.revoke_browser_sessions_of(Holder::Person(id), None, self.now()).await?;
        session.commit().await?;
        Ok(WithPassword { person, password })
    }

    /// Shuts a person out, everywhere and at once.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn shut_out(&self, company: CompanyId, id: Uuid) -> Result<PersonRow, ServiceError> {
        let mut session = self.store().session(company).await?;
        let person = session.revoke_person(id, self.now()).await?;
        session.revoke_browser_sessions_of(Holder::Person(id), None, self.now()).await?;
        session.commit().await?;
        Ok(person)
    }

    /// Signs one browser out.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn end_session(&self, company: CompanyId, id: Uuid) -> Result<(), ServiceError> {
        let mut session = self.store().session(company).await?;
        session.revoke_browser_session(id, self.now()).await?;
        Ok(session.commit().await?)
    }

    /// Makes a link for a crew's phone; without a name it gets the crew's.
    ///
    /// # Errors
    /// `Invalid`.
    pub async fn make_crew_link(
        &self,
        company: CompanyId,
        crew: &str,
        name: &str,
    ) -> Result<(CrewLinkRow, Secret), ServiceError> {
        let mut session = self.store().session(company).await?;
        let (crew_id, crew_name) = crew_id(&mut session, crew).await?;
        let name = if name.trim().is_empty() { crew_name.as_str() } else { name };
        let name = Name::parse(name).map_err(|fault| ServiceError::fault("/name", fault))?;
        let good = session.crew_links().await?.iter().filter(|row| row.revoked_at.is_none()).count();
        if good >= CREW_LINKS_MAX {
            return Err(full("/crew", format!("there are {CREW_LINKS_MAX} links already")));
        }
        let made = session.insert_crew_link(crew_id, name.as_str(), self.now()).await?;
        session.commit().await?;
        Ok(made)
    }

    /// Takes a link back, and signs out the phones that came in with it.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn revoke_crew_link(&self, company: CompanyId, id: Uuid) -> Result<(), ServiceError> {
        let mut session = self.store().session(company).await?;
        session.revoke_crew_link(id, self.now()).await?;
        session.revoke_browser_sessions_of(Holder::CrewLink(id), None, self.now()).await?;
        Ok(session.commit().await?)
    }
}
