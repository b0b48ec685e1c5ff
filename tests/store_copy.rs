//! Rows of a plan in numbers: what COPY, and publishing only the difference, save. `cargo test --release --test
//! store_copy -- --ignored --nocapture` prints milliseconds for 50,000 rows.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]

mod common;

use common::store::{Small, TestStore, fresh_store, job, plan, row, small};
use sqlx::{Connection, PgConnection, PgTransaction, Postgres, QueryBuilder};
use std::time::{Duration, Instant};
use tackfree::store::{Noun, PlanRow, Published};
use uuid::Uuid;

const STEPS: usize = 25;
const CREWS: usize = 100;
/// PostgreSQL takes at most 65,535 parameters.
const VALUES_ROWS: usize = 65_535 / 7;

/// So many jobs of 25 steps, given to 100 crews one after the other, 100 minutes each.
async fn large(test: &TestStore, jobs: usize) -> (Small, Vec<PlanRow>) {
    let small = small(test).await;
    let mut session = test.session(small.company).await;
    let mut crews = Vec::new();
    for number in 0..CREWS {
        crews.push(session.insert_noun(Noun::Crew, &common::store::noun(&format!("crew-{number}"))).await.unwrap().id);
    }
    let keys: Vec<String> = (0..STEPS).map(|number| format!("step-{number:02}")).collect();
    let keys: Vec<&str> = keys.iter().map(String::as_str).collect();
    let mut rows = Vec::new();
    for number in 0..jobs {
        let job = session.insert_job(&job(&format!("job-{number}"), small.house.id, &keys)).await.unwrap();
        for key in &keys {
            let turn = rows.len();
            let from = (turn / CREWS) as i64 * 120;
            let units = Some(common::store::doc(serde_json::json!([["edger", turn % 3]])));
            rows.push(PlanRow { units, ..row(job.id, key, crews[turn % CREWS], from, from + 100) });
        }
    }
    session.commit().await.unwrap();
    (small, rows)
}

/// The same rows by one INSERT of arrays.
async fn by_unnest(tx: &mut PgTransaction<'_>, company: Uuid, plan: Uuid, rows: &[PlanRow]) {
    sqlx::query(
        "INSERT INTO plan_row (company_id, plan_id, job_id, step_key, piece_no, run_key, crew_id, during, fixed, units)
         SELECT $1, $2, a, b, 0, b, c, tstzrange(d, e), false, f
         FROM unnest($3::uuid[], $4::text[], $5::uuid[], $6::timestamptz[], $7::timestamptz[], $8::jsonb[])
              AS new (a, b, c, d, e, f)",
    )
    .bind(company)
    .bind(plan)
    .bind(rows.iter().map(|row| row.job_id).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.step_key.as_str()).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.crew_id).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.start).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.end).collect::<Vec<_>>())
    .bind(rows.iter().map(|row| row.units.clone()).collect::<Vec<_>>())
    .execute(&mut **tx)
    .await
    .unwrap();
}

/// The same rows by as few INSERTs of many VALUES as there can be.
async fn by_values(tx: &mut PgTransaction<'_>, company: Uuid, plan: Uuid, rows: &[PlanRow]) {
    for part in rows.chunks(VALUES_ROWS) {
        let mut query = QueryBuilder::<Postgres>::new(
            "INSERT INTO plan_row (company_id, plan_id, job_id, step_key, run_key, crew_id, during, units, piece_no, fixed) ",
        );
        query.push_values(part, |mut values, row| {
            values.push(format_args!("'{company}', '{plan}'")).push_bind(row.job_id).push_bind(&row.step_key);
            values.push_bind(&row.step_key).push_bind(row.crew_id);
            values.push("tstzrange(").push_bind_unseparated(row.start).push_bind(row.end).push_unseparated(")");
            values.push_bind(&row.units).push("0").push("false");
        });
        query.build().execute(&mut **tx).await.unwrap();
    }
}

async fn by_copy(test: &TestStore, small: &Small, rows: &[PlanRow]) -> Uuid {
    let mut session = test.session(small.company).await;
    let head = session.insert_plan(&plan(), rows).await.unwrap();
    session.commit().await.unwrap();
    head.id
}

