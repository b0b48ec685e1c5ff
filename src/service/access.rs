//! Who may come in: tokens of people and programs, and addresses of calendars.

use super::nouns::unknown;
use super::{Service, ServiceError};
use crate::domain::fault::Fault;
use crate::domain::text::Name;
use crate::store::{FeedKind, FeedRow, NewToken, Noun, Secret, Session, StoreError, TokenRole, TokenRow};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;
use uuid::Uuid;

/// What a token's holder may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RoleDto {
    /// Everything.
    Office,
    /// Look, and report what one crew does.
    Crew,
    /// Look.
    Viewer,
}

impl From<TokenRole> for RoleDto {
    fn from(role: TokenRole) -> RoleDto {
        match role {
            TokenRole::Office => RoleDto::Office,
            TokenRole::Crew => RoleDto::Crew,
            TokenRole::Viewer => RoleDto::Viewer,
        }
    }
}

/// A token to make.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TokenBody {
    /// For people: whose, or what for.
    #[schema(example = "phone of Crew North", min_length = 1, max_length = 120)]
    pub name: String,
    /// What its holder may do.
    pub role: RoleDto,
    /// Key of the crew whose phone it is; given exactly for the role `crew`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// From when on it is worth nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub expires_at: Option<String>,
}

/// A token as it is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct TokenView {
    /// Never changes.
    pub id: Uuid,
    /// For people.
    pub name: String,
    /// What its holder may do.
    pub role: RoleDto,
    /// Key of the crew.
    pub crew: Option<String>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was last used, to within some minutes.
    pub last_used_at: Option<DateTime<Utc>>,
    /// From when on it is worth nothing.
    pub expires_at: Option<DateTime<Utc>>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
    /// The token itself: only in the first reply to the request that made it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub secret: Option<String>,
}

/// Whose calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FeedKindDto {
    /// One crew's work.
    Crew,
    /// All work in one house.
    House,
    /// Everything.
    Office,
    /// What the customer of one house must know.
    Customer,
}

/// A calendar address to make.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FeedBody {
    /// Whose calendar.
    pub kind: FeedKindDto,
    /// Key of the crew, for `crew`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Key of the house, for `house` and `customer`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub house: Option<String>,
}

/// A calendar address as it is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct FeedView {
    /// Never changes.
    pub id: Uuid,
    /// Whose calendar.
    pub kind: FeedKindDto,
    /// Key of the crew.
    pub crew: Option<String>,
    /// Key of the house.
    pub house: Option<String>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
    /// Where the calendar is: only in the first reply to the request that made it. Whoever knows it can read it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
}

fn only_for(pointer: &str, what: &str) -> ServiceError {
    let cure = "give it, or leave it out, as the role or kind asks";
    ServiceError::fault(pointer, Fault::new("contradiction", what, cure))
}

async fn id_of(session: &mut Session, noun: Noun, key: &str, pointer: &str) -> Result<Uuid, ServiceError> {
    match session.noun_by_key(noun, key).await {
        Ok(row) => Ok(row.id),
        Err(StoreError::NotFound { what }) => Err(ServiceError::fault(pointer, unknown(what, key))),
        Err(error) => Err(error.into()),
    }
}

async fn keys(
    session: &mut Session,
    noun: Noun,
    ids: impl Iterator<Item = Uuid>,
) -> Result<BTreeMap<Uuid, String>, ServiceError> {
    let ids: Vec<Uuid> = ids.collect();
    Ok(session.nouns_by_ids(noun, &ids).await?.into_iter().map(|row| (row.id, row.key)).collect())
}

impl Service {
    /// Makes a token.
    ///
    /// # Errors
    /// `Invalid`.
    pub async fn create_token(&self, session: &mut Session, body: &TokenBody) -> Result<TokenView, ServiceError> {
        let name = Name::parse(&body.name).map_err(|fault| ServiceError::fault("/name", fault))?;
        let crew_id = match (body.role, &body.crew) {
            (RoleDto::Crew, Some(key)) => Some(id_of(session, Noun::Crew, key, "/crew").await?),
            (RoleDto::Crew, None) => return Err(only_for("/crew", "a crew's token does not say which crew's")),
            (_, Some(_)) => return Err(only_for("/crew", "only a crew's token names a crew")),
            (_, None) => None,
        };
        let role = match body.role {
            RoleDto::Office => TokenRole::Office,
            RoleDto::Crew => TokenRole::Crew,
            RoleDto::Viewer => TokenRole::Viewer,
        };
        let expires = body.expires_at.as_deref().map(super::wire::instant).transpose();
        let expires_at = expires.map_err(|fault| ServiceError::fault("/expires_at", fault))?;
        let new = NewToken { name: name.to_string(), role, crew_id, expires_at };
        let (row, secret) = session.insert_token(&new).await?;
        Ok(token_view(row, body.crew.clone(), Some(&secret)))
    }

