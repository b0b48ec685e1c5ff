//! What one plan changes in another: which steps, for whom, and when each house is finished. A draft is held against what
//! is promised; plans that are only asked about are held against it in memory.

use super::directory::Directory;
use super::planning::PlanDoc;
use super::plans::{cause, same_step};
use super::publish::must_be_kept;
use super::{Service, ServiceError, wire};
use crate::domain::zone::Zone;
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

/// A step in one of two plans, wherever that is kept.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Work {
    /// Keys of job and step.
    pub(super) step: (String, String),
    /// Key of the crew.
    pub(super) crew: String,
    /// First minute, and first minute after, of each piece; never empty.
    pub(super) pieces: Vec<(DateTime<Utc>, DateTime<Utc>)>,
    /// Begun or done.
    pub(super) fixed: bool,
    /// Why it had to move.
    pub(super) moved_because: Option<CauseDto>,
}

/// What a step is called.
#[derive(Debug, Clone)]
pub(super) struct Label {
    pub(super) job_name: String,
    pub(super) step_name: String,
    pub(super) kind: StepKindDto,
    pub(super) house: String,
    pub(super) house_name: String,
    /// The house's wall clock.
    pub(super) zone: Zone,
}

/// What keys are called, for people.
pub(super) trait Labels {
    /// A step by the keys of job and step; `None` when nobody knows it any more.
    fn step(&self, step: &(String, String)) -> Option<Label>;
    /// A crew by key.
    fn crew(&self, key: &str) -> String;
}

/// What is different.
#[derive(Debug, Clone, Default)]
pub(super) struct Changes {
    pub(super) moved: Vec<StepChange>,
    pub(super) added: Vec<StepChange>,
    pub(super) dropped: Vec<StepChange>,
    pub(super) houses: Vec<HouseFinish>,
    pub(super) crews_touched: Vec<String>,
    pub(super) houses_touched: Vec<String>,
}

/// Holds one plan against another.
pub(super) fn changes(labels: &impl Labels, before: &[Work], after: &[Work]) -> Changes {
    type Steps<'a> = BTreeMap<&'a (String, String), &'a Work>;
    fn by_step(works: &[Work]) -> Steps<'_> {
        works.iter().map(|work| (&work.step, work)).collect()
    }
    let (olds, news) = (by_step(before), by_step(after));
    let mut changes = Changes { houses: finishes(labels, before, after), ..Changes::default() };
    let (mut crews, mut houses) = (BTreeSet::new(), BTreeSet::new());
    let all: BTreeSet<&(String, String)> = olds.keys().chain(news.keys()).copied().collect();
    for key in all {
        let (old, new) = (olds.get(key).copied(), news.get(key).copied());
        let list = match (old, new) {
            (Some(old), Some(new)) if (&old.crew, &old.pieces) == (&new.crew, &new.pieces) => continue,
            // What has begun is where it happened; that is no news of the plan's.
            (_, Some(new)) if new.fixed => continue,
            // Its job is over.
            (Some(old), None) if old.fixed => continue,
            (Some(_), Some(_)) => &mut changes.moved,
            (None, _) => &mut changes.added,
            (Some(_), None) => &mut changes.dropped,
        };
        let Some(change) = change(labels, key, old, new) else { continue };
        crews.extend([&change.before, &change.after].into_iter().flatten().map(|placed| placed.crew.clone()));
        houses.insert(change.house.clone());
        list.push(change);
    }
    changes.crews_touched = crews.into_iter().collect();
    changes.houses_touched = houses.into_iter().collect();
    changes
}

fn change(
    labels: &impl Labels,
    step: &(String, String),
    before: Option<&Work>,
    after: Option<&Work>,
) -> Option<StepChange> {
    let label = labels.step(step)?;
    let placed = |work: &Work| PlacedAt {
        crew: work.crew.clone(),
        crew_name: labels.crew(&work.crew),
        start: wire::local(label.zone, work.pieces[0].0),
        finish: wire::local(label.zone, work.pieces[work.pieces.len() - 1].1),
    };
    Some(StepChange {
        job: step.0.clone(),
        job_name: label.job_name.clone(),
        step: step.1.clone(),
        step_name: label.step_name.clone(),
        kind: label.kind,
        house: label.house.clone(),
        house_name: label.house_name.clone(),
        before: before.map(placed),
        after: after.map(placed),
        moved_because: after.and_then(|work| work.moved_because.clone()),
    })
}

/// Houses whose last work ends at another time.
fn finishes(labels: &impl Labels, before: &[Work], after: &[Work]) -> Vec<HouseFinish> {
    type Ends = [Option<DateTime<Utc>>; 2];
    let mut ends: BTreeMap<String, (String, Zone, Ends)> = BTreeMap::new();
    for (which, works) in [before, after].into_iter().enumerate() {
        for work in works {
            let Some(label) = labels.step(&work.step) else { continue };
            let entry = ends.entry(label.house).or_insert((label.house_name, label.zone, [None; 2]));
            entry.2[which] = entry.2[which].max(work.pieces.last().map(|piece| piece.1));
        }
    }
    let changed = ends.into_iter().filter(|(_, (_, _, ends))| ends[0] != ends[1]);
    changed
        .map(|(house, (house_name, zone, [before, after]))| HouseFinish {
            house,
            house_name,
            before: before.map(|at| wire::local(zone, at)),
            after: after.map(|at| wire::local(zone, at)),
        })
        .collect()
}

impl Service {
    /// The draft held against what is promised. Ask it of a snapshot.
    ///
    /// # Errors
    /// `NotFound`; `PlanOutdated` when what it placed is not kept.
    pub async fn compare(&self, session: &mut Session, draft: Uuid) -> Result<Comparison, ServiceError> {
        let head = session.plan(draft).await?;
        must_be_kept(&head)?;
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
        let Changes { moved, added, dropped, houses, crews_touched, houses_touched } =
            changes(&directory, &works(&directory, &before)?, &works(&directory, &after)?);
        Ok(Comparison {
            draft,
            published: promise.map(|plan| plan.id),
            moved,
            added,
            dropped,
            houses,
            crews_touched,
            houses_touched,
            cost_before: old.map(|doc| doc.cost),
            cost_after: doc.cost,
        })
    }
}

/// Rows of a stored plan. What nobody knows any more is left out.
fn works(directory: &Directory, rows: &[PlanRow]) -> Result<Vec<Work>, ServiceError> {
    let mut works = Vec::new();
    for pieces in rows.chunk_by(same_step) {
        let first = &pieces[0];
        let Some(known) = directory.step(first.job_id, &first.step_key) else { continue };
        works.push(Work {
            step: (known.job.key.clone(), first.step_key.clone()),
            crew: directory.crew(first.crew_id).map(|crew| crew.key.clone()).unwrap_or_default(),
            pieces: pieces.iter().map(|row| (row.start, row.end)).collect(),
            fixed: first.fixed,
            moved_because: cause(first)?,
        });
    }
    Ok(works)
}

impl Labels for Directory {
    fn step(&self, (job, step): &(String, String)) -> Option<Label> {
        let known = Directory::step(self, self.job_id(job)?, step)?;
        Some(Label {
            job_name: known.job.name.clone(),
            step_name: known.step.name.clone(),
            kind: known.step.kind,
            house: known.house.key.clone(),
            house_name: known.house.name.clone(),
            zone: known.zone,
        })
    }

    fn crew(&self, key: &str) -> String {
        self.crew_named(key).map(|crew| crew.name.clone()).unwrap_or_default()
    }
}