/// One transaction of the login role; `unnest` or VALUES.
async fn by_insert(raw: &mut PgConnection, test: &TestStore, small: &Small, rows: &[PlanRow], unnest: bool) -> Uuid {
    let id = by_copy(test, small, &[]).await;
    let mut tx = raw.begin().await.unwrap();
    common::store::run(&mut tx, format!("SET LOCAL app.company = '{}'", small.company)).await.unwrap();
    if unnest {
        by_unnest(&mut tx, small.company.0, id, rows).await;
    } else {
        by_values(&mut tx, small.company.0, id, rows).await;
    }
    tx.commit().await.unwrap();
    id
}

async fn publish(test: &TestStore, small: &Small, id: Uuid) -> Published {
    let mut session = test.session(small.company).await;
    let published = session.publish_plan(id, 1, common::store::at(0)).await.unwrap();
    session.commit().await.unwrap();
    published
}

/// All three ways store the same; otherwise comparing them would mean nothing.
#[tokio::test]
async fn copy_stores_what_inserts_store() {
    let test = fresh_store().await;
    // More rows than fit into one chunk.
    let (small, rows) = large(&test, 60).await;
    let mut raw = test.raw().await;
    let copied = by_copy(&test, &small, &rows).await;
    let one = by_insert(&mut raw, &test, &small, &rows, true).await;
    let two = by_insert(&mut raw, &test, &small, &rows, false).await;
    let mut session = test.session(small.company).await;
    let shown =
        async |session: &mut tackfree::store::Session, id| format!("{:?}", session.plan_rows(id).await.unwrap());
    let expected = shown(&mut session, copied).await;
    assert_eq!(session.plan_rows(copied).await.unwrap().len(), 1_500);
    assert_eq!(shown(&mut session, one).await, expected);
    assert_eq!(shown(&mut session, two).await, expected);
}

/// Two plans in one session do not mix in the temporary table that COPY fills.
#[tokio::test]
async fn two_plans_in_one_session_keep_their_own_rows() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let one = session.insert_plan(&plan(), &[row(small.job.id, "sand", small.crews[0].id, 0, 60)]).await.unwrap();
    let two = session.insert_plan(&plan(), &[row(small.job.id, "coat", small.crews[0].id, 0, 60)]).await.unwrap();
    for (id, step) in [(one.id, "sand"), (two.id, "coat")] {
        let rows = session.plan_rows(id).await.unwrap();
        assert_eq!(rows.iter().map(|row| row.step_key.as_str()).collect::<Vec<_>>(), [step]);
    }
}

async fn timed<T>(label: &str, work: impl Future<Output = T>) -> (T, Duration) {
    let begin = Instant::now();
    let outcome = work.await;
    let took = begin.elapsed();
    println!("{label:<44} {:>7} ms", took.as_millis());
    (outcome, took)
}

#[tokio::test]
#[ignore = "a measurement"]
async fn publish_rows() {
    let test = fresh_store().await;
    let (small, rows) = large(&test, 2_000).await;
    let mut raw = test.raw().await;
    let moved: Vec<PlanRow> = rows
        .iter()
        .enumerate()
        .map(|(number, row)| {
            let later = chrono::Duration::minutes(if number % 10 == 0 { 5 } else { 0 });
            PlanRow { start: row.start + later, end: row.end + later, ..row.clone() }
        })
        .collect();
    println!("{} rows", rows.len());
    for _ in 0..3 {
        let (_, copy) = timed("draft by COPY", by_copy(&test, &small, &rows)).await;
        let (_, unnest) = timed("draft by INSERT of arrays", by_insert(&mut raw, &test, &small, &rows, true)).await;
        let (_, values) = timed("draft by INSERT of VALUES", by_insert(&mut raw, &test, &small, &rows, false)).await;
        let ratio = |other: Duration| other.as_secs_f64() / copy.as_secs_f64();
        println!("arrays / COPY {:.2}, VALUES / COPY {:.2}", ratio(unnest), ratio(values));
    }
    for (label, rows) in [
        ("publish, nothing promised before", &rows),
        ("publish the same again", &rows),
        ("publish with a tenth moved", &moved),
        ("publish with a tenth moved back", &rows),
    ] {
        let id = by_copy(&test, &small, rows).await;
        let (published, _) = timed(label, publish(&test, &small, id)).await;
        println!("    added {}, changed {}, left {}", published.added, published.changed, published.left);
    }
    let mut snapshot = test.store.snapshot(small.company).await.unwrap();
    let (input, _) = timed("load the planning input", snapshot.planning_rows()).await;
    assert_eq!(input.unwrap().promised.len(), rows.len());
}
