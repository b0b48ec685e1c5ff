//! What a job is tried on before it is kept: the company's crews, gear and settings, and the house. Everything wrong is
//! told where the sender wrote it.

use super::{ServiceError, companies, error, wire};
use crate::domain::bounds::{CREWS_MAX, EQUIPMENT_KINDS_MAX};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{
    CrewDto, EquipmentDto, FaultDto, HouseDto, JobDto, Located, MethodDto, PLANNING_FORMAT, PlanningFile, SettingsDto,
    assemble,
};
use crate::store::{Noun, NounRow, Session, StoreError};
use std::collections::BTreeMap;
use uuid::Uuid;

/// The company without its houses and jobs.
#[derive(Clone)]
pub(super) struct Bench {
    /// The company's settings.
    pub(super) settings: SettingsDto,
    crews: Vec<CrewDto>,
    equipment: Vec<EquipmentDto>,
    /// Keys of crews by identifier.
    pub(super) crew_keys: BTreeMap<Uuid, String>,
    /// The office's wall clock.
    pub(super) zone: Zone,
    /// The instant of asking.
    pub(super) now: Minute,
}

impl Bench {
    /// `crews_too`: crews that may be archived and are needed all the same, because they did something.
    pub(super) async fn load(session: &mut Session, now: Minute, crews_too: &[Uuid]) -> Result<Bench, ServiceError> {
        let company = session.company_row().await?;
        let mut crews = session.nouns(Noun::Crew, None, CREWS_MAX as u32).await?;
        let missing = |id: &&Uuid| !crews.iter().any(|row: &NounRow| row.id == **id);
        let missing: Vec<Uuid> = crews_too.iter().filter(missing).copied().collect();
        if !missing.is_empty() {
            crews.extend(session.nouns_by_ids(Noun::Crew, &missing).await?);
        }
        let equipment = session.nouns(Noun::Equipment, None, EQUIPMENT_KINDS_MAX as u32).await?;
        Ok(Bench {
            settings: company.settings.parse()?,
            zone: companies::office_zone(&company)?,
            crews: crews.iter().map(|row| row.doc.parse()).collect::<Result<_, StoreError>>()?,
            equipment: equipment.iter().map(|row| row.doc.parse()).collect::<Result<_, StoreError>>()?,
            crew_keys: crews.iter().map(|row| (row.id, row.key.clone())).collect(),
            now,
        })
    }

    /// Of a planning file, in which things have no identifiers: crews get some.
    pub(super) fn of_file(file: &PlanningFile, zone: Zone, now: Minute) -> Bench {
        let id = |index: usize| Uuid::from_u128(index as u128 + 1);
        Bench {
            settings: file.settings.clone(),
            crew_keys: file.crews.iter().enumerate().map(|(index, crew)| (id(index), crew.key.clone())).collect(),
            crews: file.crews.clone(),
            equipment: file.equipment.clone(),
            zone,
            now,
        }
    }

    /// Identifier of a crew.
    pub(super) fn crew_id(&self, key: &str) -> Option<Uuid> {
        self.crew_keys.iter().find(|(_, known)| *known == key).map(|(id, _)| *id)
    }

    /// What is wrong with `jobs` in `house`, or what is worth knowing about them.
    pub(super) fn judge(
        &self,
        house: &HouseDto,
        method: Option<&MethodDto>,
        jobs: Vec<JobDto>,
    ) -> Result<Vec<Located>, Vec<Located>> {
        let file = PlanningFile {
            format: PLANNING_FORMAT.to_owned(),
            now: wire::local(self.zone, self.now.to_utc()),
            settings: self.settings.clone(),
            skills: Vec::new(),
            regions: Vec::new(),
            crews: self.crews.clone(),
            // Its weather does not matter here.
            houses: vec![HouseDto { region: None, ..house.clone() }],
            equipment: self.equipment.clone(),
            methods: method.into_iter().cloned().collect(),
            jobs,
            known_ways: Vec::new(),
            published: None,
        };
        assemble(file).map(|parsed| parsed.warnings)
    }
}

/// A job's own pointers out of those into a planning file of one job.
pub(super) fn of_job(faults: &[Located]) -> Vec<FaultDto> {
    let own = |located: &Located| {
        let pointer = match located.pointer.strip_prefix("/jobs/0") {
            Some(own) => own.to_owned(),
            None if located.pointer.starts_with("/methods/0") => "/method".to_owned(),
            None => located.pointer.clone(),
        };
        Located { pointer, fault: located.fault.clone() }
    };
    error::told(&faults.iter().map(own).collect::<Vec<_>>())
}
