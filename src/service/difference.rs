//! The difference a plan makes, for programs and for people: what moves, why, whose days change, who has to be told, and
//! what it costs.

use super::planning::{Draft, draft_of};
use super::publish::{domain_plan, must_be_kept};
use super::snapshot::Snapshot;
use super::watch::counted;
use super::{BasisDto, PlanListed, Service, ServiceError, wire};
use crate::difference::{CostBefore, CrewDay, Difference, Line, StepChange, Visit, difference, line_text};
use crate::domain::ids::StepRef;
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::domain::time::Minute;
use crate::dto::PlanCostDto;
use crate::measure::Planning;
use crate::planner::{Emphasis, Request, alternatives};
use crate::store::{CompanyId, NoticeKind, Session, StoreError};
use serde::{Deserialize, Serialize};
use std::time::Instant;
use utoipa::ToSchema;
use uuid::Uuid;

/// Changed steps that are listed; a plan that moves more is another plan.
const STEPS_MAX: usize = 1_000;

/// Where a step is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct VisitView {
    /// Key of the crew.
    pub crew: String,
    /// For people.
    pub crew_name: String,
    /// First minute, local to the house.
    pub start: String,
    /// First minute after.
    pub finish: String,
}

/// A step that is not where it was promised, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct MovedView {
    /// Key of the job.
    pub job: String,
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// Key of the step.
    pub step: String,
    /// For people.
    pub step_name: String,
    /// As promised; nothing: it was not.
    pub before: Option<VisitView>,
    /// As planned; nothing: it has no place.
    pub after: Option<VisitView>,
    /// The chain of causes to its root, in one sentence.
    pub because: String,
}

/// When a job is finished.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct JobFinishView {
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// As promised; nothing: not all of it was.
    pub finish_before: Option<String>,
    /// As planned; nothing: not all of it has a place.
    pub finish_after: Option<String>,
    /// When it should be.
    pub due: Option<String>,
    /// Minutes after due, as promised.
    pub late_before_minutes: i64,
    /// Minutes after due, as planned.
    pub late_after_minutes: i64,
}

/// A crew's day that is another one now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CrewDayView {
    /// Key of the crew.
    pub crew: String,
    /// For people.
    pub crew_name: String,
    /// Day in the crew's zone.
    #[schema(format = Date)]
    pub date: String,
    /// What was promised, a line each.
    pub before: Vec<String>,
    /// What is planned, a line each.
    pub after: Vec<String>,
}

/// A customer who was told something else.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CustomerNewsView {
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// Names of the steps that are at another time, or out.
    pub visits: Vec<String>,
    /// Whether the work is finished at another time.
    pub finish_moves: bool,
}

/// What a plan changes in what is promised.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DifferenceView {
    /// Steps that are elsewhere, new or out, up to 1,000.
    pub steps: Vec<MovedView>,
    /// Jobs with such steps.
    pub jobs: Vec<JobFinishView>,
    /// Crews' days that change.
    pub crew_days: Vec<CrewDayView>,
    /// Customers to be told.
    pub customers: Vec<CustomerNewsView>,
    /// What keeping the promise would cost, where it can be kept.
    pub cost_before: Option<PlanCostDto>,
    /// Why it cannot be kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_kept_because: Option<String>,
    /// Of the plan.
    pub cost_after: PlanCostDto,
}

impl DifferenceView {
    /// Of a plan made for the situation.
    pub(super) fn of(situation: &Situation, plan: &Plan) -> DifferenceView {
        Shown { situation }.view(&difference(situation, plan))
    }
}

struct Shown<'a> {
    situation: &'a Situation,
}

