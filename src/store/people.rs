//! People who may sign in. Their passwords come here as hashes and leave as such only to be compared.

use super::{CompanyId, Session, Store, StoreError, TokenRole};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// What to store.
#[derive(Debug, Clone)]
pub struct NewPerson {
    /// For people.
    pub name: String,
    /// In lower case; unique across companies.
    pub sign_in_name: String,
    /// As a PHC string.
    pub password_hash: String,
    /// What they may do.
    pub role: TokenRole,
    /// Which crew; given exactly for [`TokenRole::Crew`].
    pub crew_id: Option<Uuid>,
    /// Now.
    pub at: DateTime<Utc>,
}

/// What is stored, without the password.
#[derive(Debug, Clone, FromRow)]
pub struct PersonRow {
    /// Rising with time.
    pub id: Uuid,
    /// For people.
    pub name: String,
    /// What they sign in with.
    pub sign_in_name: String,
    /// What they may do.
    pub role: TokenRole,
    /// Which crew.
    pub crew_id: Option<Uuid>,
    /// When they were added.
    pub created_at: DateTime<Utc>,
    /// When they got the password they have.
    pub password_set_at: DateTime<Utc>,
    /// When they were shut out.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// Whose sign-in name it is.
#[derive(Clone, FromRow)]
pub struct FoundPerson {
    /// The tenant.
    pub company_id: Uuid,
    /// The person.
    pub id: Uuid,
    /// What the password is compared with.
    pub password_hash: String,
}

impl FoundPerson {
    /// The tenant.
    pub fn company(&self) -> CompanyId {
        CompanyId(self.company_id)
    }
}

macro_rules! row {
    () => {
        "id, name, sign_in_name, role, crew_id, created_at, password_set_at, revoked_at"
    };
}

impl Store {
    /// Who signs in under this name; nobody who was shut out.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn find_person(&self, sign_in_name: &str) -> Result<Option<FoundPerson>, StoreError> {
        self.retry_lost(|| {
            let query = sqlx::query_as("SELECT company_id, id, password_hash FROM find_person($1)");
            query.bind(sign_in_name).fetch_optional(self.pool())
        })
        .await
    }
}

impl Session {
    /// Adds a person.
    ///
    /// # Errors
    /// `KeyTaken` for the sign-in name, `UnknownReference` for the crew.
    pub async fn insert_person(&mut self, new: &NewPerson) -> Result<PersonRow, StoreError> {
        sqlx::query_as(concat!(
            "INSERT INTO person (company_id, id, name, sign_in_name, password_hash, role, crew_id, created_at, password_set_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $8) RETURNING ",
            row!()
        ))
        .bind(self.company.0)
        .bind(super::new_id())
        .bind(&new.name)
        .bind(&new.sign_in_name)
        .bind(&new.password_hash)
        .bind(new.role)
        .bind(new.crew_id)
        .bind(new.at)
        .fetch_one(self.db())
        .await
        .map_err(|error| match StoreError::from(error) {
            error if error.constraint() == Some("person_sign_in_name_unique") => {
                StoreError::KeyTaken { what: "person", key: new.sign_in_name.clone() }
            }
            error => error,
        })
    }

    /// All people, those who were shut out too, by name.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn people(&mut self) -> Result<Vec<PersonRow>, StoreError> {
        let query =
            sqlx::query_as(concat!("SELECT ", row!(), " FROM person WHERE company_id = $1 ORDER BY lower(name), id"));
        Ok(query.bind(self.company.0).fetch_all(self.db()).await?)
    }

    /// One person.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn person(&mut self, id: Uuid) -> Result<PersonRow, StoreError> {
        let query = sqlx::query_as(concat!("SELECT ", row!(), " FROM person WHERE company_id = $1 AND id = $2"));
        let found = query.bind(self.company.0).bind(id).fetch_optional(self.db()).await?;
        found.ok_or(StoreError::NotFound { what: "person" })
    }

    /// Gives a person another password; whoever was shut out may come in again with it.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn set_person_password(
        &mut self,
        id: Uuid,
        password_hash: &str,
        at: DateTime<Utc>,
    ) -> Result<PersonRow, StoreError> {
        sqlx::query_as(concat!(
            "UPDATE person SET password_hash = $3, password_set_at = $4, revoked_at = NULL
             WHERE company_id = $1 AND id = $2 RETURNING ",
            row!()
        ))
        .bind(self.company.0)
        .bind(id)
        .bind(password_hash)
        .bind(at)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "person" })
    }

    /// Shuts a person out, from the next request on. Doing it twice changes nothing.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn revoke_person(&mut self, id: Uuid, at: DateTime<Utc>) -> Result<PersonRow, StoreError> {
        sqlx::query_as(concat!(
            "UPDATE person SET revoked_at = coalesce(revoked_at, $3) WHERE company_id = $1 AND id = $2 RETURNING ",
            row!()
        ))
        .bind(self.company.0)
        .bind(id)
        .bind(at)
        .fetch_optional(self.db())
        .await?
        .ok_or(StoreError::NotFound { what: "person" })
    }
}
