//! Houses, crews, equipment, methods and regions: documents of one life, whatever is in them.

use super::error::refuse;
use super::events::NounChange;
use super::{Service, ServiceError};
use crate::domain::fault::Fault;
use crate::dto::{
    CrewDto, EquipmentDto, HouseDto, Located, MethodDto, RegionDto, StepDto, built_in_method, built_in_methods,
};
use crate::store::{Document, NewNoun, Noun, NounRow, Reference, Session, StoreError};
use chrono::{DateTime, Utc};
use serde::Serialize;
use serde::de::DeserializeOwned;
use utoipa::ToSchema;
use uuid::Uuid;

/// A document that is kept by key.
pub trait NounDoc: Serialize + DeserializeOwned + Send + Sync + 'static {
    /// Where it is kept.
    const NOUN: Noun;
    /// How it is shown in lists.
    type Listed: Serialize;
    /// See the shape.
    fn key(&self) -> &str;
    /// See the shape.
    fn name(&self) -> &str;
    /// Everything wrong with it on its own.
    fn faults(&self) -> Vec<Located>;
    /// What it names, and where.
    fn references(&self) -> Vec<(Reference, String)>;
    /// As shown in lists.
    fn listed(self) -> Self::Listed;
}

macro_rules! noun_doc {
    ($doc:ty, $noun:expr, $listed:ty, |$it:ident| $references:expr, |$own:ident| $shown:expr) => {
        impl NounDoc for $doc {
            const NOUN: Noun = $noun;
            type Listed = $listed;

            fn key(&self) -> &str {
                &self.key
            }

            fn name(&self) -> &str {
                &self.name
            }

            fn faults(&self) -> Vec<Located> {
                self.check()
            }

            fn references(&self) -> Vec<(Reference, String)> {
                let $it = self;
                $references
            }

            fn listed(self) -> $listed {
                let $own = self;
                $shown
            }
        }
    };
}

noun_doc!(HouseDto, Noun::House, HouseDto, |house| region_of(house), |house| house);
noun_doc!(CrewDto, Noun::Crew, CrewDto, |_it| Vec::new(), |crew| crew);
noun_doc!(EquipmentDto, Noun::Equipment, EquipmentDto, |_it| Vec::new(), |equipment| equipment);
noun_doc!(MethodDto, Noun::Method, MethodListed, |method| gear_of(&method.steps), |method| MethodListed {
    built_in: false,
    method
});
noun_doc!(RegionDto, Noun::Region, RegionListed, |_it| Vec::new(), |region| RegionListed::of(&region));

/// A method in a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MethodListed {
    /// Whether it comes with the program; then it is not changed, only copied.
    pub built_in: bool,
    /// As it is.
    #[serde(flatten)]
    pub method: MethodDto,
}

/// A region in a list: without its thousands of hours.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RegionListed {
    /// Unique in the company.
    pub key: String,
    /// For people.
    pub name: String,
    /// Where its forecast may be fetched.
    pub gridpoint: Option<String>,
    /// Start of the first hour of its forecast.
    pub forecast_from: Option<String>,
    /// Start of the last hour of its forecast.
    pub forecast_last: Option<String>,
    /// Hours given.
    pub forecast_hours: usize,
    /// Whether it has normals for the days past them.
    pub has_normals: bool,
}

impl RegionListed {
    fn of(region: &RegionDto) -> RegionListed {
        let hours = &region.forecast.hours;
        RegionListed {
            key: region.key.clone(),
            name: region.name.clone(),
            gridpoint: region.gridpoint.clone(),
            forecast_from: hours.first().map(|hour| hour.start.clone()),
            forecast_last: hours.last().map(|hour| hour.start.clone()),
            forecast_hours: hours.len(),
            has_normals: region.normals.is_some(),
        }
    }
}

fn region_of(house: &HouseDto) -> Vec<(Reference, String)> {
    let region = house.region.iter();
    region.map(|key| (Reference { noun: Noun::Region, key: key.clone() }, "/region".to_owned())).collect()
}