impl Shown<'_> {
    fn view(&self, difference: &Difference) -> DifferenceView {
        let (cost_before, not_kept_because) = match &difference.cost.before {
            CostBefore::Counted(cost) => (Some(PlanCostDto::from(*cost)), None),
            CostBefore::NotKept(why) => (None, Some(why.clone())),
        };
        DifferenceView {
            steps: difference.steps.iter().take(STEPS_MAX).map(|change| self.moved(change)).collect(),
            jobs: difference.jobs.iter().map(|job| self.finish(job)).collect(),
            crew_days: difference.crew_days.iter().map(|day| self.day(day)).collect(),
            customers: difference
                .customers
                .iter()
                .map(|news| {
                    let house = &self.situation.houses[news.house.index()];
                    CustomerNewsView {
                        house: house.key.to_string(),
                        house_name: house.name.to_string(),
                        visits: news.visits.iter().map(|step| self.step_name(*step)).collect(),
                        finish_moves: news.finish_moves,
                    }
                })
                .collect(),
            cost_before,
            not_kept_because,
            cost_after: PlanCostDto::from(difference.cost.after),
        }
    }

    fn step_name(&self, step: StepRef) -> String {
        self.situation.jobs[step.job.index()].chain.step(step.step).name.to_string()
    }

    fn moved(&self, change: &StepChange) -> MovedView {
        let job = &self.situation.jobs[change.step.job.index()];
        let house = &self.situation.houses[job.house.index()];
        let visit = |visit: Visit| {
            let crew = &self.situation.crews[visit.crew.index()];
            VisitView {
                crew: crew.key.to_string(),
                crew_name: crew.name.to_string(),
                start: wire::local(house.zone, visit.start.to_utc()),
                finish: wire::local(house.zone, visit.finish.to_utc()),
            }
        };
        MovedView {
            job: job.key.to_string(),
            house: house.key.to_string(),
            house_name: house.name.to_string(),
            step: job.chain.step(change.step.step).key.to_string(),
            step_name: self.step_name(change.step),
            before: change.before.map(visit),
            after: change.after.map(visit),
            because: change.because.sentence.clone(),
        }
    }

    fn finish(&self, change: &crate::difference::JobChange) -> JobFinishView {
        let job = &self.situation.jobs[change.job.index()];
        let zone = self.situation.houses[job.house.index()].zone;
        let shown = |at: Option<Minute>| at.map(|at| wire::local(zone, at.to_utc()));
        JobFinishView {
            job: job.key.to_string(),
            job_name: job.name.to_string(),
            finish_before: shown(change.finish_before),
            finish_after: shown(change.finish_after),
            due: shown(change.due),
            late_before_minutes: change.late_before_minutes,
            late_after_minutes: change.late_after_minutes,
        }
    }

    fn day(&self, day: &CrewDay) -> CrewDayView {
        let crew = &self.situation.crews[day.crew.index()];
        let lines = |lines: &[Line]| lines.iter().map(|line| line_text(self.situation, day.crew, line)).collect();
        CrewDayView {
            crew: crew.key.to_string(),
            crew_name: crew.name.to_string(),
            date: day.date.to_string(),
            before: lines(&day.before),
            after: lines(&day.after),
        }
    }
}

/// What an alternative looks at most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EmphasisDto {
    /// As the company weighs.
    Balanced,
    /// As few promised steps as possible move.
    FewestChanges,
    /// Jobs finish as early as possible.
    EarliestFinish,
    /// No new work outside ordinary hours where it can be otherwise.
    NoOvertime,
}

impl From<Emphasis> for EmphasisDto {
    fn from(emphasis: Emphasis) -> EmphasisDto {
        match emphasis {
            Emphasis::Balanced => EmphasisDto::Balanced,
            Emphasis::FewestChanges => EmphasisDto::FewestChanges,
            Emphasis::EarliestFinish => EmphasisDto::EarliestFinish,
            Emphasis::NoOvertime => EmphasisDto::NoOvertime,
        }
    }
}

/// A repair with another emphasis, kept as a draft.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AlternativeView {
    /// What it looks at most.
    pub emphasis: EmphasisDto,
    /// Identifier of the draft: publish it as any.
    pub plan: Uuid,
    /// What it changes in what is promised.
    pub difference: DifferenceView,
}