    /// All tokens, revoked ones too, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn tokens(&self, session: &mut Session) -> Result<Vec<TokenView>, ServiceError> {
        let rows = session.tokens().await?;
        let crews = keys(session, Noun::Crew, rows.iter().filter_map(|row| row.crew_id)).await?;
        let crew = |row: &TokenRow| row.crew_id.and_then(|id| crews.get(&id).cloned());
        Ok(rows.into_iter().map(|row| (crew(&row), row)).map(|(crew, row)| token_view(row, crew, None)).collect())
    }

    /// Makes a calendar address; `address_of` tells it from the secret.
    ///
    /// # Errors
    /// `Invalid`.
    pub async fn create_feed(
        &self,
        session: &mut Session,
        body: &FeedBody,
        address_of: impl Fn(&Secret) -> String,
    ) -> Result<FeedView, ServiceError> {
        let kind = match (body.kind, &body.crew, &body.house) {
            (FeedKindDto::Crew, Some(crew), None) => FeedKind::Crew(id_of(session, Noun::Crew, crew, "/crew").await?),
            (FeedKindDto::House, None, Some(house)) => {
                FeedKind::House(id_of(session, Noun::House, house, "/house").await?)
            }
            (FeedKindDto::Customer, None, Some(house)) => {
                FeedKind::Customer(id_of(session, Noun::House, house, "/house").await?)
            }
            (FeedKindDto::Office, None, None) => FeedKind::Office,
            (FeedKindDto::Crew, ..) => return Err(only_for("/crew", "a crew's calendar names a crew and no house")),
            (FeedKindDto::House | FeedKindDto::Customer, ..) => {
                return Err(only_for("/house", "a calendar of a house names a house and no crew"));
            }
            (FeedKindDto::Office, ..) => return Err(only_for("/kind", "the office's calendar is about everything")),
        };
        let (row, secret) = session.insert_feed(kind).await?;
        let mut view = feed_view(&row, body.crew.clone(), body.house.clone());
        view.address = Some(address_of(&secret));
        Ok(view)
    }

    /// All calendar addresses, revoked ones too, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn feeds(&self, session: &mut Session) -> Result<Vec<FeedView>, ServiceError> {
        let rows = session.feeds().await?;
        let crews = keys(session, Noun::Crew, rows.iter().filter_map(|row| subjects(row.kind).0)).await?;
        let houses = keys(session, Noun::House, rows.iter().filter_map(|row| subjects(row.kind).1)).await?;
        let view = |row: &FeedRow| {
            let (crew, house) = subjects(row.kind);
            let named = |names: &BTreeMap<Uuid, String>, id: Option<Uuid>| id.and_then(|id| names.get(&id).cloned());
            feed_view(row, named(&crews, crew), named(&houses, house))
        };
        Ok(rows.iter().map(view).collect())
    }
}

fn token_view(row: TokenRow, crew: Option<String>, secret: Option<&Secret>) -> TokenView {
    TokenView {
        id: row.id,
        name: row.name,
        role: row.role.into(),
        crew,
        created_at: row.created_at,
        last_used_at: row.last_used_at,
        expires_at: row.expires_at,
        revoked_at: row.revoked_at,
        secret: secret.map(|secret| secret.reveal().to_owned()),
    }
}

impl TokenView {
    /// Of the office's own token.
    pub fn of_office(row: TokenRow, secret: &Secret) -> TokenView {
        token_view(row, None, Some(secret))
    }
}

/// Crew and house of a calendar.
fn subjects(kind: FeedKind) -> (Option<Uuid>, Option<Uuid>) {
    match kind {
        FeedKind::Crew(crew) => (Some(crew), None),
        FeedKind::House(house) | FeedKind::Customer(house) => (None, Some(house)),
        FeedKind::Office => (None, None),
    }
}

fn feed_view(row: &FeedRow, crew: Option<String>, house: Option<String>) -> FeedView {
    let kind = match row.kind {
        FeedKind::Crew(_) => FeedKindDto::Crew,
        FeedKind::House(_) => FeedKindDto::House,
        FeedKind::Office => FeedKindDto::Office,
        FeedKind::Customer(_) => FeedKindDto::Customer,
    };
    FeedView { id: row.id, kind, crew, house, created_at: row.created_at, revoked_at: row.revoked_at, address: None }
}
