//! Plans that ended long ago, and drafts that nobody decided on: their placements go, what others share of them stays, and whoever asks for them is told.

use crate::common::app::{self, small_office};
use crate::common::store::{TestStore, at, fresh_store, job, plan, row, small};
use serde_json::{Value, json};
use sqlx::Connection;
use std::collections::BTreeSet;
use std::sync::Arc;
use tackfree::service::Service;
use tackfree::service::clock::SetClock;
use tackfree::store::{PlanRow, PlanStatus};
use tackfree::worker::{Kept, Outcome, Prune, Task as _};
use uuid::Uuid;

/// As the server does on some day after the plans' first: until there is nothing left to throw away.
async fn prune(test: &TestStore, days: i64, kept: Kept) {
    let clock = SetClock::new(at(days * 1440));
    let prune = Prune::new(&Service::with_clock(test.store.clone(), Arc::new(clock)), kept);
    while prune.try_once().await.unwrap() == Outcome::Worked {}
}

async fn rows_stored(test: &TestStore) -> i64 {
    let mut owner = test.owner().await;
    let count = sqlx::query_scalar("SELECT count(*) FROM plan_row").fetch_one(&mut owner).await.unwrap();
    owner.close().await.unwrap();
    count
}

fn shown(rows: &[PlanRow]) -> BTreeSet<(Uuid, String)> {
    rows.iter().map(|row| (row.job_id, format!("{} {} {}", row.step_key, row.start, row.crew_id))).collect()
}

/// Three promises after each other, a day apart; the second moves one of two jobs, the third nothing.
#[tokio::test]
async fn what_no_later_plan_needs_is_thrown_away() {
    let test = fresh_store().await;
    let stays = small(&test).await;
    let mut session = test.session(stays.company).await;
    let other = session.insert_job(&job("other", stays.house.id, &["sand"])).await.unwrap();
    let kept = row(stays.job.id, "sand", stays.crews[0].id, 0, 60);
    let first = [kept.clone(), row(other.id, "sand", stays.crews[1].id, 0, 60)];
    let first = session.insert_plan(&plan(), &first).await.unwrap();
    session.publish_plan(first.id, 1, at(0)).await.unwrap();
    let rows = [kept, row(other.id, "sand", stays.crews[1].id, 60, 120)];
    let touched = BTreeSet::from([other.id]);
    let second = session.insert_plan_beside(&plan(), &rows, (first.id, &touched)).await.unwrap();
    session.publish_plan(second.id, 1, at(1440)).await.unwrap();
    let third = session.insert_plan_beside(&plan(), &rows, (second.id, &BTreeSet::new())).await.unwrap();
    session.publish_plan(third.id, 1, at(2 * 1440)).await.unwrap();
    session.commit().await.unwrap();
    assert_eq!(rows_stored(&test).await, 3);

    // The first ended on the second day, so it is ten days old on the twelfth and no sooner.
    let ten_days = Kept { plans_days: 10, ..Kept::default() };
    prune(&test, 11, ten_days).await;
    let mut session = test.session(stays.company).await;
    assert!(session.plan(first.id).await.unwrap().placements_kept);
    assert_eq!(session.plan(first.id).await.unwrap().ended_at, Some(at(1440)));
    drop(session);
    prune(&test, 12, ten_days).await;
    let mut session = test.session(stays.company).await;
    let old = session.plan(first.id).await.unwrap();
    assert_eq!((old.status, old.placements_kept, old.row_count), (PlanStatus::Superseded, false, 2));
    assert!(session.plan_rows(first.id).await.unwrap().is_empty());
    assert_eq!(shown(&session.plan_rows(second.id).await.unwrap()), shown(&rows));
    assert_eq!(rows_stored(&test).await, 2, "the first plan's row of the job that stays is still needed");
    drop(session);

    // Years later the promise is as it was, and nothing is kept that it does not need.
    prune(&test, 2_000, ten_days).await;
    let mut session = test.session(stays.company).await;
    assert!(session.plan_rows(second.id).await.unwrap().is_empty());
    let promise = session.published_plan().await.unwrap().unwrap();
    assert_eq!((promise.id, promise.placements_kept, promise.ended_at), (third.id, true, None));
    assert_eq!(shown(&session.plan_rows(third.id).await.unwrap()), shown(&rows));
    drop(session);
    assert_eq!(rows_stored(&test).await, 2);

    // When that has ended too, its rows go wherever they were written.
    let mut session = test.session(stays.company).await;
    let last = session.insert_plan(&plan(), &[]).await.unwrap();
    session.publish_plan(last.id, 1, at(3_000 * 1440)).await.unwrap();
    session.commit().await.unwrap();
    prune(&test, 3_010, ten_days).await;
    assert_eq!(rows_stored(&test).await, 2);
    prune(&test, 3_011, ten_days).await;
    assert_eq!(rows_stored(&test).await, 0);
}

/// What an office is told of plans that are no longer kept, and of a draft that nobody decided on.
#[tokio::test]
async fn whoever_asks_for_an_old_plan_is_told() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let first = office.publish().await["id"].as_str().unwrap().to_owned();
    office.publish().await;
    let draft =
        office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201)["id"].as_str().unwrap().to_owned();
    let get = async |path: String| office.get(&path).await;
    let kept = get(format!("/v1/plans/{first}")).await;
    let tag = kept.headers["etag"].clone();
    let kept = kept.expect(200);
    assert_eq!((&kept["status"], &kept["placements_kept"]), (&json!("superseded"), &json!(true)));
    assert!(kept["ended_at"].is_string() && !kept["placements"].as_array().unwrap().is_empty(), "{kept}");

    // Long after both the made-up day of the test and the day the test runs on.
    app.clock.set("2126-01-01T10:00:00Z".parse().unwrap());
    let prune = Prune::new(&app.service(), Kept::default());
    while prune.try_once().await.unwrap() == Outcome::Worked {}

    let gone = get(format!("/v1/plans/{first}")).await;
    assert_ne!(gone.headers["etag"], tag, "it is not what it was");
    let gone = gone.expect(200);
    assert_eq!((&gone["status"], &gone["placements_kept"]), (&json!("superseded"), &json!(false)));
    assert_eq!((&gone["placements"], &gone["cost"]), (&json!([]), &kept["cost"]), "the list still knows what it cost");
    let old = get(format!("/v1/plans/{draft}")).await.expect(200);
    assert_eq!((&old["status"], &old["placements_kept"]), (&json!("rejected"), &json!(false)));
    for (plan, code) in [(&first, "plan-not-kept"), (&draft, "plan-rejected")] {
        for path in [
            format!("/v1/chances?runs=10&plan={plan}"),
            format!("/v1/plans/{plan}/comparison"),
            format!("/v1/plans/{plan}/difference"),
            format!("/v1/board?draft={plan}"),
        ] {
            let told = get(path.clone()).await;
            assert_eq!(told.problem(409, "plan-outdated")["errors"][0]["code"], code, "{path}");
        }
    }
    let changes = get("/v1/changes?kind=plan".into()).await.expect(200);
    let rejected = changes["items"].as_array().unwrap().iter().filter(|line| line["change"] == "rejected");
    let rejected: Vec<&Value> = rejected.collect();
    assert_eq!(rejected.len(), 1, "one line for the draft, none for what was only thrown away: {changes}");
    assert_eq!(rejected[0]["thing"]["id"], draft.as_str());
}