pub(super) fn gear_of(steps: &[StepDto]) -> Vec<(Reference, String)> {
    let gear = |(index, step): (usize, &StepDto)| -> Vec<(Reference, String)> {
        let named = step.equipment.keys();
        let named = named.map(|key| {
            let pointer = format!("/steps/{index}/equipment/{}", key.replace('~', "~0").replace('/', "~1"));
            (Reference { noun: Noun::Equipment, key: key.clone() }, pointer)
        });
        named.collect()
    };
    steps.iter().enumerate().flat_map(gear).collect()
}

/// A document with what is known about it.
#[derive(Debug, Clone)]
pub struct Stored<D> {
    /// Rising with time.
    pub id: Uuid,
    /// The document.
    pub doc: D,
    /// Rises with every change.
    pub version: i64,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
}

impl<D: DeserializeOwned> Stored<D> {
    pub(super) fn of(row: &NounRow) -> Result<Stored<D>, ServiceError> {
        Ok(Stored { id: row.id, doc: row.doc.parse()?, version: row.version, updated_at: row.updated_at })
    }
}

impl Service {
    /// Keeps a new document.
    ///
    /// # Errors
    /// `Invalid`, `KeyTaken`.
    pub async fn create_noun<D: NounDoc>(&self, session: &mut Session, doc: &D) -> Result<Stored<D>, ServiceError> {
        let new = checked(doc)?;
        session.lock_company().await?;
        let row = session.insert_noun(D::NOUN, &new).await.map_err(|error| located(doc, error))?;
        self.note_noun(session, D::NOUN, &row, NounChange::Added).await?;
        Stored::of(&row)
    }

    /// One document.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn noun<D: NounDoc>(&self, session: &mut Session, key: &str) -> Result<Stored<D>, ServiceError> {
        Stored::of(&session.noun_by_key(D::NOUN, key).await?)
    }

    /// A page of documents in the order of creation.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn nouns<D: NounDoc>(
        &self,
        session: &mut Session,
        after: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<Stored<D>>, ServiceError> {
        session.nouns(D::NOUN, after, limit).await?.iter().map(Stored::of).collect()
    }

    /// Puts `doc` in the place of the document `key` at `version`.
    ///
    /// # Errors
    /// `NotFound`, `Stale`, `Invalid`.
    pub async fn change_noun<D: NounDoc>(
        &self,
        session: &mut Session,
        key: &str,
        version: i64,
        doc: &D,
    ) -> Result<Stored<D>, ServiceError> {
        session.lock_company().await?;
        let row = self.put_row(session, key, version, doc).await?;
        self.note_noun(session, D::NOUN, &row, NounChange::Changed).await?;
        Stored::of(&row)
    }

    /// As [`Service::change_noun`], for whoever keeps the event himself.
    pub(super) async fn put_noun<D: NounDoc>(
        &self,
        session: &mut Session,
        key: &str,
        version: i64,
        doc: &D,
    ) -> Result<Stored<D>, ServiceError> {
        Stored::of(&self.put_row(session, key, version, doc).await?)
    }

    async fn put_row<D: NounDoc>(
        &self,
        session: &mut Session,
        key: &str,
        version: i64,
        doc: &D,
    ) -> Result<NounRow, ServiceError> {
        let row = session.noun_by_key(D::NOUN, key).await?;
        if doc.key() != key {
            let what = format!("the document calls itself {:?}, its address {key:?}", short(doc.key()));
            let cure = "a key is given once: create another one, and archive this";
            return Err(ServiceError::fault("/key", Fault::new("key-is-fixed", what, cure)));
        }
        let new = checked(doc)?;
        let changed = session.update_noun(D::NOUN, row.id, version, &new).await;
        changed.map_err(|error| located(doc, error))
    }

    /// As [`Service::change_noun`], for a house: its open jobs must still fit it.
    ///
    /// # Errors
    /// As there.
    pub async fn change_house(
        &self,
        session: &mut Session,
        key: &str,
        version: i64,
        house: &HouseDto,
    ) -> Result<Stored<HouseDto>, ServiceError> {
        let changed = self.change_noun(session, key, version, house).await?;
        self.jobs_still_fit(session, &changed).await?;
        Ok(changed)
    }

    /// Puts the document at `version` away.
    ///
    /// # Errors
    /// `NotFound`, `Stale`, `InUse`.
    pub async fn archive_noun(
        &self,
        session: &mut Session,
        noun: Noun,
        key: &str,
        version: i64,
    ) -> Result<(), ServiceError> {
        session.lock_company().await?;
        let row = session.noun_by_key(noun, key).await?;
        let row = session.archive_noun(noun, row.id, version).await?;
        self.note_noun(session, noun, &row, NounChange::Archived).await
    }

    /// A method of the company, or else the one of this key that comes with the program.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn method(&self, session: &mut Session, key: &str) -> Result<(MethodDto, Option<NounRow>), ServiceError> {
        match session.noun_by_key(Noun::Method, key).await {
            Ok(row) => Ok((row.doc.parse()?, Some(row))),
            Err(StoreError::NotFound { what }) => match built_in_method(key) {
                Some(method) => Ok((method.clone(), None)),
                None => Err(StoreError::NotFound { what }.into()),
            },
            Err(error) => Err(error.into()),
        }
    }

    /// Refuses to change a method that comes with the program, if the company has none of its own in its place.
    ///
    /// # Errors
    /// `BuiltIn`.
    pub async fn refuse_built_in(&self, session: &mut Session, key: &str) -> Result<(), ServiceError> {
        match self.method(session, key).await {
            Ok((_, None)) => Err(ServiceError::BuiltIn(key.to_owned())),
            _ => Ok(()),
        }
    }

    /// Methods that come with the program and are not replaced by one of the company's own.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn built_in_methods(&self, session: &mut Session) -> Result<Vec<MethodListed>, ServiceError> {
        let mut listed = Vec::new();
        for method in built_in_methods() {
            if let Ok((method, None)) = self.method(session, &method.key).await {
                listed.push(MethodListed { built_in: true, method });
            }
        }
        Ok(listed)
    }
}

