//! Will each house make its date? A plan is held against the company as it is now, and carried out many times over, with
//! as much chance as the company's own records tell of.

use super::planning::PlanDoc;
use super::publish::{must_be_kept, plan_of_rows};
use super::snapshot::Snapshot;
use super::{Service, ServiceError};
use crate::chance::{ChanceModel, CheckCounts, WORK_RATIO, WorkSpread, failed_check_rate, simulate, work_sigma};
use crate::domain::fault::Fault;
use crate::dto::{ChancesDto, treat_again};
use crate::store::{ChainRows, CompanyId, PlanHead, PlanRow, Session, StoreError};
use chrono::{DateTime, Duration, Utc};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;
use uuid::Uuid;

/// How far back records count, days: two seasons each of winter and summer.
const EXPERIENCE_DAYS: i64 = 730;
/// Runs times placed pieces: about ten seconds of one core.
pub const PIECE_RUNS_MAX: u64 = 20_000_000;

/// What a model of chance rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct Experience {
    /// Tries of checks on record in the last two years.
    pub check_tries: u64,
    /// Of these, failed.
    pub checks_failed: u64,
    /// Works on record of which the planned time is known.
    pub works: u64,
}

/// The chances of a plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ChancesView {
    /// The plan.
    pub plan: Uuid,
    /// Its number.
    pub number: i64,
    /// The instant it was held against: now.
    pub now: DateTime<Utc>,
    /// Records that the model rests on; without any, on defaults.
    pub experience: Experience,
    /// What came of it.
    #[serde(flatten)]
    pub chances: ChancesDto,
}

impl Service {
    /// Simulates a plan, or the promise if `plan` is `None`, `runs` times. Nothing is written.
    ///
    /// # Errors
    /// `NotFound`, `CannotPlan`, `PlanningBusy`; `Invalid` when that is too much to ask at once; `PlanOutdated` when the
    /// plan names what is no more, or was rejected and has no rows.
    pub async fn chances(
        &self,
        company: CompanyId,
        plan: Option<Uuid>,
        runs: u32,
        seed: u64,
    ) -> Result<ChancesView, ServiceError> {
        let turn = self.turn().await?;
        let mut session = self.store.snapshot(company).await?;
        let head = match plan {
            Some(id) => session.plan(id).await?,
            None => session.published_plan().await?.ok_or(StoreError::NotFound { what: "published plan" })?,
        };
        let rows = session.plan_rows(head.id).await?;
        if rows.len() as u64 * u64::from(runs) > PIECE_RUNS_MAX {
            let most = PIECE_RUNS_MAX / rows.len() as u64;
            let what = format!("{runs} runs of a plan of {} pieces of work are too many at once", rows.len());
            return Err(ServiceError::fault("/runs", Fault::new("out-of-range", what, format!("ask for {most} runs"))));
        }
        let now = self.now_minute();
        let (experience, model) = experience(&mut session, now.to_utc()).await?;
        let snapshot = Snapshot::load(&mut session, now).await?;
        drop(session);
        let simulated = tokio::task::spawn_blocking(move || {
            let chances = simulated(&snapshot, (&head, rows), model, (runs, seed));
            drop(turn);
            chances.map(|chances| ChancesView {
                plan: head.id,
                number: head.number,
                now: now.to_utc(),
                experience,
                chances,
            })
        });
        simulated.await?
    }
}

/// What the company's records tell, and what is left to chance by it.
async fn experience(session: &mut Session, now: DateTime<Utc>) -> Result<(Experience, ChanceModel), ServiceError> {
    let since = now - Duration::days(EXPERIENCE_DAYS);
    let checks = session.check_tries(since).await?;
    let works = session.work_times(since, (*WORK_RATIO.start(), *WORK_RATIO.end())).await?;
    let counts = CheckCounts { tries: checks.tries.unsigned_abs(), failed: checks.failed.unsigned_abs() };
    let spread = WorkSpread { steps: works.steps.unsigned_abs(), sum_squares: works.sum_squares };
    let model = ChanceModel {
        failed_check_rate: failed_check_rate(counts),
        work_sigma: work_sigma(spread),
        ..ChanceModel::default()
    };
    let experience = Experience { check_tries: counts.tries, checks_failed: counts.failed, works: spread.steps };
    Ok((experience, model))
}

fn simulated(
    snapshot: &Snapshot,
    (head, mut rows): (&PlanHead, Vec<PlanRow>),
    model: ChanceModel,
    (runs, seed): (u32, u64),
) -> Result<ChancesDto, ServiceError> {
    must_be_kept(head)?;
    let situation = snapshot.situation()?;
    // What is over in the plan, with the job or the crew gone, holds nothing up any more.
    let jobs: BTreeMap<Uuid, &ChainRows> =
        snapshot.rows.jobs.iter().map(|planned| (planned.job.id, planned.chain.as_ref())).collect();
    let crews: BTreeSet<Uuid> = snapshot.rows.crews.iter().map(|crew| crew.id).collect();
    rows.retain(|row| {
        let known = |chain: &&ChainRows| chain.steps.iter().any(|step| step.step_key == row.step_key);
        jobs.get(&row.job_id).is_some_and(known) && crews.contains(&row.crew_id)
    });
    // Which steps are left out is seen from the rows; what the plan said of them may name jobs that are over.
    let doc = PlanDoc { unplaced: Vec::new(), ..head.doc.parse()? };
    let plan = plan_of_rows(snapshot, &situation, head, &rows, doc)?;
    let model = ChanceModel { treat_again: treat_again(&situation, &snapshot.file.jobs), ..model };
    Ok(ChancesDto::from_domain(&situation, &simulate(&situation, &plan, &model, runs, seed)))
}
