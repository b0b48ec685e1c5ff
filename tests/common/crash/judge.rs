//! The outside client's log held against what is there when all is over: what was acknowledged is there once, nothing
//! else is, no plan is half the promise, and what was sent to webhooks is what became true.

use super::super::promise::audited;
use super::super::receiver::Came;
use super::calendar::{Shown, faults, work_of};
use super::database::Database;
use super::outside::{Outside, Told, What};
use serde_json::Value;
use sqlx::AssertSqlSafe;
use std::collections::BTreeMap;

/// Repeated at the end: a bound on what that takes.
const ASKED_AGAIN_MAX: usize = 150;

/// What there was to judge, and what was wrong.
#[derive(Debug, Default)]
pub struct Verdict {
    pub acknowledged: BTreeMap<&'static str, usize>,
    pub lost: Vec<String>,
    pub doubled: Vec<String>,
    pub half: Vec<String>,
    pub plans: usize,
    pub notices: usize,
    pub delivered_again: usize,
}

impl Verdict {
    pub fn assert_clean(&self, outside: &Outside) {
        let wrong = outside.wrong.lock().unwrap();
        let clean = self.lost.is_empty() && self.doubled.is_empty() && self.half.is_empty() && wrong.is_empty();
        assert!(
            clean,
            "lost: {:#?}\ndoubled: {:#?}\nhalf: {:#?}\nwrong: {wrong:#?}",
            self.lost, self.doubled, self.half
        );
    }

    /// `found`: how often each is there; `acked`: what must be there once.
    fn once(&mut self, kind: &'static str, acked: &[String], found: &BTreeMap<String, usize>) {
        *self.acknowledged.entry(kind).or_default() += acked.len();
        for name in acked {
            match found.get(name).copied().unwrap_or(0) {
                0 => self.lost.push(format!("{kind} {name}")),
                1 => {}
                times => self.doubled.push(format!("{kind} {name} is there {times} times")),
            }
        }
        for name in found.keys().filter(|name| !acked.contains(name)) {
            self.doubled.push(format!("{kind} {name} was never acknowledged, and is there"));
        }
    }
}

fn counted<'a>(items: impl Iterator<Item = &'a Value>) -> BTreeMap<String, usize> {
    let mut counts = BTreeMap::new();
    for name in items.filter_map(Value::as_str) {
        *counts.entry(name.to_owned()).or_default() += 1;
    }
    counts
}

/// When nobody writes any more: waits until repairs are settled, and looks at everything.
pub async fn judge(outside: &Outside, database: &Database, shown: &[Shown]) -> Verdict {
    let mut verdict = Verdict::default();
    let told = outside.told();
    let done: Vec<&Told> = told.iter().filter(|told| told.answer.acknowledged()).collect();
    for told in done.iter().rev().take(ASKED_AGAIN_MAX) {
        outside.asked_again(told).await;
    }
    reports(&mut verdict, outside, &done).await;
    plans(&mut verdict, outside, database, &done, shown).await;
    let state = settled(outside).await;
    if state["settled"] == true {
        let (file, plan) = (outside.get("/v1/planning-file").await.0, outside.get("/v1/plans/published").await.0);
        let (placements, broken) = audited(file, &plan);
        assert!(placements > 0);
        verdict.half.extend(broken);
    } else {
        verdict.lost.push(format!("repairs do not settle: {state}"));
    }
    whole(&mut verdict, database).await;
    verdict
}

async fn settled(outside: &Outside) -> Value {
    let mut state = Value::Null;
    for _ in 0..3 {
        state = outside.get("/v1/repairs/state?wait_seconds=5").await.0;
        if state["settled"] == true {
            break;
        }
    }
    state
}

