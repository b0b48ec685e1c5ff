//! A bad week of the invented company, told as its dispatcher would read it: five mornings, what broke, what moved and
//! why, what each crew was told. Real database, real events, real repairs. `TACKFREE_BLESS=1` writes the text anew: read the
//! difference as a dispatcher would.

use crate::common::life::{Coming, Life, OFFICE};
use crate::common::store;
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use std::fmt::Write;
use tackfree::domain::time::Minute;
use tackfree::domain::zone::Zone;
use tackfree::dto::{EventBody, OutcomeDto, PlanningFile, StepKindDto, assemble};
use tackfree::service::RepairView;
use uuid::Uuid;

const GOLDEN: &str = "tests/golden/bad_week.txt";

/// A Monday, 06:00 in New York.
fn monday() -> DateTime<Utc> {
    "2026-03-09T10:00:00Z".parse().unwrap()
}

async fn tell(life: &Life, number: u128, event: Value) {
    let at = life.service.now().to_rfc3339();
    let body = EventBody { id: Uuid::from_u128(number + (5 << 76)), at, note: None, event };
    let mut session = life.service.store().session(life.company).await.unwrap();
    let told = life.service.tell(&mut session, &OFFICE, &body).await.unwrap();
    session.commit().await.unwrap();
    assert_eq!(serde_json::to_value(told.standing).unwrap(), "applied", "{:?}", told.reason);
}

async fn newest(life: &Life) -> Option<RepairView> {
    let mut session = life.service.store().snapshot(life.company).await.unwrap();
    life.service.repairs(&mut session, None, 1).await.unwrap().into_iter().next()
}

fn clock(text: &str) -> String {
    let at: DateTime<chrono::FixedOffset> = text.parse().unwrap();
    at.format("%a %-d %b %H:%M").to_string()
}

/// What a dispatcher is shown of a repair.
fn shown(out: &mut String, repair: &RepairView) {
    let difference = &repair.difference;
    let _ = writeln!(out, "  Moved, and why");
    for step in &difference.steps {
        let place = |visit: &Option<tackfree::service::VisitView>| match visit {
            Some(visit) => format!("{}, {}", clock(&visit.start), visit.crew_name),
            None => "nowhere".to_owned(),
        };
        let (before, after) = (place(&step.before), place(&step.after));
        let _ = writeln!(out, "    {}, {}: {before} -> {after}", step.house_name, step.step_name);
        let _ = writeln!(out, "      {}", step.because);
    }
    let _ = writeln!(out, "  Told to crews");
    for day in &difference.crew_days {
        let _ = writeln!(out, "    {}, {}", day.crew_name, day.date);
        day.before.iter().for_each(|line| {
            let _ = writeln!(out, "      was {line}");
        });
        day.after.iter().for_each(|line| {
            let _ = writeln!(out, "      is  {line}");
        });
    }
    let _ = writeln!(out, "  Told to customers");
    for news in &difference.customers {
        let finish = if news.finish_moves { "; the last day is another one" } else { "" };
        let _ = writeln!(out, "    {}: {}{finish}", news.house_name, news.visits.join(", "));
    }
    let finishes = difference.jobs.iter().filter(|job| job.finish_before != job.finish_after);
    let _ = writeln!(out, "  Finishes");
    for job in finishes {
        let at = |text: &Option<String>| text.as_deref().map_or("not all of it".to_owned(), clock);
        let late =
            if job.late_after_minutes > 0 { format!(", {} min late", job.late_after_minutes) } else { String::new() };
        let _ = writeln!(out, "    {}: {} -> {}{late}", job.job_name, at(&job.finish_before), at(&job.finish_after));
    }
    let cost = &difference.cost_after;
    let _ = writeln!(out, "  Cost {} points, of them for broken promises {}\n", cost.total.unwrap_or(0), cost.broken);
}

/// The first step that comes and is like this.
async fn next(life: &Life, like: impl Fn(&Coming) -> bool) -> Coming {
    life.coming().await.into_iter().find(|step| like(step)).unwrap()
}

