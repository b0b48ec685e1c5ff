//! A company living through its plan: everything is reported as promised, in order of time, until a check comes up; what
//! becomes of that is the caller's to say. Houses that are finished are followed by new ones, so that there is as much
//! to plan at the end as at the beginning.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

use chrono::{DateTime, Duration, Utc};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use tackfree::domain::situation::Situation;
use tackfree::dto::{HouseDto, JobDto, OutcomeDto, PlacementDto, PlanningFile, RepairsDto, StepKindDto, planning_file};
use tackfree::service::clock::SetClock;
use tackfree::service::{CompanyBody, DraftBody, RecordBody, Reporter, Service};
use tackfree::store::{CompanyId, Store, new_id};

/// The office reports for everybody.
pub const OFFICE: Reporter = Reporter { crew_id: None };

/// A company, and what time it is there.
pub struct Life {
    pub service: Service,
    pub clock: Arc<SetClock>,
    pub company: CompanyId,
    jobs: BTreeMap<String, JobDto>,
    successors: usize,
    /// Job and step of what has been reported done.
    done: BTreeSet<(String, String)>,
}

/// A promised step that comes next.
#[derive(Debug, Clone)]
pub struct Coming {
    pub job: String,
    pub step: String,
    pub crew: String,
    pub kind: StepKindDto,
    pub start: DateTime<Utc>,
    pub finish: DateTime<Utc>,
}

