//! Companies: founded by the operator, changed by their office.

use super::error::refuse;
use super::{Service, ServiceError};
use crate::domain::text::Name;
use crate::dto::SettingsDto;
use crate::store::{CompanyId, CompanyRow, Document, NewToken, Secret, Session, TokenRole, TokenRow};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A company as it is sent.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CompanyBody {
    /// For people.
    #[schema(example = "Harrow Falls Floors", min_length = 1, max_length = 120)]
    pub name: String,
    /// What planning heeds.
    pub settings: SettingsDto,
}

/// A company as it is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CompanyView {
    /// Never changes.
    pub id: Uuid,
    /// For people.
    pub name: String,
    /// What planning heeds.
    pub settings: SettingsDto,
}

/// A new company and the key to it.
#[derive(Debug)]
pub struct Founded {
    /// The company.
    pub company: CompanyRow,
    /// The first token of its office.
    pub token: TokenRow,
    /// The token itself, shown once.
    pub secret: Secret,
}

impl CompanyBody {
    fn check(&self) -> Result<(), ServiceError> {
        if let Err(fault) = Name::parse(&self.name) {
            return Err(ServiceError::fault("/name", fault));
        }
        let mut faults = self.settings.check();
        faults.iter_mut().for_each(|located| located.pointer.insert_str(0, "/settings"));
        refuse(faults)
    }
}

impl CompanyView {
    /// From its row.
    ///
    /// # Errors
    /// `BadDocument`.
    pub fn of(row: &CompanyRow) -> Result<CompanyView, ServiceError> {
        Ok(CompanyView { id: row.id, name: row.name.clone(), settings: row.settings.parse()? })
    }
}

impl Service {
    /// Creates the company that `session` belongs to, with a first token for its office.
    ///
    /// # Errors
    /// `Invalid`; `KeyTaken` when it exists.
    pub async fn found_company(&self, session: &mut Session, body: &CompanyBody) -> Result<Founded, ServiceError> {
        body.check()?;
        let company = session.insert_company(body.name.trim(), &Document::of(&body.settings)?).await?;
        let (token, secret) = self.office_token(session).await?;
        Ok(Founded { company, token, secret })
    }

    /// A new token for the office, for when all others are lost.
    ///
    /// # Errors
    /// `NotFound` when there is no such company.
    pub async fn office_token(&self, session: &mut Session) -> Result<(TokenRow, Secret), ServiceError> {
        session.company_row().await?;
        let new = NewToken { name: "office".into(), role: TokenRole::Office, crew_id: None, expires_at: None };
        Ok(session.insert_token(&new).await?)
    }

    /// Changes name and settings at `version`.
    ///
    /// # Errors
    /// `Invalid`, `NotFound`, `Stale`.
    pub async fn change_company(
        &self,
        session: &mut Session,
        version: i64,
        body: &CompanyBody,
    ) -> Result<CompanyRow, ServiceError> {
        body.check()?;
        session.update_company(version, body.name.trim(), &Document::of(&body.settings)?).await?;
        Ok(session.company_row().await?)
    }
}

/// The company's office zone; its settings have been checked when they were stored.
pub(super) fn office_zone(row: &CompanyRow) -> Result<crate::domain::zone::Zone, ServiceError> {
    let settings: SettingsDto = row.settings.parse()?;
    Ok(super::wire::zone_or(Some(&settings.time_zone), crate::domain::zone::Zone::UTC))
}

/// The company of an operator's key: the same key always means the same company, so that asking twice founds one.
pub fn company_of_key(key: &str) -> CompanyId {
    CompanyId(Uuid::new_v5(&Uuid::NAMESPACE_URL, format!("tackfree:company:{key}").as_bytes()))
}
