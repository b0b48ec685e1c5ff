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
use std::any::Any;
use std::fmt;
use std::sync::{Arc, OnceLock};

/// One JSON document, as text until somebody reads it. PostgreSQL keeps it as `jsonb`: the order of an object's keys
/// and blanks are not kept.
///
/// Copies share the text, and what [`Document::read`] has made of it.
#[derive(Debug, Clone)]
pub struct Document(Arc<Text>);

struct Text {
    json: Box<RawValue>,
    /// Of the first type that it was read as.
    read: OnceLock<Arc<dyn Any + Send + Sync>>,
}

impl fmt::Debug for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.json.fmt(f)
    }
}

impl From<Box<RawValue>> for Document {
    fn from(json: Box<RawValue>) -> Document {
        Document(Arc::new(Text { json, read: OnceLock::new() }))
    }
}

impl Document {
    /// What `value` serialises to.
    ///
    /// # Errors
    /// `BadDocument` when `value` cannot be written as JSON.
    pub fn of(value: &impl Serialize) -> Result<Document, StoreError> {
        serde_json::value::to_raw_value(value).map(Document::from).map_err(StoreError::BadDocument)
    }

    /// Reads it.
    ///
    /// # Errors
    /// `BadDocument` when it has another shape than `T`.
    pub fn parse<T: DeserializeOwned>(&self) -> Result<T, StoreError> {
        serde_json::from_str(self.as_str()).map_err(StoreError::BadDocument)
    }

    /// Reads it once: whoever asks again, of this or a copy, is given the same. For documents of one type that are kept.
    ///
    /// # Errors
    /// As [`Document::parse`].
    pub fn read<T: DeserializeOwned + Send + Sync + 'static>(&self) -> Result<Arc<T>, StoreError> {
        if let Some(read) = self.0.read.get().and_then(|read| read.clone().downcast().ok()) {
            return Ok(read);
        }
        let read: Arc<T> = Arc::new(self.parse()?);
        // Of two who read at once, or as different types, one is kept.
        self.0.read.get_or_init(|| read.clone());
        Ok(read)
    }

    /// The JSON text.
    pub fn as_str(&self) -> &str {
        self.0.json.get()
    }
}

/// As it is, within whatever it is a part of.
impl Serialize for Document {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.json.serialize(serializer)
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
        <Json<&RawValue> as Encode<Postgres>>::encode_by_ref(&Json(&self.0.json), buffer)
    }
}

impl<'r> Decode<'r, Postgres> for Document {
    fn decode(value: PgValueRef<'r>) -> Result<Document, BoxDynError> {
        <Json<Box<RawValue>> as Decode<Postgres>>::decode(value).map(|Json(raw)| Document::from(raw))
    }
}
