//! A treatment's section plan as it is shown: by the API for a job's step, and by the calculation for any floor.

use super::house::HouseDto;
use super::job::JobDto;
use super::rolling;
use crate::trade::sections::{
    Act, Doing, Limit, NOTES, Part, Plan, Section, Treatment, keeps_dwell, limit_words, lines,
};
use serde::Serialize;
use utoipa::ToSchema;

/// One of the two parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "as in trade::sections::Part")]
pub enum PartDto {
    A,
    B,
}

/// What somebody does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "as in trade::sections::Doing")]
pub enum DoingDto {
    SetUp,
    Shake,
    Pour,
    Roll,
    EvenOut,
    ChangeOver,
    Wait,
}

/// Floor of a room in a section.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SectionFloorDto {
    /// Name of the area.
    #[schema(example = "Living room")]
    pub area: String,
    /// Square feet of the area before it, counted from the far end.
    pub from_sqft: i64,
    /// Square feet of the area before it and in it.
    pub until_sqft: i64,
}

/// A section, with its dwell. Seconds are counted from the crew's beginning.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SectionDto {
    /// From 1, in working order.
    pub number: usize,
    /// What floor.
    pub floor: Vec<SectionFloorDto>,
    /// All of it.
    pub sqft: i64,
    /// Part A is begun; the last time if it is wet again.
    pub a_from_seconds: i64,
    /// Part A is rolled.
    pub a_until_seconds: i64,
    /// Part B is begun.
    pub b_from_seconds: i64,
    /// Part B is rolled.
    pub b_until_seconds: i64,
    /// From A to B at the first point.
    pub dwell_first_seconds: i64,
    /// From A to B at the last point; in between it changes evenly.
    pub dwell_last_seconds: i64,
    /// Whether both lie in the window; only what has happened can lie outside.
    pub dwell_kept: bool,
    /// It was too dry: part A goes on again, and its dwell starts again.
    pub wet_again: bool,
}

/// One thing that one person does.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ActDto {
    /// 1: the only one, or the one with part A; 2: the one with part B.
    pub person: usize,
    /// What.
    pub does: DoingDto,
    /// With which part; for a change-over: whose roller is taken.
    pub part: Option<PartDto>,
    /// In which section, from 1.
    pub section: Option<usize>,
    /// After the crew's beginning.
    pub from_seconds: i64,
    /// After the crew's beginning.
    pub until_seconds: i64,
}

/// Sections and who does what when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SectionPlanDto {
    /// How many roll.
    pub applicators: i64,
    /// The largest section that keeps its dwell; `null` when it may be as large as the floor.
    pub largest_sqft: Option<i64>,
    /// Why it is no larger.
    pub largest_because: String,
    /// In working order.
    pub sections: Vec<SectionDto>,
    /// By start.
    pub acts: Vec<ActDto>,
    /// When all is done.
    pub total_seconds: i64,
    /// Of all who roll together, waiting included.
    pub crew_minutes: i64,
    /// The same for people: one line for each section, then one for each act.
    pub lines: Vec<String>,
    /// What goes with every treatment. The label and the safety data sheet come first.
    pub notes: Vec<String>,
}

/// `at` puts a second after the crew's beginning into words.
pub fn section_plan(treatment: &Treatment, plan: &Plan, at: impl Fn(i64) -> String) -> SectionPlanDto {
    let section = |(index, section)| section_dto(treatment, index, section);
    SectionPlanDto {
        applicators: plan.applicators.people(),
        largest_sqft: (plan.largest.limit != Limit::None).then_some(plan.largest.sqft),
        largest_because: limit_words(plan.largest.limit).to_owned(),
        sections: plan.sections.iter().enumerate().map(section).collect(),
        acts: plan.acts.iter().map(act_dto).collect(),
        total_seconds: plan.total_seconds,
        crew_minutes: plan.crew_minutes(),
        lines: lines(treatment, plan, at),
        notes: NOTES.iter().map(ToString::to_string).collect(),
    }
}

fn section_dto(treatment: &Treatment, index: usize, section: &Section) -> SectionDto {
    let floor = section.pieces.iter().map(|piece| SectionFloorDto {
        area: treatment.rooms[piece.room].name.clone(),
        from_sqft: piece.from_sqft,
        until_sqft: piece.until_sqft,
    });
    let (first, last) = section.dwell_seconds();
    SectionDto {
        number: index + 1,
        floor: floor.collect(),
        sqft: section.sqft,
        a_from_seconds: section.a.from,
        a_until_seconds: section.a.until,
        b_from_seconds: section.b.from,
        b_until_seconds: section.b.until,
        dwell_first_seconds: first,
        dwell_last_seconds: last,
        dwell_kept: keeps_dwell(section, treatment.window),
        wet_again: section.wet_again,
    }
}

fn act_dto(act: &Act) -> ActDto {
    let (does, part) = match act.doing {
        Doing::SetUp => (DoingDto::SetUp, None),
        Doing::Shake(part) => (DoingDto::Shake, Some(part)),
        Doing::Pour(part) => (DoingDto::Pour, Some(part)),
        Doing::Roll(part) => (DoingDto::Roll, Some(part)),
        Doing::EvenOut(part) => (DoingDto::EvenOut, Some(part)),
        Doing::ChangeOver(part) => (DoingDto::ChangeOver, Some(part)),
        Doing::Wait => (DoingDto::Wait, None),
    };
    let letter = |part: Part| match part {
        Part::A => PartDto::A,
        Part::B => PartDto::B,
    };
    ActDto {
        person: act.person + 1,
        does,
        part: part.map(letter),
        section: act.section.map(|section| section + 1),
        from_seconds: act.span.from,
        until_seconds: act.span.until,
    }
}

/// A treatment of a job that is rolled in sections.
#[derive(Debug, Clone)]
pub struct RolledTreatment {
    /// Key of the step with part A.
    pub a: String,
    /// Key of the step with part B.
    pub b: String,
    /// People that the crew must have for both.
    pub head_count_min: i64,
    /// For one applicator; the set-up of part A comes first.
    pub treatment: Treatment,
}

/// Those of a job with a chain of its own, in the chain's order.
pub fn rolled_treatments(job: &JobDto, house: &HouseDto) -> Vec<RolledTreatment> {
    rolling::of_job(job, house)
}
