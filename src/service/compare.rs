//! What a draft would change in what is promised: which steps, for whom, and when each house is finished.

use super::directory::Directory;
use super::planning::PlanDoc;
use super::plans::{cause, same_step};
use super::{Service, ServiceError, wire};
use crate::dto::{CauseDto, PlanCostDto, StepKindDto};
use crate::store::{PlanRow, Session};
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;
use uuid::Uuid;

/// Where a step is in one of the two plans.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct PlacedAt {
    /// Key of the crew.
    pub crew: String,
    /// For people.
    pub crew_name: String,
    /// First minute, local to the house.
    pub start: String,
    /// First minute after.
    pub finish: String,
}

/// A step that is not where it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct StepChange {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// Key of the step.
    pub step: String,
    /// For people.
    pub step_name: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// As promised.
    pub before: Option<PlacedAt>,
    /// As drafted.
    pub after: Option<PlacedAt>,
    /// Why it had to move, if it was promised inside the freeze time.
    pub moved_because: Option<CauseDto>,
}

/// When the last planned work in a house ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct HouseFinish {
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// As promised.
    pub before: Option<String>,
    /// As drafted.
    pub after: Option<String>,
}

/// Everything a draft would change.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Comparison {
    /// The draft.
    pub draft: Uuid,
    /// What is promised; nothing yet: everything is added.
    pub published: Option<Uuid>,
    /// At another time or with another crew.
    pub moved: Vec<StepChange>,
    /// Not promised before.
    pub added: Vec<StepChange>,
    /// Promised and not planned any more.
    pub dropped: Vec<StepChange>,
    /// Houses whose finish changes.
    pub houses: Vec<HouseFinish>,
    /// Keys of the crews whose work changes.
    pub crews_touched: Vec<String>,
    /// Keys of the houses whose work changes.
    pub houses_touched: Vec<String>,
    /// Of what is promised, counted when it was planned.
    pub cost_before: Option<PlanCostDto>,
    /// Of the draft.
    pub cost_after: PlanCostDto,
}

type Steps<'a> = BTreeMap<(Uuid, &'a str), &'a [PlanRow]>;

impl Service {
    /// The draft held against what is promised. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn compare(&self, session: &mut Session, draft: Uuid) -> Result<Comparison, ServiceError> {
        let head = session.plan(draft).await?;
        let after = session.plan_rows(draft).await?;
        let promise = session.published_plan().await?.filter(|plan| plan.id != draft);
        let before = match &promise {
            Some(plan) => session.plan_rows(plan.id).await?,
            None => Vec::new(),
        };
        let rows = || before.iter().chain(&after);
        let directory =
            Directory::load(session, rows().map(|row| row.job_id).collect(), rows().map(|row| row.crew_id).collect())
                .await?;
        let old: Option<PlanDoc> = promise.as_ref().map(|plan| plan.doc.parse()).transpose()?;
        let doc: PlanDoc = head.doc.parse()?;
        let mut comparison = Comparison {
            draft,
            published: promise.map(|plan| plan.id),
            moved: Vec::new(),
            added: Vec::new(),
            dropped: Vec::new(),
            houses: finishes(&directory, &before, &after),
            crews_touched: Vec::new(),
            houses_touched: Vec::new(),
            cost_before: old.map(|doc| doc.cost),
            cost_after: doc.cost,
        };
        differences(&mut comparison, &directory, &steps(&before), &steps(&after))?;
        Ok(comparison)
    }
}

fn steps(rows: &[PlanRow]) -> Steps<'_> {
    rows.chunk_by(same_step).map(|pieces| ((pieces[0].job_id, pieces[0].step_key.as_str()), pieces)).collect()
}

fn differences(
    comparison: &mut Comparison,
    directory: &Directory,
    before: &Steps,
    after: &Steps,
) -> Result<(), ServiceError> {
    let (mut crews, mut houses) = (BTreeSet::new(), BTreeSet::new());
    let all: BTreeSet<&(Uuid, &str)> = before.keys().chain(after.keys()).collect();
    for key in all {
        let (old, new) = (before.get(key).copied(), after.get(key).copied());
        let same = |old: &[PlanRow], new: &[PlanRow]| {
            old.len() == new.len()
                && old.iter().zip(new).all(|(a, b)| (a.crew_id, a.start, a.end) == (b.crew_id, b.start, b.end))
        };
        let list = match (old, new) {
            (Some(old), Some(new)) if same(old, new) => continue,
            // What has begun is where it happened; that is no news of the plan's.
            (_, Some(new)) if new[0].fixed => continue,
            // Its job is over.
            (Some(old), None) if old[0].fixed => continue,
            (Some(_), Some(_)) => &mut comparison.moved,
            (None, _) => &mut comparison.added,
            (Some(_), None) => &mut comparison.dropped,
        };
        let Some(change) = change(directory, old, new)? else { continue };
        crews.extend([&change.before, &change.after].into_iter().flatten().map(|placed| placed.crew.clone()));
        houses.insert(change.house.clone());
        list.push(change);
    }
    comparison.crews_touched = crews.into_iter().collect();
    comparison.houses_touched = houses.into_iter().collect();
    Ok(())
}

fn change(
    directory: &Directory,
    before: Option<&[PlanRow]>,
    after: Option<&[PlanRow]>,
) -> Result<Option<StepChange>, ServiceError> {
    let Some(first) = after.or(before).map(|pieces| &pieces[0]) else { return Ok(None) };
    let Some(known) = directory.step(first.job_id, &first.step_key) else { return Ok(None) };
    let placed = |pieces: &[PlanRow]| {
        let crew = directory.crew(pieces[0].crew_id);
        PlacedAt {
            crew: crew.map(|crew| crew.key.clone()).unwrap_or_default(),
            crew_name: crew.map(|crew| crew.name.clone()).unwrap_or_default(),
            start: wire::local(known.zone, pieces[0].start),
            finish: wire::local(known.zone, pieces[pieces.len() - 1].end),
        }
    };
    Ok(Some(StepChange {
        job: known.job.key.clone(),
        job_name: known.job.name.clone(),
        step: first.step_key.clone(),
        step_name: known.step.name.clone(),
        kind: known.step.kind,
        house: known.house.key.clone(),
        house_name: known.house.name.clone(),
        before: before.map(placed),
        after: after.map(placed),
        moved_because: after.map_or(Ok(None), |pieces| cause(&pieces[0]))?,
    }))
}

/// Houses whose last work ends at another time.
fn finishes(directory: &Directory, before: &[PlanRow], after: &[PlanRow]) -> Vec<HouseFinish> {
    type Ends = [Option<DateTime<Utc>>; 2];
    let mut ends: BTreeMap<&str, (&str, crate::domain::zone::Zone, Ends)> = BTreeMap::new();
    for (which, rows) in [before, after].into_iter().enumerate() {
        for row in rows {
            let Some(known) = directory.step(row.job_id, &row.step_key) else { continue };
            let entry = ends.entry(&known.house.key).or_insert((&known.house.name, known.zone, [None; 2]));
            entry.2[which] = entry.2[which].max(Some(row.end));
        }
    }
    let changed = ends.into_iter().filter(|(_, (_, _, ends))| ends[0] != ends[1]);
    changed
        .map(|(house, (name, zone, [before, after]))| HouseFinish {
            house: house.to_owned(),
            house_name: name.to_owned(),
            before: before.map(|at| wire::local(zone, at)),
            after: after.map(|at| wire::local(zone, at)),
        })
        .collect()
}
