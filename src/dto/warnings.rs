//! What is worth knowing about a situation that is valid all the same: steps that no plan can place as things stand. They
//! are not refused, because the rest can be planned; each will be listed as unplaced.

use super::fault::{At, Faults, Located};
use crate::domain::chain::Step;
use crate::domain::fault::Fault;
use crate::domain::ids::SkillSet;
use crate::domain::resources::House;
use crate::domain::situation::Situation;

/// At most so many as faults.
pub(super) fn of(situation: &Situation) -> Vec<Located> {
    let mut warnings = Faults::default();
    let jobs_at = At::Field(&At::Root, "jobs");
    let everybody = situation.crews.iter().fold(SkillSet::default(), |all, crew| SkillSet(all.0 | crew.skills.0));
    for (index, job) in situation.jobs.iter().enumerate() {
        let at = jobs_at.item(index);
        let house = &situation.houses[job.house.index()];
        for step in job.chain.steps().iter().filter(|step| step.fixed().is_none()) {
            let missing = step.skills.minus(everybody);
            let warning = missing_skill(situation, step, missing)
                .or_else(|| too_few_units(situation, step))
                .or_else(|| too_few_people(situation, step))
                .or_else(|| too_long(situation, step, house));
            if let Some(warning) = warning {
                warnings.push(&at, warning);
            }
        }
    }
    warnings.into_list()
}

fn missing_skill(situation: &Situation, step: &Step, missing: SkillSet) -> Option<Fault> {
    let first = missing.positions().next()?;
    let what = format!("step {} needs the skill {:?}, which no crew has", step.key, situation.skills[first]);
    Some(Fault::new("skill-nobody-has", what, "give it to a crew, or correct its spelling"))
}

fn too_few_units(situation: &Situation, step: &Step) -> Option<Fault> {
    let short = |(kind, units): &&(_, u32)| {
        let kind: &crate::domain::ids::EquipmentIx = kind;
        situation.equipment[kind.index()].units < *units
    };
    let (kind, units) = step.equipment.iter().find(short)?;
    let kind = &situation.equipment[kind.index()];
    let what = format!("step {} needs {units} of {}; there are {}", step.key, kind.key, kind.units);
    Some(Fault::new("too-few-units", what, "get more of it, or let the step do with fewer"))
}

fn too_few_people(situation: &Situation, step: &Step) -> Option<Fault> {
    let skilled = situation.crews.iter().filter(|crew| crew.skills.covers(step.skills));
    let Some(largest) = skilled.map(|crew| crew.head_count).max() else {
        let what = format!("no crew has all the skills of step {} together", step.key);
        return Some(Fault::new("no-crew-with-skills", what, "give them to one crew, or split the step"));
    };
    (largest < step.head_count_min).then(|| {
        let what = format!(
            "step {} needs {} people; the largest crew with the skills has {largest}",
            step.key, step.head_count_min
        );
        Fault::new("too-few-people", what, "add people to a crew, or let the step do with fewer")
    })
}

/// Only what is certain: longer than the longest shift of each able crew, or than the house is ever open.
fn too_long(situation: &Situation, step: &Step, house: &House) -> Option<Fault> {
    let able = |crew: &&crate::domain::resources::Crew| {
        crew.skills.covers(step.skills) && crew.head_count >= step.head_count_min
    };
    let open = house.access.longest_minutes();
    let lack = |crew: &crate::domain::resources::Crew| {
        let minutes = step.duration_minutes(crew.head_count);
        let longest = open.min(crew.calendar.longest_minutes());
        (minutes - longest, minutes, longest)
    };
    let (over, minutes, longest) = situation.crews.iter().filter(able).map(lack).min()?;
    (over > 0 && !step.dividable).then(|| {
        let what = format!(
            "step {} takes {minutes} minutes without a break; crew and house have at most {longest} at a stretch",
            step.key
        );
        let cure = "lengthen the shift or the access hours, send more people, or split the step by areas";
        Fault::new("longer-than-any-shift", what, cure)
    })
}