fn instant(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

impl Coming {
    fn of(placement: &PlacementDto) -> Coming {
        Coming {
            job: placement.job.clone(),
            step: placement.step.clone(),
            crew: placement.crew.clone(),
            kind: placement.kind.unwrap(),
            start: instant(placement.start.as_ref().unwrap()),
            finish: instant(placement.finish.as_ref().unwrap()),
        }
    }

    pub fn report(&self, outcome: OutcomeDto) -> RecordBody {
        RecordBody {
            step: self.step.clone(),
            crew: Some(self.crew.clone()),
            outcome: Some(outcome),
            started_at: Some(self.start.to_rfc3339()),
            finished_at: Some(self.finish.to_rfc3339()),
            expected_finish_at: None,
            readings: Vec::new(),
            note: None,
            seen: None,
            remaining_minutes: None,
            re_wet: false,
        }
    }
}

impl Life {
    /// Loads the situation as a company whose repairs are automatic, plans it with `moves` and publishes that.
    pub async fn begin(store: Store, situation: &Situation, moves: u64) -> Life {
        let clock = Arc::new(SetClock::new(situation.now.to_utc()));
        let service = Service::with_clock(store, clock.clone());
        let mut file = planning_file(situation);
        file.settings.repairs = RepairsDto::Automatic;
        let company = CompanyId(new_id());
        let jobs =
            file.jobs.iter().map(|job| (job.key.clone(), JobDto { history: vec![], pins: vec![], ..job.clone() }));
        let jobs = jobs.collect();
        load(&service, company, &file).await;
        let happened = file.jobs.iter().flat_map(|job| job.history.iter().map(move |entry| (job, entry)));
        let done = happened.filter(|(_, entry)| entry.outcome == OutcomeDto::Done);
        let done = done.map(|(job, entry)| (job.key.clone(), entry.step.clone())).collect();
        let life = Life { service, clock, company, jobs, successors: 0, done };
        life.publish(moves).await;
        life
    }

    async fn publish(&self, moves: u64) {
        let body = DraftBody { move_budget: Some(moves), ..DraftBody::default() };
        let draft = self.service.draft(self.company, &body).await.unwrap();
        let mut session = self.service.store().session(self.company).await.unwrap();
        let kept = self.service.keep_draft(&mut session, &draft).await.unwrap();
        session.commit().await.unwrap();
        let checked = self.service.check_draft(self.company, kept.plan.id, kept.version).await.unwrap();
        let mut session = self.service.store().session(self.company).await.unwrap();
        self.service.publish(&mut session, &checked).await.unwrap();
        session.commit().await.unwrap();
    }

    /// What is promised and not reported done, by finish; some of it may be presumed to have begun.
    pub async fn coming(&self) -> Vec<Coming> {
        let mut session = self.service.store().snapshot(self.company).await.unwrap();
        let plan = self.service.published_plan(&mut session).await.unwrap();
        let mut coming: Vec<Coming> = plan.placements.iter().map(Coming::of).collect();
        coming.retain(|step| !self.done.contains(&(step.job.clone(), step.step.clone())));
        coming.sort_by_key(|step| (step.finish, step.start));
        coming
    }

    /// Reports a step, as its own transaction.
    pub async fn tell(&self, job: &str, report: &RecordBody) {
        let mut session = self.service.store().session(self.company).await.unwrap();
        self.service.report(&mut session, job, &OFFICE, report).await.unwrap();
        session.commit().await.unwrap();
    }

    /// Goes on, all as promised, until `at`: what was promised to be over by then is reported, checks as passed.
    pub async fn live_until(&mut self, at: DateTime<Utc>) {
        for step in self.coming().await.into_iter().filter(|step| step.finish <= at) {
            self.clock.set(step.finish.max(self.service.now()));
            self.tell(&step.job, &step.report(OutcomeDto::Done)).await;
            self.done.insert((step.job.clone(), step.step.clone()));
        }
        self.clock.set(at.max(self.service.now()));
        self.repair().await;
    }

    /// Goes on, all as promised, to the end of the next check; returns that check, not reported yet. The plan has been
    /// repaired up to there.
    pub async fn reach_next_check(&mut self) -> Coming {
        loop {
            let coming = self.coming().await;
            let check = coming.iter().position(|step| step.kind == StepKindDto::Check);
            let before = check.unwrap_or(coming.len());
            self.clock.set(coming.get(before).or(coming.last()).unwrap().finish);
            let mut over = BTreeSet::new();
            for step in &coming[..before] {
                self.tell(&step.job, &step.report(OutcomeDto::Done)).await;
                self.done.insert((step.job.clone(), step.step.clone()));
                let left = coming.iter().filter(|other| other.job == step.job && other.finish > step.finish).count();
                if left == 0 && !coming[before..].iter().any(|other| other.job == step.job) {
                    over.insert(step.job.clone());
                }
            }
            for job in over {
                self.follow(&job).await;
            }
            self.repair().await;
            // What has been repaired may have another check first.
            let found = self.coming().await.into_iter().find(|step| step.kind == StepKindDto::Check);
            if let Some(found) = found.filter(|found| found.finish <= self.service.now()) {
                return found;
            }
        }
    }

    /// A job that is over is followed by another one in the same house.
    async fn follow(&mut self, job: &str) {
        let Some(mut next) = self.jobs.remove(job) else { return };
        let mut session = self.service.store().session(self.company).await.unwrap();
        let row = session.hold_job(job).await.unwrap();
        let done = serde_json::json!({"status": "finished"});
        self.service.patch_job(&mut session, job, row.version, done).await.unwrap();
        self.successors += 1;
        next.key = format!("next-{}", self.successors);
        next.release = self.service.now().to_rfc3339();
        next.due = next.due.map(|_| (self.service.now() + Duration::days(30)).to_rfc3339());
        self.service.create_job(&mut session, next.clone()).await.unwrap();
        session.commit().await.unwrap();
        self.jobs.insert(next.key.clone(), next);
    }

    /// Repairs until nothing waits, and nobody else is at it.
    pub async fn repair(&self) {
        while self.service.repair_next().await.unwrap() != tackfree::service::Repaired::Idle {}
        let state = self.service.repair_state(self.company, std::time::Duration::from_secs(20)).await.unwrap();
        assert!(state.settled, "{state:?}");
    }
}

/// A company as the file says.
pub async fn load(service: &Service, company: CompanyId, file: &PlanningFile) {
    let mut session = service.store().session(company).await.unwrap();
    let body = CompanyBody { name: "Generated".into(), settings: file.settings.clone() };
    service.found_company(&mut session, &body).await.unwrap();
    for region in &file.regions {
        service.create_noun(&mut session, region).await.unwrap();
    }
    for crew in &file.crews {
        service.create_noun(&mut session, crew).await.unwrap();
    }
    for equipment in &file.equipment {
        service.create_noun(&mut session, equipment).await.unwrap();
    }
    for house in &file.houses {
        let house = HouseDto { air_readings: Vec::new(), ..house.clone() };
        service.create_noun(&mut session, &house).await.unwrap();
    }
    for job in &file.jobs {
        service.create_job(&mut session, job.clone()).await.unwrap();
    }
    session.commit().await.unwrap();
}
