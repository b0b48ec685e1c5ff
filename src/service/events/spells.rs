//! Events on crews, gear and houses. What is known of one is its document as it was before the first event, or as somebody
//! wrote it, with all events since then, in the order in which they happened.

use super::super::nouns::{NounDoc, unknown};
use super::super::{Service, ServiceError, companies};
use super::floor::event_of;
use super::settled::{Settled, in_event};
use crate::domain::zone::Zone;
use crate::dto::{CrewDto, EquipmentDto, Event, Heard, Hearing, HouseDto};
use crate::store::{Document, EventRow, Session, StoreError};

/// A document that events change.
pub(super) trait Heeds: NounDoc + Clone + PartialEq {
    /// Takes in an event.
    fn heed_event(&mut self, event: &Event, office: Zone) -> Hearing;
}

impl Heeds for CrewDto {
    fn heed_event(&mut self, event: &Event, office: Zone) -> Hearing {
        self.heed(event, office)
    }
}

impl Heeds for EquipmentDto {
    fn heed_event(&mut self, event: &Event, office: Zone) -> Hearing {
        self.heed(event, office)
    }
}

impl Heeds for HouseDto {
    fn heed_event(&mut self, event: &Event, office: Zone) -> Hearing {
        self.heed(event, office)
    }
}

impl Service {
    /// Takes in an event about the crew, gear or house `key`, of which nothing else is changing.
    pub(super) async fn tell_spell<D: Heeds>(
        &self,
        session: &mut Session,
        key: &str,
        event: &Event,
    ) -> Result<Settled, ServiceError> {
        let word = D::NOUN.word();
        let row = match session.noun_by_key(D::NOUN, key).await {
            Err(StoreError::NotFound { what }) => {
                return Err(ServiceError::fault(format!("/event/{word}"), unknown(what, key)));
            }
            other => other?,
        };
        let office = companies::office_zone(&session.company_row().await?)?;
        let subject = format!("{word}/{key}");
        let base = session.event_base(&subject).await?;
        let current: D = row.doc.parse()?;
        let (from, mut doc, first): (i64, D, Option<Document>) = match base {
            Some(base) => (base.number, base.base.parse()?, None),
            None => (0, current.clone(), Some(row.doc.clone())),
        };
        let rows = session.events_about(&subject, from).await?;
        let mut events: Vec<(Option<&EventRow>, Event)> = vec![(None, event.clone())];
        for row in rows.iter().filter(|row| is_spell(&row.kind)) {
            events.push((Some(row), event_of(row)?));
        }
        events.sort_by_key(|(_, event)| (event.at, event.id));
        let heard = all_heard(&mut doc, &events, office);
        let mut own = Settled::APPLIED;
        for ((row, _), heard) in events.iter().zip(heard) {
            match (row, heard) {
                (None, Err(faults)) => return Err(in_event(&faults)),
                (None, Ok(heard)) => own = Settled::of(heard),
                (Some(row), Ok(heard)) => {
                    let settled = Settled::of(heard);
                    if settled.standing != row.standing {
                        self.settle_event(session, row.id, &settled).await?;
                    }
                }
                // It was good when it was told, and the document has become another since: it stays as it stands.
                (Some(_), Err(_)) => {}
            }
        }
        if doc != current {
            self.put_noun(session, key, row.version, &doc).await?;
        }
        Ok(Settled { base: first, ..own })
    }
}

/// What each event comes to, in order; what is too early is tried again when others have been taken in.
fn all_heard<D: Heeds>(doc: &mut D, events: &[(Option<&EventRow>, Event)], office: Zone) -> Vec<Hearing> {
    let mut heard: Vec<Option<Hearing>> = vec![None; events.len()];
    loop {
        let mut progress = false;
        for ((_, event), heard) in events.iter().zip(&mut heard) {
            if matches!(heard, None | Some(Ok(Heard::NotYet(_)))) {
                let new = doc.heed_event(event, office);
                progress |= matches!(new, Ok(Heard::Changed));
                *heard = Some(new);
            }
        }
        if !progress {
            break;
        }
    }
    heard.into_iter().map(|heard| heard.unwrap_or(Ok(Heard::Known))).collect()
}

fn is_spell(kind: &str) -> bool {
    matches!(
        kind,
        "crew_away"
            | "crew_short"
            | "crew_back"
            | "machine_broken"
            | "machine_mended"
            | "house_closed"
            | "house_opened"
    )
}