/// Alternatives that have passed the audit and are not kept yet.
#[derive(Debug)]
pub struct Alternatives(Vec<(Emphasis, Draft, DifferenceView)>);

impl Service {
    /// What a draft, or the promise itself, changes in what is promised, as things stand now.
    ///
    /// # Errors
    /// `NotFound`, `CannotPlan`; `PlanOutdated` when the plan names what is no more.
    pub async fn difference(&self, company: CompanyId, plan: Uuid) -> Result<DifferenceView, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let head = session.plan(plan).await?;
        must_be_kept(&head)?;
        let rows = session.plan_rows(plan).await?;
        let jobs: Vec<Uuid> = rows.iter().map(|row| row.job_id).collect();
        let jobs = session.jobs_by_ids(&jobs).await?;
        let snapshot = Snapshot::load(&mut session, self.now_minute()).await?;
        drop(session);
        let turn = self.turn().await?;
        let compared = tokio::task::spawn_blocking(move || {
            let situation = snapshot.situation()?;
            let plan = domain_plan(&snapshot, &situation, &head, &rows, &jobs)?;
            drop(turn);
            Ok(DifferenceView::of(&situation, &plan))
        });
        compared.await?
    }

    /// The repair with other emphases: each changes something, is different from the others, and has passed the audit.
    /// Nothing is written.
    ///
    /// # Errors
    /// `NotFound` when nothing is promised; `CannotPlan`, `PlanningBusy`.
    pub async fn alternatives(&self, company: CompanyId) -> Result<Alternatives, ServiceError> {
        let turn = self.turn().await?;
        let mut session = self.store.snapshot(company).await?;
        if session.published_plan().await?.is_none() {
            return Err(StoreError::NotFound { what: "published plan" }.into());
        }
        let snapshot = Snapshot::load(&mut session, self.now_minute()).await?;
        drop(session);
        let (meters, captures) = (self.meters.clone(), self.captures.clone());
        let made = tokio::task::spawn_blocking(move || {
            let began = Instant::now();
            let of = (&snapshot.file, Request::repair());
            let made = captures.watched(Planning::Alternatives, of, || made(&snapshot));
            meters.planning(Planning::Alternatives, counted(&made), began.elapsed());
            drop(turn);
            made
        });
        made.await?
    }

    /// Keeps them as drafts.
    ///
    /// # Errors
    /// `DanglingChain` when a step has been taken out of its chain meanwhile.
    pub async fn keep_alternatives(
        &self,
        session: &mut Session,
        made: Alternatives,
    ) -> Result<Vec<AlternativeView>, ServiceError> {
        let mut kept = Vec::new();
        for (emphasis, draft, difference) in made.0 {
            let head = session.insert_plan(&draft.new, &draft.rows).await?;
            let plan = PlanListed::of(&head)?;
            self.tell_draft(session, NoticeKind::PlanProposed, &plan)?;
            kept.push(AlternativeView { emphasis: emphasis.into(), plan: plan.id, difference });
        }
        Ok(kept)
    }
}

fn made(snapshot: &Snapshot) -> Result<Alternatives, ServiceError> {
    let situation = snapshot.situation()?;
    let fingerprint = snapshot.fingerprint()?;
    let mut out = Vec::new();
    for (emphasis, plan) in alternatives(&situation, Request::repair()) {
        let report = crate::audit::audit(&situation, &plan);
        // One that the audit refuses is not worth seeing; the others are.
        if report.is_clean() {
            let difference = DifferenceView::of(&situation, &plan);
            if !difference.steps.is_empty() {
                let draft = draft_of(snapshot, &situation, &plan, (BasisDto::Repair, fingerprint))?;
                out.push((emphasis, draft, difference));
            }
        } else {
            tracing::error!(?emphasis, violations = report.violations.len(), "an alternative breaks a rule");
        }
    }
    Ok(Alternatives(out))
}