/// Events, records and readings.
async fn reports(verdict: &mut Verdict, outside: &Outside, done: &[&Told]) {
    let events = outside.list("/v1/events?limit=200").await;
    let mut numbers: Vec<i64> = events.iter().map(|event| event["number"].as_i64().unwrap()).collect();
    numbers.sort_unstable();
    if numbers.iter().zip(1..).any(|(number, place)| *number != place) {
        verdict.doubled.push(format!("the numbers of events are not 1, 2, 3: {numbers:?}"));
    }
    let ours = ["due_moved", "crew_away", "house_closed"];
    let found = counted(
        events.iter().filter(|event| ours.contains(&event["kind"].as_str().unwrap())).map(|event| &event["id"]),
    );
    let named = |pick: &dyn Fn(&What) -> Option<String>| -> Vec<String> {
        done.iter().filter_map(|told| pick(&told.request.what)).collect()
    };
    verdict.once("event", &named(&|what| if let What::Event(id) = what { Some(id.to_string()) } else { None }), &found);
    for job in 0..super::office::HOUSES {
        let path = format!("/v1/jobs/job-{job}/records");
        let records = outside.list(&path).await;
        let acked = named(&|what| match what {
            What::Record { job: of, note } if *of == format!("job-{job}") => Some(note.clone()),
            _ => None,
        });
        verdict.once("record", &acked, &counted(records.iter().map(|record| &record["note"])));
        // Each leaves its event in the history, in the same transaction.
        let about = format!("job/job-{job}");
        let history = events.iter().filter(|event| event["about"] == about.as_str());
        let history = history.filter(|event| matches!(event["kind"].as_str(), Some("step_started" | "step_paused")));
        if history.count() != records.len() {
            verdict.half.push(format!("{path}: not as many in the history"));
        }
        let house = format!("house-{job}");
        let air = outside.list(&format!("/v1/houses/{house}/air-readings?limit=200")).await;
        let acked = named(&|what| match what {
            What::Air { house: of, note } if *of == house => Some(note.clone()),
            _ => None,
        });
        verdict.once("air reading", &acked, &counted(air.iter().map(|reading| &reading["note"])));
    }
}

/// Drafts, publications, and what calendars showed of them.
async fn plans(verdict: &mut Verdict, outside: &Outside, database: &Database, done: &[&Told], shown: &[Shown]) {
    let listed = outside.list("/v1/plans?limit=200").await;
    let by_hand = listed.iter().filter(|plan| plan["basis"] != "repair" && plan["number"] != 1);
    let drafted: Vec<&&Told> = done.iter().filter(|told| told.request.what == What::Draft).collect();
    let drafted: Vec<String> = drafted.iter().map(|told| told.answer.body["id"].as_str().unwrap().to_owned()).collect();
    verdict.once("draft", &drafted, &counted(by_hand.map(|plan| &plan["id"])));
    let mut connection = database.connect().await;
    let order = "SELECT doc->>'plan' FROM notice WHERE kind = 'plan.published' ORDER BY number";
    let order: Vec<String> = sqlx::query_scalar(order).fetch_all(&mut connection).await.unwrap();
    let published: Vec<String> = done
        .iter()
        .filter_map(|told| if let What::Publication(plan) = &told.request.what { Some(plan.clone()) } else { None })
        .collect();
    let repaired = "SELECT plan_id::text FROM repair WHERE outcome = 'published'";
    let repaired: Vec<String> = sqlx::query_scalar(repaired).fetch_all(&mut connection).await.unwrap();
    let mut times = BTreeMap::new();
    order.iter().for_each(|plan| *times.entry(plan.clone()).or_default() += 1);
    for (plan, _) in times.iter().filter(|(_, times): &(_, &usize)| **times > 1) {
        verdict.doubled.push(format!("plan {plan} was published more than once"));
    }
    let lost = published.iter().chain(&repaired).filter(|plan| !times.contains_key(*plan));
    verdict.lost.extend(lost.map(|plan| format!("publication of {plan}")));
    *verdict.acknowledged.entry("publication").or_default() += published.len();
    verdict.plans = order.len();
    let mut promised = Vec::new();
    for id in &order {
        let (plan, _) = outside.get(&format!("/v1/plans/{id}")).await;
        promised.push((id.clone(), work_of(&plan)));
    }
    verdict.half.extend(faults(shown, &promised));
    *verdict.acknowledged.entry("calendar").or_default() += shown.len();
}