fn checked<D: NounDoc>(doc: &D) -> Result<NewNoun, ServiceError> {
    let mut faults = doc.faults();
    faults.extend(unaddressable(doc.key()));
    refuse(faults)?;
    Ok(NewNoun {
        key: doc.key().to_owned(),
        name: doc.name().trim().to_owned(),
        doc: Document::of(doc)?,
        refers: doc.references().into_iter().map(|(reference, _)| reference).collect(),
    })
}

/// Paths of addresses cannot end in these (RFC 3986, section 5.2.4).
pub(super) fn unaddressable(key: &str) -> Option<Located> {
    matches!(key, "." | "..").then(|| Located {
        pointer: "/key".to_owned(),
        fault: Fault::new("bad-key", format!("{key:?} cannot be part of an address"), "use a letter or digit, too"),
    })
}

/// An unknown reference, told where the document makes it.
fn located<D: NounDoc>(doc: &D, error: StoreError) -> ServiceError {
    let StoreError::UnknownReference { what, key } = &error else { return error.into() };
    let made = |(reference, _): &(Reference, String)| reference.noun.word() == *what && reference.key == *key;
    match doc.references().into_iter().find(made) {
        Some((_, pointer)) => ServiceError::fault(pointer, unknown(what, key)),
        None => error.into(),
    }
}

/// A name that stands for nothing.
pub(super) fn unknown(what: &'static str, key: &str) -> Fault {
    let code = match what {
        "house" => "unknown-house",
        "crew" => "unknown-crew",
        "equipment" => "unknown-equipment",
        "method" => "unknown-method",
        _ => "unknown-region",
    };
    let cure = format!("create the {what} first, or correct its key");
    Fault::new(code, format!("there is no {what} {:?}", short(key)), cure)
}

pub(super) fn short(text: &str) -> String {
    text.chars().take(64).collect()
}
