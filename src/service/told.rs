//! What is told when something happens: the contents of notices. Examples of each are in docs/notices.md.

use super::directory::Directory;
use super::planning::PlanDoc;
use super::plans::PlanListed;
use super::{RecordView, Service, ServiceError, wire};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{OutcomeDto, UnplacedDto};
use crate::store::{JobEnds, JobStatus, NoticeKind, OtherPiece, PlanHead, Published, RecordRow, Session};
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Steps without a place that one publication tells of; the notice of the publication itself says how many there are.
const UNPLACED_TOLD_MAX: usize = 100;
/// Changes of one day of one crew that are told one by one.
const CHANGES_TOLD_MAX: usize = 50;

/// A piece of work that a crew has at another time than before, or not any more, or now.
#[derive(Debug, Clone, Serialize)]
struct WorkChange {
    job: String,
    house: String,
    house_name: String,
    step: String,
    step_name: String,
    /// Crew and times as they were promised.
    before: Option<WorkPlace>,
    /// As they are promised now.
    after: Option<WorkPlace>,
}

#[derive(Debug, Clone, Serialize)]
struct WorkPlace {
    crew: String,
    start: String,
    finish: String,
}

/// A crew's calendar day.
type CrewDay = (Uuid, NaiveDate);

impl Service {
    /// A report from the floor.
    pub(super) fn tell_record(
        &self,
        session: &mut Session,
        (job, house): (&str, &str),
        row: &RecordRow,
        view: &RecordView,
    ) -> Result<(), ServiceError> {
        let about = (Some(row.job_id), Some(row.crew_id));
        let data = json!({
            "job": job, "house": house, "step": view.step, "crew": view.crew, "outcome": view.outcome,
            "record": view.id, "recorded_by": view.recorded_by,
        });
        session.tell(self.notice(NoticeKind::EventRecorded, about, &data)?);
        if view.outcome == OutcomeDto::Failed {
            let data = json!({
                "job": job, "house": house, "step": view.step, "crew": view.crew, "record": view.id,
                "retry_not_before_at": view.retry_not_before_at, "added_steps": view.added_steps,
                "warnings": view.warnings,
            });
            session.tell(self.notice(NoticeKind::CheckFailed, about, &data)?);
        }
        Ok(())
    }

    /// A draft kept or discarded.
    pub(super) fn tell_draft(
        &self,
        session: &mut Session,
        kind: NoticeKind,
        plan: &PlanListed,
    ) -> Result<(), ServiceError> {
        let data = json!({
            "plan": plan.id, "number": plan.number, "unplaced_steps": plan.unplaced_steps,
            "cost": plan.cost, "lower_bound": plan.lower_bound,
        });
        session.tell(self.notice(kind, (None, None), &data)?);
        Ok(())
    }

    /// A publication: that it is there, and what it means for each crew, house and step. `before` was the promise; where
    /// it is known, only the jobs that are `touched` differ.
    pub(super) async fn tell_publication(
        &self,
        session: &mut Session,
        before: Option<&PlanHead>,
        done: &Published,
        touched: Option<&[Uuid]>,
    ) -> Result<(), ServiceError> {
        let (old, new) = (before.map(|plan| plan.id), done.plan.id);
        let pieces = session.other_pieces(old, new, touched).await?;
        let ends = session.other_ends(old, new, touched).await?;
        let doc: PlanDoc = done.plan.doc.parse()?;
        let had: Vec<UnplacedDto> =
            before.map_or(Ok(Vec::new()), |plan| plan.doc.parse::<PlanDoc>().map(|doc| doc.unplaced))?;
        let data = json!({
            "plan": new, "number": done.plan.number, "added": done.added, "changed": done.changed, "left": done.left,
            "unplaced_steps": doc.unplaced.len(),
        });
        session.tell(self.notice(NoticeKind::PlanPublished, (None, None), &data)?);
        let jobs = pieces.iter().map(|piece| piece.job_id).chain(ends.iter().map(|ends| ends.job_id)).collect();
        let crews = pieces.iter().flat_map(|piece| [piece.old_crew, piece.new_crew]).flatten().collect();
        let directory = Directory::load(session, jobs, crews).await?;
        self.tell_days(session, &directory, &pieces)?;
        self.tell_dates(session, &directory, &ends, (&had, &doc.unplaced))?;
        self.tell_unplaced(session, &had, &doc.unplaced).await
    }