/// Cold and damp for three days.
async fn worse_weather(life: &Life) -> Value {
    let file: PlanningFile = life.service.capture(life.company).await.unwrap();
    let now = life.service.now();
    let region = serde_json::to_value(&file.regions[0]).unwrap();
    let mut hours = region["forecast"]["hours"].clone();
    for hour in hours.as_array_mut().unwrap() {
        let start: DateTime<Utc> = hour["start"].as_str().unwrap().parse().unwrap();
        if start >= now && start < now + Duration::days(3) {
            hour["temp_c"] = json!(-4.0);
            hour["rh_percent"] = json!(97.0);
        }
    }
    json!({"kind": "forecast_replaced", "region": region["key"], "hours": hours})
}

#[tokio::test]
async fn a_bad_week() {
    let test = store::fresh_store().await;
    let document = tackfree::demo::document(Minute::floor_from(monday()), None).unwrap();
    let file: PlanningFile = serde_json::from_value(document).unwrap();
    let situation = assemble(file).unwrap().situation;
    let mut life = Life::begin(test.store.clone(), &situation, 500).await;
    let zone = Zone::parse("America/New_York").unwrap();
    let day = |days: i64, minutes: i64| monday() + Duration::days(days) + Duration::minutes(minutes);
    let local = |at: DateTime<Utc>| zone.day_start(zone.date(Minute::floor_from(at))).to_utc().to_rfc3339();
    let mut out = String::from("A bad week at Harrow Falls Floor Finishers (invented)\n\n");
    for morning in 0..5u128 {
        // Everything went as promised up to here.
        let at = day(morning as i64, 10);
        life.live_until(at).await;
        life.repair().await;
        let before = newest(&life).await.map(|repair| repair.id);
        let what = match morning {
            0 => {
                let check = next(&life, |step| step.kind == StepKindDto::Check).await;
                life.live_until(check.finish - Duration::minutes(1)).await;
                life.clock.set(check.finish);
                life.tell(&check.job, &check.report(OutcomeDto::Failed)).await;
                format!("the readings of {} fail", check.job)
            }
            1 => {
                let step = next(&life, |step| step.start > at).await;
                let until = local(day(3, 0));
                tell(&life, 1, json!({"kind": "crew_away", "crew": step.crew, "from": local(at), "until": until}))
                    .await;
                format!("crew {} is ill until Thursday", step.crew)
            }
            2 => {
                let until = local(day(7, 0));
                let broken = json!({"kind": "machine_broken", "equipment": "big-machine", "units": 1,
                    "from": at.to_rfc3339(), "until": until});
                tell(&life, 2, broken).await;
                "one of the two big machines breaks until Monday".to_owned()
            }
            3 => {
                let weather = worse_weather(&life).await;
                tell(&life, 3, weather).await;
                "three days of damp frost are forecast".to_owned()
            }
            _ => {
                let step = next(&life, |step| step.start > at).await;
                let file = life.service.capture(life.company).await.unwrap();
                let house = file.jobs.iter().find(|job| job.key == step.job).unwrap().house.clone();
                let closed =
                    json!({"kind": "house_closed", "house": house, "from": at.to_rfc3339(), "until": local(day(8, 0))});
                tell(&life, 4, closed).await;
                format!("nobody can enter {house} until Tuesday")
            }
        };
        life.repair().await;
        let now = zone.date(Minute::floor_from(life.service.now()));
        let _ = writeln!(out, "{}, {}: {what}", now.format("%A"), clock(&local_now(&life, zone)));
        match newest(&life).await.filter(|repair| Some(repair.id) != before) {
            Some(repair) => shown(&mut out, &repair),
            None => out.push_str("  Nothing that was promised has to move.\n\n"),
        }
    }
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(GOLDEN);
    if std::env::var_os("TACKFREE_BLESS").is_some() {
        std::fs::write(&path, &out).unwrap();
    }
    let golden = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(golden == out, "the week reads differently now; TACKFREE_BLESS=1 writes it to {GOLDEN}:\n{out}");
}

fn local_now(life: &Life, zone: Zone) -> String {
    let now = life.service.now();
    let offset = zone.offset_minutes(Minute::floor_from(now));
    now.with_timezone(&chrono::FixedOffset::east_opt(offset * 60).unwrap()).to_rfc3339()
}