/// What the database says of itself.
async fn whole(verdict: &mut Verdict, database: &Database) {
    let mut connection = database.connect().await;
    for (what, count) in [
        ("promises beside the first", "SELECT count(*) - 1 FROM plan WHERE status = 'published'"),
        (
            "pieces promised and not in the plan, or the other way round",
            "SELECT count(*) FROM (
                 (SELECT job_id, step_key, piece_no, crew_id, during FROM booking WHERE left_at IS NULL)
                 EXCEPT ALL
                 (SELECT p.job_id, p.step_key, p.piece_no, p.crew_id, p.during FROM plan_piece p
                  JOIN plan ON (plan.company_id, plan.id) = (p.company_id, p.plan_id) WHERE plan.status = 'published')
                 ) AS more
             UNION ALL SELECT count(*) FROM (
                 (SELECT p.job_id, p.step_key, p.piece_no, p.crew_id, p.during FROM plan_piece p
                  JOIN plan ON (plan.company_id, plan.id) = (p.company_id, p.plan_id) WHERE plan.status = 'published')
                 EXCEPT ALL
                 (SELECT job_id, step_key, piece_no, crew_id, during FROM booking WHERE left_at IS NULL)) AS less",
        ),
        (
            "promised plans without rows",
            "SELECT count(*) FROM plan WHERE status <> 'rejected' AND NOT EXISTS (
             SELECT FROM plan_job j WHERE (j.company_id, j.plan_id) = (plan.company_id, plan.id))",
        ),
        ("repairs of one plan beside the first", "SELECT count(*) - count(DISTINCT plan_id) FROM repair"),
        ("gaps in the numbers of notices", "SELECT max(number) - count(*) FROM notice"),
        ("gaps in the numbers of plans", "SELECT max(number) - count(*) FROM plan"),
        ("changes that no repair has seen", "SELECT count(*) FROM repair_change"),
        (
            "notices of records that are not there, or the other way round",
            "SELECT abs((SELECT count(DISTINCT doc->>'record') FROM notice WHERE kind = 'event.recorded')
                        - (SELECT count(*) FROM step_record))",
        ),
    ] {
        let query = sqlx::query_scalar(AssertSqlSafe(what_counts(count)));
        let found: i64 = query.fetch_one(&mut connection).await.unwrap_or_else(|error| panic!("{what}: {error}"));
        if found != 0 {
            verdict.half.push(format!("{found} {what}"));
        }
    }
}

fn what_counts(query: &str) -> String {
    format!("SELECT coalesce(sum(n), 0)::bigint FROM ({query}) AS counted (n)")
}

/// What came to the webhook is what became true: all of it, in the same words each time.
pub async fn delivered(verdict: &mut Verdict, database: &Database, came: &[Came]) {
    let mut connection = database.connect().await;
    let notices = "SELECT number, id::text FROM notice ORDER BY number";
    let notices: Vec<(i64, String)> = sqlx::query_as(notices).fetch_all(&mut connection).await.unwrap();
    verdict.notices = notices.len();
    let mut bodies: BTreeMap<i64, &str> = BTreeMap::new();
    for sent in came {
        match bodies.insert(sent.number(), &sent.body) {
            Some(before) if before != sent.body => {
                verdict.doubled.push(format!("two notices of one number: {before} and {}", sent.body));
            }
            Some(_) => verdict.delivered_again += 1,
            None => {}
        }
    }
    for (number, id) in &notices {
        match bodies.remove(number) {
            None => verdict.lost.push(format!("notice {number} has not come")),
            Some(body) if !body.contains(id.as_str()) => verdict.doubled.push(format!("notice {number}: {body}")),
            Some(_) => {}
        }
    }
    verdict.lost.extend(bodies.values().map(|body| format!("a notice that came and is not there: {body}")));
}