    fn tell_days(
        &self,
        session: &mut Session,
        directory: &Directory,
        pieces: &[OtherPiece],
    ) -> Result<(), ServiceError> {
        let mut days: BTreeMap<CrewDay, Vec<(DateTime<Utc>, WorkChange)>> = BTreeMap::new();
        for piece in pieces.iter().filter(|piece| piece.old_end.max(piece.new_end) > Some(self.now())) {
            let Some(change) = change(directory, piece) else { continue };
            let Some(start) = piece.new_start.or(piece.old_start) else { continue };
            let touched: BTreeSet<CrewDay> = [(piece.old_crew, piece.old_start), (piece.new_crew, piece.new_start)]
                .into_iter()
                .filter_map(|(crew, start)| Some((crew?, day(crew_zone(directory, crew?), start?))))
                .collect();
            for day in touched {
                days.entry(day).or_default().push((start, change.clone()));
            }
        }
        for ((crew, day), mut changes) in days {
            let count = changes.len();
            changes.sort_by_key(|(start, _)| *start);
            let changes: Vec<WorkChange> =
                changes.into_iter().map(|(_, change)| change).take(CHANGES_TOLD_MAX).collect();
            let named = directory.crew(crew);
            let data = json!({
                "crew": named.map(|crew| &crew.key), "crew_name": named.map(|crew| &crew.name), "day": day,
                "change_count": count, "changes": changes,
            });
            session.tell(self.notice(NoticeKind::CrewDayChanged, (None, Some(crew)), &data)?);
        }
        Ok(())
    }

    /// A job with a step without a place has no last day.
    fn tell_dates(
        &self,
        session: &mut Session,
        directory: &Directory,
        ends: &[JobEnds],
        (had, has): (&[UnplacedDto], &[UnplacedDto]),
    ) -> Result<(), ServiceError> {
        for ends in ends {
            let Some(known) = directory.of_job(ends.job_id) else { continue };
            let (job, house, zone) = known;
            // What is over or called off keeps nobody waiting.
            if job.status != JobStatus::Open {
                continue;
            }
            let whole = |unplaced: &[UnplacedDto]| unplaced.iter().all(|step| step.job != job.key);
            let before = ends.old_end.filter(|_| whole(had));
            let after = ends.new_end.filter(|_| whole(has));
            let [from, to] = [before, after].map(|end| end.map(|end| day(zone, end)));
            if from == to {
                continue;
            }
            let data = json!({
                "job": job.key, "job_name": job.name, "house": house.key, "house_name": house.name,
                "before": from, "after": to,
                "before_at": before.map(|at| wire::local(zone, at)), "after_at": after.map(|at| wire::local(zone, at)),
            });
            session.tell(self.notice(NoticeKind::HouseDateChanged, (Some(job.id), None), &data)?);
        }
        Ok(())
    }

    async fn tell_unplaced(
        &self,
        session: &mut Session,
        had: &[UnplacedDto],
        has: &[UnplacedDto],
    ) -> Result<(), ServiceError> {
        let known: BTreeSet<(&str, &str)> = had.iter().map(|step| (step.job.as_str(), step.step.as_str())).collect();
        let new = has.iter().filter(|step| !known.contains(&(step.job.as_str(), step.step.as_str())));
        for step in new.take(UNPLACED_TOLD_MAX) {
            let job = session.job_by_key(&step.job).await?;
            session.tell(self.notice(NoticeKind::StepUnplaced, (Some(job.id), None), step)?);
        }
        Ok(())
    }
}

fn crew_zone(directory: &Directory, crew: Uuid) -> Zone {
    wire::zone_or(directory.crew(crew).and_then(|crew| crew.time_zone.as_deref()), directory.office)
}

fn day(zone: Zone, at: DateTime<Utc>) -> NaiveDate {
    zone.date(Minute::floor_from(at))
}

fn change(directory: &Directory, piece: &OtherPiece) -> Option<WorkChange> {
    let known = directory.step(piece.job_id, &piece.step_key)?;
    if known.job.status != JobStatus::Open {
        return None;
    }
    let place = |crew: Option<Uuid>, start: Option<DateTime<Utc>>, end: Option<DateTime<Utc>>| {
        let (start, finish) = (wire::local(known.zone, start?), wire::local(known.zone, end?));
        Some(WorkPlace { crew: directory.crew(crew?)?.key.clone(), start, finish })
    };
    Some(WorkChange {
        job: known.job.key.clone(),
        house: known.house.key.clone(),
        house_name: known.house.name.clone(),
        step: piece.step_key.clone(),
        step_name: known.step.name.clone(),
        before: place(piece.old_crew, piece.old_start, piece.old_end),
        after: place(piece.new_crew, piece.new_start, piece.new_end),
    })
}
