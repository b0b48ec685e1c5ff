//! Many rows of a plan, and three ways to store them.

#![allow(dead_code, reason = "no test program needs everything here")]

use super::store::{Small, TestStore, at, doc, job, noun, plan, row, run, small};
use sqlx::{Connection, PgConnection, PgTransaction, Postgres, QueryBuilder};
use tackfree::store::{Noun, PlanRow, Published};
use uuid::Uuid;

const STEPS: usize = 25;
const CREWS: usize = 100;
/// PostgreSQL takes at most 65,535 parameters.
const VALUES_ROWS: usize = 65_535 / 7;

/// So many jobs of 25 steps, given to 100 crews one after the other, 100 minutes each.
pub async fn large(test: &TestStore, jobs: usize) -> (Small, Vec<PlanRow>) {
    let small = small(test).await;
    let mut session = test.session(small.company).await;
    let mut crews = Vec::new();
    for number in 0..CREWS {
        crews.push(session.insert_noun(Noun::Crew, &noun(&format!("crew-{number}"))).await.unwrap().id);
    }
    let keys: Vec<String> = (0..STEPS).map(|number| format!("step-{number:02}")).collect();
    let keys: Vec<&str> = keys.iter().map(String::as_str).collect();
    let mut rows = Vec::new();
    for number in 0..jobs {
        let job = session.insert_job(&job(&format!("job-{number}"), small.house.id, &keys)).await.unwrap();
        for key in &keys {
            let turn = rows.len();
            let from = (turn / CREWS) as i64 * 120;
            let units = Some(doc(serde_json::json!([["edger", turn % 3]])));
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

pub async fn by_copy(test: &TestStore, small: &Small, rows: &[PlanRow]) -> Uuid {
    let mut session = test.session(small.company).await;
    let head = session.insert_plan(&plan(), rows).await.unwrap();
    session.commit().await.unwrap();
    head.id
}

/// One transaction of the login role; `unnest` or VALUES.
pub async fn by_insert(
    raw: &mut PgConnection,
    test: &TestStore,
    small: &Small,
    rows: &[PlanRow],
    unnest: bool,
) -> Uuid {
    let id = by_copy(test, small, &[]).await;
    let mut tx = raw.begin().await.unwrap();
    run(&mut tx, format!("SET LOCAL app.company = '{}'", small.company)).await.unwrap();
    if unnest {
        by_unnest(&mut tx, small.company.0, id, rows).await;
    } else {
        by_values(&mut tx, small.company.0, id, rows).await;
    }
    run(
        &mut tx,
        format!(
            "INSERT INTO plan_job SELECT DISTINCT company_id, plan_id, job_id, plan_id FROM plan_row WHERE plan_id = '{id}'"
        ),
    )
    .await
    .unwrap();
    tx.commit().await.unwrap();
    id
}

pub async fn publish(test: &TestStore, small: &Small, id: Uuid) -> Published {
    let mut session = test.session(small.company).await;
    let published = session.publish_plan(id, 1, at(0)).await.unwrap();
    session.commit().await.unwrap();
    published
}
