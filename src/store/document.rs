//! JSON that is stored and given back as it is. The store does not look inside.

use super::StoreError;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::value::RawValue;
use sqlx::encode::IsNull;
use sqlx::error::BoxDynError;
use sqlx::postgres::{PgArgumentBuffer, PgHasArrayType, PgTypeInfo, PgValueRef, Postgres};
use sqlx::types::Json;
use sqlx::{Decode, Encode, Type};

/// One JSON document, as text until somebody reads it. PostgreSQL keeps it as `jsonb`: the order of an object's keys
/// and blanks are not kept.
#[derive(Debug, Clone)]
pub struct Document(Box<RawValue>);

impl Document {
    /// What `value` serialises to.
    ///
    /// # Errors
    /// `BadDocument` when `value` cannot be written as JSON.
    pub fn of(value: &impl Serialize) -> Result<Document, StoreError> {
        serde_json::value::to_raw_value(value).map(Document).map_err(StoreError::BadDocument)
    }

    /// Reads it.
    ///
    /// # Errors
    /// `BadDocument` when it has another shape than `T`.
    pub fn parse<T: DeserializeOwned>(&self) -> Result<T, StoreError> {
        serde_json::from_str(self.0.get()).map_err(StoreError::BadDocument)
    }

    /// The JSON text.
    pub fn as_str(&self) -> &str {
        self.0.get()
    }
}

/// As it is, within whatever it is a part of.
impl Serialize for Document {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

impl Type<Postgres> for Document {
    fn type_info() -> PgTypeInfo {
        <Json<Box<RawValue>> as Type<Postgres>>::type_info()
    }
}

impl PgHasArrayType for Document {
    fn array_type_info() -> PgTypeInfo {
        <Json<Box<RawValue>> as PgHasArrayType>::array_type_info()
    }
}

impl Encode<'_, Postgres> for Document {
    fn encode_by_ref(&self, buffer: &mut PgArgumentBuffer) -> Result<IsNull, BoxDynError> {
        <Json<&RawValue> as Encode<Postgres>>::encode_by_ref(&Json(&self.0), buffer)
    }
}

impl<'r> Decode<'r, Postgres> for Document {
    fn decode(value: PgValueRef<'r>) -> Result<Document, BoxDynError> {
        <Json<Box<RawValue>> as Decode<Postgres>>::decode(value).map(|Json(raw)| Document(raw))
    }
}
