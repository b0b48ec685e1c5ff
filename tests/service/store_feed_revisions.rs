//! The revision that calendars are kept by: it rises with everything they may show, once a transaction, and with nothing
//! else; nobody waits for anybody until the commit; and no table can be forgotten.

use crate::common::store::{Small, TestStore, at, fresh_store, noun, plan, row, run, small};
use std::time::Duration;
use tackfree::store::{NewAirReading, NewToken, Noun, TokenRole};

/// Tables that calendars are made from.
const SHOWN: [&str; 11] = [
    "booking",
    "company",
    "crew",
    "house",
    "house_air_reading",
    "job",
    "job_step",
    "job_wait",
    "region",
    "step_record",
    "step_restated",
];

/// Tables that no calendar has anything from.
const NOT_SHOWN: [&str; 24] = [
    "browser_session",
    "change_line",
    "crew_link",
    "delivery",
    "equipment",
    "event",
    // Whose it is never changes, and whether it is still good is asked every time.
    "feed",
    "feed_revision",
    "feed_touch",
    "idempotency",
    "method",
    "notice",
    "notice_counter",
    "person",
    "plan",
    // Which jobs a plan shares its rows for: what a calendar shows is a booking.
    "plan_job",
    "plan_row",
    "region_fetch",
    "repair",
    "repair_change",
    "repair_turn",
    "token",
    "webhook",
    "_sqlx_migrations",
];

async fn revision(test: &TestStore, small: &Small) -> (i64, chrono::DateTime<chrono::Utc>) {
    test.session(small.company).await.feed_revision().await.unwrap()
}

/// When this fails for a new table: either give it the three triggers of migration 0011, or say here that no calendar
/// shows anything of it.
#[tokio::test]
async fn every_table_raises_the_revision_or_is_known_not_to_be_shown() {
    let test = fresh_store().await;
    let mut owner = test.owner().await;
    let tables: Vec<String> = sqlx::query_scalar(
        "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')",
    )
    .fetch_all(&mut owner)
    .await
    .unwrap();
    for table in &tables {
        let shown = SHOWN.contains(&table.as_str());
        assert!(shown || NOT_SHOWN.contains(&table.as_str()), "is anything of {table} shown in calendars?");
        let triggers: Vec<String> = sqlx::query_scalar(
            "SELECT tgname::text FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid
             WHERE t.tgrelid = $1::regclass AND p.proname IN ('calendars_touched', 'company_touched') ORDER BY 1",
        )
        .bind(table)
        .fetch_all(&mut owner)
        .await
        .unwrap();
        let wanted: &[&str] = match (table.as_str(), shown) {
            ("company", _) => &["company_founded", "company_touched"],
            (_, true) => &["calendars_delete", "calendars_insert", "calendars_update"],
            (_, false) => &[],
        };
        assert_eq!(triggers, wanted, "{table}");
    }
    assert_eq!(tables.len(), SHOWN.len() + NOT_SHOWN.len(), "{tables:?}");
}

#[tokio::test]
async fn it_rises_once_for_each_transaction_that_changes_what_is_shown() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut before = revision(&test, &small).await;
    let mut rises = async |by: i64, what: &str| {
        let after = revision(&test, &small).await;
        assert_eq!(after.0 - before.0, by, "{what}");
        let later = (after.1 - before.1).num_milliseconds();
        assert!(if by == 0 { later == 0 } else { later >= 1_000 && later % 1_000 == 0 }, "{what}: {later} ms");
        before = after;
    };

    let mut session = test.session(small.company).await;
    session.insert_noun(Noun::House, &noun("oak-1")).await.unwrap();
    session.insert_noun(Noun::Crew, &noun("west")).await.unwrap();
    session.commit().await.unwrap();
    rises(1, "two nouns at once").await;

    let mut session = test.session(small.company).await;
    let reading = NewAirReading {
        house_id: small.house.id,
        taken_at: at(0),
        temp_centi_c: 2_000,
        rh_centi_percent: 5_000,
        note: None,
        recorded_at: at(1),
        recorded_by: "Anna".into(),
    };
    session.append_air_reading(&reading).await.unwrap();
    session.commit().await.unwrap();
    rises(1, "a reading of the air").await;

    let mut session = test.session(small.company).await;
    let draft = session.insert_plan(&plan(), &[row(small.job.id, "coat", small.crews[0].id, 0, 60)]).await.unwrap();
    let token = NewToken { name: "desk".into(), role: TokenRole::Office, crew_id: None, expires_at: None };
    session.insert_token(&token).await.unwrap();
    session.insert_noun(Noun::Equipment, &noun("edger")).await.unwrap();
    session.commit().await.unwrap();
    rises(0, "a draft, a token and gear").await;

    let mut session = test.session(small.company).await;
    session.publish_plan(draft.id, draft.version, at(0)).await.unwrap();
    session.commit().await.unwrap();
    rises(1, "a publication").await;

    let mut session = test.session(small.company).await;
    session.insert_noun(Noun::Crew, &noun("east")).await.unwrap();
    drop(session);
    rises(0, "what was undone").await;

    let mut owner = test.owner().await;
    let company = small.company;
    run(
        &mut owner,
        format!("UPDATE company SET plan_count = plan_count + 1, version = version + 1 WHERE id = '{company}'"),
    )
    .await
    .unwrap();
    rises(0, "the numbers that a company gives").await;
    run(&mut owner, format!("UPDATE company SET name = 'Plane, Sons & Daughters' WHERE id = '{company}'"))
        .await
        .unwrap();
    rises(1, "its name").await;
    run(&mut owner, format!("DELETE FROM booking WHERE company_id = '{company}'")).await.unwrap();
    rises(1, "by whatever way").await;
    let touches: i64 = sqlx::query_scalar("SELECT count(*) FROM feed_touch").fetch_one(&mut owner).await.unwrap();
    assert_eq!(touches, 1, "what has been counted is thrown away");
}

/// Two that change different things at the same time: neither waits for the other before it commits, and whoever looks in
/// between sees the one and will see the other.
#[tokio::test]
async fn who_changes_waits_for_nobody_and_is_counted() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (first, _) = revision(&test, &small).await;
    let mut slow = test.session(small.company).await;
    slow.insert_noun(Noun::House, &noun("oak-1")).await.unwrap();
    let quick = async {
        let mut session = test.session(small.company).await;
        session.insert_noun(Noun::House, &noun("oak-2")).await.unwrap();
        session.commit().await.unwrap();
    };
    tokio::time::timeout(Duration::from_secs(10), quick).await.expect("it has to wait for the other");
    assert_eq!(revision(&test, &small).await.0, first + 1);
    slow.commit().await.unwrap();
    assert_eq!(revision(&test, &small).await.0, first + 2);
}

#[tokio::test]
async fn many_at_once_are_all_counted() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (first, _) = revision(&test, &small).await;
    let tasks: Vec<_> = (0..24)
        .map(|number| {
            let (store, company) = (test.store.clone(), small.company);
            tokio::spawn(async move {
                let mut session = store.session(company).await.unwrap();
                session.insert_noun(Noun::House, &noun(&format!("h-{number}"))).await.unwrap();
                session.commit().await.unwrap();
            })
        })
        .collect();
    for task in tasks {
        task.await.unwrap();
    }
    assert_eq!(revision(&test, &small).await.0, first + 24);
}
